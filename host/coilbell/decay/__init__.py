"""Samples -> modes. Knows no winding, no board, no file and no screen.

`fit` is the one way in; `Fit` and the values inside it are what comes out.
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

__all__ = [
    "Doubt",
    "DoubtKind",
    "Fit",
    "Mode",
    "ModeStep",
    "Quantity",
    "Recovery",
    "ResidualSummary",
    "decrement_from_q",
    "fit",
    "q_from_decrement",
    "ring_count",
]
