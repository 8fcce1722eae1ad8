"""Fonts of a PDF: DejaVu, which matplotlib brings along, and where it lacks a letter others that have it.

Looked through in this order: fonts of `pip install coilbell[fonts]`, then those of the system. What none has
is named on the page, since a box would say nothing.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, distribution
from importlib.util import find_spec
from pathlib import Path
from typing import Any

__all__ = ["Fonts", "fonts_for", "use"]

_PACKAGES = (
    "fontpkg-noto-sans-arabic",
    "fontpkg-noto-sans-devanagari",
    "fontpkg-noto-sans-khmer",
    "fontpkg-noto-sans-tamil",
    "fontpkg-noto-sans-telugu",
    "fontpkg-noto-sans-thai",
    "noto-cjk-sans-jp-regular",
)
"""Those of the extra `fonts` in pyproject.toml."""

_ENDINGS = (".ttf", ".otf")
"""One font a file; collections are left out, since which of them is meant cannot be told."""

_INVISIBLE = frozenset("\n\t\u00a0\u00ad\u200b\u200c\u200d\u200e\u200f\u2028\u2029\ufeff")
"""Letters that need no shape."""


@dataclass(frozen=True, slots=True)
class Fonts:
    """Fonts that are added to DejaVu, and letters that none of them has."""

    further: tuple[Path, ...]
    missing: str


def fonts_for(text: str) -> Fonts:
    """The fewest further fonts, in the order looked through, that have what DejaVu lacks of the text."""
    wanted = set(text) - _letters(_dejavu("DejaVuSans.ttf")) - _INVISIBLE
    found = []
    for path in _candidates() if wanted else ():
        if has := wanted & _letters(path):
            found.append(path)
            wanted -= has
        if not wanted:
            break
    return Fonts(tuple(found), "".join(sorted(wanted)))


def use(pdf: Any, fonts: Fonts) -> None:
    """Add the fonts to a document, under the family "sheet"."""
    pdf.add_font("sheet", "", _dejavu("DejaVuSans.ttf"))
    pdf.add_font("sheet", "B", _dejavu("DejaVuSans-Bold.ttf"))
    for number, path in enumerate(fonts.further):
        pdf.add_font(f"further{number}", "", path)
    if fonts.further:
        pdf.set_fallback_fonts([f"further{k}" for k in range(len(fonts.further))], exact_match=False)
        if find_spec("uharfbuzz"):  # joins letters and places marks where a script asks for it
            pdf.set_text_shaping(True)


def _dejavu(name: str) -> Path:
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name


def _candidates() -> Iterator[Path]:
    for name in _PACKAGES:
        try:
            files = distribution(name).files or ()
        except PackageNotFoundError:
            continue
        yield from (Path(str(one.locate())) for one in files if one.suffix in _ENDINGS)
    from matplotlib.font_manager import findSystemFonts

    yield from (Path(one) for one in sorted(findSystemFonts()) if one.endswith(_ENDINGS))


@lru_cache(maxsize=256)
def _letters(path: Path) -> frozenset[str]:
    """The letters that a font has a shape for; none where it cannot be read."""
    from fontTools.ttLib import TTFont, TTLibError

    logging.getLogger("fontTools").setLevel(logging.ERROR)
    try:
        with TTFont(path, lazy=True) as font:
            return frozenset(map(chr, font.getBestCmap() or ()))
    except (TTLibError, OSError, KeyError, AssertionError):
        return frozenset()
