"""Facts of a recording of a line whistle."""

from __future__ import annotations

from coilbell.bench.facts.base import Facts, Figure, Positive, Spread
from coilbell.isolate import Heard, Listening

__all__ = ["LISTENING_SCHEMA", "ListeningFacts", "ToneFacts", "listening_facts"]

LISTENING_SCHEMA = 1
"""Number of the layout of `ListeningFacts`; it rises when a field changes its meaning."""


class RateFacts(Facts, frozen=True, kw_only=True):
    """A line rate that a tone agrees with; deviations: how far off, in standard uncertainties."""

    name: str
    hz: Positive
    source: str
    deviations: Figure


class NearFacts(Facts, frozen=True, kw_only=True):
    """The line rate that is nearest."""

    name: str
    hz: Positive


class ToneFacts(Facts, frozen=True, kw_only=True):
    """A tone. without_clock_hz: its uncertainty if the sound card's clock were exact."""

    frequency_hz: Positive
    standard_uncertainty_hz: Spread
    without_clock_hz: Spread
    over_noise_db: Figure
    level: Spread
    wander_hz: Spread | None
    rates: tuple[RateFacts, ...]
    near: NearFacts | None
    warnings: tuple[str, ...]


class ListeningFacts(Facts, frozen=True, kw_only=True):
    """Everything shown of a recording."""

    schema: int
    what: str
    title: str
    rate_hz: Positive
    seconds: Spread
    line: ToneFacts | None
    tones: tuple[ToneFacts, ...]
    silence_counts: bool
    warnings: tuple[str, ...]


def listening_facts(listening: Listening, title: str = "") -> ListeningFacts:
    """Everything shown of a recording."""
    line = listening.line
    return ListeningFacts(
        schema=LISTENING_SCHEMA,
        what="listening",
        title=title,
        rate_hz=listening.rate_hz,
        seconds=listening.seconds,
        line=None if line is None else _heard(line),
        tones=tuple(map(_heard, listening.heard)),
        silence_counts=listening.silence_counts,
        warnings=tuple(listening.warnings),
    )


def _heard(heard: Heard) -> ToneFacts:
    tone = heard.tone
    return ToneFacts(
        frequency_hz=tone.frequency_hz,
        standard_uncertainty_hz=tone.uncertainty_hz,
        without_clock_hz=tone.noise_hz,
        over_noise_db=tone.over_noise_db,
        level=tone.level,
        wander_hz=tone.wander_hz,
        rates=tuple(
            RateFacts(name=rate.name, hz=rate.hz, source=rate.source, deviations=deviations)
            for rate, deviations in heard.rates
        ),
        near=None if heard.near is None else NearFacts(name=heard.near.name, hz=heard.near.hz),
        warnings=tuple(heard.warnings),
    )
