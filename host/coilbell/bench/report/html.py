"""A sheet as one HTML file that needs nothing else: no script, no font, no address to fetch from."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from html import escape
from pathlib import Path
from string import Template

from coilbell.bench.report.drawings import Picture, stacked
from coilbell.bench.report.pdf import layout_for
from coilbell.bench.report.sheet import BY_WORKSHEET, Sheet
from coilbell.bench.words.fit import unbroken
from coilbell.figure import percent

__all__ = ["html_of"]

_TEMPLATE = Path(__file__).with_name("sheet.html")

_SPARE_MM = 10.0
"""Room left below, since a browser sets the same words a little differently [mm]."""


def html_of(sheet: Sheet, pictures: Sequence[Picture]) -> str:
    """The whole file's text. Printed on A4 or Letter it takes one page where the PDF would."""
    layout = layout_for(sheet, pictures, spare_mm=_SPARE_MM)
    half = (len(sheet.made) + 1) // 2
    return Template(_TEMPLATE.read_text(encoding="utf-8")).substitute(
        title=escape(sheet.title),
        explanation=escape(sheet.explanation),
        verdict=f" {sheet.tint}".rstrip(),
        odds=escape(unbroken(sheet.odds)),
        chances="".join(_chance(name, p) for name, p in sheet.chances),
        causes=f"<h2>{BY_WORKSHEET}</h2>" * bool(sheet.causes)
        + "".join(_chance(name, p) for name, p in sheet.causes),
        tested=_pairs(sheet.tested),
        mark="* judged" if sheet.table else "",
        table=_table(sheet.table),
        pictures="".join(f"<div>{''.join(map(_figure, side))}</div>" for side in stacked(pictures) if side),
        wide="" if len(pictures) == 1 else " two",
        sections=_columns(sheet.sections),
        next_step=escape(sheet.next_step),
        caution=escape(sheet.caution),
        made="".join(f"<dl>{_pairs(part)}</dl>" for part in (sheet.made[:half], sheet.made[half:]) if part),
        letters=f"{layout.letters:g}pt",
        scale=f"{layout.scale:g}",
        split=" split" if layout.split else "",
    )


def _chance(name: str, chance: float) -> str:
    return (
        f'<div class="chance"><span>{escape(name)}</span><span>{escape(percent(chance))}</span>'
        f'<div class="bar" style="width:{100 * chance:.1f}%"></div></div>'
    )


def _pairs(pairs: Sequence[tuple[str, str]]) -> str:
    return "".join(f"<dt>{escape(what)}</dt><dd>{escape(words)}</dd>" for what, words in pairs)


def _table(table: Sequence[Sequence[str]]) -> str:
    """A head and rows; each cell knows its column's name, which a narrow screen shows beside it."""
    if not table:
        return ""
    head = table[0]
    rows = [f"<tr>{''.join(f'<th>{escape(text)}</th>' for text in head)}</tr>"]
    for row in table[1:]:
        cells = zip(head, row, strict=True)
        told = "".join(f'<td data-head="{escape(name)}">{escape(text)}</td>' for name, text in cells)
        rows.append(f"<tr>{told}</tr>")
    return f"<table>{''.join(rows)}</table>"


def _figure(picture: Picture) -> str:
    data = base64.b64encode(picture.png).decode("ascii")
    caption = escape(picture.caption)
    return (
        f'<figure><img alt="{caption}" style="--wide:{picture.width_mm:g}mm" '
        f'src="data:image/png;base64,{data}">'
        f"<figcaption>{caption}</figcaption></figure>"
    )


def _columns(sections: Sequence[tuple[str, Sequence[str]]]) -> str:
    """Sections in two columns of about the same length."""
    sides: tuple[list[str], list[str]] = ([], [])
    lengths = [0, 0]
    for head, sentences in sections:
        side = lengths.index(min(lengths))
        listed = "".join(f"<li>{escape(unbroken(sentence))}</li>" for sentence in sentences)
        sides[side].append(f"<section><h2>{escape(head)}</h2><ul>{listed}</ul></section>")
        lengths[side] += 90 + sum(len(sentence) + 40 for sentence in sentences)
    return "".join(f"<div>{''.join(side)}</div>" for side in sides)
