"""Pulse to figures on the virtual board: a small part of tests/benchmarks/endtoend.py.

The truth is the circuit's own eigenvalues; the estimator shares nothing with the circuit simulation.
"""

from __future__ import annotations

from itertools import islice

import pytest

from benchmarks.endtoend import Pair, pairs, result
from coilbell import board
from coilbell.board import Settings
from coilbell.decay import fit


def test_intervals_of_random_pairs_hold_the_eigenvalues() -> None:
    results = [result(pair, shots=4, samples=2048) for pair in islice(pairs(7), 6)]
    assert all(r.found for r in results)
    assert all(max(map(abs, r.z)) < 4 for r in results), [(str(r.pair), r.z) for r in results]
    held = [held for r in results for held in r.held]
    # Of 12 intervals at 95 % fewer than 9 hold with a chance of 2 in 1000.
    assert sum(held) >= 9, [(str(r.pair), r.z) for r in results]


def test_interleaving_shows_a_ring_of_about_400_khz_where_a_plain_capture_folds() -> None:
    pair = Pair("moss-choke", "core-cracked", 4, "B")
    truth = pair.world.ring_mode(2.2e-9, 1e-6)
    assert truth is not None
    assert truth.frequency_hz == pytest.approx(400e3, rel=0.01)
    with board.Tester.open(pair.port) as tester:
        asked = {"capacitor": "B", "shots": 4, "samples": 2048}
        plain = fit(tester.capture(Settings(**asked))).main.frequency_hz.value
        quick = fit(tester.capture(Settings(interleave=4, **asked))).main
    assert plain == pytest.approx(500e3 - truth.frequency_hz, rel=1e-3)
    for seen, true in ((quick.frequency_hz, truth.frequency_hz), (quick.q, truth.q)):
        assert abs(seen.value - true) < 4 * seen.standard_uncertainty
        assert seen.standard_uncertainty < 0.01 * true
