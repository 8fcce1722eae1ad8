"""Make the golden JSON of what is shown, kept and exchanged, in tests/golden/facts.

    python tests/golden/make_facts.py

Other programs read this JSON: its names, their order and the digits of what is only passed on are a promise.
Fits are made by hand and the rest is computed from them; the parts and sets do not exist.
"""

from __future__ import annotations

import re
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from coilbell.bench.audit import audit
from coilbell.bench.facts.base import json_line
from coilbell.bench.facts.comparison import comparison_facts
from coilbell.bench.facts.finding import finding_facts
from coilbell.bench.facts.fit import fit_facts
from coilbell.bench.facts.item import item_json
from coilbell.bench.facts.question import comparison_question, question_of
from coilbell.bench.facts.reference import reference_facts
from coilbell.bench.log import Log, add_outcome, judged, outcome_of
from coilbell.bench.log.keeper import LogKeeper
from coilbell.bench.log.words import item_facts
from coilbell.bench.worksheet.sheet import begin, observe, opened, withdraw
from coilbell.bench.worksheet.standing import worksheet_facts
from coilbell.bench.worksheet.typed import evidence_of
from coilbell.decay import Doubt, DoubtKind, Recovery
from coilbell.isolate import decode
from coilbell.record import Capacitor, Connection, Record
from coilbell.winding import Capture, Condition, Observation, Reference, compare, find, tank_of_record
from coilbell.winding import observe as observation
from ended import ended_log
from handmade import handmade_fit, handmade_mode, handmade_record, handmade_silence, known
from lamp import LAMP

FOLDER = Path(__file__).with_name("facts")

A, B = Capacitor(22e-9, 0.01, "A"), Capacitor(4.7e-9, 0.01, "B")


def _record() -> Record:
    return handmade_record(
        test_capacitor=A, connection=Connection.OUT_OF_CIRCUIT, extra={"channel": "CH2", "assumed": "volts"}
    )


def fit_text() -> str:
    """A fit with all that it can hold."""
    record = _record()
    found = handmade_fit(
        handmade_mode(),
        handmade_mode(51e3, 11.0, 0.05),
        tones=(handmade_mode(50.0, 1e4, 0.01),),
        recoveries=(Recovery(known(900.0, 30.0), known(-0.02, 0.001)),),
        doubts=(
            Doubt(DoubtKind.CLIPPED, "3 samples stand on the rail.", 3.0, 0.0),
            Doubt(DoubtKind.TOO_SHORT, "The window holds 0.4 of the decay.", float("inf"), 1.0),
        ),
    )
    return json_line(fit_facts(found, title="rings", records=[record], tank=tank_of_record(found, record)))


def silence_text() -> str:
    """A fit without a ring, of samples nothing is known of."""
    return json_line(fit_facts(handmade_silence()))


def _reference(*capacitors: Capacitor) -> Reference:
    good = [
        Capture(f"unit-{k}", Condition.GOOD, Observation(c, hz * shift, q))
        for k, shift in enumerate((0.98, 1.0, 1.02), 1)
        for c, hz, q in zip(capacitors, (21.6e3, 45.1e3), (128.0, 96.0), strict=False)
    ]
    short = Capture("unit-1", Condition.SHORTED, Observation(A, 31e3, 6.0), "one-turn loop")
    found = Reference.begin("tarn-21-line", "line-output transformer", [*good, short], "invented")
    return replace(found, created=None)


def _rang(hz: float, q: float, where: Connection, capacitor: Capacitor = A) -> Observation:
    return Observation(capacitor, hz, q, connection=where, amplitude_volts=0.3)


OUT, IN = Connection.OUT_OF_CIRCUIT, Connection.IN_CIRCUIT


def finding_text() -> str:
    """Judged by a reference, with one test capacitor."""
    return json_line(finding_facts(find([_rang(24e3, 31.0, OUT)], _reference(A)), "lot-3"))


def finding_of_two_text() -> str:
    """Judged by a reference, with two test capacitors."""
    rings = [_rang(21.8e3, 120.0, OUT), _rang(45.3e3, 90.0, OUT, B)]
    return json_line(finding_facts(find(rings, _reference(A, B), count_to=0.05), "lot-4"))


def finding_of_silence_text() -> str:
    """Nothing rang, in circuit."""
    silent = Observation(A, None, None, connection=IN)
    return json_line(finding_facts(find([silent], _reference(A)), "lot-5"))


def finding_without_reference_text() -> str:
    """What holds for a kind only."""
    return json_line(
        finding_facts(find([_rang(24e3, 31.0, OUT)], None, kind="line-output transformer"), "lot-6")
    )


def comparison_text() -> str:
    """Out of circuit against in circuit, with two test capacitors."""
    first = [_rang(21.6e3, 128.0, OUT), _rang(45.1e3, 96.0, OUT, B)]
    second = [_rang(21.7e3, 60.0, IN), _rang(45.2e3, 30.0, IN, B)]
    return json_line(comparison_facts(compare(first, second, kind="line-output transformer"), "a -> b"))


def comparison_with_silence_text() -> str:
    """The second no longer rings, and the first is not known good."""
    found = compare([_rang(21.6e3, 128.0, OUT)], [Observation(A, None, None, connection=OUT)])
    return json_line(comparison_facts(found, "a -> b", first_judged="loaded"))


def reference_text() -> str:
    """A reference as it is shown."""
    return json_line(reference_facts(_reference(A, B)))


class _Listed:
    """A keeper of entries in memory."""

    def __init__(self) -> None:
        self.kept: list[Any] = []

    def entries(self) -> Any:
        return list(enumerate(self.kept, 1))

    def append(self, entry: Any) -> int:
        self.kept.append(entry)
        return len(self.kept)


def _worked(keeper: Any) -> None:
    toml = LAMP.replace("SLIP", "0.02")
    kind = decode(toml)
    sheet = begin(keeper, kind, "none", toml=toml)
    for step in kind.step[:2]:
        word = step.outcome[0].key
        observe(keeper, sheet, evidence_of(step, [word]), [word])
    withdraw(keeper, opened(keeper), keeper.entries()[-1][0], "the probe had slipped")


def worksheet_text() -> str:
    """A worksheet with a reading and one that was withdrawn."""
    keeper = _Listed()
    _worked(keeper)
    return json_line(worksheet_facts(opened(keeper), "heron-14"))


def item_text() -> str:
    """An item of the log with all that it can hold."""
    record = _record()
    found = handmade_fit()
    facts = fit_facts(found, title="rings", records=[record], tank=tank_of_record(found, record))
    seen = observation(found, record)
    by = Reference("tarn-21-line", _reference(A).kind, (Capture("unit-1", Condition.GOOD, seen),))
    other = replace(record, samples=record.samples * 0.5)
    with tempfile.TemporaryDirectory() as folder, Log(Path(folder, "log.sqlite")) as log:
        item = log.add_item("lot-3", equipment="Tarn 21 set", part="T4", serial="7")
        fits = [log.add_fit(log.add_capture(item, [one], "rings"), facts) for one in (record, other)]
        asked = question_of(prior=0.3, unit="unit-1")
        log.add_judgement(item, asked, judged(asked, [(facts, record)], by, "lot-3"), fits[:1], by)
        asked = comparison_question(1, first_judged="like healthy")
        rings = [(facts, record), (facts, other)]
        log.add_judgement(item, asked, judged(asked, rings, None, "a -> b"), fits)
        _worked(LogKeeper(log, item))
        log.add_note(item, "warm to the touch")
        add_outcome(log, item, outcome_of(log, item, "shorted-turn", how="replaced, set runs", sure=0.9))
        photo = Path(folder, "lacquer.png")
        photo.write_bytes(b"picture")
        log.add_photo(item, photo, "one side dark")
        return _still(item_json(item_facts(log, item)), folder)


def audit_text() -> str:
    """An audit of forty items: odds right and wrong, a worksheet's cause, an end never known."""
    ends = [(0.02, "sound", 0.99)] * 24 + [(0.97, "shorted-turn", 0.9)] * 13 + [(0.03, "shorted-turn", 1.0)]
    with tempfile.TemporaryDirectory() as folder, Log(Path(folder, "log.sqlite")) as log:
        ended_log(log, [*ends, (0.5, "never-known", 0.99)])
        item = log.add_item("heron-14", kind="relay coil")
        _worked(LogKeeper(log, item))
        add_outcome(log, item, outcome_of(log, item, "bulb"))
        return _still(json_line(audit(log)), folder)


def _still(told: str, folder: str) -> str:
    """The same without what differs from run to run: times, versions, the folder."""
    told = told.replace(str(Path(folder).resolve()), "FOLDER")
    told = re.sub(r'"versions": {[^}]*}', '"versions": {}', told)
    return re.sub(r"\d{4}-\d\d-\d\dT[\d:.]+Z", "2026-03-02T09:30:00.000Z", told)


CASES: dict[str, Callable[[], str]] = {
    "fit": fit_text,
    "fit-no-ring": silence_text,
    "finding": finding_text,
    "finding-two-capacitors": finding_of_two_text,
    "finding-no-ring": finding_of_silence_text,
    "finding-no-reference": finding_without_reference_text,
    "comparison": comparison_text,
    "comparison-no-ring": comparison_with_silence_text,
    "reference": reference_text,
    "worksheet": worksheet_text,
    "item": item_text,
    "audit": audit_text,
}


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name, make in CASES.items():
        (FOLDER / f"{name}.json").write_text(make() + "\n", encoding="utf-8")
