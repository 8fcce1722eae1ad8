"""The explanations that a finding may give."""

from __future__ import annotations

from enum import StrEnum

__all__ = ["Explanation"]


class Explanation(StrEnum):
    """What may be said of a winding from how it rings."""

    LIKE_HEALTHY = "like healthy"
    LIKE_SHORTED = "like shorted"
    LOADED = "loaded"
    """A resistive load or a leaky turn: not separable at one port."""
    DETUNED = "detuned"
    """Inductance or capacitance differs, loss does not."""
    EXTRA_CAPACITANCE = "extra capacitance"
    NO_RING = "no ring"
    UNDECIDED = "undecided"
