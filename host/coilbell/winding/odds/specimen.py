"""Are the rings judged those of one winding in one state, and not the reference's own?"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from coilbell.winding.odds.kind import Spread
from coilbell.winding.odds.observation import Ring
from coilbell.winding.odds.reference import Reference

__all__ = ["specimen_doubts"]

_FAR = 4.0
"""Standard deviations of a difference of two rings of one unit beyond which they are said not to be."""


def specimen_doubts(rings: Sequence[Ring], reference: Reference | None, spread: Spread) -> list[str]:
    """Reasons to distrust rings put together, a sentence each.

    spread: of the kind; its repeats say how far rings of one unit lie apart.
    """
    found = [doubt for ring in rings if (doubt := _apart(ring, spread))]
    if reference is not None and any(_held(ring, reference) for ring in rings):
        found.append(
            "this very ring is in the reference, which makes it look more like the reference than it is"
        )
    return found


def _apart(ring: Ring, spread: Spread) -> str:
    """Why these captures with one capacitor are hardly of one winding, or ""; a ladder may bend."""
    rang = [o for o in ring.observations if o.rings]
    if len(rang) < 2 or ring.amplitude is not None:
        return ""
    points = np.array([[math.log(o.natural_hz), math.log(o.loss)] for o in rang])
    own = np.array([[o.frequency_uncertainty, o.q_uncertainty] for o in rang]).max(axis=0)
    usual = np.hypot([spread.repeat_frequency, spread.repeat_loss], own)
    reach = np.ptp(points, axis=0)
    if (reach <= _FAR * math.sqrt(2) * usual).all():
        return ""
    return (
        f"captures with {ring.capacitor.words} differ by {100 * math.expm1(reach[0]):.2g} % in f and "
        f"{100 * math.expm1(reach[1]):.2g} % in Q, more than one winding does: two specimens, or "
        "something moved"
    )


def _held(ring: Ring, reference: Reference) -> bool:
    own = {(o.frequency_hz, o.q, o.utc) for o in ring.observations if o.rings}
    return any(
        (c.observation.frequency_hz, c.observation.q, c.observation.utc) in own for c in reference.captures
    )
