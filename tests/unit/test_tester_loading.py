"""What the tester itself adds is taken off: from the board's constants to the winding's own figures."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from coilbell import board
from coilbell.bench.files import recordjson
from coilbell.bench.log import fitted, samples
from coilbell.decay import fit
from coilbell.errors import RecordError
from coilbell.record import Capacitor, Loading, Record
from coilbell.winding import (
    Capture,
    Condition,
    Observation,
    Reference,
    decode,
    encode,
    find,
    kind_named,
    observe,
)

HENRIES, FARADS, SERIES_OHMS = 2.2e-3, 180e-12, 2.0
TESTER = Loading(2e-6, 1.9e-9, 1e-8, 2e-11)
A, B = Capacitor(22e-9, 1e-4, "A"), Capacitor(2.2e-9, 1e-4, "B")


def ring_of(capacitor, tester=TESTER, stated=True):
    """An ideal ring of the winding with this capacitor and the tester across it."""
    farads = capacitor.farads + FARADS + tester.farads
    decay = (SERIES_OHMS / HENRIES + tester.siemens / farads) / 2
    natural = (1 + SERIES_OHMS * tester.siemens) / (HENRIES * farads)
    angular = math.sqrt(natural - decay**2)
    times = np.arange(4096) / 500e3
    rng = np.random.default_rng(4)
    volts = 0.3 * np.exp(-decay * times) * np.cos(angular * times) + 2e-4 * rng.standard_normal(times.size)
    return Record(
        volts,
        rate_hz=500e3,
        volts_per_count=1.0,
        test_capacitor=capacitor,
        loading=tester if stated else None,
    )


def test_inductance_of_one_capacitor_is_the_windings_own():
    """1.9 nF of leads and open switches are 8 % of 22 nF: left in, L reads 8 % too high."""
    usual = fitted([ring_of(A)])[1].tank.inductance_h.value
    left_in = fitted([ring_of(A, stated=False)])[1].tank.inductance_h.value
    assert usual == pytest.approx(HENRIES * (1 + FARADS / (A.farads + TESTER.farads)), rel=2e-3)
    assert left_in == pytest.approx(HENRIES * (1 + (FARADS + TESTER.farads) / A.farads), rel=2e-3)


def test_two_capacitors_tell_the_windings_own_stray_capacitance():
    rings = [observe(fit(r), r) for r in (ring_of(A), ring_of(B))]
    found = find(rings, None, kind="power inductor")
    assert found.tank.stray_farads.value == pytest.approx(FARADS, abs=4e-11)
    assert found.tank.inductance_henries.value == pytest.approx(HENRIES, rel=3e-3)


def test_a_board_tells_what_it_adds():
    with board.Tester.open("virtual:?part=tarn-yoke-line&seed=3&hurry=1&pace=0") as tester:
        record = tester.capture(board.Settings(capacitor="A", shots=1, samples=512))[0]
        assert record.loading == tester.identity.loading()
    assert record.loading.farads == pytest.approx(25e-12)
    assert record.loading.siemens == pytest.approx(1e-6)


def test_kept_in_record_files_the_log_and_references():
    record = ring_of(A)
    assert recordjson.decode(recordjson.encode([record]))[0].loading == TESTER
    assert samples.unpacked(samples.packed(record)).loading == TESTER
    seen = observe(fit(record), record)
    made = Reference("coil", kind_named("power inductor"), (Capture("unit 1", Condition.GOOD, seen, "", ""),))
    assert decode(encode(made)).captures[0].observation.loading == TESTER
    plain = dataclasses.replace(
        made, captures=(dataclasses.replace(made.captures[0], observation=Observation(A, 2e4, 30.0)),)
    )
    assert "loading" not in encode(plain)


@pytest.mark.parametrize(
    "wrong", [{"siemens": -1e-6}, {"farads": math.inf}, {"farads_uncertainty": math.nan}]
)
def test_a_loading_that_cannot_be_is_refused(wrong):
    with pytest.raises(RecordError, match="loading"):
        Loading(**wrong)
