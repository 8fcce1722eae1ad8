"""What must not hurt: a charged capacitor on the leads, shorted, open and reversed leads.

The board is never to be connected to anything charged. These simulations are there because it will
happen once: 400 V on 1 uF, 0.08 J, through leads of 1 uH and 50 mohm, either way round.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from circuit.claims.ringing import LEAD_HENRIES, LEAD_OHMS, pole
from circuit.claims.signal import CODE_VOLTS, lead_scale
from circuit.deck import COARSE, Deck

__all__ = [
    "CHARGED_STATES",
    "LIMITS",
    "charged",
    "charged_reading",
    "held",
    "opened",
    "reversed_leads",
    "shorted",
    "sparked",
    "struck",
]

FARADS, VOLTS = 1e-6, 400.0
CHARGED_STATES = (
    ("off, not powered", "", False, 1),
    ("idle", "", True, 1),
    ("idle, reversed", "", True, -1),
    ("A switched in", "A", True, 1),
    ("A switched in, reversed", "A", True, -1),
    ("C switched in", "C", True, 1),
)
"""Name, capacitors on, powered, polarity."""
SPARK_OVER = (800.0, 480.0)
"""Least spark-over of E1, 1000 V less 20 %, and of a tube of 600 V, which would strike in this mishap [V]."""
BEYOND_VOLTS = 500.0
"""1 uF at so much, more than the board is made for, rings to where E1 may strike [V]."""
SPARK_FARADS, SPARK_OHMS, SPARK_VOLTS, SPARK_HENRIES = 500e-12, 330.0, 15e3, 0.5e-6
"""What jumps onto a lead: a small tube's anode, 0.5 nF (safety.md, from memory), at 15 kV through a spark as
of IEC 61000-4-2, 330 ohm (from memory), and the test lead's inductance."""
ARC_OHMS, ARC_S = 0.3, 300e-9
"""A struck tube: some 30 V at 100 A, formed within 0.3 us (from memory)."""
SPARK_ROWS = (
    "leads, highest",
    "ADC pins lowest",
    "ADC pins highest",
    "U1 input current",
    "Q1..Q3 drain",
    "Q4 drain",
    "R5 energy",
)
SPARK_STATES = (("idle", "", True, 1), ("idle, reversed", "", True, -1))

LIMITS: dict[str, tuple[float, str]] = {
    "R5 energy": (0.5, "J"),
    "R17 energy": (0.5, "J"),
    "F1 melting": (0.002, "A2s"),
    "D1..D4, D9 peak": (1.6, "A"),
    "D1..D4, D9 from 100 us on": (1.0, "A"),
    "D1..D4 energy": (1.1e-3, "J"),
    "D10 reverse": (1000.0, "V"),
    "D11 peak": (20.0, "A"),
    "Q1 current": (250.0, "A"),
    "Q2 current": (250.0, "A"),
    "Q3 current": (250.0, "A"),
    "Q1..Q3 drain": (30.0, "V"),
    "Q1..Q3 gate": (20.0, "V"),
    "Q1..Q3 energy": (0.09, "J"),
    "D5..D7 peak": (4.0, "A"),
    "D12..D14 peak": (3.0, "A"),
    "C1..C3 voltage": (1000.0, "V"),
    "R3, R4 voltage": (500.0, "V"),
    "U1 input current": (2e-3, "A"),
    "ADC pins lowest": (0.5, "V below 0"),
    "ADC pins highest": (3.6, "V"),
    "Q4 drain": (45.0, "V"),
    "leads, highest": (SPARK_OVER[0], "V"),
}
"""Rating of each part in this mishap, from memory of data sheets; single pulses where it is one.
D1..D7, D9: 1 A for 1 ms, 4 A for 1 us, from the BAS45A data sheet of 1996; 1.6 A for 100 us lies between."""


def charged() -> dict[str, dict[str, float]]:
    """Largest current, voltage or energy of each part in LIMITS, for each of CHARGED_STATES."""
    return {state[0]: _charged(*state[1:]) for state in CHARGED_STATES}


_NODES = [f"{of}{k}_{n}" for k in (1, 2, 3) for of, n in (("g_q", 3), ("lead_c", 1))]
_NODES += [
    "lead_e1_1",
    "g_e1_2",
    "lead",
    "ring",
    "fused",
    "draina",
    "drainb",
    "drainc",
    "gatea",
    "gateb",
    "gatec",
]
_NODES += ["sensea", "adc0", "adc1", "pdrain", "plimit", "pseries"]
_CURRENTS = ["@rext[i]", "@r5[i]", "@c1[i]", "@c2[i]", "@c3[i]", "@d1[id]", "@d3[id]"]
_CURRENTS += [f"@d{k}[id]" for k in (9, 11, 12, 13, 14)] + ["@r27[i]", "@r18[i]"]


def _spark(deck: Deck, polarity: int) -> Deck:
    """A spark onto the red lead."""
    return deck.add(
        f"Vcharge ext1 BLACK PWL(0 0 1u 0 1.005u {polarity * SPARK_VOLTS})",
        f"Cext ext1 ext2 {SPARK_FARADS}",
        f"Rext ext2 ext3 {SPARK_OHMS}",
        f"Lext ext3 LEAD {SPARK_HENRIES}",
    )


def _source(deck: Deck, polarity: int, volts: float = VOLTS) -> Deck:
    # A step of 400 V in series with an empty capacitor is a charged capacitor being connected.
    return deck.add(
        f"Vcharge ext1 BLACK PWL(0 0 1u 0 1.005u {polarity * volts})",
        f"Cext ext1 ext2 {FARADS}",
        "Rext ext2 ext3 50m",
        "Lext ext3 LEAD 1u",
    )


_GEAR = COARSE.replace("method=trap", "method=gear cshunt=2e-12 itl4=200")


def _strike(deck: Deck, polarity: int, over_volts: float, volts: float) -> Deck:
    """The same with E1 struck once it bears `over_volts`: ARC_OHMS and 10 nH from ARC_S on.

    Conductance rises as the square of the time; half an ohm beside the inductance, for ngspice's sake.
    """
    seen = _source(Deck(deck.capacitors, options=COARSE, copper="full"), polarity, volts).run(
        "tran 20n 20u 0 20n", ["v(lead_e1_1)", "v(g_e1_2)"]
    )
    over = seen["time"][np.abs(seen["v(lead_e1_1)"] - seen["v(g_e1_2)"]) > over_volts]
    if not over.size:
        raise RuntimeError(f"the leads do not reach {over_volts:g} V, so that E1 does not strike")
    at = float(over[0])
    return deck.add(
        f"Vtrigger trigger 0 PWL(0 0 {at:.9g} 0 {at + ARC_S:.9g} 1)",
        "Rarc LEAD_E1_1 arc 1meg",
        f"Barc LEAD_E1_1 arc I=v(LEAD_E1_1,arc)*v(trigger)*v(trigger)/{ARC_OHMS}",
        "Lstrike arc arc2 10n",
        "Rstrike arc arc2 0.5",
        "Varc arc2 G_E1_2 0",
    )


def _charged(capacitors: str, powered: bool, polarity: int) -> dict[str, float]:
    deck = _source(Deck(capacitors, powered=powered, options=COARSE, copper="full"), polarity)
    return _borne(deck, "tran 50n 3m 0 1u", powered)


def _borne(deck: Deck, analysis: str, powered: bool) -> dict[str, float]:
    """What each part bears, as LIMITS names it."""
    seen = deck.run(analysis, [f"v({node})" for node in _NODES] + _CURRENTS)
    t = seen["time"]
    for k, letter in enumerate("abc", 1):
        source = seen[f"v(g_q{k}_3)"]
        for node in (f"v(drain{letter})", f"v(gate{letter})"):
            seen[node] = seen[node] - source
        seen[f"v(lead{letter})"] = seen[f"v(lead_c{k}_1)"] - source

    def peak(*names: str) -> float:
        return max(float(np.abs(seen[name]).max()) for name in names)

    def energy(amps: np.ndarray, volts: np.ndarray) -> float:
        return float(np.trapezoid(amps * volts, t))

    r5 = (seen["v(fused)"] - seen["v(ring)"]) / 560.0
    r17 = (seen["v(plimit)"] - seen["v(pseries)"]) / 560.0
    drains = {k: seen[f"v(drain{k})"] for k in "abc"}
    spent = {k: energy(seen[f"@c{n}[i]"], drains[k]) for n, k in enumerate("abc", 1)}
    clamp, clamps = energy(r5, seen["v(ring)"]), ("@d1[id]", "@d3[id]", "@d9[id]")
    return {
        "R5 energy": energy(r5, seen["v(fused)"] - seen["v(ring)"]),
        "R17 energy": energy(r17, 560.0 * r17),
        "F1 melting": float(np.trapezoid((r5 - r17) ** 2, t)),
        "D1..D4, D9 peak": peak(*clamps),
        "D1..D4, D9 from 100 us on": max(float(np.abs(seen[name][t > 101e-6]).max()) for name in clamps),
        "D1..D4 energy": clamp,
        "D10 reverse": float(np.max(seen["v(fused)"] - seen["v(pseries)"])),
        "D11 peak": peak("@d11[id]"),
        "Q1 current": peak("@c1[i]"),
        "Q2 current": peak("@c2[i]"),
        "Q3 current": peak("@c3[i]"),
        "Q1..Q3 drain": max(float(v.max()) for v in drains.values()),
        "Q1..Q3 gate": peak("v(gatea)", "v(gateb)", "v(gatec)"),
        "Q1..Q3 energy": max(spent.values()),
        "D5..D7 peak": peak("@d12[id]", "@d13[id]", "@d14[id]"),
        "D12..D14 peak": peak("@d12[id]", "@d13[id]", "@d14[id]"),
        "C1..C3 voltage": max(float(np.abs(seen[f"v(lead{k})"] - v).max()) for k, v in drains.items()),
        "R3, R4 voltage": max(peak("v(sensea)"), float(np.abs(seen["v(lead)"] - seen["v(sensea)"]).max())),
        "U1 input current": peak("@r27[i]", "@r18[i]"),
        "ADC pins lowest": max(0.0, -min(float(seen["v(adc0)"].min()), float(seen["v(adc1)"].min()))),
        "ADC pins highest": max(float(seen["v(adc0)"].max()), float(seen["v(adc1)"].max())),
        "Q4 drain": float(np.max(5.0 * powered - seen["v(pdrain)"])),
        "leads, highest": float(np.abs(seen["v(lead_e1_1)"] - seen["v(g_e1_2)"]).max()),
    }


def struck() -> dict[str, dict[str, float]]:
    """What a struck tube does to the converter, A switched in: one of 600 V in the mishap that the board is
    made for, which is why E1 is one of 1000 V; and E1 at its least spark-over, by 1 uF at BEYOND_VOLTS."""
    found = {}
    for name, over_volts, volts in (
        ("tube of 600 V", SPARK_OVER[1], VOLTS),
        ("E1", SPARK_OVER[0], BEYOND_VOLTS),
    ):
        deck = _source(Deck("A", options=_GEAR, copper="full"), 1, volts)
        borne = _borne(_strike(deck, 1, over_volts, volts), "tran 50n 3m 0 1u", True)
        kept = ("ADC pins lowest", "ADC pins highest", "U1 input current", "leads, highest")
        found[name] = {row: borne[row] for row in kept}
    return found


def sparked() -> dict[str, dict[str, float]]:
    """A spark onto the red lead, for each of SPARK_STATES: the three test capacitors share its charge, since
    open switches turn themselves on, so that E1 has nothing to do.

    Its first nanoseconds pass ratings of drains and of Q4; nothing is claimed of them but what is told.
    """
    found = {}
    for name, capacitors, powered, polarity in SPARK_STATES:
        deck = _spark(Deck(capacitors, powered=powered, options=_GEAR, copper="full"), polarity)
        borne = _borne(deck, "tran 20n 200u 0 20n", powered)
        found[name] = {row: borne[row] for row in SPARK_ROWS}
    return found


def charged_reading() -> dict[str, float]:
    """Lead voltage as the board reads it after 1 uF was connected, and when it has gone below 0.5 V.

    R5 and the clamp bring 400 V down to the clamp's own 1 V within milliseconds; the rest is the bleeder's.
    The reading follows with 1 ms: an `interlock` that looks for 11 ms sees it.
    """
    readings = {}
    for name, polarity in (("plus", 1), ("minus", -1)):
        seen = _source(Deck("", copper="full"), polarity).run("tran 1u 12m 0 2u", ["v(lead)", "v(adc1)"])
        t = seen["time"]
        for ms in (1, 3, 11):
            at = float(np.interp(ms * 1e-3 + 1e-6, t, seen["v(adc1)"]))
            readings[f"{name}, read after {ms} ms"] = _as_read(at)
            readings[f"{name}, leads after {ms} ms"] = float(np.interp(ms * 1e-3 + 1e-6, t, seen["v(lead)"]))
    return readings


def _as_read(volts: float) -> float:
    """Lead voltage that the board computes from its pin [V]."""
    scale = _scale()
    return (volts - scale["zero_volts"]) / CODE_VOLTS * scale["lead_volts_per_code"]


@cache
def _scale() -> dict[str, float]:
    return lead_scale()


def held() -> dict[str, float]:
    """400 V that stays on the leads, fuse open: what the lead-voltage divider and what follows it bear.

    Each way round; `read` as the board computes it, which is the end of its scale.
    """
    found: dict[str, float] = {}
    for name, polarity in (("plus", 1), ("minus", -1)):
        deck = Deck("", leave_out=("F1",), copper="full").add(
            f"Vheld LEAD BLACK PWL(0 0 20m {polarity * VOLTS})"
        )
        seen = deck.run(
            "tran 50u 60m 0 50u",
            ["v(adc1)", "v(sensea)", "v(ring)", "@r27[i]", "@r3[i]"],
        )
        found |= {
            f"{name}, R3, R4 voltage": VOLTS - abs(float(seen["v(sensea)"][-1])),
            f"{name}, divider current": float(np.abs(seen["@r3[i]"]).max()),
            f"{name}, U1 input current": float(np.abs(seen["@r27[i]"]).max()),
            f"{name}, ADC1 highest": float(seen["v(adc1)"].max()),
            f"{name}, ADC1 lowest": float(seen["v(adc1)"].min()),
            f"{name}, low-voltage side": float(np.abs(seen["v(ring)"]).max()),
            f"{name}, read": _as_read(float(seen["v(adc1)"][-1])),
        }
    return found


def shorted() -> dict[str, float]:
    """Leads shorted by 10 mohm: current, what the converter sees, how soon it is at rest."""
    deck = Deck("A", 2e-6, options=_GEAR, copper="full").add(
        "Lshort LEAD shorted 20n", "Rshort shorted BLACK 10m"
    )
    seen = deck.run("tran 20n 60u 0 20n", ["v(plimit)", "v(pseries)", "v(adc0)", "v(lead)"])
    t, rest = seen["time"], seen["v(adc0)"][0]
    away = t[np.abs(seen["v(adc0)"] - rest) > 3.3 / 4096]
    return {
        "amps": float(np.max(seen["v(plimit)"] - seen["v(pseries)"]) / 560.0),
        "lead_volts": float(np.abs(seen["v(lead)"]).max()),
        "rest_after_pulse_s": float(away[-1] - 12e-6) if away.size else 0.0,
        "pin_lowest_volts": float(seen["v(adc0)"].min()),
        "pin_highest_volts": float(seen["v(adc0)"].max()),
    }


def opened() -> dict[str, float]:
    """Nothing on the leads: voltage at them at rest, after the longest pulse, and at the converter pin."""
    seen = Deck("A", 100e-6, copper="full").run("tran 0.2u 2m 0 0.5u", ["v(lead)", "v(adc0)", "v(ring)"])
    return {
        "rest_volts": float(seen["v(lead)"][0]),
        "highest_volts": float(seen["v(lead)"].max()),
        "pin_lowest_volts": float(seen["v(adc0)"].min()),
        "pin_highest_volts": float(seen["v(adc0)"].max()),
        "after_2_ms_volts": float(seen["v(lead)"][-1]),
    }


def reversed_leads() -> dict[str, float]:
    """A coil of 2.2 mH whose one end has 150 pF to the mains earth: f and Q both ways round.

    The tester's ground reaches the earth through 100 nF and 1 kohm, as a portable computer's may.
    """
    found = {}
    for name, hot in (("forward", "coiltop"), ("reversed", "BLACK")):
        deck = Deck("A").winding(2.2e-3, 130.0, 22.28e3, LEAD_HENRIES, LEAD_OHMS)
        deck.add(f"Cearth {hot} earth 150p", "Cground 0 groundr 100n", "Rground groundr earth 1k")
        found[name] = pole(deck, 22.28e3)
    return {
        "hz_change": found["reversed"][0] / found["forward"][0] - 1,
        "q_change": found["reversed"][1] / found["forward"][1] - 1,
    }
