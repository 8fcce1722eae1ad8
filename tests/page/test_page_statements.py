"""The page says of a ring what `coilbell judge` says of it, and each figure has its uncertainty."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from coilbell.bench.facts.finding import finding_facts
from coilbell.bench.page import Wish
from coilbell.bench.page.curve import decay_drawing
from coilbell.bench.page.judgedshot import JudgedShot, shot_message
from coilbell.bench.page.judging import Judge, Struck
from coilbell.bench.words.finding import finding_text
from coilbell.decay import fit
from coilbell.record import Connection
from coilbell.winding import Capture, Condition, Reference, find, observe
from page.struck import until

KIND = "diode-split transformer"


def _reference(struck: Any, letters: str = "AB") -> Reference:
    where = Connection.OUT_OF_CIRCUIT
    seen = [
        observe(fit(struck["healthy"][c]), replace(struck["healthy"][c], connection=where)) for c in letters
    ]
    return Reference.begin("tarn", KIND, [Capture("unit-1", Condition.GOOD, one) for one in seen])


def _shots(
    struck: Any, state: str, reference: Reference | None, wish: Wish, letters: str = "AB"
) -> list[JudgedShot]:
    judge = Judge()
    judge.begin(wish, reference)
    records = [replace(struck[state][letter], connection=wish.connection) for letter in letters]
    return [judge.judged(Struck(wish, c, one, 0.0)) for c, one in zip(letters, records, strict=True)]


def _flat(text: str) -> str:
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize(
    ("state", "where", "by"),
    [
        ("healthy", Connection.OUT_OF_CIRCUIT, True),
        ("turn-dead", Connection.OUT_OF_CIRCUIT, True),
        ("turn-dead", Connection.IN_CIRCUIT, True),
        ("turn-dead", Connection.IN_CIRCUIT, False),
    ],
)
def test_every_statement_is_that_of_a_judgement(struck: Any, state: str, where: Connection, by: bool) -> None:
    reference = _reference(struck) if by else None
    last = _shots(struck, state, reference, Wish("both", where, kind=KIND))[-1]
    told = shot_message(last, None).finding
    seen = [one.observation for one in reversed(last.together)]
    facts = finding_facts(find(seen, reference, kind=None if by else KIND))
    text = _flat(finding_text(facts, full=True)).casefold()
    lines = [line for _, part in told.parts for line in part]
    for words in (*lines, told.next_step, told.caution, told.unseen.partition("; ")[0]):
        assert words.casefold() in text.replace("- ", ""), words
    for figure in shot_message(last, None).figures:
        _, sign, natural = figure.interval.replace("\N{NO-BREAK SPACE}", " ").partition("; natural ")
        assert not sign or not by or f"natural frequency {natural}, Q".casefold() in text, natural
        assert bool(sign) == figure.name.startswith("frequency")
    heads = [head for head, _ in told.parts]
    assert {"Why", "Cannot be seen", "Ring count"} <= set(heads)
    assert ("Rests on" in heads) == by
    assert told.next_step
    assert told.caution == facts.caution
    assert told.caution or where is Connection.OUT_OF_CIRCUIT
    assert f"{len(facts.cannot_see) - 1} more" in told.unseen


def test_both_capacitors_keep_their_places_from_shot_to_shot(struck: Any) -> None:
    wish = Wish("both", Connection.OUT_OF_CIRCUIT, kind=KIND)
    shots = _shots(struck, "healthy", None, wish, "ABAB")
    before, after = (shot_message(shot, None) for shot in shots[2:])
    names = [figure.name for figure in before.figures]
    assert names == [figure.name for figure in after.figures]
    assert "frequency with 22 nF" in names
    assert "frequency with 2.2 nF" in names
    assert names.count("inductance") == 1
    assert all("(" in figure.value for figure in after.figures)
    assert before.decay.time == after.decay.time
    assert after.decay.caption.startswith("with 22 nF")
    assert before.tone_hz == after.tone_hz
    assert "capacitors A (22 nF) and B (2.2 nF)" in after.title
    assert all(not one.beside for one in shots[-1].beside)


def test_the_place_in_the_shift_plane_has_its_uncertainty(struck: Any) -> None:
    wish = Wish("A", Connection.OUT_OF_CIRCUIT, kind=KIND)
    judge = Judge()
    judge.begin(wish, _reference(struck))
    shot = judge.judged(Struck(wish, "A", replace(struck["turn-dead"]["A"], connection=wish.connection), 0.0))
    _, ring = judge.plane(shot)
    assert ring is not None
    assert re.fullmatch(r"added loss \+[\d.]+\(\d+\), inductance drop \+[\d.]+\(\d+\)", ring.words)
    assert shot.finding is not None
    assert ring.words.partition(",")[0] in " ".join(shot.finding.reasons)


def test_a_reference_that_cannot_judge_is_not_called_none(struck: Any) -> None:
    (shot,) = _shots(struck, "healthy", _reference(struck, "A"), Wish("B", Connection.OUT_OF_CIRCUIT), "B")
    told = shot_message(shot, None)
    assert "no reference is chosen" not in told.finding.sentence
    assert "cannot judge this ring" in told.finding.sentence
    assert told.doubts[0].startswith("not judged by tarn")


def test_a_ring_that_is_not_judged_does_not_keep_the_finding_before_it(struck: Any) -> None:
    bare = replace(struck["healthy"]["A"], test_capacitor=None)
    judge = Judge()
    judge.begin(Wish(kind=KIND), None)
    told = shot_message(judge.judged(Struck(Wish(kind=KIND), "A", bare, 0.0)), None)
    assert "not judged" in told.finding.sentence
    assert told.finding.odds == told.finding.parts == []
    assert told.doubts[0].startswith("not judged")


def test_a_short_ring_fills_its_picture(struck: Any) -> None:
    record = struck["turn-dead"]["B"]
    times = decay_drawing(fit(record), record).time
    assert -times[0] < 0.05 * times[-1]


def test_no_ring_is_not_said_to_be_counted(struck: Any) -> None:
    import numpy as np

    noise = np.random.default_rng(1).integers(2046, 2050, len(struck["healthy"]["A"].samples))
    record = replace(struck["healthy"]["A"], samples=noise.astype(struck["healthy"]["A"].samples.dtype))
    assert "nothing in it rings" in decay_drawing(fit(record), record).caption


def test_the_verdict_stands_with_its_next_step_its_limits_and_its_caution(
    served: Any, look: Callable[..., Any]
) -> None:
    page = look(served.address)
    page.keyboard.press("i")
    page.keyboard.press("s")
    page.locator("body[data-shot='1']").wait_for()
    page.locator("#caution", has_text="Caution: Before a hand").wait_for()
    assert page.locator("#next").inner_text().startswith("Next: ")
    assert page.locator("#unseen").inner_text().startswith("Cannot be seen: insulation")
    assert page.locator("#because li").first.is_visible()
    spoken = page.locator("#spoken").text_content()
    assert "Next: " in spoken
    page.keyboard.press("Space")  # many shots: figures move, what is read out does not
    page.locator("[data-does=run][aria-pressed=true]").wait_for()
    until(page, "Number(document.body.dataset.shot) > 8")
    page.keyboard.press("Space")
    assert page.locator("#spoken").text_content() == spoken
