"""What a high-voltage winding in sections, with a rectifier after each, puts across the leads.

::

    foot 1 )))) head 1 --|<|-- foot 2 )))) head 2 --|<|-- ... anode

At the few tenths of a volt of a ring no rectifier conducts: each is its small capacitance, and a shorted
one is a wire. The sections' ends float and take the potentials of least energy, so that with one volt
across the winding under test the energy is half the capacitance that the stack reflects. This is exact as
long as the ring stays far below the resonance of the sections' leakage inductance; with everything
shorted, a tube attached and its return grounded it does not, and such a part rings like a shorted winding.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields

import numpy as np

from coilbell.errors import InputError

__all__ = ["RectifierStack"]

Node = tuple[int | None, float]
"""Floating potential it hangs on (None: ground), and its own share above that [V per volt]."""


@dataclass(frozen=True, slots=True)
class RectifierStack:
    """A diode-split high-voltage winding.

    turns_ratio: turns of one section over those of the winding under test [1]; self_farads: across one
    section; foot_farads, head_farads: from a section's ends to ground; diode_farads: across a rectifier;
    anode_farads: what hangs on the anode [F]; return_grounded: the first foot is tied to ground.
    """

    sections: int
    turns_ratio: float
    self_farads: float
    foot_farads: float
    head_farads: float
    diode_farads: float
    anode_farads: float
    return_grounded: bool = False

    def __post_init__(self) -> None:
        if self.sections < 1:
            raise InputError(f"{self.sections} sections in a high-voltage winding; give 1 or more")
        for field in fields(self)[1:7]:
            value = getattr(self, field.name)
            if not (np.isfinite(value) and value > 0):
                raise InputError(f"rectifier stack {field.name} {value!r}; give a number above 0")

    def reflected_farads(self, shorted: Iterable[int] = ()) -> float:
        """Capacitance that the stack puts across the leads with the rectifiers of these numbers shorted [F].

        Numbers run from 1 at the return to `sections` at the anode; raises InputError for others.
        """
        nodes = self._nodes(self._checked(shorted))
        count = 1 + max((node[0] for node in nodes.values() if node[0] is not None), default=-1)
        # Energy of sum_k c_k (B_k x + d_k)^2 / 2 over the floating potentials x, least where grad = 0.
        rows, shares, farads = [], [], []
        for capacitance, a, b in self._capacitors(nodes):
            row = np.zeros(count)
            for (floating, _), sign in ((a, 1.0), (b, -1.0)):
                if floating is not None:
                    row[floating] += sign
            rows.append(row)
            shares.append(a[1] - b[1])
            farads.append(capacitance)
        matrix, share, weight = np.array(rows), np.array(shares), np.array(farads)
        if count:
            stiffness = matrix.T @ (weight[:, None] * matrix)
            share = share - matrix @ np.linalg.solve(stiffness, matrix.T @ (weight * share))
        return float((weight * share**2).sum())

    def added_farads(self, shorted: Iterable[int]) -> float:
        """What these shorted rectifiers add to the capacitance of the sound stack [F]."""
        return self.reflected_farads(shorted) - self.reflected_farads()

    def _checked(self, shorted: Iterable[int]) -> frozenset[int]:
        numbers = frozenset(shorted)
        wrong = sorted(n for n in numbers if not 1 <= n <= self.sections)
        if wrong:
            raise InputError(f"no rectifier {wrong[0]} in this stack; give numbers from 1 to {self.sections}")
        return numbers

    def _nodes(self, shorted: frozenset[int]) -> dict[str, Node]:
        nodes: dict[str, Node] = {"ground": (None, 0.0)}
        here: Node = (None, 0.0) if self.return_grounded else (0, 0.0)
        used = 0 if self.return_grounded else 1
        for k in range(1, self.sections + 1):
            nodes[f"foot{k}"] = here
            nodes[f"head{k}"] = here = (here[0], here[1] + self.turns_ratio)
            if k not in shorted:
                here = (used, 0.0)
                used += 1
        nodes["anode"] = here
        return nodes

    def _capacitors(self, nodes: dict[str, Node]) -> list[tuple[float, Node, Node]]:
        ground, found = nodes["ground"], [(self.anode_farads, nodes["anode"], nodes["ground"])]
        for k in range(1, self.sections + 1):
            foot, head = nodes[f"foot{k}"], nodes[f"head{k}"]
            after = nodes[f"foot{k + 1}"] if k < self.sections else nodes["anode"]
            found += [
                (self.self_farads, head, foot),
                (self.foot_farads, foot, ground),
                (self.head_farads, head, ground),
                (self.diode_farads, head, after),
            ]
        return found
