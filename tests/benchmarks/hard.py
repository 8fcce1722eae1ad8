"""What users feed the estimator beyond the domain: no told start, wild samples, close pairs, other laws.

    python tests/benchmarks/decay.py --seed 3 --part guessed --part wild --part pairs --part laws

Each row is drawn from (seed, number of the row, index) alone.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from benchmarks.bound import bounds, bounds_of
from benchmarks.ours import covers, estimates, fitted
from benchmarks.score import RingScore, efficiency, paired, score
from benchmarks.signals import HIGH, LOW, PRETRIGGER, RATE_HZ, Ring, domain, generator, log_uniform
from coilbell.decay import DoubtKind, Fit, fit
from coilbell.record import Record

Mapper = Callable[[Callable[[int], object], Iterable[int]], list]
Array = np.ndarray

LENGTH = 2048


def codes(rng: np.random.Generator, clean: Array, sigma: float, quiet: int = PRETRIGGER) -> Record:
    """A 12-bit record of a quiet stretch and then of `clean` [counts from the middle]."""
    whole = np.concatenate([np.zeros(quiet), clean]) + 2048
    seen = np.clip(np.round(whole + sigma * rng.standard_normal(whole.size)), LOW, HIGH).astype(np.int32)
    return Record(seen, rate_hz=RATE_HZ, full_scale=(LOW, HIGH), resolution=1.0, pretrigger=quiet)


# --- start guessed ---


def guessed_of(seed: int, rings: int, index: int) -> tuple[RingScore, ...]:
    """A record of the domain without its start: with its quiet stretch or, every other time, without."""
    case = domain(seed, rings, index)
    quiet = case.record.pretrigger if index % 2 else 0
    samples = case.record.samples[case.record.pretrigger - quiet :]
    answer = fit(replace(case.record, samples=samples, pretrigger=0))
    return score(case.rings, bounds(case), estimates(answer))


def guessed(seed: int, records: int, run: Mapper) -> list[str]:
    """Efficiency with the start guessed, K = 1, 2, 3."""
    lines = [
        "START GUESSED",
        f"{'':12s}{'records':>8s}{'eff f':>8s}{'eff tau':>9s}{'eff Q':>8s}{'gross':>7s}",
    ]
    for rings in (1, 2, 3):
        found = run(partial(guessed_of, seed, rings), range(records))
        flat = [s for scores in found for s in scores]
        eff = [efficiency(flat, what) for what in ("frequency", "tau", "q")]
        gross = sum(any(s.gross for s in scores) for scores in found)
        lines.append(f"K = {rings:<8d}{records:8d}{eff[0]:8.3f}{eff[1]:9.3f}{eff[2]:8.3f}{gross:7d}")
    return lines


# --- wild samples ---


@dataclass(frozen=True)
class Held:
    name: str
    lost: bool
    held: bool = False
    crashed: str = ""


WILD = ("on a rail", "anywhere", "burst", "burst on a rail")


def spoilt(seed: int, index: int) -> tuple[Record, Ring]:
    """One ring with one to three wild samples, or a burst of up to 12, anywhere behind its start."""
    rng = generator(seed, 11, index)
    length = int(log_uniform(rng, 512, 4096))
    ring = Ring.of_q(
        log_uniform(rng, 5e3, 100e3),
        log_uniform(rng, 4, 150),
        log_uniform(rng, 100, 1900),
        rng.uniform(-3, 3),
    )
    sigma = log_uniform(rng, 0.5, max(0.6, ring.amplitude / 100))
    record = codes(rng, ring.at(np.arange(length) / RATE_HZ), sigma)
    samples = record.samples.astype(float)
    kind, first = index % 4, PRETRIGGER
    if kind < 2:
        for place in rng.integers(0, length, int(rng.integers(1, 4))):
            up = rng.random() < 0.5
            height = log_uniform(rng, 100, 3000) * (1 if up else -1)
            samples[first + place] = (HIGH if up else LOW) if kind == 0 else samples[first + place] + height
    else:
        start = first + int(rng.uniform(0.02, 0.95) * length)
        burst = slice(start, start + int(rng.integers(2, 13)))
        size = samples[burst].size
        samples[burst] = HIGH if kind == 3 else samples[burst] + 4000 * rng.standard_normal(size)
    return replace(record, samples=np.clip(np.round(samples), LOW, HIGH).astype(np.int32)), ring


def spoilt_of(seed: int, index: int) -> Held:
    record, ring = spoilt(seed, index)
    name = f"spoilt(seed={seed}, index={index})"
    try:
        answer = fit(record)
    except Exception as error:  # a benchmark counts whatever goes wrong
        return Held(name, True, crashed=f"{type(error).__name__}: {error}")
    lost = not answer.modes or abs(answer.main.frequency_hz.value / ring.frequency_hz - 1) > 0.05
    return Held(name, lost, not lost and covers(ring, answer, 0)[2])


def wild(seed: int, records: int, run: Mapper) -> list[str]:
    """Rings lost, crashes, and Q held, with wild samples."""
    count = max(40, records // 2)
    found: list[Held] = run(partial(spoilt_of, seed), range(count))
    lines = ["WILD SAMPLES", f"{'':18s}{'records':>8s}{'lost':>6s}{'crashed':>9s}{'Q held %':>10s}"]
    for kind, name in (*enumerate(WILD), (None, "all")):
        part = [f for i, f in enumerate(found) if kind is None or i % 4 == kind]
        kept = [f.held for f in part if not f.lost]
        lines.append(
            f"{name:18s}{len(part):8d}{sum(f.lost for f in part):6d}{sum(bool(f.crashed) for f in part):9d}"
            f"{100 * np.mean(kept):10.1f}"
        )
    return lines + [f"    {f.name}: {f.crashed or 'lost'}" for f in found if f.lost][:6]


# --- close pairs ---

APART = (0.2, 0.3, 0.5, 0.7, 1.0)


def pair_of(seed: int, apart: float, index: int) -> tuple[int, bool, tuple[bool, ...]] | None:
    """Modes found, called a law or not, Q held of both; None where even the bound leaves 10 % of Q open."""
    rng = generator(seed, 12, round(1000 * apart), index)
    f, q, height = log_uniform(rng, 8e3, 60e3), log_uniform(rng, 20, 80), 900.0
    rings = (
        Ring.of_q(f, q, height, rng.uniform(-3, 3)),
        Ring.of_q(
            f * (1 + apart / q),
            q * log_uniform(rng, 0.7, 1.4),
            height * log_uniform(rng, 0.2, 1),
            rng.uniform(-3, 3),
        ),
    )
    times, sigma = np.arange(LENGTH) / RATE_HZ, height / 1000
    try:
        limits = bounds_of(times, rings, variance=sigma**2 + 1 / 12)
    except np.linalg.LinAlgError:
        return None
    if any(b.q > 0.1 * r.q for b, r in zip(limits, rings, strict=True)):
        return None
    answer = fit(codes(rng, rings[0].at(times) + rings[1].at(times), sigma))
    law = bool(answer.doubts_about(DoubtKind.AMPLITUDE_DEPENDENT)) and len(answer.modes) < 2
    pairs = paired(rings, estimates(answer))
    held = tuple(covers(r, answer, pairs[k])[2] for k, r in enumerate(rings)) if len(pairs) == 2 else ()
    return len(answer.modes), law, held


def pairs(seed: int, records: int, run: Mapper) -> list[str]:
    """Two modes 0.2 to 1 linewidth apart, 60 dB; and 2 to 6 spectral lines apart, 50 dB."""
    count = max(40, records // 5)
    lines = [
        "CLOSE PAIRS",
        f"{'':18s}{'records':>8s}{'K = 2 %':>9s}{'law %':>7s}{'Q held %':>10s}{'no ring':>9s}",
    ]
    for apart in APART:
        found = [f for f in run(partial(pair_of, seed, apart), range(count)) if f is not None]
        held = [h for f in found for h in f[2]]
        lines.append(
            f"{apart:4.1f} linewidths   {len(found):8d}{100 * np.mean([f[0] == 2 for f in found]):9.1f}"
            f"{100 * np.mean([f[1] for f in found]):7.1f}{100 * np.mean(held):10.1f}"
            f"{sum(f[0] == 0 for f in found):9d}"
        )
    for gap in (2, 4, 6):
        modes = run(partial(similar_of, seed, gap), range(count))
        share = 100 * np.mean([m == 2 for m in modes])
        lines.append(f"{gap:4d} lines        {count:8d}{share:9.1f}{'-':>7s}{'-':>10s}{modes.count(0):9d}")
    return lines


def similar_of(seed: int, lines: int, index: int) -> int:
    """Modes found of two of similar size and Q 20 to 300."""
    rng = generator(seed, 13, lines, index)
    f, height = float(rng.choice([5e3, 20e3, 60e3])), 900.0
    times = np.arange(LENGTH) / RATE_HZ
    rings = [
        Ring.of_q(f + gap * RATE_HZ / LENGTH, log_uniform(rng, 20, 300), height * size, rng.uniform(-3, 3))
        for gap, size in ((0, 1.0), (lines, rng.uniform(0.3, 1)))
    ]
    return len(fit(codes(rng, rings[0].at(times) + rings[1].at(times), height * 10**-2.5)).modes)


# --- laws the model does not hold ---


def bent(ring: Ring, times: Array, strength: float, power: float) -> Array:
    """The ring with a loss that grows as its envelope's power; Bernoulli's equation in closed form."""
    growth = np.exp(np.minimum(power * ring.decay_per_s * times, 600.0))
    left = np.maximum((1 + strength) * growth - strength, 1e-12)
    return ring.amplitude * left ** (-1 / power) * np.cos(ring.angular_per_s * times + ring.phase_rad)


def _soft(ring: Ring, times: Array, size: float) -> Array:
    limit = ring.amplitude * size
    return limit * np.tanh(ring.at(times) / limit)


def _one_sided(ring: Ring, times: Array, size: float) -> Array:
    wave, level = ring.at(times), ring.amplitude * size
    return np.where(wave > level, level + 0.8 * (wave - level), wave)


Curve = Callable[[Ring, Array, float, float], Array]
LAWS: dict[str, tuple[Curve, tuple[float, float], float]] = {
    "loss as e^2": (bent, (0.3, 0.3), 2.0),
    "loss as root e": (bent, (0.3, 0.3), 0.5),
    "loss as e": (bent, (0.3, 0.3), 1.0),
    "friction": (bent, (0.02, 0.02), -0.8),
    "soft clip": (lambda ring, t, x, p: _soft(ring, t, x), (1.5, 4.0), 0.0),
    "one-sided diode": (lambda ring, t, x, p: _one_sided(ring, t, x), (0.4, 0.8), 0.0),
    "control": (lambda ring, t, x, p: ring.at(t), (1.0, 1.0), 0.0),
}
"""The law of one strength, its smallest and largest strength, and its exponent or 0."""


def _told(name: str, ring: Ring, strength: float, times: Array, variance: float) -> tuple[float, float]:
    """Half widths in Q of the 95 % intervals of oracles told the law, and all of it but its exponent.

    Cramer-Rao's bound; the strength is told to neither.
    """
    law, _, power = LAWS[name]
    at = np.array(
        [np.log(ring.decay_per_s), ring.frequency_hz, ring.amplitude, ring.phase_rad, strength, power]
    )
    steps = np.array([1e-5, 1e-6 * ring.frequency_hz, 1e-3, 1e-5, 1e-5 * strength, 1e-5])

    def curve(x: Array) -> Array:
        return law(Ring(x[1], np.exp(x[0]), x[2], x[3]), times, x[4], x[5])

    rows = [(curve(at + h) - curve(at - h)) / (2 * h[k]) for k, h in enumerate(np.diag(steps))]
    known = 4 if name == "control" else 5
    widths = []
    for many in (known, 6 if power else known):
        whole = np.array([*rows[:many], np.ones(times.size)])
        lengths = np.linalg.norm(whole, axis=1)
        inverse = np.linalg.inv((whole / lengths[:, None]) @ (whole / lengths[:, None]).T)
        widths.append(1.96 * float(np.sqrt(variance * inverse[0, 0]) / lengths[0]))
    return widths[0], widths[1]


def law_of(name: str, seed: int, index: int) -> tuple[bool, bool, float, float, float]:
    """Flagged, Q for vanishing amplitude held, half width of Q's interval in Q, and two oracles'."""
    rng = generator(seed, 14, list(LAWS).index(name), index)
    ring = Ring.of_q(
        log_uniform(rng, 8e3, 60e3), log_uniform(rng, 8, 150), rng.uniform(900, 1800), rng.uniform(-3, 3)
    )
    law, strengths, power = LAWS[name]
    strength, times = log_uniform(rng, *strengths), np.arange(LENGTH) / RATE_HZ
    sigma = log_uniform(rng, 0.6, 2)
    answer = fit(codes(rng, law(ring, times, strength, power), sigma))
    told = _told(name, ring, strength, times, sigma**2 + 1 / 12)
    if not answer.modes:
        return True, False, np.inf, *told
    kinds = {d.kind for d in answer.doubts} - {DoubtKind.GLITCHES, DoubtKind.TOO_SHORT}
    width = (answer.main.q.high - answer.main.q.low) / (2 * answer.main.q.value)
    return bool(kinds), covers(ring, answer, 0)[2], width, *told


def laws(seed: int, records: int, run: Mapper) -> list[str]:
    """Laws of loss and of the amplifier that nobody told."""
    count = max(40, records // 10)
    lines = [
        "LAWS NOBODY TOLD",
        f"{'':18s}{'records':>8s}{'flagged %':>11s}{'Q held %':>10s}{'width %':>9s}{'told %':>9s}"
        f"{'ratio':>7s}{'p free':>8s}",
    ]
    for name in LAWS:
        found = run(partial(law_of, name, seed), range(count))
        flagged, held, width, told, free = (np.array(column) for column in zip(*found, strict=True))
        lines.append(
            f"{name:18s}{count:8d}{100 * flagged.mean():11.1f}{100 * held.mean():10.1f}"
            f"{100 * np.median(width):9.3f}{100 * np.median(told):9.3f}{np.median(width / told):7.2f}"
            f"{np.median(width / free):8.2f}"
        )
    return [
        *lines,
        "  width: half of Q's interval in Q, the median; told: an oracle's who knows the law,",
        "  ratio: to that; p free: to that of one who knows all but the law's exponent",
    ]


# --- what is no ring ---


def _step(rng: np.random.Generator, n: int) -> Array:
    return np.where(
        np.arange(n) < rng.uniform(0.1, 0.9) * n, 0.0, rng.choice([-1, 1]) * log_uniform(rng, 20, 1500)
    )


def _burst(rng: np.random.Generator, n: int) -> Array:
    out = np.zeros(n)
    start, size = int(rng.uniform(0.1, 0.9) * n), int(log_uniform(rng, 1, 40))
    out[start : start + size] = log_uniform(rng, 20, 1500) * rng.standard_normal(
        out[start : start + size].size
    )
    return out


def _modulated(rng: np.random.Generator, n: int) -> Array:
    times = np.arange(n) / RATE_HZ
    swing = 1 + rng.uniform(0.2, 1) * np.cos(
        2 * np.pi * log_uniform(rng, 50, 3000) * times + rng.uniform(0, 6)
    )
    return log_uniform(rng, 20, 900) * swing * np.cos(2 * np.pi * rng.uniform(5e3, 200e3) * times)


NOTHING = {"step": _step, "burst": _burst, "modulated tone": _modulated}


def nothing_of(name: str, seed: int, index: int) -> bool:
    rng = generator(seed, 15, list(NOTHING).index(name), index)
    clean = NOTHING[name](rng, round(log_uniform(rng, 512, 4096)))
    return fit(codes(rng, clean, log_uniform(rng, 0.3, 10))).rings


def nothing(seed: int, records: int, run: Mapper) -> list[str]:
    """Main rings where none is, the start known from the quiet stretch."""
    count = max(60, records // 5)
    lines = ["NO RING IN MID-WINDOW", f"{'':18s}{'records':>8s}{'rings %':>9s}"]
    for name in NOTHING:
        share = 100 * np.mean(run(partial(nothing_of, name, seed), range(count)))
        lines.append(f"{name:18s}{count:8d}{share:9.1f}")
    return lines


# --- sameness, and length ---


def same_of(seed: int, index: int) -> tuple[bool, float]:
    """Whether `near` finds other components than a fit from nothing, and the largest change by scale."""
    case = domain(seed, 1 + index % 3, index)
    before = fitted(domain(seed, 1, index))
    cold, warm = fitted(case), fitted(case, near=before)
    differs = (len(cold.modes), len(cold.recoveries)) != (len(warm.modes), len(warm.recoveries))
    return differs, max(_moved(cold, case.record, factor, case.start_s) for factor in (2.0**12, -1.0))


def _moved(plain: Fit, record: Record, factor: float, start_s: float) -> float:
    ends = sorted((LOW * factor, HIGH * factor))
    scaled = replace(
        record,
        samples=record.samples * factor,
        full_scale=(ends[0], ends[1]),
        resolution=abs(factor),
    )
    other = fit(scaled, start_s=start_s)
    if len(other.modes) != len(plain.modes):
        return np.inf
    pairs_of = zip(plain.modes, other.modes, strict=True)
    return max(
        (
            abs(a.decay_per_s.value - b.decay_per_s.value) / a.decay_per_s.standard_uncertainty
            for a, b in pairs_of
        ),
        default=0.0,
    )


def same(seed: int, records: int, run: Mapper) -> list[str]:
    """`near` against cold, scale, and four million samples."""
    found = run(partial(same_of, seed), range(records))
    off = sum(moved > 1e-9 for _, moved in found)
    lines = [
        "SAMENESS",
        f"near against cold: {sum(d for d, _ in found)} of {records} differ in structure",
        f"times 2^12 and -1: {off} of {records} move by more than 1e-9 standard uncertainties",
    ]
    rng = generator(seed, 16)
    ring = Ring.of_q(20e3, 30, 1500, 0.4)
    for length, rate in ((1_000_000, 100e6), (3_990_000, 400e6)):
        record = replace(codes(rng, ring.at(np.arange(length) / rate), 2.0, 6400), rate_hz=rate)
        began = time.process_time()
        answer = fit(record)
        took = time.process_time() - began
        far = (answer.main.q.value - ring.q) / answer.main.q.standard_uncertainty
        lines.append(f"{length} samples: {took:.2f} s, Q off by {far:+.1f} standard uncertainties")
    return lines
