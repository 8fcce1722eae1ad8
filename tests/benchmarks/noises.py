"""Noise that is not white, not steady or not independent of the ring: are the intervals wide enough?

python tests/benchmarks/decay.py --seed 3 --part noises --part flags
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial

import numpy as np
from scipy.signal import lfilter

from benchmarks.hard import LAWS, LENGTH, codes
from benchmarks.oracle import descend
from benchmarks.ours import MISMATCH, covers, estimates
from benchmarks.score import paired
from benchmarks.signals import HIGH, LOW, PRETRIGGER, RATE_HZ, Ring, generator, log_uniform
from coilbell.decay import fit
from coilbell.record import Record

Mapper = Callable[[Callable[[int], object], Iterable[int]], list]
Array = np.ndarray
Noise = Callable[[np.random.Generator, Ring, Array], Array]
"""Noise of unit size over the samples (before the ring too), and what is added to the ring itself."""


def _ar(rho: float) -> Noise:
    def drawn(rng: np.random.Generator, ring: Ring, times: Array) -> Array:
        start = rng.standard_normal(times.size + 400)
        return np.asarray(lfilter([np.sqrt(1 - rho * rho)], [1, -rho], start)[400:])

    return drawn


def _larger_at_first(rng: np.random.Generator, ring: Ring, times: Array) -> Array:
    size = 1 + 4 * np.exp(-np.maximum(times, 0) / (0.1 * LENGTH / RATE_HZ))
    return np.where(times < 0, 1.0, size) * rng.standard_normal(times.size)


def _comb(base_hz: float, orders: tuple[int, ...], height: float) -> Noise:
    def drawn(rng: np.random.Generator, ring: Ring, times: Array) -> Array:
        lines = [height / k * np.cos(2 * np.pi * base_hz * k * times + rng.uniform(0, 6)) for k in orders]
        return np.asarray(rng.standard_normal(times.size) + np.sum(lines, axis=0))

    return drawn


STEADY: dict[str, Noise] = {
    "white": lambda rng, ring, t: rng.standard_normal(t.size),
    "AR(1) 0.9": _ar(0.9),
    "5 x larger at first": _larger_at_first,
    "hum, 50 Hz odd": _comb(50.0, (1, 3, 5, 7, 9), 10.0),
    "hum, comb of 1 kHz": _comb(1e3, tuple(range(1, 12)), 3.0),
}


def _jitter(rng: np.random.Generator, ring: Ring, times: Array) -> Array:
    return ring.at(times + 20e-9 * rng.standard_normal(times.size))


def _gain(rng: np.random.Generator, ring: Ring, times: Array) -> Array:
    return np.asarray(ring.at(times) * (1 + 0.003 * rng.standard_normal(times.size)))


FOLLOWING: dict[str, Callable[[np.random.Generator, Ring, Array], Array]] = {
    "20 ns of jitter": _jitter,
    "0.3 % of gain": _gain,
}


def noisy_of(name: str, seed: int, index: int) -> tuple[int, bool, bool, bool]:
    """Modes found, ring found, f and Q held, of one ring of Q 4 to 150 at 30 to 55 dB."""
    rng = generator(seed, 17, [*STEADY, *FOLLOWING].index(name), index)
    ring = Ring.of_q(log_uniform(rng, 5e3, 150e3), log_uniform(rng, 4, 150), 1200.0, rng.uniform(-3, 3))
    sigma = max(0.8, 1200 * 10 ** (-rng.uniform(30, 55) / 20))
    times = np.arange(-PRETRIGGER, LENGTH) / RATE_HZ
    if name in FOLLOWING:
        answer = fit(codes(rng, FOLLOWING[name](rng, ring, times[PRETRIGGER:]), 0.8))
    else:
        clean = np.concatenate([np.zeros(PRETRIGGER), ring.at(times[PRETRIGGER:])])
        record = codes(rng, clean + sigma * STEADY[name](rng, ring, times), 0.0, 0)
        answer = fit(
            Record(
                record.samples, rate_hz=RATE_HZ, full_scale=(LOW, HIGH), resolution=1.0, pretrigger=PRETRIGGER
            )
        )
    which = paired((ring,), estimates(answer)).get(0)
    if which is None or abs(answer.modes[which].frequency_hz.value - ring.frequency_hz) > ring.linewidth_hz:
        return len(answer.modes), False, False, False
    f, _, q = covers(ring, answer, which)
    return len(answer.modes), True, f, q


def noises(seed: int, records: int, run: Mapper) -> list[str]:
    """Intervals held and false modes in noise of seven kinds."""
    count = max(60, records // 5)
    lines = [
        "NOISE",
        f"{'':22s}{'records':>8s}{'lost':>6s}{'f held %':>10s}{'Q held %':>10s}{'false modes %':>15s}",
    ]
    for name in (*STEADY, *FOLLOWING):
        found = run(partial(noisy_of, name, seed), range(count))
        kept = [f for f in found if f[1]]
        lines.append(
            f"{name:22s}{count:8d}{count - len(kept):6d}{100 * np.mean([f[2] for f in kept]):10.1f}"
            f"{100 * np.mean([f[3] for f in kept]):10.1f}{100 * np.mean([f[0] > 1 for f in found]):15.1f}"
        )
    return lines


SEEN = 30.0
"""Energy [noise variances] from which a test of a few figures, wrong once in 2000, sees nine of ten."""

# --- defects that move Q must be flagged, and nothing else ---


def _inl(rng: np.random.Generator) -> Array:
    """(4096,) smooth integral non-linearity of 1.5 counts at its worst, line through the ends taken off."""
    x = np.arange(LOW, HIGH + 1) / HIGH * 2 - 1
    error = rng.normal() * (1 - x**2) + rng.normal() * (x - x**3) * 2
    error = error + 0.5 * rng.normal() * np.sin(2 * np.pi * x * rng.uniform(2, 6))
    error -= np.interp(x, [-1, 1], [error[0], error[-1]])
    return np.asarray(1.5 * error / np.abs(error).max())


def _slipped(ring: Ring, times: Array, rng: np.random.Generator) -> Array:
    where = int(min(max(rng.uniform(0.1, 1.5) * ring.tau_s * RATE_HZ, 10), 0.8 * LENGTH))
    moved = times.copy()
    moved[where:] += int(rng.integers(1, 9)) / RATE_HZ
    return ring.at(moved)


def _one_sided(ring: Ring, times: Array, rng: np.random.Generator) -> Array:
    return np.asarray(LAWS["one-sided diode"][0](ring, times, log_uniform(rng, 0.4, 0.8), 0.0))


def _settling(ring: Ring, times: Array, rng: np.random.Generator) -> Array:
    return np.asarray(ring.at(times) * (1 + 0.05 * np.exp(-times / log_uniform(rng, 50e-6, 1e-3))))


DEFECTS: dict[str, Callable[[Ring, Array, np.random.Generator], Array]] = {
    "INL": lambda ring, t, rng: (lambda wave: wave + _inl(rng)[np.round(wave).astype(int) + 2048])(
        ring.at(t)
    ),
    "gain control": _settling,
    "one-sided diode": _one_sided,
    "slip": _slipped,
    "control": lambda ring, t, rng: ring.at(t),
    "control, noise 0.1..0.3": lambda ring, t, rng: ring.at(t),
}


def flagged_of(name: str, seed: int, index: int) -> tuple[bool, bool, float]:
    """Whether a doubt names a defect, whether it moves Q by more than the stated interval, and the energy
    that a plain ring leaves of the noise-free samples, in noise variances.

    It moves Q where Q is not held, and a plain ring fitted to the noise-free samples is off by more.
    """
    rng = generator(seed, 18, list(DEFECTS).index(name), index)
    ring = Ring.of_q(
        log_uniform(rng, 8e3, 60e3), log_uniform(rng, 8, 150), rng.uniform(900, 1800), rng.uniform(-3, 3)
    )
    times = np.arange(LENGTH) / RATE_HZ
    clean = DEFECTS[name](ring, times, rng)
    sigma = 0.7 if name == "INL" else log_uniform(rng, 0.6, 2)
    sigma = log_uniform(rng, 0.1, 0.3) if "noise" in name else sigma
    answer = fit(codes(rng, clean, sigma))
    plain, left = descend(clean, times, (ring,), (), steps=30)
    moved = True
    if answer.modes:
        half = (answer.main.q.high - answer.main.q.low) / 2
        moved = not covers(ring, answer, 0)[2] and not abs(plain[0].q - ring.q) < half
    return bool({d.kind for d in answer.doubts} & MISMATCH), moved, left / (sigma**2 + 1 / 12)


def flags(seed: int, records: int, run: Mapper) -> list[str]:
    """Defects that move Q by more than its interval: how many are told; and how many of none."""
    count = max(60, records // 5)
    lines = [
        "FLAGS",
        f"{'':24s}{'records':>8s}{'flagged %':>11s}{'move Q':>8s}{'flagged %':>11s}{'visible':>9s}"
        f"{'flagged %':>11s}",
    ]
    for name in DEFECTS:
        found = run(partial(flagged_of, name, seed), range(count))
        moving = [f[0] for f in found if f[1]]
        visible = [f[0] for f in found if f[1] and f[2] > SEEN]
        lines.append(
            f"{name:24s}{count:8d}{_share([f[0] for f in found])}{len(moving):8d}{_share(moving)}"
            f"{len(visible):9d}{_share(visible)}"
        )
    return [
        *lines,
        f"  visible: a plain ring leaves more than {SEEN:g} noise variances of the noise-free samples",
    ]


def _share(hits: list[bool]) -> str:
    return f"{100 * np.mean(hits):11.1f}" if hits else f"{'-':>11s}"
