"""What an exponential too weak to be seen may have done to the figures.

Real circuits return to rest by many small exponentials (core loss, leakage, the amplifier's coupling), and
those below the threshold are left out of the model. One of amplitude A along d(n) = exp(-n/T) moves the
fitted parameters by b A (`influence` has b, and i), and leaves g = d . r in the residual r, so that the data
say A = g/i with variance s2/i. Taking A itself as
Gaussian about zero, with the variance that makes this g likely, max(0, g^2/i^2 - s2/i), gives the square

    max(0, g^2/(i s2) - 1) s2/i  b b^T

to add to the covariance: nothing where g is as noise makes it (empirical Bayes; B. Efron, C. Morris, J. Am.
Stat. Assoc. 68 (1973) 117, from memory). Of several time constants T the one that matters most counts.
"""

from __future__ import annotations

import numpy as np

from coilbell.decay.influence import influence
from coilbell.decay.solve import MOST_KEPT, Array, Block, Solution, ramp

__all__ = ["unseen"]

_SHORTEST = 1.5
"""Shortest time constant tried [samples]: of a fall over within two samples."""
_RATIO = 2.0
"""Ratio of successive time constants [1]: see `search`; 0.97 at the worst."""
_SILENT = -138.0
"""Exponent at which a fall ends (see `solve`)."""


def unseen(blocks: list[Block], solution: Solution, tangents: list[Array], inverse: Array) -> Array:
    """(p, p) share of the covariance, in sample units.

    inverse: what `gram_covariance` gives for the same solution; the rows are in its order.
    """
    falls = _falls(blocks)

    def exponentials(block: Block, _shot: int, _index: int) -> Array:
        even = block.uniform
        return _even(falls.size, block.times.size) if even else _exponentials(falls, block.times)

    found = influence(blocks, solution, tangents, inverse, exponentials)
    clear = found.information > 1e-6 * found.energy
    information = np.where(clear, found.information, 1.0)
    evidence = found.score**2 / (information * solution.variance)
    squared = np.where(clear, np.maximum(evidence - 1, 0.0), 0.0) * solution.variance / information
    poles = solution.structure.poles
    shift = squared * (found.moved[:poles] ** 2 / inverse.diagonal()[:poles, None]).max(axis=0, initial=0.0)
    worst = int(np.argmax(shift))
    out: Array = squared[worst] * np.outer(found.moved[:, worst], found.moved[:, worst])
    return out


def _falls(blocks: list[Block]) -> Array:
    """Time constants to try [steps], up to a third of the window."""
    length = max(float(b.times[-1]) for b in blocks)
    return _constants(max(1, int(np.log(max(length / 3, 2 * _SHORTEST) / _SHORTEST) / np.log(_RATIO))))


def _constants(count: int) -> Array:
    return _SHORTEST * _RATIO ** ramp(count)


def _exponentials(falls: Array, times: Array) -> Array:
    return np.exp(np.maximum(-np.multiply.outer(1 / falls, times), _SILENT))


_kept: dict[tuple[int, int], Array] = {}


def _even(count: int, length: int) -> Array:
    """The same on whole sampling steps, kept between fits."""
    found = _kept.get((count, length))
    if found is None:
        found = _exponentials(_constants(count), ramp(length))
        if sum(one.size for one in _kept.values()) + found.size > MOST_KEPT:
            _kept.clear()
        if found.size <= MOST_KEPT:
            _kept[count, length] = found
    return found
