"""Netlists of faulty windings for ngspice, element by element, and how ngspice says that they ring.

Nothing here comes from the product: every coil is drawn as it is built. A winding of N turns is a leakage
inductor and N turns on a core of a stated inductance per turn squared; a loop is its own turns on that core
(K = 1) behind a leakage inductor of its own. Core loss is a resistor across the turns on the core. All
parts are invented.

Each circuit is solved twice: ngspice's pole-zero analysis gives the complex pole; a transient from the
charged test capacitor, fitted with `scipy.optimize.curve_fit`, gives it again.

Run this file to write netlists and golden figures anew (needs ngspice).
"""

from __future__ import annotations

import json
import math
import re
import subprocess
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.interpolate import AAA
from scipy.optimize import curve_fit

HERE = Path(__file__).parent
FIGURES = HERE / "figures.json"


@dataclass(frozen=True)
class Wound:
    """Sizes of a winding: turns, core [H per turn squared], leakage [H], wire [ohm], C [F], losses [ohm]."""

    turns: float
    core: float
    farads: float
    ohms: float
    leak: float = 0.0
    across_ohms: float | None = None
    core_ohms: float | None = None
    """Across the winding's turns on the core."""


@dataclass(frozen=True)
class Ring:
    """A closed loop on the core: turns, leakage of its own [H], resistance [ohm]."""

    turns: float
    leak: float
    ohms: float


LINE = Wound(80, 2.25e-3 / 80**2, 24.12e-9, 0.8, across_ohms=60e3)
LEAKY_LINE = Wound(80, 2.2e-3 / 80**2, 24.12e-9, 0.8, leak=50e-6, across_ohms=1e6, core_ohms=70e3)
YOKE = Wound(100, 1.2e-3 / 100**2, 22.15e-9, 2.5, across_ohms=22e3)
CHOKE = Wound(40, 10e-3 / 40**2, 22.03e-9, 0.3, leak=80e-6, across_ohms=1e6, core_ohms=9e3)
RELAY = Wound(2000, 1.0 / 2000**2, 100.2e-9, 120.0, leak=0.05, core_ohms=6e3)


def _deck(wound: Wound, loops: Iterable[Ring] = (), extra: Iterable[str] = ()) -> list[str]:
    lines = [f"C1 lead 0 {wound.farads:.12g} IC=0.4", f"R1 lead w {wound.ohms:.12g}"]
    top = "w"
    if wound.leak:
        lines.append(f"L1 w core {wound.leak:.12g}")
        top = "core"
    lines.append(f"L2 {top} 0 {wound.turns**2 * wound.core:.12g}")
    if wound.across_ohms:
        lines.append(f"R2 lead 0 {wound.across_ohms:.12g}")
    if wound.core_ohms:
        lines.append(f"R3 {top} 0 {wound.core_ohms:.12g}")
    for k, loop in enumerate(loops, 4):
        lines += [
            f"L{k} a{k} 0 {loop.turns**2 * wound.core:.12g}",
            f"K{k} L2 L{k} 1",
            f"L{k}0 a{k} b{k} {loop.leak:.12g}",
            f"R{k} b{k} 0 {loop.ohms:.12g}",
        ]
    return [*lines, *extra]


def _turn(wound: Wound, leak_share: float, ohms: float, turns: float = 1.0) -> list[str]:
    return _deck(wound, [Ring(turns, leak_share * turns**2 * wound.core, ohms)])


def _stack(shorted: Iterable[int]) -> list[str]:
    """Three high-voltage sections of 800 turns with a rectifier after each, hardly any leakage."""
    lines = []
    for k in (1, 2, 3):
        after = f"foot{k + 1}" if k < 3 else "anode"
        lines += [
            f"L1{k} head{k} foot{k} {800**2 * LINE.core:.12g}",
            f"K1{k} L2 L1{k} 0.9999",
            f"C1{k} head{k} foot{k} 1e-13",
            f"C2{k} foot{k} 0 13.1e-12",
            f"C3{k} head{k} 0 7.2e-12",
            f"C4{k} head{k} {after} 2.8e-12",
        ]
        if k in shorted:
            lines.append(f"R4{k} head{k} {after} 1")
    lines += [f"K2{a}{b} L1{a} L1{b} 0.9999" for a, b in ((1, 2), (1, 3), (2, 3))]
    return [*lines, "C5 anode 0 3e-12"]


_BARE = Wound(80, LINE.core, 22.12e-9, 0.8, across_ohms=60e3)
"""The line winding without the stray capacitance that its high-voltage stack brings."""

CIRCUITS: dict[str, list[str]] = {
    "line-healthy": _deck(LINE),
    "line-turn-dead": _turn(LINE, 0.48, 0.02),
    "line-turn-0.1-ohm": _turn(LINE, 0.48, 0.1),
    "line-turn-1-ohm": _turn(LINE, 0.48, 1.0),
    "line-turn-10-ohm": _turn(LINE, 0.48, 10.0),
    "line-turn-100-ohm": _turn(LINE, 0.48, 100.0),
    "line-external-loop": _turn(LINE, 0.28, 0.006),
    "line-low-voltage-shorted": _turn(LINE, 0.038, 0.06, turns=8),
    "line-high-voltage-turn": _turn(LINE, 0.3, 0.5),
    "line-high-voltage-part": _turn(LINE, 0.1, 60.0, turns=800),
    "line-secondary-loaded": _turn(LINE, 0.05, 47.0, turns=10),
    "line-loaded": _deck(LINE, extra=["R9 lead 0 5000"]),
    "line-overloaded": _deck(LINE, extra=["R9 lead 0 100"]),
    "line-gap": _deck(Wound(80, 0.6 * LINE.core, LINE.farads, LINE.ohms, across_ohms=LINE.across_ohms)),
    "line-capacitance": _deck(LINE, extra=["C9 lead 0 6.8e-9"]),
    "line-open": [*_deck(LINE)[:1], "R2 lead 0 60000"],
    "leaky-healthy": _deck(LEAKY_LINE),
    "leaky-turn-dead": _turn(LEAKY_LINE, 0.48, 0.02),
    "leaky-turn-1-ohm": _turn(LEAKY_LINE, 0.48, 1.0),
    "leaky-gap": _deck(
        Wound(80, 0.6 * LEAKY_LINE.core, LEAKY_LINE.farads, 0.8, LEAKY_LINE.leak, 1e6, LEAKY_LINE.core_ohms)
    ),
    "yoke-healthy": _deck(YOKE),
    "yoke-turn-dead": _turn(YOKE, 2.0, 0.02),
    "choke-healthy": _deck(CHOKE),
    "choke-half-shorted": _turn(CHOKE, 0.012, 0.15, turns=20),
    "relay-healthy": _deck(RELAY),
    "relay-turn-dead": _turn(RELAY, 0.3, 0.05),
    "stack-sound": _deck(_BARE, extra=_stack(())),
    "stack-first-shorted": _deck(_BARE, extra=_stack((1,))),
    "stack-middle-shorted": _deck(_BARE, extra=_stack((2,))),
    "stack-last-shorted": _deck(_BARE, extra=_stack((3,))),
    "stack-all-shorted": _deck(_BARE, extra=_stack((1, 2, 3))),
}

STACKS = tuple(name for name in CIRCUITS if name.startswith("stack"))
"""Circuits with capacitance behind leakage; they have several poles, the lowest is the ring."""


def netlist(name: str) -> str:
    """The circuit as ngspice reads it, without an analysis."""
    # Floating nodes of an ideal stack need some path to ground.
    head = [f"* {name} (invented part)", ".options rshunt=1e13 reltol=1e-6 abstol=1e-13 vntol=1e-9"]
    return "\n".join([*head, *CIRCUITS[name]]) + "\n"


def _run(text: str) -> tuple[str, np.ndarray | None]:
    with tempfile.TemporaryDirectory() as folder:
        deck = Path(folder) / "deck.cir"
        deck.write_text(text)
        done = subprocess.run(
            ["ngspice", "-b", deck.name], cwd=folder, capture_output=True, text=True, check=True, timeout=120
        )
        out = Path(folder) / "out.txt"
        return done.stdout, np.loadtxt(out) if out.exists() else None


def poles(name: str) -> tuple[list[complex], str]:
    """All poles [1/s], and how they were found.

    By ngspice's pole-zero analysis; where that gives up, as it does on stacks of many coils, from
    ngspice's small-signal impedance at 800 frequencies by the AAA interpolant (`scipy.interpolate.AAA`).
    """
    text = netlist(name) + (
        "I1 0 lead DC 0 AC 1\n.pz lead 0 lead 0 cur pol\n"
        ".control\nset numdgt=15\nrun\nprint all\nquit\n.endc\n.end\n"
    )
    said, _ = _run(text)
    pairs = [] if name in STACKS else re.findall(r"(?:pole\(\d+\)|all) = (\S+?),(\S+)", said)
    if pairs:
        return [complex(float(real), float(imaginary)) for real, imaginary in pairs], "pole-zero analysis"
    return _interpolated(name), "interpolated impedance"


def _interpolated(name: str) -> list[complex]:
    text = netlist(name) + (
        "I1 0 lead DC 0 AC 1\n.control\nset numdgt=15\nset wr_singlescale\nac dec 200 100 1meg\n"
        "wrdata out.txt v(lead)\nquit\n.endc\n.end\n"
    )
    said, table = _run(text)
    if table is None:
        raise RuntimeError(f"ngspice gave no impedance for {name}:\n{said[-2000:]}")
    at = 2j * np.pi * table[:, 0]
    ohms = table[:, 1] + 1j * table[:, 2]
    # Both halves of the axis, so that the poles come in conjugate pairs.
    rational = AAA(np.concatenate([at, -at]) / 1e5, np.concatenate([ohms, ohms.conj()]), rtol=1e-11)
    found, residues = rational.poles(), np.abs(rational.residues())
    # A pole without weight is the interpolant's own, not the circuit's.
    real = (found.real < 0) & (residues > 1e-3 * residues.max())
    return [complex(p) * 1e5 for p in found[real]]


def ring_pole(found: Iterable[complex]) -> complex | None:
    """The slowest-swinging complex pole of the upper half plane, None where there is none."""
    upper = [p for p in found if p.imag > 1e-6 * abs(p)]
    return min(upper, key=abs) if upper else None


def figures_of(pole: complex | None) -> dict[str, float] | None:
    """Damped frequency [Hz] and Q = w0/(2 a) of a pole."""
    if pole is None:
        return None
    return {"frequency_hz": pole.imag / (2 * math.pi), "q": abs(pole) / (-2 * pole.real)}


def transient(name: str, near: dict[str, float]) -> dict[str, float]:
    """The same figures from a transient solution, fitted with a damped sinusoid and an exponential."""
    period = 1 / near["frequency_hz"]
    length = min(max(3.0, 1.2 * near["q"]), 40.0) * period
    step = period / 400
    text = netlist(name) + (
        f".control\nset numdgt=15\nset wr_singlescale\ntran {step:.6g} {length:.6g} 0 {step:.6g} uic\n"
        "linearize v(lead)\nwrdata out.txt v(lead)\nquit\n.endc\n.end\n"
    )
    said, table = _run(text)
    if table is None:
        raise RuntimeError(f"ngspice gave no transient for {name}:\n{said[-2000:]}")
    cycles, volts = table[:, 0] / period, table[:, 1] / 0.4

    def law(t, cosine, sine, decay, turn, rest, back):
        swing = cosine * np.cos(2 * np.pi * turn * t) + sine * np.sin(2 * np.pi * turn * t)
        return np.exp(-decay * t) * swing + rest * np.exp(-back * t)

    start = [1.0, 0.0, np.pi / near["q"] * 1.05, 1.003, 0.0, 1.0]
    best, _ = curve_fit(
        law, cycles[1:], volts[1:], start, method="trf", x_scale="jac", xtol=1e-14, ftol=1e-14
    )
    swing = 2 * np.pi * best[3]
    return {"frequency_hz": best[3] / period, "q": math.hypot(swing, best[2]) / (2 * best[2])}


def write() -> None:
    """Netlists and golden figures anew."""
    told: dict[str, object] = {"solver": "ngspice"}
    for name in CIRCUITS:
        (HERE / f"{name}.cir").write_text(netlist(name), newline="\n")
        found, how = poles(name)
        ring = figures_of(ring_pole(found))
        told[name] = {"poles": ring, "by": how}
        if ring is not None and name not in STACKS:
            told[name]["transient"] = transient(name, ring)
    FIGURES.write_text(json.dumps(told, indent=1) + "\n", newline="\n")


if __name__ == "__main__":
    write()
