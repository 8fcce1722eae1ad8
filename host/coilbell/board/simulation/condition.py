"""The states a part can be in: whole, faulty, or still connected in the set.

Each condition says how it changes the part or what it attaches to the network, and what may truly be
said of it. A shorted turn is a loop of one turn closed on the core, apart from the winding it belongs to.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import pi

from coilbell.board.simulation.network import GROUND, Network
from coilbell.board.simulation.part import LEAD, Part, add_loop

__all__ = ["CONDITIONS", "Condition"]

_DEAD_OHMS = 1e-3
"""A soldered bridge or a shorted junction [ohm]."""


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
    attach: tuple[Callable[[Network, Part], None], ...] = ()
    shorted: bool = False
    in_circuit: bool = False
    broken_winding: bool = False
    lead_volts: float = 0.0
    """Voltage at the leads that comes from the set, decaying with `lead_tau_s` [V]."""
    lead_tau_s: float = 0.5


def _has_loop(name: str) -> Callable[[Part], bool]:
    return lambda part: name in part.loops


def _loop(name: str, ohms: float) -> Callable[[Network, Part], None]:
    return lambda network, part: add_loop(network, part.loops[name], ohms, name.replace(" ", "_"))


def _coil_named(name: str) -> Callable[[Part], bool]:
    return lambda part: any(coil.name == name for coil in part.coils)


def _across_coil(name: str, ohms: float) -> Callable[[Network, Part], None]:
    return lambda network, part: network.resistor(name, GROUND, ohms)


def _load(network: Network, part: Part) -> None:
    """Load the last coil with fifty times its reactance at 20 kHz: a Q of 100 falls to a third."""
    coil = part.coils[-1]
    reactance = 2 * pi * 20e3 * part.core.henries * coil.turns**2
    network.resistor(LEAD if coil is part.coils[0] else coil.name, GROUND, 50 * reactance)


def _gap(factor: float) -> Callable[[Part], Part]:
    return lambda part: replace(part, core=replace(part.core, henries=part.core.henries * factor))


def _diodes(*which: str) -> Callable[[Network, Part], None]:
    def short(network: Network, part: Part) -> None:
        assert part.high_voltage is not None
        last = part.high_voltage.sections
        numbers = {"first": 1, "middle": (last + 1) // 2, "last": last}
        chosen = range(1, last + 1) if "all" in which else [numbers[name] for name in which]
        for k in chosen:
            network.resistor(f"head{k}", f"foot{k + 1}" if k < last else "anode", _DEAD_OHMS * 1e3)

    return short


def _tube(network: Network, part: Part) -> None:
    assert part.high_voltage is not None
    network.capacitor("anode", GROUND, part.high_voltage.tube_farads)


def _high_voltage_return(network: Network, part: Part) -> None:
    network.resistor("foot1", GROUND, 1.0)


def _tuning(network: Network, part: Part) -> None:
    farads = part.surroundings.tuning_farads
    assert farads is not None
    network.capacitor(LEAD, GROUND, farads)


def _yoke(network: Network, part: Part) -> None:
    assert part.surroundings.yoke is not None
    henries, ohms, loss_ohms, series_farads = part.surroundings.yoke
    network.inductor(LEAD, "yoke", henries, ohms)
    network.resistor(LEAD, "yoke", loss_ohms)
    network.capacitor("yoke", GROUND, series_farads)


def _heater(hot: bool) -> Callable[[Network, Part], None]:
    def attach(network: Network, part: Part) -> None:
        around = part.surroundings
        assert around.heater is not None
        network.resistor(around.heater, GROUND, around.heater_hot_ohms if hot else around.heater_cold_ohms)

    return attach


def _shorted_rectifier(network: Network, part: Part) -> None:
    around = part.surroundings
    assert around.rectifier is not None
    network.resistor(around.rectifier, "reservoir", around.filter_ohms)
    network.capacitor("reservoir", GROUND, around.filter_farads)


def _schottky(network: Network, part: Part) -> None:
    around = part.surroundings
    assert around.schottky is not None
    network.junction(around.schottky, "reservoir", 2e-6, 1.05, 200e-12)
    network.capacitor("reservoir", GROUND, around.filter_farads)
    network.resistor("reservoir", GROUND, 1e4)


def _dead(network: Network, part: Part) -> None:
    network.resistor(LEAD, GROUND, 0.05)


def _has_high_voltage(part: Part) -> bool:
    return part.high_voltage is not None


def _has_sections(part: Part) -> bool:
    return part.high_voltage is not None and part.high_voltage.sections > 1


def _set_has(*names: str) -> Callable[[Part], bool]:
    return lambda part: all(getattr(part.surroundings, name) is not None for name in names)


_LIST = (
    Condition("healthy", "whole, out of circuit", "like healthy"),
    *(
        Condition(
            f"turn-{label}",
            f"one turn of the winding shorted, {words}",
            explanation,
            _has_loop("turn"),
            attach=(_loop("turn", ohms),),
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
        attach=(_loop("external", 0.0),),
        shorted=True,
    ),
    Condition(
        "low-voltage-shorted",
        "a low-voltage winding shorted at its pins",
        "like shorted",
        _coil_named("low"),
        attach=(_across_coil("low", _DEAD_OHMS),),
        shorted=True,
    ),
    Condition(
        "half-shorted",
        "the other half of the choke shorted",
        "like shorted",
        _coil_named("half"),
        attach=(_across_coil("half", _DEAD_OHMS),),
        shorted=True,
    ),
    Condition(
        "high-voltage-turn",
        "one turn of thin high-voltage wire shorted",
        "loaded",
        _has_loop("high-voltage turn"),
        attach=(_loop("high-voltage turn", 0.0),),
        shorted=True,
    ),
    Condition(
        "high-voltage-part-shorted",
        "some hundred turns of the high-voltage winding shorted",
        "like shorted",
        _has_loop("high-voltage part"),
        attach=(_loop("high-voltage part", 0.0),),
        shorted=True,
    ),
    Condition("loaded", "a resistor across a winding", "loaded", attach=(_load,)),
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
            attach=(_diodes(which),),
        )
        for which in ("first", "middle", "last")
    ),
    Condition(
        "rectifier-all-shorted",
        "every high-voltage rectifier shorted, anode open",
        "extra capacitance",
        _has_high_voltage,
        attach=(_diodes("all"),),
    ),
    Condition(
        "rectifier-all-shorted-tube",
        "every rectifier shorted, tube attached, return open",
        "extra capacitance",
        _has_high_voltage,
        attach=(_diodes("all"), _tube),
    ),
    Condition(
        "rectifier-all-shorted-tube-returned",
        "every rectifier shorted, tube attached, return grounded",
        "extra capacitance",
        _has_high_voltage,
        attach=(_diodes("all"), _tube, _high_voltage_return),
    ),
    Condition("open", "the winding is broken", "no ring", broken_winding=True),
    Condition("leads-shorted", "the test leads touch", "no ring", attach=(_dead,)),
    Condition(
        "live-leads", "the set still feeds 12 V to the leads", "no ring", in_circuit=True, lead_volts=12.0
    ),
    Condition(
        "in-circuit",
        "in the set, with its tuning capacitor and switching device",
        "like healthy",
        _set_has("tuning_farads"),
        attach=(_tuning,),
        in_circuit=True,
    ),
    Condition(
        "in-circuit-yoke",
        "in the set, yoke plugged",
        "like healthy",
        _set_has("tuning_farads", "yoke"),
        attach=(_tuning, _yoke),
        in_circuit=True,
    ),
    Condition(
        "in-circuit-yoke-heater-cold",
        "in the set, yoke plugged, tube heater cold",
        "like healthy",
        _set_has("tuning_farads", "yoke", "heater"),
        attach=(_tuning, _yoke, _heater(hot=False)),
        in_circuit=True,
    ),
    Condition(
        "in-circuit-yoke-heater-hot",
        "in the set, yoke plugged, tube heater hot",
        "like healthy",
        _set_has("tuning_farads", "yoke", "heater"),
        attach=(_tuning, _yoke, _heater(hot=True)),
        in_circuit=True,
    ),
    Condition(
        "in-circuit-heater-cold",
        "in the set, yoke unplugged, tube heater cold",
        "like healthy",
        _set_has("tuning_farads", "heater"),
        attach=(_tuning, _heater(hot=False)),
        in_circuit=True,
    ),
    Condition(
        "in-circuit-transistor-shorted",
        "in the set, its switching device shorted",
        "no ring",
        _set_has("tuning_farads"),
        attach=(_dead,),
        in_circuit=True,
    ),
    Condition(
        "in-circuit-rectifier-shorted",
        "in the set, a secondary rectifier shorted",
        "like healthy",
        _set_has("rectifier"),
        attach=(_shorted_rectifier,),
        in_circuit=True,
    ),
    Condition(
        "in-circuit-schottky",
        "in the set, a Schottky rectifier on a secondary",
        "like healthy",
        _set_has("schottky"),
        attach=(_schottky,),
        in_circuit=True,
    ),
)

CONDITIONS: dict[str, Condition] = {condition.name: condition for condition in _LIST}
