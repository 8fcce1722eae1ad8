"""Resistance in series: of a test capacitor's way on the board, and of leads and clips. It travels with the
record, comes off the winding's figures, and widens them by what nobody knows of it.

Truth: eigenvalues of the circuit's own state equations, written out here (textbook network theory).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from coilbell.bench.files import recordjson
from coilbell.bench.log.samples import digest, packed, unpacked
from coilbell.errors import RecordError
from coilbell.record import Capacitor, Loading, Record
from coilbell.winding import (
    Capture,
    Condition,
    FreeRing,
    Observation,
    Reference,
    decode,
    encode,
    find,
    kind_named,
    tank_of_one,
    tank_of_several,
)

STRAY, TANGENT = 1.9e-9, 1e-4
WAY = (7.4e-3, 1e-3)
CLIPS = (57e-3, 30e-3)


def rung(henries: float, ohms: float, farads: float, way: float, leads: float) -> tuple[float, float]:
    """(damped frequency [Hz], Q) of L, R and leads in series; across them C_t behind `way`, and STRAY.

    States: current of the coil, voltage of C_t, voltage of STRAY. The dielectric is left to the tank.
    """
    g = 1 / way
    states = np.array(
        [
            [-(ohms + leads) / henries, 0, 1 / henries],
            [0, -g / farads, g / farads],
            [-1 / STRAY, g / STRAY, -g / STRAY],
        ]
    )
    roots = np.linalg.eigvals(states)
    root = max(roots, key=lambda r: r.imag)
    return float(root.imag / (2 * math.pi)), float(abs(root) / (-2 * root.real))


def captured(henries: float, ohms: float, farads: float, way: float, leads: float) -> FreeRing:
    hz, q = rung(henries, ohms, farads, way, leads)
    return FreeRing.from_q(hz, q, 1e-6 * hz, 1e-4 * q)


def coil(henries: float, farads: float) -> float:
    """Series resistance that makes Q 150 with that capacitor [ohm]."""
    return math.sqrt(henries / (farads + STRAY)) / 150


@pytest.mark.parametrize("henries", [30e-6, 300e-6, 2.2e-3, 0.1])
@pytest.mark.parametrize("leads", [0.0, 57e-3])
def test_one_capacitor_gives_the_windings_own_q(henries: float, leads: float) -> None:
    ohms = coil(henries, 22e-9)
    free = captured(henries, ohms, 22e-9, WAY[0], leads)
    known = Capacitor(22e-9, 1e-6, "A", series_ohms=WAY[0])
    tank = tank_of_one(free, known, Loading(farads=STRAY, lead_ohms=leads))
    assert tank.q.value == pytest.approx(150, rel=1e-3)
    assert tank.series_ohms.value == pytest.approx(ohms, rel=1e-3)
    left_in = tank_of_one(free, Capacitor(22e-9, 1e-6), Loading(farads=STRAY))
    assert left_in.q.value < tank.q.value


def test_two_capacitors_give_the_windings_own_resistance() -> None:
    henries, ohms = 100e-6, coil(100e-6, 22e-9)
    captures = [
        (captured(henries, ohms, farads, WAY[0], CLIPS[0]), Capacitor(farads, 1e-6, series_ohms=WAY[0]))
        for farads in (22e-9, 2.2e-9)
    ]
    tank = tank_of_several(captures, Loading(farads=STRAY, lead_ohms=CLIPS[0]))
    assert tank.series_ohms.value == pytest.approx(ohms, rel=2e-3)
    assert tank.inductance_henries.value == pytest.approx(henries, rel=1e-4)
    assert abs(tank.shunt_siemens.value) < 1e-7


@pytest.mark.parametrize("farads", [(22e-9,), (22e-9, 2.2e-9)])
def test_what_nobody_knows_of_it_widens_the_figures(farads: tuple[float, ...]) -> None:
    henries, ohms = 30e-6, coil(30e-6, 22e-9)
    found = []
    for way, leads in ((0.0, 0.0), (WAY[1], CLIPS[1])):
        load = Loading(0.0, STRAY, 0.0, 0.0, CLIPS[0], leads)
        rows = [
            (captured(henries, ohms, c, WAY[0], CLIPS[0]), Capacitor(c, 1e-6, "", 0.0, WAY[0], way))
            for c in farads
        ]
        tank = tank_of_one(*rows[0], load) if len(rows) == 1 else tank_of_several(rows, load)
        found.append(tank.series_ohms.standard_uncertainty)
    # The leads' 30 milliohm are the winding's; of the way's 1 milliohm most, and the more the larger C_t.
    assert found[1] == pytest.approx(CLIPS[1], rel=0.02)
    assert found[0] < 1e-3


def test_intervals_hold_as_often_as_they_say() -> None:
    """Boards whose ways and clips are drawn: contacts of 50 milliohm, 30 from one to the next (lognormal)."""
    rng = np.random.default_rng(19)
    spread = math.sqrt(math.log1p(0.6**2))
    held = {"posts": 0, "clips": 0}
    draws = 600
    for _ in range(draws):
        henries = 10 ** rng.uniform(math.log10(30e-6), -1)
        ohms = coil(henries, 22e-9)
        way = WAY[0] + WAY[1] * rng.standard_normal()
        clips = 7e-3 + 50e-3 * math.exp(spread * rng.standard_normal() - spread**2 / 2)
        posts = 1.2e-3 + 0.6e-3 * rng.standard_normal()
        known = Capacitor(22e-9, 1e-6, "A", 0.0, *WAY)
        for name, true, stated in (("posts", posts, (1.2e-3, 0.6e-3)), ("clips", clips, CLIPS)):
            hz, q = rung(henries, ohms, 22e-9, way, max(true, 1e-5))
            read = q * (1 + 3e-4 * rng.standard_normal())
            free = FreeRing.from_q(hz, read, 1e-6 * hz, 3e-4 * q)
            tank = tank_of_one(free, known, Loading(0.0, STRAY, 0.0, 0.0, *stated))
            held[name] += tank.q.low <= 150 <= tank.q.high
    for name, count in held.items():
        assert 0.93 <= count / draws <= 0.97, (name, count / draws)


CAPACITOR = Capacitor(22e-9, 0.01, "A", 1e-4, *WAY)
LOADING = Loading(4e-8, 1.9e-9, 2.5e-8, 3e-10, *CLIPS)
OLD = (Capacitor(22e-9, 0.01, "A", 1e-4), Loading(4e-8, 1.9e-9, 2.5e-8, 3e-10))


def record(capacitor: Capacitor, loading: Loading) -> Record:
    return Record(np.array([3, 1, 2]), 1e6, test_capacitor=capacitor, loading=loading)


def reference(capacitor: Capacitor, loading: Loading, board: str = "", q: float = 100.0) -> Reference:
    seen = Observation(capacitor, 20e3, q, loading=loading, board=board)
    return Reference("coil", kind_named("power inductor"), (Capture("unit 1", Condition.GOOD, seen, "", ""),))


def test_it_travels_with_the_record() -> None:
    whole = record(CAPACITOR, LOADING)
    for back in (recordjson.decode(recordjson.encode([whole]))[0], unpacked(packed(whole))):
        assert back.test_capacitor == CAPACITOR
        assert back.loading == LOADING
    kept = decode(encode(reference(CAPACITOR, LOADING))).captures[0].observation
    assert (kept.capacitor, kept.loading) == (CAPACITOR, LOADING)


def test_records_and_references_without_it_are_what_they_were() -> None:
    # Taken from the version before the fields were added.
    assert digest(record(*OLD)) == "4262614722d495ff4d9765ff90ba72aacc565c20c88462bfd1048fbdc266c94e"
    assert "f7d136597f64a54afb3c2f301b7acc9ca1ae572cd01cf04ffe85401c37c2ff0d" in encode(reference(*OLD))
    assert b"series" not in recordjson.encode([record(*OLD)])


@pytest.mark.parametrize("ohms", [-1e-3, math.nan, math.inf])
def test_what_is_no_resistance_is_refused(ohms: float) -> None:
    with pytest.raises(RecordError, match="series_ohms"):
        Capacitor(22e-9, series_ohms=ohms)
    with pytest.raises(RecordError, match="lead_ohms"):
        Loading(lead_ohms=ohms)


def test_a_reference_from_another_board_is_moved_by_what_the_boards_take() -> None:
    """A Q 100 winding at 186 kHz: 40 milliohm of copper on the reference's board, 7.4 on ours."""
    henries = 30e-6
    ohms = math.sqrt(henries / (22e-9 + STRAY)) / 100
    rows = []
    for way in (40e-3, 7.4e-3):
        hz, q = rung(henries, ohms, 22e-9, way, 1e-5)
        rows.append((Capacitor(22e-9, 0.01, "A", 0.0, way), hz, q))
    (theirs, hz_then, q_then), (ours, hz, q) = rows
    assert q > 1.07 * q_then
    load = Loading(0.0, STRAY, 0.0, 0.0, 1e-5)
    units = [
        Capture(f"unit {k}", Condition.GOOD, Observation(theirs, hz_then, q_then, loading=load, board="one"))
        for k in range(3)
    ]
    made = Reference("coil", kind_named("power inductor"), tuple(units))
    seen = Observation(ours, hz, q, loading=load, board="two")
    expected = math.exp(-find([seen], made).healthy.location[1])
    assert expected == pytest.approx(q, rel=0.01)
    unknown = Observation(ours, hz, q, board="two")
    assert math.exp(-find([unknown], made).healthy.location[1]) == pytest.approx(q_then, rel=1e-6)
