"""Spreads between good units as this bench met them, beside those that a kind assumes.

The good units are those of every reference that findings here rest on, as it was last, and the items that
were judged by it out of circuit and found sound. Within one part and test capacitor the deviations x - mean x
of ln f and of ln 1/Q are taken over the spread s0 that the kind's figures give there,

    T = sum ((x - mean x)/s0)^2 ~ chi-square with nu = sum (units - 1)     where the assumption is true

and the spread found, s0 sqrt(T/nu), has the interval

    s0 sqrt(T/chi2_(1 - a/2)(nu)) to s0 sqrt(T/chi2_(a/2)(nu))        (textbook result for normal deviations)

What the rings themselves leave open is in both. The usual range of Q is contradicted where the interval of
the share of good units outside it lies above one in twenty.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from msgspec import structs

from coilbell.bench.audit.shares import compared
from coilbell.bench.facts.audit import AssumptionFacts
from coilbell.bench.facts.finding import FindingFacts
from coilbell.bench.log import Concluded, Log
from coilbell.record import Capacitor, Connection
from coilbell.terms import Cause
from coilbell.winding import Condition, Reference, healthy_of, same_capacitor

__all__ = ["Part", "parts_of", "spread_checks"]

_LEAST_FREEDOM = 4
"""Degrees of freedom under which a spread is not told: its interval spans a factor of 15; assumed."""

_SURE = 0.9
"""How sure an item's end must be for it to count as a good unit [1]; assumed."""

_OUTSIDE = 0.05
"""Share of good units that may lie outside a kind's usual range of Q [1]; assumed."""

_NEAR_USUAL = 0.5
"""Distance of a test capacitor from the kind's usual one within which its usual Q holds [ln]; assumed."""

Point = tuple[float, float]


@dataclass(slots=True)
class Part:
    """A part's good units with one test capacitor: ln f and ln 1/Q of each, by its name."""

    reference: Reference
    capacitor: Capacitor
    units: dict[str, Point] = field(default_factory=dict)


def parts_of(log: Log, concluded: Iterable[Concluded]) -> list[Part]:
    """The parts of the bench. Raises FileError for a damaged reference."""
    newest = log.base.rows(
        "SELECT name, sha256 FROM reference WHERE id IN (SELECT max(id) FROM reference GROUP BY name)"
    )
    parts: dict[str, list[Part]] = {}
    for row in newest:
        reference = log.reference(row["sha256"])
        parts[row["name"]] = [_begun(reference, capacitor) for capacitor in reference.capacitors()]
    for one in concluded:
        _add_sound(one, parts)
    return [part for found in parts.values() for part in found]


def _begun(reference: Reference, capacitor: Capacitor) -> Part:
    units = {mean.unit: (mean.point[0], mean.point[1]) for mean in reference.good_means([capacitor])}
    return Part(reference, capacitor, units)


def _add_sound(one: Concluded, parts: Mapping[str, Sequence[Part]]) -> None:
    """The item's last ring out of circuit, where it was found sound and judged by one of the references."""
    end = one.of_winding
    if end is None or end.state is not Cause.NOTHING or end.sure < _SURE:
        return
    for judgement in reversed(one.findings):
        facts = judgement.facts
        assert isinstance(facts, FindingFacts)
        if judgement.reference is not None and facts.connection is Connection.OUT_OF_CIRCUIT:
            for part in parts.get(judgement.reference[0], ()):
                for point in _points(facts, part.capacitor):
                    part.units[one.item.name] = point
            return


def _points(facts: FindingFacts, capacitor: Capacitor) -> Iterator[Point]:
    """ln f and ln 1/Q of the finding's ring with that test capacitor, where there is one."""
    for ring in facts.rings:
        if same_capacitor(capacitor, replace(capacitor, farads=ring.test_capacitor_f)) and ring.rings:
            assert isinstance(ring.natural_frequency_hz, float)
            assert isinstance(ring.q, float)
            yield math.log(ring.natural_frequency_hz), -math.log(ring.q)


def spread_checks(parts: Sequence[Part], level: float) -> Iterator[AssumptionFacts]:
    """Spreads and usual Q of each kind, as assumed and as found; where units are too few nothing."""
    for kind in dict.fromkeys(part.reference.kind.name for part in parts):
        alike = [part for part in parts if part.reference.kind.name == kind and part.units]
        fullest = [max(own, key=lambda part: len(part.units)) for own in _by_name(alike).values()]
        for place in (0, 1):
            yield from _spread(kind, fullest, place, level)
        yield from _usual_q(kind, alike, level)


def _by_name(parts: Sequence[Part]) -> dict[str, list[Part]]:
    found: dict[str, list[Part]] = {}
    for part in parts:
        found.setdefault(part.reference.name, []).append(part)
    return found


_NAMED = (
    ("inductance", "capacitance", "own_frequency"),
    ("core_loss", "resistance", "inductance"),
)
"""Figures of a kind that spread ln f, and those that spread ln 1/Q."""

_WORDS = ("spread of ln f between units of one part", "spread of ln 1/Q between units of one part")


def _spread(kind: str, parts: Sequence[Part], place: int, level: float) -> Iterator[AssumptionFacts]:
    from scipy.special import gammaincinv

    freedom, total, variances = 0, 0.0, []
    for part in parts:
        points = np.array([point[place] for point in part.units.values()])
        if points.size < 2:
            continue
        assumed = _assumed(part)[place]
        total += float((((points - points.mean()) / assumed) ** 2).sum())
        freedom += points.size - 1
        variances += [assumed**2] * (points.size - 1)
    if freedom < _LEAST_FREEDOM:
        return
    usual, tail = math.sqrt(float(np.mean(variances))), (1 - level) / 2
    low, high = (math.sqrt(total / (2 * float(gammaincinv(freedom / 2, p)))) for p in (1 - tail, tail))
    sources = dict(parts[0].reference.kind.sources)
    names = [f"spread.{name}" for name in _NAMED[place]]
    yield AssumptionFacts(
        name=", ".join(names),
        of=kind,
        words=_WORDS[place],
        assumed=(usual,),
        source="; ".join(dict.fromkeys(sources[name] for name in names if name in sources)),
        found=usual * math.sqrt(total / freedom),
        low=usual * low,
        high=usual * high,
        count=freedom + sum(len(part.units) > 1 for part in parts),
        contradicted=not low <= 1 <= high,
    )


def _assumed(part: Part) -> tuple[float, float]:
    """Standard deviations of ln f and ln 1/Q by the kind's figures alone: by one unit all is assumption."""
    good = [c for c in part.reference.captures if c.condition is Condition.GOOD]
    alone = [c for c in good if c.unit == good[0].unit]
    by = healthy_of(replace(part.reference, captures=tuple(alone), withdrawn=()), [part.capacitor])
    return float(by.between[0]), float(by.between[1])


def _usual_q(kind: str, parts: Sequence[Part], level: float) -> Iterator[AssumptionFacts]:
    """The usual range of Q, by each unit once, at the test capacitor that it holds for."""
    near: dict[tuple[str, str], float] = {}
    for part in parts:
        usual = part.reference.kind.usual_farads
        if abs(math.log(part.capacitor.farads / usual)) < _NEAR_USUAL:
            near |= {(part.reference.name, unit): math.exp(-point[1]) for unit, point in part.units.items()}
    if len(near) <= _LEAST_FREEDOM:
        return
    model = parts[0].reference.kind
    low, high = model.healthy_q
    outside = sum(not low <= q <= high for q in near.values())
    source = dict(model.sources).get("typical.healthy_q", "")
    words = f"good units whose Q lies outside {low:g} to {high:g}"
    told = compared(("typical.healthy_q", words, source), kind, _OUTSIDE, outside, len(near), level)
    # A range that holds more than it must is no contradiction.
    yield structs.replace(told, contradicted=told.low > _OUTSIDE)
