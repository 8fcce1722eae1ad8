"""Judgements of real coils from open data: magnetic pickups, their rings computed from measured impedances.

GitHub strayr/pickupAnalyseR-data @7760780, CC0; rings with test capacitors in ../shared/open-data, read where
they lie. The healthy slopes of loss of this thin wire, -1.7 to -1.2, lie where closed copper's do.
"""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path

import pytest

from coilbell.record import Capacitor, Connection
from coilbell.terms import Headline
from coilbell.winding import Capture, Condition, Observation, Reference, find

TABLE = Path(__file__).parents[2] / "../shared/open-data/pickup_rings.csv"
pytestmark = pytest.mark.skipif(not TABLE.exists(), reason="open data of pickups is not on this machine")

TESTS = {"22n": 22e-9, "2n2": 2.2e-9}


def rows() -> list[dict[str, str]]:
    with TABLE.open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def rings(row: dict[str, str], loss: float = 1.0, f: float = 1.0) -> list[Observation]:
    """With 22 and 2.2 nF; loss: times 1/Q, f: times the frequency."""
    found = []
    for name in TESTS:
        q = float(row[f"Q_{name}"]) / loss
        capacitor = Capacitor(TESTS[name], 0.01, name)
        found.append(
            Observation(
                capacitor, float(row[f"f_{name}"]) * f, q, 1e-3, 1e-2, connection=Connection.OUT_OF_CIRCUIT
            )
        )
    return found


def test_healthy_slopes_of_thin_wire_convict_nobody() -> None:
    """Each coil against its own rings, a repeat apart: no shorted turn shows, no inductance withheld."""
    assert len(rows()) == 4
    for row in rows():
        good = [Capture("own", Condition.GOOD, o) for o in rings(row)]
        by = Reference.begin("own", "other winding", good)
        again = find(rings(row, loss=1.01, f=0.999), by, unit="own")
        assert again.verdict.headline is Headline.NO_SHORT, row["part"]
        assert again.inductance_henries is not None, row["part"]


def test_a_coil_of_another_make_is_not_convicted_where_nothing_is_known_of_the_kind() -> None:
    """Judged "loaded" for sure while the spreads of an unknown kind were narrow."""
    for one, other in pairwise(rows()):
        good = [Capture("one", Condition.GOOD, o) for o in rings(one)]
        verdict = find(rings(other), Reference.begin("one", "other winding", good)).verdict
        assert verdict.headline is not Headline.SHORTED, (one["part"], other["part"])
