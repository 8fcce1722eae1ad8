"""The first board: a breadboard of fifteen parts for new parts on the bench, simulated like the full one.

first.cir is its netlist, first.toml says what to buy. Its figures go to simulated.json through `proof`.
"""

from __future__ import annotations

import math
import re
import tomllib
from functools import cache
from typing import Any

import numpy as np

from circuit.claims.ringing import KNOWN_FARADS, Q, coil_hz
from circuit.deck import run
from circuit.netlist import HERE, Part, read

__all__ = ["FARADS", "figures", "parts", "table"]

FARADS = 22e-9
AIM_VOLTS = (0.10, 0.19)
"""Band of the first peak: above 0.2 V the two diodes of the pulse begin to conduct while the winding swings
below ground, and take more of the ring than the same for all amplitudes."""
_OPTIONS = ".options rshunt=1e15 gmin=1e-12 reltol=1e-4 abstol=1e-13 vntol=1e-7 chgtol=1e-16 itl1=2000"
_CONTACT_OHMS = 0.03
"""A breadboard's contact (from memory: 10 to 50 milliohm); the ring passes none."""
_REST = {
    "3v3": 3.3,
    "vref": 3.3,
    "vhalf": 1.65,
    "vmid": 1.65,
    "ampin": 1.65,
    "ampfb": 1.65,
    "xu3.three": 3.3,
    "xu1.xa.gain": 1.65,
    "xu1.xa.drive": 1.65,
    "xu1.xb.gain": 1.65,
    "xu1.xb.drive": 1.65,
    "lead": 0.0,
    "pulse": 0.0,
    "p1": 0.0,
    "p2": 0.0,
    "adc0": 1.65,
}


@cache
def parts() -> tuple[Part, ...]:
    """Parts of the first board."""
    return read((HERE / "first.cir").read_text(encoding="utf-8"))


@cache
def table() -> dict[str, dict[str, Any]]:
    """Reference -> what first.toml says of it."""
    kinds = tomllib.loads((HERE / "first.toml").read_text(encoding="utf-8"))["part"]
    return {ref: kind for kind in kinds for ref in kind["refs"]}


def deck(*lines: str, width_s: float = 0.0, tangent: float = 2e-4) -> str:
    """SPICE text of the board with its pulse pin driven, but for the analysis.

    tangent: loss of C1 [1], as one parallel resistance at the ring's own frequency would not do: two
    relaxations a decade, as on the full board.
    """
    text = [part.line for part in parts()]
    share = tangent * FARADS * math.log(10) / math.pi
    for k in range(11):
        corner = 10 ** (2 + k / 2)
        text += [f"Cl{k} LEAD l{k} {share:.6g}", f"Rl{k} l{k} 0 {1 / (2 * math.pi * corner * share):.6g}"]
    drive = f"PULSE(0 3.3 10u 2n 2n {width_s:.9g} 1)" if width_s else "DC 0"
    text += [f"Vpulse pin 0 {drive}", f"Rpulse pin PULSE {40 + _CONTACT_OHMS}"]
    hints = [f".nodeset v({node})={volts}" for node, volts in _REST.items()]
    models = (HERE / "models.cir").read_text(encoding="utf-8")
    return "\n".join(["* first", _OPTIONS, models, *text, *hints, *lines])


def _solved(text: str, analysis: str, save: str) -> dict[str, np.ndarray]:
    control = [".control", "set filetype=binary", analysis, "write OUT", "quit", ".endc", ".end"]
    return run("\n".join([text, f".save {save}", *control]) + "\n")


def _winding(henries: float, q: float, hz: float) -> tuple[str, ...]:
    ohms = 2 * math.pi * hz * henries / q
    return f"Lcoil LEAD coilloss {henries:.9g}", f"Rcoil coilloss 0 {ohms:.9g}"


def _pole(henries: float, extra: float = 0.0) -> tuple[float, float, float]:
    """Natural frequency [Hz], Q as read, true Q of a coil whose Q is 150 at the nominal frequency."""
    hz = coil_hz(henries, FARADS + extra)
    probe = ("Iprobe 0 LEAD AC 1", f"Cmore LEAD 0 {extra + 1e-18:.6g}")
    text = deck(*_winding(henries, Q, hz), *probe)
    middle = hz
    for reach in (0.1, 0.03):
        seen = _solved(text, f"ac lin 401 {middle * (1 - reach):.9g} {middle * (1 + reach):.9g}", "v(lead)")
        hertz, y = seen["frequency"].real, 1 / seen["v(lead)"]
        at = int(np.argmin(np.abs(y.imag)))
        middle = float(hertz[at])
    near = slice(at - 5, at + 6)
    slope = np.polyfit(hertz[near] - middle, y.imag[near], 2)
    zero = float(min(np.roots(slope).real, key=abs))
    loss = float(np.polyval(np.polyfit(hertz[near] - middle, y.real[near], 2), zero))
    natural = middle + zero
    return natural, natural * float(2 * slope[0] * zero + slope[1]) / (2 * loss), Q * natural / hz


CASES = (100e-6, 300e-6, 1e-3, 2.2e-3, 10e-3, 30e-3)


def siemens() -> tuple[float, float]:
    """Conductance [S] and capacitance beside C1 [F] that a ring of 2.2 mH sees, but for C1's own loss."""
    one, two = (_pole(10e-3, more)[0] for more in (0.0, KNOWN_FARADS))
    stray = KNOWN_FARADS / ((one / two) ** 2 - 1) - FARADS
    hz, read_q, true = _pole(2.2e-3)
    w = 2 * math.pi * hz
    return (1 / read_q - 1 / true - 2e-4 * FARADS / (FARADS + stray)) * w * (FARADS + stray), stray


def loading() -> list[dict[str, float]]:
    """For each of CASES: frequency, and errors of Q 150 as read and with one conductance and C1's loss
    off."""
    conductance, stray = siemens()
    rows = []
    for henries in CASES:
        hz, seen, true = _pole(henries)
        total = FARADS + stray
        share = conductance / (2 * math.pi * hz * total) + 2e-4 * FARADS / total
        rows.append(
            {
                "henries": henries,
                "hz": hz,
                "read_error": seen / true - 1,
                "corrected_error": 1 / (1 / seen - share) / true - 1,
            }
        )
    return rows


def amplitudes() -> list[dict[str, float]]:
    """First peak [V] and Q of the first five cycles against that of later ones, by the width of the pulse
    [s]."""
    rows = []
    for width in (0.3e-6, 0.6e-6, 0.9e-6, 1.4e-6, 2.2e-6):
        hz = coil_hz(2.2e-3, FARADS)
        seen = _solved(
            deck(*_winding(2.2e-3, Q, hz), width_s=width), "tran 0.2u 1.5m 0 0.2u", "v(lead) v(adc0)"
        )
        t, volts = seen["time"], seen["v(lead)"]
        grid = np.arange(10e-6 + width + 2e-7, t[-1], 0.2e-6)
        v = np.interp(grid, t, volts)
        v = v - v[-2000:].mean()
        turns = np.flatnonzero((v[1:-1] > v[:-2]) & (v[1:-1] >= v[2:]) & (v[1:-1] > 0.01)) + 1
        heights = np.log(v[turns])
        early, late = heights[0] - heights[5], heights[12] - heights[17]
        rows.append(
            {
                "width_s": width,
                "first_peak_volts": float(np.abs(v).max()),
                "early_change": late / early - 1,
            }
        )
    return rows


POINTS = (
    ("3V3", "module pin 36", "module, a short on the 3.3 V row"),
    ("VREF", "module pin 35", "a short on the row of R4 and R5"),
    ("VHALF", "U1 pin 5", "R5, R6"),
    ("VMID", "U1 pins 6 and 7", "U1 the wrong way round"),
    ("ADC0", "U1 pin 1, module pin 31", "R3, R4, R7, R8, U1"),
    ("LEAD", "red lead, open", "R2, R3, R4"),
    ("PULSE", "module pin 20", "wrong row"),
)


def readings() -> list[dict[str, Any]]:
    """What a meter of 10 megohm shows at rest, leads open."""
    rows = []
    for net, where, blame in POINTS:
        volts = float(_solved(deck(f"Rmeter {net} 0 10meg"), "op", f"v({net})")[f"v({net.lower()})"][0])
        rows.append({"net": net, "where": where, "volts": volts, "blame": blame})
    return rows


def constants() -> dict[str, float]:
    """What the firmware has to know of this board: gain, codes at rest, volts a code, rate of open leads."""
    code = 3.3 / 4096
    gain = _solved(deck("Vtest LEAD 0 DC 0 AC 1"), "ac lin 1 22k 22k", "v(adc0)")["v(adc0)"][0]
    swept = _solved(deck("Vtest LEAD 0 0.0"), "dc vtest -0.5 0.5 0.1", "v(adc0) v(lead)")
    slope, zero = np.polyfit(swept["v(lead)"], swept["v(adc0)"], 1)
    seen = _solved(deck(width_s=0.5e-6), "tran 20u 16.1m 0 20u", "v(adc0)")
    grid = np.linspace(4e-3, 16e-3, 400)
    volts = np.interp(grid, seen["time"], seen["v(adc0)"] - seen["v(adc0)"][0])
    rate = float(-np.polyfit(grid, np.log(np.abs(volts)), 1)[0])
    conductance, stray = siemens()
    return {
        "gain": float(abs(gain)),
        "offset_code": float(zero / code),
        "lead_volts_per_code": float(code / slope),
        "siemens": conductance,
        "stray_farads": stray,
        "open_rate": rate,
        "coupling_rate": rate - conductance / (FARADS + stray),
    }


def figures() -> dict[str, Any]:
    """All that the notes say of it."""
    return {
        "loading": loading(),
        "amplitudes": amplitudes(),
        "readings": readings(),
        "constants": constants(),
    }


def joints() -> dict[str, list[str]]:
    """Net -> pins in words, for the wiring picture and the list."""
    found: dict[str, list[str]] = {}
    for part in parts():
        for pin, net in part.connected:
            found.setdefault(net, []).append(f"{part.ref} {pin}")
    return {net: pins for net, pins in found.items() if not re.match("nc", net)}
