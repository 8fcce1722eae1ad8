"""Findings and comparisons -> facts ready for JSON: a plain dict with a schema number.

A number that is unknown or infinite is None. Text is made from the same dict (`sentences`). A figure with
its uncertainty is {value, standard_uncertainty, low, high}, low to high its 95 % interval. [1] is a ratio.

Both::

    schema, what, title     layout number, "finding" or "comparison", name of what was rung
    explanation, kind       what is named, kind of winding
    probabilities           of each explanation [0..1]; none of these is `undecided`
    shorted_turn            probability for the prior; log10_likelihood_ratio of a shorted turn to none;
                            log10_shows, the same of a short that shows to a healthy winding;
                            healthy_unit_at_least_this_far, chance of it [0..1]; basis, a sentence each
    rings                   one for each capacitor (in a comparison a pair of them, first and second):
                            capacitor in words, test_capacitor_f [F], rings true or false,
                            natural_frequency_hz w0/(2 pi) and natural_frequency_standard_uncertainty_hz [Hz],
                            q w0/(2 a) and q_standard_uncertainty [1], captures put together
    reasons, cannot_see     why, and what this test cannot see, a sentence each
    next_step, caution      what to do, and the caution where that is, or may be, at the set
    doubts                  reasons to distrust the rings, a sentence each

Of a finding::

    reference, connection   name@hash of what it was judged by, how the winding was connected
    causes                  name, shorted or not, prior and probability of each
    rings                   besides: healthy, where the next good unit is expected, with frequency_spread and
                            loss_spread (standard deviations of ln f and ln 1/Q); frequency_spreads_away and
                            loss_spreads_away, the distance in these
    shifts                  added_loss and inductance_drop [1], their covariance, angle_deg, for each
    inductance_h            inductance of the winding [H]
    stray_capacitance_f     by two capacitors [F], usual of the reference or kind
    impossible              true where the rings are not those of one inductance with one capacitance
    loss_slope              d ln G/d ln w, the winding's and the reference's [1]; loss_slope_uncertainty
    not_separable           what the physics leaves open, a sentence each
    count                   rings, cycles to `fraction` of the first peak; healthy, those of a good unit

Of a comparison::

    relation                what the two are to each other
    frequency_ratio         second over first, for each capacitor [1]; loss_ratio likewise, of 1/Q
    added                   siemens at each capacitor [S], farads [F], per_henry of an inductance in parallel
                            [1/H]; both_at_once false where farads or per_henry stands for the whole change
    connection              name and probability of the set of connections that explains it best
    junction, cleared       the loss follows the amplitude; in circuit it rings like the first and nothing
                            else comes near
    first_judged            what the log's finding said of the first, where that was not like healthy
"""

from __future__ import annotations

import math
from typing import Any

from coilbell.bench.facts.fit import finite, quantity_facts
from coilbell.quantities import engineering
from coilbell.winding import (
    Comparison,
    Explanation,
    Finding,
    Healthy,
    Posterior,
    Ring,
    SeveralCapacitorTank,
)

__all__ = ["COMPARISON_SCHEMA", "FINDING_SCHEMA", "comparison_facts", "finding_facts"]

FINDING_SCHEMA = 1
"""Number of the layout `finding_facts` gives; it rises when a field changes its meaning."""

COMPARISON_SCHEMA = 1


def finding_facts(finding: Finding, title: str = "") -> dict[str, Any]:
    """Everything shown of a finding, ready for JSON; a number that is unknown or infinite is None."""
    odds = finding.odds
    return {
        "schema": FINDING_SCHEMA,
        "what": "finding",
        "title": title,
        "explanation": str(finding.explanation),
        "kind": finding.kind,
        "reference": finding.reference,
        "connection": str(finding.connection),
        "probabilities": _probabilities(odds) if odds else None,
        "shorted_turn": _shorted(odds) | {"basis": list(odds.basis)} if odds else None,
        "causes": [
            {"name": c.name, "shorted": c.shorted, "prior": c.prior, "probability": c.probability}
            for c in (odds.causes if odds else ())
        ],
        "rings": [_ring(r) | _beside(r, k, finding.healthy) for k, r in enumerate(finding.rings)],
        "shifts": [
            {
                "added_loss": finite(s.added_loss),
                "inductance_drop": finite(s.inductance_drop),
                "angle_deg": None if s.angle_deg is None else finite(s.angle_deg),
                "covariance": [list(row) for row in s.covariance],
            }
            for s in finding.shifts
        ],
        "inductance_h": quantity_facts(finding.inductance_henries),
        "stray_capacitance_f": _stray(finding),
        "impossible": _impossible(finding),
        "loss_slope": [finding.slope[0].value, finding.slope[1]] if finding.slope else None,
        "loss_slope_uncertainty": finding.slope[0].standard_uncertainty if finding.slope else None,
        "reasons": list(finding.reasons),
        "not_separable": list(finding.not_separable),
        "cannot_see": list(finding.cannot_see),
        "next_step": finding.next_step,
        "caution": finding.caution,
        "count": {
            "rings": finite(finding.count.rings),
            "healthy": None if finding.count.healthy is None else finite(finding.count.healthy),
            "fraction": finding.count.fraction,
        },
        "doubts": list(finding.doubts),
    }


def comparison_facts(comparison: Comparison, title: str = "", *, first_judged: str = "") -> dict[str, Any]:
    """Everything shown of a comparison, ready for JSON.

    first_judged: what a finding said of the first side. A comparison takes it as known good; where it was
    judged to be anything else, only what changed is said: no odds, and nothing is cleared.
    """
    facts = _compared(comparison, title)
    if first_judged in ("", Explanation.LIKE_HEALTHY):
        return facts
    told = len(comparison.rings)
    return facts | {
        "first_judged": first_judged,
        "explanation": str(Explanation.UNDECIDED),
        "cleared": False,
        "connection": None,
        "probabilities": None,
        "shorted_turn": None,
        "reasons": [
            *comparison.reasons[:told],
            f"the first is not known good, it was judged {first_judged}: a ring like it clears nothing",
        ],
        "next_step": "judge the second ring by a reference of good units",
    }


def _compared(comparison: Comparison, title: str) -> dict[str, Any]:
    name, chance = comparison.connection
    added = comparison.added
    return {
        "schema": COMPARISON_SCHEMA,
        "what": "comparison",
        "title": title,
        "relation": str(comparison.relation),
        "kind": comparison.kind,
        "explanation": str(comparison.explanation),
        "cleared": comparison.cleared,
        "rings": [[_ring(a), _ring(b)] for a, b in comparison.rings],
        "frequency_ratio": [quantity_facts(q) for q in comparison.frequency_ratio],
        "loss_ratio": [quantity_facts(q) for q in comparison.loss_ratio],
        "added": None
        if added is None
        else {
            "siemens": [quantity_facts(q) for q in added.siemens],
            "farads": quantity_facts(added.farads),
            "per_henry": quantity_facts(added.per_henry),
            "both_at_once": added.together,
        },
        "connection": {"name": name, "probability": round(chance, 6)} if name else None,
        "junction": comparison.junction,
        "probabilities": _probabilities(comparison.odds),
        "shorted_turn": _shorted(comparison.odds),
        "reasons": list(comparison.reasons),
        "cannot_see": list(comparison.cannot_see),
        "next_step": comparison.next_step,
        "caution": comparison.caution,
        "doubts": _doubts_of_sides(comparison),
    }


def _ring(ring: Ring) -> dict[str, Any]:
    capacitor = engineering(ring.capacitor.farads, "F")
    if not ring.rings:
        return {"capacitor": capacitor, "test_capacitor_f": ring.capacitor.farads, "rings": False}
    spread_f, spread_q = (math.sqrt(ring.covariance[k, k]) for k in (0, 1))
    return {
        "capacitor": capacitor,
        "test_capacitor_f": ring.capacitor.farads,
        "rings": True,
        "natural_frequency_hz": math.exp(ring.point[0]),
        "natural_frequency_standard_uncertainty_hz": finite(math.exp(ring.point[0]) * spread_f),
        "q": math.exp(-ring.point[1]),
        "q_standard_uncertainty": finite(math.exp(-ring.point[1]) * spread_q),
        "captures": len(ring.observations),
    }


def _beside(ring: Ring, index: int, healthy: Healthy | None) -> dict[str, Any]:
    """Where the next healthy one is expected, and how many of its spreads away this ring lies."""
    if healthy is None:
        return {}
    row = len(healthy.capacitors) + index
    usual = {
        "natural_frequency_hz": math.exp(healthy.location[index]),
        "q": math.exp(-healthy.location[row]),
        "frequency_spread": float(healthy.spreads[index]),
        "loss_spread": float(healthy.spreads[row]),
    }
    if not ring.rings:
        return {"healthy": usual}
    away = {
        "frequency_spreads_away": float((ring.point[0] - healthy.location[index]) / healthy.spreads[index]),
        "loss_spreads_away": float((ring.point[1] - healthy.location[row]) / healthy.spreads[row]),
    }
    return {"healthy": usual | away}


def _stray(finding: Finding) -> dict[str, Any] | None:
    """Stray capacitance by two capacitors [F], with what is usual; None by one, which does not tell it."""
    tank, healthy = finding.tank, finding.healthy
    if not isinstance(tank, SeveralCapacitorTank):
        return None
    usual = healthy.stray_beyond(finding.rings[0].loading.farads) if healthy else None
    return (quantity_facts(tank.stray_farads) or {}) | {"usual": usual}


def _impossible(finding: Finding) -> bool:
    return isinstance(finding.tank, SeveralCapacitorTank) and finding.tank.contradicted


def _doubts_of_sides(comparison: Comparison) -> list[str]:
    """Reasons to distrust the rings of either side, each once."""
    sides = (("first", 0), ("then", 1))
    found = [
        f"{name}, with {engineering(pair[k].capacitor.farads, 'F')}: {doubt}"
        for name, k in sides
        for pair in comparison.rings
        for seen in pair[k].observations
        for doubt in seen.doubts
    ]
    return list(dict.fromkeys(found))


def _shorted(odds: Posterior) -> dict[str, Any]:
    """Probability and ratios of a shorted turn; log10_shows: of a short that shows against nothing wrong."""
    return {
        "probability": finite(odds.shorted),
        "prior": finite(odds.prior),
        "log10_likelihood_ratio": finite(odds.log10_ratio),
        "log10_shows": finite(odds.log10_shows),
        "healthy_unit_at_least_this_far": finite(odds.tail),
    }


def _probabilities(odds: Posterior) -> dict[str, float]:
    return {str(e): _rounded(p) for e, p in odds.explanations.items()}


def _rounded(chance: float) -> float:
    """To six digits, but never to certainty."""
    return min(max(round(chance, 6), 1e-6), 1 - 1e-6) if 0 < chance < 1 else chance
