"""Facts of a capture by the tester: the pulse, and what went wrong on the way."""

from __future__ import annotations

from coilbell.bench.facts.base import Count, Facts, Positive

__all__ = ["StrikeFacts"]


class StrikeFacts(Facts, frozen=True, kw_only=True):
    """How a winding was struck. aim: what the pulse was aimed at, in words; constants: whose they were."""

    port: str
    board: str
    utc: str | None
    pulse_s: Positive | None
    aim: str | None
    constants: str | None
    records: Count
    records_asked: Count
    frames_damaged: Count
    captures_retried: Count
