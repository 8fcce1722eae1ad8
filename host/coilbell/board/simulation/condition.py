"""The states a part can be in: whole, faulty, or still connected in the set.

Each condition says how it changes the part or what it attaches to the network, and what may truly be
said of it. A shorted turn is a loop of one turn closed on the core, apart from the winding it belongs to.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from coilbell.board.simulation import connection
from coilbell.board.simulation.connection import Attachment
from coilbell.board.simulation.network import GROUND
from coilbell.board.simulation.part import LEAD, Part
from coilbell.board.simulation.setting import SET_FAULTS

__all__ = ["CONDITIONS", "IN_SET", "WINDING_FAULTS", "Condition", "condition_named"]


def _always(part: Part) -> bool:
    return True


@dataclass(frozen=True, slots=True)
class Condition:
    """One state.

    words: what it is, in a line; explanation: what the physics allows to be said of the winding from its
    leads (`like healthy`, `like shorted`, `loaded`, `detuned`, `extra capacitance`, `no ring`);
    shorted: True where copper turns are shorted, whether or not it shows; in_circuit: the part is
    connected in a set.
    """

    name: str
    words: str
    explanation: str
    fits: Callable[[Part], bool] = _always
    change: Callable[[Part], Part] | None = None
    attach: tuple[Attachment, ...] = ()
    shorted: bool = False
    in_circuit: bool = False
    broken_winding: bool = False
    lead_volts: float = 0.0
    """Voltage at the leads that comes from the set, decaying with `lead_tau_s` [V]."""
    lead_tau_s: float = 0.5
    faults: frozenset[str] | None = None
    """In a set that conducts: what has failed in it, empty where nothing has; None where there is no such
    set."""


def _has_loop(name: str) -> Callable[[Part], bool]:
    return lambda part: name in part.loops


def _has_coil(name: str) -> Callable[[Part], bool]:
    return lambda part: any(coil.name == name for coil in part.coils)


def _has_high_voltage(part: Part) -> bool:
    return part.high_voltage is not None


def _has_sections(part: Part) -> bool:
    return part.high_voltage is not None and part.high_voltage.sections > 1


def _set_has(*names: str) -> Callable[[Part], bool]:
    return lambda part: all(getattr(part.surroundings, name) is not None for name in names)


def _all(*conditions: Callable[[Part], bool]) -> Callable[[Part], bool]:
    return lambda part: all(condition(part) for condition in conditions)


def _gap(factor: float) -> Callable[[Part], Part]:
    return lambda part: replace(part, core=replace(part.core, henries=part.core.henries * factor))


_LIST = (
    Condition("healthy", "whole, out of circuit", "like healthy"),
    *(
        Condition(
            f"turn-{label}",
            f"one turn of the winding shorted, {words}",
            explanation,
            _has_loop("turn"),
            attach=(connection.loop("turn", ohms),),
            shorted=True,
        )
        for label, words, ohms, explanation in (
            ("dead", "soldered together", 0.0, "like shorted"),
            ("0.1-ohm", "through 0.1 ohm", 0.1, "like shorted"),
            ("1-ohm", "leaky, 1 ohm", 1.0, "loaded"),
            ("10-ohm", "leaky, 10 ohm", 10.0, "loaded"),
            ("100-ohm", "leaky, 100 ohm", 100.0, "loaded"),
        )
    ),
    Condition(
        "external-loop",
        "a heavy one-turn loop of wire round the core",
        "like shorted",
        _has_loop("external"),
        attach=(connection.loop("external", 0.0),),
        shorted=True,
    ),
    Condition(
        "low-voltage-shorted",
        "a low-voltage winding shorted at its pins",
        "like shorted",
        _has_coil("low"),
        attach=(connection.across_coil("low"),),
        shorted=True,
    ),
    Condition(
        "half-shorted",
        "the other half of the choke shorted",
        "like shorted",
        _has_coil("half"),
        attach=(connection.across_coil("half"),),
        shorted=True,
    ),
    Condition(
        "high-voltage-turn",
        "one turn of thin high-voltage wire shorted",
        "loaded",
        _has_loop("high-voltage turn"),
        attach=(connection.loop("high-voltage turn", 0.0),),
        shorted=True,
    ),
    Condition(
        "high-voltage-part-shorted",
        "some hundred turns of the high-voltage winding shorted",
        "like shorted",
        _has_loop("high-voltage part"),
        attach=(connection.loop("high-voltage part", 0.0),),
        shorted=True,
    ),
    Condition(
        "section-shorted",
        "a section of 3 to 15 % of the winding shorted",
        "like shorted",
        _has_loop("section"),
        attach=(connection.loop("section", 0.0),),
        shorted=True,
    ),
    Condition("loaded", "a resistor across a winding", "loaded", attach=(connection.load(50),)),
    Condition(
        "loaded-heavily",
        "a low resistance across a winding",
        "loaded",
        attach=(connection.load(8),),
    ),
    Condition(
        "gap-halved", "the core's gap changed, inductance down to six tenths", "detuned", change=_gap(0.6)
    ),
    Condition(
        "core-cracked",
        "the core cracked or its clamp loose, inductance down to a third",
        "detuned",
        change=_gap(0.33),
    ),
    Condition(
        "capacitance-added",
        "a capacitor left across the winding",
        "extra capacitance",
        attach=(lambda network, part: network.capacitor(LEAD, GROUND, 4.7e-9),),
    ),
    *(
        Condition(
            f"rectifier-{which}-shorted",
            f"the {which} rectifier of the split winding shorted",
            "extra capacitance",
            _has_sections,
            attach=(connection.diodes(which),),
        )
        for which in ("first", "middle", "last")
    ),
    Condition(
        "rectifier-all-shorted",
        "every high-voltage rectifier shorted, anode open",
        "extra capacitance",
        _has_high_voltage,
        attach=(connection.diodes("all"),),
    ),
    Condition(
        "rectifier-all-shorted-tube",
        "every rectifier shorted, tube attached, return open",
        "extra capacitance",
        _has_high_voltage,
        attach=(connection.diodes("all"), connection.tube),
    ),
    Condition(
        "rectifier-all-shorted-tube-returned",
        "every rectifier shorted, tube attached, return grounded",
        "extra capacitance",
        _has_high_voltage,
        attach=(connection.diodes("all"), connection.tube, connection.high_voltage_return),
    ),
    Condition("open", "the winding is broken", "no ring", broken_winding=True),
    Condition("leads-shorted", "the test leads touch", "no ring", attach=(connection.across_leads,)),
    Condition(
        "live-leads", "the set still feeds 12 V to the leads", "no ring", in_circuit=True, lead_volts=12.0
    ),
    Condition(
        "in-circuit",
        "in the set, with its tuning capacitor and switching device",
        "like healthy",
        _set_has("tuning_farads"),
        attach=(connection.tuning,),
        in_circuit=True,
    ),
    Condition(
        "in-circuit-yoke",
        "in the set, yoke plugged",
        "like healthy",
        _set_has("tuning_farads", "yoke"),
        attach=(connection.tuning, connection.yoke),
        in_circuit=True,
    ),
    Condition(
        "in-circuit-yoke-heater-cold",
        "in the set, yoke plugged, tube heater cold",
        "like healthy",
        _set_has("tuning_farads", "yoke", "heater"),
        attach=(connection.tuning, connection.yoke, connection.heater(hot=False)),
        in_circuit=True,
    ),
    Condition(
        "in-circuit-yoke-heater-hot",
        "in the set, yoke plugged, tube heater hot",
        "like healthy",
        _set_has("tuning_farads", "yoke", "heater"),
        attach=(connection.tuning, connection.yoke, connection.heater(hot=True)),
        in_circuit=True,
    ),
    Condition(
        "in-circuit-heater-cold",
        "in the set, yoke unplugged, tube heater cold",
        "like healthy",
        _set_has("tuning_farads", "heater"),
        attach=(connection.tuning, connection.heater(hot=False)),
        in_circuit=True,
    ),
    Condition(
        "turn-dead-in-circuit-yoke-heater-cold",
        "one turn shorted and in the set, yoke plugged, tube heater cold",
        "like shorted",
        _all(_has_loop("turn"), _set_has("tuning_farads", "yoke", "heater")),
        attach=(
            connection.loop("turn", 0.0),
            connection.tuning,
            connection.yoke,
            connection.heater(hot=False),
        ),
        shorted=True,
        in_circuit=True,
    ),
    Condition(
        "turn-dead-in-circuit",
        "one turn shorted and in the set, everything unplugged but its tuning capacitor",
        "like shorted",
        _all(_has_loop("turn"), _set_has("tuning_farads")),
        attach=(connection.loop("turn", 0.0), connection.tuning),
        shorted=True,
        in_circuit=True,
    ),
    Condition(
        "in-circuit-transistor-shorted",
        "in the set, its switching device shorted",
        "no ring",
        _set_has("tuning_farads"),
        attach=(connection.across_leads,),
        in_circuit=True,
    ),
    Condition(
        "in-circuit-rectifier-shorted",
        "in the set, a secondary rectifier shorted",
        "like healthy",
        _set_has("rectifier"),
        attach=(connection.shorted_rectifier,),
        in_circuit=True,
    ),
    Condition(
        "in-circuit-schottky",
        "in the set, a Schottky rectifier on a secondary",
        "like healthy",
        _set_has("schottky"),
        attach=(connection.schottky,),
        in_circuit=True,
    ),
)

CONDITIONS: dict[str, Condition] = {condition.name: condition for condition in _LIST}

IN_SET = "in-set"
"""State of a part in its whole set; ",NAME" adds what is wrong with the winding or what failed in the set."""


def condition_named(state: str) -> Condition | None:
    """The condition of that name, "in-set,turn-dead,switch-leaky" included; None where there is none."""
    if state in CONDITIONS:
        return CONDITIONS[state]
    head, *wrongs = state.split(",")
    if head != IN_SET or len(set(wrongs)) < len(wrongs):
        return None
    windings = [CONDITIONS[name] for name in wrongs if name in WINDING_FAULTS]
    faults = frozenset(name for name in wrongs if name in SET_FAULTS)
    if len(windings) + len(faults) < len(wrongs) or len(windings) > 1:
        return None
    own = windings[0] if windings else CONDITIONS["healthy"]
    words = ", ".join([*(w.words for w in windings), *(SET_FAULTS[name][0] for name in sorted(faults))])
    return replace(
        own,
        name=state,
        words=f"in its set, {words or 'nothing wrong'}",
        fits=_all(own.fits, lambda part: part.appliance is not None),
        in_circuit=True,
        faults=faults,
    )


WINDING_FAULTS = tuple(
    name
    for name, one in CONDITIONS.items()
    if not (one.in_circuit or one.broken_winding or name in ("healthy", "leads-shorted"))
)
"""What may be wrong with the winding itself in a set."""
