"""A linear network of parts, and its exact equations of motion.

Every element is kept in a list, so that the same list can be written out for another simulator.
Unknowns are the node voltages v and the inductor currents i:

    C dv/dt = -G v - K i + s        L di/dt = K' v - R i

where a column of K is +1 and -1 at an inductor's two ends and -n at the core node that it is wound on:
the core node carries the flux's voltage per reference turn, so an ideal transformer of ratio n stands
between the coil and the core (the star-connected magnetic model, one leakage inductance per coil).
Nodes without capacitance are eliminated. With C = F F' and x = (F' v, sqrt(L) i) the stored energy is
|x|^2/2, so a passive network gives dx/dt = A x with A + A' negative semidefinite and no step of the
propagation can grow. Modified nodal analysis and its reduction are textbook matter (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from coilbell.errors import InputError

__all__ = ["GROUND", "Capacitor", "Inductor", "Junction", "Network", "Resistor", "StateSpace"]

GROUND = "0"
Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Resistor:
    """A resistance [ohm] between two nodes."""

    a: str
    b: str
    ohms: float


@dataclass(frozen=True, slots=True)
class Capacitor:
    """A capacitance [F] between two nodes."""

    a: str
    b: str
    farads: float


@dataclass(frozen=True, slots=True)
class Inductor:
    """An inductance [H] with series resistance [ohm]; wound on `core` its other share is the core's.

    Its voltage is L di/dt + R i + ratio * v(core), and its current enters the core node ratio times.
    """

    a: str
    b: str
    henries: float
    ohms: float = 0.0
    core: str = GROUND
    ratio: float = 0.0


@dataclass(frozen=True, slots=True)
class Junction:
    """A semiconductor junction: i = I_s (exp(v / (n V_T)) - 1) from anode to cathode, V_T at 300 K.

    saturation_amps: I_s [A]; emission: n [1] (2 for two junctions in series); farads: its capacitance,
    constant [F].
    """

    anode: str
    cathode: str
    saturation_amps: float
    emission: float
    farads: float


@dataclass(frozen=True, slots=True, eq=False)
class StateSpace:
    """dx/dt = A x + B u, y = B_out x + D u, port by port: u flows into a port, y is its voltage."""

    a: Array
    """(n, n) [1/s]."""
    b: Array
    """(n, m)."""
    c: Array
    """(m, n)."""
    d: Array
    """(m, m) [ohm]."""


class Network:
    """Elements between named nodes; node "0" is the common return."""

    def __init__(self) -> None:
        self.resistors: list[Resistor] = []
        self.capacitors: list[Capacitor] = []
        self.inductors: list[Inductor] = []
        self.junctions: list[Junction] = []

    def resistor(self, a: str, b: str, ohms: float) -> None:
        """Add a resistance [ohm]."""
        self.resistors.append(Resistor(a, b, _positive("resistance", ohms)))

    def capacitor(self, a: str, b: str, farads: float) -> None:
        """Add a capacitance [F]."""
        self.capacitors.append(Capacitor(a, b, _positive("capacitance", farads)))

    def inductor(
        self, a: str, b: str, henries: float, ohms: float = 0.0, core: str = GROUND, ratio: float = 0.0
    ) -> None:
        """Add an inductance [H], wound on the core node `core` with `ratio` times the reference turns."""
        self.inductors.append(Inductor(a, b, _positive("inductance", henries), ohms, core, ratio))

    def junction(
        self, anode: str, cathode: str, saturation_amps: float, emission: float, farads: float
    ) -> None:
        """Add a junction; its capacitance [F] joins the linear network."""
        self.junctions.append(Junction(anode, cathode, saturation_amps, emission, farads))
        self.capacitor(anode, cathode, farads)

    def state_space(self, lead: str) -> StateSpace:
        """Equations with one port at `lead` and one per junction, in that order.

        A junction's port current is the current that leaves its anode, its port voltage is the cathode's
        over the anode's. Raises InputError where the elements leave a node undetermined.
        """
        return _Assembly(self, lead).reduced()


class _Assembly:
    """The matrices of a network before and after the nodes without capacitance are eliminated."""

    def __init__(self, network: Network, lead: str) -> None:
        self._network = network
        self._lead = lead

    @cached_property
    def _index(self) -> dict[str, int]:
        network = self._network
        names = [node for r in network.resistors for node in (r.a, r.b)]
        names += [node for c in network.capacitors for node in (c.a, c.b)]
        names += [node for coil in network.inductors for node in (coil.a, coil.b, coil.core)]
        return {name: k for k, name in enumerate(dict.fromkeys(n for n in names if n != GROUND))}

    def _column(self, terms: tuple[tuple[str, float], ...]) -> Array:
        column = np.zeros(len(self._index))
        for node, weight in terms:
            if node != GROUND:
                column[self._index[node]] += weight
        return column

    def _stamped(self, pairs: list[tuple[str, str, float]]) -> Array:
        size = len(self._index)
        matrix = np.zeros((size, size))
        for a, b, value in pairs:
            ends = [self._index[node] for node in (a, b) if node != GROUND]
            for row in ends:
                matrix[row, row] += value
            if len(ends) == 2:
                matrix[ends[0], ends[1]] -= value
                matrix[ends[1], ends[0]] -= value
        return matrix

    def _ports(self) -> Array:
        columns = [self._column(((self._lead, 1.0),))]
        columns += [self._column(((j.anode, -1.0), (j.cathode, 1.0))) for j in self._network.junctions]
        return np.array(columns).T

    def reduced(self) -> StateSpace:
        """Eliminate what has no capacitance and go over to energy coordinates."""
        network = self._network
        capacitance = self._stamped([(e.a, e.b, e.farads) for e in network.capacitors])
        conductance = self._stamped([(e.a, e.b, 1 / e.ohms) for e in network.resistors])
        windings = [self._column(((e.a, 1.0), (e.b, -1.0), (e.core, -e.ratio))) for e in network.inductors]
        incidence = np.array(windings).T.reshape(len(self._index), len(windings))
        held = np.any(capacitance != 0, axis=1)
        ports = self._ports()
        free_solve = _inverse(conductance[np.ix_(~held, ~held)])
        across = conductance[np.ix_(held, ~held)] @ free_solve
        node_g = conductance[np.ix_(held, held)] - across @ conductance[np.ix_(~held, held)]
        node_k = incidence[held] - across @ incidence[~held]
        branch_r = (
            np.diag([e.ohms for e in network.inductors]) + incidence[~held].T @ free_solve @ incidence[~held]
        )
        f_inverse = _inverse_factor(capacitance[np.ix_(held, held)])
        root = np.array([e.henries for e in network.inductors]) ** -0.5
        coupling = f_inverse @ node_k * root
        a = np.block(
            [
                [-f_inverse @ node_g @ f_inverse.T, -coupling],
                [coupling.T, -root[:, None] * branch_r * root],
            ]
        )
        node_in = f_inverse @ (ports[held] - across @ ports[~held])
        branch_in = root[:, None] * (incidence[~held].T @ free_solve @ ports[~held])
        return StateSpace(
            a,
            np.vstack([node_in, branch_in]),
            np.hstack([node_in.T, -branch_in.T]),
            ports[~held].T @ free_solve @ ports[~held],
        )


def _positive(what: str, value: float) -> float:
    if not 0 < value < np.inf:
        raise InputError(f"{what} {value!r} cannot be simulated; give a positive finite number")
    return value


def _inverse(matrix: Array) -> Array:
    try:
        return np.asarray(np.linalg.inv(matrix), dtype=np.float64)
    except np.linalg.LinAlgError:
        raise InputError("a node hangs on inductors alone; give it a resistance or a capacitance") from None


def _inverse_factor(capacitance: Array) -> Array:
    try:
        return np.asarray(np.linalg.inv(np.linalg.cholesky(capacitance)), dtype=np.float64)
    except np.linalg.LinAlgError:
        raise InputError("a group of nodes floats on capacitors alone; tie it to node 0") from None
