"""Fifteen invented parts of an invented workshop, Tarn Lane.

No part here exists: sizes are orders of magnitude of the trade (common practice, no published source),
and the figures that some of them are tuned to come from a circuit study, not from hardware.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from coilbell.board.simulation.circuit import Winding
from coilbell.board.simulation.condition import CONDITIONS
from coilbell.board.simulation.families import FAMILIES, family, in_its_set
from coilbell.board.simulation.fixture import Fixture
from coilbell.board.simulation.part import Part, Spread
from coilbell.board.simulation.workshop import PARTS
from coilbell.errors import InputError

__all__ = ["names", "part", "population", "states"]


def names() -> tuple[str, ...]:
    """Names of the fifteen parts."""
    return tuple(PARTS)


def part(name: str, seed: int | None = None) -> Part:
    """The part of that name: nominal without a seed, else the unit that the seed draws, in a set of its own.

    Units differ by independent log-normal factors with standard deviations of 10 % in inductance, 25 %
    in core loss, 5 % in resistance and 15 % in capacitance. Raises InputError for an unknown name.
    """
    nominal = family(name) if FAMILIES.fullmatch(name) else PARTS.get(name)
    if nominal is None:
        raise InputError(
            f"no part {name!r} in the catalogue; choose one of: {', '.join(PARTS)}, "
            "or a drawn family with its set, such as line-set-1 or switch-set-1"
        )
    if seed is None:
        return nominal
    return in_its_set(nominal.spread_by(Spread.drawn(np.random.default_rng(seed))), seed)


def states(name: str) -> tuple[str, ...]:
    """Names of the states that this part can be in."""
    nominal = part(name)
    return tuple(state for state, condition in CONDITIONS.items() if condition.fits(nominal))


def population(
    name: str,
    state: str | Callable[[int], str],
    n: int,
    seed: int,
    fixture: Fixture | None = None,
) -> Iterator[Winding]:
    """`n` units of one part in one state, spread as `part` says; the same seed gives the same units.

    state: a name, or a function of the unit's number that gives one. Unit k is the same in every state.
    Raises InputError for unknown names.
    """
    nominal = part(name)
    for k in range(n):
        unit = nominal.spread_by(Spread.drawn(np.random.default_rng((seed, k))))
        yield Winding(unit, state if isinstance(state, str) else state(k), fixture)
