"""A fit computed again to the last digit, by the solver that certified data test.

`fit` works in normal equations and stops when further digits lie far below the noise. Here its poles start
`refine`, which factorizes the model itself, on the same samples; how far the two lie apart, in the fit's own
standard uncertainties, says what the faster way costs. Where a defect was fitted along, the fit's main
figures are meant to differ from those of a plain sum of damped sinusoids.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from coilbell.decay.model import Fit
from coilbell.decay.refine import refine
from coilbell.errors import InputError

__all__ = ["Certificate", "certify"]


@dataclass(frozen=True, slots=True)
class Certificate:
    """One mode computed again."""

    frequency_hz: float
    q: float
    apart: float
    """Largest distance of frequency and decay rate from the fit, in its standard uncertainties [1]."""


def certify(fit: Fit) -> tuple[Certificate, ...]:
    """Each mode of a fit of one record, computed again from the samples it used.

    Raises InputError where several records share the poles, or nothing rings.
    """
    if fit.records != 1 or not fit.modes:
        raise InputError("only a ring of one record is certified; give one shot that rings")
    curve, residual = fit.curve[0], fit.residuals[0]
    used = np.isfinite(residual)
    times, values = curve[used, 0] - fit.start_s, (curve[:, 1] + residual)[used]
    parts = (*fit.modes, *fit.tones)
    again = refine(
        times,
        values,
        modes=[(m.decay_per_s.value, 2 * math.pi * m.frequency_hz.value) for m in parts],
        exponentials=[r.decay_per_s.value for r in fit.recoveries],
    )
    out = []
    for k, mode in enumerate(fit.modes):
        decay, angular = float(again.decays[k]), float(again.angulars[k])
        apart = max(
            abs(decay - mode.decay_per_s.value) / mode.decay_per_s.standard_uncertainty,
            abs(angular / (2 * math.pi) - mode.frequency_hz.value) / mode.frequency_hz.standard_uncertainty,
        )
        q = math.hypot(decay, angular) / (2 * decay) if decay > 0 else math.inf
        out.append(Certificate(angular / (2 * math.pi), q, apart))
    return tuple(out)
