"""Are the rings judged those of one winding in one state, and not the reference's own?"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from coilbell.terms import Cause
from coilbell.winding.odds.healthy import Healthy
from coilbell.winding.odds.hypothesis import Hypothesis
from coilbell.winding.odds.kind import Kind, Spread
from coilbell.winding.odds.observation import Ring
from coilbell.winding.odds.plane import Shift
from coilbell.winding.odds.posterior import Posterior, log_evidence
from coilbell.winding.odds.reference import Reference

__all__ = ["another_winding", "rung_apart", "specimen_doubts", "two_windings", "weighty"]

_FAR = 4.0
"""Standard deviations of a difference of two rings of one unit beyond which they are said not to be;
assumed."""


_TWO = (0.02, 0.25)
"""Logarithmic distance in f and in 1/Q beyond which two rings at one stage are hardly of one winding, as
`reference` holds it against repeats of one unit; assumed."""


def two_windings(rings: Sequence[Ring], spread: Spread) -> list[str]:
    """Why these captures are of two different windings, a sentence each; [] where they may be of one."""
    found = []
    for ring in rings:
        points = _points(ring)
        if len(points) < 2 or ring.amplitude is not None:
            continue
        reach = np.ptp(points, axis=0)
        if (reach > np.maximum(_TWO, _usual_reach(ring, spread))).any():
            found.append(
                f"captures with {ring.capacitor.words} differ by {100 * math.expm1(reach[0]):.2g} % in f and "
                f"{100 * math.expm1(reach[1]):.2g} % in Q"
            )
    return found


_PARTED = math.log(0.03)
"""Log of how much less probable rings with several capacitors may be together than each by itself, before
they are of two windings; simulated: 0 of 136 units of the catalogue lie under 0.1, 65 of 68 pairs of a
healthy unit with another under this, tests/unit/test_two_windings.py."""


def rung_apart(
    rings: Sequence[Ring], by: Healthy, listed: Sequence[Hypothesis], kind: Kind, prior: float
) -> str:
    """Why rings with different capacitors at one stage out of circuit are hardly of one winding, or "".

    ln p(r1, r2) - ln p(r1) - ln p(r2) over all that may be true of a winding: of one winding each ring
    foretells the other, of two they contradict each other whatever is wrong with it.
    """
    rang = [r for r in rings if r.rings]
    if len(rang) < 2 or rang[0].stage.in_circuit:
        return ""
    together = log_evidence(rang, by, listed, kind, prior)
    alone = sum(log_evidence([r], by, listed, kind, prior) for r in rang)
    if together - alone > _PARTED:
        return ""
    told = " and ".join(f"{r.words} with {r.capacitor.words}" for r in rang)
    return f"{told} are hardly of one winding: whatever is wrong with it, the one foretells another"


def another_winding(
    rings: Sequence[Ring], by: Healthy, reference: Reference, odds: Posterior, shifts: Sequence[Shift]
) -> str:
    """Why another winding than the reference's may have been rung, or "".

    Other pins say so; so does more or less inductance than any fault of a core makes, with hardly any loss.
    """
    ours = {o.across for r in rings for o in r.observations if o.across}
    theirs = reference.across()
    if ours and theirs and not ours & theirs:
        return f"rung across {', '.join(sorted(ours))}, the reference across {', '.join(sorted(theirs))}"
    if not shifts or not reference.kind.secondary or odds.of(Cause.CORE) < _CORE_LIKELY:
        return ""
    ratio = math.exp(rings[0].point[0] - by.location[by.place(rings[0].capacitor)])
    if shifts[0].beyond_core or ratio < _FEWER:
        return f"it rings at {ratio:.2g} times the frequency, as one of {1 / ratio:.2g} times the turns would"
    return ""


_CORE_LIKELY = 0.3
"""Probability of changed inductance from which another winding is thought of [0..1]; assumed."""

_FEWER = 0.6
"""Frequency ratio under which no larger core but a winding of more turns is meant: 2.8 times the L;
assumed."""


def weighty(rings: Sequence[Ring], notes: Sequence[str]) -> list[str]:
    """Doubts in the order of their weight: of the specimen, then of figures, then the rest of the fits'."""
    weak = [d for r in rings for o in r.observations if o.weak or o.trouble for d in o.doubts]
    return list(dict.fromkeys([*notes, *weak]))


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
    points = _points(ring)
    if len(points) < 2 or ring.amplitude is not None:
        return ""
    reach = np.ptp(points, axis=0)
    if (reach <= _usual_reach(ring, spread)).all() or (reach > _TWO).any():
        return ""
    return (
        f"captures with {ring.capacitor.words} differ by {100 * math.expm1(reach[0]):.2g} % in f and "
        f"{100 * math.expm1(reach[1]):.2g} % in Q, more than one winding does: two specimens, or "
        "something moved"
    )


def _points(ring: Ring) -> npt.NDArray[np.float64]:
    """(n, 2) ln f and ln d of its captures that rang and can be trusted."""
    rang = [o for o in ring.observations if o.rings and not o.trouble]
    return np.array([[math.log(o.natural_hz), math.log(o.loss)] for o in rang]).reshape(-1, 2)


def _usual_reach(ring: Ring, spread: Spread) -> npt.NDArray[np.float64]:
    """How far rings of one unit may lie apart in ln f and ln d."""
    rang = [o for o in ring.observations if o.rings and not o.trouble]
    own = np.array([[o.frequency_uncertainty, o.q_uncertainty] for o in rang]).max(axis=0)
    usual = np.hypot([spread.repeat_frequency, spread.repeat_loss], own)
    return np.asarray(_FAR * math.sqrt(2) * usual, dtype=np.float64)


def _held(ring: Ring, reference: Reference) -> bool:
    own = {(o.frequency_hz, o.q, o.utc) for o in ring.observations if o.rings}
    return any(
        (c.observation.frequency_hz, c.observation.q, c.observation.utc) in own for c in reference.captures
    )
