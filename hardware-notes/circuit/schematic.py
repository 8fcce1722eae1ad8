"""The drawn circuit diagram: four sheets, SVG and PNG.

Where things stand is written here; what is joined is checked against the netlist, and values come from it.
python -m circuit.schematic (in hardware-notes) draws drawings/schematic-*.svg and .png.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

import matplotlib
from schemdraw import elements as elm
from schemdraw import logic

from circuit.netlist import HERE, parts
from circuit.sheet import Point, Sheet

__all__ = ["DRAWINGS", "SHEETS", "differences", "draw"]

DRAWINGS = HERE.parent / "drawings"
GPIO = {20: "GP15", 21: "GP16", 22: "GP17", 24: "GP18", 31: "GP26 A0", 32: "GP27 A1", 34: "GP28 A2"} | {
    35: "ADC_VREF",
    36: "3V3",
    40: "VBUS",
}
"""Names printed beside the module's pins."""


def leads() -> Sheet:
    """Leads, protection and the lead voltage."""
    s = Sheet()
    _protection(s)
    _lead_voltage(s)
    return s


def _protection(s: Sheet) -> None:
    s.title("Leads and protection", (0, 8))
    top, low = 6.0, 0.0
    s.post("J1", 1, (0, top))
    s.post("J1", 2, (0, low))
    s.remark("red", (-0.2, top + 0.9))
    s.remark("black", (-0.2, low - 0.6))
    s.two("E1", (2, top), (2, low))
    s.wire((0, top), (4, top))
    s.name("LEAD", (2, top), "up")
    s.two("F1", (4, top), (7, top), loc="bottom")
    s.wire((7, top), (8.5, top))
    s.name("FUSED", (7.7, top), "up")
    s.two("R5", (8.5, top), (11.5, top))
    s.two("D1", (13.5, top), (13.5, 3))
    s.two("D2", (13.5, 3), (13.5, low))
    s.two("D4", (16.5, 3), (16.5, top), loc="bottom")
    s.two("D3", (16.5, low), (16.5, 3), loc="bottom")
    s.wire((11.5, top), (19, top))
    s.name("RING", (19, top))
    s.wire((0, low), (16.5, low))
    s.ground((9, low))


def _lead_voltage(s: Sheet) -> None:
    s.title("Lead voltage", (0, -3))
    y = -8.0
    s.name("LEAD", (0, y), "left")
    s.two("R3", (0, y), (3, y))
    s.two("R4", (3, y), (6, y))
    s.wire((6, y), (12, y))
    for ref, x in (("R25", 7.0), ("C9", 9.5)):
        s.two(ref, (x, y), (x, y - 3))
        s.ground((x, y - 3))
    s.two("R26", (7, y + 3), (7, y))
    s.name("VREF", (7, y + 3), "up")
    s.name("SENSE", (8.2, y), "up")
    s.two("R27", (12, y), (15, y))
    _amplifier(s, (15, y), "U1", plus=10, minus=9, out=8, words="U1C")
    s.two("R33", (18.5, y - 3), (15, y - 3), loc="bottom")
    s.wire(s.at("U1", 9), (15, y - 3))
    s.two("R34", (15, y - 3), (15, y - 6))
    s.ground((15, y - 6))
    s.wire((18.5, y - 3), (18.5, s.at("U1", 8)[1]))
    s.wire(s.at("U1", 8), (19.5, s.at("U1", 8)[1]))
    s.name("SENSEOUT", (18.5, y - 3), "right")
    x, y = 19.5, s.at("U1", 8)[1]
    s.two("R28", (x, y), (x + 3, y))
    s.two("C10", (x + 3, y), (x + 3, y - 3))
    s.ground((x + 3, y - 3))
    s.wire((x + 3, y), (x + 4, y))
    s.name("ADC1", (x + 4, y))


def _amplifier(s: Sheet, at: Point, ref: str, plus: int, minus: int, out: int, words: str) -> None:
    """One unit of the quad amplifier; its + input at `at`, the - input below."""
    unit = elm.Opamp(leads=True).right().flip().anchor("in2").at(at)
    s.package(unit.label(words, "center", fontsize=7), ref, {minus: "in1", plus: "in2", out: "out"})


def capacitors() -> Sheet:
    """Test capacitors and the pulse."""
    s = Sheet()
    s.title("Test capacitors", (0, 8))
    for k, letter in enumerate("ABC"):
        _switched(s, 11.0 * k, letter, k + 1)
    s.wire((5, 6), (27, 6))
    s.name("LEAD", (5, 6), "left")
    _pulse(s)
    return s


def _switched(s: Sheet, x: float, letter: str, number: int) -> None:
    drain, low = 3.0, -4.0
    s.two(f"C{number}", (x + 5, 6), (x + 5, drain), loc="bottom")
    s.two(f"R{number + 5}", (x + 7.5, 6 - 0.7), (x + 7.5, drain - 0.7), loc="bottom")
    s.name("BOOT", (x + 7.5, 5.3), "up")
    s.wire((x + 5, drain), (x + 5, 0.5))
    s.wire((x + 5, 2.3), (x + 7.5, 2.3))
    s.name(f"DRAIN{letter}", (x + 5, 1.6), "right")
    switch = elm.NFet2().at((x + 5, 0.5)).to((x + 5, -2.5)).flip()
    s.package(switch, f"Q{number}", {1: "gate", 2: "drain", 3: "source"})
    s.remark(f"Q{number}\nIRLB8748", (x + 5.3, -1.6))
    s.wire((x + 5, -2.5), (x + 5, low))
    s.ground((x + 5, low))
    gate = s.at(f"Q{number}", 1)
    s.two(f"D{number + 4}", (x + 5, 2.3), (x + 2, 2.3))
    s.wire((x + 2, 2.3), (x + 2, 2.0))
    s.two(f"D{number + 11}", (x + 2, gate[1]), (x + 2, 2.0), loc="top")
    s.wire(gate, (x + 2, gate[1]))
    s.name(f"GATE{letter}", (x + 3.6, gate[1]), "down")
    s.two(f"R{number + 8}", (x - 1, gate[1]), (x + 2, gate[1]))
    s.name(f"DRIVE{letter}", (x - 1, gate[1]), "down")
    s.two(f"C{number + 16}", (x + 2, gate[1]), (x + 2, low))
    s.ground((x + 2, low))


def _pulse(s: Sheet) -> None:
    s.title("Pulse", (0, -7))
    y = -9.5
    s.name("VBUS", (0, y), "left")
    s.two("R16", (0, y), (3, y))
    s.wire((3, y), (12, y))
    s.name("VRES", (4.2, y), "up")
    s.two("C5", (3.5, y), (3.5, y - 5))
    s.ground((3.5, y - 5))
    s.package(elm.PFet2().at((12, y - 4)).to((12, y)), "Q4", {3: "source", 2: "gate", 1: "drain"})
    s.remark("Q4\nBS250", (12.3, y - 2.6))
    gate = s.at("Q4", 2)
    s.two("R15", (6.5, y), (6.5, gate[1]))
    s.two("D8", (9, gate[1]), (9, y), loc="top")
    s.wire(gate, (6.5, gate[1]))
    s.name("PGATE", (10.3, gate[1]), "down")
    s.two("C4", (6.5, gate[1] - 3), (6.5, gate[1]))
    s.name("NPULSE", (6.5, gate[1] - 3), "down")
    s.wire((12, y - 4), (18, y - 4))
    s.name("PDRAIN", (14.0, y - 4), "up")
    s.two("R1", (12, y - 4), (12, y - 7))
    s.ground((12, y - 7))
    s.two("D11", (15, y - 7), (15, y - 4), loc="bottom")
    s.ground((15, y - 7))
    s.two("D9", (18, y - 4), (21, y - 4))
    s.two("R17", (21, y - 4), (24, y - 4))
    s.two("D10", (24, y - 4), (27, y - 4))
    s.name("FUSED", (27, y - 4))


def amplifier() -> Sheet:
    """Amplifier, middle of the scale and the gates."""
    s = Sheet()
    _signal(s)
    _middle(s)
    _logic(s)
    return s


def module() -> Sheet:
    """Supply, loop-back and module."""
    s = Sheet()
    _supply(s)
    _module(s)
    return s


def _signal(s: Sheet) -> None:
    s.title("Amplifier", (0, 5))
    s.name("RING", (-3, 0), "left")
    s.wire((-3, 0), (0, 0))
    s.two("R35", (-1.5, 0), (-1.5, -3), loc="bottom")
    s.two("R36", (-1.5, -3), (-1.5, -6), loc="bottom")
    s.ground((-1.5, -6))
    s.two("C20", (-4.5, -3), (-1.5, -3))
    s.name("BOOT", (-4.5, -3), "left")
    s.two("C6", (0, 0), (3, 0))
    s.two("R18", (3, 0), (6, 0))
    s.wire((6, 0), (11.5, 0))
    s.two("R19", (9, 0), (9, -3), loc="bottom")
    s.two("R2", (9, -3), (9, -6), loc="bottom")
    s.name("VMID", (9, -6), "down")
    s.two("C15", (6, -3), (9, -3))
    s.name("BOOT", (6, -3), "left")
    _amplifier(s, (12.5, 0), "U1", plus=3, minus=2, out=1, words="U1A")
    s.wire((11.5, 0), (12.5, 0))
    out = s.at("U1", 1)
    s.two("R20", (16.2, -3), (12.5, -3), loc="bottom")
    s.wire(s.at("U1", 2), (12.5, -3))
    s.name("AMPFB", (12.5, -3), "left")
    s.two("R21", (12.5, -3), (12.5, -6))
    s.name("VMID", (12.5, -6), "down")
    s.wire((16.2, -3), (16.2, out[1]))
    s.wire(out, (17, out[1]))
    s.two("R24", (17, out[1]), (20, out[1]))
    s.two("C8", (20, out[1]), (20, out[1] - 3))
    s.ground((20, out[1] - 3))
    s.wire((20, out[1]), (21, out[1]))
    s.name("ADC0", (21, out[1]))


def _middle(s: Sheet) -> None:
    y = -10.0
    s.name("VREF", (0, y + 3), "up")
    s.two("R22", (0, y + 3), (0, y))
    s.two("R23", (0, y), (0, y - 3))
    s.ground((0, y - 3))
    s.two("C7", (3, y), (3, y - 3))
    s.ground((3, y - 3))
    s.wire((0, y), (5, y))
    s.name("VHALF", (2.6, y), "up")
    _amplifier(s, (5, y), "U1", plus=5, minus=6, out=7, words="U1B")
    out, minus = s.at("U1", 7), s.at("U1", 6)
    s.wire(out, (10, out[1]))
    s.wire(minus, (5, minus[1] - 1), (9, minus[1] - 1), (9, out[1]))
    s.name("VMID", (10, out[1]))
    _amplifier(s, (12, y), "U1", plus=12, minus=13, out=14, words="U1D")
    s.name("AMPFB", (12, y), "left")
    out, minus = s.at("U1", 14), s.at("U1", 13)
    s.wire(minus, (12, minus[1] - 1), (16, minus[1] - 1), (16, out[1]), out)
    s.name("BOOT", (16, out[1]))
    _power(s, (20, y - 2), "U1", 4, 11)
    s.name("VA", s.at("U1", 4), "up")


def _logic(s: Sheet) -> None:
    s.title("Logic", (25, 5))
    _gate(s, 3.0, (1, 2, 3), ("SELA", "0", "DRIVEA"), "R12")
    _gate(s, -1.0, (4, 5, 6), ("SELB", "0", "DRIVEB"), "R13")
    _gate(s, -5.0, (9, 10, 8), ("SELC", "0", "DRIVEC"), "R14")
    _gate(s, -9.0, (12, 13, 11), ("PULSE", "VBUS", "NPULSE"), "R30")
    _power(s, (37, 0), "U2", 14, 7)
    top = s.at("U2", 14)
    s.name("VBUS", top, "up")
    s.wire(top, (41, top[1]))
    s.two("C13", (41, top[1]), (41, top[1] - 3))
    s.ground((41, top[1] - 3))


def _gate(s: Sheet, y: float, pins: tuple[int, int, int], nets: tuple[str, str, str], pull: str) -> None:
    gate = logic.Xor().at((31, y)).right()
    s.package(gate, "U2", {pins[0]: "in1", pins[1]: "in2", pins[2]: "out"})
    s.remark("U2", (31.6, y + 0.9))
    first, second, out = (s.at("U2", pin) for pin in pins)
    s.wire((28, first[1]), first)
    s.name(nets[0], (28, first[1]), "left")
    s.two(pull, (28.8, first[1]), (28.8, first[1] - 3), loc="top")
    s.ground((28.8, first[1] - 3))
    s.wire(second, (30.5, second[1]), (30.5, second[1] - 0.4))
    if nets[1] == "0":
        s.ground((30.5, second[1] - 0.4))
    else:
        s.name(nets[1], (30.5, second[1] - 0.4), "down")
    s.name(nets[2], out)


def _power(s: Sheet, at: Point, ref: str, plus: int, minus: int) -> None:
    """The supply pins of a package whose units stand elsewhere."""
    box = elm.Ic(
        pins=[
            elm.IcPin(name="+", side="top", pin=str(plus), anchorname="plus"),
            elm.IcPin(name="-", side="bottom", pin=str(minus), anchorname="minus"),
        ],
        size=(1.8, 1.8),
        lsize=8,
        plblsize=7,
    )
    s.package(box.theta(0).at(at).label(ref, "center"), ref, {plus: "plus", minus: "minus"})
    s.ground(s.at(ref, minus))


def _supply(s: Sheet) -> None:
    s.title("Supply and loop-back", (0, 3.5))
    y = 0.0
    s.name("3V3", (0, y), "left")
    s.two("R29", (0, y), (3, y))
    s.wire((3, y), (9, y))
    s.name("VA", (9, y))
    s.two("C16", (4, y), (4, y - 3), polar=True)
    s.two("C14", (7, y), (7, y - 3))
    s.name("VREF", (14.5, y), "left")
    s.wire((14.5, y), (19, y))
    s.two("C11", (15.5, y), (15.5, y - 3), polar=True)
    s.two("C12", (18.5, y), (18.5, y - 3))
    for x in (4.0, 7.0, 15.5, 18.5):
        s.ground((x, y - 3))
    s.two("R31", (21.5, y + 1.5), (21.5, y - 1.5))
    s.two("R32", (21.5, y - 1.5), (21.5, y - 4.5))
    s.name("PULSE", (21.5, y + 1.5), "up")
    s.name("LOOP", (21.5, y - 1.5), "left")
    s.ground((21.5, y - 4.5))


def _module(s: Sheet) -> None:
    s.title("Module: Raspberry Pi Pico or Pico 2", (0, -6.5))
    nodes = next(part for part in parts() if part.ref == "U3").nodes
    used = [pin for pin, net in enumerate(nodes, 1) if not net.startswith("nc")]
    grounds = [pin for pin in used if nodes[pin - 1] == "0"]
    sides = {pin: "bottom" if pin in grounds else "left" if pin <= 24 else "right" for pin in used}
    pins = [elm.IcPin(name=GPIO.get(n, ""), side=sides[n], pin=str(n), anchorname=f"p{n}") for n in used]
    box = elm.Ic(pins=pins, size=(10, 7.7), pinspacing=1.1, lsize=8, plblsize=7)
    s.package(box.theta(0).at((9, -16)).label("U3", "center"), "U3", {n: f"p{n}" for n in used})
    for n in used:
        if n not in grounds:
            s.name(nodes[n - 1], s.at("U3", n), sides[n])
    points = [s.at("U3", n) for n in grounds]
    s.wire(points[0], points[-1])
    s.ground(points[0])


SHEETS: dict[str, Callable[[], Sheet]] = {
    "leads": leads,
    "capacitors": capacitors,
    "amplifier": amplifier,
    "module": module,
}


def differences() -> list[str]:
    """What the drawings join otherwise than the netlist; empty when they agree."""
    wanted = {(part.ref, pin): net for part in parts() for pin, net in part.connected}
    found: dict[tuple[str, int], str] = {}
    wrong: list[str] = []
    for title, make in SHEETS.items():
        for pins, names in make().nets():
            if len(names) > 1:
                wrong.append(f"{title}: {' and '.join(sorted(names))} are joined")
            name = next(iter(names), None) or _unnamed(pins, wanted)
            twice = pins & found.keys()
            wrong += [f"{ref} pin {pin} is drawn twice" for ref, pin in sorted(twice)]
            found |= dict.fromkeys(pins, name)
    for ref, pin in sorted(wanted.keys() | found.keys()):
        a, b = wanted.get((ref, pin), "nothing"), found.get((ref, pin), "nothing")
        if a != b:
            wrong.append(f"{ref} pin {pin} is on {b} in the drawing and on {a} in the netlist")
    return wrong


def _unnamed(pins: set[tuple[str, int]], wanted: dict[tuple[str, int], str]) -> str:
    """A piece of wiring without a name is that net whose pins are exactly these."""
    net = wanted.get(min(pins), "nothing") if pins else "nothing"
    whole = {pin for pin, other in wanted.items() if other == net}
    return net if pins == whole else f"a part of {net} only"


def draw(folder: Path = DRAWINGS) -> list[Path]:
    """Writes every sheet as SVG and PNG."""
    folder.mkdir(exist_ok=True)
    written: list[Path] = []
    for title, make in SHEETS.items():
        sheet = make()
        sheet.dots()
        for ending in ("svg", "png"):
            written.append(folder / f"schematic-{title}.{ending}")
            sheet.save(written[-1])
    return written


if __name__ == "__main__":
    os.environ.setdefault("SOURCE_DATE_EPOCH", "0")  # the same drawing gives the same file
    matplotlib.rcParams["svg.hashsalt"] = "schematic"
    for line in differences():
        sys.stderr.write(f"{line}\n")
    sys.stdout.writelines(f"{file.name}\n" for file in draw())
