"""Particles of a set around a winding, and where more of them are wanted.

A particle is one case of the winding with one state of its set. Where the first draws of what is attached hit
the rings only seldom, more are drawn near those that did: near an ancestor m,

    state before       the ancestor's own with probability `_STAY`, any other else
    presence           the ancestor's with probability `_KEEP`, drawn anew else
    sizes              within `_WIDTHS` of the ancestor's, the unit interval taken for a circle, and anywhere
                       with probability `_ANYWHERE`

All draws then count by prior over mixture of all proposals (deterministic mixture: Owen and Zhou, Safe and
effective importance sampling, 2000; from memory), so that no draw can outweigh the rest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from coilbell.winding.odds.attachment import ATTACHED, SIZES, Draws
from coilbell.winding.odds.severity import Cases

__all__ = ["Cloud", "Near", "ancestors", "joined", "normal", "systematic"]

Array = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int_]
_Rows = TypeVar("_Rows", "Cloud", Cases, Draws)

_STAY, _KEEP, _ANYWHERE = 0.5, 0.85, 0.15
"""Chances of a proposal near an ancestor, see the module [0..1]; assumed: any give the same mean."""

_WIDTHS = (0.05, 0.15, 0.5)
"""Half widths of the uniform kernel in unit coordinates, by turns; assumed likewise."""

_ANCESTORS = 48
"""Ancestors of one round [1]; assumed likewise."""


@dataclass(frozen=True, slots=True, eq=False)
class Cloud:
    """n particles: rows of everything that is known of each.

    of: (n,) hypothesis; parent: (n,) row in the cloud of the stage before; shift: (n, 2 R) of the rings so
    far, left: (n, R) share of the inductance that is still the winding's own; density: (n,) log density of
    these rings; gained: (n,) what the last stage added to it; log_weight: (n,) within its hypothesis, by that
    and by how it was drawn; least: shift at the first stage; stray: (n,) how far
    each takes the rings of the last stage for another mode than the one followed [0..1].
    """

    of: Rows
    parent: Rows
    at: Cases
    around: Draws
    blunt: Array
    shift: Array
    left: Array
    least: Array
    density: Array
    gained: Array
    log_weight: Array
    stray: Array

    def __len__(self) -> int:
        return int(self.of.size)


def taken(one: _Rows, rows: Rows | npt.NDArray[np.bool_]) -> _Rows:
    """Those rows of each of its fields."""
    return type(one)(**{f.name: _taken(getattr(one, f.name), rows) for f in fields(one)})


def _taken(part: Any, rows: Rows | npt.NDArray[np.bool_]) -> Any:
    return part[rows] if isinstance(part, np.ndarray) else taken(part, rows)


def joined(parts: Sequence[_Rows]) -> _Rows:
    """All rows of several."""
    columns = {f.name: [getattr(p, f.name) for p in parts] for f in fields(parts[0])}
    return type(parts[0])(**{name: _one_after_another(column) for name, column in columns.items()})


def _one_after_another(column: Sequence[Any]) -> Any:
    return np.concatenate(column) if isinstance(column[0], np.ndarray) else joined(column)


@dataclass(frozen=True, slots=True, eq=False)
class Near:
    """Proposals near ancestors: what is new at this stage is drawn again, near what did well.

    columns: of the attachments that are new; drawn: (k,) chance with which each is drawn; parents: rows of
    the cloud before that the hypothesis has.
    """

    ancestors: Cloud
    columns: Sequence[int]
    drawn: Array
    parents: Rows

    def draw(self, fresh: Draws, rng: np.random.Generator) -> tuple[Rows, Draws]:
        """(parents, states of the set) of n proposals, by n fresh draws."""
        n = len(fresh)
        u = rng.random((n, 2 + 5 * len(self.columns)))
        turn = np.arange(n) % len(self.ancestors)
        stay = u[:, 0] < _STAY
        anyone = self.parents[(u[:, 1] * self.parents.size).astype(np.int_)]
        parent = np.where(stay, self.ancestors.parent[turn], anyone)
        there, at = fresh.there.copy(), fresh.at.copy()
        width = self._widths()[turn][:, None]
        for number, column in enumerate(self.columns):
            own = u[:, 2 + 5 * number : 7 + 5 * number]
            before = self.ancestors.around.there[turn, column]
            there[:, column] = np.where(own[:, 0] < _KEEP, before, there[:, column])
            moved = (self.ancestors.around.at[turn, column] + width * (2 * own[:, 1:] - 1)) % 1.0
            # The first number is used up by the presence; what it leaves over decides about the sizes.
            near = before & (_left_over(own[:, 0]) >= _ANYWHERE)
            at[:, column] = np.where(near[:, None], moved, at[:, column])
        return parent, replace(fresh, there=there, at=at)

    def over_prior(self, parent: Rows, around: Draws, met: Array) -> Array:
        """(n,) density of these proposals over that of the prior, at any points.

        met: (k,) chance with which each new attachment is met.
        """
        before = self.ancestors
        width = self._widths().astype(np.float32)[None, :]
        ratio = np.full((len(around), len(before)), 1 - _STAY, dtype=np.float32)
        ratio[parent[:, None] == before.parent[None, :]] += _STAY * self.parents.size
        for number, column in enumerate(self.columns):
            there, then = around.there[:, column], before.around.there[:, column]
            share, usual = self.drawn[number], met[number]
            # By presence at the point (row) and at the ancestor (column).
            chance = np.array([[1 - (1 - _KEEP) * share, (1 - _KEEP) * (1 - share)], [0.0, 0.0]])
            chance[1] = 1 - chance[0]
            chance /= np.array([[1 - usual], [usual]])
            here = chance.astype(np.float32)[there.astype(np.int_)[:, None], then.astype(np.int_)[None, :]]
            rows, columns = np.flatnonzero(there), np.flatnonzero(then)
            if rows.size and columns.size:
                both = np.ix_(rows, columns)
                sized = SIZES[ATTACHED[column]]
                own, theirs = around.at[rows, column, :sized], before.around.at[columns, column, :sized]
                here[both] *= _ANYWHERE + (1 - _ANYWHERE) * _kernel(own, theirs, width[:, columns])
            ratio *= here
        return np.asarray(ratio.mean(axis=1), dtype=np.float64)

    def _widths(self) -> Array:
        return np.resize(np.array(_WIDTHS), len(self.ancestors))


def _left_over(u: Array) -> Array:
    return np.where(u < _KEEP, u / _KEEP, (u - _KEEP) / (1 - _KEEP))


def _kernel(own: Array, theirs: Array, width: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """(n, m) density at `own` (n, d) of steps by up to `width` (1, m) from `theirs` (m, d), on a circle."""
    inside = np.ones((len(own), len(theirs)), dtype=np.bool_)
    for x, y in zip(own.T.astype(np.float32), theirs.T.astype(np.float32), strict=True):
        apart = np.abs(x[:, None] - y[None, :])
        inside &= (apart <= width) | (apart >= 1 - width)
    return np.asarray(inside / (2 * width) ** own.shape[1], dtype=np.float32)


def ancestors(cloud: Cloud) -> Cloud:
    """Those particles that did best, as often as their weight has it."""
    return taken(cloud, systematic(cloud.log_weight, min(_ANCESTORS, len(cloud))))


def systematic(log_weight: Array, count: int) -> Rows:
    """`count` rows drawn by weight at even steps, from the middle of the first."""
    weight = normal(log_weight)
    places = (np.arange(count) + 0.5) / count
    return np.minimum(np.searchsorted(np.cumsum(weight), places), len(weight) - 1)


def normal(logs: Array) -> Array:
    """Weights that sum to 1."""
    top = logs.max()
    if not np.isfinite(top):
        return np.full(len(logs), 1 / len(logs))
    weight = np.exp(logs - top)
    return np.asarray(weight / weight.sum(), dtype=np.float64)
