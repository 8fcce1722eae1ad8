"""What one tester takes of a ring and another does not: the loss by which a reference's rings are moved.

With C all capacitance, C_t the test capacitor and w the natural frequency, the tester's share of 1/Q is

    G/(w C) + tan(delta) C_t/C + r w C_t^2/C + R w C

of its conductance G, the dielectric, the resistance r of the test capacitor's way, and R of the leads.
"""

from __future__ import annotations

import math

from coilbell.record import Capacitor, Loading

__all__ = ["Tester", "loss_moved", "tester_shares"]

Tester = tuple[Capacitor, Loading | None, str]
"""Test capacitor, what the tester adds besides (None where nobody knows), the tester's identity."""


def tester_shares(tester: Tester, hz: float, loss: float, stray_farads: float) -> tuple[float, float, float]:
    """What the tester takes of 1/Q, the variance of what is its own, and that of its contacts, over `loss`
    [1].

    hz, loss: natural frequency [Hz] and 1/Q of the reference's ring; stray_farads: the winding's own [F].
    Contacts are made anew each time; the rest stays with the tester. Nothing where the tester is unknown.
    """
    if tester[1] is None:
        return 0.0, 0.0, 0.0
    taken, own, contact = _shares(tester[0], tester[1], hz, stray_farads)
    return min(taken / loss, _MOST), own / loss**2, (contact / loss) ** 2


def loss_moved(ours: float, theirs: float) -> float:
    """Change of ln(1/Q) from a tester that takes the share `theirs` of it to one that takes `ours` [1]."""
    return math.log1p(max(ours - theirs, -_MOST))


_MOST = 0.9
"""Share of a ring's loss that a tester may be said to have made: more is a wrong figure (assumed)."""


def _shares(capacitor: Capacitor, load: Loading, hz: float, stray: float) -> tuple[float, float, float]:
    """The tester's share of 1/Q, the variance of what is its own, standard deviation of the leads' share."""
    test = capacitor.farads
    total, w = test + load.farads + stray, 2 * math.pi * hz
    per = (1 / (w * total), test / total, w * test**2 / total, w * total)
    values = (load.siemens, capacitor.loss_tangent, capacitor.series_ohms, load.lead_ohms)
    spreads = (load.siemens_uncertainty, capacitor.loss_tangent / 2, capacitor.series_uncertainty)
    own = sum((p * s) ** 2 for p, s in zip(per, spreads, strict=False))
    return sum(p * v for p, v in zip(per, values, strict=True)), own, per[3] * load.lead_uncertainty
