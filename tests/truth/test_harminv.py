"""Agreement with harminv, an independent estimator (filter diagonalisation), on rings of high Q.

harminv 1.4, command line: V. A. Mandelshtam and H. S. Taylor, J. Chem. Phys. 107 (1997) 6756. It knows no
noise and no offset, so the rings here are loud, long and without offset; both tools see the same samples.
"""

from __future__ import annotations

import subprocess

import numpy as np
import pytest

from coilbell.decay import fit
from coilbell.record import Record
from outside import require

RATE_HZ = 500e3


def harminv(samples: np.ndarray) -> np.ndarray:
    """(modes, 6): frequency, decay constant, Q, amplitude, phase, error; strongest first.

    Real samples make every mode appear twice, at plus and minus its frequency; the plus one is kept.
    """
    done = subprocess.run(
        [require("harminv"), "-t", repr(1 / RATE_HZ), "3000-200000"],
        input="\n".join(map(repr, samples.tolist())),
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    rows = [[float(field) for field in line.split(",")] for line in done.stdout.splitlines()[1:]]
    table = np.array([row for row in rows if row[0] > 0])
    return table[np.argsort(-table[:, 3])]


def sound(modes: list[tuple[float, float, float, float]], count: int, noise: float) -> np.ndarray:
    """Samples of (frequency, decay, amplitude, phase) with Gaussian noise."""
    times = np.arange(count) / RATE_HZ
    values = noise * np.random.default_rng(11).standard_normal(count)
    for frequency, decay, amplitude, phase in modes:
        values += amplitude * np.exp(-decay * times) * np.cos(2 * np.pi * frequency * times + phase)
    return values


@pytest.mark.parametrize(("frequency", "q"), [(8e3, 60.0), (21.3e3, 150.0), (47e3, 300.0), (110e3, 400.0)])
def test_one_ring(frequency, q):
    samples = sound([(frequency, np.pi * frequency / q, 1.0, 0.4)], 2048, 1e-5)
    theirs = harminv(samples)[0]
    mode = fit(Record(samples=samples, rate_hz=RATE_HZ), start_s=0.0).main
    assert mode.frequency_hz.value == pytest.approx(theirs[0], rel=1e-6)
    assert mode.decay_per_s.value == pytest.approx(theirs[1], rel=1e-3)
    assert mode.q_damped.value == pytest.approx(theirs[2], rel=1e-3)
    assert mode.amplitude.value == pytest.approx(2 * theirs[3], rel=1e-3)  # half is at minus f


def test_two_rings_in_order_of_energy():
    modes = [(21.3e3, np.pi * 21.3e3 / 150, 1.0, 0.4), (33.0e3, np.pi * 33e3 / 200, 0.3, -1.0)]
    samples = sound(modes, 3000, 1e-5)
    theirs = harminv(samples)[:2]
    answer = fit(Record(samples=samples, rate_hz=RATE_HZ), start_s=0.0)
    assert len(answer.modes) == 2
    for mode, row in zip(answer.modes, theirs, strict=True):
        assert mode.frequency_hz.value == pytest.approx(row[0], rel=1e-6)
        assert mode.decay_per_s.value == pytest.approx(row[1], rel=1e-3)
