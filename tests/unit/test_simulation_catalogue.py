"""The catalogue: fifteen parts, their states, and how units differ."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest

from coilbell.board.simulation import CONDITIONS, Winding, catalogue, population
from coilbell.errors import InputError

EXPLANATIONS = {"like healthy", "like shorted", "loaded", "detuned", "extra capacitance", "no ring"}


def test_fifteen_parts_with_their_states():
    assert len(catalogue.names()) == 15
    seen = {state for name in catalogue.names() for state in catalogue.states(name)}
    assert seen == set(CONDITIONS)
    for name in catalogue.names():
        assert {"healthy", "turn-dead", "loaded", "open", "live-leads"} <= set(catalogue.states(name))


def test_conditions_use_the_words_of_the_findings():
    assert {condition.explanation for condition in CONDITIONS.values()} == EXPLANATIONS
    shorted = {name for name, condition in CONDITIONS.items() if condition.shorted}
    turns = {f"turn-{label}" for label in ("dead", "0.1-ohm", "1-ohm", "10-ohm", "100-ohm")}
    windings = {"low-voltage-shorted", "half-shorted", "high-voltage-turn", "high-voltage-part-shorted"}
    in_sets = {"turn-dead-in-circuit", "turn-dead-in-circuit-yoke-heater-cold"}
    assert shorted == turns | windings | in_sets | {"external-loop", "section-shorted"}


@pytest.mark.parametrize("name", catalogue.names())
def test_every_state_rings_or_says_that_it_does_not(name):
    for state in catalogue.states(name):
        world = Winding(catalogue.part(name, seed=1), state)
        volts = world.ring(22e-9, 2e-6, 500e3, 64, pretrigger_samples=8)
        assert np.all(np.isfinite(volts))
        if world.condition.explanation == "no ring" and state != "live-leads":
            assert world.ring_mode(22e-9) is None


def test_same_seed_same_unit():
    assert catalogue.part("moss-choke", seed=4) == catalogue.part("moss-choke", seed=4)
    assert catalogue.part("moss-choke", seed=4) != catalogue.part("moss-choke", seed=5)
    assert catalogue.part("moss-choke").spread == catalogue.part("moss-choke", seed=4).spread.__class__()


def test_units_spread_as_stated():
    # Standard deviations 10, 25, 5 and 15 %, as the physics notes assume for parts of one kind.
    units = [world.part for world in population("tarn-line-split", "healthy", 1500, seed=2)]
    factors = np.log(
        [(u.spread.inductance, u.spread.core_loss, u.spread.resistance, u.spread.capacitance) for u in units]
    )
    np.testing.assert_allclose(factors.std(axis=0), (0.10, 0.25, 0.05, 0.15), rtol=0.08)
    np.testing.assert_allclose(factors.mean(axis=0), 0, atol=0.02)
    nominal = catalogue.part("tarn-line-split")
    ratios = [unit.henries / nominal.henries for unit in units[:50]]
    np.testing.assert_allclose(ratios, np.exp(factors[:50, 0]), rtol=0.02)
    assert units[0].coils[0].ohms == pytest.approx(nominal.coils[0].ohms * np.exp(factors[0, 2]))


def test_more_core_loss_and_resistance_lower_q_and_capacitance_lowers_f():
    part = catalogue.part("tarn-line-split")
    base = Winding(part).ring_mode(22e-9)
    change = part.spread.__class__
    lossy = Winding(part.spread_by(change(core_loss=1.25))).ring_mode(22e-9)
    resistive = Winding(part.spread_by(change(resistance=1.2))).ring_mode(22e-9)
    slow = Winding(part.spread_by(change(capacitance=1.3))).ring_mode(22e-9)
    assert lossy.q < 0.95 * base.q
    assert resistive.q < 0.97 * base.q
    assert 0.985 < slow.frequency_hz / base.frequency_hz < 0.995


def test_a_unit_differs_in_every_element_that_its_factors_name():
    nominal = catalogue.part("tarn-line-split")
    factors = nominal.spread.__class__(1.1, 1.3, 1.07, 1.2)
    unit = nominal.spread_by(factors)
    for coil, plain in zip(unit.coils, nominal.coils, strict=True):
        assert coil.farads == pytest.approx(1.2 * plain.farads)
        assert coil.ohms == pytest.approx(1.07 * plain.ohms)
        assert coil.turns == plain.turns
    for name in ("self_farads", "foot_farads", "head_farads"):
        assert getattr(unit.high_voltage, name) == pytest.approx(1.2 * getattr(nominal.high_voltage, name))
    assert unit.high_voltage.ohms == pytest.approx(1.07 * nominal.high_voltage.ohms)
    assert unit.loops["turn"].ohms == pytest.approx(1.07 * nominal.loops["turn"].ohms)
    # The loss angle of the core, w L/R, grows by the loss factor.
    angles = [p.core.henries / p.core.sections[0][1] for p in (nominal, unit)]
    assert angles[1] / angles[0] == pytest.approx(1.3)


def test_population_pairs_units_across_states():
    healthy = [world.part for world in population("moss-switcher", "healthy", 3, seed=9)]
    shorted = [world.part for world in population("moss-switcher", "turn-dead", 3, seed=9)]
    mixed = list(population("moss-switcher", lambda k: "turn-dead" if k else "healthy", 3, seed=9))
    assert healthy == shorted == [world.part for world in mixed]
    assert [world.condition.name for world in mixed] == ["healthy", "turn-dead", "turn-dead"]


def test_live_leads_show_a_decaying_voltage():
    world = Winding(catalogue.part("moss-switcher"), "live-leads")
    assert world.lead_volts(0) == pytest.approx(12)
    assert 0 < world.lead_volts(1.0) < world.lead_volts(0.1) < 12
    assert world.ring(22e-9, 2e-6, 500e3, 100, 10)[0] == pytest.approx(12)
    assert Winding(catalogue.part("moss-switcher")).lead_volts(0) == 0


def test_unknown_names_list_the_choices():
    with pytest.raises(InputError, match="moss-choke"):
        catalogue.part("kettle")
    with pytest.raises(InputError, match="turn-dead"):
        Winding(catalogue.part("moss-choke"), "rectifier-first-shorted")
    with pytest.raises(InputError, match="healthy"):
        Winding(catalogue.part("moss-choke"), "haunted")


def test_loading_the_simulation_does_not_load_scipy():
    code = "import sys, coilbell.board.simulation; sys.exit('scipy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
