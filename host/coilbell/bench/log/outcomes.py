"""How items ended: outcomes are added, withdrawn with a reason, and never overwritten.

An item has at most one outcome that stands for its winding and one for its worksheet's cause, and the two may
not contradict each other; an outcome that is never known stands alone. Adding one costs the same whatever the
log holds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import msgspec

from coilbell.bench.facts.finding import FindingFacts
from coilbell.bench.facts.outcome import LEAST_SURE, NEVER_KNOWN, USUALLY_SURE, Outcome
from coilbell.bench.log.admission import check_words, utc_now
from coilbell.bench.log.book import Log
from coilbell.bench.log.corrections import take_back
from coilbell.bench.log.keeper import LogKeeper
from coilbell.bench.log.rows import Item, KeptJudgement
from coilbell.bench.worksheet.sheet import opened
from coilbell.errors import FileError, InputError
from coilbell.isolate import Equipment, implied_state
from coilbell.terms import FOUND

__all__ = [
    "Concluded",
    "KeptOutcome",
    "add_outcome",
    "causes",
    "check_outcome_words",
    "concluded",
    "contradiction",
    "keep_outcome",
    "outcome_numbered",
    "outcome_of",
    "outcomes_of",
    "withdraw_outcome",
]

_LONGEST_HOW = 500
"""Characters of how it was found; assumed."""

_LONGEST_CAUSE = 200
"""Characters of a cause's key or of a kind of equipment's name; assumed."""


@dataclass(frozen=True, slots=True)
class KeptOutcome:
    """An outcome that stands. id: its row."""

    id: int
    added_utc: str
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class Concluded:
    """An item whose end was told, with the standing findings on its winding, oldest first.

    kind: of the last finding, else as the item's details say; connection: of the last finding, "" without.
    """

    item: Item
    outcomes: tuple[KeptOutcome, ...]
    findings: tuple[KeptJudgement, ...]

    @property
    def of_winding(self) -> Outcome | None:
        """What says most of the winding itself: that of the winding, else that of the worksheet's cause."""
        told = [one.outcome for one in self.outcomes if one.outcome.state is not None]
        return min(told, key=lambda one: bool(one.equipment), default=None)

    @property
    def kind(self) -> str:
        """Kind of winding."""
        last = self.findings[-1].facts.kind if self.findings else ""
        return last if last and last != "other winding" else self.item.kind or last

    @property
    def connection(self) -> str:
        """How the winding was connected when it was judged last."""
        found = [str(one.facts.connection) for one in self.findings if isinstance(one.facts, FindingFacts)]
        return found[-1] if found else ""


def outcome_of(log: Log, item: Item, cause: str, *, how: str = "", sure: float = USUALLY_SURE) -> Outcome:
    """The outcome that the words tell. cause: a key of the item's worksheet or of `FOUND`, or `NEVER_KNOWN`.

    Raises InputError, with the causes there are.
    """
    kind, named = _equipment(log, item), cause.strip().lower()
    if kind is not None and named in kind.keys:
        state = implied_state(kind, named, item.kind)
        return Outcome(cause=named, equipment=kind.name, state=state, how=how, sure=_checked(sure))
    if named not in FOUND and named != NEVER_KNOWN:
        raise InputError(f"no cause {cause[:40]!r}; choose one of: {', '.join(causes(log, item))}")
    return Outcome(cause=named, state=FOUND.get(named), how=how, sure=_checked(sure))


def _checked(sure: float) -> float:
    if not LEAST_SURE <= sure <= 1:
        raise InputError(
            f"sure to {sure:g} lies outside {LEAST_SURE:g} to 1; under {LEAST_SURE:g} say {NEVER_KNOWN}"
        )
    return sure


def check_outcome_words(outcome: Outcome) -> None:
    """Raise InputError for words that are too long or could steer a terminal."""
    check_words(outcome.cause, "cause", _LONGEST_CAUSE)
    check_words(outcome.equipment, "kind of equipment", _LONGEST_CAUSE)
    check_words(outcome.how, "how it was found", _LONGEST_HOW)


def causes(log: Log, item: Item) -> tuple[str, ...]:
    """What an item's end may be called: states of a winding, its worksheet's causes, `NEVER_KNOWN`."""
    kind = _equipment(log, item)
    return tuple(dict.fromkeys((*FOUND, *(kind.keys if kind else ()), NEVER_KNOWN)))


def outcomes_of(log: Log, item: Item) -> list[KeptOutcome]:
    """The item's outcomes that stand, oldest first. Raises FileError for a damaged one."""
    return [outcome_numbered(log, number) for number in log.numbers("outcome", item)]


def add_outcome(log: Log, item: Item, outcome: Outcome) -> KeptOutcome:
    """Keep an outcome. Raises InputError where it contradicts one that stands; then nothing is changed."""
    check_outcome_words(outcome)
    with log.together():
        for standing in outcomes_of(log, item):
            if problem := contradiction(standing, outcome):
                raise InputError(
                    f"{item.name}: {problem}; to change it, take that one back first, with the reason: "
                    "`coilbell log outcome --withdraw REASON`, or V on the page"
                )
        added = utc_now()
        number = keep_outcome(log, item.id, outcome, added)
    return KeptOutcome(number, added, outcome)


def keep_outcome(log: Log, item: int, outcome: Outcome, added_utc: str) -> int:
    """Keep a checked outcome under the item's number; returns that of its row."""
    values = {name: getattr(outcome, name) for name in ("cause", "equipment", "how")}
    state = None if outcome.state is None else str(outcome.state)
    return log.base.insert(
        "outcome", item_id=item, added_utc=added_utc, state=state, sure=repr(outcome.sure), **values
    )


def withdraw_outcome(log: Log, item: Item, why: str, cause: str = "") -> KeptOutcome:
    """Let an outcome no longer count; it stays kept. cause: which, where several stand. Raises InputError."""
    if not why.strip():
        raise InputError("a withdrawal needs its reason; give --withdraw REASON")
    with log.together():
        standing = [one for one in outcomes_of(log, item) if not cause or one.outcome.cause == cause.lower()]
        if not standing:
            raise InputError(f"{item.name} has no outcome {cause}".rstrip() + " that could be withdrawn")
        if len(standing) > 1:
            names = ", ".join(one.outcome.cause for one in standing)
            raise InputError(f"{item.name} has several outcomes; say which of: {names}")
        take_back(log, item, "outcome", standing[0].id, why)
    return standing[0]


def concluded(log: Log, *, findings: bool = True) -> Iterator[Concluded]:
    """Every item with an outcome that stands, the oldest first, in one pass over outcomes and findings.

    findings: False leaves them out, for what only counts outcomes. Raises FileError for a damaged row.
    """
    query = "SELECT DISTINCT item_id FROM outcome_now ORDER BY item_id"
    for row in log.base.rows(query):
        item = log.item_numbered(row["item_id"])
        judged = log.judgements(item) if findings else []
        told = tuple(one for one in judged if isinstance(one.facts, FindingFacts))
        yield Concluded(item, tuple(outcomes_of(log, item)), told)


def outcome_numbered(log: Log, number: int) -> KeptOutcome:
    """One outcome by its row. Raises FileError for a damaged one."""
    log.check_row("outcome", number)
    row = log.base.rows("SELECT * FROM outcome WHERE id = ?", number)[0]
    told = {name: row[name] for name in ("cause", "equipment", "state", "how")}
    try:
        outcome = msgspec.convert(told | {"sure": float(row["sure"])}, Outcome)
    except (msgspec.ValidationError, ValueError) as error:
        raise FileError(f"outcome {number} of the log: {error}; restore the log from a backup") from error
    return KeptOutcome(number, row["added_utc"], outcome)


def contradiction(standing: KeptOutcome, new: Outcome) -> str:
    """Why both cannot stand, "" where they can."""
    old, since = standing.outcome, f"was kept on {standing.added_utc[:10]} as what it was in the end"
    alike = bool(old.equipment) == bool(new.equipment)
    if alike or not (old.known and new.known):
        return f"{old.cause} {since}" + (" already" if old.cause == new.cause else f", and not {new.cause}")
    if None not in (old.shorted, new.shorted) and old.shorted is not new.shorted:
        return f"{old.cause} {since}, which {new.cause} contradicts"
    return ""


def _equipment(log: Log, item: Item) -> Equipment | None:
    """Kind of equipment of the item's worksheet, None where none was begun."""
    keeper = LogKeeper(log, item)
    return opened(keeper).kind if keeper.entries() else None
