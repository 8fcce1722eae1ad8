"""Shares of causes as this bench found them, beside those that ship: of windings and of kinds of equipment.

Each share has Clopper's and Pearson's interval; an assumption outside it is contradicted. Only items whose
end somebody learned are in it: a bench that hears of repaired ones alone finds other shares than it meets.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from coilbell.bench.audit.cases import Case
from coilbell.bench.audit.ranking import Ranked
from coilbell.bench.audit.scores import interval
from coilbell.bench.facts.audit import AssumptionFacts
from coilbell.isolate import shipped
from coilbell.terms import Cause
from coilbell.winding import KINDS, FaultFigure, Kind, fault_figures

__all__ = ["EVEN", "cause_shares", "compared", "equipment_shares"]

EVEN = 0.5
"""Prior of a shorted turn where nobody states one: the commands' own default."""

_FIGURES = {
    Cause.NOTHING: "nothing",
    Cause.LOAD: "load",
    Cause.JUNCTION: "junction",
    Cause.CORE: "core",
    Cause.OPEN: "silent",
    Cause.UNKNOWN: "unknown",
}
"""State of a winding without a shorted turn -> its figure in the section `causes` of faults.toml."""


def compared(
    figure: tuple[str, str, str], of: str, assumed: float, k: float, n: float, level: float
) -> AssumptionFacts:
    """A share beside its assumption. figure: its place, words and source; k of n, by weight."""
    low, high = interval(k, n, level)
    name, words, source = figure
    return AssumptionFacts(
        name=name,
        of=of,
        words=words,
        assumed=(assumed,),
        source=source,
        found=min(k / n, 1.0),
        low=low,
        high=high,
        count=round(n),
        contradicted=not low <= assumed <= high,
    )


def cause_shares(cases: Sequence[Case], least: int, level: float) -> Iterator[AssumptionFacts]:
    """Shares of what windings were, an item each; groups with fewer than `least` are left out."""
    found = list({case.item: case for case in cases}.values())
    total = sum(case.weight for case in found)
    if total >= least:
        short = sum(case.weight for case in found if case.outcome.shorted)
        figure = ("--prior", "share of windings with a shorted turn", "assumed")
        yield compared(figure, "all kinds", EVEN, short, total, level)
    figures = {one.name: one for one in fault_figures()}
    for key in ("capacitance", "capacitance_high_voltage", "capacitance_inside"):
        alike = [case for case in found if case.kind in KINDS and _capacitance(KINDS[case.kind]) == key]
        rest = [case for case in alike if not case.outcome.shorted]
        if sum(case.weight for case in rest) >= least:
            names = {**_FIGURES, Cause.CAPACITANCE: key}
            yield from _within(rest, names, figures, level)


def _within(
    rest: Sequence[Case], names: dict[Cause, str], figures: dict[str, FaultFigure], level: float
) -> Iterator[AssumptionFacts]:
    """Shares among windings without a shorted turn."""
    n = sum(case.weight for case in rest)
    whole = sum(figures[f"causes.{name}"].low for name in names.values())
    kinds = ", ".join(dict.fromkeys(case.kind for case in rest))
    for cause, name in names.items():
        figure = figures[f"causes.{name}"]
        k = sum(case.weight for case in rest if case.outcome.state is cause)
        told = (figure.name, f"where no turn is shorted: {cause.words}", figure.source)
        yield compared(told, kinds, figure.low / whole, k, n, level)


def _capacitance(kind: Kind) -> str:
    """The figure for added capacitance that holds for this kind."""
    keys = ("capacitance", "capacitance_high_voltage", "capacitance_inside")
    return keys[kind.high_voltage + kind.rectifiers_inside]


def equipment_shares(ranked: Iterable[Ranked], least: int, level: float) -> Iterator[AssumptionFacts]:
    """Shares of a worksheet's causes, of the kinds of equipment that ship."""
    rows = list(ranked)
    for name in dict.fromkeys(one.equipment for one in rows):
        alike = [one for one in rows if one.equipment == name]
        n = sum(one.weight for one in alike)
        kind = shipped().get(name)
        if kind is None or n < least:
            continue
        for one in kind.hypothesis:
            k = sum(row.weight for row in alike if row.cause == one.key)
            yield compared((f"{one.key}.prior", one.name, one.source), name, one.prior, k, n, level)
