"""A capacitor discharged through a coil and a resistor: parts in, published ring figures out.

The circuit's two state equations are stepped exactly with a matrix exponential (no formula for the
ring's frequency or decay is used), its capacitor voltage is fitted, and the fit has to give what the
authors of each experiment computed from their parts or measured. Figures seen in students' reports of
the universities of Bologna (2021, 2022) and RWTH Aachen (2018); tolerances as printed there.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.linalg import expm

from coilbell.decay import Fit, fit
from coilbell.record import Record


def discharge(ohms: float, henries: float, farads: float, *, count: int = 3000) -> Fit:
    """Fit of the voltage of `farads`, charged to 5 V, let go through `ohms` and `henries`; 10 uV of noise."""
    natural = 1 / math.sqrt(henries * farads)
    step = 2 * math.pi / natural / 60
    rates = np.array([[0.0, 1 / farads], [-1 / henries, -ohms / henries]])
    once = expm(rates * step)
    states = np.empty((count, 2))
    states[0] = 5.0, 0.0
    for i in range(1, count):
        states[i] = once @ states[i - 1]
    noise = 1e-5 * np.random.default_rng(4).standard_normal(count)
    return fit(Record(samples=states[:, 0] + noise, rate_hz=1 / step, volts_per_count=1.0), start_s=0.0)


def test_bologna_2021():
    """126.72 ohm, 10.17 mH, 32.0 nF: w0 55.43 krad/s, R/L 12.460 k/s, fd 8766.5 Hz, Q 4.449."""
    mode = discharge(35.31 + 41.41 + 50, 10.17e-3, 32.0e-9).main
    assert 2 * math.pi * mode.natural_frequency_hz == pytest.approx(55.43e3, rel=1e-3)
    assert 2 * mode.decay_per_s.value == pytest.approx(12.460e3, rel=1e-3)
    assert mode.frequency_hz.value == pytest.approx(8766.5, rel=1e-3)
    assert mode.q.value == pytest.approx(4.449, rel=1e-3)


def test_bologna_2022():
    """960.81 ohm, 47.0 mH, 9.94 nF: decay 10.22 k/s, angular frequency 45.12 krad/s."""
    mode = discharge(960.81, 47.0e-3, 9.94e-9).main
    assert mode.decay_per_s.value == pytest.approx(10.22e3, rel=2e-3)
    assert 2 * math.pi * mode.frequency_hz.value == pytest.approx(45.12e3, rel=2e-3)


@pytest.mark.parametrize(
    ("ohms", "decay", "frequency"), [(9.5 + 0.02, 132.222, 264.422), (9.5 + 11.8, 295.833, 261.046)]
)
def test_aachen_coil_of_36_millihenries(ohms, decay, frequency):
    """36 mH, 10 uF with 0.02 and 11.8 ohm added to the coil's 9.5 ohm."""
    mode = discharge(ohms, 36e-3, 10e-6).main
    assert mode.decay_per_s.value == pytest.approx(decay, rel=1e-5)
    assert mode.frequency_hz.value == pytest.approx(frequency, rel=1e-5)


@pytest.mark.parametrize(("henries", "farads", "critical"), [(36e-3, 10e-6, 120.0), (2.3e-3, 4.72e-6, 44.15)])
def test_critical_resistance(henries, farads, critical):
    """The damping ratio grows in proportion to R and is 1 at 120.0 ohm (44.15 ohm); past it nothing rings."""
    mode = discharge(critical / 4, henries, farads).main
    ratio = mode.decay_per_s.value / (2 * math.pi * mode.natural_frequency_hz)
    assert critical / 4 / ratio == pytest.approx(critical, rel=1e-3)
    assert not discharge(1.02 * critical, henries, farads).rings
    assert not discharge(5 * critical, henries, farads).rings


@pytest.mark.parametrize(
    ("ohms", "henries", "farads", "q", "natural", "tolerance"),
    [
        (1.728, 1.301e-3, 4.735e-6, 9.59, 2027.8, 1e-3),
        (9.039, 4.776e-3, 4.719e-6, 3.52, 1060.1, 2e-3),
        (13.81, 4.776e-3, 4.719e-6, 2.30, 1060.1, 2e-3),
    ],
)
def test_aachen_quality_factors(ohms, henries, farads, q, natural, tolerance):
    mode = discharge(ohms, henries, farads).main
    assert mode.q.value == pytest.approx(q, rel=tolerance)
    assert mode.natural_frequency_hz == pytest.approx(natural, rel=tolerance)


def test_resistance_added_in_steps_gives_inductance_and_rest():
    """Decay rates against added R: slope 1/(2 L) gives 2.25 mH, the axis cut 1.24 ohm.

    The authors' weighted line through 520, 1470, 2520 1/s (standard deviations 8, 82, 16) at 1.1, 5.2,
    10.1 ohm gives the same; 4.575 uF makes the 1563 Hz they saw.
    """
    added = np.array([1.1, 5.2, 10.1])
    published = np.polyfit(added, [520.0, 1470.0, 2520.0], 1, w=1 / np.array([8.0, 82.0, 16.0]))
    fitted = [discharge(1.24 + r, 2.25e-3, 4.575e-6).main.decay_per_s.value for r in added]
    slope, cut = np.polyfit(added, fitted, 1)
    assert slope == pytest.approx(published[0], rel=1e-3)
    assert 1 / (2 * slope) == pytest.approx(2.25e-3, rel=1e-3)
    assert cut / slope == pytest.approx(1.24, rel=1e-3)
    assert cut / slope == pytest.approx(published[1] / published[0], rel=5e-3)
