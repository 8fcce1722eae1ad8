"""Logs of items whose end is known, with findings made by hand: for audits and for what learns from ends."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from coilbell.bench.facts.finding import FindingFacts
from coilbell.bench.facts.fit import fit_facts
from coilbell.bench.facts.question import question_of
from coilbell.bench.facts.ring import OddsFacts
from coilbell.bench.log import Log, add_outcome, outcome_of
from coilbell.record import Capacitor, Connection
from coilbell.winding import Explanation
from handmade import handmade_finding, handmade_fit, handmade_record

__all__ = ["ended_log", "stating"]


def stating(
    shorted: float, where: Connection = Connection.OUT_OF_CIRCUIT, kind: str = "relay coil"
) -> FindingFacts:
    """A finding that states these odds of a shorted turn."""
    likely = Explanation.LIKE_SHORTED if shorted > 0.5 else Explanation.LIKE_HEALTHY
    odds = OddsFacts(
        probability=shorted, prior=0.5, log10_likelihood_ratio=None, healthy_unit_at_least_this_far=None
    )
    return msgspec.structs.replace(
        handmade_finding(explanation=likely, kind=kind, connection=where),
        shorted_turn=odds,
        probabilities={Explanation.LIKE_SHORTED: shorted, Explanation.LIKE_HEALTHY: 1 - shorted},
    )


def ended_log(
    log: Log, rows: Iterable[tuple[float, str, float]], *, prefix: str = "part", rung: bool = False
) -> None:
    """An item for each (stated odds, cause, how sure); rung: with a capture and its fit too."""
    record = handmade_record(64, test_capacitor=Capacitor(22e-9), connection=Connection.OUT_OF_CIRCUIT)
    figures = fit_facts(handmade_fit(), title="ring", records=[record])
    with log.together():
        for number, (stated, cause, sure) in enumerate(rows):
            item = log.add_item(f"{prefix}-{number}", kind="relay coil")
            fits = [log.add_fit(log.add_capture(item, [record], "ring"), figures)] if rung else []
            log.add_judgement(item, question_of(), stating(stated), fits)
            if cause:
                add_outcome(log, item, outcome_of(log, item, cause, sure=sure))
