"""One item -> one printable page, as HTML or PDF."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from coilbell.bench.log import Item, Log
from coilbell.bench.report.customer import customer_sheet
from coilbell.bench.report.sheet import SHEET_SCHEMA, Basis, Sheet, basis_of, sheet_text
from coilbell.bench.report.technician import full_sheet
from coilbell.errors import FileError, InputError
from coilbell.whole import whole_file

if TYPE_CHECKING:
    from coilbell.bench.report.drawings import Picture

__all__ = ["ENDINGS", "SHEET_SCHEMA", "Sheet", "basis_of", "drawn", "sheet_of", "sheet_text", "write_report"]

ENDINGS = (".html", ".pdf", ".txt")


def sheet_of(basis: Basis, *, full: bool = False) -> Sheet:
    """The customer's page, or with `full` the technician's."""
    return full_sheet(basis) if full else customer_sheet(basis)


def write_report(
    log: Log,
    item: Item,
    *places: str | os.PathLike[str],
    full: bool = False,
    paper: str = "a4",
    force: bool = False,
) -> Sheet:
    """Write the item's page to each place; the ending gives the kind. Returns what stands on it.

    full: the technician's page instead of the customer's; paper: "a4" or "letter", for .pdf.
    Raises InputError, FileError.
    """
    paths = [_checked(Path(place), force) for place in places]
    basis = basis_of(log, item)
    sheet = sheet_of(basis, full=full)
    pictures: Sequence[Picture] = ()
    if any(path.suffix.lower() != ".txt" for path in paths):
        sheet, pictures = drawn(log, basis, sheet)
    for path in paths:
        content = _content(sheet, pictures, path.suffix.lower(), paper)
        try:
            with whole_file(path) as stream:
                stream.write(content)
        except OSError as error:
            raise FileError(f"{path}: cannot be written: {error.strerror or error}") from error
    return sheet


def drawn(log: Log, basis: Basis, sheet: Sheet) -> tuple[Sheet, Sequence[Picture]]:
    """The page with its pictures; it remarks where the kept figures cannot be had again."""
    from coilbell.bench.report.drawings import pictures_of

    pictures, remarks = pictures_of(log, basis, full=sheet.full)
    if remarks:
        sheet = msgspec.structs.replace(sheet, sections=(*sheet.sections, ("Remarks", remarks)))
    return sheet, pictures


def _checked(path: Path, force: bool) -> Path:
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise InputError(
            f"reports are not written as {ending or 'a name without ending'}; "
            f"use one of: {', '.join(ENDINGS)}"
        )
    if path.exists() and not force:
        raise InputError(f"{path} exists and is left as it is; choose another name, or give --force")
    return path


def _content(sheet: Sheet, pictures: Sequence[Picture], ending: str, paper: str) -> bytes:
    if ending == ".txt":
        return sheet_text(sheet).encode("utf-8")
    if ending == ".html":
        from coilbell.bench.report.html import html_of

        return html_of(sheet, pictures).encode("utf-8")
    from coilbell.bench.report.pdf import pdf_of

    return pdf_of(sheet, pictures, paper)
