"""From the winding to the converter: response, noise, the lead voltage's scale, tolerances."""

from __future__ import annotations

import re

import numpy as np

from circuit.claims import ringing
from circuit.deck import Deck, run
from circuit.netlist import HERE, number, parts, table

__all__ = ["lead_scale", "noise", "response", "tolerances"]

CODE_VOLTS = 3.3 / 4096
RESPONSE_HZ = (100.0, 1e3, 10e3, 50e3, 100e3, 150e3, 200e3, 250e3, 400e3, 500e3)


def response() -> dict[str, list[float]]:
    """Gain from winding to converter pin at RESPONSE_HZ [1], and the phase [degrees]."""
    deck = Deck("A").add("Vtest LEAD BLACK DC 0 AC 1")
    seen = deck.run("ac dec 60 50 2meg", ["v(adc0)"])
    hz, gain = seen["frequency"].real, seen["v(adc0)"]
    return {
        "hz": list(RESPONSE_HZ),
        "gain": [float(np.interp(f, hz, np.abs(gain))) for f in RESPONSE_HZ],
        "phase": [float(np.interp(f, hz, np.degrees(np.unwrap(np.angle(gain))))) for f in RESPONSE_HZ],
    }


def noise() -> dict[str, float]:
    """Noise at the converter pin from 10 Hz to 10 MHz [V rms], with a winding of 2.2 mH connected.

    The winding's own and its test capacitor's thermal noise are in it. `counts` is in codes of 12 bits.
    """
    deck = Deck("A").winding(2.2e-3, 130.0, 22e3).add("Vref refnoise 0 DC 0 AC 1")
    deck.add("Rrefnoise refnoise ADC0 1e15")
    seen = deck.run(["noise v(adc0) Vref dec 40 10 10meg", "setplot noise1"], [])
    hz, density = seen["frequency"], seen["onoise_spectrum"]
    total = float(np.sqrt(np.trapezoid(density**2, hz)))
    amplifier = run(_without_noise(deck, ["noise v(adc0) Vref dec 40 10 10meg", "setplot noise1"]))
    rest = float(np.sqrt(np.trapezoid(amplifier["onoise_spectrum"] ** 2, amplifier["frequency"])))
    return {"volts": total, "counts": total / CODE_VOLTS, "without_amplifier_volts": rest}


def _without_noise(deck: Deck, analysis: list[str]) -> str:
    text = deck.text(analysis, [])
    quiet = text.replace("R1 noise 0 4.57k", "R1 noise 0 4.57k noisy=0")
    assert quiet != text
    return quiet


def lead_scale() -> dict[str, float]:
    """Direct voltage at the leads against the converter's second pin: zero, slope, both ends, open leads."""
    halves = [_ramp(Deck(""), end) for end in (-12.0, 36.0)]
    lead = np.concatenate([halves[0][0][:0:-1], halves[1][0]])
    pin = np.concatenate([halves[0][1][:0:-1], halves[1][1]])
    middle = np.abs(lead) <= 5
    slope, zero = np.polyfit(lead[middle], pin[middle], 1)
    straight = np.abs(pin - (zero + slope * lead)) < 0.01
    opened = Deck("").run("op", ["v(lead)", "v(adc1)", "v(adc0)"])
    return {
        "zero_volts": float(zero),
        "zero_code": float(zero / CODE_VOLTS),
        "lead_volts_per_code": float(CODE_VOLTS / slope),
        "lowest_volts": float(lead[straight].min()),
        "highest_volts": float(lead[straight].max()),
        "open_lead_volts": float(opened["v(lead)"][0]),
        "offset_code": float(opened["v(adc0)"][0] / CODE_VOLTS),
    }


def _ramp(deck: Deck, end: float) -> tuple[np.ndarray, np.ndarray]:
    """Lead and pin voltage while the leads go from 0 to `end` [V] too slowly for any capacitor to matter."""
    deck.add(f"Vtest LEAD BLACK PWL(0 0 5 {end})")
    seen = deck.run("tran 25m 5 0 25m", ["v(adc1)", "v(lead)"])
    return seen["v(lead)"], seen["v(adc1)"]


SPREAD = {
    "VTO=1.9": (1.35, 2.35),
    "VTO=-2.3": (-3.5, -1.0),
    "D1N4148 D(IS=2.5n": (1.0, 6.0),
    "BAS45A D(IS=5p": (1.0, 50.0),
    "UF4007 D(IS=5n": (1.0, 20.0),
    "CJO=1.4n": (1.1, 1.8),
    "KP=135 RD=2.2m": (1.4, 3.2),
}
"""Model figures that differ from one part to the next, and how far."""
TANGENT = (0.5e-4, 2e-4)
"""Of test capacitor A."""
RING_HENRIES = 2.2e-3


def tolerances(draws: int, seed: int) -> dict[str, dict[str, float]]:
    """Worst of `draws` boards whose every part is drawn from its tolerance, evenly, to the very ends.

    Half of the draws take every part at one end or the other. Figures: gain at 22 kHz and at 250 kHz
    over 22 kHz, zero and scale of the lead voltage, charge of a 2 us pulse, longest pulse of a stuck pin;
    error of Q 150 (2.2 mH with A) as read, and corrected by the constants that the firmware comes with;
    conductance as open leads tell it.
    """
    rng = np.random.default_rng(seed)
    rows = [_board(rng, ends=k % 2 == 1) for k in range(draws)]
    return {
        name: {
            "lowest": min(row[name] for row in rows),
            "median": float(np.median([row[name] for row in rows])),
            "highest": max(row[name] for row in rows),
        }
        for name in rows[0]
    }


def _board(rng: np.random.Generator, ends: bool) -> dict[str, float]:
    def drawn() -> float:
        u = float(rng.uniform(-1, 1))
        return float(np.sign(u)) if ends else u

    values = {}
    for part in parts():
        if part.ref[0] in "RC":
            tolerance = float(table()[part.ref]["tolerance"])  # type: ignore[arg-type]
            values[part.ref] = number(part.value) * (1 + tolerance * drawn())
    models = drawn_models(drawn)
    probe = Deck("A", values=values, models=models).add("Vtest LEAD BLACK DC 0 AC 1")
    gain = probe.run("ac lin 3 22k 250k", ["v(adc0)"])["v(adc0)"]
    lead, pin = _ramp(Deck("", values=values, models=models), 2.0)
    slope, zero = np.polyfit(lead, pin, 1)
    short = Deck("A", 2e-6, values=values, models=models).add("Lx LEAD farx 2.2m", "Rx farx BLACK 2")
    seen = short.run("tran 20n 16u 0 20n", ["v(plimit)", "v(pseries)"])
    amps = (seen["v(plimit)"] - seen["v(pseries)"]) / values["R17"]
    stuck = Deck("A", float("inf"), values=values, models=models).add("Rx LEAD BLACK 0.1")
    held = stuck.run("tran 0.2u 150u 0 0.2u", ["v(plimit)", "v(pseries)"])
    late = held["time"][np.abs(held["v(plimit)"] - held["v(pseries)"]) > 0.05]
    tangent = sum(TANGENT) / 2 + drawn() * (TANGENT[1] - TANGENT[0]) / 2
    read, corrected = _rung(values, models, tangent)
    return {
        "gain": float(abs(gain[0])),
        "gain_at_250_khz": float(abs(gain[-1] / gain[0])),
        "lead_zero_code": float(zero / CODE_VOLTS),
        "lead_volts_per_code": float(CODE_VOLTS / slope),
        "charge_coulombs": float(np.trapezoid(amps, seen["time"])),
        "longest_pulse_s": float(late[-1] - 10e-6) if late.size else 0.0,
        "q_read_error": read,
        "q_uncalibrated_error": corrected,
        "open_lead_siemens": ringing.open_conductance(values),
    }


def _rung(values: dict[str, float], models: str, tangent: float) -> tuple[float, float]:
    """Errors of Q 150 as read, and after a correction that knows the nominal board only [1]."""
    nominal = ringing.known()["A"]
    hz = ringing.coil_hz(RING_HENRIES, ringing.NOMINAL["A"] + nominal.stray_farads)
    deck = Deck("A", values=values, models=models, loss_tangents={"C1": tangent})
    deck.winding(RING_HENRIES, ringing.Q, hz, ringing.LEAD_HENRIES, ringing.LEAD_OHMS)
    natural, read = ringing.pole(deck, hz)
    true = ringing.Q * natural / hz * (RING_HENRIES + ringing.LEAD_HENRIES) / RING_HENRIES
    return read / true - 1, nominal.corrected("A", natural, read) / true - 1


def drawn_models(drawn) -> str:  # type: ignore[no-untyped-def]
    text = (HERE / "models.cir").read_text(encoding="utf-8")
    for key, (low, high) in SPREAD.items():
        nominal = re.search(r"(-?[\d.]+)([munpk]?)$", key)
        if nominal is None or low == high:
            continue
        assert key in text, key
        value = (low + high) / 2 + drawn() * (high - low) / 2
        text = text.replace(key, key[: nominal.start(1)] + f"{value:.6g}" + nominal[2])
    return text
