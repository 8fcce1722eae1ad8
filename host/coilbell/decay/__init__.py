"""Samples -> modes. Knows no winding, no board, no file and no screen.

`fit` is the one way in; `Fit` and the values inside it are what comes out. `refine` serves comparisons
with certified answers.
"""

from coilbell.decay.fit import fit
from coilbell.decay.model import (
    Doubt,
    DoubtKind,
    Fit,
    Mode,
    ModeStep,
    Quantity,
    Recovery,
    ResidualSummary,
    decrement_from_q,
    q_from_decrement,
    ring_count,
)
from coilbell.decay.refine import Refined, refine

__all__ = [
    "Doubt",
    "DoubtKind",
    "Fit",
    "Mode",
    "ModeStep",
    "Quantity",
    "Recovery",
    "Refined",
    "ResidualSummary",
    "decrement_from_q",
    "fit",
    "q_from_decrement",
    "refine",
    "ring_count",
]
