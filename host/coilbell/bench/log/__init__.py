"""The bench log: one SQLite file of items, records, fits, findings, references, notes and photos."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coilbell.bench.log.again import Outcome, again
from coilbell.bench.log.book import Log, check_name, check_words
from coilbell.bench.log.database import VARIABLE, default_path
from coilbell.bench.log.kept import Item, KeptCapture, KeptFit, KeptJudgement, Note, Photo, versions
from coilbell.bench.log.schema import SCHEMA
from coilbell.bench.log.working import (
    comparison_question,
    finding_of,
    fit_from_facts,
    fitted,
    judged,
    question_of,
)
from coilbell.face import loader

if TYPE_CHECKING:
    from coilbell.bench.log.archive import write_archive
    from coilbell.bench.log.arrival import take_over
    from coilbell.bench.log.drawer import Drawer
    from coilbell.bench.log.entry import Entry, Reading, Rung, enter, keep, rungs_of, sides_words
    from coilbell.bench.log.soundness import problems
    from coilbell.bench.log.tables import write_table
    from coilbell.bench.log.words import LOG_SCHEMA, item_facts, item_line, item_text, outcome_text

__all__ = [
    "LOG_SCHEMA",
    "SCHEMA",
    "VARIABLE",
    "Drawer",
    "Entry",
    "Item",
    "KeptCapture",
    "KeptFit",
    "KeptJudgement",
    "Log",
    "Note",
    "Outcome",
    "Photo",
    "Reading",
    "Rung",
    "again",
    "check_name",
    "check_words",
    "comparison_question",
    "default_path",
    "enter",
    "finding_of",
    "fit_from_facts",
    "fitted",
    "item_facts",
    "item_line",
    "item_text",
    "judged",
    "keep",
    "outcome_text",
    "problems",
    "question_of",
    "rungs_of",
    "sides_words",
    "take_over",
    "versions",
    "write_archive",
    "write_table",
]

_HOMES = {
    "Drawer": ".drawer",
    **dict.fromkeys(("Entry", "Reading", "Rung", "enter", "keep", "rungs_of", "sides_words"), ".entry"),
    **dict.fromkeys(("LOG_SCHEMA", "item_facts", "item_line", "item_text", "outcome_text"), ".words"),
    "problems": ".soundness",
    "take_over": ".arrival",
    "write_archive": ".archive",
    "write_table": ".tables",
}
"""Names that are loaded when first used, since few commands need them."""

__getattr__ = loader(__name__, _HOMES)
