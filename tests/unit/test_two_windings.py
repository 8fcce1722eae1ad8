"""Rings with different test capacitors that cannot be of one winding are said to be of two."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.populations import capacitors, observed, reference
from coilbell.board.simulation import CONDITIONS, catalogue
from coilbell.record import Connection
from coilbell.terms import Headline
from coilbell.winding import find

PARTS = [name for name in catalogue.names() if len(capacitors(name, 2)) > 1]


def rung(name: str, state: str, rng: np.random.Generator):
    unit = next(catalogue.population(name, state, 1, int(rng.integers(2**31))))
    return [observed(unit, farads, rng) for farads in capacitors(name, 2)]


@pytest.mark.parametrize("name", PARTS)
def test_a_healthy_and_a_dead_unit_are_told_apart_and_one_unit_never_is(name: str) -> None:
    rng = np.random.default_rng(11)
    by = reference(name, capacitors(name, 2), 3, int(rng.integers(2**31)), shorted=False, rng=rng)
    out = Connection.OUT_OF_CIRCUIT
    states = [s for s in catalogue.states(name) if not CONDITIONS[s].in_circuit]
    whole = rung(name, "healthy", rng)
    for state in states:
        seen = rung(name, state, rng)
        if all(one.rings for one in seen):
            assert find(seen, by, connection=out).verdict.headline is not Headline.TWO_WINDINGS, state
    dead = rung(name, "turn-dead", rng)
    if not all(one.rings for one in dead):
        return
    verdict = find([dead[0], whole[1]], by, connection=out).verdict
    assert verdict.headline is Headline.TWO_WINDINGS
    assert verdict.shows is None
    assert "hardly of one winding" in verdict.why
