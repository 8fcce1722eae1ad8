"""Where captures of a reference came from, when another bench handed them on."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

__all__ = ["Provenance"]


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where captures came from. origin: name@hash of the reference they stood in; who: the bench that handed
    it on, in its own words; exported: when. Board, firmware and time of each ring stand with the ring."""

    origin: str
    who: str
    exported: datetime
