"""What a ladder of amplitudes tells the posterior: junctions that conduct, and never a turn."""

import math

import numpy as np
import pytest

from coilbell.decay import Bend, Slow, rise_of
from coilbell.record import Capacitor, Connection
from coilbell.terms import Attached, Headline, Step
from coilbell.winding import (
    AmplitudeLaw,
    Capture,
    Condition,
    Observation,
    Reference,
    decode,
    encode,
    find,
    verdict_lines,
)
from coilbell.winding.odds.conduction import foreseen_rise, log_conduction
from coilbell.winding.odds.law import law_of
from coilbell.winding.said.conducting import where

LAST = (Step.YOKE_OFF, Step.TUBE_BASE_OFF, Step.RETURN_LIFTED, Step.COILS_OFF, Step.RECTIFIERS_TESTED)
PAIR = (Capacitor(22e-9, 0.01, "A"), Capacitor(2.2e-9, 0.01, "B"))
HENRIES, STRAY, Q = 2.2e-3, 2e-9, 130.0
QUIET = AmplitudeLaw(Bend.NONE, 0.01, 0.01)
DAMPER = AmplitudeLaw(Bend.JUNCTION, 0.35, 0.04, 0.047, 0.004)


def ring(capacitor, added_farads=0.0, loss=0.0, **more):
    """A winding of 2.2 mH with a capacitance and a conductance [S] across it."""
    farads = capacitor.farads + STRAY + added_farads
    w = 1 / math.sqrt(HENRIES * farads)
    q = 1 / (1 / Q + loss / (w * farads))
    hertz = w / (2 * math.pi) * math.sqrt(1 - 0.25 / q**2)
    return Observation(capacitor, hertz, q, 1e-4, 3e-3, 0.13, board="b", **more)


def reference():
    rng = np.random.default_rng(5)
    captures = []
    for unit in range(6):
        f, d = 1 + 0.03 * rng.standard_normal(), 1 + 0.1 * rng.standard_normal()
        for c in PAIR:
            one = ring(c, connection=Connection.OUT_OF_CIRCUIT)
            captures.append(
                Capture(
                    f"u{unit}", Condition.GOOD, Observation(c, one.frequency_hz * f, one.q * d, board="b")
                )
            )
    return Reference.begin("tarn-3", "line-output transformer", captures)


def in_set(law, siemens):
    return [ring(c, 6.8e-9, siemens, connection=Connection.IN_CIRCUIT, done=LAST, law=law) for c in PAIR]


def test_a_ladder_that_rises_as_a_junction_names_it():
    with_law = find(in_set(DAMPER, 2e-5), reference())
    without = find(in_set(None, 2e-5), reference())
    assert with_law.odds.attached[Attached.JUNCTION] > 0.9
    assert without.odds.attached[Attached.JUNCTION] < 0.5
    assert with_law.verdict.headline is not Headline.SHORTED


def test_the_headline_says_where_a_junction_conducts_and_what_to_measure():
    verdict = find(in_set(DAMPER, 2e-5), reference()).verdict
    words = " ".join(" ".join(verdict_lines(verdict)).split())
    assert "a junction conducts across the winding itself: switch, damper or clamp (V 47(4) mV)" in words
    assert verdict.steps[0].step is Step.DEVICE_TESTED
    stepped = AmplitudeLaw(Bend.JUNCTION, 0.2, 0.03, 0.28, 0.03)
    place, step = where(stepped)
    assert place == "on a winding of 1/5 to 1/11 of its turns: a rectifier"
    assert step is Step.RECTIFIERS_TESTED


def test_a_failed_law_is_said_and_names_nothing():
    found = find(in_set(AmplitudeLaw(Bend.FAILED, 0.3, 0.05), 2e-5), reference())
    assert any("no law fits" in one for one in found.reasons)
    assert "a junction conducts" not in " ".join(verdict_lines(found.verdict))


def test_a_quiet_ladder_speaks_against_a_junction():
    quiet = find(in_set(QUIET, 4e-5), reference())
    unknown = find(in_set(None, 4e-5), reference())
    assert quiet.odds.attached[Attached.JUNCTION] < unknown.odds.attached[Attached.JUNCTION]


def test_v_tells_a_junction_across_the_winding_from_one_on_a_secondary():
    far = AmplitudeLaw(Bend.JUNCTION, 0.2, 0.03, 0.28, 0.04)
    near = find(in_set(DAMPER, 1e-4), reference()).odds.attached
    stepped = find(in_set(far, 1e-3), reference()).odds.attached
    assert near[Attached.JUNCTION] > near[Attached.SCHOTTKY]
    assert stepped[Attached.SCHOTTKY] > stepped[Attached.JUNCTION]


def test_foreseen_rise_is_that_of_the_slow_equation():
    rng = np.random.default_rng(3)
    for _ in range(40):
        share, volts = 10 ** rng.uniform(-3.5, -0.1), 10 ** rng.uniform(-1.7, -0.3)
        true = rise_of(Slow(1e3 * (1 - share), 1e3 * share, volts))
        assert foreseen_rise(np.array([share]), np.array([volts]))[0] == pytest.approx(true, rel=0.06)
    assert foreseen_rise(np.zeros(1), np.full(1, 0.05))[0] == 0.0


def test_no_junction_and_no_rise_weigh_as_the_density_says():
    none = log_conduction(QUIET, np.zeros((1, 2)), np.full((1, 2), 0.05))
    strong = log_conduction(QUIET, np.array([[0.3, 0.0]]), np.full((1, 2), 0.05))
    assert none[0] - strong[0] > 2


def test_the_core_of_the_reference_explains_its_own_rise():
    law = AmplitudeLaw(Bend.CORE, 0.08, 0.005, core_per_volt=300.0)
    none, at = np.zeros((1, 2)), np.full((1, 2), 0.05)
    assert log_conduction(law, none, at, 0.065) > log_conduction(law, none, at, 0.0)


def test_a_law_travels_with_a_reference():
    held = reference()
    law = AmplitudeLaw(Bend.CORE, 0.02, 0.004, core_per_volt=120.0)
    again = Observation(PAIR[0], 25e3, 120.0, law=law)
    kept = Reference.begin("tarn-4", held.kind, [Capture("u", Condition.GOOD, again)])
    assert decode(encode(kept)).captures[0].observation.law == law


class _Figure:
    def __init__(self, value, spread):
        self.value, self.standard_uncertainty = value, spread


class _Rung:
    def __init__(self, volts, loss, spread, hertz=30e3):
        self.amplitude_volts, self.loss = volts, _Figure(loss, spread)
        self.frequency_hz = _Figure(hertz, 1.0)


class _Ladder:
    bend, volts, share, core_per_volt, rise = "no law fits", None, None, None, -0.4

    def __init__(self, *rungs):
        self.rungs = rungs


def test_a_failed_law_leaves_the_rise_to_the_rungs_themselves():
    ladder = _Ladder(_Rung(0.06, 0.02, 1e-4), _Rung(0.13, 0.021, 1e-4), _Rung(0.27, 0.024, 1e-4))
    found = law_of(ladder, 1e3)
    assert found.rise == pytest.approx(0.2, abs=0.05)
    assert found.volts is None


def test_a_rung_of_another_mode_tells_nothing_of_the_rise():
    rungs = [_Rung(0.06, 0.02, 1e-4), _Rung(0.13, 0.02, 1e-4), _Rung(0.27, 1.5, 1e-4, hertz=90e3)]
    assert law_of(_Ladder(*rungs), 1e3).rise == pytest.approx(0.0, abs=0.01)


def test_below_q_5_a_rise_is_known_no_better_than_a_tenth():
    ladder = _Ladder(_Rung(0.06, 0.5, 1e-4), _Rung(0.13, 0.501, 1e-4), _Rung(0.27, 0.502, 1e-4))
    assert law_of(ladder, 1e3).rise_uncertainty >= 0.1
