"""The posterior: its densities, what it cannot know, and that it answers by the rules of probability."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_t

from coilbell.errors import InputError
from coilbell.record import Capacitor, Connection
from coilbell.terms import Cause
from coilbell.winding import Capture, Condition, Explanation, Observation, Reference, find, grouped
from coilbell.winding.odds.ambiguity import RIVAL
from coilbell.winding.odds.density import log_t
from coilbell.winding.odds.healthy import _healthy, healthy
from coilbell.winding.odds.hypothesis import _hypotheses, hypotheses
from coilbell.winding.odds.plane import ring_of, shift_of
from coilbell.winding.odds.posterior import Posterior, _outside, posterior
from coilbell.winding.odds.severity import cases, copper, points
from coilbell.winding.tank import faults

A, B = Capacitor(22e-9, 0.01, "A"), Capacitor(4.7e-9, 0.01, "B")
OUT, IN = Connection.OUT_OF_CIRCUIT, Connection.IN_CIRCUIT


def line(*, units: int = 3, two: bool = False, kind: str = "line-output transformer") -> Reference:
    captures = []
    for k in range(units):
        f, q = 1 + 0.03 * ((k % 3) - 1), 1 + 0.08 * ((k % 2) - 0.5)
        captures.append(Capture(f"u{k}", Condition.GOOD, Observation(A, 21.6e3 * f, 128 * q)))
        if two:
            captures.append(Capture(f"u{k}", Condition.GOOD, Observation(B, 40.5e3 * f, 100 * q)))
    return Reference.begin("line", kind, captures)


def odds(
    seen: list[Observation], reference: Reference, prior: float = 0.5, where: Connection = OUT
) -> Posterior:
    rings = grouped(replace(one, connection=where) for one in seen)
    by = healthy(reference, rings)
    return posterior(rings, by, hypotheses(by, reference), reference.kind, prior)


def ring(hz: float, q: float, capacitor: Capacitor = A) -> list[Observation]:
    return [Observation(capacitor, hz, q)]


def test_the_density_is_the_multivariate_t_of_scipy() -> None:
    rng = np.random.default_rng(1)
    root = rng.standard_normal((4, 4))
    scale = root @ root.T + np.eye(4)
    at = rng.standard_normal((5, 4))
    theirs = multivariate_t(np.zeros(4), scale, df=7).logpdf(at)
    assert log_t(at, np.broadcast_to(scale, (5, 4, 4)), 7.0) == pytest.approx(theirs, rel=1e-12)


def test_every_cause_integrates_to_one_over_rings_and_silence() -> None:
    """A sum over a grid of ln f and ln d, plus the chance of silence, is 1 for each cause."""
    reference = line()
    f = np.linspace(-1.2, 3.6, 97) + math.log(21.6e3)
    d = np.linspace(-3.5, 7.5, 221) + math.log(1 / 128)
    template = grouped(ring(21.6e3, 128))
    by = healthy(reference, template)
    cell = (f[1] - f[0]) * (d[1] - d[0])
    chosen = (Cause.NOTHING, Cause.LOAD, Cause.CORE, Cause.SHORTED, Cause.LEAKY)
    for one in [h for h in hypotheses(by, reference) if h.cause in chosen and not h.leaves]:
        total = sum(
            np.exp(
                _outside(one, [replace(template[0], point=np.array([x, y]))], [0], by, reference.kind)
            ).sum()
            for x in f[::2]
            for y in d[::4]
        )
        silent = one.weight[np.isnan(one.shift[:, 0])].sum()
        # The blunt grid (twice and four times its cell) and the tails outside leave a few per cent.
        assert total * 8 * cell + silent == pytest.approx(1.0, abs=0.12), one.cause


def test_probabilities_sum_to_one_and_agree() -> None:
    for seen in (ring(21.6e3, 128), ring(37.6e3, 2.0), ring(60e3, 0.6), [Observation(A, None, None)]):
        told = odds(seen, line())
        assert sum(told.explanations.values()) == pytest.approx(1.0, abs=1e-9)
        assert sum(c.probability for c in told.causes) == pytest.approx(1.0, abs=1e-9)
        assert told.shorted == pytest.approx(sum(c.probability for c in told.causes if c.shorted), abs=1e-9)


@pytest.mark.parametrize("prior", [0.01, 0.2, 0.5, 0.9])
def test_the_ratio_turns_any_prior_into_the_probability(prior: float) -> None:
    for seen in (ring(21.9e3, 110), ring(22e3, 60), ring(37.6e3, 2.0)):
        told = odds(seen, line(), prior)
        assert told.log10_ratio == pytest.approx(odds(seen, line()).log10_ratio, abs=1e-9)
        ratio = 10**told.log10_ratio * prior / (1 - prior)
        assert told.shorted == pytest.approx(ratio / (1 + ratio), rel=1e-9)


@pytest.mark.parametrize("prior", [0.0, 1.0, -1.0, math.nan])
def test_a_certain_prior_is_refused(prior: float) -> None:
    with pytest.raises(InputError, match="prior"):
        odds(ring(21.6e3, 128), line(), prior)


@pytest.mark.parametrize(
    ("hz", "q", "says"),
    [
        # The circuit study's figures for this part (computed with ngspice, not with this package).
        (21.6e3, 128, "like healthy"),
        (37.6e3, 1.8, "like shorted"),
        (46e3, 8.0, "like shorted"),
        (111e3, 4.8, "like shorted"),
        (21.6e3, 19, "loaded"),
        (21.6e3, 10, "loaded"),
        (27.7e3, 115, "detuned"),
    ],
)
def test_the_circuit_study_is_explained_right(hz: float, q: float, says: str) -> None:
    told = odds(ring(hz, q), line())
    assert str(max(told.explanations, key=lambda e: told.explanations[e])) == says


def test_an_impossible_ring_fits_nothing() -> None:
    # A hundred times the healthy Q at a quarter of its frequency: no cause does that.
    finding = find(ring(4e3, 12000), line(), connection=OUT)
    assert finding.explanation is Explanation.UNDECIDED
    assert finding.odds is not None
    assert finding.odds.explanations[Explanation.UNDECIDED] > 0.5
    assert any("nothing known fits" in words for words in finding.not_separable)
    assert finding.odds.shorted == pytest.approx(0.5, abs=0.1)


def test_a_leaky_turn_and_a_load_are_both_loaded_and_the_odds_tell_the_causes_apart() -> None:
    told = odds(ring(21.6e3, 19), line())
    assert told.explanations[Explanation.LOADED] > 0.9
    assert 0.2 < told.of(Cause.LOAD) < 0.8
    assert 0.2 < told.of(Cause.LEAKY) < 0.8
    assert told.of(Cause.LOAD) + told.of(Cause.LEAKY) > 0.9


def test_iron_is_never_cleared() -> None:
    seen = ring(1.05e3, 1.5, Capacitor(100e-9))
    captures = [Capture("a", Condition.GOOD, seen[0])]
    reference = Reference.begin("relays", "relay coil", captures)
    finding = find(seen, reference, connection=OUT)
    assert finding.explanation is Explanation.LIKE_HEALTHY
    assert finding.odds is not None
    assert 0.35 < finding.odds.shorted < 0.6
    assert finding.odds.shows < 0.05, "what hides keeps its prior, what would show is told apart"
    assert any("does not clear it" in words for words in finding.cannot_see)
    assert "known good part" in finding.next_step


def test_stray_capacitance_shows_with_two_capacitors_only() -> None:
    # 2.1 nF of stray capacitance on 2.25 mH becomes 3.4 nF (up 60 %): f with either capacitor from L and C.
    def hz(test: float, stray: float) -> float:
        return 1 / (2 * math.pi * math.sqrt(2.25e-3 * (test + stray)))

    captures = [
        Capture(f"u{k}", Condition.GOOD, Observation(c, hz(c.farads, 2.1e-9) * f, 120, board="t"))
        for k, f in enumerate((0.99, 1.0, 1.01))
        for c in (A, B)
    ]
    reference = Reference.begin("line", "line-output transformer", captures)
    seen = [Observation(c, hz(c.farads, 3.4e-9), 122, board="t") for c in (A, B)]
    one, two = odds(seen[:1], reference), odds(seen, reference)
    assert one.explanations[Explanation.LIKE_HEALTHY] > 0.5
    assert two.explanations[Explanation.EXTRA_CAPACITANCE] > 0.5


def test_a_junction_shows_by_its_amplitude() -> None:
    ladder = [
        Observation(A, 21.6e3, q, amplitude_volts=v) for v, q in ((0.05, 110.0), (0.2, 60.0), (0.4, 25.0))
    ]
    finding = find(ladder, line(), connection=IN)
    assert finding.odds is not None
    assert any("semiconductor junction" in words for words in finding.reasons)
    # The smallest amplitude is judged.
    assert math.exp(-finding.rings[0].point[1]) == pytest.approx(110, rel=1e-3)
    out, flat = (
        find([replace(o, q=o.q if bends else 110.0) for o in ladder], line(), connection=OUT)
        for bends in (True, False)
    )
    assert out.odds is not None
    assert flat.odds is not None
    assert out.odds.of(Cause.JUNCTION) > 5 * flat.odds.of(Cause.JUNCTION)


def test_deliberate_shorts_pull_the_odds_towards_themselves() -> None:
    plain = line()
    # A weakly coupled loop: a drop of inductance by 13 % with a Q of 20, hardly foreseen by the kind.
    loop = Capture("u0", Condition.SHORTED, Observation(A, 23.2e3, 20.0), "a loose loop")
    anchored = plain.having([loop])
    seen = ring(23.1e3, 21.0)
    assert odds(seen, anchored).log10_ratio > odds(seen, plain).log10_ratio + 0.1


def test_the_leakage_of_a_deliberate_short_weighs_the_cases() -> None:
    plain = line()
    # 46 kHz, Q 8: b = 3.5, g = 0.26, so z = 1/(1 + b - j g) = 0.22 and 1 - k^2 = 0.22 nearly.
    loop = Capture("u1", Condition.SHORTED, Observation(A, 46e3, 8.0), "a loop")
    by = healthy(plain, grouped(ring(21.6e3, 128)))

    def away(reference: Reference) -> float:
        told = [h for h in hypotheses(by, reference) if h.cause is Cause.SHORTED and h.at is not None]
        return float((told[0].weight * np.abs(np.log(told[0].at.slack) - math.log(0.22))).sum())

    assert away(plain.having([loop])) < 0.85 * away(plain)


def test_a_silent_winding_is_no_ring_whatever_else() -> None:
    finding = find([Observation(A, None, None)], line(), connection=OUT)
    assert finding.explanation is Explanation.NO_RING
    assert finding.shifts == ()
    assert finding.tank is None
    assert "continuity" in finding.next_step


def test_cases_ring_as_the_exact_circuit_says() -> None:
    """A case without anything added is the tank itself; a resistance leaves the natural frequency."""
    reference = line()
    by = healthy(reference, grouped(ring(21.6e3, 128)))
    still, loss = ring_of(by.tank, cases(1), 22e-9)
    assert still[0] == pytest.approx(by.location[0], abs=2e-4)
    assert loss[0] == pytest.approx(by.location[1], abs=2e-3)
    loaded, heavier = ring_of(by.tank, cases(1, siemens=1e-3), 22e-9)
    assert loaded[0] == pytest.approx(still[0], abs=2e-3)
    assert heavier[0] > loss[0] + 1
    silent = ring_of(by.tank, cases(1, siemens=1.0), 22e-9)
    assert np.isnan(silent[0][0])


def test_copper_cases_run_from_invisible_to_dead() -> None:
    reference = line()
    by = healthy(reference, grouped(ring(21.6e3, 128)))
    family = copper(reference.kind, by.tank)
    _, loss = ring_of(by.tank, family, 22e-9)
    q = np.exp(-loss[np.isfinite(loss)])
    assert family.weight.sum() == pytest.approx(1.0)
    assert q.min() < 1.5
    assert q.max() > 100


def test_a_heavy_loop_that_hardly_loses_is_not_taken_for_a_gap_for_sure() -> None:
    """A turn of 1 mohm round the core of a choke of 40 turns: inductance goes as with a gap, and hardly Q."""
    choke = faults.HealthyTank(10e-3, 30e-12, 0.5, 1 / 9e3)

    def heard(fault: faults.Fault | None) -> list[Observation]:
        tanks = [(c, choke.with_farads(choke.farads + c.farads)) for c in (A, B)]
        rung = [(c, faults.ring(tank, fault)) for c, tank in tanks]
        return [Observation(c, float(r.damped_hz), float(r.q)) for c, r in rung]

    good = [Capture("a", Condition.GOOD, o) for o in heard(None)]
    chokes = Reference.begin("chokes", "common-mode choke", good)
    looped = odds(heard(faults.ShortedTurns(1, 40, 1e-3, 0.85)), chokes)
    gapped = odds(heard(faults.CoreChange(0.4)), chokes)
    assert looped.shorted > 0.1
    assert gapped.shorted < 0.15 < looped.shorted
    assert looped.of(Cause.SHORTED) >= RIVAL, "told beside what is named"


def test_low_discrepancy_points_fill_the_cube() -> None:
    at = points(512, 2)
    counts = np.histogram2d(at[:, 0], at[:, 1], bins=8, range=[[0, 1], [0, 1]])[0]
    assert counts.min() >= 5
    assert counts.max() <= 11


def test_the_shift_plane_is_what_its_formulae_say() -> None:
    reference = line(units=1)
    by = healthy(reference, grouped(ring(21.6e3, 128)))
    rings = grouped(ring(37.6e3, 1.8))
    shift = shift_of(rings[0].point, rings[0].covariance, by)
    f, f0 = rings[0].observations[0].natural_hz, math.exp(by.location[0])
    assert shift.added_loss == pytest.approx(f / f0 / 1.8 - math.exp(by.location[1]), rel=1e-9)
    assert shift.inductance_drop == pytest.approx((f / f0) ** 2 - 1, rel=1e-9)
    # The covariance by drawing the reference and the ring instead of differentiating.
    rng = np.random.default_rng(3)
    base = rng.multivariate_normal(by.location, by.covariance, 200_000)
    g = np.exp(rings[0].point[0] - base[:, 0] + rings[0].point[1]) - np.exp(base[:, 1])
    b = np.exp(2 * (rings[0].point[0] - base[:, 0])) - 1
    assert math.sqrt(shift.covariance[0][0]) == pytest.approx(g.std(), rel=0.03)
    # b is not linear over the spread of units, so only roughly; its sign against g is what matters.
    assert math.sqrt(shift.covariance[1][1]) == pytest.approx(b.std(), rel=0.1)
    assert shift.covariance[0][1] == pytest.approx(np.cov(g, b)[0, 1], rel=0.1)


def test_what_is_kept_from_ring_to_ring_changes_no_digit() -> None:
    """Judged first, again, and after other parts, capacitors and connections: the same to the last bit."""
    parts = (line(two=True), line(two=True, kind="switch-mode transformer"), line(units=1))
    rang = (ring(21.9e3, 60), [*ring(21.9e3, 60), *ring(41e3, 50, B)])
    asked = [(seen, by, where) for by in parts[:2] for seen in rang for where in (OUT, IN)]
    asked.append((rang[0], parts[2], OUT))

    def told() -> list[list[float]]:
        return [[c.probability for c in odds(seen, by, where=where).causes] for seen, by, where in asked]

    for kept in (_healthy, _hypotheses):
        kept.cache_clear()
    first = told()
    assert told() == first
    for one, (seen, by, where) in zip(first, asked, strict=True):
        for kept in (_healthy, _hypotheses):
            kept.cache_clear()
        assert [c.probability for c in odds(seen, by, where=where).causes] == one
    assert _hypotheses.cache_info().maxsize is not None


def test_the_tester_and_the_capacitor_are_part_of_what_is_kept() -> None:
    by = line()
    named = [Observation(A, 22.5e3, 100, board="t")]
    other = [Observation(Capacitor(22.5e-9, 0.01, "A"), 22.5e3, 100)]
    same = by.having([Capture("u9", Condition.GOOD, Observation(A, 21.6e3, 128, board="t"))])
    ratios = {odds(seen, r).log10_ratio for seen in (ring(22.5e3, 100), named, other) for r in (by, same)}
    assert len(ratios) == 5  # only the tester's name alone, unknown to the first reference, changes nothing


def test_shorts_too_slight_to_show_have_no_part_in_what_shows() -> None:
    """One spread of loss away: half of all shorts would look so, but hardly any that shows."""
    reference = Reference.begin(
        "yokes", "horizontal yoke", [Capture("a", Condition.GOOD, Observation(A, 30e3, 45.0))]
    )
    spread = healthy(reference, grouped(ring(30e3, 45))).spreads[1]
    slight = odds(ring(30e3, 45 * math.exp(-spread)), reference)
    assert -0.5 < slight.log10_ratio < 0.1
    assert slight.log10_shows < slight.log10_ratio - 0.5
    dead = odds(ring(35.8e3, 3.5), reference)
    assert dead.log10_shows > 2
    assert dead.log10_shows > dead.log10_ratio


def test_where_no_short_shows_none_is_likelier_than_a_healthy_winding() -> None:
    capacitor = Capacitor(100e-9)
    relays = Reference.begin(
        "relays", "relay coil", [Capture("a", Condition.GOOD, Observation(capacitor, 1.05e3, 1.5))]
    )
    told = odds(ring(1.05e3, 1.45, capacitor), relays)
    assert told.log10_shows < -1
    assert abs(told.log10_ratio) < 0.3


def test_a_rings_odds_of_showing_turn_with_the_ring_alone_not_with_the_prior() -> None:
    seen = ring(22e3, 60)
    assert odds(seen, line(), 0.01).log10_shows == pytest.approx(
        odds(seen, line(), 0.9).log10_shows, abs=1e-12
    )
    finding = find(seen, line(), connection=OUT)
    assert any(
        "from a short that shows on this part than from a healthy winding" in w for w in finding.reasons
    )


def test_capacitance_behind_the_copper_rings_as_a_shorted_rectifier_does() -> None:
    """The cases of the judgement against the fault that tests/truth holds to ngspice."""
    by = healthy(line(two=True), grouped([*ring(21.6e3, 128), *ring(40.5e3, 100, B)]))
    for capacitor in (A, B):
        tank = by.tank.with_farads(capacitor.farads + by.tank.farads)
        told = faults.ring(tank, faults.ShortedRectifier(3e-9))
        frequency, loss = ring_of(by.tank, cases(1, farads=3e-9, behind=1.0), capacitor.farads)
        assert math.exp(frequency[0]) == pytest.approx(float(told.natural_hz), rel=1e-12)
        assert math.exp(-loss[0]) == pytest.approx(float(told.q), rel=1e-12)
        at_the_leads = ring_of(by.tank, cases(1, farads=3e-9), capacitor.farads)[1]
        assert loss[0] < at_the_leads[0]
