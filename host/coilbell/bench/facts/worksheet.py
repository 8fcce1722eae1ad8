"""Facts of an isolation worksheet: ranked causes, what moved their odds, and the next tests."""

from __future__ import annotations

from msgspec import UNSET, UnsetType

from coilbell.bench.facts.base import Chance, Count, Facts, Figure, Spread

__all__ = [
    "WORKSHEET_SCHEMA",
    "ConflictFacts",
    "HypothesisFacts",
    "MoveFacts",
    "OutcomeFacts",
    "PartFacts",
    "ProposalFacts",
    "ReadingFacts",
    "SettleFacts",
    "WaitingFacts",
    "WithdrawnFacts",
    "WorksheetFacts",
]

WORKSHEET_SCHEMA = 1
"""Number of the layout of `WorksheetFacts`; it rises when a field changes its meaning."""


class ReadingFacts(Facts, frozen=True, kw_only=True):
    """What was seen at a step; entry: its number in the worksheet."""

    entry: Count
    step: str
    words: str
    source: str
    remarks: tuple[str, ...]


class WithdrawnFacts(Facts, frozen=True, kw_only=True):
    """A reading that was taken back, and why."""

    entry: Count
    why: str


class HypothesisFacts(Facts, frozen=True, kw_only=True):
    """A part that may have failed, with its probability now and before anything was seen."""

    key: str
    name: str
    part: str
    probability: Chance
    prior: Chance
    reason: str
    source: str


class PartFacts(Facts, frozen=True, kw_only=True):
    """What would be taken out, and how probably rightly."""

    part: str
    probability: Chance


class MoveFacts(Facts, frozen=True, kw_only=True):
    """What a step did to the odds; log10_factors: log10 of how much likelier each hypothesis became."""

    step: str
    entries: tuple[Count, ...]
    words: str
    log10_factors: dict[str, Figure]
    reason: str
    source: str
    reading_source: str
    remarks: tuple[str, ...]


class ConflictFacts(Facts, frozen=True, kw_only=True):
    """A sight that does not go with the others; chance: of it, beside the likeliest one."""

    step: str
    words: str
    chance: Spread


class OutcomeFacts(Facts, frozen=True, kw_only=True):
    """What a step may show."""

    key: str
    name: str


class ProposalFacts(Facts, frozen=True, kw_only=True):
    """A step that could come next. bits: information expected [bit]; instructed: False for live work that the
    user did not state to be qualified for, and then `how` is empty."""

    step: str
    name: str
    bits: Spread
    effort_min: Spread
    live: str
    instructed: bool
    how: str
    enter: str
    outcomes: tuple[OutcomeFacts, ...]
    cautions: tuple[str, ...]


class SettleFacts(Facts, frozen=True, kw_only=True):
    """Tests that settle between two causes, by key and by name."""

    between: tuple[str, str]
    names: tuple[str, str]
    next: tuple[ProposalFacts, ...]


class WaitingFacts(Facts, frozen=True, kw_only=True):
    """The item's latest finding where it is not in the worksheet yet; step: the one it is a reading of."""

    step: str
    words: str


class WorksheetFacts(Facts, frozen=True, kw_only=True):
    """Everything shown of a worksheet. open_bits: what is still open between the causes [bit]."""

    schema: int
    what: str
    title: str
    kind: str
    qualified: str
    readings: tuple[ReadingFacts, ...]
    withdrawn: tuple[WithdrawnFacts, ...]
    hypotheses: tuple[HypothesisFacts, ...]
    parts: tuple[PartFacts, ...]
    open_bits: Spread
    moves: tuple[MoveFacts, ...]
    contradictions: tuple[ConflictFacts, ...]
    nothing_fits: bool
    next: tuple[ProposalFacts, ...]
    settle: SettleFacts
    remarks: tuple[str, ...]
    waiting: WaitingFacts | UnsetType = UNSET
