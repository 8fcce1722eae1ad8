"""Verdict: what is said of one item, first things first. Every surface shows this one object.

::

    headline    answers "is a turn shorted?" from `shows`: NO_SHORT at or under 1 - sure, SHORTED at or over
                sure, OPEN in between; NO_RING, AGAIN, ANOTHER, TWO_WINDINGS where the question has to wait
    shows       odds of a shorted turn that would show on this part [0..1], None where they mean nothing;
                never those of a short that hides, which is one of the limits
    alternatives that keep 10 % or more, the likeliest first
    explained   what the ring is like, where the headline does not say it already
    deciding    the figures that decide, the healthy ones beside them
    doubt       the one doubt that matters, "" for none
    steps       what to do next, best worth first; nothing that was done
    limits      what no ring of this kind shows, said once
"""

from __future__ import annotations

from dataclasses import dataclass

from coilbell.terms import Cause, Headline, Silence, Step

__all__ = ["DEFAULT_SURE", "Alternative", "Deciding", "NextStep", "Verdict"]

DEFAULT_SURE = 0.95
"""Odds from which a turn is said to be shorted; under the rest to 1 none is said to show. The user's;
assumed."""


@dataclass(frozen=True, slots=True)
class Alternative:
    """One explanation and its probability; cause None for what a set connects, told in `words`."""

    cause: Cause | None
    words: str
    probability: float
    shorted: bool


@dataclass(frozen=True, slots=True)
class Deciding:
    """One ring beside the healthy one; None where nothing rang, or nothing healthy is known.

    hertz: natural frequency [Hz], q: w0/(2 a) [1], spreads standard uncertainties; the healthy ones are where
    the next good unit is expected, with the spread from unit to unit.
    """

    capacitor: str
    stage: str
    hertz: float | None
    hertz_spread: float | None
    q: float | None
    q_spread: float | None
    healthy_hertz: float | None = None
    healthy_hertz_spread: float | None = None
    healthy_q: float | None = None
    healthy_q_spread: float | None = None
    shots: int = 1


@dataclass(frozen=True, slots=True)
class NextStep:
    """A step, as an instruction; bits: what it is expected to tell of a shorted turn, None if not asked."""

    step: Step
    words: str
    bits: float | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is said of one item; see the module."""

    headline: Headline
    shows: float | None
    sure: float
    alternatives: tuple[Alternative, ...]
    explained: Alternative | None
    why: str
    """Why there are no odds, or what the headline waits for; "" where the odds speak."""
    silence: tuple[Silence, ...]
    """Where nothing rang: what may be the reason, likeliest first."""
    deciding: tuple[Deciding, ...]
    doubt: str
    steps: tuple[NextStep, ...]
    limits: tuple[str, ...]
    caution: str
    rests_on: str
    """What the odds rest on, in one clause."""
    marked: tuple[str, ...] = ()
    """Units of the reference that were taken against a warning, with its figures."""
