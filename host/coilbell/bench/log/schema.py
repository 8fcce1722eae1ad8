"""The tables of the bench log, and the steps that bring an older log up to date.

::

    item        a part on the bench: equipment, part, kind, serial
    capture     records that were rung together and are fitted together
    record      one shot: settings as JSON, samples exactly as they were, their hash
    fit         figures of a capture, with the versions that made them
    reference   a reference as it was when something was judged by it
    judgement   a finding or a comparison, with the question asked and the versions
    note, photo free words; pictures by path and hash
    customer    for whom it is, for the report; the last one holds, and it is never handed on in an archive
    run         one pass of fitting everything again
    worksheet   one entry of an item's isolation worksheet, as JSON, see `coilbell.bench.worksheet.entries`
    trend       a stretch of what was watched of an item, as JSON, see `coilbell.bench.facts.trend`
    outcome     what an item was in the end, see `coilbell.bench.facts.outcome`; sure: the number as text
    seal        a hash of each row, see `coilbell.bench.log.seal`; sealed: since when every row has one

Rows are never changed: triggers refuse it. A new judgement is a new row beside the old one. Rows leave
only while `leaving` names an item, which only an explicit removal does, after a backup.

What stands is read from the views item_now, capture_now and their like.

`PRAGMA user_version` holds the schema number, `PRAGMA application_id` tells the file from other programs'.
"""

from __future__ import annotations

__all__ = ["APPLICATION", "MIGRATIONS", "SCHEMA"]

APPLICATION = 0x636F_626C
"""Application number in the file's header: "cobl"."""

_BASE = """
CREATE TABLE item (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE COLLATE NOCASE CHECK (length(name) BETWEEN 1 AND 80),
    equipment TEXT NOT NULL, part TEXT NOT NULL, kind TEXT NOT NULL, serial TEXT NOT NULL,
    added_utc TEXT NOT NULL) STRICT;
CREATE TABLE capture (
    id INTEGER PRIMARY KEY,
    item_id INTEGER NOT NULL REFERENCES item ON DELETE CASCADE,
    label TEXT NOT NULL, connection TEXT NOT NULL, sha256 TEXT NOT NULL, added_utc TEXT NOT NULL,
    UNIQUE (item_id, sha256)) STRICT;
CREATE TABLE record (
    id INTEGER PRIMARY KEY,
    capture_id INTEGER NOT NULL REFERENCES capture ON DELETE CASCADE,
    position INTEGER NOT NULL, settings TEXT NOT NULL, sample_type TEXT NOT NULL,
    samples BLOB NOT NULL, times BLOB, sha256 TEXT NOT NULL,
    UNIQUE (capture_id, position)) STRICT;
CREATE TABLE fit (
    id INTEGER PRIMARY KEY,
    capture_id INTEGER NOT NULL REFERENCES capture ON DELETE CASCADE,
    made_utc TEXT NOT NULL, versions TEXT NOT NULL, facts TEXT NOT NULL) STRICT;
CREATE TABLE reference (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL, sha256 TEXT NOT NULL UNIQUE, body TEXT NOT NULL, added_utc TEXT NOT NULL) STRICT;
CREATE TABLE judgement (
    id INTEGER PRIMARY KEY,
    item_id INTEGER NOT NULL REFERENCES item ON DELETE CASCADE,
    made_utc TEXT NOT NULL, versions TEXT NOT NULL, question TEXT NOT NULL,
    reference_id INTEGER REFERENCES reference, explanation TEXT NOT NULL, facts TEXT NOT NULL) STRICT;
CREATE TABLE judgement_fit (
    judgement_id INTEGER NOT NULL REFERENCES judgement ON DELETE CASCADE,
    position INTEGER NOT NULL, fit_id INTEGER NOT NULL REFERENCES fit ON DELETE CASCADE,
    PRIMARY KEY (judgement_id, position)) STRICT;
CREATE TABLE note (
    id INTEGER PRIMARY KEY,
    item_id INTEGER NOT NULL REFERENCES item ON DELETE CASCADE,
    added_utc TEXT NOT NULL, words TEXT NOT NULL) STRICT;
CREATE TABLE photo (
    id INTEGER PRIMARY KEY,
    item_id INTEGER NOT NULL REFERENCES item ON DELETE CASCADE,
    added_utc TEXT NOT NULL, path TEXT NOT NULL, sha256 TEXT NOT NULL, bytes INTEGER NOT NULL,
    words TEXT NOT NULL) STRICT;
CREATE TABLE leaving (item_id INTEGER PRIMARY KEY) STRICT;
CREATE INDEX capture_of_item ON capture (item_id);
CREATE INDEX fit_of_capture ON fit (capture_id);
CREATE INDEX judgement_of_item ON judgement (item_id);
CREATE INDEX fit_in_judgement ON judgement_fit (fit_id);
CREATE INDEX note_of_item ON note (item_id);
CREATE INDEX photo_of_item ON photo (item_id);
"""

_LASTING = (
    "item",
    "capture",
    "record",
    "fit",
    "reference",
    "judgement",
    "judgement_fit",
    "note",
    "photo",
)


def _guards(*tables: str) -> str:
    return "".join(
        f"""
CREATE TRIGGER {table}_stays BEFORE UPDATE ON {table}
    BEGIN SELECT RAISE(ABORT, 'rows of the bench log are never changed'); END;
CREATE TRIGGER {table}_remains BEFORE DELETE ON {table} WHEN NOT EXISTS (SELECT 1 FROM leaving)
    BEGIN SELECT RAISE(ABORT, 'rows of the bench log are never deleted singly'); END;
"""
        for table in tables
    )


_RUNS = """
CREATE TABLE run (
    id INTEGER PRIMARY KEY,
    started_utc TEXT NOT NULL, finished_utc TEXT, versions TEXT NOT NULL, last_fit INTEGER NOT NULL,
    last_judgement INTEGER NOT NULL) STRICT;
CREATE TABLE run_fit (
    run_id INTEGER NOT NULL REFERENCES run, old_fit INTEGER NOT NULL REFERENCES fit ON DELETE CASCADE,
    new_fit INTEGER REFERENCES fit ON DELETE CASCADE, problem TEXT NOT NULL,
    PRIMARY KEY (run_id, old_fit)) STRICT;
CREATE TABLE run_judgement (
    run_id INTEGER NOT NULL REFERENCES run,
    old_judgement INTEGER NOT NULL REFERENCES judgement ON DELETE CASCADE,
    new_judgement INTEGER REFERENCES judgement ON DELETE CASCADE, problem TEXT NOT NULL,
    PRIMARY KEY (run_id, old_judgement)) STRICT;
CREATE INDEX run_fit_new ON run_fit (new_fit);
CREATE INDEX run_fit_old ON run_fit (old_fit);
CREATE INDEX run_judgement_new ON run_judgement (new_judgement);
CREATE INDEX run_judgement_old ON run_judgement (old_judgement);
"""

_WORKSHEETS = """
CREATE TABLE worksheet (
    id INTEGER PRIMARY KEY,
    item_id INTEGER NOT NULL REFERENCES item ON DELETE CASCADE,
    added_utc TEXT NOT NULL, entry TEXT NOT NULL) STRICT;
CREATE INDEX worksheet_of_item ON worksheet (item_id);
"""

_SEALS = """
CREATE TABLE seal (
    kind TEXT NOT NULL, row INTEGER NOT NULL, sha256 BLOB NOT NULL,
    PRIMARY KEY (kind, row)) STRICT, WITHOUT ROWID;
CREATE TABLE sealed (since_utc TEXT NOT NULL) STRICT;
"""

_AFTERWARDS = """
CREATE TABLE detail (
    id INTEGER PRIMARY KEY,
    item_id INTEGER NOT NULL REFERENCES item ON DELETE CASCADE,
    added_utc TEXT NOT NULL, name TEXT NOT NULL CHECK (name IN ('equipment', 'part', 'kind', 'serial')),
    words TEXT NOT NULL) STRICT;
CREATE TABLE withdrawal (
    id INTEGER PRIMARY KEY,
    item_id INTEGER NOT NULL REFERENCES item ON DELETE CASCADE,
    added_utc TEXT NOT NULL, what TEXT NOT NULL, row INTEGER NOT NULL, why TEXT NOT NULL) STRICT;
CREATE TABLE examination (
    id INTEGER PRIMARY KEY,
    item_id INTEGER NOT NULL REFERENCES item ON DELETE CASCADE,
    added_utc TEXT NOT NULL, entry TEXT NOT NULL) STRICT;
CREATE INDEX detail_of_item ON detail (item_id);
CREATE INDEX withdrawal_of_row ON withdrawal (what, row);
CREATE INDEX examination_of_item ON examination (item_id);
"""

_OUTCOMES = """
CREATE TABLE outcome (
    id INTEGER PRIMARY KEY,
    item_id INTEGER NOT NULL REFERENCES item ON DELETE CASCADE,
    added_utc TEXT NOT NULL, cause TEXT NOT NULL, equipment TEXT NOT NULL, state TEXT, how TEXT NOT NULL,
    sure TEXT NOT NULL) STRICT;
CREATE INDEX outcome_of_item ON outcome (item_id);
"""

_CUSTOMERS = """
CREATE TABLE customer (
    id INTEGER PRIMARY KEY,
    item_id INTEGER NOT NULL REFERENCES item ON DELETE CASCADE,
    added_utc TEXT NOT NULL, words TEXT NOT NULL) STRICT;
CREATE INDEX customer_of_item ON customer (item_id);
"""

_TRENDS = """
CREATE TABLE trend (
    id INTEGER PRIMARY KEY,
    item_id INTEGER NOT NULL REFERENCES item ON DELETE CASCADE,
    added_utc TEXT NOT NULL, entry TEXT NOT NULL) STRICT;
CREATE INDEX trend_of_item ON trend (item_id);
"""


def _now(table: str, fallen: str = "") -> str:
    """A view of the rows that were not taken back; a withdrawal may be taken back itself."""
    return f"""
CREATE VIEW {table}_now AS SELECT * FROM {table} WHERE NOT EXISTS (
    SELECT 1 FROM withdrawal AS w WHERE w.what = '{table}' AND w.row = {table}.id AND NOT EXISTS (
        SELECT 1 FROM withdrawal AS again WHERE again.what = 'withdrawal' AND again.row = w.id)){fallen};
"""


def _latest(name: str) -> str:
    return (
        f"coalesce((SELECT words FROM detail_now WHERE detail_now.item_id = item.id AND "
        f"detail_now.name = '{name}' ORDER BY detail_now.id DESC LIMIT 1), item.{name}) AS {name}"
    )


_VIEWS = (
    "".join(map(_now, ("capture", "note", "photo", "examination", "detail")))
    + _now(
        "judgement",
        """ AND NOT EXISTS (
    SELECT 1 FROM judgement_fit AS f JOIN fit ON fit.id = f.fit_id
    WHERE f.judgement_id = judgement.id AND fit.capture_id NOT IN (SELECT id FROM capture_now))""",
    )
    + "CREATE VIEW item_now AS SELECT item.id, item.name, item.added_utc, "
    + ", ".join(map(_latest, ("equipment", "part", "kind", "serial")))
    + " FROM item;\n"
)
"""What stands: without what was taken back, with details as they were corrected last. A judgement falls with
any ring that it rests on."""

_JUDGEMENTS = "DROP VIEW judgement_now;" + _now(
    "judgement",
    """ AND NOT EXISTS (
    SELECT 1 FROM judgement_fit AS f JOIN fit ON fit.id = f.fit_id
    JOIN withdrawal AS lost ON lost.what = 'capture' AND lost.row = fit.capture_id
    WHERE f.judgement_id = judgement.id AND NOT EXISTS (
        SELECT 1 FROM withdrawal AS back WHERE back.what = 'withdrawal' AND back.row = lost.id))""",
)
"""The same judgements as before, without a look at every capture of the log for each."""

MIGRATIONS: tuple[str, ...] = (
    _BASE + _guards(*_LASTING),
    _RUNS,
    _WORKSHEETS + _guards("worksheet"),
    _SEALS + _guards("seal"),
    _AFTERWARDS + _guards("detail", "withdrawal", "examination") + _VIEWS,
    _OUTCOMES + _guards("outcome") + _now("outcome"),
    _CUSTOMERS + _guards("customer") + _now("customer"),
    "DELETE FROM sealed;\n",  # finished runs have a seal from here on
    _TRENDS + _guards("trend"),
    _JUDGEMENTS,
)
"""Step k takes a log from schema k to schema k + 1. A step that was released is never edited."""

SCHEMA = len(MIGRATIONS)
"""Schema number this version writes."""
