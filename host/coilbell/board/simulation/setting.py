"""How a set hangs on the winding's network, which step of a technician takes what off, and what may fail.

The winding's cold end (node 0, the tester's black clip) is the supply's positive side; the set's frame is one
reservoir away from it. A fault is a name that changes what is connected; "in-set" alone is a sound set.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from coilbell.board.simulation.appliance import Appliance, Diode
from coilbell.board.simulation.network import GROUND, Network
from coilbell.board.simulation.part import LEAD, Part
from coilbell.terms import Step

__all__ = ["SET_FAULTS", "attach_set"]

FRAME = "frame"
_DEAD_OHMS = 0.01
"""A part that failed short, its leads included [ohm]."""

SET_FAULTS: dict[str, tuple[str, Step | None]] = {
    "switch-leaky": ("the switch leaks through 400 ohm", Step.DEVICE_TESTED),
    "switch-shorted": ("the switch is shorted", Step.DEVICE_TESTED),
    "damper-leaky": ("the damper conducts far too early", Step.DEVICE_TESTED),
    "tuning-lossy": ("the tuning capacitor has 150 ohm in series", Step.CAPACITOR_LIFTED),
    "snubber-shorted": ("the snubber's capacitor is shorted", Step.CAPACITOR_LIFTED),
    "clamp-capacitor-shorted": ("the clamp's capacitor is shorted", Step.CAPACITOR_LIFTED),
    "clamp-diode-shorted": ("the clamp's diode is shorted", Step.CAPACITOR_LIFTED),
    "rectifier-shorted": ("the low rail's rectifier is shorted", Step.RECTIFIERS_TESTED),
    "rail-rectifier-shorted": ("the further rail's rectifier is shorted", Step.RECTIFIERS_TESTED),
    "rectifier-shorted-fusible": (
        "the low rail's rectifier is shorted behind 4.7 ohm",
        Step.RECTIFIERS_TESTED,
    ),
    "rectifier-hot": ("the low rail's rectifier is hot and leaks", None),
    "rail-shorted": ("the low rail is shorted behind its sound rectifier", None),
    "supply-dry": ("the supply's capacitor is dry", None),
    "pulse-loaded": ("a resistor loads a winding", None),
    "yoke-shorted": ("the yoke has a shorted turn", Step.YOKE_OFF),
}
"""What may have failed in a set: name -> words, and the step after which it is gone: taken off, or found by a
meter and replaced. None where no step finds it, such as what leaks when hot."""


def attach_set(network: Network, part: Part, faults: frozenset[str], done: frozenset[str]) -> None:
    """Add the part's appliance with what has failed in it, less what the steps `done` took off."""
    around = part.appliance
    faults = frozenset(name for name in faults if SET_FAULTS[name][1] not in done)
    assert around is not None  # a condition that fits the part has seen to it
    farads, esr = around.supply
    network.capacitor(FRAME, "supply", 1e-6 if "supply-dry" in faults else farads)
    network.resistor("supply", GROUND, 5.0 if "supply-dry" in faults else esr)
    network.capacitor(FRAME, GROUND, 1e-9)
    for step, add in _PARTS:
        if step not in done:
            add(network, part, around, faults)


def _switch(network: Network, part: Part, around: Appliance, faults: frozenset[str]) -> None:
    diode = around.switch
    if "damper-leaky" in faults:
        diode = replace(diode, amps=1e-6)
    network.junction(FRAME, LEAD, diode.amps, diode.emission, diode.farads)
    if around.base_diode is not None:
        base = around.base_diode
        network.junction("base", LEAD, base.amps, base.emission, base.farads)
        network.resistor("base", FRAME, around.base_ohms)
    if "switch-leaky" in faults:
        network.resistor(LEAD, FRAME, 400.0)
    if "switch-shorted" in faults:
        network.resistor(LEAD, FRAME, _DEAD_OHMS)


def _tuning(network: Network, part: Part, around: Appliance, faults: frozenset[str]) -> None:
    tuned = "tuned" if "tuning-lossy" in faults else LEAD
    network.capacitor(tuned, FRAME, around.tuning_farads)
    if "tuning-lossy" in faults:
        network.resistor(LEAD, "tuned", 150.0)


def _snubber(network: Network, part: Part, around: Appliance, faults: frozenset[str]) -> None:
    if around.snubber is not None or "snubber-shorted" in faults:
        farads, ohms = around.snubber or (4.7e-10, 100.0)
        if "snubber-shorted" in faults:
            network.resistor(LEAD, FRAME, ohms)
        else:
            network.capacitor(LEAD, "snubber", farads)
            network.resistor("snubber", FRAME, ohms)
    if around.clamp is not None:
        _clamp(network, around.clamp, faults)


def _clamp(network: Network, clamp: tuple[Diode, float, float], faults: frozenset[str]) -> None:
    diode, farads, ohms = clamp
    node = GROUND if "clamp-capacitor-shorted" in faults else "clamp"
    if node != GROUND:
        network.capacitor(node, GROUND, farads)
        network.resistor(node, GROUND, ohms)
    if "clamp-diode-shorted" in faults:
        network.resistor(LEAD, node, 0.1)
    else:
        network.junction(LEAD, node, diode.amps, diode.emission, diode.farads)


def _rails(network: Network, part: Part, around: Appliance, faults: frozenset[str]) -> None:
    for k, rail in enumerate(around.rails):
        shorted = "rectifier-shorted" if k == 0 else "rail-rectifier-shorted"
        node, reservoir = rail.coil, f"reservoir{k}"
        fusible = 4.7 if k == 0 and "rectifier-shorted-fusible" in faults else rail.fusible_ohms
        if fusible:
            node = f"fusible{k}"
            network.resistor(rail.coil, node, fusible)
        if shorted in faults or (k == 0 and "rectifier-shorted-fusible" in faults):
            network.resistor(node, reservoir, 0.05)
        else:
            diode = rail.diode
            if k == 0 and "rectifier-hot" in faults:
                diode = replace(diode, amps=2e-3, emission=1.05)
            network.junction(node, reservoir, diode.amps, diode.emission, diode.farads)
        network.capacitor(reservoir, GROUND, rail.farads)
        network.resistor(reservoir, GROUND, 0.1 if k == 0 and "rail-shorted" in faults else rail.ohms)


def _heater(network: Network, part: Part, around: Appliance, faults: frozenset[str]) -> None:
    if around.heater is not None:
        coil, ohms = around.heater
        network.resistor(coil, GROUND, ohms)


def _yoke(network: Network, part: Part, around: Appliance, faults: frozenset[str]) -> None:
    if around.yoke is None:
        return
    henries, ohms, loss_ohms, series_farads = around.yoke
    shorted = "yoke-shorted" in faults
    # A dead turn takes a third of a yoke's inductance and leaves its own resistance, referred.
    network.inductor(LEAD, "yoke", henries * (0.7 if shorted else 1.0), ohms)
    if shorted:
        network.inductor(LEAD, "yoke.turn", henries * 1.5)
        network.resistor("yoke.turn", "yoke", henries * 1.2e5)
    network.resistor(LEAD, "yoke", loss_ohms)
    network.capacitor("yoke", FRAME, series_farads)


def _coil(network: Network, part: Part, around: Appliance, faults: frozenset[str]) -> None:
    if around.coil is not None:
        winding, henries, ohms = around.coil
        network.inductor(winding, GROUND, henries, ohms)


def _return(network: Network, part: Part, around: Appliance, faults: frozenset[str]) -> None:
    if part.high_voltage is not None:
        network.resistor("foot1", FRAME, 1e3)
        network.capacitor("foot1", FRAME, 1e-8)


def _fixed(network: Network, part: Part, around: Appliance, faults: frozenset[str]) -> None:
    if part.high_voltage is not None and around.tube_farads is not None:
        network.capacitor("anode", GROUND, around.tube_farads)
    if "pulse-loaded" in faults:
        # A resistor of 20 times its reactance at 20 kHz, across the last coil.
        coil = part.coils[-1]
        network.resistor(
            LEAD if coil is part.coils[0] else coil.name,
            GROUND,
            20 * 1.2566e5 * part.core.henries * coil.turns**2,
        )


_PARTS: tuple[tuple[Step | None, Callable[[Network, Part, Appliance, frozenset[str]], None]], ...] = (
    (None, _switch),
    (Step.CAPACITOR_LIFTED, _tuning),
    (Step.CAPACITOR_LIFTED, _snubber),
    (None, _rails),
    (Step.TUBE_BASE_OFF, _heater),
    (Step.YOKE_OFF, _yoke),
    (Step.COILS_OFF, _coil),
    (Step.RETURN_LIFTED, _return),
    (None, _fixed),
)
"""Parts of a set, each with the step that takes it off."""
