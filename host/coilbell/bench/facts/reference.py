"""Facts of a reference: units, captures, and where the next good unit is expected."""

from __future__ import annotations

import math

from coilbell.bench.facts.base import Chance, Count, Facts, Positive, Spread
from coilbell.winding import Capture, Healthy, Reference, digest, healthy_of, remarks

__all__ = ["REFERENCE_FACTS_SCHEMA", "CaptureFacts", "ExpectedFacts", "ReferenceFacts", "reference_facts"]

REFERENCE_FACTS_SCHEMA = 1
"""Number of the layout of `ReferenceFacts`; it rises when a field changes its meaning."""


class CaptureFacts(Facts, frozen=True, kw_only=True):
    """One ring of one unit; its figures are None where nothing rang."""

    unit: str
    condition: str
    how: str
    origin: str
    test_capacitor_f: Positive
    frequency_hz: Positive | None
    frequency_standard_uncertainty_hz: Spread | None
    q: Positive | None
    q_standard_uncertainty: Spread | None
    utc: str | None
    source: str
    doubts: tuple[str, ...]
    board: str = ""


class ProvenanceFacts(Facts, frozen=True, kw_only=True):
    """Who handed on what came from an origin, and when."""

    origin: str
    who: str
    exported: str


class ExpectedFacts(Facts, frozen=True, kw_only=True):
    """Where the next good unit is expected with one test capacitor; its spreads are relative [1]."""

    test_capacitor_f: Positive
    frequency_hz: Positive
    q: Positive
    frequency_spread: Spread
    q_spread: Spread
    assumed_share: Chance
    units: Count


class ReferenceFacts(Facts, frozen=True, kw_only=True):
    """Everything shown of a reference."""

    schema: int
    what: str
    name: str
    kind: str
    note: str
    created: str | None
    sha256: str
    origins: tuple[str, ...]
    good_units: tuple[str, ...]
    captures: tuple[CaptureFacts, ...]
    healthy: tuple[ExpectedFacts, ...]
    remarks: tuple[str, ...]
    provenance: tuple[ProvenanceFacts, ...] = ()


def reference_facts(reference: Reference) -> ReferenceFacts:
    """Everything shown of a reference."""
    return ReferenceFacts(
        schema=REFERENCE_FACTS_SCHEMA,
        what="reference",
        name=reference.name,
        kind=reference.kind.name,
        note=reference.note,
        created=reference.created.isoformat() if reference.created else None,
        sha256=digest(reference),
        origins=reference.origins,
        good_units=reference.units(),
        captures=tuple(map(_capture, reference.captures)),
        healthy=tuple(_expected(healthy_of(reference, [c])) for c in reference.capacitors()),
        remarks=remarks(reference),
        provenance=tuple(
            ProvenanceFacts(origin=one.origin, who=one.who, exported=one.exported.isoformat())
            for one in reference.provenance
        ),
    )


def _capture(capture: Capture) -> CaptureFacts:
    seen = capture.observation
    return CaptureFacts(
        unit=capture.unit,
        condition=str(capture.condition),
        how=capture.how,
        origin=capture.origin,
        test_capacitor_f=seen.capacitor.farads,
        frequency_hz=seen.frequency_hz,
        frequency_standard_uncertainty_hz=_spread(seen.frequency_hz, seen.frequency_uncertainty),
        q=seen.q,
        q_standard_uncertainty=_spread(seen.q, seen.q_uncertainty),
        utc=seen.utc.isoformat() if seen.utc else None,
        source=seen.source,
        doubts=seen.doubts,
        board=seen.board,
    )


def _spread(value: float | None, relative: float) -> float | None:
    """Standard uncertainty of a value, None where it is unknown."""
    return value * relative if value is not None and math.isfinite(relative) else None


def _expected(by: Healthy) -> ExpectedFacts:
    return ExpectedFacts(
        test_capacitor_f=by.capacitors[0].farads,
        frequency_hz=math.exp(by.location[0]),
        q=math.exp(-by.location[1]),
        frequency_spread=float(by.spreads[0]),
        q_spread=float(by.spreads[1]),
        assumed_share=by.prior_share,
        units=len(by.units),
    )
