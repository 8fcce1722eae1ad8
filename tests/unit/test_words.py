"""Numbers -> words: one dict for text and JSON, 80 columns, every doubt with advice."""

from __future__ import annotations

import json
import math
import shlex
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbell import decay
from coilbell.bench.facts.base import facts_of, kept_text
from coilbell.bench.facts.fit import FitFacts, QuantityFacts, fit_facts
from coilbell.bench.words.fit import (
    WIDTH,
    doubt_sentence,
    facts_table,
    fit_sentence,
    fit_table,
    fraction_words,
    quoted,
)
from coilbell.decay import Doubt, DoubtKind, Fit, Quantity
from coilbell.record import Capacitor
from coilbell.winding import FreeRing, tank_of_one
from handmade import handmade_fit, handmade_mode, handmade_record, handmade_silence

GOLDEN = Path(__file__).parents[1] / "golden"

CLIPPED = Doubt(DoubtKind.CLIPPED, "3 samples at the upper rail.", 3, 1)
COLOURED = Doubt(DoubtKind.COLOURED_RESIDUAL, "successive residuals correlate by 0.31", 8.1, 4.0)


def two_modes() -> Fit:
    return handmade_fit(
        handmade_mode(),
        handmade_mode(61234.5, 12.3, 0.05),
        doubts=(CLIPPED, COLOURED),
        tones=(handmade_mode(100e3, 1e4, 0.002),),
        samples_masked=3,
    )


def text_of_two_modes() -> str:
    record = handmade_record(extra={"channel": "CH2", "assumed time unit": "numbers taken as seconds"})
    return fit_table(two_modes(), title="choke-17.csv", records=[record])


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("fit-two-modes.txt", text_of_two_modes()),
        ("fit-one-mode.txt", fit_table(handmade_fit(), title="choke-18.json")),
        ("fit-no-ring.txt", fit_table(handmade_silence(), title="choke-19.json")),
    ],
)
def test_tables_read_as_agreed(name: str, text: str) -> None:
    assert text + "\n" == (GOLDEN / name).read_text(encoding="ascii")


def test_text_and_json_come_from_the_same_facts() -> None:
    fit = two_modes()
    text = kept_text(fit_facts(fit, title="x"))
    assert facts_table(facts_of(text, FitFacts, "x")) == fit_table(fit, title="x")
    through_json = json.loads(text)
    assert through_json["schema"] == 1
    assert through_json["modes"][0]["frequency_hz"]["value"] == 21634.0
    assert through_json["modes"][0]["tau_s"]["standard_uncertainty"] == fit.main.tau_s.standard_uncertainty


def test_numbers_json_cannot_hold_become_none() -> None:
    endless = Quantity(math.inf, math.nan, 4e4, math.inf)
    fit = handmade_fit(replace(handmade_mode(), q=endless, tau_s=endless), noise=math.nan)
    facts = fit_facts(fit)
    assert facts.main.q == QuantityFacts(value=None, standard_uncertainty=None, low=4e4, high=None)
    assert facts_of(kept_text(facts), FitFacts, "it") == facts
    assert "unknown" in facts_table(facts)


def test_window_is_on_the_files_own_time_axis() -> None:
    record = handmade_record(first_s=-0.001)
    window = fit_facts(decay.fit(record, start_s=-0.0008), records=[record]).window
    assert window.start_s == pytest.approx(-0.0008)


def test_capacitor_and_connection_are_told() -> None:
    facts = fit_facts(handmade_fit(), records=[handmade_record(test_capacitor=Capacitor(22e-9))])
    assert facts.test_capacitor_f == 22e-9
    assert facts.connection == "unknown"


def test_the_tank_is_told_with_its_capacitor_and_its_doubts() -> None:
    record = handmade_record(test_capacitor=Capacitor(22e-9, 0.02))
    fit = handmade_fit()
    tank = tank_of_one(FreeRing.from_mode(fit.main), record.test_capacitor or Capacitor(1e-9))
    facts = fit_facts(fit, records=[record], tank=tank)
    natural = 2 * math.pi * fit.main.natural_frequency_hz
    assert facts.tank is not None
    assert facts.tank.inductance_h.value == pytest.approx(1 / (natural**2 * 22e-9), rel=1e-9)
    text = facts_table(facts)
    assert "with 22 nF (2 %) across: inductance 2.459(49) mH; loss as" in text
    assert "doubt: stray capacitance unknown" in text


@pytest.mark.parametrize(
    "word", ["lot-3", "tray 4/lot 3", "50% o'clock", 'a "b" $HOME `x`', "\u00fc \u26a1", "#1;2"]
)
def test_a_quoted_name_is_one_word_to_a_shell(word: str) -> None:
    assert shlex.split(quoted(word)) == [word]
    assert quoted("lot-3") == "lot-3"
    assert quoted("lot 3") == '"lot 3"'  # single quotes mean nothing to Windows


@pytest.mark.parametrize("kind", list(DoubtKind))
def test_every_doubt_is_a_sentence_with_advice(kind: DoubtKind) -> None:
    sentence = doubt_sentence(Doubt(kind, "the figure is 3", 3.0, 1.0))
    assert sentence.startswith(f"{kind}: the figure is 3. ")
    assert sentence.endswith(".")
    assert len(sentence.split(". ", 1)[1]) > 20
    assert sentence.isascii()


def test_sentence_names_frequency_q_and_count() -> None:
    assert fit_sentence(handmade_fit()) == "rings at 21.634(11) kHz, Q 30.124(90), 22.076(66) rings to 1/10"
    assert fit_sentence(handmade_silence()) == "no ring; 1 doubt"


@pytest.mark.parametrize(
    ("fraction", "words"), [(0.1, "1/10"), (0.5, "1/2"), (0.37, "0.37"), (math.exp(-1), "0.368")]
)
def test_fraction_in_words(fraction: float, words: str) -> None:
    assert fraction_words(fraction) == words


@settings(max_examples=60, deadline=None)
@given(
    modes=st.lists(
        st.tuples(st.floats(100, 1e6), st.floats(0.6, 1e5), st.floats(1e-6, 1e4)), min_size=1, max_size=4
    ),
    title=st.text(st.characters(codec="latin-1", exclude_categories=["C"]), max_size=120),
    detail=st.text(st.characters(codec="ascii", exclude_categories=["C"]), max_size=300),
    kind=st.sampled_from(list(DoubtKind)),
)
def test_no_line_is_longer_than_the_screen(
    modes: list[tuple[float, float, float]], title: str, detail: str, kind: DoubtKind
) -> None:
    fit = handmade_fit(*(handmade_mode(*mode) for mode in modes), doubts=(Doubt(kind, detail, 1.0, 1.0),))
    assert max(map(len, fit_table(fit, title=title).splitlines())) <= WIDTH
