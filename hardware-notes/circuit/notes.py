"""The simulated figures into the notes: marked blocks of two pages, and drawings/simulated-*.svg.

    python -m circuit.notes          from the folder hardware-notes: write blocks and figures anew

Everything here is made from simulated.json alone; that its figures are those of the circuit is a test's work.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from circuit.claims.clamping import SETTLE_S, WARM_CASES
from circuit.claims.mishap import CHARGED_STATES, LIMITS, SPARK_ROWS
from circuit.claims.ringing import BUDGET
from circuit.netlist import HERE
from circuit.notes_layout import copper, first_board, first_readings, types
from circuit.simulated import kept
from circuit.words import percent, prose, quantity, table

__all__ = ["BLOCKS", "NOTES", "write", "written"]

NOTES = {name: HERE.parent / name for name in ("building.md", "circuit.md", "calibration.md")}


def energies(figures: dict[str, Any]) -> str:
    """What one aimed pulse does to windings of every size."""
    rows = [
        [
            quantity(r["henries"], "H"),
            f"{r['capacitor']}, {r['q']:g}",
            quantity(r["width_s"], "s"),
            quantity(r["pulse_amps"], "A"),
            quantity(r["first_peak_volts"], "V", 3),
            quantity(r["coil_amps"], "A"),
            quantity(r["coil_joules"], "J"),
            quantity(r["drawn_joules"], "J"),
        ]
        for r in figures["pulse"]
    ]
    most = max(r["coil_joules"] for r in figures["pulse"])
    kick = figures["kick"]
    return (
        "![one shot](drawings/simulated-shot.svg)\n\n"
        + table("winding|capacitor, Q|pulse|current|first peak|current in it|energy in it|drawn", rows)
        + "\n"
        + prose(f"""No winding is given more than {quantity(most, "J")}. Switching a capacitor in leaves a
            ring of
            its own: {quantity(kick["peak_volts"], "V")} at first,
            {quantity(kick["after_10_ms_volts"], "V")} after
            10 ms (2.2 mH, Q 130); the firmware waits 300 ms.""")
    )


def stuck(figures: dict[str, Any]) -> str:
    """Pin stuck high, and one more fault."""
    rows = [
        [
            r["fault"],
            quantity(r["henries"], "H"),
            "stays" if r["steady_amps"] > 1e-4 else quantity(r["on_s"], "s"),
            quantity(r["coil_amps"], "A"),
            quantity(abs(r["steady_amps"]), "A") if r["steady_amps"] > 1e-4 else "0",
            quantity(r["coil_joules"], "J"),
            quantity(r["lead_volts"], "V"),
        ]
        for r in figures["stuck"]
    ]
    spread = figures["tolerances"]["longest_pulse_s"]
    return (
        "![pulse pin stuck high](drawings/simulated-stuck.svg)\n\n"
        + table("fault|winding|pulse lasts|most current in it|lasting current|energy in it|leads", rows)
        + "\n"
        + prose(f"""Over all tolerances the hardware ends a pulse after {quantity(spread["lowest"], "s")} to
            {quantity(spread["highest"], "s")}. With a second part failed as well, a lasting current of
            {quantity(max(r["steady_amps"] for r in figures["stuck"]), "A")} is all that R16 lets through.""")
    )


def loading(figures: dict[str, Any]) -> str:
    """Errors of Q before and after correction."""
    rows = [
        [
            f"{quantity(r['henries'], 'H')} {r['leads']}".strip(),
            r["capacitor"],
            quantity(r["hz"], "Hz", 3),
            percent(r["electronics_error"]),
            percent(r["ideal_error"]),
            percent(r["read_error"]),
            percent(r["corrected_error"]),
        ]
        for r in figures["loading"]
    ]
    return (
        "![error of Q](drawings/simulated-loading.svg)\n\n"
        + prose("""Error of Q for a coil of Q 150, leads of 0.3 m included: from all of the tester but the
            test capacitor's own dielectric; as read; and after the correction that calibration.md ends in,
            itself simulated:""")
        + "\n"
        + table("coil|capacitor|rings at|without dielectric|ideal copper, as read|as read|corrected", rows)
        + "\n"
        + prose("""5 % as read and 0.5 % corrected are asked for. 30 uH on the leads is outside: half of its
            error is the copper of 0.6 m of lead, 7 milliohm in 37 ohm of reactance, and no part of the board
            can give that back. On short wires at the posts it is inside. At a Q of 10 to 30, usual above 10
            mH, all errors are five to fifteen times smaller.""")
    )


def budget(figures: dict[str, Any]) -> str:
    """Where the error comes from."""
    cases = [f"{quantity(henries, 'H')}, {letter}" for henries, letter in BUDGET]
    rows = [[name, *(percent(-share) for share in shares)] for name, shares in figures["budget"].items()]
    return (
        prose("""What each part takes of Q 150, by simulating the board without it. R6 to R8 give a little
            back: their drains swing a few per cent less than BOOT, so that they feed the ring.""")
        + "\n"
        + table("part of the tester|" + "|".join(cases), rows)
    )


def calibration(figures: dict[str, Any]) -> str:
    """What the bench procedure finds on the simulated board."""
    rows = [
        [
            letter,
            quantity(c["stray_farads"], "F", 3),
            quantity(c["siemens"], "S"),
            quantity(c["series_ohms"], "ohm"),
        ]
        for letter, c in figures["calibration"].items()
    ]
    two = figures["two coils"]
    return (
        prose("""The conductance is measured with A and holds for all three. Most of the capacitance is that
            of the two open switches. With B the series figure also takes up what little more the input
            loads as frequency rises.""")
        + "\n"
        + table("capacitor|tester's capacitance|conductance|series resistance", rows)
        + "\n"
        + prose(f"""With a C1 of loss tangent {two["tangent"]:g} in the place of 0.0001, the two coils find
            {two["found"]:.6f}, and what is corrected with that is wrong by {percent(two["worst_error"])} at
            most. One coil alone, which takes the parts list's word for the dielectric, leaves
            {percent(two["worst_error_one_coil"])} at the far end of the range.""")
    )


def clamp(figures: dict[str, Any]) -> str:
    """What the clamp costs."""
    rows = [
        [
            name,
            quantity(c["first_peak_volts"], "V", 3),
            percent(c["first_cycles_error"]),
            percent(c["whole_error"]),
        ]
        for name, c in figures["clamp"].items()
    ]
    warm = [[name, *map(percent, found)] for name, found in figures["warm"].items()]
    cases = "|".join(f"{quantity(henries, 'H')}, {letter}" for henries, letter in WARM_CASES)
    return (
        prose("""Q with the clamp over Q without it, 2.2 mH with 22 nF, Q 150. Warm: ten times the leakage,
            between the 1 nA at 25 degC and 300 nA at 125 degC of the diodes' data sheet. Leakiest allowed:
            1 nA in forward direction too.""")
        + "\n"
        + table("case|first peak|first five cycles|whole ring", rows)
        + "\n"
        + prose("""Change of Q 150 as read when the whole board is warm, every junction about the ring
            leaking ten times as much; and when Q4 leaks the 0.5 uA that its data sheet allows (from
            memory):""")
        + "\n"
        + table(f"case|{cases}", warm)
    )


def switching(figures: dict[str, Any]) -> str:
    """How soon an open switch is out of the way."""
    s = figures["settled"]
    return prose(f"""C switched off after a long time and A on: {1000 * SETTLE_S:g} ms later the drain of Q3
        has risen to {quantity(s["drain_volts"], "V", 3)} of {quantity(s["rest_volts"], "V", 3)}; a ring is
        then off by {percent(s["hz_change"])} in f and {percent(s["q_change"])} in Q. That is what the
        firmware waits for after switching. The voltage matters because an open switch's capacitance is part
        of the ring's and falls as its drain rises.""")


def noise(figures: dict[str, Any]) -> str:
    """Noise budget."""
    n = figures["noise"]
    amplifier = (n["volts"] ** 2 - n["without_amplifier_volts"] ** 2) ** 0.5
    rows = [
        ["amplifier U1A", quantity(amplifier, "V"), f"{amplifier / 805.7e-6:.2f}"],
        [
            "winding, resistors, all else",
            quantity(n["without_amplifier_volts"], "V"),
            f"{n['without_amplifier_volts'] / 805.7e-6:.2f}",
        ],
        ["circuit together", quantity(n["volts"], "V"), f"{n['counts']:.2f}"],
        ["converter, RP2040 (as users measured it)", "0.8 mV", "1"],
    ]
    return (
        "At the converter's pin, 10 Hz to 10 MHz, a winding of 2.2 mH connected:\n\n"
        + table("source|rms|codes", rows)
        + "\nThe converter is the noise; nothing is gained by a better amplifier.\n"
    )


def response(figures: dict[str, Any]) -> str:
    """Frequency response."""
    r = figures["response"]
    rows = [
        [quantity(hz, "Hz", 3), f"{gain:.3f}", f"{percent(gain / r['gain'][1] - 1)}"]
        for hz, gain in zip(r["hz"], r["gain"], strict=True)
    ]
    return (
        "![response](drawings/simulated-response.svg)\n\n"
        + table("frequency|gain|against 1 kHz", rows)
        + "\nThe filter is linear: it scales a ring, it does not change its f or Q.\n"
    )


def charged(figures: dict[str, Any]) -> str:
    """A charged capacitor on the leads; shorted, open, reversed leads."""
    worst = {name: max(figures["charged"][s[0]][name] for s in CHARGED_STATES) for name in LIMITS}
    rows = [
        [name, quantity(worst[name], unit), quantity(limit, unit), f"{worst[name] / limit:.0%}"]
        for name, (limit, unit) in LIMITS.items()
    ]
    seen, held, short, opened, turned = (
        figures[k] for k in ("charged_reading", "held", "shorted", "opened", "reversed")
    )
    small, own = (figures["struck"][tube] for tube in ("tube of 600 V", "E1"))
    spark = {name: max(one[name] for one in figures["sparked"].values()) for name in SPARK_ROWS}
    return (
        "![charged capacitor on the leads](drawings/simulated-charged.svg)\n\n"
        + prose("""1 uF charged to 400 V, 0.08 J, either way round, board off, idle or with a capacitor
            switched in;
            the worst of these, with the copper's resistance and inductance as in all runs below (ratings from
            memory of data sheets, single pulse where it is one):""")
        + "\n"
        + table("part|worst|rating|share", rows)
        + "\n"
        + prose(f"""The board reads {seen["plus, read after 1 ms"]:+.0f} V after 1 ms
            ({seen["minus, read after 1 ms"]:+.1f} V the other way round, the end of its scale) and
            {seen["plus, read after 11 ms"]:+.1f} V after 11 ms: refused. By then R5 and R17 have taken most
            of the charge, and the bleeder takes the rest. A larger charge melts F1 (100 uF at 400 V would
            put 0.014 A2s through it, twice that the other way round); the leads then stay charged, and the
            divider, on their side of the fuse, goes on saying so: {held["plus, read"]:+.0f} V or
            {held["minus, read"]:+.1f} V, the ends of its scale, with
            {quantity(held["plus, divider current"], "A")} through it and
            {quantity(held["plus, low-voltage side"], "V")} on the low-voltage side.""")
        + "\n"
        + prose(f"""**E1.** A tube of 600 V in its place would strike in this mishap, and U1's inputs would
            bear {quantity(small["U1 input current"], "A", 2)} where 2 mA are allowed: hence 1000 V. E1
            itself strikes, at the earliest, with 1 uF at 500 V: then the pins see
            {quantity(own["ADC pins highest"], "V", 3)}, U1's inputs
            {quantity(own["U1 input current"], "A", 2)}, with an arc that takes 0.3 us to form (assumed; a
            quicker one does more). The board is not made for that; run `coilbell board check` after it.
            What jumps from a tube's anode does not make it strike: of 0.5 nF at 15 kV through a spark of
            330 ohm the leads see {quantity(spark["leads, highest"], "V", 2)}, because the open switches turn
            themselves on and all three test capacitors share the charge. The converter's pins stay between
            {-spark["ADC pins lowest"]:.2f} and {spark["ADC pins highest"]:.2f} V; but for some nanoseconds
            the drains of Q1 to Q3 see up to {quantity(spark["Q1..Q3 drain"], "V", 2)} (30 V are allowed),
            that of Q4 {quantity(spark["Q4 drain"], "V", 2)} (45 V), and U1's inputs
            {quantity(spark["U1 input current"], "A", 2)}: no rating covers that, so after a spark, too, run
            `coilbell board check`.""")
        + "\n"
        + prose(f"""**Shorted leads**: {quantity(short["amps"], "A")} for the length of the pulse, nothing
            on the
            leads, the amplifier at rest {quantity(short["rest_after_pulse_s"], "s")} after it.""")
        + "\n"
        + prose(f"""**Open leads**: {quantity(opened["rest_volts"], "V")} at rest; after the longest pulse
            the clamp
            holds {quantity(opened["highest_volts"], "V", 3)}, and the converter pin stays below
            {quantity(opened["pin_highest_volts"], "V", 3)}.""")
        + "\n"
        + prose(f"""**Reversed leads**: f {percent(turned["hz_change"])}, Q {percent(turned["q_change"])}
            for a winding
            with 150 pF from one end to an earth that the computer shares through 100 nF. Black to the end
            with more
            capacitance to its surroundings.""")
    )


def tolerances(figures: dict[str, Any]) -> str:
    """Monte Carlo."""
    names = {
        "gain": ("gain at 22 kHz", ""),
        "gain_at_250_khz": ("gain at 250 kHz over that", ""),
        "lead_zero_code": ("code at 0 V on the leads", ""),
        "lead_volts_per_code": ("lead voltage per code", "V"),
        "charge_coulombs": ("charge of a pulse of 2 us", "C"),
        "longest_pulse_s": ("longest pulse, pin stuck high", "s"),
        "open_lead_siemens": ("conductance as open leads tell it", "S"),
    }
    errors = {
        "q_read_error": "error of Q 150, 2.2 mH with A, as read",
        "q_uncalibrated_error": "the same, corrected by the constants a new board comes with",
    }
    found = figures["tolerances"]
    rows = [
        [words, *(quantity(found[name][k], unit, 3).strip() for k in ("lowest", "median", "highest"))]
        for name, (words, unit) in names.items()
    ]
    rows += [
        [words, *(percent(found[name][k]) for k in ("lowest", "median", "highest"))]
        for name, words in errors.items()
    ]
    return (
        prose(f"""{found["draws"]} boards, every resistor and capacitor anywhere within its tolerance,
            half of the
            boards with all of them at one end or the other; thresholds, resistance and leakage of the
            transistors and diodes drawn as well, and the loss tangent of C1 from 0.00005 to 0.0002:""")
        + "\n"
        + table("figure|lowest|median|highest", rows)
    )


def end_to_end(figures: dict[str, Any]) -> str:
    """Netlist, converter, fit."""
    rows = [
        [
            f"{r['part']}, {r['state']}",
            r["capacitor"],
            quantity(r["hz"], "Hz", 4),
            percent(r["hz_error"]),
            f"{r['q_read']:.1f}",
            f"{r['q_corrected']:.1f}",
            f"{r['true_q']:.1f}",
            percent(r["q_error"]),
        ]
        for r in figures["whole"]
    ]
    return (
        prose("""Invented windings of the project's catalogue on this netlist, four shots of 1024 samples
            through a
            converter with the noise and the steps of an RP2040, `coilbell fit`, then the correction. Truth:
            eigenvalues of the winding's own equations with an ideal capacitor. The leads' 0.5 uH stays in
            f: half of
            0.5/220 for the smallest.""")
        + "\n"
        + table("winding|capacitor|f|error of f|Q read|Q corrected|true Q|error of Q", rows)
    )


BLOCKS: dict[str, dict[str, Callable[[dict[str, Any]], str]]] = {
    "circuit.md": {
        "energies": energies,
        "stuck": stuck,
        "loading": loading,
        "copper": copper,
        "types": types,
        "budget": budget,
        "clamp": clamp,
        "switching": switching,
        "noise": noise,
        "response": response,
        "charged": charged,
        "tolerances": tolerances,
        "end-to-end": end_to_end,
    },
    "building.md": {"first-readings": first_readings, "first": first_board},
    "calibration.md": {"calibration": calibration},
}


def written(note: str, text: str) -> str:
    """`text` of the note with its blocks anew; raises ValueError where a block is missing."""
    found = kept()
    for name, words in BLOCKS[note].items():
        mark = re.compile(rf"(<!-- simulated: {name} -->\n).*?(<!-- end -->)", re.DOTALL)
        if len(mark.findall(text)) != 1:
            raise ValueError(f"{note} needs exactly one block {name!r}")
        fresh = words(found)
        text = mark.sub(lambda m, fresh=fresh: m[1] + fresh + m[2], text)
    return text


def write() -> None:
    """Write blocks and figures."""
    from circuit import figures as drawn

    for note, path in NOTES.items():
        path.write_text(written(note, path.read_text(encoding="utf-8")), encoding="utf-8")
    drawn.write()


if __name__ == "__main__":
    write()
