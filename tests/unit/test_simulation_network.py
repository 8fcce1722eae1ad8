"""The network solver against circuits whose answer is known in closed form."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.special

from coilbell.board.simulation import Fixture, Winding, catalogue
from coilbell.board.simulation.junction import THERMAL_VOLTS, JunctionMarch
from coilbell.board.simulation.motion import advanced, after_pulse, modes, sweep
from coilbell.board.simulation.network import Network, StateSpace
from coilbell.board.simulation.part import Coil, Core, Part, build
from coilbell.errors import InputError


def series_rlc(ohms: float, henries: float, farads: float) -> StateSpace:
    network = Network()
    network.capacitor("lead", "0", farads)
    network.inductor("lead", "0", henries, ohms)
    return network.state_space("lead")


def impedance(system: StateSpace, hz: float) -> complex:
    state = np.linalg.solve(
        2j * np.pi * hz * np.eye(len(system.a)) - system.a, system.b[:, 0].astype(complex)
    )
    return complex(system.c[0] @ state + system.d[0, 0])


@pytest.mark.parametrize(
    ("ohms", "henries", "farads", "decay", "hertz", "band"),
    [
        (126.72, 10.17e-3, 32e-9, 12460 / 2, 8766.5, 1e-3),
        (9.52, 36e-3, 10e-6, 132.222, 264.422, 1e-5),
        (21.3, 36e-3, 10e-6, 295.833, 261.046, 1e-5),
    ],
)
def test_series_circuits_from_student_laboratories(ohms, henries, farads, decay, hertz, band):
    # Source: reports of Bologna 2021 and RWTH Aachen on oscillating circuits.
    mode = modes(series_rlc(ohms, henries, farads))[0]
    assert mode.frequency_hz == pytest.approx(hertz, rel=band)
    assert mode.decay_per_s == pytest.approx(decay, rel=band)
    assert mode.q == pytest.approx(math.sqrt(henries / farads) / ohms, rel=1e-9)


def coupled(ohms: float, k: float, primary: float, secondary: float) -> Network:
    """Two windings with the given inductances and coupling, the second closed through `ohms`."""
    turns = math.sqrt(secondary / primary)
    core = Core(k * primary, ((1.0, 1e9),))
    leakage = (1 - k) / k
    coils = (Coil("a", 1, 0, leakage, 1e-15), Coil("b", turns, 0, leakage, 1e-15))
    part = Part("pair", "transformer", "", core, coils)
    network = Network()
    build(part, network)
    network.resistor("b", "0", ohms)
    return network


def test_ideally_shorted_secondary_raises_the_ring_by_a_quarter():
    # L (1 - k^2) with k = 0.6 is 0.64 L, so f rises by 1/0.8. Source: standard formula.
    rings = []
    for ohms in (1e9, 1e-9):
        network = coupled(ohms, 0.6, 1e-3, 1e-6)
        network.capacitor("lead", "0", 22e-9)
        rings.append(modes(network.state_space("lead"))[0].frequency_hz)
    assert rings[1] / rings[0] == pytest.approx(1.25, rel=1e-6)


def test_reflected_impedance():
    # w^2 M^2/(R2 + j w L2) at 20 kHz with 1 mH, 1 uH, 20 mohm, k 0.6. Source: standard formula.
    network = coupled(20e-3, 0.6, 1e-3, 1e-6)
    network.capacitor("lead", "0", 1e-15)
    z = impedance(network.state_space("lead"), 20e3)
    assert z.real == pytest.approx(7.0221, rel=1e-4)
    assert z.imag / (2 * math.pi * 20e3) == pytest.approx(648.894e-6, rel=1e-5)


def test_skin_effect_is_that_of_a_round_wire():
    # Internal impedance of a round wire, (k a/2) J0(k a)/J1(k a): textbook result (from memory).
    skin_hz = 5e3
    part = Part("wire", "coil", "", Core(1e-12, ((1.0, 1e9),)), (Coil("a", 1, 2.0, 1e3, 1e-15, skin_hz),))
    network = Network()
    build(part, network)
    network.capacitor("lead", "0", 1e-15)
    system = network.state_space("lead")
    for hz in np.geomspace(skin_hz / 30, skin_hz * 90, 25):
        ka = np.sqrt(-2j * hz / skin_hz)
        exact = 2.0 * (ka / 2 * scipy.special.jv(0, ka) / scipy.special.jv(1, ka)).real
        assert impedance(system, hz).real == pytest.approx(exact, rel=2e-3)


def test_dielectric_loss_is_the_stated_tangent():
    network = Network()
    Fixture(input_ohms=1e15, stray_farads=1e-18, loss_tangent=3e-4).build(network, 22e-9)
    system = network.state_space("lead")
    for hz in np.geomspace(1e3, 1e6, 30):
        y = 1 / impedance(system, hz)
        assert y.real / y.imag == pytest.approx(3e-4, rel=0.12)


def test_every_circuit_is_passive():
    for name in catalogue.names():
        for state in catalogue.states(name):
            a = Winding(catalogue.part(name, seed=3), state).state_space(22e-9).a
            assert np.max(np.linalg.eigvalsh(a + a.T)) <= 1e-9 * np.max(np.abs(a)), (name, state)


def test_samples_are_the_sum_of_the_true_modes():
    world = Winding(catalogue.part("tarn-line-split"), "turn-1-ohm")
    pulse_s, rate, amps = 2e-6, 500e3, 5e-3
    volts = world.ring(22e-9, pulse_s, rate, 4096, pretrigger_samples=100, delay_s=0.7e-6)
    t = (np.arange(4096) - 100) / rate - 0.7e-6 - pulse_s
    after = t > 0
    expected = sum(
        (
            amps * pulse_s * m.residue * np.exp((-m.decay_per_s + 2j * np.pi * m.frequency_hz) * t[after])
            for m in world.true_modes(22e-9, pulse_s)
        ),
        np.zeros(after.sum()),
    ).real
    np.testing.assert_allclose(volts[after], expected, atol=2e-6 * np.max(np.abs(volts)))
    assert not volts[:100].any()


def test_delay_moves_the_pulse_against_the_samples():
    world = Winding(catalogue.part("moss-switcher"))
    fine = world.ring(22e-9, 2e-6, 2e6, 400, pretrigger_samples=40)
    for k in range(4):
        coarse = world.ring(22e-9, 2e-6, 500e3, 100, pretrigger_samples=10, delay_s=k * 0.5e-6)
        np.testing.assert_allclose(coarse[k > 0 :], fine[4 * (k > 0) - k :: 4][: 100 - (k > 0)], atol=1e-12)


def test_samples_within_a_long_pulse_charge_the_capacitor():
    network = Network()
    network.capacitor("lead", "0", 1e-9)
    network.resistor("lead", "0", 1e3)
    state = after_pulse(network.state_space("lead"), 1e-3, 2e-6)
    assert network.state_space("lead").c[0] @ state == pytest.approx(1 - math.exp(-2), rel=1e-12)
    world = Winding(catalogue.part("beck-mains"))
    whole = world.ring(100e-9, 40e-6, 500e3, 200)
    world_fine = world.ring(100e-9, 40e-6, 1e6, 400)
    np.testing.assert_allclose(whole, world_fine[::2], atol=1e-12)


def test_doubling_equals_single_steps():
    system = series_rlc(10, 1e-3, 10e-9)
    start = after_pulse(system, 1e-3, 1e-6)
    states = sweep(system.a, start, 1e-6, 37)
    np.testing.assert_allclose(states[36], advanced(system, start, 36e-6), rtol=1e-9, atol=1e-15)


def test_junction_alone_discharges_a_capacitor_as_the_diode_law_says():
    # C dv/dt = -I (exp(v/V) - 1) has the solution 1 - exp(-v/V) = (1 - exp(-v0/V)) exp(-I t/(C V)).
    saturation, emission, farads = 1e-9, 1.5, 1e-9
    network = Network()
    network.junction("lead", "0", saturation, emission, farads)
    network.resistor("lead", "0", 1e12)
    system = network.state_space("lead")
    march = JunctionMarch(system, network.junctions, 1e-9)
    scale = emission * THERMAL_VOLTS
    march.state = (system.b[:, 0] / np.sum(system.b[:, 0] ** 2) * 0.25)[:, None]
    assert march.lead_volts(0) == pytest.approx(0.25)
    for _ in range(5):
        before = float(march.lead_volts(0)[0])
        march.advance(2e-6, 0.0)
        left = -math.expm1(-before / scale) * math.exp(-saturation * 2e-6 / (farads * scale))
        assert march.lead_volts(0) == pytest.approx(-scale * math.log1p(-left), rel=2e-3)


def test_clamp_of_two_junctions_each_way_hardly_loads_a_healthy_ring():
    # Common practice: two silicon junctions in series each way cost next to nothing at 0.4 V.
    part = catalogue.part("tarn-line-split")
    plain = Winding(part).ring(22e-9, 2e-6, 500e3, 300, pulse_amps=4.9e-3)
    clamped = Winding(part, fixture=Fixture(clamp=True)).ring(22e-9, 2e-6, 500e3, 300, pulse_amps=4.9e-3)
    assert 0 < np.max(np.abs(plain - clamped)) < 0.01 * np.max(plain)
    hard = Winding(part, fixture=Fixture(clamp=True)).ring(22e-9, 2e-6, 500e3, 300, pulse_amps=49e-3)
    assert np.max(hard) < 2.5 < 0.9 * 10 * np.max(plain)


def test_what_cannot_be_simulated_is_refused():
    network = Network()
    with pytest.raises(InputError, match="resistance"):
        network.resistor("a", "0", 0.0)
    network.inductor("lead", "0", 1e-3)
    with pytest.raises(InputError, match="inductors alone"):
        network.state_space("lead")
    floating = Network()
    floating.resistor("lead", "0", 1.0)
    floating.capacitor("a", "b", 1e-9)
    with pytest.raises(InputError, match="floats"):
        floating.state_space("lead")
    world = Winding(catalogue.part("moss-choke"))
    with pytest.raises(InputError, match="pre-trigger"):
        world.ring(22e-9, 2e-6, 500e3, 10, pretrigger_samples=11)
    with pytest.raises(InputError, match="pulse"):
        world.ring(22e-9, 0.0, 500e3, 10)


def test_leakage_and_cracks_keep_their_meaning_over_units():
    nominal = catalogue.part("tarn-line-split")
    unit = catalogue.part("tarn-line-split", seed=11)
    bigger = replace(nominal, core=Core(nominal.core.henries * 2, nominal.core.sections))
    assert bigger.henries == pytest.approx(2 * nominal.henries)
    air = [p.coils[1].leakage * p.core.henries for p in (nominal, unit)]
    assert air[0] == pytest.approx(air[1])
