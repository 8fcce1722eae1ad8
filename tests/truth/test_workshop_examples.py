"""Examples come from the invented workshop: the trade's check figures stand in tests/truth and nowhere else.

Common practice, no published source: the sets of figures below are check values of the trade. Elsewhere in
the repository they would pass for this project's own examples.
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TRUTH = Path(__file__).resolve().parent
MARK = "common practice, no published source"

RAILS = (
    ("125", "26", "15.5"),  # nominal
    ("56", "11", "6.8"),  # with the set as it is
    ("57", "11", "6.9"),  # with the secondary rectifiers lifted
    ("60", "12", "7"),  # with the yoke unplugged
    ("124", "26", "15.4"),  # with the line stage unplugged
    ("110", "23", "14"),  # with the anode lead off
)
"""Supply rails of one set [V], nominal and as read."""

PAIRS = (
    ("68", "3.3"),  # resistors across a junction [ohm], which read 3.1
    ("0.47", "1.1"),  # a feed resistor [ohm] and the voltage across it [V]
)

WORD_LENGTH = 12
"""Letters between two figures of one set in running text, such as "125 V, 26 V and 15.5 V" [1]."""


def _figure(text: str) -> str:
    """The number as it may be written: 15.5, 15,5; 26, 26.0; never a part of a longer number."""
    whole, _, rest = text.partition(".")
    tail = rf"[.,]{rest}0*" if rest else r"(?:\.0+)?"
    return rf"(?<![\d.]){whole}{tail}(?![\d]|\.\d)"


def _pattern(figures: tuple[str, ...], between: int) -> str:
    # What stands between two figures: a few letters, or one "nominal=reading" more.
    return rf"[^\n]{{1,{between}}}?".join(map(_figure, figures))


PATTERNS = {
    **{figures: re.compile(_pattern(figures, WORD_LENGTH)) for figures in RAILS},
    **{
        pair: re.compile(f"{_pattern(pair, WORD_LENGTH)}|{_pattern(pair[::-1], WORD_LENGTH)}")
        for pair in PAIRS
    },
}


def found_in(text: str) -> list[str]:
    """The sets of figures that stand in a text, with the line of each."""
    return [
        f"line {text.count(chr(10), 0, match.start()) + 1}: {' '.join(figures)} ({match[0]})"
        for figures, pattern in PATTERNS.items()
        for match in pattern.finditer(text)
    ]


def tracked() -> list[Path]:
    """Every text that is kept in the repository."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False, text=True)
    if listed.returncode != 0:
        pytest.skip("not a git checkout: which files are kept is not known")
    return [place for name in listed.stdout.split("\0") if name and (place := ROOT / name).is_file()]


def _text(place: Path) -> str:
    data = place.read_bytes()
    return "" if b"\0" in data[:8192] else data.decode("utf-8", "replace")


@pytest.mark.parametrize(
    "text",
    [
        "rails-loaded 125=56 26=11 15.5=6.8",
        "rails of 125, 26 and 15.5 V",
        "_RAILS = (125.0, 26.0, 15.5)",
        '"125=124", "26=26", "15.5=15.4"',
        "125=57 26=11 15.5=6.9",
        "read=3.1 parts=68,3.3",
        "3.3 ohm and 68 ohm",
        "ohms=0.47 volts=1.1 rating=5",
    ],
)
def test_the_figures_are_recognised(text: str) -> None:
    assert found_in(text)


@pytest.mark.parametrize("text", ["125 V reads 79", "(at 68.414999 136.36)", "3.3 V", "0.47uF", "168,3.31"])
def test_other_figures_are_left_alone(text: str) -> None:
    assert not found_in(text)


def test_the_trades_figures_stand_in_tests_truth_alone() -> None:
    texts = {place: _text(place) for place in tracked() if TRUTH not in place.parents}
    assert len(texts) > 300, "the repository was not read"
    found = {
        str(place.relative_to(ROOT)): where for place, text in texts.items() if (where := found_in(text))
    }
    assert not found


def test_where_they_stand_they_are_marked() -> None:
    texts = {place.name: _text(place) for place in TRUTH.glob("*.py")}
    unmarked = [name for name, text in texts.items() if found_in(text) and MARK not in text.lower()]
    assert not unmarked
    assert found_in(texts["test_isolate_trade.py"]), "the patterns find nothing where the figures stand"
