"""What makes a reference weak without making it wrong."""

from __future__ import annotations

from coilbell.winding.odds.reference import Condition, Reference

__all__ = ["remarks"]


def remarks(reference: Reference) -> tuple[str, ...]:
    """What makes a reference weak, a sentence each; not an error."""
    found = []
    good = reference.units()
    if not good:
        found.append("no unit known good yet: nothing can be judged by it")
    elif len(good) == 1:
        found.append("one good unit only: the spread between units is assumed, not measured")
    elif len(good) < 4:
        found.append(f"{len(good)} good units: the spread between units still rests mostly on assumption")
    if not reference.units(Condition.SHORTED):
        found.append("nothing shorted on purpose: what a short looks like is computed, not measured")
    if len(reference.capacitors()) == 1:
        found.append(
            "one test capacitor: inductance and capacitance cannot be told apart, and the copper's share of "
            "the loss is assumed; good units rung with a second one tell it, for every later ring"
        )
    weak = [c.unit for c in reference.captures if c.observation.weak]
    if weak:
        found.append(f"doubtful fits among the captures of {', '.join(dict.fromkeys(weak))}")
    return tuple(found)
