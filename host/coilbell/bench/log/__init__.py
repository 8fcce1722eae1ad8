"""The bench log: one SQLite file of items, records, fits, findings, references, notes and photos."""

from coilbell.bench.log.again import Outcome, again
from coilbell.bench.log.book import Log
from coilbell.bench.log.database import VARIABLE, default_path
from coilbell.bench.log.kept import Item, KeptCapture, KeptFit, KeptJudgement, Note, Photo, versions
from coilbell.bench.log.schema import SCHEMA

__all__ = [
    "SCHEMA",
    "VARIABLE",
    "Item",
    "KeptCapture",
    "KeptFit",
    "KeptJudgement",
    "Log",
    "Note",
    "Outcome",
    "Photo",
    "again",
    "default_path",
    "versions",
]
