"""A winding under test: the part in its state, joined to the tester, and how it rings.

Nothing here knows how a ring is judged: the voltages follow from the elements alone.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from coilbell.board.simulation import motion
from coilbell.board.simulation.condition import (
    CONDITIONS,
    IN_SET,
    WINDING_FAULTS,
    Condition,
    condition_named,
)
from coilbell.board.simulation.connection import Removable
from coilbell.board.simulation.fixture import Fixture
from coilbell.board.simulation.junction import THERMAL_VOLTS, JunctionMarch
from coilbell.board.simulation.motion import TrueMode
from coilbell.board.simulation.network import GROUND, Junction, Network, StateSpace
from coilbell.board.simulation.part import LEAD, Part, build
from coilbell.board.simulation.setting import SET_FAULTS, attach_set
from coilbell.errors import InputError
from coilbell.terms import RECORDED

__all__ = ["Winding"]

LONGEST_STEP_S, SET_STEP_S = 0.125e-6, 1e-6
"""Step of the simulation where junctions conduct, at most [s]; linear circuits need none. A set's junctions
hardly conduct at a tester's volts: with either step its rings agree within 3e-4 of their peak."""
LEAKY_AMPS = 1e-5
"""Saturation current from which a junction conducts hard enough to want the shorter step [A]."""
QUIET = 0.4
"""Swing of every junction over a cycle, in its own n V_T, below which the circuit is linear from then on
[1]: a
junction's conductance differs from its straight one by (0.2)^2/8, half a hundredth, and less as the ring
fades."""
STEPS_A_CYCLE = 40.0
"""Steps in a cycle of the strongest ring, at least [1]. Only the junctions' own currents suffer from a
step, by (2 pi/40)^2/24, a thousandth of what they add."""

Array = npt.NDArray[np.float64]


class Winding:
    """One unit of a part in one state, with the tester's leads on it.

    part: what is tested; state: a name from `catalogue.states`, or "in-set" with what is wrong after commas;
    fixture: the tester's own parts; done: steps that took parts of the set off (`terms.RECORDED`).
    Raises InputError for a state the part cannot be in, and for steps that there are not.
    """

    def __init__(
        self,
        part: Part,
        state: str = "healthy",
        fixture: Fixture | None = None,
        done: Collection[str] = (),
    ) -> None:
        condition = condition_named(state)
        if condition is None or not condition.fits(part):
            raise InputError(f"{part.name} has no state {state!r}; choose one of: {_possible(part)}")
        if unknown := sorted(set(done) - set(RECORDED)):
            raise InputError(f"no step {unknown[0]!r}; choose from: {', '.join(RECORDED)}")
        self.condition: Condition = condition
        self.done = frozenset(done)
        self.part = part if condition.change is None else condition.change(part)
        self.fixture = fixture or Fixture()
        self._systems: dict[float, StateSpace] = {}
        self._junctions: tuple[Junction, ...] = ()

    def network(self, capacitor_farads: float) -> Network:
        """Every element of part, state and tester, with the given test capacitor [F]."""
        network = Network()
        self.fixture.build(network, capacitor_farads)
        if self.condition.broken_winding:
            # Half the capacitance stays on the lead's side of the break, tied down by leakage.
            build(self.part, network, "broken")
            network.capacitor(LEAD, GROUND, self.part.coils[0].farads / 2)
            network.resistor(LEAD, "broken", 1e12)
        else:
            build(self.part, network)
        for attach in self.condition.attach:
            if not (isinstance(attach, Removable) and attach.step in self.done):
                attach(network, self.part)
        if self.condition.faults is not None:
            attach_set(network, self.part, self.condition.faults, self.done)
        return network

    def state_space(self, capacitor_farads: float) -> StateSpace:
        """The circuit's equations, first port at the leads, kept for each test capacitor [F]."""
        system = self._systems.get(capacitor_farads)
        if system is None:
            network = self.network(capacitor_farads)
            self._junctions = tuple(network.junctions)
            system = network.state_space(LEAD)
            self._systems[capacitor_farads] = system
        return system

    @property
    def junctions(self) -> tuple[Junction, ...]:
        """What conducts, in the order of the ports after the leads; known from `state_space` on."""
        return self._junctions

    def true_modes(self, capacitor_farads: float, pulse_s: float = 0.0) -> tuple[TrueMode, ...]:
        """Natural modes of the small-signal circuit that show at the leads; the ring of most energy first.

        From the eigenvalues of the circuit's matrix; a junction counts as its capacitance and its conductance
        at rest. The residues are those after a pulse of width pulse_s [s], 0 for an impulse.
        """
        system = self.state_space(capacitor_farads)
        slopes = np.array([j.saturation_amps / (j.emission * THERMAL_VOLTS) for j in self._junctions])
        if slopes.size:
            system = replace(system, a=system.a - (system.b[:, 1:] * slopes) @ system.c[1:])
        return motion.modes(system, pulse_s)

    def ring_mode(self, capacitor_farads: float, pulse_s: float = 0.0) -> TrueMode | None:
        """The ring of most energy at the leads.

        None where nothing oscillates with a hundredth of the lead voltage.
        """
        found = self.true_modes(capacitor_farads, pulse_s)
        floor = 0.01 * max(abs(mode.residue) for mode in found)
        rings = (mode for mode in found if mode.frequency_hz > 0 and abs(mode.residue) >= floor)
        return next(rings, None)

    def lead_volts(self, t: float) -> float:
        """Voltage at the leads from the set itself at time t [s], before any pulse [V]."""
        return self.condition.lead_volts * float(np.exp(-t / self.condition.lead_tau_s))

    def ring(
        self,
        capacitor_farads: float,
        pulse_s: float,
        rate_hz: float,
        n_samples: int,
        pretrigger_samples: int = 0,
        delay_s: float = 0.0,
        pulse_amps: float | None = None,
    ) -> Array:
        """Voltage across the winding at the converter's sample instants [V], shape (n_samples,).

        Sample i is taken at t = (i - pretrigger_samples)/rate_hz after time 0; the current pulse lasts
        from delay_s to delay_s + pulse_s. pulse_amps replaces the tester's current [A]. Raises
        InputError for settings that make no capture.
        """
        amps = self.fixture.pulse_amps if pulse_amps is None else pulse_amps
        setting = (rate_hz, n_samples, pretrigger_samples, delay_s)
        return np.asarray(self._rings(capacitor_farads, (pulse_s,), setting, amps)[0])

    def ladder(
        self,
        capacitor_farads: float,
        pulses_s: Sequence[float],
        rate_hz: float,
        n_samples: int,
        pretrigger_samples: int = 0,
        delay_s: float = 0.0,
    ) -> Array:
        """Rings by pulses of several widths [s], as `ring` gives each: (len(pulses_s), n_samples) [V].

        Where junctions conduct they march together, which costs little more than one.
        """
        setting = (rate_hz, n_samples, pretrigger_samples, delay_s)
        return self._rings(capacitor_farads, tuple(pulses_s), setting, self.fixture.pulse_amps)

    def _rings(
        self,
        farads: float,
        pulses_s: tuple[float, ...],
        setting: tuple[float, int, int, float],
        amps: float,
    ) -> Array:
        rate_hz, n_samples, pretrigger, delay_s = setting
        for pulse_s in pulses_s:
            _check(pulse_s, rate_hz, n_samples, pretrigger)
        times = (np.arange(n_samples) - pretrigger) / rate_hz - delay_s
        volts = np.zeros((len(pulses_s), n_samples))
        system = self.state_space(farads)
        if system.b.shape[1] > 1:
            self._with_junctions(system, volts, times, np.array(pulses_s), amps)
        else:
            quiet = int(np.searchsorted(times, 0.0))
            for row, pulse_s in zip(volts, pulses_s, strict=True):
                struck = int(np.searchsorted(times, pulse_s))
                self._linear(system, row, times, (quiet, struck), pulse_s, 1 / rate_hz, amps)
        if self.condition.lead_volts:
            volts += self.condition.lead_volts * np.exp(-(times - times[0]) / self.condition.lead_tau_s)
        return volts

    def _with_junctions(
        self, system: StateSpace, volts: Array, times: Array, pulses_s: Array, amps: float
    ) -> None:
        march = JunctionMarch(system, self._junctions, self._step_s(system), len(pulses_s))
        now, ends = 0.0, sorted(set(pulses_s.tolist()))
        look = _look(system, float(times[1] - times[0]))
        for k in np.flatnonzero(times >= 0):
            then = float(times[k])
            for stop in [end for end in ends if now < end < then] + [then]:
                march.advance(stop - now, np.where(now < pulses_s, amps, 0.0))
                now = stop
            volts[:, k] = march.lead_volts(np.where(then < pulses_s, amps, 0.0))
            if k % look == 0 and march.swing() < QUIET and now > ends[-1] + look * (times[1] - times[0]):
                for run, row in enumerate(volts):
                    start = np.append(march.state[:, run], 1.0)
                    rest = motion.sweep(
                        march.small_signal(run), start, float(times[1] - times[0]), int(times.size - k)
                    )
                    row[k:] = rest[:, :-1] @ system.c[0]
                return

    def _step_s(self, system: StateSpace) -> float:
        leaky = max(j.saturation_amps for j in self._junctions) > LEAKY_AMPS
        if self.condition.faults is None or leaky:
            return LONGEST_STEP_S
        fastest = max((m.frequency_hz for m in motion.modes(system, visible=0.1)), default=1e4)
        return min(SET_STEP_S, 1 / (STEPS_A_CYCLE * max(fastest, 1e3)))

    def _linear(
        self,
        system: StateSpace,
        volts: Array,
        times: Array,
        marks: tuple[int, int],
        pulse_s: float,
        step_s: float,
        amps: float,
    ) -> None:
        quiet, struck = marks
        lead = system.c[0]
        if struck > quiet:
            start = np.append(motion.after_pulse(system, amps, float(times[quiet])), 1.0)
            held = motion.sweep(motion.augmented(system, amps), start, step_s, struck - quiet)
            volts[quiet:struck] = held[:, :-1] @ lead + system.d[0, 0] * amps
        if struck < volts.size:
            free = motion.advanced(
                system, motion.after_pulse(system, amps, pulse_s), float(times[struck]) - pulse_s
            )
            volts[struck:] = motion.sweep(system.a, free, step_s, volts.size - struck) @ lead


def _check(pulse_s: float, rate_hz: float, n_samples: int, pretrigger_samples: int) -> None:
    if not (0 < pulse_s < 1 and 0 < rate_hz < 1e9):
        raise InputError(f"pulse {pulse_s!r} s at {rate_hz!r} samples a second; give positive numbers")
    if not 0 <= pretrigger_samples <= n_samples:
        raise InputError(f"{pretrigger_samples} pre-trigger of {n_samples} samples; give at most all of them")


def _look(system: StateSpace, step_s: float) -> int:
    """Samples that hold a cycle of the slowest ring that shows, and of a slow return for what does not
    ring."""
    slowest = min((m.frequency_hz for m in motion.modes(system, visible=0.1) if m.frequency_hz), default=1e4)
    return max(8, math.ceil(1 / (max(slowest, 2e3) * step_s)))


def _possible(part: Part) -> str:
    names = ", ".join(name for name, one in CONDITIONS.items() if one.fits(part))
    if part.appliance is None:
        return names
    faults = ", ".join([*(n for n in WINDING_FAULTS if CONDITIONS[n].fits(part)), *SET_FAULTS])
    return f"{names}, {IN_SET}; {IN_SET} takes what is wrong after commas: {faults}"
