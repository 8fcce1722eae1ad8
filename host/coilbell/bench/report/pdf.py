"""A sheet as PDF on A4 or Letter. Letters and pictures shrink a little where that keeps it on one page.

fpdf2 draws it: pure Python, so that it installs the same everywhere; `fonts` chooses its fonts.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import msgspec

from coilbell.bench.pictures.decay import BLUE, ORANGE
from coilbell.bench.report.drawings import Picture, stacked
from coilbell.bench.report.fonts import Fonts, fonts_for, use
from coilbell.bench.report.sheet import BY_WORKSHEET, Sheet, sheet_text
from coilbell.bench.words.fit import unbroken
from coilbell.errors import InputError
from coilbell.figure import percent

__all__ = ["PAPERS", "Layout", "layout_for", "pdf_of"]

_COLOURS = {"healthy": BLUE, "shorted": ORANGE}
"""Colour of a sheet's tint; what is neither is grey."""

_NEITHER = "#5f5f5f"

PAPERS = ("a4", "letter")

_MARGIN = 12.0
_GAP = 6.0
_GREY = (95, 95, 95)

_NAMED = 12
"""Missing letters that are named one by one; assumed."""

_PLAIN = Fonts((), "")
"""DejaVu alone."""

Draw = Callable[[float, float, float], float]


@dataclass(frozen=True, slots=True)
class Layout:
    """How an item is set. letters: size [pt]; scale: of the pictures [1]; split: the sentences begin a
    second page, since two lines left over for one would be worse."""

    letters: float
    scale: float = 1.0
    split: bool = False


_LAYOUTS = (
    *(Layout(letters) for letters in (10.5, 9.6, 8.8, 8.2, 7.6, 7.1)),
    *(Layout(letters, scale) for letters, scale in ((7.1, 0.9), (6.6, 0.9), (6.6, 0.8))),
)
"""Tried for one page, the easiest to read first."""

_FLOWING = tuple(Layout(letters) for letters in (8.8, 8.2, 7.6))
"""For items too long for one page: tried for a last page that is worth turning to."""

_LONG = tuple(Layout(letters, split=True) for letters in (8.2, 7.6, 7.1, 6.6))
"""Else the one of these with the fewest pages."""

_WORTH = 100.0
"""Where the words of a last page end at least [mm]; assumed."""


def pdf_of(sheet: Sheet, pictures: Sequence[Picture], paper: str = "a4") -> bytes:
    """The whole file. paper: "a4" or "letter". Raises InputError for another."""
    if paper not in PAPERS:
        raise InputError(f"paper {paper!r}; choose one of: {', '.join(PAPERS)}")
    sheet, fonts = _lettered(sheet)
    layout = layout_for(sheet, pictures, (paper,), fonts=fonts)
    page = _Page(sheet, pictures, _document(sheet, paper, fonts), layout)
    page.draw()
    return bytes(page.pdf.output())


def _lettered(sheet: Sheet) -> tuple[Sheet, Fonts]:
    """The sheet, which names the letters that no font has, and its fonts."""
    fonts = fonts_for(sheet_text(sheet))
    if not fonts.missing:
        return sheet, fonts
    names = ", ".join(f"U+{ord(one):04X}" for one in fonts.missing[:_NAMED])
    more = f" and {len(fonts.missing) - _NAMED} more" if len(fonts.missing) > _NAMED else ""
    told = f"no font at hand has {names}{more}; `pip install coilbell[fonts]`, or use .html"
    return msgspec.structs.replace(
        sheet, sections=(*sheet.sections, ("Letters that are missing here", (told,)))
    ), fonts


def layout_for(
    sheet: Sheet,
    pictures: Sequence[Picture],
    papers: Sequence[str] = PAPERS,
    *,
    fonts: Fonts = _PLAIN,
    spare_mm: float = 0.0,
) -> Layout:
    """The largest letters and pictures with which all stands on one page of each paper, `spare_mm` left;
    for a long item those with the fewest pages."""
    rulers = [_document(sheet, paper, fonts) for paper in papers]

    def ends(layout: Layout) -> list[tuple[int, float]]:
        """Pages on each paper, and where the last of them ends."""
        found = []
        for ruler in rulers:
            page = _Page(sheet, pictures, ruler, layout, measuring=True)
            found.append((page.pages_needed(spare_mm), page.y))
        return found

    def pages(layout: Layout) -> int:
        return max(count for count, _ in ends(layout))

    one = next((layout for layout in _LAYOUTS if pages(layout) == 1), None)
    if one is not None:
        return one
    fewest = min(_LONG, key=pages)
    most = pages(fewest)
    flowing = (each for each in _FLOWING if all(n <= most and y >= _WORTH for n, y in ends(each)))
    return next(flowing, fewest)


@dataclass(frozen=True, slots=True)
class _Column:
    left: float
    width: float


def _document(sheet: Sheet, paper: str, fonts: Fonts) -> Any:
    """An empty document on that paper, with one page and the fonts."""
    from fpdf import FPDF

    pdf: Any = FPDF(orientation="portrait", unit="mm", format=paper)
    pdf.set_margins(_MARGIN, _MARGIN, _MARGIN)
    pdf.set_auto_page_break(False)
    pdf.c_margin = 0
    pdf.set_title(f"{sheet.title}: {sheet.explanation}")
    pdf.set_creator("coilbell")
    pdf.set_creation_date(datetime.fromisoformat(sheet.added_utc).astimezone(UTC))
    use(pdf, fonts)
    pdf.add_page()
    return pdf


class _Page:
    """Blocks from top to bottom. measuring: nothing is written, only where everything would end is found."""

    def __init__(
        self, sheet: Sheet, pictures: Sequence[Picture], pdf: Any, layout: Layout, *, measuring: bool = False
    ) -> None:
        self.sheet, self.pictures, self.layout, self.size = sheet, pictures, layout, layout.letters
        self.pdf, self.measuring, self.pages = pdf, measuring, 1
        self.heights: dict[tuple[float, str, float, bool], float] = {}
        self.width = self.pdf.w - 2 * _MARGIN
        half = (self.width - _GAP) / 2
        self.whole = _Column(_MARGIN, self.width)
        self.halves = (_Column(_MARGIN, half), _Column(_MARGIN + half + _GAP, half))
        self.line = 0.44 * self.size
        self.y = _MARGIN

    def pages_needed(self, spare_mm: float) -> int:
        """Pages it takes with that much left below."""
        self.draw()
        return self.pages + (self.y > self._bottom() - spare_mm)

    def draw(self) -> None:
        """All blocks from top to bottom."""
        self._head()
        self._beside(self._tested, self._finding)
        self._boxed()
        self._table()
        self._pictures()
        if self.layout.split:
            self._next_page()
        self._sections()
        self._made()

    def _bottom(self) -> float:
        return float(self.pdf.h) - _MARGIN + 2

    def _next_page(self) -> None:
        if not self.measuring:
            self.pdf.add_page()
        self.pages += 1
        self.y = _MARGIN

    def _text(self, column: _Column, y: float, text: str, *, grow: float = 0, bold: bool = False) -> float:
        """Write a paragraph; returns where it ends."""
        text = unbroken(text)
        if self.measuring:
            return y + self._height(column, text, grow, bold)
        size = self._font(grow, bold)
        self.pdf.set_xy(column.left, y)
        self.pdf.multi_cell(column.width, 0.44 * size, text, align="L", new_x="LEFT", new_y="NEXT")
        return float(self.pdf.get_y())

    def _height(self, column: _Column, text: str, grow: float = 0, bold: bool = False) -> float:
        text = unbroken(text)
        key = (column.width, text, grow, bold)
        if key not in self.heights:
            size = self._font(grow, bold)
            self.heights[key] = float(
                self.pdf.multi_cell(column.width, 0.44 * size, text, dry_run=True, output="HEIGHT")
            )
        return self.heights[key]

    def _font(self, grow: float, bold: bool) -> float:
        size = self.size + grow
        self.pdf.set_font("sheet", "B" if bold else "", size)
        return size

    def _room(self, height: float) -> None:
        """A new page when the next block does not fit."""
        if self.y + height > self._bottom():
            self._next_page()

    def _colour(self, hexadecimal: str = "") -> None:
        code = hexadecimal.lstrip("#") or "111111"
        self.pdf.set_text_color(*(int(code[k : k + 2], 16) for k in (0, 2, 4)))

    def _head(self) -> None:
        self.y = self._text(self.whole, self.y, self.sheet.title, grow=5, bold=True) + 0.8
        self.pdf.set_draw_color(31, 90, 158)
        self.pdf.set_line_width(0.5)
        self.pdf.line(_MARGIN, self.y, _MARGIN + self.width, self.y)
        self.y += 2

    def _beside(self, left: Draw, right: Draw) -> None:
        ends = [draw(c.left, c.width, self.y) for draw, c in zip((left, right), self.halves, strict=True)]
        self.y = max(ends) + 1.5

    def _tested(self, left: float, width: float, y: float) -> float:
        return self._pairs(_Column(left, width), y, self.sheet.tested, 26)

    def _pairs(
        self, column: _Column, y: float, pairs: Sequence[tuple[str, str]], indent: float, grow: float = 0
    ) -> float:
        for what, words in pairs:
            self.pdf.set_text_color(*_GREY)
            low = self._text(_Column(column.left, indent - 1), y, what, grow=grow)
            self._colour()
            rest = _Column(column.left + indent, column.width - indent)
            y = max(low, self._text(rest, y, words, grow=grow))
        return y

    def _finding(self, left: float, width: float, y: float) -> float:
        inner = _Column(left + 3, width - 3)
        end = self._text(inner, y, self.sheet.explanation, grow=3.5, bold=True)
        end = self._text(inner, end + 0.5, self.sheet.odds) + 0.8
        for name, chance in self.sheet.chances:
            end = self._chance(inner, end, name, chance)
        if self.sheet.causes:
            end = self._text(inner, end + 0.8, BY_WORKSHEET, bold=True)
        for name, chance in self.sheet.causes:
            end = self._chance(inner, end, name, chance)
        self._fill(self.sheet.tint)
        self.pdf.rect(left, y, 1, end - y, style="F")
        return end

    def _fill(self, tint: str) -> None:
        """The colour of a tint: blue to orange, grey for what is neither."""
        colour = _COLOURS.get(tint, _NEITHER).lstrip("#")
        self.pdf.set_fill_color(*(int(colour[k : k + 2], 16) for k in (0, 2, 4)))

    def _chance(self, column: _Column, y: float, name: str, chance: float) -> float:
        name_mm, chance_mm = 5.4 * self.size, 1.7 * self.size
        end = self._text(_Column(column.left, name_mm), y, name)
        self._text(_Column(column.left + name_mm, chance_mm), y, percent(chance))
        self._fill("")
        left = column.left + name_mm + chance_mm
        room = column.left + column.width - left
        self.pdf.rect(left, y + 0.6, room * chance, self.line - 1.2, style="F")
        return end

    def _table(self) -> None:
        shares = (0.02, 0.24, 0.13, 0.08, 0.17, 0.12, 0.14, 0.1)
        self.pdf.set_draw_color(201, 201, 201)
        self.pdf.set_line_width(0.15)
        for number, row in enumerate(self.sheet.table):
            if number == 0:
                self.pdf.set_text_color(*_GREY)
            left, end = _MARGIN, self.y
            self._room(2 * self.line)
            for share, text in zip(shares, row, strict=True):
                column = _Column(left, share * self.width - 1)
                end = max(end, self._text(column, self.y, text, bold=number == 0) if text else 0)
                left += share * self.width
            self._colour()
            self.y = end + 0.4
            self.pdf.line(_MARGIN, self.y, _MARGIN + self.width, self.y)
            self.y += 0.4
        if not self.sheet.table:
            return
        self.pdf.set_text_color(*_GREY)
        self.y = self._text(self.whole, self.y, "* judged", grow=-0.8) + 1
        self._colour()

    def _pictures(self) -> None:
        sides = stacked(self.pictures)
        scale = self.layout.scale
        if len(self.pictures) == 1 and not sides[1]:
            self._room(self.pictures[0].height_mm * scale + 2 * self.line)
            self.y = self._picture(self.pictures[0], self.whole, self.y) + 0.8
            return
        self._room(max(sum(p.height_mm * scale + 2 * self.line for p in side) for side in sides))
        ends = []
        for side, column in zip(sides, self.halves, strict=True):
            end = self.y
            for picture in side:
                end = self._picture(picture, column, end) + 0.8
            ends.append(end)
        self.y = max(ends)

    def _picture(self, picture: Picture, column: _Column, y: float) -> float:
        width = min(column.width, picture.width_mm) * self.layout.scale
        height = picture.height_mm * width / picture.width_mm
        if not self.measuring:
            self.pdf.image(io.BytesIO(picture.png), column.left, y, width, height, alt_text=picture.caption)
        self.pdf.set_text_color(*_GREY)
        end = self._text(column, y + height, picture.caption, grow=-0.8)
        self._colour()
        return end

    def _sections(self) -> None:
        """Two columns, each section in the one that is shorter so far, else in the other, else overleaf."""
        ends = [self.y, self.y]
        for head, sentences in self.sheet.sections:
            inner = self._inner(0)
            height = self.line + 1.5 + sum(self._height(inner, text) for text in sentences)
            side = self._side(ends, height)
            self._colour(BLUE)
            ends[side] = self._text(self.halves[side], ends[side] + 0.8, head, bold=True)
            self._colour()
            for text in sentences:
                if ends[side] + self._height(inner, text) > self._bottom():
                    # Longer than a column: it runs on in the next one.
                    side = self._side(ends, self._height(inner, text), beyond=side)
                self._text(_Column(self.halves[side].left, 2.5), ends[side], "\u2022")
                ends[side] = self._text(self._inner(side), ends[side], text)
        self.y = max(ends) + 1.5

    def _inner(self, side: int) -> _Column:
        """The column of that side, right of its bullets."""
        return _Column(self.halves[side].left + 2.5, self.halves[side].width - 2.5)

    def _side(self, ends: list[float], height: float, beyond: int = -1) -> int:
        """The column with room for a block, on a new page where neither has.

        beyond: the column that is full; text runs from left to right.
        """
        order = [1] if beyond == 0 else [] if beyond == 1 else sorted((0, 1), key=lambda side: ends[side])
        for side in order:
            if ends[side] + height <= self._bottom():
                return side
        if min(ends) > _MARGIN:
            self._next_page()
            ends[:] = [_MARGIN, _MARGIN]
        return 0

    def _boxed(self) -> None:
        inner = _Column(_MARGIN + 2, self.width - 4)
        texts = (f"Next: {self.sheet.next_step}", f"Caution: {self.sheet.caution}")
        height = self._height(inner, texts[0], bold=True) + self._height(inner, texts[1]) + 3
        self._room(height)
        self.pdf.set_draw_color(31, 90, 158)
        self.pdf.rect(_MARGIN, self.y, self.width, height)
        end = self._text(inner, self.y + 1, texts[0], bold=True)
        self._text(inner, end + 0.5, texts[1])
        self.y += height + 1.5

    def _made(self) -> None:
        rows = self.sheet.made
        half = (len(rows) + 1) // 2
        self._room(half * 2 * 0.4 * self.size)
        ends = [
            self._pairs(column, self.y, part, 34, grow=-1.6)
            for column, part in zip(self.halves, (rows[:half], rows[half:]), strict=True)
        ]
        self.y = max(ends)
