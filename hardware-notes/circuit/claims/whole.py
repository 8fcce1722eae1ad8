"""End to end: an invented winding on the simulated board, through a converter, into the fit.

The winding is one of the catalogue's networks written out for ngspice; the truth is the eigenvalues of
that network with an ideal test capacitor, which ngspice and the fit have no part in.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from circuit.claims.ringing import LEAD_HENRIES, LEAD_OHMS, LOSS_TANGENT, NOMINAL, known
from circuit.deck import COARSE, Deck

__all__ = ["CASES", "end_to_end", "pin_volts", "winding_lines"]

CASES = (
    ("tarn-line-split", "healthy", "A", 1.35e-6),
    ("tarn-line-split", "turn-1-ohm", "A", 1.4e-6),
    ("tarn-line-split", "healthy", "B", 0.19e-6),
    ("tarn-yoke-line", "healthy", "A", 1.4e-6),
    ("moss-choke", "healthy", "A", 1.45e-6),
)
"""Part, state, test capacitor, pulse width [s]."""

RATE_HZ = 500e3
SAMPLES, PRETRIGGER, SHOTS = 1024, 64, 4
_NOTHING = 1e-16


def winding_lines(part: str, state: str) -> list[str]:
    """SPICE lines of a catalogue winding between nodes `coiltop` and 0."""
    from coilbell.board.simulation import Fixture, Winding, catalogue

    bare = Fixture(input_ohms=1e14, stray_farads=_NOTHING, loss_tangent=0.0)
    network = Winding(catalogue.part(part), state, bare).network(_NOTHING)
    node = {"lead": "coiltop", "0": "BLACK"}

    def at(name: str) -> str:
        return node.get(name, f"w_{name.replace(' ', '_')}")

    lines = [f"Rw{k} {at(e.a)} {at(e.b)} {e.ohms:.12g}" for k, e in enumerate(network.resistors)]
    lines += [f"Cw{k} {at(e.a)} {at(e.b)} {e.farads:.12g}" for k, e in enumerate(network.capacitors)]
    lines += _coils(network.inductors, at)
    if network.junctions:
        raise ValueError(f"{part}, {state}: junctions are not written out")
    return lines


def _coils(inductors, at) -> list[str]:  # type: ignore[no-untyped-def]
    """Coupled inductors with K statements: own inductance is leakage plus turns squared times the core's."""
    cores = {e.a: (f"Lw{k}", e) for k, e in enumerate(inductors) if e.core == "0" and e.a.startswith("core")}
    lines, wound = [], []
    for k, e in enumerate(inductors):
        own, name = e.henries, f"Lw{k}"
        if e.core in cores:
            own += e.ratio**2 * cores[e.core][1].henries
            wound.append((name, own, e.ratio, e.core))
        elif e.core != "0":
            raise ValueError(f"a core of several sections is not written out: {e}")
        if e.ohms:
            lines += [f"{name} {at(e.a)} w{k}_r {own:.14g}", f"Rwl{k} w{k}_r {at(e.b)} {e.ohms:.12g}"]
        else:
            lines.append(f"{name} {at(e.a)} {at(e.b)} {own:.14g}")
    for i, (name, own, turns, core) in enumerate(wound):
        winding, flux = cores[core]
        pairs = [(winding, flux.henries, 1.0), *((n, o, t) for n, o, t, c in wound[:i] if c == core)]
        for j, (other, others, more) in enumerate(pairs):
            coupling = min(1.0, turns * more * flux.henries / math.sqrt(own * others))
            lines.append(f"Kw{i}_{j} {name} {other} {coupling:.15g}")
    return lines


@cache
def pin_volts(part: str, state: str, letter: str, width_s: float) -> np.ndarray:
    """Voltage at the converter pin at the sample instants, pulse at sample PRETRIGGER."""
    begin = PRETRIGGER / RATE_HZ
    deck = Deck(letter, width_s, begin, options=COARSE).add(
        f"Lleads LEAD farend {LEAD_HENRIES}", f"Rleads farend coiltop {LEAD_OHMS}"
    )
    deck.add(*winding_lines(part, state))
    stop = SAMPLES / RATE_HZ
    seen = deck.run(f"tran 0.2u {stop + 4e-6:.6g} 0 0.2u", ["v(adc0)"])
    return np.interp(np.arange(SAMPLES) / RATE_HZ, seen["time"], seen["v(adc0)"])


def end_to_end() -> list[dict[str, float | str]]:
    """f and Q by the fit: as read against the loaded circuit's, corrected against the winding's own.

    Where a winding was rung with A and with B, the two frequencies give its own capacitance, which shares in
    the tester's loss: L = (1/w1^2 - 1/w2^2)/(C1 - C2), C = 1/(w1^2 L) - C1.
    """
    modes = {case: _mode(case) for case in CASES}
    return [judged(case, mode, _own_farads(case, modes)) for case, mode in modes.items()]


Case = tuple[str, str, str, float]


def _mode(case: Case):  # type: ignore[no-untyped-def]
    from coilbell.decay import fit

    return fit(records(*case)).modes[0]


def _own_farads(case: Case, modes: dict[Case, Any]) -> float:
    pair = {c[2]: modes[c] for c in modes if c[:2] == (case[0], "healthy")}
    if set(pair) != {"A", "B"}:
        return 0.0
    farads = {letter: NOMINAL[letter] + known()[letter].stray_farads for letter in pair}
    inverse = {letter: (2 * math.pi * mode.natural_frequency_hz) ** -2 for letter, mode in pair.items()}
    henries = (inverse["A"] - inverse["B"]) / (farads["A"] - farads["B"])
    return inverse["A"] / henries - farads["A"]


def judged(case: Case, mode: Any, own_farads: float = 0.0) -> dict[str, float | str]:
    """One fitted mode against the truth; own_farads: the winding's own capacitance, where known [F]."""
    from coilbell.board.simulation import Fixture, Winding, catalogue

    part, state, letter, _ = case
    bench = known()[letter]
    ideal = Fixture(input_ohms=1e14, stray_farads=bench.stray_farads, loss_tangent=0.0)
    loaded = Fixture(
        input_ohms=1 / bench.siemens, stray_farads=bench.stray_farads, loss_tangent=LOSS_TANGENT[letter]
    )
    truth = Winding(catalogue.part(part), state, ideal).ring_mode(NOMINAL[letter])
    expected = Winding(catalogue.part(part), state, loaded).ring_mode(NOMINAL[letter])
    if truth is None or expected is None:
        raise ValueError(f"{part}, {state} does not ring")
    better = bench.corrected(letter, mode.natural_frequency_hz, mode.q.value, own_farads)
    return {
        "part": part,
        "state": state,
        "capacitor": letter,
        "hz": mode.frequency_hz.value,
        "true_hz": truth.frequency_hz,
        "q_read": mode.q.value,
        "q_expected": expected.q,
        "q_corrected": better,
        "true_q": truth.q,
        "own_farads": own_farads,
        "hz_error": mode.frequency_hz.value / truth.frequency_hz - 1,
        "q_error": better / truth.q - 1,
    }


def records(part: str, state: str, letter: str, width_s: float):  # type: ignore[no-untyped-def]
    """The shots as the board would deliver them, through a converter of the RP2040's sort."""
    from coilbell.board.simulation import RP2040
    from coilbell.record import Capacitor, Record

    volts = pin_volts(part, state, letter, width_s)
    converter = replace(RP2040, bias=0.0)
    rng = np.random.default_rng(7)
    return [
        Record(
            samples=converter.codes(volts, rng, RATE_HZ),
            rate_hz=RATE_HZ,
            volts_per_count=converter.volts_per_count,
            full_scale=(0, 4095),
            resolution=1.0,
            pretrigger=PRETRIGGER,
            pulse_s=width_s,
            gain=3.0,
            shot=shot,
            test_capacitor=Capacitor(NOMINAL[letter], name=letter),
        )
        for shot in range(SHOTS)
    ]
