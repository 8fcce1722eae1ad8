"""The verdict in words that a report, a page and a terminal share, so that none says it in its own way."""

from __future__ import annotations

from typing import NamedTuple

from coilbell.figure import percent
from coilbell.terms import Headline
from coilbell.winding import Verdict

__all__ = ["Bar", "bars", "basis_words", "tint"]

_SHOWS = "a shorted turn that shows"

_TINTS = {Headline.NO_SHORT: "healthy", Headline.SHORTED: "shorted"}


class Bar(NamedTuple):
    """One of the odds that go with the headline; chance [0..1]."""

    name: str
    chance: float
    shorted: bool


def bars(verdict: Verdict) -> tuple[Bar, ...]:
    """The odds that go with the headline: of a shorted turn that shows, then of what else is open."""
    if verdict.shows is None:
        return ()
    others = (Bar(one.words, one.probability, False) for one in verdict.alternatives if not one.shorted)
    return (Bar(_SHOWS, verdict.shows, True), *others)


def tint(headline: Headline | None) -> str:
    """Name of the colour that a headline has beside its words: "healthy", "shorted", or "" for neither."""
    return _TINTS.get(headline, "") if headline is not None else ""


def basis_words(verdict: Verdict, prior: float | None) -> str:
    """What the odds rest on, with the prior; why there are none. prior: None where there are no odds."""
    rests_on = verdict.rests_on or "no reference is chosen, so no odds are given"
    return rests_on if prior is None else f"{rests_on}, from a prior of {percent(prior)}"
