"""The bench log: one SQLite file of items, records, fits, findings, references, notes and photos."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coilbell.bench.log.admission import check_name, check_words
from coilbell.bench.log.book import Log
from coilbell.bench.log.database import default_path
from coilbell.bench.log.derivation import compared, finding_of, fitted, judged
from coilbell.bench.log.refit import RefitSummary, refit
from coilbell.bench.log.rows import Item, KeptCapture, KeptFit, KeptJudgement, versions
from coilbell.bench.log.schema import SCHEMA
from coilbell.face import loader

if TYPE_CHECKING:
    from coilbell.bench.log.archive import write_archive
    from coilbell.bench.log.check import problems
    from coilbell.bench.log.corrections import set_details, take_back, undo
    from coilbell.bench.log.entry import (
        Addition,
        FittedCapture,
        Reading,
        add_to_log,
        fitted_captures,
        keep,
        sides_words,
    )
    from coilbell.bench.log.itemlog import ItemLog
    from coilbell.bench.log.keeper import LogKeeper, kept_facts
    from coilbell.bench.log.outcomes import (
        Concluded,
        KeptOutcome,
        add_outcome,
        causes,
        concluded,
        outcome_of,
        outcomes_of,
        withdraw_outcome,
    )
    from coilbell.bench.log.tables import write_table
    from coilbell.bench.log.takeover import take_over
    from coilbell.bench.log.trends import add_trend, trends_of
    from coilbell.bench.log.words import (
        item_facts,
        item_found,
        item_head,
        item_line,
        item_text,
        refit_text,
    )

__all__ = [
    "SCHEMA",
    "Addition",
    "Concluded",
    "FittedCapture",
    "Item",
    "ItemLog",
    "KeptCapture",
    "KeptFit",
    "KeptJudgement",
    "KeptOutcome",
    "Log",
    "LogKeeper",
    "Reading",
    "RefitSummary",
    "add_outcome",
    "add_to_log",
    "add_trend",
    "causes",
    "check_name",
    "check_words",
    "compared",
    "concluded",
    "default_path",
    "finding_of",
    "fitted",
    "fitted_captures",
    "item_facts",
    "item_found",
    "item_head",
    "item_line",
    "item_text",
    "judged",
    "keep",
    "kept_facts",
    "outcome_of",
    "outcomes_of",
    "problems",
    "refit",
    "refit_text",
    "set_details",
    "sides_words",
    "take_back",
    "take_over",
    "trends_of",
    "undo",
    "versions",
    "withdraw_outcome",
    "write_archive",
    "write_table",
]

_HOMES = {
    "ItemLog": ".itemlog",
    **dict.fromkeys(
        ("Addition", "Reading", "FittedCapture", "add_to_log", "keep", "fitted_captures", "sides_words"),
        ".entry",
    ),
    **dict.fromkeys(("LogKeeper", "kept_facts"), ".keeper"),
    **dict.fromkeys(
        ("item_facts", "item_found", "item_head", "item_line", "item_text", "refit_text"), ".words"
    ),
    **dict.fromkeys(
        (
            "Concluded",
            "KeptOutcome",
            "add_outcome",
            "causes",
            "concluded",
            "outcome_of",
            "outcomes_of",
            "withdraw_outcome",
        ),
        ".outcomes",
    ),
    **dict.fromkeys(("set_details", "take_back", "undo"), ".corrections"),
    **dict.fromkeys(("add_trend", "trends_of"), ".trends"),
    "problems": ".check",
    "take_over": ".takeover",
    "write_archive": ".archive",
    "write_table": ".tables",
}
"""Names that are loaded when first used, since few commands need them."""

__getattr__ = loader(__name__, _HOMES)
