"""A verdict in at most ten lines of 80 columns, the same on every surface.

First the headline, which must be enough to go on; then the odds, the figures that decide with the healthy
ones beside them, what is not told apart, the doubt that matters, the next step, the limits.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from coilbell.figure import concise, percent
from coilbell.terms import Headline
from coilbell.winding.said.verdict import Alternative, Deciding, Verdict

__all__ = ["MOST_LINES", "WIDTH", "headline_words", "odds_words", "verdict_lines"]

WIDTH, MOST_LINES = 80, 10
"""Columns and lines of what is said by default; common practice of terminals, and assumed."""

_BAR = 20
"""Letters of a bar that shows a certainty; assumed."""

_INDENT = "  "


def verdict_lines(
    verdict: Verdict, title: str = "", *, more: str = "", instead: Sequence[str] | None = None
) -> tuple[str, ...]:
    """The verdict in lines.

    title: what was rung, such as "lot-3"; more: where the rest is to be had, such as "--full"; instead:
    sentences that take the place of the deciding figures, such as what changed between two rings.
    """
    head = headline_words(verdict)
    whole = f"{title}: {head}" if title else head
    # A long title stands by itself, so that the headline is never broken in two for its sake.
    lines = (
        [whole]
        if len(whole) <= WIDTH
        else [*_wrapped(f"{title}:" if title else "", "", 2), *_wrapped(head, "", 2)]
    )
    lines += _odds_line(verdict)
    told = _figures(verdict.deciding) if instead is None else instead
    lines += [line for text in told for line in _wrapped(text, _INDENT, 2)]
    if verdict.shows is not None and not any(one.healthy_q for one in verdict.deciding):
        lines += _wrapped(verdict.rests_on, _INDENT, 1)
    if verdict.doubt:
        lines += _wrapped(f"doubt: {verdict.doubt}", _INDENT, 2)
    tail = _tail(verdict, more)
    room = MOST_LINES - len(tail)
    return tuple(lines[:room] + tail)


def headline_words(verdict: Verdict) -> str:
    """The headline as one sentence: what stands open, or what the winding is like besides."""
    head = verdict.headline
    if head is Headline.OPEN:
        return f"OPEN QUESTION: {_between(verdict.alternatives) or f'a shorted turn, or none: {verdict.why}'}"
    words = str(head).upper()
    if head is Headline.TWO_WINDINGS:
        words = "OPEN QUESTION: these are two different windings"
    if head is Headline.NO_RING and verdict.silence:
        return f"{words}: {' or '.join(map(str, verdict.silence))}"
    if head is Headline.NO_SHORT and verdict.explained is not None:
        like = "" if verdict.explained.cause is None else "it rings like one with "
        return f"{words}; {like}{verdict.explained.words}"
    return f"{words}: {verdict.why}" if verdict.why else words


def odds_words(verdict: Verdict) -> str:
    """The odds beside the headline; "" where there are none."""
    if verdict.shows is None:
        return ""
    others = [a for a in verdict.alternatives if not a.shorted] if verdict.headline is Headline.OPEN else []
    told = [f"a shorted turn that shows {percent(verdict.shows)}"]
    told += [f"{a.words} {percent(a.probability)}" for a in others[:2]]
    return ", ".join(told)


def _between(alternatives: Sequence[Alternative]) -> str:
    """Up to three, a shorted turn and something that is none among them."""
    told = list(alternatives[:3])
    missing = [a for a in alternatives[3:] if all(a.shorted is not one.shorted for one in told)]
    told[2:] = missing[:1] or told[2:]
    return ", or ".join(a.words for a in told)


def _odds_line(verdict: Verdict) -> list[str]:
    if verdict.shows is None:
        return _wrapped(verdict.rests_on, _INDENT, 1) if verdict.rests_on else []
    told = odds_words(verdict)
    full = round(_BAR * verdict.shows)
    bar = "#" * full + "." * (_BAR - full)
    line = f"{_INDENT}{told}   {bar}"
    return [line] if len(line) <= WIDTH else _wrapped(told, _INDENT, 2)


def _figures(deciding: Sequence[Deciding]) -> list[str]:
    """Q, then frequency, of up to two rings, the healthy ones beside them."""
    rang = [one for one in deciding if one.q is not None and one.hertz is not None][:2]
    if not rang:
        return []
    q = ", ".join(f"{_q(one)} with {one.capacitor}" for one in rang)
    f = ", ".join(f"{_khz(one)} with {one.capacitor}" for one in rang)
    known = [one for one in rang if one.healthy_q is not None and one.healthy_hertz is not None]
    if len(known) < len(rang):
        return [f"Q {q}; {f}"]
    healthy_q = " and ".join(f"{one.healthy_q:.3g}" for one in known)
    healthy_f = " and ".join(f"{(one.healthy_hertz or 0) / 1e3:.4g}" for one in known)
    ones = "a healthy one" if len(known) == 1 else "healthy ones"
    return [f"Q {q}; {ones} {healthy_q}", f"{f}; {ones} {healthy_f} kHz"]


def _q(one: Deciding) -> str:
    return concise(one.q or 0.0, one.q_spread or 0.0)


def _khz(one: Deciding) -> str:
    return f"{(one.hertz or 0.0) / 1e3:.4g} kHz"


def _tail(verdict: Verdict, more: str) -> list[str]:
    """Next step, caution and limits: never cut away."""
    lines: list[str] = []
    if verdict.steps:
        first = verdict.steps[0].words
        then = f"; then {verdict.steps[1].words}" if len(verdict.steps) > 1 else ""
        lines += _wrapped(f"next: {first}{then}", _INDENT, 2)
    if verdict.caution:
        lines += _wrapped(f"caution: {verdict.caution}", _INDENT, 2)
    limits = "; ".join(verdict.limits)
    end = f"; more: {more}" if more else ""
    if limits or more:
        text = f"unseen: {limits}" if limits else ""
        room = WIDTH - len(_INDENT) - len(end)
        lines.append(_INDENT + textwrap.shorten(text, room, placeholder=" ...") + end)
    return lines


def _wrapped(text: str, indent: str, most: int) -> list[str]:
    """At most so many lines of `WIDTH`, the last one shortened where the text is longer."""
    wrapper = textwrap.TextWrapper(
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent + _INDENT,
        max_lines=most,
        placeholder=" ...",
        break_long_words=True,
    )
    return wrapper.wrap(text)
