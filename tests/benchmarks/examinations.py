"""Examinations of whole sets, stage after stage: families drawn by number, each unit in a set of its own.

Rings are the circuit's own poles at rest, with the estimator's usual error on them; ladders follow by every
junction's conductance under a sine of each amplitude (a describing function, the simulation's own mode
shapes). Two populations. `contested` draws faults about evenly, for counting right and wrong verdicts.
`by_tables` draws winding and set by the very shares of winding/faults.toml, so that what is called 70 %
probable should be true in 70 % of cases. Nothing of either was measured on hardware.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from benchmarks.populations import main_ring
from coilbell.board.simulation import Fixture, Winding, catalogue
from coilbell.board.simulation.junction import THERMAL_VOLTS
from coilbell.board.simulation.part import Loop, Part
from coilbell.decay import LADDER_VOLTS, Bend
from coilbell.decay.envelope import bessel_rise
from coilbell.record import Capacitor, Connection, Loading
from coilbell.terms import Attached, Step
from coilbell.winding import AmplitudeLaw, Capture, Condition, Observation, Reference, healthy_of, kind_named
from coilbell.winding.odds.attachment import shares
from coilbell.winding.odds.faultfile import span, value

__all__ = [
    "STRAY",
    "Exam",
    "Truth",
    "by_tables",
    "contested",
    "done_of",
    "observed_in_set",
    "reference_of",
    "shows_alone",
    "stage_of",
]

STRAY = 1.9e-9
"""Capacitance of leads and input of the tester [F]."""
PAIRS = ((22e-9, 2.2e-9), (100e-9, 22e-9))
"""Test capacitors, largest first: usual, and for rings above `HIGH_HZ` with 22 nF."""
HIGH_HZ = 110e3
ERRORS = (1.5e-4, 3e-3)
"""Relative error of f and Q of a ladder's fit (shared captures: median 1e-4 and 2e-3)."""
GOOD_UNITS = 6

LINE = (
    (),
    (Step.YOKE_OFF,),
    (Step.YOKE_OFF, Step.TUBE_BASE_OFF),
    (Step.YOKE_OFF, Step.TUBE_BASE_OFF, Step.RETURN_LIFTED, Step.COILS_OFF),
)
SWITCH: tuple[tuple[Step, ...], ...] = ((),)

WINDINGS = (
    *("healthy",) * 9,
    *("turn-dead", "section-shorted", "low-voltage-shorted", "external-loop", "turn-dead", "section-shorted"),
    *("turn-0.1-ohm", "turn-1-ohm", "turn-10-ohm"),
    "core-changed",
)
"""States of the winding, as often as they stand here; the high-voltage ones come beside in line sets."""
HIGH = ("high-voltage-part-shorted", "high-voltage-turn")
LEAKY = ("turn-0.1-ohm", "turn-1-ohm", "turn-10-ohm", "high-voltage-turn")
SOUND = ("healthy", "core-changed", "loaded", "capacitance", "rectifier-first-shorted")
SET_FAULTS = (
    *("",) * 14,
    *("switch-leaky", "damper-leaky", "snubber-shorted", "rectifier-shorted", "rail-rectifier-shorted"),
    *("rectifier-hot", "pulse-loaded", "supply-dry", "clamp-capacitor-shorted", "clamp-diode-shorted"),
    *("tuning-lossy", "rail-shorted", "yoke-shorted", "rectifier-shorted-fusible"),
)
RECTIFIERS = ("rectifier-shorted", "rail-rectifier-shorted", "rectifier-shorted-fusible")


@dataclass(frozen=True, slots=True)
class Truth:
    """What is true of one examination."""

    family: str
    winding: str
    fault: str
    sound: bool
    leaky: bool
    rectifier: bool
    """A rectifier of the set is shorted, so that it cannot be proven sound."""
    core: bool = False

    @property
    def copper(self) -> bool:
        """A short below 0.1 ohm."""
        return not self.sound and not self.leaky


@dataclass(slots=True)
class Exam:
    """One unit in one set: observations by stage, in the order of the stages."""

    truth: Truth
    reference: Reference
    stages: list[list[Observation]] = field(default_factory=list)
    proven: bool = False
    """A last stage says that every rectifier was tested."""
    shows: bool = False
    """The winding is shorted so that it would show out of circuit."""


def contested(kind: str, families: range, units: int, seed: int) -> Iterator[Exam]:
    """Faults about evenly. kind: "line" or "switch"; families: numbers of the designs."""
    for number in families:
        name = f"{kind}-set-{number}"
        rng = np.random.default_rng((seed, number, len(kind)))
        reference = reference_of(name, rng)
        for unit in range(units):
            part = catalogue.part(name, unit)
            winding = str(rng.choice((*WINDINGS, *HIGH) if kind == "line" else WINDINGS))
            fault = _possible(str(rng.choice(SET_FAULTS)), kind, part)
            if winding == "core-changed":
                part = _with_core(part, math.exp(-rng.uniform(0.1, 0.5)))
            truth = Truth(
                name,
                winding,
                fault,
                sound=winding in SOUND,
                leaky=winding in LEAKY,
                rectifier=fault in RECTIFIERS,
                core=winding == "core-changed",
            )
            state = _state("healthy" if truth.core else winding, [fault] if fault else [])
            yield _examined(truth, part, state, reference, kind, rng)


def _possible(fault: str, kind: str, part: Part) -> str:
    """The fault, or none where a set of that kind cannot have it."""
    assert part.appliance is not None
    never = (
        (fault in ("yoke-shorted", "damper-leaky") and kind == "switch")
        or (fault.startswith("clamp") and kind == "line")
        or (fault == "rail-rectifier-shorted" and len(part.appliance.rails) < 2)
    )
    return "" if never else fault


def _state(winding: str, faults: list[str]) -> str:
    return ",".join(["in-set", *([winding] if winding != "healthy" else []), *faults])


def _with_core(part: Part, factor: float) -> Part:
    return replace(part, core=replace(part.core, henries=part.core.henries * factor))


def reference_of(name: str, rng: np.random.Generator) -> Reference:
    """Good units and a deliberate short of a family, out of circuit."""
    captures = [
        Capture(f"unit-{k}", Condition.GOOD, observed_in_set(good, c, rng, Connection.OUT_OF_CIRCUIT))
        for k in range(GOOD_UNITS)
        for good in [Winding(catalogue.part(name, 10_000 + k), "healthy", _tester())]
        for c in (100e-9, 22e-9, 2.2e-9)
    ]
    shorted = Winding(catalogue.part(name, 10_000), "external-loop", _tester())
    captures += [
        Capture(
            "unit-0",
            Condition.SHORTED,
            observed_in_set(shorted, c, rng, Connection.OUT_OF_CIRCUIT),
            "one-turn loop",
        )
        for c in (100e-9, 22e-9, 2.2e-9)
    ]
    return Reference.begin(name, catalogue.part(name).kind, captures)


def _tester() -> Fixture:
    return Fixture(stray_farads=STRAY)


def done_of(kind: str) -> tuple[tuple[Step, ...], ...]:
    """The stages of a set of that kind."""
    return LINE if kind == "line" else SWITCH


def _examined(
    truth: Truth, part: Part, state: str, reference: Reference, kind: str, rng: np.random.Generator
) -> Exam:
    exam = Exam(truth, reference)
    stages = [*done_of(kind)]
    if not truth.rectifier:
        stages[-1] = (*stages[-1], Step.RECTIFIERS_TESTED)
        exam.proven = True
    for done in stages:
        world = Winding(part, state, _tester(), [str(s) for s in done])
        exam.stages.append(
            [observed_in_set(world, c, rng, Connection.IN_CIRCUIT, done) for c in pair_of(world)]
        )
    winding = truth.winding if truth.winding not in SOUND else ""
    exam.shows = bool(winding) and shows_alone(part, state, exam)
    return exam


def stage_of(part: Part, state: str, done: tuple[Step, ...], rng: np.random.Generator) -> list[Observation]:
    """The rings of one stage, with the two test capacitors that a tester settles for."""
    world = Winding(part, state, _tester(), [str(s) for s in done])
    return [observed_in_set(world, c, rng, Connection.IN_CIRCUIT, done) for c in pair_of(world)]


def pair_of(world: Winding) -> tuple[float, float]:
    """The test capacitors that a tester settles for."""
    ring = main_ring(world, 22e-9)
    return PAIRS[ring is not None and ring.frequency_hz > HIGH_HZ]


def observed_in_set(
    world: Winding,
    farads: float,
    rng: np.random.Generator,
    connection: Connection,
    done: tuple[Step, ...] = (),
) -> Observation:
    """One ring, or the want of one, as a tester with a ladder observes it."""
    mode = main_ring(world, farads)
    base = Observation(
        Capacitor(farads, 0.01, ""),
        None,
        None,
        connection=connection,
        done=done,
        board="simulated",
        loading=Loading(1e-6, STRAY),
    )
    if mode is None:
        return replace(base, recovery_s=1e-4, level_volts=0.01)
    error_f, error_q = ERRORS
    f = mode.frequency_hz * (1 + error_f * rng.standard_normal())
    q = max(mode.q * (1 + error_q * rng.standard_normal()), 0.51)
    return replace(
        base,
        frequency_hz=f,
        q=q,
        frequency_uncertainty=error_f,
        q_uncertainty=error_q,
        amplitude_volts=LADDER_VOLTS[1],
        law=law_of_world(world, farads, rng) if connection is Connection.IN_CIRCUIT else None,
    )


RISE_ERROR, VOLTS_ERROR = 0.01, 0.1
"""Errors of a ladder's rise and of V (tests/truth/test_ladder_law.py)."""
NAMED_RISE = 0.05
"""Rise from which a ladder names its law [1]."""


def law_of_world(world: Winding, farads: float, rng: np.random.Generator) -> AmplitudeLaw:
    """What a ladder says of a circuit: 1/Q that an exponential reads from 60 and from 270 mV."""
    amplitudes = np.geomspace(1e-3, 0.27, 12)
    rates, volts = _rates(world, farads, amplitudes)
    low, high = (_read(amplitudes, rates, LADDER_VOLTS[k]) for k in (0, 2))
    rise = high / low - 1 + RISE_ERROR * rng.standard_normal()
    if rise < NAMED_RISE or volts is None:
        return AmplitudeLaw(Bend.NONE, rise, 2 * RISE_ERROR)
    told = volts * math.exp(VOLTS_ERROR * rng.standard_normal())
    return AmplitudeLaw(Bend.JUNCTION, rise, 2 * RISE_ERROR + 0.1 * rise, told, 1.5 * VOLTS_ERROR * told)


Array = npt.NDArray[np.float64]


def _rates(world: Winding, farads: float, amplitudes: Array) -> tuple[Array, float | None]:
    """Decay rate of the main ring at each amplitude [1/s], and V of the junction that bends it the most."""
    system, mode = world.state_space(farads), main_ring(world, farads)
    junctions = world.junctions
    assert mode is not None
    pole = complex(-mode.decay_per_s, 2 * math.pi * mode.frequency_hz)
    thermal = np.array([j.emission * THERMAL_VOLTS for j in junctions])
    slopes = np.array([j.saturation_amps for j in junctions]) / thermal
    grown, rates, ratio = np.ones(len(junctions)), [], np.zeros(len(junctions))
    for amplitude in amplitudes:
        matrix = system.a - (system.b[:, 1:] * (slopes * grown)) @ system.c[1:]
        values, right = np.linalg.eig(matrix)
        k = int(np.argmin(np.abs(values - pole)))
        pole, shape = values[k], right[:, k]
        ratio = np.abs(system.c[1:] @ shape / (system.c[0] @ shape))
        rates.append(-float(pole.real))
        # The next amplitude is a little larger; the conductance follows it.
        grown = bessel_rise(amplitude * ratio / thermal)
    if not len(junctions):
        return np.array(rates), None
    added = slopes * ratio**2 * (bessel_rise(0.2 * ratio / thermal) - 1)
    first = int(np.argmax(added))
    return np.array(rates), float(thermal[first] / max(ratio[first], 1e-6))


def _read(amplitudes: Array, rates: Array, start: float) -> float:
    """The decay rate that an exponential finds of a ring from that amplitude (line through ln a by a^2)."""
    times = np.linspace(0.0, 5 / rates[0], 300)
    log, found = math.log(start), []
    for step in np.diff(times, append=times[-1]):
        found.append(log)
        log -= float(np.interp(log, np.log(amplitudes), rates)) * step
    weights = np.exp(2 * np.array(found))
    middle = times - (weights * times).sum() / weights.sum()
    return -float((weights * middle * np.array(found)).sum() / (weights * middle**2).sum())


def shows_alone(part: Part, state: str, exam: Exam) -> bool:
    """True for a short that moves f or Q of its own ring out of circuit by three spreads of the reference's
    units, with a capacitor that was used: the definition of what shows."""
    winding = state.split(",")[1]
    free, bad = Winding(part, "healthy", _tester()), Winding(part, winding, _tester())
    used = {o.capacitor for stage in exam.stages for o in stage}
    by = healthy_of(exam.reference, [c for c in exam.reference.capacitors() if c in used])
    m = len(by.capacitors)
    for k, capacitor in enumerate(by.capacitors):
        sound, short = main_ring(free, capacitor.farads), main_ring(bad, capacitor.farads)
        if sound is None or short is None:
            return True
        moved_f = abs(math.log(short.natural_frequency_hz / sound.natural_frequency_hz))
        moved_q = abs(math.log(short.q / sound.q))
        if moved_f > 3 * by.between[k] or moved_q > 3 * by.between[m + k]:
            return True
    return False


# --- by the shares of the tables ---


def by_tables(kind: str, families: range, units: int, seed: int) -> Iterator[Exam]:
    """Winding and set as often, and as severe, as winding/faults.toml says."""
    for number in families:
        name = f"{kind}-set-{number}"
        rng = np.random.default_rng((seed, number, len(kind), 7))
        reference = reference_of(name, rng)
        met = shares(kind_named(catalogue.part(name).kind))
        for unit in range(units):
            part, faults = _set_by_shares(catalogue.part(name, unit), met, kind, rng)
            part, winding = _winding_by_shares(part, kind, rng)
            faults += ["rectifier-all-shorted"] * (
                winding == "healthy" and kind == "line" and rng.random() < met[Attached.TUBE]
            )
            truth = Truth(
                name,
                winding,
                ",".join(faults),
                sound=winding in SOUND,
                leaky=False,
                rectifier=any(f in RECTIFIERS for f in faults),
                core=winding == "core-changed",
            )
            yield _examined(truth, part, _state(_STATES.get(winding, winding), faults), reference, kind, rng)


_STATES = {"core-changed": "healthy", "loaded": "turn-dead", "capacitance": "capacitance-added"}
"""A resistance on the part is a turn without leakage; see `_winding_by_shares`."""


def _set_by_shares(
    part: Part, met: dict[Attached, float], kind: str, rng: np.random.Generator
) -> tuple[Part, list[str]]:
    """The part in a set that has each thing as often as the table says, and what has failed in it."""
    around = part.appliance
    assert around is not None
    there = {one: rng.random() < share for one, share in met.items()}
    if not there[Attached.YOKE]:
        around = replace(around, yoke=None)
    if not there[Attached.HEATER]:
        around = replace(around, heater=None)
    faults = []
    if there[Attached.RECTIFIER]:
        faults.append(str(rng.choice(RECTIFIERS)))
    if there[Attached.LOAD]:
        faults.append(str(rng.choice(("switch-leaky", "snubber-shorted", "pulse-loaded"))))
    if there[Attached.JUNCTION] and kind == "line":
        faults.append("damper-leaky")
    if there[Attached.SCHOTTKY] and "rectifier-shorted" not in "".join(faults):
        faults.append("rectifier-hot")
    if there[Attached.YOKE_SHORTED] and kind == "line" and there[Attached.YOKE]:
        faults.append("yoke-shorted")
    if there[Attached.DEVICE]:
        faults.append("switch-shorted")
    if there[Attached.CLAMP] and kind == "switch":
        faults.append("clamp-diode-shorted")
    faults = [f for f in faults if f == _possible(f, kind, part)]
    return replace(part, appliance=around), faults


def _winding_by_shares(part: Part, kind: str, rng: np.random.Generator) -> tuple[Part, str]:
    """The winding's state by the shares of the tables, half of all with a shorted turn."""
    if rng.random() < 0.5:
        return _shorted_by_shares(part, kind, rng)
    names = ("nothing", "load", "core", "capacitance_high_voltage" if kind == "line" else "capacitance")
    weights = np.array([value(f"causes.{name}") for name in names])
    which = names[int(rng.choice(len(names), p=weights / weights.sum()))]
    if which == "load":
        # A resistance across the winding is a turn without leakage through that resistance over N^2.
        low, high = span("load.siemens")
        reactance = part.core.henries * part.coils[0].turns ** 2 / math.sqrt(part.henries * 22e-9)
        ohms = reactance / (low * (high / low) ** rng.random()) / part.coils[0].turns ** 2
        return _with_loop(part, "turn", Loop(1, ohms, 1e-12)), "loaded"
    if which == "core":
        low, high = span("core.step")
        step = low * (high / low) ** rng.random()
        down = rng.random() < value("core.less")
        return _with_core(part, math.exp(-step if down else step * value("core.more"))), "core-changed"
    if which == "nothing":
        return part, "healthy"
    split = part.high_voltage is not None and part.high_voltage.sections > 1
    return part, "rectifier-first-shorted" if split else "capacitance"


def _shorted_by_shares(part: Part, kind: str, rng: np.random.Generator) -> tuple[Part, str]:
    names = ["own_beside_others", "whole_winding", "outside_loop"] + ["thin_turns"] * (kind == "line")
    weights = np.array([value(f"copper.{name}") for name in names])
    which = names[int(rng.choice(len(names), p=weights / weights.sum()))]
    turns, per_turn = part.coils[0].turns, part.core.henries
    leakage = _spread(rng, *kind_named(part.kind).turn_leakage)
    wire = part.coils[0].ohms / turns
    if which == "own_beside_others":
        single, dead = rng.random() < value("own_turns.single"), rng.random() < value("own_turns.dead")
        count = 1.0 if single else _spread(rng, 1.0, turns / 2)
        contact = value("own_turns.dead_ohms") if dead else _spread(rng, *span("own_turns.contact_ohms"))
        loop = Loop(count, count * wire + contact, count**2 * per_turn * leakage)
        return _with_loop(part, "turn", loop), "turn-dead"
    if which == "thin_turns":
        count, slack = _spread(rng, 1, 300), _spread(rng, *span("thin_turns.leakage"))
        second = math.sqrt(part.henries * 22e-9)
        ohms = count**2 * per_turn / (_spread(rng, *span("thin_turns.loop_time")) * second)
        return _with_loop(part, "high-voltage part", Loop(count, ohms, count**2 * per_turn * slack)), (
            "high-voltage-part-shorted"
        )
    return part, "low-voltage-shorted" if which == "whole_winding" else "external-loop"


def _with_loop(part: Part, name: str, loop: Loop) -> Part:
    return replace(part, loops={**part.loops, name: loop})


def _spread(rng: np.random.Generator, low: float, high: float) -> float:
    """Uniform in its logarithm."""
    return float(low * (high / low) ** rng.random())
