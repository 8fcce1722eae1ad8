"""The tester's own capacitance across a winding, from how a coil rings on it.

A coil L with all capacitance C rings at w0^2 = 1/(L C). Take off what is known of C, and the stray is left:

    one ring of a known coil              C_s = 1/(L w0^2) - C_known
    two test capacitors, any coil         C_s = (C_1 w1^2 - C_2 w2^2) / (w2^2 - w1^2)

Uncertainties are of first order, every source independent (JCGM 100:2008, 5.1.2). Nothing rings without a
coil: open leads show only the product of their capacitance and their resistance.

A switch that is open leaves its transistor's capacitance across the winding, in series with its test
capacitor. So the stray depends on what is switched in; on the circuit of hardware-notes (simulated) it is
2.9 nF with none, 2.2 nF with B, 1.9 nF with A. Windings are rung with a capacitor switched in, and the
smallest tells most of the stray, so that is the figure to keep.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from coilbell.board import frame
from coilbell.board.identity import Identity
from coilbell.board.limits import limited, ratio
from coilbell.board.outcome import Row

__all__ = ["Known", "Rung", "by_coil", "by_two", "examined", "smallest"]

_OWN_FARADS = 25e-12
"""Standard uncertainty for the capacitance that a coil brings along [F]; common practice, no published
source."""
_HIGHEST = 6e-9
"""Most that open switches and the coil itself may come to [F]."""


@dataclass(frozen=True, slots=True)
class Known:
    """A value and its standard uncertainty, both in the same unit."""

    value: float
    uncertainty: float


@dataclass(frozen=True, slots=True)
class Rung:
    """How the coil on the leads rang: natural frequency w0/(2 pi) and its standard uncertainty [Hz].

    q: w0/(2 a) with its standard uncertainty, 0 where it was not asked for.
    """

    hertz: float
    uncertainty: float
    words: str = ""
    q: float = 0.0
    q_uncertainty: float = 0.0


def by_coil(ring: Rung, coil: Known, known: Known) -> Known:
    """Stray capacitance [F] from one ring of a known coil [H] with the known capacitance [F] across it."""
    total = 1 / ((2 * math.pi * ring.hertz) ** 2 * coil.value)
    part = math.hypot(coil.uncertainty / coil.value, 2 * ring.uncertainty / ring.hertz)
    return Known(total - known.value, math.hypot(total * part, known.uncertainty))


def by_two(first: Rung, large: Known, second: Rung, small: Known) -> Known | None:
    """Stray capacitance [F] from the rings of one coil with two known capacitances [F].

    None where the second ring is not the quicker one.
    """
    ratio = (second.hertz / first.hertz) ** 2
    if ratio <= 1:
        return None
    stray = (large.value - ratio * small.value) / (ratio - 1)
    spread = ratio * 2 * math.hypot(first.uncertainty / first.hertz, second.uncertainty / second.hertz)
    by_ratio = (small.value - large.value) / (ratio - 1) ** 2 * spread
    return Known(
        stray,
        math.hypot(large.uncertainty / (ratio - 1), small.uncertainty * ratio / (ratio - 1), by_ratio),
    )


def smallest(identity: Identity) -> str:
    """Letter of the board's smallest test capacitor."""
    return min(identity.capacitors, key=lambda letter: _test(identity, letter).value)


def examined(
    rings: Mapping[str, Rung], identity: Identity, coil: Known | None, added: Known | None
) -> tuple[list[Row], dict[str, int]]:
    """Rows and constants from the rings of one coil, by test capacitor ("-" is none).

    coil: inductance of the coil [H], None where it is not known; added: a known capacitor beside it [F].
    """
    beside = added or Known(0.0, 0.0)
    small = smallest(identity)
    known = {letter: _sum(_test(identity, letter), beside) for letter in rings}
    stray = _stray(rings, known, small, identity.capacitors[0], coil)
    rows, constants = _stray_row(rings, stray, small, coil)
    henries = _inductance(rings, known, identity, coil)
    if henries is not None:
        rows.append(_coil_row(rings[identity.capacitors[0]], henries, coil))
        if rows[-1].passed is False:
            constants = {}  # a coil that is not what it is said to be measures nothing
    found = None if stray is None or coil is None else (stray.value + beside.value, stray.uncertainty)
    rows += _ratios(rings, identity, found)
    alone = coil or henries
    if alone is not None and frame.NO_CAPACITOR in rings:
        rows.append(_bare_row(rings[frame.NO_CAPACITOR], alone, known[frame.NO_CAPACITOR]))
    return rows, constants


def _ratios(rings: Mapping[str, Rung], identity: Identity, beside: tuple[float, float] | None) -> list[Row]:
    """Each other test capacitor against the first, by the frequencies of the one coil.

    beside: capacitance besides and its uncertainty [F], where a known coil told it.
    """
    first = identity.capacitors[0]
    if first not in rings:
        return []
    rows = []
    for letter in identity.capacitors[1:]:
        if letter in rings:
            value = (rings[letter].hertz / rings[first].hertz) ** 2
            parts = [rings[k].uncertainty / rings[k].hertz for k in (letter, first)]
            note = f"all capacitance with {first} over that with {letter}"
            limit = ratio(identity, letter, beside)
            rows.append(limited(f"{first} to {letter}", value, note, 2 * value * math.hypot(*parts), limit))
    return rows


def _test(identity: Identity, letter: str) -> Known:
    part = identity.capacitor(letter)
    return Known(0.0, 0.0) if part is None else Known(part.farads, part.farads * part.tolerance)


def _sum(a: Known, b: Known) -> Known:
    return Known(a.value + b.value, math.hypot(a.uncertainty, b.uncertainty))


def _stray(
    rings: Mapping[str, Rung], known: Mapping[str, Known], small: str, large: str, coil: Known | None
) -> Known | None:
    if small not in rings:
        return None
    if coil is not None:
        found: Known | None = by_coil(rings[small], coil, known[small])
    elif large != small and large in rings:
        found = by_two(rings[large], known[large], rings[small], known[small])
    else:
        found = None
    return None if found is None else _sum(found, Known(0.0, _OWN_FARADS))


def _stray_row(
    rings: Mapping[str, Rung], stray: Known | None, small: str, coil: Known | None
) -> tuple[list[Row], dict[str, int]]:
    if stray is None:
        note = f"no ring with capacitor {small}" if small not in rings else "one capacitor: give --coil"
        return [Row("stray capacitance", None, note=note)], {}
    how = "of the known coil" if coil else "with two test capacitors"
    kilohertz = rings[small].hertz / 1e3
    note = f"by the ring {how}, at {kilohertz:.4g} kHz with {small} switched in; the coil's own is in it"
    if coil is None:
        note += ", so it is kept of a known coil only: --coil 1m"
    spread = stray.uncertainty
    row = Row("stray capacitance", stray.value, "F", -2 * spread, _HIGHEST, note, spread)
    # What is found below nothing at all says only that there is less than its uncertainty.
    kept = {"stray_ff": max(0, round(stray.value * 1e15)), "stray_uncertainty_ff": round(spread * 1e15)}
    # Whatever winding happens to hang on the leads may bring more capacitance than the tester has.
    return [row], kept if row.passed and coil is not None else {}


def _inductance(
    rings: Mapping[str, Rung], known: Mapping[str, Known], identity: Identity, coil: Known | None
) -> Known | None:
    """Of the coil, by the board's first capacitor; a known coil has no say in it."""
    large = identity.capacitors[0]
    if large not in rings:
        return None
    found = _stray(rings, known, smallest(identity), large, None) or Known(
        identity.stray_farads, identity.stray_uncertainty_farads
    )
    total = _sum(known[large], found)
    henries = 1 / ((2 * math.pi * rings[large].hertz) ** 2 * total.value)
    part = math.hypot(total.uncertainty / total.value, 2 * rings[large].uncertainty / rings[large].hertz)
    return Known(henries, henries * part)


def _coil_row(ring: Rung, found: Known, coil: Known | None) -> Row:
    row = Row("coil", found.value, "H", note=ring.words, uncertainty=found.uncertainty)
    if coil is None:
        return row
    # Two and a half times the uncertainty of the difference: common practice.
    room = 2.5 * math.hypot(found.uncertainty, coil.uncertainty)
    return replace(row, name="reference coil", low=coil.value - room, high=coil.value + room)


def _bare_row(ring: Rung, coil: Known, known: Known) -> Row:
    stray = _sum(by_coil(ring, coil, known), Known(0.0, _OWN_FARADS))
    note = f"no test capacitor, at {ring.hertz / 1e3:.4g} kHz: each open switch adds its own; not kept"
    spread = stray.uncertainty
    return Row("stray, all open", stray.value, "F", -2 * spread, _HIGHEST, note, spread)
