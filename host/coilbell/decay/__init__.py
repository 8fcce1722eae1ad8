"""Samples -> modes. Knows no winding, no board, no file and no screen.

`fit` is the one way in; `Fit` and the values inside it are what comes out. `certify` computes a fit again to
the last digit, by `refine`, which certified data test.
"""

from coilbell.decay.certify import Certificate, certify
from coilbell.decay.envelope import Slow
from coilbell.decay.fit import fit
from coilbell.decay.ladder import LADDER_VOLTS, Bend, LadderFit, RungFigure, fit_ladder, rise_of
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
    "LADDER_VOLTS",
    "Bend",
    "Certificate",
    "Doubt",
    "DoubtKind",
    "Fit",
    "LadderFit",
    "Mode",
    "ModeStep",
    "Quantity",
    "Recovery",
    "Refined",
    "ResidualSummary",
    "RungFigure",
    "Slow",
    "certify",
    "decrement_from_q",
    "fit",
    "fit_ladder",
    "q_from_decrement",
    "refine",
    "ring_count",
    "rise_of",
]
