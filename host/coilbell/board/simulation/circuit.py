"""A winding under test: the part in its state, joined to the tester, and how it rings.

Nothing here knows how a ring is judged: the voltages follow from the elements alone.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from coilbell.board.simulation import motion
from coilbell.board.simulation.condition import CONDITIONS, Condition
from coilbell.board.simulation.fixture import Fixture
from coilbell.board.simulation.junction import JunctionMarch
from coilbell.board.simulation.motion import TrueMode
from coilbell.board.simulation.network import GROUND, Junction, Network, StateSpace
from coilbell.board.simulation.part import LEAD, Part, build
from coilbell.errors import InputError

__all__ = ["Winding"]

LONGEST_STEP_S = 0.125e-6
"""Step of the simulation where junctions conduct [s]; linear circuits need none."""

Array = npt.NDArray[np.float64]


class Winding:
    """One unit of a part in one state, with the tester's leads on it.

    part: what is tested; state: a name from `catalogue.states`; fixture: the tester's own parts.
    Raises InputError for a state the part cannot be in.
    """

    def __init__(self, part: Part, state: str = "healthy", fixture: Fixture | None = None) -> None:
        condition = CONDITIONS.get(state)
        if condition is None or not condition.fits(part):
            possible = ", ".join(name for name, c in CONDITIONS.items() if c.fits(part))
            raise InputError(f"{part.name} has no state {state!r}; choose one of: {possible}")
        self.condition: Condition = condition
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
            attach(network, self.part)
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

    def true_modes(self, capacitor_farads: float, pulse_s: float = 0.0) -> tuple[TrueMode, ...]:
        """Natural modes of the small-signal circuit that show at the leads; the ring of most energy first.

        From the eigenvalues of the circuit's matrix; a junction counts as its capacitance alone. The
        residues are those after a pulse of width pulse_s [s], 0 for an impulse.
        """
        return motion.modes(self.state_space(capacitor_farads), pulse_s)

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
        _check(pulse_s, rate_hz, n_samples, pretrigger_samples)
        amps = self.fixture.pulse_amps if pulse_amps is None else pulse_amps
        times = (np.arange(n_samples) - pretrigger_samples) / rate_hz - delay_s
        quiet = int(np.searchsorted(times, 0.0))
        struck = int(np.searchsorted(times, pulse_s))
        volts = np.zeros(n_samples)
        system = self.state_space(capacitor_farads)
        if system.b.shape[1] > 1:
            self._with_junctions(system, volts, times, pulse_s, amps)
        else:
            self._linear(system, volts, times, (quiet, struck), pulse_s, 1 / rate_hz, amps)
        if self.condition.lead_volts:
            volts += self.condition.lead_volts * np.exp(-(times - times[0]) / self.condition.lead_tau_s)
        return volts

    def _with_junctions(
        self, system: StateSpace, volts: Array, times: Array, pulse_s: float, amps: float
    ) -> None:
        march = JunctionMarch(system, self._junctions, LONGEST_STEP_S)
        now = 0.0
        for k in np.flatnonzero(times >= 0):
            then = float(times[k])
            if now < pulse_s:
                march.advance(min(then, pulse_s) - now, amps)
            march.advance(then - max(now, pulse_s), 0.0)
            volts[k] = march.lead_volts(amps if then < pulse_s else 0.0)
            now = then

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
