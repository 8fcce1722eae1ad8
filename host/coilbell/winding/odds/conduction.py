"""What a ladder's rise says of junctions: how probable it is under each case of winding and set.

A junction that takes the share s of all loss at rest makes the envelope fall by

    da/dt = -a rate (1 - s + s F(a/V)),    F(x) = 2 I1(x)/x,    V = n V_T/r

as a plain exponential hears it of rings that start at 60 and at 270 mV (`decay.envelope`). What no junction
of a set explains may still come from the small conduction of every sound set. So the rise enters the
likelihood of what hangs on the winding, and never convicts a turn.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import numpy.typing as npt

from coilbell.decay import Bend, Slow, rise_of
from coilbell.winding.odds.law import AmplitudeLaw

__all__ = ["foreseen_rise", "log_conduction"]

Array = npt.NDArray[np.float64]

_SOUND = (0.015, 0.03)
"""Rise of sound sets, its middle and spread [1]; simulated: 0 to 6 % (line-set-200 to 211)."""

_ROUGH = 0.4
"""How little a case's one junction says of the rise it makes, relative [1]; assumed: sets have several."""

_SHARES, _VOLTS = (1e-4, 1.0), (0.015, 1.0)
"""Ends of the grid of share [1] and V [V] on which rises are laid out; what lies outside counts as its
end; assumed."""

_POINTS = 14
"""Points of that grid each way [1]; computed: between them a rise is read within 6 %."""

_V_SPREAD = 0.25
"""What a case's one junction leaves open of ln V, where a set has several [1]; assumed."""

_V_SPAN = math.log(1.2 / 0.012)
"""Range of ln V that a ladder looks through; computed: of the bounds in `decay.bend`."""

_FREEDOM = 4.0
"""Of the t that these figures follow, so that none alone is beyond all doubt [1]; assumed."""


def foreseen_rise(share: Array, volts: Array) -> Array:
    """Rise of 1/Q from 60 to 270 mV by a junction that takes this share at rest, of the same shape."""
    (i, x), (k, y) = _place(share, _SHARES), _place(volts, _VOLTS)
    table = _table()
    low = table[i, k] * (1 - y) + table[i, k + 1] * y
    high = table[i + 1, k] * (1 - y) + table[i + 1, k + 1] * y
    # Under the grid a rise goes with the share.
    under = np.minimum(share / _SHARES[0], 1.0)
    return np.asarray(np.exp(low * (1 - x) + high * x) * under, dtype=np.float64)


def _place(at: Array, ends: tuple[float, float]) -> tuple[npt.NDArray[np.int_], Array]:
    """Cell of the grid and the place in it, 0 to 1."""
    step = math.log(ends[1] / ends[0]) / (_POINTS - 1)
    found = np.clip(np.log(np.maximum(at, ends[0]) / ends[0]) / step, 0.0, _POINTS - 1 - 1e-9)
    return found.astype(np.int_), found % 1.0


@cache
def _table() -> Array:
    """ln of the rise by share and V, by the slow equation itself; it does not hang on the rate."""
    shares, volts = (np.geomspace(*ends, _POINTS) for ends in (_SHARES, _VOLTS))
    rises = [[rise_of(Slow(max(1 - s, 1e-9), float(s), float(v))) for v in volts] for s in shares]
    return np.asarray(np.log(np.maximum(np.array(rises), 1e-9)), dtype=np.float64)


def log_conduction(law: AmplitudeLaw, shares: Array, volts: Array, core_rise: float = 0.0) -> Array:
    """(n,) log density of what the ladder told.

    shares, volts: (n, k) of each junction that may be there; share 0 where it is not; core_rise: of the
    healthy winding's own core [1].
    """
    each = foreseen_rise(shares, volts)
    rise = each.sum(axis=1) + _SOUND[0] + core_rise
    spread = np.sqrt(law.rise_uncertainty**2 + _SOUND[1] ** 2 + (_ROUGH * each.sum(axis=1)) ** 2)
    total = _log_t((law.rise - rise) / spread) - np.log(spread)
    if law.bend is Bend.JUNCTION and law.volts:
        # V is that of the junction that bends the most; where none is there it may be anywhere.
        first = volts[np.arange(len(volts)), each.argmax(axis=1)]
        wide = math.hypot(_V_SPREAD, min(law.volts_uncertainty / law.volts, 1.0))
        told = _log_t(np.log(law.volts / first) / wide) - math.log(wide)
        total = total + np.where(each.max(axis=1) > _SOUND[1], told, -math.log(_V_SPAN))
    return np.asarray(total, dtype=np.float64)


def _log_t(x: Array) -> Array:
    """Log density of the standard t."""
    v = _FREEDOM
    constant = math.lgamma((v + 1) / 2) - math.lgamma(v / 2) - 0.5 * math.log(v * math.pi)
    return np.asarray(constant - (v + 1) / 2 * np.log1p(x**2 / v), dtype=np.float64)
