"""General-purpose tools given the same records, each used the way its documentation shows.

All are told how many rings there are and whether an exponential is present; ours is told neither.

curve_fit        scipy.optimize.curve_fit on the full model; starts from the highest lines of a zero-padded
                 FFT (frequency, half-power width for the decay), then linear least squares for amplitudes
lmfit            lmfit.minimize (leastsq) on the same model and starts, with bounds on decay and frequency
hilbert          analytic signal; weighted straight lines through log envelope and phase (one ring only)
harminv          filter diagonalisation, command line, `harminv -Q 0 -t dt 3000-200000` (without
                 -Q it drops Q < 10); strongest modes kept
ringdownanalysis NLSFrequencyEstimator.estimate_full after removal of the mean (one ring, no exponential)
matrix pencil    signal subspace of the Hankel matrix, shift invariance (HTLS; Van Huffel et al., J. Magn.
                 Reson. A 110 (1994) 228, from memory), written for this comparison
"""

from __future__ import annotations

import shutil
import subprocess

import numpy as np
import numpy.typing as npt
from scipy.optimize import curve_fit

from benchmarks.score import Estimate
from benchmarks.signals import PRETRIGGER, RATE_HZ, Case

Array = npt.NDArray[np.float64]

SINGLE = frozenset({"hilbert", "ringdownanalysis"})
LOWEST_HZ, HIGHEST_HZ = 3e3, 200e3


def _available() -> list[str]:
    from importlib.util import find_spec

    names = ["curve_fit"]
    names += ["lmfit"] if find_spec("lmfit") else []
    names += ["hilbert"]
    names += ["harminv"] if shutil.which("harminv") else []
    names += ["ringdownanalysis"] if find_spec("ringdownanalysis") else []
    return [*names, "matrix pencil"]


NAMES = _available()
"""The tools found on this machine."""


def most_records(peer: str, rings: int) -> int:
    """How many records a slow tool is given, so that the table ends in minutes."""
    slow = {"lmfit": {1: 300, 2: 60, 3: 30}, "harminv": {1: 150, 2: 100, 3: 100}}
    slow |= {"curve_fit": {1: 1000, 2: 150, 3: 80}, "matrix pencil": {1: 300, 2: 200, 3: 200}}
    slow |= {"ringdownanalysis": {1: 300}}
    return slow.get(peer, {}).get(rings, 1000)


def answer(peer: str, case: Case) -> tuple[Estimate, ...]:
    """The tool's estimates of a case; none when it gave up."""
    tool = {
        "curve_fit": by_curve_fit,
        "lmfit": by_lmfit,
        "hilbert": by_hilbert,
        "harminv": by_harminv,
        "ringdownanalysis": by_ringdownanalysis,
        "matrix pencil": by_matrix_pencil,
    }[peer]
    try:
        return tool(case.values, len(case.rings), len(case.recoveries), case)
    except (RuntimeError, ValueError, np.linalg.LinAlgError):
        return ()


def model(times: Array, p: Array, rings: int, exponentials: int) -> Array:
    """offset, then (amplitude, rate) of each exponential, then (A, f, decay, phase) of each ring."""
    values = np.full_like(times, p[0])
    for k in range(exponentials):
        amplitude, rate = p[1 + 2 * k : 3 + 2 * k]
        values += amplitude * np.exp(-rate * times)
    first = 1 + 2 * exponentials
    for k in range(rings):
        amplitude, f, decay, phase = p[first + 4 * k : first + 4 * k + 4]
        values += amplitude * np.exp(-decay * times) * np.cos(2 * np.pi * f * times + phase)
    return values


def fft_start(values: Array, rings: int, exponentials: int) -> list[float]:
    """Starting values: tail median, first samples above it, then the highest spectral lines in turn."""
    times = np.arange(values.size) / RATE_HZ
    tail = float(np.median(values[-max(8, values.size // 8) :]))
    left = values - tail
    start = [tail]
    for _ in range(exponentials):
        start += [float(left[:16].mean()), 10 * RATE_HZ / values.size]
    for _ in range(rings):
        f, decay = _highest_line(left)
        envelope = np.exp(-decay * times)
        columns = np.column_stack(
            [envelope * np.cos(2 * np.pi * f * times), envelope * np.sin(2 * np.pi * f * times)]
        )
        (c, s), *_ = np.linalg.lstsq(columns, left)
        left = left - columns @ [c, s]
        start += [float(np.hypot(c, s)), f, decay, float(np.arctan2(-s, c))]
    return start


def _highest_line(values: Array) -> tuple[float, float]:
    size = 4 << (values.size - 1).bit_length()
    power = np.abs(np.fft.rfft(values, size)) ** 2
    step = RATE_HZ / size
    low = int(LOWEST_HZ / step)
    top = low + int(np.argmax(power[low:]))
    half = power[top] / 2
    right = top + int(np.argmax(power[top:] < half)) if (power[top:] < half).any() else top + 1
    left = top - int(np.argmax(power[top::-1] < half)) if (power[top::-1] < half).any() else top - 1
    width = (right - left) * step
    own = 0.886 * RATE_HZ / values.size  # half-power width of the record's own window
    return top * step, np.pi * max(width - 0.8 * own, 0.1 * own)


def _estimates(p: Array, rings: int, exponentials: int) -> tuple[Estimate, ...]:
    first = 1 + 2 * exponentials
    return tuple(
        Estimate(abs(float(p[first + 4 * k + 1])), float(p[first + 4 * k + 2])) for k in range(rings)
    )


def by_curve_fit(values: Array, rings: int, exponentials: int, case: Case) -> tuple[Estimate, ...]:
    import warnings

    times = np.arange(values.size) / RATE_HZ

    def curve(t: Array, *p: float) -> Array:
        return model(t, np.array(p), rings, exponentials)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found, _ = curve_fit(curve, times, values, p0=fft_start(values, rings, exponentials))
    return _estimates(found, rings, exponentials)


def by_lmfit(values: Array, rings: int, exponentials: int, case: Case) -> tuple[Estimate, ...]:
    import lmfit

    times = np.arange(values.size) / RATE_HZ
    parameters = lmfit.Parameters()
    first = 1 + 2 * exponentials
    for i, value in enumerate(fft_start(values, rings, exponentials)):
        what = "afdp"[(i - first) % 4] if i >= first else "rate" if i and i % 2 == 0 else ""
        limits = {"f": (1e3, RATE_HZ / 2), "d": (1.0, 3e6), "rate": (1.0, 3e6)}.get(what, (-np.inf, np.inf))
        parameters.add(f"p{i}", value=value, min=limits[0], max=limits[1])

    def residual(p: lmfit.Parameters) -> Array:
        return model(times, np.array([*p.valuesdict().values()]), rings, exponentials) - values

    found = lmfit.minimize(residual, parameters)
    return _estimates(np.array([*found.params.valuesdict().values()]), rings, exponentials)


def by_hilbert(values: Array, rings: int, exponentials: int, case: Case) -> tuple[Estimate, ...]:
    from scipy.signal import hilbert

    left = values - np.median(values[-max(8, values.size // 8) :])
    if exponentials:
        period = max(3, round(RATE_HZ / _highest_line(left)[0]))
        padded = np.pad(left, (period // 2, period - 1 - period // 2), mode="reflect")
        left = left - np.convolve(padded, np.full(period, 1 / period), mode="valid")
    analytic = hilbert(left)
    envelope = np.abs(analytic)
    floor = 3 * np.std(case.record.samples[:PRETRIGGER])
    above = np.flatnonzero(envelope < floor)
    end = int(above[above > 8][0]) if (above > 8).any() else values.size
    part = slice(2, max(end, 8))
    times = np.arange(values.size)[part] / RATE_HZ
    weight = envelope[part]
    decay = -np.polyfit(times, np.log(envelope[part]), 1, w=weight)[0]
    turn = np.polyfit(times, np.unwrap(np.angle(analytic))[part], 1, w=weight)[0]
    return (Estimate(float(turn / (2 * np.pi)), float(decay)),)


def by_harminv(values: Array, rings: int, exponentials: int, case: Case) -> tuple[Estimate, ...]:
    centred = values - np.median(values[-max(8, values.size // 8) :])
    done = subprocess.run(
        ["harminv", "-Q", "0", "-t", repr(1 / RATE_HZ), f"{LOWEST_HZ:g}-{HIGHEST_HZ:g}"],
        input="\n".join(f"{v:.6f}" for v in centred),
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    return strongest(harminv_lines(done.stdout), rings)


def harminv_lines(text: str) -> list[tuple[float, float, float]]:
    """(frequency, decay, amplitude) of each line of harminv's output, growing modes left out."""
    found = []
    for row in text.splitlines()[1:]:
        fields = [float(field) for field in row.split(",")]
        if fields[1] > 0 and fields[0] > 0:
            found.append((fields[0], fields[1], fields[3]))
    return found


def strongest(modes: list[tuple[float, float, float]], rings: int) -> tuple[Estimate, ...]:
    """The modes with the most energy, A^2/decay."""
    ordered = sorted(modes, key=lambda m: -(m[2] ** 2) / m[1])
    return tuple(Estimate(f, decay) for f, decay, _ in ordered[:rings])


def by_ringdownanalysis(values: Array, rings: int, exponentials: int, case: Case) -> tuple[Estimate, ...]:
    from ringdownanalysis import NLSFrequencyEstimator

    found = NLSFrequencyEstimator(tau_known=None).estimate_full(values - values.mean(), RATE_HZ)
    return (Estimate(found.f, 1 / found.tau),) if found.tau else ()


def by_matrix_pencil(values: Array, rings: int, exponentials: int, case: Case) -> tuple[Estimate, ...]:
    window = min(values.size // 3, 320)
    hankel = np.lib.stride_tricks.sliding_window_view(values, window)
    _, vectors = np.linalg.eigh(hankel.T @ hankel)
    order = 2 * rings + exponentials + 1
    signal = vectors[:, -order:]
    joined = np.linalg.svd(np.hstack([signal[:-1], signal[1:]]), full_matrices=True)[2].T
    rotation = -joined[:order, order:] @ np.linalg.inv(joined[order:, order:])
    poles = np.linalg.eigvals(rotation).astype(complex)
    poles = poles[np.isfinite(poles) & (np.abs(poles) > 1e-9)]
    logs = np.log(poles) * RATE_HZ
    times = np.arange(values.size) / RATE_HZ
    ringing = [(s.imag / (2 * np.pi), -s.real) for s in logs if LOWEST_HZ < s.imag / (2 * np.pi) < 240e3]
    damped = [(f, a) for f, a in ringing if a > 0]
    if not damped:
        return ()
    basis = np.column_stack(
        [np.ones_like(times)]
        + [np.exp((-a + 2j * np.pi * f) * times).real for f, a in damped]
        + [np.exp((-a + 2j * np.pi * f) * times).imag for f, a in damped]
    )
    c, *_ = np.linalg.lstsq(basis, values)
    n = len(damped)
    return strongest(
        [(f, a, float(np.hypot(c[1 + k], c[1 + n + k]))) for k, (f, a) in enumerate(damped)], rings
    )
