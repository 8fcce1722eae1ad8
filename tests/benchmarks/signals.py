"""Signals whose answer is known: random decays over the tester's whole domain, and things that do not ring.

Every signal is drawn from (seed, part, index) alone, so any line of a table can be drawn again:
``domain(seed, rings=2, index=417)``. A record holds PRETRIGGER samples of the offset and its noise, then
the decay from its first sample on, rounded and limited as a 12-bit converter would.

The domain: frequency 5..150 kHz and Q 1.5..400 (both log-uniform), first-peak signal-to-noise ratio of
the strongest ring 20..70 dB, 500 kS/s, 512..8192 samples (log-uniform), noise at least 0.3 of the
converter's step, further rings 0.05..1 of the strongest and at least one linewidth (f/Q of either) away,
in half of the records an exponential recovery of either sign. Draws that clip are drawn again, and so
are draws in which the Cramer-Rao bound does not allow every ring's Q to be known to `USABLE` (10 %):
there nothing can be asked of an estimator. `Case.draws` says how many draws it took.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np
import numpy.typing as npt

from coilbell.record import Record

RATE_HZ = 500e3
LOW, HIGH = 0, 4095
PRETRIGGER = 64
USABLE = 0.10

FREQUENCIES_HZ = (5e3, 150e3)
QS = (1.5, 400.0)
SNRS_DB = (20.0, 70.0)
LENGTHS = (512, 8192)
LEAST_NOISE = 0.3

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Ring:
    """One damped sinusoid, amplitude exp(-decay t) cos(2 pi f t + phase), t from the first ringing sample."""

    frequency_hz: float
    decay_per_s: float
    amplitude: float
    phase_rad: float

    @classmethod
    def of_q(cls, frequency_hz: float, q: float, amplitude: float, phase_rad: float) -> Ring:
        """A ring of q = w0/(2 a) at the damped frequency: a = 2 pi f / sqrt(4 q^2 - 1)."""
        return cls(frequency_hz, 2 * np.pi * frequency_hz / np.sqrt(4 * q * q - 1), amplitude, phase_rad)

    @property
    def angular_per_s(self) -> float:
        return 2 * np.pi * self.frequency_hz

    @property
    def tau_s(self) -> float:
        return 1 / self.decay_per_s

    @property
    def q(self) -> float:
        return float(np.hypot(self.angular_per_s, self.decay_per_s) / (2 * self.decay_per_s))

    @property
    def linewidth_hz(self) -> float:
        """Full width of the power spectrum's line at half its height."""
        return self.decay_per_s / np.pi

    def at(self, times: Array) -> Array:
        envelope = self.amplitude * np.exp(-self.decay_per_s * times)
        return envelope * np.cos(self.angular_per_s * times + self.phase_rad)


@dataclass(frozen=True, eq=False)
class Case:
    """A record with the truth behind it."""

    name: str
    record: Record
    rings: tuple[Ring, ...]
    recoveries: tuple[tuple[float, float], ...]
    """(rate [1/s], amplitude) of each exponential."""
    clean: Array
    """Noise-free signal of the ringing samples, before rounding and limiting."""
    sigma: float
    rho: float = 0.0
    resolution: float = 1.0
    draws: int = 1

    @property
    def start_s(self) -> float:
        return float(self.record.time_axis[self.record.pretrigger])

    @cached_property
    def ring_times_s(self) -> Array:
        return np.arange(self.clean.size) / RATE_HZ

    @property
    def used(self) -> npt.NDArray[np.bool_]:
        """The samples that the noise-free signal leaves inside the converter's range."""
        return (self.clean > LOW + 0.5) & (self.clean < HIGH - 0.5)

    @property
    def values(self) -> Array:
        """The ringing samples as a peer gets them."""
        return np.asarray(self.record.samples[self.record.pretrigger :], dtype=np.float64)


def generator(*key: int) -> np.random.Generator:
    """The one source of chance: a generator from whole numbers."""
    return np.random.default_rng(np.random.SeedSequence(key))


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def noise(rng: np.random.Generator, count: int, sigma: float, rho: float = 0.0) -> Array:
    """Gaussian noise of standard deviation sigma; AR(1) with lag-one correlation rho."""
    from scipy.signal import lfilter

    white = rng.standard_normal(count)
    if rho == 0.0:
        return sigma * white
    white[1:] *= np.sqrt(1 - rho * rho)
    return sigma * np.asarray(lfilter([1.0], [1.0, -rho], white))


def captured(
    rng: np.random.Generator,
    clean: Array,
    rest: float,
    sigma: float,
    rho: float = 0.0,
    error: Array | None = None,
) -> Record:
    """What a 12-bit converter makes of `rest` for PRETRIGGER samples and then of `clean`.

    error: (4096,) integral non-linearity [counts], added to the noisy voltage before it is rounded.
    """
    whole = np.concatenate([np.full(PRETRIGGER, rest), clean])
    volts = whole + noise(rng, whole.size, sigma, rho)
    if error is not None:
        volts = volts + error[np.clip(np.round(volts), LOW, HIGH).astype(int)]
    return Record(
        samples=np.clip(np.round(volts), LOW, HIGH).astype(np.int32),
        rate_hz=RATE_HZ,
        full_scale=(LOW, HIGH),
        resolution=1.0,
        pretrigger=PRETRIGGER,
    )


def domain(
    seed: int,
    rings: int,
    index: int,
    *,
    samples: int | None = None,
    rho: float = 0.0,
    noise_counts: tuple[float, float] | None = None,
) -> Case:
    """One random decay of the domain with that many rings.

    samples: fixed length instead of a random one; rho: AR(1) noise; noise_counts: noise drawn in this
    range of converter steps instead of at least 0.3 (the ratio to the signal then follows).
    """
    from benchmarks.bound import bounds

    code = round(1e3 * (rho + 1)) + (0 if noise_counts is None else round(1e6 * noise_counts[1]))
    rng = generator(seed, 1, rings, index, samples or 0, code)
    extra = "".join(
        f", {key}={value}"
        for key, value in (("samples", samples), ("rho", rho), ("noise_counts", noise_counts))
        if value
    )
    for draw in range(1, 10_000):
        case = _draw(rng, rings, samples, rho, noise_counts)
        if case is None:
            continue
        try:
            usable = all(b.q <= USABLE * r.q for b, r in zip(bounds(case), case.rings, strict=True))
        except np.linalg.LinAlgError:
            continue
        if usable:
            object.__setattr__(case, "draws", draw)
            object.__setattr__(case, "name", f"domain(seed={seed}, rings={rings}, index={index}{extra})")
            return case
    raise RuntimeError("no usable draw in 10000")


def _draw(
    rng: np.random.Generator,
    count: int,
    samples: int | None,
    rho: float,
    noise_counts: tuple[float, float] | None,
) -> Case | None:
    length = samples or round(log_uniform(rng, *LENGTHS))
    amplitude = log_uniform(rng, 10, 1900)
    if noise_counts is None:
        sigma = amplitude * 10 ** (-rng.uniform(*SNRS_DB) / 20)
        if sigma < LEAST_NOISE:
            return None
    else:
        sigma = log_uniform(rng, *noise_counts)
    rings = tuple(
        Ring.of_q(
            log_uniform(rng, *FREQUENCIES_HZ),
            log_uniform(rng, *QS),
            amplitude * (1.0 if k == 0 else log_uniform(rng, 0.05, 1.0)),
            rng.uniform(-np.pi, np.pi),
        )
        for k in range(count)
    )
    if not _apart(rings):
        return None
    recoveries = (_recovery(rng, amplitude, length),) if rng.random() < 0.5 else ()
    offset = 2048.0 + rng.uniform(-150, 150)
    clean = noise_free(length, rings, recoveries, offset)
    room = 4.5 * sigma
    if clean.min() < LOW + room or clean.max() > HIGH - room:
        return None
    record = captured(rng, clean, offset, sigma, rho)
    return Case("", record, rings, recoveries, clean, sigma, rho)


def _apart(rings: tuple[Ring, ...]) -> bool:
    return all(
        abs(one.frequency_hz - other.frequency_hz) >= max(one.linewidth_hz, other.linewidth_hz)
        for one, other in combinations(rings, 2)
    )


def _recovery(rng: np.random.Generator, amplitude: float, length: int) -> tuple[float, float]:
    tau = log_uniform(rng, 20e-6, 0.5 * length / RATE_HZ)
    return 1 / tau, float(rng.choice([-1, 1])) * amplitude * log_uniform(rng, 0.05, 1.0)


def noise_free(
    length: int, rings: tuple[Ring, ...], recoveries: tuple[tuple[float, float], ...], offset: float
) -> Array:
    """offset + rings + recoveries at the ringing samples."""
    times = np.arange(length) / RATE_HZ
    values = np.full(length, offset)
    for ring in rings:
        values += ring.at(times)
    for rate, amplitude in recoveries:
        values += amplitude * np.exp(-rate * times)
    return values


def clipped(seed: int, index: int) -> Case:
    """One ring 1.05 to 2.4 times too large for the converter, Q 5..400, known to 10 % from what is left."""
    from benchmarks.bound import bounds

    rng = generator(seed, 2, index)
    half = (HIGH - LOW) / 2
    for draw in range(1, 10_000):
        length = round(log_uniform(rng, *LENGTHS))
        amplitude = half * rng.uniform(1.05, 2.4)
        ring = Ring.of_q(
            log_uniform(rng, 5e3, 100e3), log_uniform(rng, 5, 400), amplitude, rng.uniform(-np.pi, np.pi)
        )
        sigma = amplitude * 10 ** (-rng.uniform(40, 70) / 20)
        offset = half + rng.uniform(-150, 150)
        recoveries = (_recovery(rng, 0.3 * half, length),) if rng.random() < 0.3 else ()
        clean = noise_free(length, (ring,), recoveries, offset)
        record = captured(rng, clean, offset, sigma)
        case = Case(f"clipped(seed={seed}, index={index})", record, (ring,), recoveries, clean, sigma)
        try:
            usable = bounds(case)[0].q <= USABLE * ring.q
        except np.linalg.LinAlgError:
            continue
        if usable and not case.used.all():
            object.__setattr__(case, "draws", draw)
            return case
    raise RuntimeError("no usable draw in 10000")


def silent(seed: int, index: int, exponentials: int = 0, rho: float = 0.0) -> Case:
    """A record in which nothing rings: noise of 0.05..30 converter steps and 0, 1 or 2 exponentials.

    Exponentials have 30..1800 counts of either sign, time constants from 10 us to half the record and,
    when there are two, at least a factor 2 between them.
    """
    rng = generator(seed, 3, index, exponentials, round(1e3 * (rho + 1)))
    while True:
        length = round(log_uniform(rng, *LENGTHS))
        sigma = log_uniform(rng, 0.05, 30)
        taus = [log_uniform(rng, 10e-6, 0.5 * length / RATE_HZ) for _ in range(exponentials)]
        if exponentials == 2 and max(taus) < 2 * min(taus):
            continue
        recoveries = tuple((1 / tau, float(rng.choice([-1, 1])) * log_uniform(rng, 30, 1800)) for tau in taus)
        offset = 2048.0 + rng.uniform(-200, 200)
        clean = noise_free(length, (), recoveries, offset)
        if clean.min() > LOW + 4.5 * sigma and clean.max() < HIGH - 4.5 * sigma:
            break
    record = captured(rng, clean, offset, sigma, rho)
    name = f"silent(seed={seed}, index={index}, exponentials={exponentials}, rho={rho})"
    return Case(name, record, (), recoveries, clean, sigma, rho)
