"""The trade's counts and resistances: the finding must be right for each.

Common practice, no published source: a healthy line-output primary exceeds 99 rings on a counter, about 7
with a low-voltage winding shorted, a failed one 11, a suspect one 18 in circuit and over 99 out of it; 1.0
against 1.3 ohm of resistance is no evidence either way. Counted to 1/40 of the first peak (assumed: the
fraction that makes them agree) these are Q of 84 and more, 6, 9.4 and 15.3: N = sqrt(Q^2 - 1/4)/pi ln 40.
"""

from __future__ import annotations

import math
from functools import cache

import pytest

from coilbell.record import Capacitor, Connection
from coilbell.terms import Headline
from coilbell.winding import Capture, Condition, Finding, Observation, Reference, find

TEST = Capacitor(22e-9, 0.01, "A")
OUT, IN = Connection.OUT_OF_CIRCUIT, Connection.IN_CIRCUIT

COUNTS: list[tuple[str, float, Connection, set[str]]] = [
    ("healthy, out of circuit", 99, OUT, {"like healthy"}),
    ("low-voltage winding shorted", 7, OUT, {"like shorted"}),
    ("failed part", 11, OUT, {"like shorted", "loaded"}),
    ("suspect in circuit", 18, IN, {"loaded", "undecided"}),
    ("the same out of circuit", 99, OUT, {"like healthy"}),
]
"""What it was, rings counted, how connected, what may be said of it."""

COUNT_TO = 1 / 40
"""Fraction of the first peak that makes these counts agree with each other [1]; assumed."""

_HEALTHY_HZ, _HEALTHY_Q = 21.6e3, 128.0
_FREQUENCIES = {7: 111e3, 11: 37.6e3, 18: 21.7e3, 99: 21.6e3}
"""Frequencies that go with these cases: low-voltage winding shorted, dead turn, heavily loaded, whole."""


def count_of(rings: float) -> float:
    """Q that counts `rings` to `COUNT_TO` of the first peak."""
    return math.sqrt((math.pi * rings / math.log(1 / COUNT_TO)) ** 2 + 0.25)


@cache
def line_reference() -> Reference:
    """Three good line-output transformers about 21.6 kHz, Q 128, and one with a loop round its core."""
    good = [
        Capture(f"unit-{k}", Condition.GOOD, Observation(TEST, _HEALTHY_HZ * f, _HEALTHY_Q * q))
        for k, (f, q) in enumerate(((1.0, 1.0), (1.03, 0.9), (0.97, 1.1)))
    ]
    loop = Capture("unit-0", Condition.SHORTED, Observation(TEST, 46e3, 8.0), "one-turn loop")
    return Reference.begin("line-output", "line-output transformer", [*good, loop])


def judged(rings: float, where: Connection, **more: float) -> Finding:
    """The finding for a part that a counter gives so many rings."""
    # "over 99" is what a two-digit counter shows of anything from 99: the healthy Q itself counts 150.
    q = _HEALTHY_Q if rings >= 99 else count_of(rings)
    return find(
        [Observation(TEST, _FREQUENCIES[round(rings)], q)],
        line_reference(),
        connection=where,
        count_to=COUNT_TO,
        **more,
    )


def test_the_counts_of_the_trade_fit_one_threshold() -> None:
    assert count_of(7) == pytest.approx(5.98, abs=0.03)
    assert count_of(11) == pytest.approx(9.38, abs=0.03)
    assert count_of(18) == pytest.approx(15.34, abs=0.03)
    assert 83 < count_of(99) < 85


@pytest.mark.parametrize(("words", "rings", "where", "says"), COUNTS, ids=[c[0] for c in COUNTS])
def test_each_count_leads_to_the_right_finding(
    words: str, rings: float, where: Connection, says: set[str]
) -> None:
    finding = judged(rings, where)
    assert finding.explanation in says, words
    assert round(finding.count.rings) == rings or (rings == 99 and finding.count.rings > 99)


def test_a_suspect_count_in_circuit_convicts_nothing_and_names_what_to_unplug() -> None:
    finding = judged(18, IN)
    assert finding.verdict.headline is Headline.OPEN
    assert "out of circuit" in finding.next_step or "unplug" in finding.next_step
    assert "mains plug" in finding.caution


@pytest.mark.parametrize("rings", [99.0, 7.0])
def test_resistance_is_no_evidence(rings: float) -> None:
    found = [judged(rings, OUT, direct_ohms=ohms) for ohms in (1.0, 1.3)]
    plain = judged(rings, OUT)
    for one in found:
        assert one.explanation is plain.explanation
        assert one.odds is not None
        assert plain.odds is not None
        assert one.odds.shorted == plain.odds.shorted
        assert one.odds.log10_ratio == plain.odds.log10_ratio
