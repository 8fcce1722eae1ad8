"""Calibration with what a hobbyist has: an ordinary resistor beside any coil, and a turn of copper wire.

A winding's decay is 2 a = R/L + G/C, whatever its L and R are. A resistor P across it adds 1/(P C):

    C = 1/(P (2 a1 - 2 a0))                                      all capacitance, coil and leads in it

so that the tester's capacitances rest on an ordinary resistor of 1 %, on nothing else. With C known a turn of
copper wire on the posts tells the resistance r in series with the test capacitor C_t:

    1/Q = R w C + (G + w C_t tan(delta) + r (w C_t)^2)/(w C)     with R of the wire, by its skin (`wire`)

Uncertainties are of first order, sources independent (JCGM 100:2008, 5.1.2).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from coilbell.board.identity import Identity
from coilbell.board.limits import Limit, limited
from coilbell.board.outcome import Row
from coilbell.board.stray import Known, Rung, smallest
from coilbell.board.wire import loop_henries, wire_ohms

__all__ = ["Wire", "best_ohms", "by_resistor", "capacitances", "series"]

_OWN_FARADS = 25e-12
"""Standard uncertainty for what a coil brings along [F] (common practice, no published source)."""
_AGREES = 2.5
"""Standard uncertainties within which two figures of one thing agree (common practice)."""
_MATERIAL = 0.01
"""Relative standard uncertainty of a wire's resistance by its copper: wires are 99 to 101 % IACS (common
practice), and 3 K of the room's temperature are 0.6 %."""
_SCREWED_OHMS = 0.3e-3
"""Standard uncertainty of two screwed contacts [ohm] (common practice, no published source)."""
_LOOP_PART = 0.04
"""Relative standard uncertainty of a loop's inductance: no perfect circle, and the board's own 40 nH."""


@dataclass(frozen=True, slots=True)
class Wire:
    """A turn of solid round copper wire: length and diameter [m], relative standard uncertainty of each."""

    length: float
    diameter: float
    uncertainty: float = 0.01

    def ohms(self, hertz: float) -> Known:
        """Resistance at that frequency, its screwed ends in the uncertainty [ohm]."""
        value = wire_ohms(self.length, self.diameter, hertz)
        part = math.hypot(self.uncertainty, self.uncertainty, _MATERIAL)
        return Known(value, math.hypot(value * part, _SCREWED_OHMS))


def best_ohms(ring: Rung, identity: Identity, letter: str) -> float:
    """The resistor that would take a ring's Q to a third [ohm]: neither lost in it nor all there is."""
    capacitor = identity.capacitor(letter)
    farads = (capacitor.farads if capacitor else 0.0) + identity.stray_farads
    return ring.q / 2 / (2 * math.pi * ring.hertz * farads)


def by_resistor(alone: Rung, loaded: Rung, ohms: Known) -> Known | None:
    """All capacitance [F] from one coil's ring without and with a resistor across it.

    None where the resistor did not damp the ring for certain.
    """
    rates = [2 * math.pi * ring.hertz / ring.q for ring in (alone, loaded)]
    spreads = [rate * ring.q_uncertainty / ring.q for rate, ring in zip(rates, (alone, loaded), strict=True)]
    added, spread = rates[1] - rates[0], math.hypot(*spreads)
    if added <= _AGREES * spread:
        return None
    farads = 1 / (ohms.value * added)
    return Known(farads, farads * math.hypot(ohms.uncertainty / ohms.value, spread / added))


def capacitances(totals: Mapping[str, Known], identity: Identity) -> tuple[list[Row], dict[str, int]]:
    """Rows and constants from all capacitance found with each test capacitor.

    What is beside the smallest is the tester's own; the others are what is left of their totals. So each
    total, on which inductances rest, is as it was found.
    """
    small = smallest(identity)
    part = identity.capacitor(small)
    if small not in totals or part is None:
        return [Row("stray capacitance", None, note=f"no ring with capacitor {small}")], {}
    own = math.hypot(totals[small].uncertainty, part.farads * part.tolerance, _OWN_FARADS)
    stray = Known(totals[small].value - part.farads, own)
    note = f"by the resistor, with {small} switched in; the coil's own is in it"
    row = Row("stray capacitance", stray.value, "F", -2 * own, 6e-9, note, own)
    constants = {"stray_ff": max(0, round(stray.value * 1e15)), "stray_uncertainty_ff": round(own * 1e15)}
    rows, kept = [row], constants if row.passed else {}
    for letter in identity.capacitors:
        if letter in totals and letter != small:
            row, found = _capacitor(letter, totals[letter], stray, identity)
            rows.append(row)
            kept |= found
    return rows, kept


def _capacitor(letter: str, total: Known, stray: Known, identity: Identity) -> tuple[Row, dict[str, int]]:
    part = identity.capacitor(letter)
    assert part is not None
    value, spread = total.value - stray.value, math.hypot(total.uncertainty, _OWN_FARADS)
    # An open switch leaves more beside one test capacitor than beside another.
    room = _AGREES * math.hypot(
        spread, part.farads * part.tolerance, identity.stray_uncertainty_farads, 0.2e-9
    )
    limit = Limit("F", part.farads - room, part.farads + room, f"C{'ABC'.find(letter) + 1}; the resistor")
    row = limited(f"capacitor {letter}", value, "by the resistor", spread, limit)
    # The part's own tolerance is about the same total as that of a new board.
    marked = Known(part.farads + identity.stray_farads - stray.value, part.farads * part.tolerance)
    better = _weighed(marked, Known(value, spread))
    if better is None or not row.passed:
        return row, {}
    return row, {
        f"{letter}_ff": round(better.value * 1e15),
        f"{letter}_tolerance_ppm": max(1, round(1e6 * better.uncertainty / better.value)),
    }


def series(ring: Rung, letter: str, wire: Wire, identity: Identity) -> tuple[list[Row], dict[str, int]]:
    """Rows and constants from a turn of wire on the posts: resistance in series with that test capacitor.

    What the design says and what is found are weighed by their uncertainties where they agree; where they do
    not, a joint or the switch is bad, and nothing is kept.
    """
    part = identity.capacitor(letter)
    assert part is not None
    found, henries = _series(ring, letter, wire, identity)
    spread = math.hypot(found.uncertainty, part.series_uncertainty)
    room = _AGREES * spread
    name, number = f"series resistance {letter}", "ABC".find(letter) + 1
    blame = f"joints of C{number} and Q{number}, tracks between them and the posts"
    limit = Limit("ohm", part.series_ohms - room, part.series_ohms + room, blame)
    note = f"by {wire.length:.3g} m of copper wire, at {ring.hertz / 1e3:.4g} kHz"
    row = limited(name, found.value, note, found.uncertainty, limit)
    expected = loop_henries(wire.length, wire.diameter)
    off = _AGREES * _LOOP_PART * expected
    turn = Row(
        f"turn of wire {letter}",
        henries,
        "H",
        expected - off,
        expected + off,
        "by the formula of a round turn",
    )
    if not (row.passed and turn.passed):
        return [turn, row], {}
    better = _weighed(Known(part.series_ohms, part.series_uncertainty), found)
    if better is None:
        return [turn, row], {}
    return [turn, row], {
        f"{letter}_series_uohm": max(0, round(better.value * 1e6)),
        f"{letter}_series_uncertainty_uohm": round(better.uncertainty * 1e6),
    }


def _weighed(kept: Known, found: Known) -> Known | None:
    """Mean of what is kept and what is found, weighed by uncertainty; None where what is kept is surer.

    So a check that is made again with the same means does not pretend to know more each time.
    """
    if kept.uncertainty <= found.uncertainty:
        return None
    weights = kept.uncertainty**-2, found.uncertainty**-2
    value = (kept.value * weights[0] + found.value * weights[1]) / sum(weights)
    return Known(value, sum(weights) ** -0.5)


def _series(ring: Rung, letter: str, wire: Wire, identity: Identity) -> tuple[Known, float]:
    """Resistance in series with the test capacitor [ohm], and the wire's inductance [H]."""
    part = identity.capacitor(letter)
    assert part is not None
    w, total = 2 * math.pi * ring.hertz, part.farads + identity.stray_farads
    ohms = wire.ohms(ring.hertz)
    across, through = w * total, (w * part.farads) ** 2
    left = (1 / ring.q - ohms.value * across) * across
    value = (left - identity.input_siemens - w * part.farads * part.loss_tangent) / through
    spreads = (
        ring.q_uncertainty / ring.q**2 * across,
        ohms.uncertainty * across**2,
        identity.input_uncertainty_siemens,
        w * part.farads * part.loss_tangent / 2,
        part.tolerance * (2 * ohms.value * across**2 + across / ring.q),
    )
    return Known(value, math.hypot(*spreads) / through), 1 / (w**2 * total)
