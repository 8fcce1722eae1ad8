"""Stages: what was done before a ring, what may still hang on the winding then, and which steps a kind has.

In circuit everything of `attached` may be there, each by itself; a step takes some of it away for certain.
Out of circuit nothing of the set is left, but a resistance on the part itself may be: damping, dirt, what
still hangs on another winding. Minutes are what a step costs (common practice, no published source).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from coilbell.errors import InputError
from coilbell.record import Connection
from coilbell.terms import RECORDED, Attached, Step
from coilbell.winding.odds.kind import Kind

__all__ = ["Stage", "attached", "check_done", "clean", "recorded_of", "removes", "step_minutes", "step_words"]


@dataclass(frozen=True, slots=True, order=True)
class Stage:
    """How a winding was connected while it rang, and what had been done."""

    connection: Connection
    done: tuple[Step, ...] = ()

    @property
    def in_circuit(self) -> bool:
        """True where the set hangs on the winding, or what is left of it."""
        return self.connection is Connection.IN_CIRCUIT

    @property
    def words(self) -> str:
        """ "in circuit, yoke-off, tube-base-off"."""
        return ", ".join([str(self.connection), *map(str, self.done)])


_REMOVES: dict[Step, frozenset[Attached]] = {
    Step.YOKE_OFF: frozenset({Attached.YOKE, Attached.YOKE_SHORTED}),
    Step.TUBE_BASE_OFF: frozenset({Attached.HEATER}),
    Step.RETURN_LIFTED: frozenset({Attached.TUBE}),
    Step.COILS_OFF: frozenset({Attached.COIL}),
    Step.RECTIFIERS_TESTED: frozenset({Attached.RECTIFIER}),
    Step.DEVICE_TESTED: frozenset({Attached.LOAD, Attached.DEVICE, Attached.JUNCTION}),
    Step.CAPACITOR_LIFTED: frozenset({Attached.TUNING, Attached.SNUBBER, Attached.CLAMP}),
}

_STEPS: dict[Step, tuple[float, str]] = {
    Step.YOKE_OFF: (1, "unplug the deflection yoke"),
    Step.TUBE_BASE_OFF: (1, "unplug the tube base, for its heater"),
    Step.RETURN_LIFTED: (8, "lift the high-voltage return"),
    Step.COILS_OFF: (8, "lift width and bridge coils off the winding"),
    Step.RECTIFIERS_TESTED: (8, "diode-test every rectifier on the winding's core"),
    Step.DEVICE_TESTED: (5, "measure the switching device and what lies across the winding"),
    Step.CAPACITOR_LIFTED: (8, "lift one end of the tuning capacitor and the snubber"),
    Step.WINDINGS_OPEN: (3, "take everything off every other winding"),
    Step.RESISTORS_OFF: (8, "unsolder the damping resistors"),
    Step.CLEANED: (15, "clean and dry the part"),
    Step.LOOP: (
        2,
        "as a check put one closed loop of thick wire round the core, ring, and take the loop off again",
    ),
    Step.TAKE_OUT: (25, "take the part out of circuit"),
    Step.RING_AGAIN: (1, "ring again"),
    Step.SECOND_CAPACITOR: (1, "ring with a second test capacitor"),
    Step.SMALLER_AMPLITUDE: (1, "ring at a smaller amplitude"),
    Step.SAME_TEMPERATURE: (20, "ring at the temperature of the reference"),
    Step.CHECK_LEADS: (1, "check the leads on a known good part"),
    Step.CONTINUITY: (2, "measure the winding for continuity"),
    Step.CHECK_CAPACITOR: (1, "check which test capacitor was used"),
    Step.CHECK_CORE: (5, "look at the core: crack, loose clamp, changed gap; and at the part's type"),
    Step.CHECK_WINDING: (1, "check which winding the leads are on"),
    Step.GOOD_UNITS: (15, "add good units of this very part to the reference"),
    Step.KNOWN_GOOD: (30, "try a known good part in its place"),
    Step.LOOK_ELSEWHERE: (0, "look for the fault elsewhere"),
    Step.COUNT_FAILED: (0, "count the part as failed"),
}
"""Minutes a step takes and its words; common practice, no published source."""


def step_words(step: Step, kind: Kind | None = None) -> str:
    """The step as an instruction, for a kind where it is known."""
    if step is Step.WINDINGS_OPEN and kind is not None and kind.high_voltage:
        return "take everything off every other winding, anode lead and high-voltage return"
    return _STEPS[step][1]


def step_minutes(step: Step) -> float:
    """What it costs [min]."""
    return _STEPS[step][0]


def removes(step: Step) -> frozenset[Attached]:
    """What the step takes off a winding in circuit."""
    return _REMOVES.get(step, frozenset())


def recorded_of(kind: Kind) -> tuple[Step, ...]:
    """The recorded steps that make sense for a kind, in their order."""
    never: set[Step] = set()
    if not kind.high_voltage:
        never |= {Step.YOKE_OFF, Step.TUBE_BASE_OFF, Step.RETURN_LIFTED, Step.COILS_OFF}
    if not kind.secondary:
        never |= {Step.RECTIFIERS_TESTED, Step.WINDINGS_OPEN}
    if not kind.bare_q:
        never.add(Step.RESISTORS_OFF)
    return tuple(step for step in RECORDED if step not in never)


def check_done(kind: Kind, done: Iterable[Step]) -> None:
    """Raise InputError for a step that a winding of this kind does not have."""
    known = recorded_of(kind)
    for step in done:
        if step not in known:
            raise InputError(f"a {kind.name} has no step {step!s}; its steps are: {', '.join(known)}")


def attached(kind: Kind, stage: Stage) -> frozenset[Attached]:
    """What may hang on the winding at this stage; nothing out of circuit."""
    if not stage.in_circuit:
        return frozenset()
    usual = {Attached.TUNING, Attached.LOAD, Attached.DEVICE, Attached.SNUBBER, Attached.JUNCTION}
    if kind.secondary:
        usual |= {Attached.RECTIFIER, Attached.SCHOTTKY}
    if kind.high_voltage:
        usual |= {Attached.YOKE, Attached.YOKE_SHORTED, Attached.HEATER, Attached.COIL, Attached.TUBE}
    elif kind.secondary:
        usual.add(Attached.CLAMP)
    gone: set[Attached] = set()
    for step in stage.done:
        gone |= removes(step)
    return frozenset(usual - gone)


def clean(kind: Kind, stage: Stage) -> bool:
    """True where no resistance can be left on the part itself, but for a stated remainder.

    Out of circuit, cleaned, its other windings open and its damping resistors off.
    """
    needed = {Step.CLEANED}
    if kind.secondary:
        needed.add(Step.WINDINGS_OPEN)
    if kind.bare_q:
        needed.add(Step.RESISTORS_OFF)
    return not stage.in_circuit and needed <= set(stage.done)
