"""Certified least-squares answers: NIST Statistical Reference Datasets (nist/SOURCE.md).

Digits are counted as -log10(|found - certified| / |certified|), for every parameter and for its stated
standard deviation, from both starting points of each file. Lanczos1 to 3 are sums of three exponentials,
MGH17 is an offset and two, ENSO is an offset, a held yearly period and two free undamped periods.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from coilbell import decay

FOLDER = Path(__file__).parent / "nist"


@dataclass(frozen=True)
class Certified:
    starts: np.ndarray
    """(2, p) both sets of starting values."""
    values: np.ndarray
    deviations: np.ndarray
    residual_sum_of_squares: float
    x: np.ndarray
    y: np.ndarray


def certified(name: str) -> Certified:
    text = (FOLDER / f"{name}.dat").read_text(encoding="ascii")
    rows = re.findall(r"^ +b\d+ = +(\S+) +(\S+) +(\S+) +(\S+)", text, re.MULTILINE)
    table = np.array(rows, dtype=float)
    squares = float(re.search(r"Residual Sum of Squares: +(\S+)", text).group(1))
    count = int(re.search(r"Number of Observations: +(\d+)", text).group(1))
    data = np.array([line.split() for line in text.splitlines()[60 : 60 + count]], dtype=float)
    return Certified(table[:, :2].T, table[:, 2], table[:, 3], squares, data[:, 1], data[:, 0])


def digits(found: float, truth: float) -> float:
    """Matching digits of a number, at most 11, the certified precision."""
    error = abs(found - truth) / abs(truth)
    return 11.0 if error == 0 else min(11.0, -math.log10(error))


@dataclass(frozen=True)
class Answer:
    """Our solution as (value, standard deviation) pairs in plain order."""

    rates: list[tuple[float, float]]
    coefficients: list[tuple[float, float]]
    angulars: list[tuple[float, float]]
    residual_sum_of_squares: float


def answered(x: np.ndarray, y: np.ndarray, **start) -> Answer:
    solution = decay.refine(x, y, **start)
    deviations = np.sqrt(np.diag(solution.covariance))
    modes, rates = solution.angulars.size, solution.rates.size
    return Answer(
        list(zip(solution.rates, deviations[2 * modes :][:rates], strict=True)),
        list(zip(solution.coefficients, deviations[2 * modes + rates :], strict=True)),
        list(zip(solution.angulars, deviations[modes : 2 * modes], strict=True)),
        solution.residual_sum_of_squares,
    )


def compare(found: dict[int, tuple[float, float]], truth: Certified, values: float, deviations: float):
    """found: parameter number, from 1 -> (value, standard deviation)."""
    assert sorted(found) == list(range(1, truth.values.size + 1))
    got = {i: digits(v, truth.values[i - 1]) for i, (v, _) in found.items()}
    assert min(got.values()) >= values, got
    got = {i: digits(d, truth.deviations[i - 1]) for i, (_, d) in found.items()}
    assert min(got.values()) >= deviations, got


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize(
    ("name", "values", "deviations", "squares"),
    [("Lanczos1", 9, 2, 2), ("Lanczos2", 9, 8, 8), ("Lanczos3", 9, 8, 8)],
)
def test_three_exponentials(name, values, deviations, squares, start):
    """y = b1 exp(-b2 x) + b3 exp(-b4 x) + b5 exp(-b6 x); Lanczos1 leaves residuals of 1e-13 only."""
    truth = certified(name)
    answer = answered(truth.x, truth.y, exponentials=truth.starts[start, 1::2].tolist(), offset=False)
    order = np.argsort([rate for rate, _ in answer.rates])
    found = {}
    for place, j in enumerate(order):
        found[2 * place + 1], found[2 * place + 2] = answer.coefficients[j], answer.rates[j]
    compare(found, truth, values, deviations)
    assert digits(answer.residual_sum_of_squares, truth.residual_sum_of_squares) >= squares


@pytest.mark.parametrize("start", [0, 1])
def test_two_exponentials_and_an_offset(start):
    """MGH17, y = b1 + b2 exp(-x b4) + b3 exp(-x b5); the first start is a hundred times too fast."""
    truth = certified("MGH17")
    answer = answered(truth.x, truth.y, exponentials=truth.starts[start, 3:].tolist(), offset=True)
    slow, fast = np.argsort([rate for rate, _ in answer.rates])
    found = {1: answer.coefficients[2], 2: answer.coefficients[slow], 3: answer.coefficients[fast]}
    found |= {4: answer.rates[slow], 5: answer.rates[fast]}
    compare(found, truth, 7, 6)
    assert digits(answer.residual_sum_of_squares, truth.residual_sum_of_squares) >= 7


@pytest.mark.parametrize("start", [0, 1])
def test_held_and_free_periods(start):
    """ENSO: offset, the year's cycle held at 12 months, and two cycles whose periods b4, b7 are sought.

    A period P and its deviation follow from the angular frequency w: P = 2 pi/w, sd(P) = P sd(w)/w.
    """
    truth = certified("ENSO")
    year, *free = 2 * np.pi / np.array([12.0, truth.starts[start, 3], truth.starts[start, 6]])
    answer = answered(
        truth.x,
        truth.y,
        modes=[(0.0, w) for w in free],
        fixed_angulars=[year],
        undamped=True,
        offset=True,
    )
    found = {1: answer.coefficients[-1]}
    for k, (w, deviation) in enumerate(answer.angulars):
        cosine, sine = answer.coefficients[2 * k : 2 * k + 2]
        if abs(w - year) < 1e-12:
            found |= {2: cosine, 3: sine}
        else:
            first = 4 if w < 2 * np.pi / 35 else 7
            period = 2 * np.pi / w
            found |= {first: (period, period * deviation / w), first + 1: cosine, first + 2: sine}
    compare(found, truth, 9, 6)
    assert digits(answer.residual_sum_of_squares, truth.residual_sum_of_squares) >= 9


def test_digits_are_counted_soundly():
    assert digits(1.0, 1.0) == 11.0
    assert digits(1.001, 1.0) == pytest.approx(3.0)
    assert digits(-1.0, 1.0) < 0
