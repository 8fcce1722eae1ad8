"""Netlist + models + what is on the leads -> ngspice -> waveforms."""

from __future__ import annotations

import math
import re
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path

import numpy as np

from circuit.netlist import HERE, Part, parts, table

__all__ = ["COARSE", "SELECT", "Deck", "run"]

SELECT = {"A": "SELA", "B": "SELB", "C": "SELC"}
"""Pin net that switches each test capacitor on."""

_REST = {
    "3v3": 3.3,
    "vbus": 5.0,
    "xu3.five": 5.0,
    "xu3.three": 3.3,
    "va": 3.29,
    "vref": 3.3,
    "vhalf": 1.65,
    "vmid": 1.65,
    "coupled": 1.65,
    "ampin": 1.65,
    "ampout": 1.65,
    "ampfb": 1.65,
    "adc0": 1.65,
    "sense": 0.058,
    "sensein": 0.058,
    "sensefb": 0.058,
    "senseout": 0.6,
    "adc1": 0.6,
    "boot": 1.65,
    "bias": 1.65,
    "bleed": 0.0,
    "pdrain": 0.0,
    "npulse": 5.0,
    "pgate": 5.0,
    "vres": 5.0,
    "xu2.xd.raw": 5.0,
    "xu2.xd.slow": 5.0,
    "xu2.xd.drive": 5.0,
}
"""Where the powered board rests [V], whatever is switched in."""

_RELAXATIONS_HZ = tuple(10 ** (k / 2) for k in range(4, 15))
_OPTIONS = (
    ".options rshunt=1e15 gmin=1e-12 reltol=1e-4 abstol=1e-13 vntol=1e-7 chgtol=1e-16 method=trap itl1=2000"
)
COARSE = (
    ".options rshunt=1e15 gmin=1e-12 reltol=1e-3 abstol=1e-12 vntol=1e-6 chgtol=1e-14 method=trap itl1=2000"
)
"""For long runs of large circuits, where the step is short anyway."""


class Deck:
    """The tester with its pins driven, ready for a winding and an analysis.

    capacitors: letters of the test capacitors that are on; pulse_s: width of one pulse of the pulse pin,
    which rises at `pulse_at_s` [s], 0 for none, inf to stay high. values: reference -> value that
    replaces the netlist's; leave_out: references of parts that are missing (a broken joint); models:
    text that replaces models.cir; powered: False with the USB cable out; options: ngspice's;
    loss_tangents: reference -> tan(delta) that replaces the parts list's [1]. copper: that of the
    printed board, "resistive" or "full" with its inductance, which matters where hundreds of amperes flow;
    "ideal": none. The red post is LEAD, the black one
    BLACK, and 0 is the module's own ground.
    """

    def __init__(
        self,
        capacitors: str = "A",
        pulse_s: float = 0.0,
        pulse_at_s: float = 10e-6,
        values: Mapping[str, str | float] | None = None,
        leave_out: Sequence[str] = (),
        models: str | None = None,
        powered: bool = True,
        options: str = _OPTIONS,
        loss_tangents: Mapping[str, float] | None = None,
        copper: str = "resistive",
    ) -> None:
        self.copper, self.capacitors = copper, capacitors
        self.options = options
        self._tangents = dict(loss_tangents or {})
        self.lines: list[str] = []
        for part in parts():
            if part.ref in leave_out:
                continue
            self._part(part.ref, self._wired(part), (values or {}).get(part.ref))
        self.lines += ["Rblack BLACK 0 1u"] if copper == "ideal" else _copper_lines(copper == "full")
        text = (HERE / "models.cir").read_text(encoding="utf-8") if models is None else models
        if not powered:
            text = text.replace("V1 five 0 5\n", "V1 five 0 0\n").replace("V2 three 0 3.3", "V2 three 0 0")
        self.models = text
        high = 3.3 if powered else 0.0
        if powered:
            self.lines += _hints(capacitors)
        for letter, net in SELECT.items():
            self._pin(net, f"DC {high if letter in capacitors else 0}")
        self._pin("PULSE", _pulse(pulse_s, pulse_at_s, high))

    def _wired(self, part: Part) -> str:
        """The part's line with each pin on its own piece of copper."""
        if self.copper == "ideal":
            return part.line
        words = part.line.split()
        nodes = [_node(net, (part.ref, pin)) for pin, net in enumerate(part.nodes, 1)]
        return " ".join([words[0], *nodes, words[-1]])

    def _part(self, ref: str, line: str, value: str | float | None) -> None:
        words = line.split()
        if value is not None:
            words[-1] = value if isinstance(value, str) else f"{value:.9g}"
        self.lines.append(" ".join(words))
        tangent = self._tangents.get(ref, float(table()[ref].get("loss_tangent", 0.0)))  # type: ignore[arg-type]
        if tangent:
            from circuit.netlist import number

            self._dielectric(ref, words[1], words[2], number(words[-1]), tangent)

    def _dielectric(self, ref: str, a: str, b: str, farads: float, tangent: float) -> None:
        # Two relaxations a decade, each C x/(1 + x^2): their sum is C (pi/2)/ln(10^0.5) within 1 %.
        share = tangent * farads * math.log(10) / math.pi
        for k, corner in enumerate(_RELAXATIONS_HZ):
            self.lines.append(f"C{ref}_loss{k} {a} {ref}_loss{k} {share:.6g}")
            self.lines.append(f"R{ref}_loss{k} {ref}_loss{k} {b} {1 / (2 * math.pi * corner * share):.6g}")

    def _pin(self, net: str, source: str) -> None:
        self.lines += [f"V{net}_pin {net}_pin 0 {source}", f"R{net}_pin {net}_pin {net} 40"]

    def add(self, *lines: str) -> Deck:
        """More SPICE lines; the leads are LEAD and BLACK."""
        self.lines += lines
        return self

    def winding(
        self, henries: float, q: float, hz: float, lead_henries: float = 0.0, lead_ohms: float = 0.0
    ) -> Deck:
        """A coil whose loss is all in series and gives `q` at `hz`, on leads of the given sort."""
        ohms = 2 * math.pi * hz * henries / q
        return self.add(
            f"Lleads LEAD farend {lead_henries + 1e-12:.9g}",
            f"Rleads farend coiltop {lead_ohms + 1e-6:.9g}",
            f"Lcoil coiltop coilloss {henries:.9g}",
            f"Rcoil coilloss BLACK {ohms:.9g}",
        )

    def text(self, analysis: Sequence[str], save: Sequence[str]) -> str:
        """The whole deck, one analysis, the vectors to keep."""
        saves = [".save " + " ".join(save)] if save else []
        control = [".control", "set filetype=binary", *analysis, "write OUT", "quit", ".endc"]
        return (
            "\n".join(["* tester", self.options, self.models, *self.lines, *saves, *control, ".end"]) + "\n"
        )

    def run(self, analysis: Sequence[str] | str, save: Sequence[str]) -> dict[str, np.ndarray]:
        """Vectors by name, lower case, from `ngspice -b`."""
        return run(self.text([analysis] if isinstance(analysis, str) else analysis, save))


_PLAIN = {
    "LEAD": ("J1", 1),
    "FUSED": ("F1", 2),
    "RING": ("R5", 2),
    "BOOT": ("U1", 14),
    "DRAINA": ("Q1", 2),
    "DRAINB": ("Q2", 2),
    "DRAINC": ("Q3", 2),
}
"""The pin whose node keeps its net's name."""
_DAMPING_S = 2e-9
"""A resistor across each inductance of copper, L over this [s]: it takes nothing of a ring and keeps the
solver from following what rings far above anything that is asked."""


def _node(net: str, pin: tuple[str, int]) -> str:
    """Node of a pin on the printed board's copper."""
    from circuit.copper import NETS, terminals

    if net not in NETS or _PLAIN.get(net) == pin:
        return net
    if net == "0" and pin not in terminals(net):
        return net
    if pin in (("J1", 2), ("U3", 3)):
        return "BLACK" if pin[0] == "J1" else "0"
    return f"{'G' if net == '0' else net}_{pin[0]}_{pin[1]}"


@cache
def _copper_lines(inductive: bool) -> tuple[str, ...]:
    """Resistor, and inductor, between any two pins of each net of copper; BOOT's capacitance."""
    from circuit.copper import NETS, kept_mesh

    lines = []
    for net in NETS:
        of = kept_mesh(net)
        nodes = [_node(net, pin) for pin in of.pins]
        for i, a in enumerate(nodes):
            for j, b in enumerate(nodes[:i]):
                if of.siemens[i, j] > 0:
                    ohms = 1 / of.siemens[i, j]
                    lines += _way(f"k{net}_{i}_{j}", a, b, ohms, ohms * of.seconds if inductive else 0.0)
        if net == "BOOT":
            lines.append(f"Ck{net} {net} 0 {of.farads:.4g}")
    return tuple(lines)


def _way(name: str, a: str, b: str, ohms: float, henries: float) -> list[str]:
    if not henries:
        return [f"R{name} {a} {b} {ohms:.4g}"]
    return [
        f"R{name} {a} {name} {ohms:.4g}",
        f"L{name} {name} {b} {henries:.4g}",
        f"Rd{name} {name} {b} {henries / _DAMPING_S:.4g}",
    ]


def _hints(capacitors: str) -> list[str]:
    """Starting values for the solver; without them it can end in a state that is none."""
    rest = dict(_REST)
    for letter in "abcd":
        rest[f"xu1.x{letter}.gain"] = rest[f"xu1.x{letter}.drive"] = 0.6 if letter == "c" else 1.65
    for letter in "abc":
        on = letter.upper() in capacitors
        drive = 5.0 if on else 0.0
        for node in (
            f"drive{letter}",
            f"gate{letter}",
            *(f"xu2.x{letter}.{n}" for n in ("raw", "slow", "drive")),
        ):
            rest[node] = drive
        rest[f"drain{letter}"] = 0.0 if on else 1.65
        rest[f"catch{letter}"] = 5.0 if on else 1.65
    return [f".nodeset v({node})={volts}" for node, volts in rest.items()]


def _pulse(width_s: float, at_s: float, high: float) -> str:
    if width_s <= 0:
        return "DC 0"
    if math.isinf(width_s):
        return f"PWL(0 0 {at_s:.9g} 0 {at_s + 2e-9:.9g} {high})"
    return f"PULSE(0 {high} {at_s:.9g} 2n 2n {width_s - 2e-9:.9g} 1)"


def run(text: str, program: str = "ngspice") -> dict[str, np.ndarray]:
    """Solve one deck; raises RuntimeError with ngspice's own words when it gives up.

    The least conductance of a junction is varied, 1 pS and below, until a resting point is found: which one
    suits the solver is chance, and all are nothing beside 22 Mohm.
    """
    for least in ("gmin=1e-12", "gmin=1e-13", "gmin=1e-14"):
        found = _solved(text.replace("gmin=1e-12", least), program)
        if found is not None:
            return found
    raise RuntimeError("ngspice found no resting point of the circuit")


def _solved(text: str, program: str) -> dict[str, np.ndarray] | None:
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "deck.cir").write_text(text.replace("write OUT", "write out.raw"), encoding="ascii")
        done = subprocess.run(
            [program, "-b", "deck.cir"], cwd=folder, capture_output=True, text=True, timeout=300, check=False
        )
        raw = Path(folder, "out.raw")
        if not raw.exists() or "aborted" in done.stdout + done.stderr:
            raise RuntimeError(f"ngspice: {done.stdout[-1500:]}{done.stderr[-1500:]}")
        if "Transient op started" in done.stdout + done.stderr:
            # It breaks off before the slow capacitors have settled, and what follows starts from nowhere.
            return None
        return _vectors(raw.read_bytes())


def _vectors(raw: bytes) -> dict[str, np.ndarray]:
    head, _, body = raw.partition(b"Binary:\n")
    words = head.decode("ascii", "replace")
    count = int(re.search(r"No\. Variables:\s*(\d+)", words)[1])  # type: ignore[index]
    points = int(re.search(r"No\. Points:\s*(\d+)", words)[1])  # type: ignore[index]
    names = re.findall(r"^\t\d+\t(\S+)\t", words, re.MULTILINE)
    kind = np.complex128 if "Flags: complex" in words else np.float64
    values = np.frombuffer(body, kind, count * points).reshape(points, count)
    return {_plain(name): values[:, k] for k, name in enumerate(names)}


def _plain(name: str) -> str:
    # ngspice writes the current of an element as i(@r5[i]) or v(@q1[p]).
    found = re.fullmatch(r"\w\((@.*)\)", name.lower())
    return found[1] if found else name.lower()
