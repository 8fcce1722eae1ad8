"""Findings and comparisons -> facts ready for JSON -> sentences. Text and JSON come from one dict.

facts = finding_facts(finding)      a plain dict with a schema number
text  = finding_text(facts)         the same dict in words, 80 columns
"""

from __future__ import annotations

import math
from typing import Any

from coilbell.bench.quantities import concise, engineering
from coilbell.bench.words import wrapped
from coilbell.decay import Quantity
from coilbell.winding import Comparison, Explanation, Finding, Posterior, Ring

__all__ = [
    "COMPARISON_SCHEMA",
    "FINDING_SCHEMA",
    "change_words",
    "comparison_facts",
    "comparison_text",
    "finding_facts",
    "finding_text",
    "odds_words",
    "percent",
]

FINDING_SCHEMA = 1
"""Number of the layout `finding_facts` gives; it rises when a field changes its meaning."""

COMPARISON_SCHEMA = 1

_BARS = 24
"""Columns of the bar that shows a probability of 1."""


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
        "probabilities": {str(e): round(p, 6) for e, p in odds.explanations.items()} if odds else None,
        "shorted_turn": None
        if odds is None
        else {
            "probability": _number(odds.shorted),
            "prior": _number(odds.prior),
            "log10_likelihood_ratio": _number(odds.log10_ratio),
            "healthy_unit_at_least_this_far": _number(odds.tail),
            "basis": list(odds.basis),
        },
        "causes": [
            {"name": c.name, "shorted": c.shorted, "prior": c.prior, "probability": c.probability}
            for c in (odds.causes if odds else ())
        ],
        "rings": [_ring(r) for r in finding.rings],
        "shifts": [
            {
                "added_loss": _number(s.added_loss),
                "inductance_drop": _number(s.inductance_drop),
                "angle_deg": None if s.angle_deg is None else _number(s.angle_deg),
                "covariance": [list(row) for row in s.covariance],
            }
            for s in finding.shifts
        ],
        "inductance_h": _quantity(finding.inductance_henries),
        "loss_slope": list(finding.slope) if finding.slope else None,
        "reasons": list(finding.reasons),
        "not_separable": list(finding.not_separable),
        "cannot_see": list(finding.cannot_see),
        "next_step": finding.next_step,
        "caution": finding.caution,
        "count": {
            "rings": _number(finding.count.rings),
            "healthy": None if finding.count.healthy is None else _number(finding.count.healthy),
            "fraction": finding.count.fraction,
            "misleads": finding.count.misleads,
            "why": finding.count.why,
        },
        "doubts": list(finding.doubts),
    }


def finding_text(facts: dict[str, Any]) -> str:
    """The dict of `finding_facts` in words; lines of at most 80 columns, no newline at the end."""
    title = f"{facts['title']}: " if facts["title"] else ""
    lines = [wrapped(f"{title}{facts['explanation'].upper()}", indent=0)]
    lines += _odds_lines(facts["shorted_turn"], facts["probabilities"])
    lines += _section("why", facts["reasons"])
    if facts["inductance_h"]:
        inductance = facts["inductance_h"]
        figure = concise(inductance["value"], inductance["standard_uncertainty"] or math.nan, "H")
        lines += _section("inductance", [f"{figure}, the test capacitor's tolerance included"])
    lines += _section("not told apart", facts["not_separable"])
    lines += _section("cannot be seen", facts["cannot_see"])
    count = facts["count"]
    lines += _section(
        "a counter",
        [f"to 1/{1 / count['fraction']:.0f} of the first peak shows {count['rings']:.0f}; {count['why']}"],
    )
    lines += _section("doubts", facts["doubts"])
    if facts["shorted_turn"]:
        lines += _section("rests on", facts["shorted_turn"]["basis"])
    lines += _section("next", [facts["next_step"]])
    if facts["caution"]:
        lines += _section("CAUTION", [facts["caution"]])
    return "\n".join(lines)


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
        "frequency_ratio": [_quantity(q) for q in comparison.frequency_ratio],
        "loss_ratio": [_quantity(q) for q in comparison.loss_ratio],
        "added": None
        if added is None
        else {
            "siemens": [_quantity(q) for q in added.siemens],
            "farads": _quantity(added.farads),
            "per_henry": _quantity(added.per_henry),
            "both_at_once": added.together,
        },
        "connection": {"name": name, "probability": round(chance, 6)} if name else None,
        "junction": comparison.junction,
        "probabilities": _probabilities(comparison.odds),
        "shorted_turn": {
            "probability": _number(comparison.odds.shorted),
            "prior": comparison.odds.prior,
            "log10_likelihood_ratio": _number(comparison.odds.log10_ratio),
        },
        "reasons": list(comparison.reasons),
        "cannot_see": list(comparison.cannot_see),
        "next_step": comparison.next_step,
        "caution": comparison.caution,
    }


def comparison_text(facts: dict[str, Any]) -> str:
    """The dict of `comparison_facts` in words; lines of at most 80 columns, no newline at the end."""
    title = f"{facts['title']}: " if facts["title"] else ""
    lines = [wrapped(f"{title}{facts['explanation'].upper()} ({facts['relation']})", indent=0)]
    if facts.get("first_judged"):
        lines.append(wrapped(f"the first was judged {facts['first_judged']}: no odds are given against it"))
    else:
        lines += _odds_lines(facts["shorted_turn"], facts["probabilities"])
    lines += _section("change", change_words(facts))
    lines += _section("why", facts["reasons"])
    lines += _section("cannot be seen", facts["cannot_see"])
    lines += _section("next", [facts["next_step"]])
    if facts["caution"]:
        lines += _section("CAUTION", [facts["caution"]])
    return "\n".join(lines)


def change_words(facts: dict[str, Any]) -> list[str]:
    """What changed between the rings of a comparison, with uncertainties; facts: of `comparison_facts`."""
    pairs = zip(facts["rings"], facts["frequency_ratio"], facts["loss_ratio"], strict=False)
    lines = [
        f"with {before['capacitor']}: frequency times {_shown(frequency)}, loss times {_shown(loss)}"
        for (before, _), frequency, loss in pairs
    ]
    lines += [
        f"with {before['capacitor']}: it rang first, then no longer"
        for before, after in facts["rings"]
        if not after["rings"]
    ]
    return [*lines, *_added_loss(facts["added"])]


def _added_loss(added: dict[str, Any] | None) -> list[str]:
    """The conductance that came as the resistance it is like, where it is surely there."""
    conductance = added["siemens"][0] if added else None
    value, spread = (
        (conductance[n] for n in ("value", "standard_uncertainty")) if conductance else (None, None)
    )
    if value is None or spread is None or value <= 2 * spread:
        return []
    return [f"loss added like {concise(1 / value, spread / value**2, 'ohm')} across the winding"]


def _shown(quantity: dict[str, float | None], unit: str = "") -> str:
    value, spread = quantity["value"], quantity["standard_uncertainty"]
    return concise(math.nan if value is None else value, math.nan if spread is None else spread, unit)


def odds_words(log10_ratio: float) -> str:
    """A likelihood ratio in words: "440 times likelier with a shorted turn than without"."""
    factor = 10 ** min(abs(log10_ratio), 6)
    if factor < 1.05:
        return "as likely with a shorted turn as without"
    # Two digits: how far a ratio can be trusted is a matter of decades, not of its last figures.
    rounded = float(f"{factor:.1e}")
    more = f"{factor:.2g}" if factor < 10 else f"{rounded:,.0f}" if factor < 1e6 else "over a million"
    side = "with a shorted turn than without" if log10_ratio > 0 else "without a shorted turn than with one"
    return f"{more} times likelier {side}"


def _odds_lines(shorted: dict[str, Any] | None, chances: dict[str, float] | None) -> list[str]:
    if shorted is None or chances is None:
        return ["  no reference: no odds are given"]
    lines = [
        wrapped(
            f"this ring is {odds_words(shorted['log10_likelihood_ratio'])} (log10 ratio "
            f"{shorted['log10_likelihood_ratio']:+.2f}); probability of a shorted turn "
            f"{percent(shorted['probability'])} from a prior of {percent(shorted['prior'])}"
        )
    ]
    for name, chance in sorted(chances.items(), key=lambda item: -item[1]):
        if chance >= 0.005:
            label = "none of these" if name == Explanation.UNDECIDED else name
            lines.append(f"    {label:<18}{percent(chance):>6}  {'=' * round(chance * _BARS)}".rstrip())
    return lines


def percent(chance: float) -> str:
    """A probability [0..1] as "27 %", never rounded to certainty."""
    if chance < 0.005:
        return "<1 %" if chance > 0 else "0 %"
    return ">99 %" if 0.995 < chance < 1 else f"{100 * chance:.0f} %"


def _section(head: str, items: list[str]) -> list[str]:
    if len(items) == 1:
        return [wrapped(f"{head}: {items[0]}")]
    return [f"  {head}:", *(wrapped(f"- {item}", indent=4) for item in items)] if items else []


def _ring(ring: Ring) -> dict[str, Any]:
    capacitor = engineering(ring.capacitor.farads, "F")
    if not ring.rings:
        return {"capacitor": capacitor, "test_capacitor_f": ring.capacitor.farads, "rings": False}
    return {
        "capacitor": capacitor,
        "test_capacitor_f": ring.capacitor.farads,
        "rings": True,
        "natural_frequency_hz": math.exp(ring.point[0]),
        "q": math.exp(-ring.point[1]),
        "shots": len(ring.observations),
    }


def _probabilities(odds: Posterior) -> dict[str, float]:
    return {str(e): round(p, 6) for e, p in odds.explanations.items()}


def _quantity(quantity: Quantity | None) -> dict[str, float | None] | None:
    if quantity is None:
        return None
    names = ("value", "standard_uncertainty", "low", "high")
    return {name: _number(getattr(quantity, name)) for name in names}


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
