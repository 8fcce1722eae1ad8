"""Records that break the model of damped sinusoids, one way at a time, and controls that do not.

All have 2048 samples, one ring of 8..60 kHz, Q 20..150, 900..1900 counts, noise 0.6..2 counts, a weak
recovery in three of ten. `ring` holds the small-signal frequency and decay rate, the ones that are left
when the amplitude has gone.

control          nothing wrong
non-linearity    converter error of 1.5 counts at its worst, noise 0.7 counts: half bowed (second and third
                 order), half wrong bit weights, both after removal of offset and gain error
decay 5 %, 30 %  dA/dt = -a A (1 + e A/A0), e = 0.05, 0.30:  A = A0 exp(-a t) / (1 + e (1 - exp(-a t)))
soft clip        R tanh(v/R) with R = 1.5..4 amplitudes (13 % to 2 % of compression at the peak)
time slip        1..12 samples lost once, 0.3..1.9 time constants after the start, at least 0.3 rad
frequency drift  half: linear in time by 0.5..3 % in three time constants; half: f (1 + h A/A0), h 0.3..3 %
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

from benchmarks.oracle import descend
from benchmarks.signals import HIGH, LOW, RATE_HZ, Case, Ring, captured, generator, log_uniform, noise_free
from coilbell.decay import DoubtKind

Array = npt.NDArray[np.float64]

LENGTH = 2048

VISIBLE = 100.0
"""Misfit energy, in noise variances, from which a record has to be flagged (see `lack_of_fit`)."""

KINDS: dict[str, frozenset[DoubtKind]] = {
    "control": frozenset(),
    "non-linearity": frozenset({DoubtKind.CONVERTER_NONLINEARITY}),
    "decay 5 %": frozenset({DoubtKind.AMPLITUDE_DEPENDENT}),
    "decay 30 %": frozenset({DoubtKind.AMPLITUDE_DEPENDENT}),
    "soft clip": frozenset({DoubtKind.AMPLITUDE_DEPENDENT, DoubtKind.CONVERTER_NONLINEARITY}),
    "time slip": frozenset({DoubtKind.TIME_SLIP}),
    "frequency drift": frozenset({DoubtKind.FREQUENCY_DRIFT}),
}
"""Kind -> the doubts that name it rightly."""


@dataclass(frozen=True)
class _Draw:
    rng: np.random.Generator
    ring: Ring
    recoveries: tuple[tuple[float, float], ...]
    offset: float
    times: Array

    @property
    def plain(self) -> Array:
        return noise_free(self.times.size, (self.ring,), self.recoveries, self.offset)

    def with_ring(self, values: Array) -> Array:
        """Offset and recoveries with something else in the ring's place."""
        return noise_free(self.times.size, (), self.recoveries, self.offset) + values


def mismatched(kind: str, seed: int, index: int) -> Case:
    """One record of that kind; its `clean` is the signal before noise and rounding."""
    number = list(KINDS).index(kind)
    rng = generator(seed, 4, number, index)
    draw = _draw(rng)
    sigma = 0.7 if kind == "non-linearity" else log_uniform(rng, 0.6, 2.0)
    makers: dict[str, Callable[[_Draw], Array]] = {
        "control": lambda d: d.plain,
        "decay 5 %": partial(_amplitude_law, 0.05),
        "decay 30 %": partial(_amplitude_law, 0.30),
        "soft clip": _soft_clip,
        "time slip": _time_slip,
        "frequency drift": _drift,
    }
    if kind == "non-linearity":
        clean = draw.plain
        error = _converter_error(rng)
        record = captured(rng, clean, draw.offset, sigma, error=error)
        clean = clean + np.interp(clean, np.arange(LOW, HIGH + 1), error)
    else:
        clean = makers[kind](draw)
        record = captured(rng, clean, draw.offset, sigma)
    name = f"mismatched({kind!r}, seed={seed}, index={index})"
    return Case(name, record, (draw.ring,), draw.recoveries, clean, sigma)


def _draw(rng: np.random.Generator) -> _Draw:
    ring = Ring.of_q(
        log_uniform(rng, 8e3, 60e3),
        log_uniform(rng, 20, 150),
        rng.uniform(900, 1900),
        rng.uniform(-np.pi, np.pi),
    )
    recoveries: tuple[tuple[float, float], ...] = ()
    if rng.random() < 0.3:
        recoveries = ((1 / log_uniform(rng, 50e-6, 1e-3), float(rng.uniform(-60, 60))),)
    return _Draw(rng, ring, recoveries, 2048.0 + rng.uniform(-60, 60), np.arange(LENGTH) / RATE_HZ)


def _amplitude_law(strength: float, draw: _Draw) -> Array:
    fall = np.exp(-draw.ring.decay_per_s * draw.times)
    return draw.with_ring(draw.ring.at(draw.times) / (1 + strength * (1 - fall)))


def _soft_clip(draw: _Draw) -> Array:
    limit = draw.ring.amplitude * log_uniform(draw.rng, 1.5, 4.0)
    return draw.offset + limit * np.tanh((draw.plain - draw.offset) / limit)


def _time_slip(draw: _Draw) -> Array:
    tau = draw.ring.tau_s * RATE_HZ
    where = round(draw.rng.uniform(min(0.3 * tau, 0.2 * LENGTH), min(1.9 * tau, 0.8 * LENGTH)))
    while True:
        lost = int(draw.rng.integers(1, 13))
        turn = draw.ring.angular_per_s * lost / RATE_HZ
        if abs((turn + np.pi) % (2 * np.pi) - np.pi) >= 0.3:
            break
    times = draw.times.copy()
    times[where:] += lost / RATE_HZ
    values = np.full(times.size, draw.offset) + draw.ring.at(times)
    for rate, amplitude in draw.recoveries:
        values += amplitude * np.exp(-rate * times)
    return values


def _drift(draw: _Draw) -> Array:
    ring, times = draw.ring, draw.times
    sign = float(draw.rng.choice([-1, 1]))
    if draw.rng.random() < 0.5:
        span = 3 * ring.tau_s
        rise = sign * log_uniform(draw.rng, 0.005, 0.03)
        clock = np.minimum(times, span)
        extra = ring.angular_per_s * rise * (clock**2 / (2 * span) + (times - clock))
    else:
        pull = sign * log_uniform(draw.rng, 0.003, 0.03)
        extra = ring.angular_per_s * pull * -np.expm1(-ring.decay_per_s * times) / ring.decay_per_s
    envelope = ring.amplitude * np.exp(-ring.decay_per_s * times)
    return draw.with_ring(envelope * np.cos(ring.angular_per_s * times + ring.phase_rad + extra))


def _converter_error(rng: np.random.Generator) -> Array:
    """(4096,) integral non-linearity [counts], straight line through its ends taken off, 1.5 at its worst."""
    codes = np.arange(LOW, HIGH + 1)
    if rng.random() < 0.5:
        x = codes / HIGH * 2 - 1
        error = rng.normal() * (1 - x**2) + rng.normal() * (x - x**3) * 2
    else:
        weights = rng.normal(size=12) * np.sqrt(2.0 ** np.arange(12))
        error = ((codes[:, None] >> np.arange(12)) & 1) @ weights
    error = error - np.interp(codes, [LOW, HIGH], [error[0], error[-1]])
    return np.asarray(1.5 * error / np.abs(error).max())


def lack_of_fit(case: Case) -> float:
    """Energy that the best single damped sinusoid leaves of the noise-free signal, in noise variances.

    Gauss-Newton from the small-signal values. A test that knew the shape of the misfit would see it from
    about 20 on; one that knows nothing needs several times sqrt(2 n), about 200.
    """
    _, energy = descend(case.clean, case.ring_times_s, case.rings, case.recoveries, steps=30)
    return energy / (case.sigma**2 + case.resolution**2 / 12)
