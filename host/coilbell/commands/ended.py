"""What `coilbell log outcome` and `log audit` do: what items were, and what findings were worth."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import TYPE_CHECKING

from coilbell.commands.options import show, tell
from coilbell.errors import InputError

if TYPE_CHECKING:
    from coilbell.bench.log import Item, Log

__all__ = ["add_audit_arguments", "add_outcome_arguments", "ask_outcome", "audit", "outcome"]


def add_outcome_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell log outcome`."""
    from coilbell.bench.facts.outcome import USUALLY_SURE

    add = parser.add_argument
    add("item", metavar="ITEM", help="name of the item")
    add("cause", metavar="CAUSE", nargs="?", default="", help="what it was; what is kept, when left out")
    add("--how", metavar="TEXT", default="", help='how it was seen, such as "replaced, set runs"')
    add("--sure", metavar="P", help=f"how sure that is, 0.5 to 1 ({USUALLY_SURE:g})")
    add("--withdraw", metavar="REASON", help="what was kept no longer counts; it stays kept")


def add_audit_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell log audit`."""
    add = parser.add_argument
    add("--json", action="store_true", help="one JSON object")
    add("--full", action="store_true", help="assumptions that nothing contradicts as well")
    add("--picture", metavar="FILE", help="draw stated odds against found ones (.png, .pdf or .svg)")


def audit(options: argparse.Namespace, log: Log) -> int:
    """Hold what findings said against what items were; returns 0."""
    from coilbell.bench.audit import audit as audited
    from coilbell.bench.facts.base import json_line
    from coilbell.bench.pictures.decay import check_path, save
    from coilbell.bench.words.audit import audit_text

    place = None if options.picture is None else check_path(options.picture)
    facts = audited(log)
    if place is not None:
        from coilbell.bench.pictures.reliability import reliability_picture

        save(reliability_picture(facts), place)
        tell(f"drawn in {place}")
    show(json_line(facts) if options.json else audit_text(facts, full=options.full))
    return 0


def outcome(options: argparse.Namespace, log: Log) -> int:
    """Keep, show or withdraw what the item was in the end; returns 0."""
    from coilbell.bench.log import add_outcome, causes, outcome_of, outcomes_of, withdraw_outcome
    from coilbell.bench.words.fit import wrapped
    from coilbell.bench.words.outcome import outcome_words

    item = log.item(options.item)
    if options.withdraw is not None:
        if options.how or options.sure:
            raise InputError("--how and --sure belong to a new outcome; leave them out beside --withdraw")
        gone = withdraw_outcome(log, item, options.withdraw, options.cause)
        tell(f"withdrawn, and still kept: {outcome_words(gone.outcome)}")
        return 0
    if not options.cause:
        for kept in outcomes_of(log, item):
            show(wrapped(f"{kept.added_utc[:10]}: {outcome_words(kept.outcome)}", indent=0))
        show(wrapped(f"{item.name} may be said to be: {', '.join(causes(log, item))}", indent=0))
        return 0
    sure = _sure(options.sure)
    found = outcome_of(log, item, options.cause, how=options.how, **({} if sure is None else {"sure": sure}))
    add_outcome(log, item, found)
    tell(f"kept in {log.path}: {item.name}, in the end: {outcome_words(found)}")
    return 0


def ask_outcome(log: Log, item: Item, ask: Callable[[str], str], say: Callable[[str], None]) -> str:
    """Ask for an item's end and keep it; returns what to say of it. ask: question in, answer out."""
    from coilbell.bench.facts.outcome import USUALLY_SURE
    from coilbell.bench.log import add_outcome, causes, outcome_of, outcomes_of
    from coilbell.bench.words.outcome import outcome_words

    for kept in outcomes_of(log, item):
        return f"kept already: {outcome_words(kept.outcome)}; change it by: coilbell log outcome --help"
    say(f"it may have been: {', '.join(causes(log, item))}")
    cause = ask("what was it (Enter: leave it) ").strip()
    if not cause:
        return "nothing is kept of its end"
    how = ask("how was it seen (Enter: not said) ").strip()
    sure = _sure(ask(f"how sure is that, 0.5 to 1 (Enter: {USUALLY_SURE:g}) ").strip() or None)
    found = outcome_of(log, item, cause, how=how, **({} if sure is None else {"sure": sure}))
    add_outcome(log, item, found)
    return f"kept: in the end, {outcome_words(found)}"


def _sure(text: str | None) -> float | None:
    """What --sure says, from "0.9" or "90%"; None where it is left out. Raises InputError."""
    if text is None:
        return None
    from coilbell.bench.worksheet.typed import fraction

    return fraction(text.replace(" ", ""), "--sure")
