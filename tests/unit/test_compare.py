"""Comparisons: what a second state adds, computed from circuits whose elements are known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from coilbell.bench.facts.base import facts_of, kept_text
from coilbell.bench.facts.comparison import ComparisonFacts, comparison_facts
from coilbell.bench.words.finding import comparison_text
from coilbell.board.simulation import Winding, catalogue
from coilbell.errors import InputError, ReferenceMismatch
from coilbell.record import Capacitor, Connection
from coilbell.terms import Headline
from coilbell.winding import (
    Capture,
    Comparison,
    Condition,
    Explanation,
    Observation,
    Reference,
    Relation,
    compare,
    find,
)

A, B = Capacitor(22e-9, 0.0, "A"), Capacitor(4.7e-9, 0.0, "B")
L, STRAY, G = 2.2e-3, 2e-9, 3e-6


def seen(
    capacitor: Capacitor,
    henries: float = L,
    stray: float = STRAY,
    siemens: float = G,
    where: Connection = Connection.OUT_OF_CIRCUIT,
    amplitude: float | None = None,
) -> Observation:
    """The exact ring of a parallel tank: w^2 = 1/(L C), Q = w C/G."""
    farads = capacitor.farads + stray
    w = 1 / math.sqrt(henries * farads)
    q = w * farads / siemens
    damped = w / (2 * math.pi) * math.sqrt(1 - 0.25 / q**2)
    return Observation(capacitor, damped, q, 1e-6, 1e-5, amplitude, where)


def both(**changed: float) -> list[Observation]:
    return [seen(c, **changed) for c in (A, B)]


@pytest.mark.parametrize(
    ("farads", "per_henry", "siemens"),
    [(5e-9, 0.0, 0.0), (0.0, 1 / 1.5e-3, 2e-5), (6e-9, 1 / 1.2e-3, 1e-4), (0.0, 0.0, 5e-5)],
)
def test_two_capacitors_give_back_what_was_added(farads: float, per_henry: float, siemens: float) -> None:
    after = both(henries=1 / (1 / L + per_henry), stray=STRAY + farads, siemens=G + siemens)
    added = compare(both(), after, kind="line-output transformer").added
    assert added is not None
    assert added.together
    assert added.farads is not None
    assert added.per_henry is not None
    assert added.farads.value == pytest.approx(farads, abs=2e-13, rel=1e-4)
    assert added.per_henry.value == pytest.approx(per_henry, abs=0.02, rel=1e-4)
    for conductance in added.siemens:
        assert conductance.value == pytest.approx(siemens, abs=1e-9, rel=1e-4)


def test_one_capacitor_gives_either_reading_and_says_so() -> None:
    result = compare([seen(A)], [seen(A, stray=STRAY + 5e-9)], kind="line-output transformer")
    assert result.added is not None
    assert not result.added.together
    assert result.added.per_henry is None
    assert result.added.farads is not None
    assert result.added.farads.value == pytest.approx(5e-9, rel=0.05)
    assert any("cannot tell which" in words for words in result.reasons)


def test_the_uncertainty_of_what_was_added_is_that_of_repeated_draws() -> None:
    capacitor = Capacitor(22e-9, 0.01, "A")
    before, after = seen(A), seen(A, henries=1e-3)
    told = compare(
        [Observation(capacitor, before.frequency_hz, before.q, 2e-3, 0.02)],
        [Observation(capacitor, after.frequency_hz, after.q, 2e-3, 0.02)],
        kind="horizontal yoke",
    ).added
    assert told is not None
    assert told.per_henry is not None
    rng = np.random.default_rng(2)
    n = 100_000
    stray = math.sqrt(0.1e-9 * 0.2e-9)
    all_farads = 22e-9 * (1 + 0.01 * rng.standard_normal(n)) + stray * (1 + 0.5 * rng.standard_normal(n))
    w = [2 * math.pi * o.natural_hz * np.exp(2e-3 * rng.standard_normal(n)) for o in (before, after)]
    drawn = (w[1] ** 2 - w[0] ** 2) * all_farads
    assert told.per_henry.standard_uncertainty == pytest.approx(drawn.std(), rel=0.03)


def circuit(state: str, name: str = "tarn-line-split", two: bool = False) -> Comparison:
    """A simulated unit out of circuit, then in its set."""
    unit = catalogue.part(name, seed=11)
    rows = []
    for world, where in (
        (Winding(unit), Connection.OUT_OF_CIRCUIT),
        (Winding(unit, state), Connection.IN_CIRCUIT),
    ):
        side = []
        for capacitor in (A, B)[: 1 + two]:
            mode = world.ring_mode(capacitor.farads)
            side.append(
                Observation(capacitor, None, None, connection=where)
                if mode is None or mode.frequency_hz > 240e3
                else Observation(capacitor, mode.frequency_hz, mode.q, connection=where)
            )
        rows.append(side)
    return compare(*rows, kind=unit.kind)


@pytest.mark.parametrize(
    ("state", "named"),
    [
        ("in-circuit", {"tuning capacitor"}),
        ("in-circuit-yoke", {"deflection yoke"}),
        ("in-circuit-yoke-heater-cold", {"deflection yoke", "tube heater"}),
        ("in-circuit-heater-cold", {"tube heater"}),
        ("in-circuit-rectifier-shorted", {"shorted rectifier"}),
    ],
)
def test_what_the_set_adds_is_named_and_the_winding_stays_cleared(state: str, named: set[str]) -> None:
    """Out of circuit it rang as a whole one: what comes in circuit is the set's, never a shorted turn."""
    result = circuit(state)
    assert result.relation is Relation.CIRCUIT
    assert named <= set(result.connection[0].split(" and "))
    assert result.verdict.headline is Headline.NO_SHORT
    assert result.verdict.shows is not None
    assert result.verdict.shows < 0.01
    assert "mains plug" in result.caution


def test_two_capacitors_find_the_yoke_that_the_simulation_plugged() -> None:
    # The simulated set has a yoke of 1.2 mH behind 1 uF and a tuning capacitor of about 8 nF.
    unit = catalogue.part("tarn-line-split")
    assert unit.surroundings.yoke is not None
    assert unit.surroundings.tuning_farads is not None
    added = circuit("in-circuit-yoke", two=True).added
    assert added is not None
    assert added.farads is not None
    assert added.per_henry is not None
    assert 1 / added.per_henry.value == pytest.approx(unit.surroundings.yoke[0], rel=0.1)
    assert added.farads.value == pytest.approx(unit.surroundings.tuning_farads, rel=0.1)


def test_a_healthy_ring_in_circuit_clears() -> None:
    result = compare([seen(A)], [seen(A, where=Connection.IN_CIRCUIT)], kind="line-output transformer")
    assert result.cleared
    assert any("clear the winding" in words for words in result.reasons)


def test_a_comparison_by_a_reference_is_the_finding_on_all_rings() -> None:
    """One posterior: what `find` says of both rings is what `compare` says."""
    good = [Capture(f"u{k}", Condition.GOOD, seen(A, henries=L * f)) for k, f in enumerate((0.95, 1, 1.05))]
    reference = Reference.begin("line", "line-output transformer", good)
    first = [seen(A, henries=1.02 * L, where=Connection.OUT_OF_CIRCUIT)]
    second = [seen(A, henries=0.4 * L, siemens=3 * G, where=Connection.IN_CIRCUIT)]
    compared = compare(first, second, reference=reference, kind=reference.kind.name)
    assert compared.verdict == find([*first, *second], reference).verdict


def test_a_junction_shows_by_its_amplitude() -> None:
    steady = [seen(A, amplitude=v) for v in (0.05, 0.1, 0.4)]
    bent = [
        seen(A, siemens=G * k, where=Connection.IN_CIRCUIT, amplitude=v)
        for v, k in ((0.05, 1.1), (0.1, 1.5), (0.4, 8))
    ]
    result = compare(steady, bent, kind="line-output transformer")
    assert result.junction
    assert any("semiconductor" in words for words in result.reasons)
    assert not compare(steady, steady, kind="line-output transformer").junction


def test_unit_against_unit_allows_for_the_spread_that_one_unit_does_not_have() -> None:
    other = [seen(A, henries=L * 1.08)]
    assert compare([seen(A)], other, relation=Relation.UNITS).explanation is Explanation.LIKE_HEALTHY
    kind = "line-output transformer"
    later = compare([seen(A)], other, relation=Relation.TIME, kind=kind)
    assert later.explanation is not Explanation.LIKE_HEALTHY, "a gapped core hardly follows the temperature"


def test_twins_that_agree_clear_nothing_and_twins_that_differ_convict() -> None:
    """Both windings of a choke share the core: a short shows in both."""
    kind = "common-mode choke"
    dead = [seen(A, siemens=60 * G), seen(B, siemens=60 * G)]
    alike = [seen(A, siemens=61 * G), seen(B, siemens=61 * G)]
    same = compare(dead, alike, relation=Relation.TWIN, kind=kind)
    assert same.verdict.headline is Headline.OPEN
    assert same.verdict.shows is None
    assert "clear nothing" in same.verdict.why
    whole = [seen(A), seen(B)]
    differ = compare(whole, dead, relation=Relation.TWIN, kind=kind)
    assert differ.verdict.shows is not None
    assert differ.verdict.shows > 0.4


def test_what_cannot_be_compared_is_refused() -> None:
    with pytest.raises(InputError, match="two captures are needed"):
        compare([], [seen(A)])
    with pytest.raises(InputError, match="first capture does not ring"):
        compare([Observation(A, None, None)], [seen(A)])
    with pytest.raises(ReferenceMismatch, match=r"22 nF, this ring with 4\.7 nF"):
        compare([seen(A)], [seen(B)])
    with pytest.raises(InputError, match="out of circuit first"):
        compare([seen(A, where=Connection.IN_CIRCUIT)], [seen(A)])


def test_text_fits_the_screen_and_the_json() -> None:

    for result in (circuit("in-circuit-yoke"), circuit("in-circuit-transistor-shorted")):
        facts = comparison_facts(result, "a -> b")
        assert facts_of(kept_text(facts), ComparisonFacts, "it") == facts
        text = comparison_text(facts)
        assert max(map(len, text.splitlines())) <= 80
        assert text.isascii()


def test_a_change_that_no_set_makes_is_said_to_be_none() -> None:
    """Ten times less inductance with hardly a loss: no yoke, heater or capacitor does that."""
    result = compare(
        [seen(A)], [seen(A, henries=L / 10, where=Connection.IN_CIRCUIT)], kind="line-output transformer"
    )
    assert result.connection[1] < 0.01, "another mode, or nothing known"
    assert not any("explains it best" in words for words in result.reasons)
    assert any("nothing that a set is known to connect" in words for words in result.reasons)
