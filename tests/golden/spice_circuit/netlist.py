"""Netlists for ngspice from the catalogue's part data, by another road than the simulation takes.

The simulation ties its coils to one core node through ideal transformers. Here every coil is a real
inductor, every pair of them a K statement, and the core's loss hangs on a core winding of one turn. Only
the sizes are shared; which node goes where is written out again below.

Run this file to write the netlists and the golden figures anew (needs ngspice).
"""

from __future__ import annotations

import json
import math
import subprocess
import tempfile
from pathlib import Path

import numpy as np
from scipy.interpolate import AAA

from coilbell.board.simulation import Fixture, Part, Winding, catalogue

HERE = Path(__file__).parent
FIGURES = HERE / "figures.json"
PULSE_S = 2e-6

CASES: tuple[tuple[str, str, float], ...] = (
    ("tarn-line-split", "healthy", 22e-9),
    ("tarn-line-split", "turn-dead", 4.7e-9),
    ("tarn-line-split", "turn-1-ohm", 22e-9),
    ("tarn-line-split", "low-voltage-shorted", 22e-9),
    ("tarn-line-split", "rectifier-middle-shorted", 1e-9),
    ("tarn-line-split", "rectifier-all-shorted-tube-returned", 22e-9),
    ("tarn-line-split", "in-circuit-yoke-heater-cold", 22e-9),
    ("tarn-line-split", "in-circuit-rectifier-shorted", 22e-9),
    ("tarn-line-single", "high-voltage-part-shorted", 22e-9),
    ("tarn-yoke-line", "turn-dead", 22e-9),
    ("moss-line-filter", "half-shorted", 22e-9),
    ("moss-choke", "gap-halved", 4.7e-9),
    ("beck-motor", "healthy", 100e-9),
)
"""Part, state, test capacitor [F] of the linear cases."""

JUNCTION_CASES: tuple[tuple[str, str, float, float], ...] = (
    ("tarn-line-split", "in-circuit-schottky", 22e-9, 1.3e-3),
    ("tarn-line-split", "in-circuit-schottky", 22e-9, 10e-3),
)
"""Part, state, test capacitor [F] and pulse current [A]."""

SET_CASES: tuple[tuple[str, str, tuple[str, ...], float], ...] = (
    ("line-set-1", "in-set", (), 22e-9),
    ("line-set-2", "in-set,damper-leaky,turn-1-ohm", ("yoke-off", "tube-base-off", "return-lifted"), 22e-9),
    ("line-set-3", "in-set,rectifier-shorted", ("yoke-off",), 22e-9),
    ("line-set-4", "in-set,yoke-shorted,snubber-shorted", ("tube-base-off",), 22e-9),
    ("switch-set-1", "in-set,rectifier-hot", (), 22e-9),
    ("switch-set-2", "in-set,clamp-capacitor-shorted,section-shorted", (), 2.2e-9),
    ("switch-set-3", "in-set,rectifier-shorted-fusible,clamp-diode-shorted", (), 22e-9),
)
"""Part, state, steps done, test capacitor [F] of whole sets, struck by `SET_AMPS` so that they conduct."""
SET_AMPS = 8e-3

SKIN = ((1.03014, 7.42206), (1.47847, 29.0656), (4.39849, 116.564))


def name_of(part: str, state: str, farads: float, amps: float | None = None) -> str:
    """File name of a case, without its ending."""
    tail = "" if amps is None else f"_{amps * 1e3:g}mA"
    return f"{part}_{state}_{farads * 1e9:g}nF{tail}"


class Deck:
    """Lines of a netlist, and the coils on each section of the core."""

    def __init__(self, title: str, part: Part) -> None:
        self.lines = [f"* {title}", ".options rshunt=1e15 gmin=1e-16 reltol=1e-6 abstol=1e-13 vntol=1e-9"]
        self.part = part
        self.wound: list[list[tuple[str, float, float]]] = [[] for _ in part.core.sections]
        self.count = 0

    def add(self, kind: str, a: str, b: str, value: float) -> str:
        """One two-terminal element; returns its name."""
        self.count += 1
        name = f"{kind}{self.count}"
        self.lines.append(f"{name} {a} {b} {value:.14g}")
        return name

    def coil(
        self, a: str, b: str, turns: float, leakage: float, ohms: float, skin_hz: float = math.inf
    ) -> None:
        """A coil: direct resistance, skin sections, then an inductor on every section of the core."""
        self.count += 1
        chain = [f"w{self.count}_{k}" for k in range(8)]
        at = chain.pop()
        self.add("R", a, at, ohms)
        if math.isfinite(skin_hz):
            for share, corner in SKIN:
                onward = chain.pop()
                self.add("R", at, onward, share * ohms)
                self.add("L", at, onward, share * ohms / (2 * math.pi * corner * skin_hz))
                at = onward
        for k, (share, _) in enumerate(self.part.core.sections):
            onward = b if k == len(self.part.core.sections) - 1 else chain.pop()
            own = turns**2 * self.part.core.henries * share + (leakage if k == 0 else 0.0)
            self.wound[k].append((self.add("L", at, onward, own), own, turns))
            at = onward

    def couple(self) -> None:
        """Core windings with their loss, and all K statements."""
        for k, (share, ohms) in enumerate(self.part.core.sections):
            factor = self.part.core.henries * share
            node = f"core{k}"
            wound = [*self.wound[k], (self.add("L", node, "0", factor), factor, 1.0)]
            self.add("R", node, "0", ohms)
            for i, (one, own, turns) in enumerate(wound):
                for other, others, more in wound[:i]:
                    self.count += 1
                    coupling = min(1.0, factor * turns * more / math.sqrt(own * others))
                    self.lines.append(f"K{self.count} {one} {other} {coupling:.16g}")


def deck(name: str, state: str, farads: float, fixture: Fixture) -> Deck:
    """The netlist of one case, without its source and analysis."""
    part = catalogue.part(name)
    if state == "gap-halved":
        part = Winding(part, state).part
    d = Deck(f"{name}, {state}, test capacitor {farads:g} F (invented part)", part)
    tester(d, farads, fixture)
    tops = ["lead", *(coil.name for coil in part.coils[1:])]
    for coil, top in zip(part.coils, tops, strict=True):
        leakage = coil.leakage * coil.turns**2 * part.core.henries
        d.coil(top, "0", coil.turns, leakage, coil.ohms, coil.skin_hz)
        d.add("C", top, "0", coil.farads)
    if part.high_voltage:
        high_voltage(d, part)
    faults(d, part, state)
    d.couple()
    return d


def tester(d: Deck, farads: float, fixture: Fixture) -> None:
    """Test capacitor with its dielectric, input and lead capacitance."""
    d.add("C", "lead", "0", farads)
    d.add("C", "lead", "0", fixture.stray_farads)
    d.add("R", "lead", "0", fixture.input_ohms)
    share = fixture.loss_tangent * farads * 2 * math.log(10) / math.pi
    for corner in (1e3, 1e4, 1e5, 1e6):
        d.add("C", "lead", f"d{corner:.0f}", share)
        d.add("R", f"d{corner:.0f}", "0", 1 / (2 * math.pi * corner * share))


def high_voltage(d: Deck, part: Part) -> None:
    """Sections one above the other, rectifiers as capacitances."""
    high = part.high_voltage
    assert high
    leakage = high.leakage * high.turns**2 * part.core.henries
    for k in range(high.sections):
        up = f"b{k + 1}" if k + 1 < high.sections else "anode"
        d.add("L", f"b{k}", f"e{k}", leakage / 2)
        d.add("R", f"b{k}", f"e{k}", high.eddy_ohms)
        d.coil(f"e{k}", f"t{k}", high.turns, leakage / 2, high.ohms)
        d.add("C", f"b{k}", f"t{k}", high.self_farads)
        d.add("C", f"b{k}", "0", high.foot_farads)
        d.add("C", f"t{k}", "0", high.head_farads)
        d.add("C", f"t{k}", up, high.diode_farads)
    d.add("C", "anode", "0", high.anode_farads)


def faults(d: Deck, part: Part, state: str) -> None:
    """What the state adds, in words of its own."""
    around = part.surroundings
    turn = {"turn-dead": 1e-4, "turn-1-ohm": 1.0}
    if state in turn:
        loop = part.loops["turn"]
        d.coil("fault", "0", loop.turns, loop.henries, loop.ohms, loop.skin_hz)
        d.add("R", "fault", "0", turn[state])
    elif state == "high-voltage-part-shorted":
        loop = part.loops["high-voltage part"]
        d.coil("fault", "0", loop.turns, loop.henries, loop.ohms, loop.skin_hz)
        d.add("R", "fault", "0", 1e-4)
    elif state == "low-voltage-shorted":
        d.add("R", "low", "0", 1e-3)
    elif state == "half-shorted":
        d.add("R", "half", "0", 1e-3)
    elif state == "rectifier-middle-shorted":
        d.add("R", "t1", "b2", 1.0)
    elif state == "rectifier-all-shorted-tube-returned":
        for a, b in (("t0", "b1"), ("t1", "b2"), ("t2", "anode"), ("b0", "0")):
            d.add("R", a, b, 1.0)
        d.add("C", "anode", "0", 1.5e-9)
    elif state == "in-circuit-yoke-heater-cold":
        assert around.tuning_farads
        assert around.yoke
        d.add("C", "lead", "0", around.tuning_farads)
        d.add("R", "lead", "y1", around.yoke[1])
        d.add("L", "y1", "y2", around.yoke[0])
        d.add("R", "lead", "y2", around.yoke[2])
        d.add("C", "y2", "0", around.yoke[3])
        d.add("R", "heater", "0", 1.5)
    elif state == "in-circuit-rectifier-shorted":
        d.add("R", "low", "dc", around.filter_ohms)
        d.add("C", "dc", "0", around.filter_farads)
    elif state == "in-circuit-schottky":
        d.lines += ["D1 rail dc schottky", f".model schottky D(IS={SCHOTTKY[0]:g} N={SCHOTTKY[1]:g} CJO=0)"]
        d.add("C", "rail", "dc", SCHOTTKY[2])
        d.add("C", "dc", "0", around.filter_farads)
        d.add("R", "dc", "0", 1e4)
    elif state not in ("healthy", "gap-halved"):
        raise ValueError(f"no netlist is written for {state!r}")


def set_text(name: str, state: str, done: tuple[str, ...], farads: float) -> str:
    """Netlist of a whole set, followed in time; wired here from the appliance's sizes alone."""
    part = catalogue.part(name)
    wrong = state.split(",")[1:]
    d = Deck(f"{name}, {state}, done {','.join(done) or 'nothing'} (invented)", part)
    tester(d, farads, Fixture())
    for coil in part.coils:
        top = "lead" if coil is part.coils[0] else coil.name
        leakage = coil.leakage * coil.turns**2 * part.core.henries
        d.coil(top, "0", coil.turns, leakage, coil.ohms, coil.skin_hz)
        d.add("C", top, "0", coil.farads)
    if part.high_voltage:
        high_voltage(d, part)
    for loop, ohms in (("turn", 1.0), ("section", 1e-4)):
        if f"{loop}-1-ohm" in wrong or f"{loop}-shorted" in wrong:
            it = part.loops[loop]
            d.coil("fault", "0", it.turns, it.henries, it.ohms, it.skin_hz)
            d.add("R", "fault", "0", ohms)
    _primary_side(d, part, wrong, done)
    _secondary_side(d, part, wrong, done)
    d.couple()
    d.lines.append(f"I1 0 lead PULSE(0 {SET_AMPS:g} 0.9995u 1n 1n {PULSE_S - 1e-9:.12g} 1)")
    return _finished(d, ["tran 10n 400u 0 10n", "linearize v(lead)", "wrdata OUT v(lead)"])


def _diode(d: Deck, a: str, k: str, amps: float, emission: float, farads: float) -> None:
    d.count += 1
    d.lines.append(f"D{d.count} {a} {k} m{d.count}")
    d.lines.append(f".model m{d.count} D(IS={amps:.14g} N={emission:g} CJO=0)")
    d.add("C", a, k, farads)


def _primary_side(d: Deck, part: Part, wrong: list[str], done: tuple[str, ...]) -> None:
    """Supply, switch, snubber, clamp and yoke, between the lead and the frame."""
    it = part.appliance
    assert it
    d.add("C", "gnd", "bplus", it.supply[0])
    d.add("R", "bplus", "0", it.supply[1])
    d.add("C", "gnd", "0", 1e-9)
    amps = 1e-6 if "damper-leaky" in wrong else it.switch.amps
    _diode(d, "gnd", "lead", amps, it.switch.emission, it.switch.farads)
    if it.base_diode:
        _diode(d, "b", "lead", it.base_diode.amps, it.base_diode.emission, it.base_diode.farads)
        d.add("R", "b", "gnd", it.base_ohms)
    d.add("C", "lead", "gnd", it.tuning_farads)
    farads, ohms = it.snubber or (4.7e-10, 100.0)
    if "snubber-shorted" in wrong:
        d.add("R", "lead", "gnd", ohms)
    elif it.snubber:
        d.add("C", "lead", "sn", farads)
        d.add("R", "sn", "gnd", ohms)
    if it.clamp:
        diode, farads, ohms = it.clamp
        other = "0" if "clamp-capacitor-shorted" in wrong else "cl"
        if other == "cl":
            d.add("C", "cl", "0", farads)
            d.add("R", "cl", "0", ohms)
        if "clamp-diode-shorted" in wrong:
            d.add("R", "lead", other, 0.1)
        else:
            _diode(d, "lead", other, diode.amps, diode.emission, diode.farads)
    if it.yoke and "yoke-off" not in done:
        henries, ohms, loss, series = it.yoke
        bad = "yoke-shorted" in wrong
        d.add("R", "lead", "y1", ohms)
        d.add("L", "y1", "y2", henries * (0.7 if bad else 1))
        if bad:
            d.add("L", "lead", "y3", henries * 1.5)
            d.add("R", "y3", "y2", henries * 1.2e5)
        d.add("R", "lead", "y2", loss)
        d.add("C", "y2", "gnd", series)
    if part.high_voltage and "return-lifted" not in done:
        d.add("R", "b0", "gnd", 1e3)
        d.add("C", "b0", "gnd", 1e-8)
    if part.high_voltage and it.tube_farads:
        d.add("C", "anode", "0", it.tube_farads)


def _secondary_side(d: Deck, part: Part, wrong: list[str], done: tuple[str, ...]) -> None:
    """Rails, heater and a coil of the set on a winding."""
    it = part.appliance
    assert it
    for k, rail in enumerate(it.rails):
        first = k == 0
        at = rail.coil
        fusible = "rectifier-shorted-fusible" in wrong and first
        if fusible:
            d.add("R", at, f"f{k}", 4.7)
            at = f"f{k}"
        if fusible or (first and "rectifier-shorted" in wrong):
            d.add("R", at, f"dc{k}", 0.05)
        else:
            hot = first and "rectifier-hot" in wrong
            amps, emission = (2e-3, 1.05) if hot else (rail.diode.amps, rail.diode.emission)
            _diode(d, at, f"dc{k}", amps, emission, rail.diode.farads)
        d.add("C", f"dc{k}", "0", rail.farads)
        d.add("R", f"dc{k}", "0", rail.ohms)
    if it.heater and "tube-base-off" not in done:
        d.add("R", it.heater[0], "0", it.heater[1])
    if it.coil and "coils-off" not in done:
        d.add("R", it.coil[0], "co", it.coil[2])
        d.add("L", "co", "0", it.coil[1])


def set_name(name: str, state: str, done: tuple[str, ...], farads: float) -> str:
    """File name of a set's case, without its ending."""
    steps = "_" + "_".join(done) if done else ""
    return f"{name}_{state.replace(',', '_')}{steps}_{farads * 1e9:g}nF"


SCHOTTKY = (3e-8, 1.05, 200e-12)
"""Saturation current [A], emission coefficient and capacitance [F] of the rail's rectifier."""


def linear_text(name: str, state: str, farads: float) -> str:
    """Netlist whose analysis sweeps the impedance at the leads from 300 Hz to 3 MHz."""
    d = deck(name, state, farads, Fixture())
    d.lines.append("I1 0 lead DC 0 AC 1")
    return _finished(d, ["ac dec 150 300 3meg", "wrdata OUT v(lead)"])


def junction_text(name: str, state: str, farads: float, amps: float) -> str:
    """Netlist whose analysis follows the lead voltage after a pulse that starts at 1 us."""
    d = deck(name, state, farads, Fixture())
    # Edges of 1 ns keep the charge of a rectangular pulse and stand half a nanosecond to either side.
    d.lines.append(f"I1 0 lead PULSE(0 {amps:g} 0.9995u 1n 1n {PULSE_S - 1e-9:.12g} 1)")
    return _finished(d, ["tran 10n 400u 0 10n", "linearize v(lead)", "wrdata OUT v(lead)"])


def _finished(d: Deck, commands: list[str]) -> str:
    control = [".control", "set numdgt=15", "set wr_singlescale", *commands, "quit", ".endc", ".end"]
    return "\n".join([*d.lines, *control]) + "\n"


def solve(text: str, ngspice: str = "ngspice") -> np.ndarray:
    """Columns that ngspice wrote for this netlist."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out.txt"
        deck_file = Path(folder) / "deck.cir"
        deck_file.write_text(text.replace("OUT", out.name))
        ran = subprocess.run(
            [ngspice, "-b", deck_file.name],
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        if not out.exists():
            raise RuntimeError(f"ngspice wrote nothing: {ran.stdout}{ran.stderr}")
        return np.loadtxt(out)


def linear_figures(columns: np.ndarray) -> dict[str, object]:
    """Poles that ring, of a rational interpolant (AAA, scipy) of the impedance; and the impedance itself."""
    hz, impedance = columns[:, 0], columns[:, 1] + 1j * columns[:, 2]
    s = 2j * np.pi * hz
    fitted = AAA(np.r_[s, s.conj()], np.r_[impedance, impedance.conj()], rtol=1e-11, clean_up=False)
    poles, residues = fitted.poles(), fitted.residues()
    rings = [
        {"frequency_hz": p.imag / (2 * np.pi), "q": abs(p) / (-2 * p.real), "residue": 2 * abs(r)}
        for p, r in zip(poles, residues, strict=True)
        if p.imag > 2 * np.pi * 500 and p.real < 0 and p.imag < 2 * np.pi * 2e6
    ]
    rings.sort(key=lambda ring: -(ring["residue"] ** 2) * ring["q"] / ring["frequency_hz"])
    kept = columns[::40]
    return {"rings": rings[:3], "impedance": kept[:, :3].tolist()}


def junction_figures(columns: np.ndarray) -> dict[str, object]:
    """Lead voltage every 3 us from the end of the pulse."""
    times = 1e-6 + PULSE_S + 3e-6 * np.arange(1, 130)
    return {"times_s": (times - 1e-6).tolist(), "volts": np.interp(times, *columns[:, :2].T).tolist()}


def write() -> None:
    """Write every netlist and the figures."""
    figures: dict[str, object] = {"solver": "ngspice"}
    for case in CASES:
        text = linear_text(*case)
        (HERE / f"{name_of(*case)}.cir").write_text(text)
        figures[name_of(*case)] = linear_figures(solve(text))
    for case in JUNCTION_CASES:
        text = junction_text(*case)
        (HERE / f"{name_of(*case)}.cir").write_text(text)
        figures[name_of(*case)] = junction_figures(solve(text))
    for case in SET_CASES:
        text = set_text(*case)
        (HERE / f"{set_name(*case)}.cir").write_text(text)
        figures[set_name(*case)] = junction_figures(solve(text))
    FIGURES.write_text(json.dumps(figures, indent=1) + "\n")


if __name__ == "__main__":
    write()
