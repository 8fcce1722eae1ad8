"""Pictures of a ladder and of the steps of odds."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.examinations import LINE, reference_of, stage_of
from coilbell.bench.facts.fit import fit_facts
from coilbell.bench.pictures.ladder import ladder_picture, odds_picture
from coilbell.board.simulation import catalogue
from coilbell.decay import Bend, fit
from coilbell.errors import InputError
from coilbell.record import Capacitor, Record
from coilbell.terms import Step
from coilbell.winding import (
    AmplitudeLaw,
    Capture,
    Condition,
    Observation,
    Piece,
    Reference,
    find,
    odds_by_piece,
)


def _records(junction: bool) -> list[Record]:
    times = np.arange(1500) / 500e3
    rng = np.random.default_rng(1)
    made = []
    for volts in (0.06, 0.13, 0.27):
        envelope, step = [volts], times[1]
        for _ in times[1:]:
            a = envelope[-1]
            envelope.append(a * (1 - step * (900 + junction * 1500 * a)))
        wave = np.array(envelope) * np.cos(2e5 * times) + rng.normal(0, 1e-4, times.size)
        made.append(
            Record(
                samples=wave,
                rate_hz=500e3,
                volts_per_count=1.0,
                pulse_s=volts * 1e-6,
                test_capacitor=Capacitor(22e-9),
            )
        )
    return made


def test_the_law_is_drawn_through_its_rungs_and_named_below() -> None:
    records = _records(junction=True)
    facts = fit_facts(fit(records), records=records)
    core = AmplitudeLaw(Bend.CORE, 0.02, 0.004, core_per_volt=400.0)
    healthy = Observation(Capacitor(22e-9), 32e3, 120.0, law=core)
    reference = Reference.begin("tarn-3", "power inductor", [Capture("u", Condition.GOOD, healthy)])
    drawing = ladder_picture([facts], reference=reference, title="lot-3")
    axes = drawing.axes[0]
    law = next(line for line in axes.lines if line.get_label() == "22 nF")
    assert np.all(np.diff(law.get_ydata()) > 0)
    grey = next(line for line in axes.lines if line.get_label() == "healthy, 22 nF")
    # At 200 mV the rate is up by 400/(s V) times 100 mV heard: 1/Q by 40/(pi f).
    assert np.interp(0.2, *grey.get_data()) == pytest.approx(1 / 120 + 40 / (np.pi * 32e3), rel=2e-3)
    assert "1/Q +" in drawing._supxlabel.get_text()  # type: ignore[attr-defined]


def test_one_amplitude_is_no_ladder() -> None:
    one = _records(junction=False)[:1]
    with pytest.raises(InputError, match="capture --ladder"):
        ladder_picture([fit_facts(fit(one), records=one)])


def test_the_steps_of_odds_begin_at_the_prior_and_end_at_the_verdict() -> None:
    rng = np.random.default_rng(2)
    reference = reference_of("line-set-101", rng)
    part = catalogue.part("line-set-101", 3)
    done = LINE[-1]
    stages = [(), done, (*done, Step.RECTIFIERS_TESTED)]
    seen = [one for s in stages for one in stage_of(part, "in-set,turn-dead", s, rng)]
    pieces = odds_by_piece(seen, reference, prior=0.3)
    assert pieces[0] == Piece("before any ring", 0.3)
    assert [p.words for p in pieces[1:3]] == ["ring in circuit", "second capacitor, 2.2 nF"]
    assert pieces[-1].words == "rectifiers-tested"
    assert pieces[-1].shows is not None
    assert pieces[-1].shows == pytest.approx(find(seen, reference, prior=0.3).verdict.shows, abs=0.02)
    assert pieces[-2].shows is not None
    assert pieces[-2].shows < pieces[-1].shows
    drawing = odds_picture(pieces, title="lot-3")
    told = [t.get_text().replace("\n", " ") for t in drawing.axes[0].get_yticklabels()]
    assert told == [p.words for p in pieces]
