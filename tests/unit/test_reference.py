"""References: what joins, what is refused, how spreads shrink, how they survive a file."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from coilbell.errors import FileError, InputError, ReferenceMismatch
from coilbell.record import Capacitor, Connection
from coilbell.winding import (
    KINDS,
    Capture,
    Condition,
    Explanation,
    Observation,
    Reference,
    decode,
    digest,
    encode,
    find,
    grouped,
    healthy_of,
    origin,
    remarks,
    ring,
)
from coilbell.winding.odds.healthy import healthy

A = Capacitor(22e-9, 0.01, "A")
PRIOR_UNITS = KINDS["horizontal yoke"].spread.weight
B = Capacitor(4.7e-9, 0.01, "B")


def good(unit: str, hz: float = 30e3, q: float = 45.0, capacitor: Capacitor = A, **more: object) -> Capture:
    return Capture(unit, Condition.GOOD, Observation(capacitor, hz, q, **more))  # type: ignore[arg-type]


def yokes(*captures: Capture) -> Reference:
    return Reference.begin("yokes", "horizontal yoke", captures)


def drawn(n: int, seed: int = 4) -> list[Capture]:
    """n units with a spread of 2 % in f and 8 % in Q."""
    rng = np.random.default_rng(seed)
    return [
        good(
            f"unit-{k}",
            30e3 * math.exp(0.02 * rng.standard_normal()),
            45 * math.exp(0.08 * rng.standard_normal()),
        )
        for k in range(n)
    ]


def test_one_unit_rests_on_the_prior_alone() -> None:
    by = healthy_of(yokes(good("a")), [A])
    assert by.prior_share == 1.0
    natural = 30e3 / math.sqrt(1 - 0.25 / 45**2)
    assert math.exp(by.location[0]) == pytest.approx(natural, rel=1e-12)
    # f goes with the root of 1/L: half of 10 %, twice the variance for one unit known and one to come.
    assert by.spreads[0] == pytest.approx(0.05 * math.sqrt(2), rel=0.05)
    assert by.freedom == PRIOR_UNITS


def test_many_units_replace_the_prior() -> None:
    by = healthy_of(yokes(*drawn(200)), [A])
    assert by.prior_share < 0.06
    # 12 units' worth of a prior of 5 % beside 200 units of 2 %: sqrt((10 * 25 + 199 * 4) / 209) = 2.24 %.
    assert by.spreads[0] == pytest.approx(0.0224, rel=0.1)
    assert by.spreads[1] == pytest.approx(0.08, rel=0.25)


def test_shrinkage_is_the_weighted_mean_it_claims() -> None:
    captures = drawn(5)
    by = healthy_of(yokes(*captures), [A])
    points = np.array([[math.log(c.observation.natural_hz), math.log(c.observation.loss)] for c in captures])
    scatter = (points - points.mean(axis=0)).T @ (points - points.mean(axis=0))
    alone = healthy_of(yokes(captures[0]), [A])
    # The prior spread differs only by the copper's share of the loss, which f and Q of the mean set.
    expected = ((PRIOR_UNITS - 2) * alone.covariance / 2 + scatter) / (PRIOR_UNITS + 4 - 2) * (1 + 1 / 5)
    assert np.sqrt(np.diag(expected)) == pytest.approx(by.spreads, rel=0.05)


def test_one_unit_rung_often_says_nothing_of_the_spread_between_units() -> None:
    once = healthy_of(yokes(good("a")), [A])
    often = yokes(*(good("a", 30e3 * (1 + 1e-3 * k), 45 + 0.1 * k) for k in range(-4, 5)))
    by = healthy_of(often, [A])
    assert by.units == ("a",)
    assert by.prior_share == 1.0
    assert by.spreads == pytest.approx(once.spreads, rel=0.02)


def test_a_unit_is_judged_by_its_own_repeats() -> None:
    reference = yokes(*(good("a", 30e3 * (1 + 1e-3 * k)) for k in range(-4, 5)), good("b", 31e3))
    rings = grouped([Observation(A, 30e3, 45.0)])
    own, other = healthy(reference, rings, "a"), healthy(reference, rings)
    assert own.same_unit == "a"
    assert other.same_unit == ""
    assert own.spreads[0] < other.spreads[0] / 5
    assert own.units == ("a",)
    assert math.exp(own.location[0]) == pytest.approx(30e3, rel=1e-3)
    assert math.exp(other.location[0]) == pytest.approx(30.5e3, rel=1e-3)


def test_another_value_of_the_capacitor_shifts_the_ring_expected() -> None:
    reference = yokes(good("a"))
    larger = replace(A, farads=22.22e-9)
    by = healthy(reference, grouped([Observation(larger, 30e3, 45.0)]))
    assert by.location[0] - healthy_of(reference, [A]).location[0] == pytest.approx(-0.005, rel=0.05)


def test_contradictory_units_are_refused_by_name() -> None:
    with pytest.raises(ReferenceMismatch, match=r"good units a and b ring at 30\.00 kHz.*too far apart"):
        yokes(good("a"), good("b", 55e3))
    with pytest.raises(ReferenceMismatch, match="too far apart"):
        yokes(good("a"), good("b", 30e3, 2.4))


def test_the_farthest_of_many_pairs_may_lie_farther_apart() -> None:
    """78 % in f, 4.1 times two spreads of a difference: 1 in 24000 for two units, about 1 in 500 among ten.

    Two spreads, since the kind's statement may be half the truth; what is like a short counts little there.
    """
    pair = [good("a", 30e3), good("b", 30e3 * math.exp(0.58))]
    with pytest.raises(ReferenceMismatch, match="too far apart"):
        yokes(*pair)
    between_them = [good(f"c{k}", 30e3 * math.exp(0.58 * k / 9)) for k in range(1, 9)]
    assert len(yokes(*pair, *between_them).units()) == 10


def test_a_reference_by_two_capacitors_knows_copper_and_stray_where_one_is_rung() -> None:
    """A textbook tank of 1.2 mH, 1.2 nF, 1.6 ohm, 10 kohm, whose copper is a third of the loss at 22 nF."""
    henries, stray, ohms, siemens = 1.2e-3, 1.2e-9, 1.6, 1e-4 / 2.2

    def rung(capacitor: Capacitor) -> Capture:
        reactance = math.sqrt(henries / (capacitor.farads + stray))
        loss = ohms / reactance + reactance * siemens
        return good("a", reactance / henries / (2 * math.pi), 1 / loss, capacitor)

    alone = healthy(yokes(rung(A)), grouped([Observation(A, 30e3, 45.0)]))
    both = healthy(yokes(rung(A), rung(B)), grouped([Observation(A, 30e3, 45.0)]))
    assert alone.assumed_stray
    assert not both.assumed_stray
    assert len(both.location) == 2, "one ring is judged still"
    assert both.location == pytest.approx(alone.location)
    assert both.tank.farads == pytest.approx(stray, rel=0.02)
    assert both.tank.series_ohms == pytest.approx(ohms, rel=0.02)
    copper = ohms * math.sqrt((22e-9 + stray) / henries) * math.exp(-both.location[1])
    # What is not copper's strays by 25 % from unit to unit, the copper by 5 %; L by 10 % comes to it.
    usual = math.hypot(0.25 * (1 - copper), 0.05 * copper)
    assert both.between[1] == pytest.approx(math.hypot(usual, 0.05, 0.02), rel=0.02)


def test_where_capacitors_fit_no_winding_the_healthy_one_still_rings_as_it_was_heard() -> None:
    """Two simulated relay coils: in iron inductance and loss follow the frequency, as no tank's do."""
    large = Capacitor(100e-9, 0.01, "C")
    coils = [good("a", 1037.4, 1.656, large), good("a", 7035.1, 2.276, B)]
    known = Reference.begin("coils", "relay coil", coils)
    another = Observation(B, 6968.0, 2.09)
    by = healthy(known, grouped([another]))
    rung = ring(by.tank.with_farads(B.farads + by.tank.farads))
    assert float(rung.natural_hz) == pytest.approx(math.exp(by.location[0]), rel=0.2)
    assert float(rung.q) == pytest.approx(math.exp(-by.location[1]), rel=0.2)
    assert find([another], known).explanation is Explanation.LIKE_HEALTHY


def test_contradictory_repeats_are_refused() -> None:
    with pytest.raises(ReferenceMismatch, match=r"rings of unit a with 22 nF differ by 5\.0 %"):
        yokes(good("a"), good("a", 31.5e3))


def test_exchanged_capacitors_are_refused() -> None:
    with pytest.raises(ReferenceMismatch, match=r"rings no faster with 4\.7 nF"):
        yokes(good("a"), good("a", 29e3, 20.0, B))


@pytest.mark.parametrize(
    ("capture", "words"),
    [
        (lambda: Capture("a", Condition.GOOD, Observation(A, None, None)), "did not ring"),
        (lambda: Capture("a", Condition.SHORTED, Observation(A, 40e3, 3.0)), "say what was shorted"),
        (lambda: Capture(" ", Condition.GOOD, Observation(A, 40e3, 3.0)), "name of its unit"),
        (lambda: good("a", connection=Connection.IN_CIRCUIT), "in circuit"),
    ],
)
def test_captures_that_cannot_stand_for_anything(capture, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ReferenceMismatch, match=words):
        capture()


def test_an_unknown_kind_names_the_choices() -> None:
    with pytest.raises(InputError, match="driver transformer, horizontal yoke, line-output transformer"):
        Reference.begin("x", "gramophone", [good("a")])


def test_a_reference_survives_its_text_exactly() -> None:
    full = Observation(
        B, 65e3, 30.0, 1e-4, 2e-3, 0.3, Connection.OUT_OF_CIRCUIT, True, ("clipped: 3 samples",), True, "t1",
        datetime(2026, 3, 1, 12, tzinfo=UTC), "a.json",
    )  # fmt: skip
    shorted = Capture("a", Condition.SHORTED, Observation(A, 41e3, 4.0), "one turn")
    reference = yokes(good("a"), Capture("a", Condition.GOOD, full), shorted)
    assert decode(encode(reference)) == reference
    assert digest(decode(encode(reference))) == digest(reference)


def test_a_changed_text_is_refused() -> None:
    text = encode(yokes(good("a")))
    for damaged in (text.replace("30000.0", "30001.0"), text.replace("horizontal", "vertical")):
        assert damaged != text
        with pytest.raises(FileError, match="does not match its own hash"):
            decode(damaged)
    with pytest.raises(FileError, match="not JSON"):
        decode(text[:-20])
    with pytest.raises(FileError, match="not a coilbell reference"):
        decode("[1, 2]")
    with pytest.raises(FileError, match="has schema 9"):
        decode(text.replace('"schema": 1', '"schema": 9'))


def test_a_text_laid_out_otherwise_is_the_same_reference() -> None:
    reference = yokes(good("a"))
    assert decode(json.dumps(json.loads(encode(reference)), sort_keys=True)) == reference


def test_a_field_of_the_wrong_sort_is_a_file_error_even_with_a_right_hash() -> None:
    from coilbell.winding.odds.referencefile import _hash

    body = json.loads(encode(yokes(good("a"))))
    del body["sha256"]
    for broken in (
        {**body, "captures": [{**body["captures"][0], "q": "many"}]},
        {**body, "captures": [{"unit": "a"}]},
        {**body, "captures": 3},
    ):
        with pytest.raises(FileError, match="lacks or garbles"):
            decode(json.dumps({**broken, "sha256": _hash(broken)}))


def test_merging_keeps_provenance_and_drops_doubles() -> None:
    mine, theirs = yokes(good("a"), good("b", 30.5e3)), yokes(good("b", 30.5e3), good("c", 29.5e3))
    both = mine.merged(theirs, origin(theirs))
    assert both.units() == ("a", "b", "c")
    assert [c.origin for c in both.captures] == ["", "", origin(theirs)]
    assert both.origins == (origin(theirs),)
    assert both.merged(theirs, origin(theirs)) == both


def test_merging_another_kind_is_refused() -> None:
    other = Reference.begin("chokes", "power inductor", [good("a")])
    with pytest.raises(ReferenceMismatch, match="keep them apart"):
        yokes(good("a")).merged(other, origin(other))


def test_remarks_say_what_is_weak() -> None:
    words = " ".join(remarks(yokes(good("a"))))
    for part in ("one good unit only", "nothing shorted on purpose", "one test capacitor"):
        assert part in words
    assert (
        remarks(
            yokes(
                *drawn(6),
                good("unit-0", 62e3, 30, B),
                Capture("z", Condition.SHORTED, Observation(A, 40e3, 3), "turn"),
            )
        )
        == ()
    )


def test_every_kind_holds_together() -> None:
    for kind in KINDS.values():
        for low, high in (
            kind.turns,
            kind.wire_ohms,
            kind.stray_farads,
            kind.leakage,
            kind.turn_leakage,
            kind.healthy_q,
        ):
            assert 0 < low < high
        assert 0 <= kind.series_share < 1
        assert kind.turn_leakage[1] < 1
