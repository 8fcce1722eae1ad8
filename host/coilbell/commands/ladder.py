"""What `capture --ladder` strikes: rungs of rising amplitude with two test capacitors, as one capture each.

A probe at 130 mV, interleaved so that no ring folds, tells frequency and noise. From it follow which two
test capacitors are taken, whether their rings need interleaving and how many shots each rung asks.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from coilbell.errors import InputError, MeasurementError
from coilbell.quantities import counted
from coilbell.record import Connection

if TYPE_CHECKING:
    from coilbell.bench.log import ItemLog
    from coilbell.board import Aim, Settings, Tester
    from coilbell.record import Record

__all__ = [
    "IN_CIRCUIT_VOLTS",
    "LadderPlan",
    "caution",
    "climb",
    "plan",
    "ring_volts",
    "rung_shots",
    "unfolded",
    "usual_letters",
    "with_low_rung",
]

RUNGS = (0.06, 0.13, 0.27)
"""First peaks of the rungs [V]; the lowest comes once more at the end."""
NAMING_VOLTS = 0.5
"""The rung that only names a junction [V]; there every sound set conducts (simulated)."""
IN_CIRCUIT_VOLTS = 0.13
"""First peak at which a winding in circuit is judged [V]: at 250 to 400 mV sound sets conduct (simulated)."""
HIGH_HZ = 110e3
"""Ring with 22 nF from which the pair is 100 and 22 nF: with 2.2 nF it would ring near half the sampling
rate."""
FOLDS = 0.4
"""Part of the sampling rate up to which a ring is safely no folded one."""
INTERLEAVE = 4
"""Shots in one record where a ring may be folded: 2 million samples a second."""
MOST_SHOTS = {0.06: 16, 0.13: 6, 0.27: 2}
"""Shots of a rung at the most: a whole ladder with two capacitors has 5 s (tests/benchmarks/incircuit.py)."""
AGAIN_SHOTS = 4
"""Shots of the lowest rung at the end: enough to see a loss moved by 2 %."""
LOW_SHOTS = 4
"""Shots at 130 mV that come with every ring out of circuit."""
USUAL_NOISE_V = 0.35e-3
"""Noise of a sample at which the rungs take 16, 4 and 1 shots [V]: 1.2 counts, as two of the chips have."""
NAMES_FROM = 0.05
"""Rise of 1/Q to the rung at 270 mV from which the rung at 500 mV is struck to name what bends."""

Step = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class LadderPlan:
    """What the probe settled: how to strike each capacitor's ladder, and the noise of a sample [V].

    A pulse in these settings is one that is near the lowest rung's.
    """

    settings: tuple[Settings, ...]
    noise_v: float


def rung_shots(volts: float, noise_v: float) -> int:
    """Shots of a rung, so that each rung's mean has about the noise over amplitude of one shot at 270 mV.

    Noise of the decay goes as 1/a^2 in the number of shots: (0.27 V/a)^2 (noise/0.35 mV)^2, at
    least one and no more than `MOST_SHOTS`.
    """
    wanted = (RUNGS[-1] / volts) ** 2 * (noise_v / USUAL_NOISE_V) ** 2
    return min(MOST_SHOTS[volts], max(1, round(wanted)))


def plan(tester: Tester, settings: Settings) -> LadderPlan:
    """Strike the probe and settle capacitors, interleave and shots.

    Raises InputError for settings beyond the board's limits, and for a tester without two test capacitors or
    without aims of a stated amplitude.
    """
    from coilbell.board.settings import check

    check(settings, tester.identity)
    farads = _farads(tester)
    middle, low, high = usual_letters(farads)
    if tester.identity.aim_volts is None:
        raise InputError(
            "this board's firmware aims at its own band only; for --ladder: coilbell board flash"
        )
    hz, noise_v, pulse_s = _probed(tester, replace(settings, capacitor=middle, aim_v=IN_CIRCUIT_VOLTS))
    pair = (high, middle) if hz > HIGH_HZ else (middle, low)
    near_s = None if pulse_s is None else pulse_s * RUNGS[0] / IN_CIRCUIT_VOLTS
    each = tuple(
        replace(
            settings,
            capacitor=letter,
            aim_v=None,
            interleave=_interleave(tester, _highest(hz, farads[middle], farads[letter])),
            # With less across the winding the same pulse rings higher, so that this ends below the rung.
            pulse_s=None if near_s is None else near_s * min(1.0, farads[letter] / farads[middle]),
        )
        for letter in pair
    )
    return LadderPlan(each, noise_v)


def unfolded(tester: Tester, asked: Sequence[Settings]) -> tuple[Settings, ...]:
    """The same settings, interleaved where a ring may be above `FOLDS` of the sampling rate.

    A ring above half the rate is seen at another frequency, f - rate, and no record alone tells so: one
    probe, interleaved, with the largest capacitor asked for, tells what the others can ring at.
    """
    farads = _farads(tester)
    largest = max(asked, key=lambda one: farads.get(one.capacitor, 0.0))
    if largest.capacitor not in farads or tester.identity.ticks_per_sample % INTERLEAVE:
        return tuple(asked)
    hz, _, _ = _probed(tester, largest)
    there = farads[largest.capacitor]
    return tuple(
        replace(one, interleave=_interleave(tester, _highest(hz, there, farads.get(one.capacitor, there))))
        for one in asked
    )


def _farads(tester: Tester) -> dict[str, float]:
    """Test capacitors by letter [F]."""
    identity = tester.identity
    held = {letter: identity.capacitor(letter) for letter in identity.capacitors}
    return {letter: one.farads for letter, one in held.items() if one is not None}


def _probed(tester: Tester, settings: Settings) -> tuple[float, float, float | None]:
    """Of two interleaved shots: frequency of the ring [Hz], 0 where there is none, noise of a sample [V], and
    the pulse that the board took [s]."""
    from coilbell.decay import fit

    records = tester.capture(replace(settings, shots=2, interleave=INTERLEAVE))
    found = fit(records, max_modes=_PROBED_MODES)
    hz = found.main.frequency_hz.value if found.rings else 0.0
    return hz, found.noise, records[0].pulse_s if found.rings else None


_PROBED_MODES = 2
"""Modes that a probe's fit may have: its frequency and size are asked for, nothing more."""


def _interleave(tester: Tester, hz: float) -> int:
    """Shots in a record for a ring of that frequency."""
    return INTERLEAVE if hz > FOLDS * float(tester.identity.rate_hz) else 1


def usual_letters(farads: dict[str, float]) -> tuple[str, str, str]:
    """Letters of the capacitors next to 22 nF, the next smaller and the next larger one.

    Raises InputError where there are not two.
    """
    if len(farads) < 2:
        raise InputError(f"this tester has {counted(len(farads), 'test capacitor')}; a ladder needs two")
    middle = min(farads, key=lambda name: abs(math.log(farads[name] / 22e-9)))
    smaller = [name for name in farads if farads[name] < farads[middle]]
    larger = [name for name in farads if farads[name] > farads[middle]]
    low = max(smaller, key=lambda name: farads[name]) if smaller else min(larger, key=lambda n: farads[n])
    return middle, low, min(larger, key=lambda name: farads[name]) if larger else low


def _highest(hz: float, there: float, here: float) -> float:
    """The highest that a winding can ring with another capacitor, nothing else being across it [Hz]."""
    return hz * math.sqrt(there / here) if here < there else hz


def climb(tester: Tester, settings: Settings, noise_v: float, step: Step | None) -> tuple[Record, ...]:
    """The rungs with one capacitor, upwards, the lowest once more at the end; one capture.

    settings.pulse_s: a width near the lowest rung's, None to search for it. Each rung is aimed at by its own
    ring, beginning at the width that the rungs below say; what cannot be reached is the nearest there is,
    told in the record. The rung at 500 mV is struck only where 1/Q has begun to rise. `Tester.arrived` holds
    what came whole where this raises.
    """
    aims: list[Aim] = []
    taken: list[Record] = []
    shots = {volts: math.ceil(rung_shots(volts, noise_v) / settings.interleave) for volts in RUNGS}
    last = min(shots[RUNGS[0]], math.ceil(AGAIN_SHOTS / settings.interleave))
    total = sum(shots.values()) + last
    for volts in (*RUNGS, NAMING_VOLTS, RUNGS[0]):
        if volts == NAMING_VOLTS and not _rises(taken):
            continue
        total += volts == NAMING_VOLTS
        again = [aim for aim in aims if aim.target_v == volts]
        try:
            aim = again[0] if again else _aimed(tester, settings, volts, aims)
        except BaseException:  # what an aim fires is no rung
            tester.arrived = _numbered(taken)
            raise
        aims += [] if again else [aim]
        count = last if again else shots.get(volts, 1)
        rung = replace(settings, pulse_s=aim.pulse_s, aim_v=None, shots=count)
        before = len(taken)

        def told(done: int, _: int, before: int = before, total: int = total) -> None:
            if step is not None:
                step(before + done, total)

        try:
            taken += _marked(tester.capture(rung, told), volts, aim.note)
        except BaseException:
            tester.arrived = _numbered([*taken, *_marked(tester.arrived, volts, aim.note)])
            raise
    tester.arrived = _numbered(taken)
    return tester.arrived


def with_low_rung(tester: Tester, settings: Settings, step: Step | None) -> tuple[Record, ...]:
    """A capture; out of circuit, where the board aims by itself, with `LOW_SHOTS` at 130 mV before it."""
    wanted = settings.connection is Connection.OUT_OF_CIRCUIT and settings.pulse_s is None
    if not wanted or settings.aim_v is not None or tester.identity.aim_volts is None:
        return tester.capture(settings, step)
    low = tester.capture(replace(settings, aim_v=IN_CIRCUIT_VOLTS, shots=LOW_SHOTS))
    try:
        taken = [*_marked(low, IN_CIRCUIT_VOLTS), *tester.capture(settings, step)]
    except BaseException:
        tester.arrived = _numbered([*_marked(low, IN_CIRCUIT_VOLTS), *tester.arrived])
        raise
    tester.arrived = _numbered(taken)
    return tester.arrived


def _aimed(tester: Tester, settings: Settings, volts: float, below: Sequence[Aim]) -> Aim:
    """The pulse for one rung; below: those found for the rungs under it, the lowest first.

    Raises MeasurementError where not even the lowest rung rings.
    """
    pretrigger = max(1, min(settings.pretrigger, 64))
    near_s = _near(volts, below) if below else settings.pulse_s
    aim = tester.aim(settings.capacitor, pretrigger, volts, ring_volts, near_s)
    if not below and near_s is not None and aim.outcome != "found":
        aim = tester.aim(settings.capacitor, pretrigger, volts, ring_volts, None)
    if not aim.width_ticks or not aim.peak_v > 0:
        raise MeasurementError(
            f"no pulse rings the winding to {volts * 1e3:.0f} mV with capacitor {settings.capacitor}; "
            "take a larger one"
        )
    return aim


def _near(volts: float, below: Sequence[Aim]) -> float:
    """The width that the rungs below say, in a straight line; one alone in proportion [s].

    Both end below the rung rather than above: a pulse gives the less for its width the longer it is.
    """
    last = below[-1]
    if len(below) == 1 or not last.peak_v > below[-2].peak_v:
        return last.pulse_s * volts / last.peak_v
    slope = (last.pulse_s - below[-2].pulse_s) / (last.peak_v - below[-2].peak_v)
    return last.pulse_s + slope * (volts - last.peak_v)


def ring_volts(records: Sequence[Record]) -> tuple[float, float] | None:
    """Envelope of the main ring at the end of its pulse [V at the converter over the gain] and its frequency
    [Hz], None where nothing rings."""
    from coilbell.decay import fit

    found, first = fit(records, max_modes=_PROBED_MODES), records[0]
    if not found.rings or found.unit != "V" or first.rate_hz is None or first.pulse_s is None:
        return None
    ends_s = first.first_s + first.pretrigger / float(first.rate_hz) + first.pulse_s
    return found.main_amplitude(ends_s), found.main.frequency_hz.value


def _marked(records: Sequence[Record], volts: float, note: str = "") -> list[Record]:
    words = {"rung": f"{volts * 1e3:.0f} mV"} | ({"aim": note} if note else {})
    return [replace(r, extra={**r.extra, **words}) for r in records]


def _numbered(records: Sequence[Record]) -> tuple[Record, ...]:
    return tuple(replace(record, shot=k) for k, record in enumerate(records))


def _rises(taken: list[Record]) -> bool:
    """True where the loss at the highest rung so far lies above that at the lowest, so that a law is worth
    naming."""
    from coilbell.decay import fit

    first = fit([r for r in taken if r.pulse_s == taken[0].pulse_s])
    last = fit(taken[-1])
    if not (first.rings and last.rings):
        return False
    return first.main.q.value / last.main.q.value > 1 + NAMES_FROM


def caution(connection: Connection, drawer: ItemLog | None) -> None:
    """Before the first ring in circuit of an examination: what can hurt, and whose rules come first."""
    from coilbell.commands.options import tell
    from coilbell.isolate import cautions

    if connection is not Connection.IN_CIRCUIT or (drawer is not None and drawer.has(connection)):
        return
    tell(
        "coilbell: caution: the leads go on a set that is off, unplugged and discharged, never on a live "
        "one; their voltage is measured before each shot."
    )
    for words in cautions(("mains", "stored charge")):
        tell(f"  {words}")
