"""Numbers -> sentences and tables. Nothing is computed here that a Fit does not already hold.

The way is always the same, so that text and JSON cannot differ:

    facts = fit_facts(fit)          the facts, which JSON is made from as well
    text  = facts_table(facts)      the same in words, 80 columns

`fit_table(fit)` is the two in one. All text is ASCII and shows on any terminal.
"""

from __future__ import annotations

import math
import re
import shlex
import textwrap
from collections.abc import Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

from coilbell.bench.facts.fit import (
    DoubtFacts,
    FitFacts,
    ModeFacts,
    QuantityFacts,
    TankFacts,
    WindingFacts,
    doubt_facts,
    fit_facts,
)
from coilbell.bench.files.encoding import harmless
from coilbell.decay import Doubt, Fit, Quantity
from coilbell.quantities import concise, counted, engineering, interval
from coilbell.record import Record

if TYPE_CHECKING:
    from coilbell.winding import OneCapacitorTank

__all__ = [
    "WIDTH",
    "doubt_sentence",
    "facts_headline",
    "facts_table",
    "figure",
    "fit_sentence",
    "fit_table",
    "fraction_words",
    "quoted",
    "shown",
    "unbroken",
    "winding_lines",
    "wrapped",
]

WIDTH = 80
"""Columns of every screen."""

_KEPT = "\0"

_FIGURE = re.compile(r"(?<=[\d)]) (?=(?:%|[fpnumkMGT]?(?:Hz|ohm|[sFHVAS]))(?![A-Za-z]))|(?<=\bQ) (?=\d)")
"""The blank between a number and its unit, and between Q and its number."""


def figure(quantity: Quantity, unit: str = "") -> str:
    """A quantity in the concise form, "21.634(12) kHz"."""
    return concise(quantity.value, quantity.standard_uncertainty, unit)


def shown(quantity: QuantityFacts, unit: str = "") -> str:
    """The same of the facts of a quantity."""
    return concise(quantity.value, quantity.standard_uncertainty, unit)


def fraction_words(fraction: float) -> str:
    """0.1 -> "1/10", 0.37 -> "0.37"."""
    near = Fraction(fraction).limit_denominator(100)
    if near.numerator == 1 and math.isclose(float(near), fraction, rel_tol=1e-9):
        return f"1/{near.denominator}"
    return f"{fraction:.3g}"


def quoted(word: str) -> str:
    """A name as it is typed in a command: in quotes where it holds more than letters, digits and ./_:+-@."""
    if re.fullmatch(r"[\w./:+@-]+", word):
        return word
    return shlex.quote(word) if re.search(r'["$`!\\]', word) else f'"{word}"'


def unbroken(text: str) -> str:
    """`text` with blanks that no line is broken at between a number and its unit, for a page."""
    return _FIGURE.sub("\u00a0", text)


def wrapped(text: str, indent: int = 2, width: int = WIDTH) -> str:
    """`text` broken at `width` columns, following lines indented two further.

    A number and its unit stay together; a zero byte stands for any other blank that must not be broken at.
    """
    first = " " * indent
    lines = textwrap.fill(
        _FIGURE.sub(_KEPT, _KEPT.join(map(harmless, text.replace("\r\n", "\n").split(_KEPT)))),
        width,
        initial_indent=first,
        subsequent_indent=first + "  ",
        break_on_hyphens=False,
    )
    return lines.replace(_KEPT, " ")


def doubt_sentence(doubt: Doubt) -> str:
    """What is doubtful, the figure that raised it, and what to do."""
    return _doubt_text(doubt_facts(doubt))


def fit_sentence(fit: Fit) -> str:
    """The fit in one line: "rings at 21.634(12) kHz, Q 30.12(29), 22.1(2) rings to 1/10"."""
    return facts_headline(fit_facts(fit))


def fit_table(
    fit: Fit, *, title: str = "", records: Sequence[Record] = (), tank: OneCapacitorTank | None = None
) -> str:
    """The fit as a table of at most 80 columns, with its doubts in words; no newline at the end."""
    return facts_table(fit_facts(fit, title=title, records=records, tank=tank))


def facts_table(facts: FitFacts) -> str:
    """The facts of a fit in words; lines of at most 80 columns, no newline at the end."""
    lines = [_title_line(facts)]
    if facts.rings:
        lines += _mode_rows(facts)
    else:
        lines += [wrapped(f"why: {step.what}: {step.reason}") for step in facts.account[-2:]]
    lines += [wrapped(_tone_line(tone, facts.unit)) for tone in facts.tones]
    lines.append(wrapped(_window_line(facts)))
    if facts.tank:
        lines += [wrapped(line) for line in _tank_lines(facts, facts.tank)]
    lines += [wrapped(f"doubt: {_doubt_text(doubt)}") for doubt in facts.doubts]
    lines += [wrapped(f"note: {note}") for note in facts.notes]
    return "\n".join(lines)


def _title_line(facts: FitFacts) -> str:
    channel = f", channel {facts.channel}" if facts.channel else ""
    title = f"{facts.title}{channel}: " if facts.title else ""
    return wrapped(title + ("rings" if facts.rings else "no ring") + _doubt_count(facts), indent=0)


def facts_headline(facts: FitFacts) -> str:
    """The facts of a fit in one line."""
    if not facts.rings:
        return "no ring" + _doubt_count(facts)
    mode = facts.main
    return (
        f"rings at {shown(mode.frequency_hz, 'Hz')}, Q {shown(mode.q)}, "
        f"{shown(mode.ring_count)} rings to {fraction_words(facts.count_to)}{_doubt_count(facts)}"
    )


def _doubt_count(facts: FitFacts) -> str:
    count = len(facts.doubts)
    return f"; {counted(count, 'doubt')}" if count else ""


def _range(quantity: QuantityFacts, unit: str = "") -> str:
    low, high = (math.inf if end is None else end for end in (quantity.low, quantity.high))
    return interval(low, high, unit)


_COLUMNS: tuple[tuple[str, str, str], ...] = (
    ("frequency", "frequency_hz", "Hz"),
    ("Q", "q", ""),
    ("tau", "tau_s", "s"),
    ("decrement", "log_decrement", ""),
)


def _mode_rows(facts: FitFacts) -> list[str]:
    """Head, a row for each mode, and the 95 % intervals of the main one."""
    columns = [*_COLUMNS, (f"to {fraction_words(facts.count_to)}", "ring_count", "")]
    rows = [["mode", *(head for head, _, _ in columns)]]
    for number, mode in enumerate(facts.modes, start=1):
        rows.append([str(number), *(shown(getattr(mode, key), unit) for _, key, unit in columns)])
    main = facts.main
    ends = [_kept(f"{head} {_range(getattr(main, key), unit)}") for head, key, unit in columns]
    whole = _kept(f"{main.ring_count_whole} peaks down {columns[-1][0]}")
    return [*_aligned(rows), wrapped(f"95 %: {'; '.join(ends)}; {whole}")]


def _kept(text: str) -> str:
    return text.replace(" ", _KEPT)


def _aligned(rows: list[list[str]]) -> list[str]:
    """Rows with their columns lined up; one that is too wide is broken into two tables."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    if sum(widths) + 2 * len(widths) > WIDTH:
        half = (len(widths) + 1) // 2 + 1
        return _aligned([row[:half] for row in rows]) + _aligned([row[:1] + row[half:] for row in rows])
    return [
        ("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))).rstrip()
        for row in rows
    ]


def _window_line(facts: FitFacts) -> str:
    parts = []
    if facts.rings:
        parts.append(f"envelope {_volts(facts.main.amplitude, facts.unit)} at the start")
    if facts.noise is not None:
        parts.append(f"noise {_amount(facts.noise, facts.unit)} rms")
    window = facts.window
    shots = f" in {window.records} shots" if window.records > 1 else ""
    masked = f", {window.samples_masked} left out" if window.samples_masked else ""
    ends = (math.nan if end is None else end for end in (window.start_s, window.stop_s))
    span = _kept(" to ".join(engineering(end, "s") for end in ends))
    parts.append(f"{window.samples_used} samples{shots} from {span}{masked}")
    return "; ".join(parts)


def _tank_lines(facts: FitFacts, tank: TankFacts) -> list[str]:
    farads, tolerance = facts.test_capacitor_f or math.nan, facts.test_capacitor_tolerance or math.nan
    return [
        f"with {_amount_of(farads, 'F')} ({100 * tolerance:.2g} %) across: inductance "
        f"{_kept(shown(tank.inductance_h, 'H'))}; loss as {_kept(shown(tank.shunt_ohm, 'ohm'))} "
        f"across the winding or {_kept(shown(tank.series_ohm, 'ohm'))} in series",
        *(f"doubt: {doubt.kind}: {doubt.detail.rstrip('.')}." for doubt in tank.doubts),
    ]


def winding_lines(facts: WindingFacts) -> list[str]:
    """What rings with several test capacitors tell of the winding, in words of at most 80 columns."""
    tests = " and ".join(_amount_of(farads, "F") for farads in facts.test_capacitors_f)
    figures = [
        f"{name} {_kept(shown(quantity, unit))}"
        for name, quantity, unit in (
            ("inductance", facts.inductance_h, "H"),
            ("stray capacitance", facts.stray_capacitance_f, "F"),
        )
    ]
    doubts = [f"doubt: {doubt.kind}: {doubt.detail.rstrip('.')}." for doubt in facts.doubts]
    return [wrapped(f"by {tests} together: {', '.join(figures)}", indent=0), *map(wrapped, doubts)]


def _amount_of(value: float, unit: str) -> str:
    return _kept(engineering(value, unit))


def _tone_line(tone: ModeFacts, unit: str) -> str:
    return f"steady tone at {shown(tone.frequency_hz, 'Hz')}, amplitude {_volts(tone.amplitude, unit)}"


def _volts(quantity: QuantityFacts, unit: str) -> str:
    return shown(quantity, "V") if unit == "V" else f"{shown(quantity)} {unit}"


def _amount(value: float, unit: str) -> str:
    return engineering(value, "V", 2) if unit == "V" else f"{value:.2g} {unit}"


def _doubt_text(doubt: DoubtFacts) -> str:
    return f"{doubt.kind}: {doubt.detail.rstrip('.')}. {doubt.advice}."
