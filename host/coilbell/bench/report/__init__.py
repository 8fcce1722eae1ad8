"""One item -> one printable page, as HTML or PDF."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from coilbell.bench.log import Item, Log
from coilbell.bench.report.sheet import SHEET_SCHEMA, Sheet, sheet_facts, sheet_of, sheet_text
from coilbell.errors import FileError, InputError

__all__ = ["ENDINGS", "SHEET_SCHEMA", "Sheet", "sheet_facts", "sheet_of", "sheet_text", "write_report"]

ENDINGS = (".html", ".pdf", ".txt")


def write_report(
    log: Log, item: Item, place: str | os.PathLike[str], *, paper: str = "a4", force: bool = False
) -> Sheet:
    """Write the item's page; the ending gives the kind. Returns what stands on it.

    paper: "a4" or "letter", for .pdf. Raises InputError, FileError.
    """
    path = Path(place)
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise InputError(
            f"reports are not written as {ending or 'a name without ending'}; "
            f"use one of: {', '.join(ENDINGS)}"
        )
    if path.exists() and not force:
        raise InputError(f"{path} exists and is left as it is; choose another name, or give --force")
    sheet = sheet_of(log, item)
    content, remarks = _content(log, sheet, ending, paper)
    try:
        path.write_bytes(content)
    except OSError as error:
        raise FileError(f"{path}: cannot be written: {error.strerror or error}") from error
    return _remarked(sheet, remarks)


def _content(log: Log, sheet: Sheet, ending: str, paper: str) -> tuple[bytes, Sequence[str]]:
    if ending == ".txt":
        return sheet_text(sheet).encode("utf-8"), ()
    from coilbell.bench.report.drawings import pictures_of

    pictures, remarks = pictures_of(log, sheet)
    whole = _remarked(sheet, remarks)
    if ending == ".html":
        from coilbell.bench.report.html import html_of

        return html_of(whole, pictures).encode("utf-8"), remarks
    from coilbell.bench.report.pdf import pdf_of

    return pdf_of(whole, pictures, paper), remarks


def _remarked(sheet: Sheet, remarks: Sequence[str]) -> Sheet:
    return replace(sheet, sections=(*sheet.sections, ("Remarks", tuple(remarks)))) if remarks else sheet
