"""Entries of an isolation worksheet, in types, as they are kept and handed on.

::

    begin      kind, digest, toml (of a kind that does not ship), qualified
    observe    step, typed, words, source, remarks, log_likelihoods by outcome
    withdraw   entry: number of the entry taken back, why
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import msgspec

from coilbell.bench.facts.base import Chance, Count, Noted, Spread, facts_of, kept_text
from coilbell.errors import FileError
from coilbell.isolate import Live
from coilbell.isolate.equipment import Source

__all__ = [
    "FINDING",
    "Begin",
    "Entry",
    "Observe",
    "Unreadable",
    "Withdraw",
    "entry_text",
    "parsed_entry",
    "read_entry",
]

FINDING = "finding=log"
"""What is typed for the item's latest finding in the bench log."""

_FURTHEST = 1e9
"""Log-likelihood beyond which sums lose their meaning. Assumed."""

LogLikelihood = Annotated[float, msgspec.Meta(ge=-_FURTHEST, le=_FURTHEST)]


class _Entry(Noted, frozen=True, kw_only=True):
    utc: str


class Begin(_Entry, frozen=True, kw_only=True, tag="begin"):
    """The beginning of a worksheet.

    toml: text of a kind that does not ship, or ""; priors: of its causes as outcomes tell them, by key;
    outcomes: how many there were; bounded: one of the priors stands at the bound that selection sets.
    """

    kind: str
    digest: str
    toml: str
    qualified: Live
    priors: dict[str, Chance] = msgspec.field(default_factory=dict)
    outcomes: Spread = 0.0
    bounded: bool = False


class Observe(_Entry, frozen=True, kw_only=True, tag="observe"):
    """A reading, as what it said of the outcomes of its step: ln p, None for -inf."""

    step: str
    typed: tuple[str, ...]
    words: str
    source: Source
    remarks: tuple[str, ...]
    log_likelihoods: dict[str, LogLikelihood | None]


class Withdraw(_Entry, frozen=True, kw_only=True, tag="withdraw"):
    """A reading taken back. entry: its number."""

    entry: Count
    why: str


Entry = Begin | Observe | Withdraw


@dataclass(frozen=True, slots=True)
class Unreadable:
    """An entry that cannot be read, and why. It matters only in the worksheet that it stands in."""

    problem: str


def read_entry(text: str, where: str) -> Entry | Unreadable:
    """A kept line as an entry, or why it is none."""
    try:
        return parsed_entry(text, where)
    except FileError as error:
        return Unreadable(str(error))


def entry_text(entry: Entry) -> str:
    """An entry as the one line of JSON that is kept."""
    return kept_text(entry)


def parsed_entry(text: str, where: str) -> Entry:
    """A kept line as an entry. Raises FileError, which names where it stood."""
    return facts_of(text, Entry, f"{where}: is no worksheet entry")  # type: ignore[arg-type]
