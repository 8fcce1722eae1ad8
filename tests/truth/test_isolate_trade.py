"""The trade's facts, and what the worksheet must make of them.

Common practice, no published source:

- rails of 125, 26 and 15.5 V that read 56, 11 and 6.8 V are one overload beyond the supply when they come
  back unloaded;
- rails that come back to about 110, 23 and 14 V with the anode lead off the tube point at the high-voltage
  side, the transformer's rectifier or the tube, although the winding rings healthy;
- 68 ohm and 3.3 ohm in parallel read about 3.1 ohm: a low base-emitter reading is no short.
"""

from __future__ import annotations

import pytest

from coilbell.bench.worksheet.typed import evidence_of
from coilbell.isolate import Evidence, Odds, odds, plan, settling, shipped

KIND = shipped()["CRT monitor"]
LOADED = ("rails-loaded", "125=56", "26=11", "15.5=6.8")
UNLOADED = ("rails-unloaded", "125=124", "26=26", "15.5=15.4")
ANODE_OFF = ("rails-anode-off", "125=110", "26=23", "15.5=14")
HEALTHY_RING = ("ring-out", "whole")


def read(*words: str) -> Evidence:
    return evidence_of(KIND.step_named(words[0]), words[1:])


def after(*typed: tuple[str, ...]) -> Odds:
    return odds(KIND, [read(*words) for words in typed])


def test_the_rails_sag_by_one_ratio() -> None:
    evidence = read(*LOADED)
    step = KIND.step_named("rails-loaded")
    assert step.outcome[evidence.best].key == "sag"
    others = [x for k, x in enumerate(evidence.log_likelihoods) if k != evidence.best]
    assert evidence.log_likelihoods[evidence.best] - max(others) > 5
    assert "0.44" in evidence.words


def test_unequal_rails_are_no_one_ratio() -> None:
    step = KIND.step_named("rails-loaded")
    evidence = read("rails-loaded", "125=124", "26=8", "15.5=15.4")
    assert step.outcome[evidence.best].key == "one-rail"


def test_recovering_unloaded_clears_the_supply() -> None:
    loaded, unloaded = after(LOADED), after(LOADED, UNLOADED)
    assert unloaded.probabilities["supply"] < 0.03
    assert unloaded.probabilities["supply"] < loaded.probabilities["supply"] / 5
    assert sum(p for k, p in unloaded.probabilities.items() if k not in ("supply", "unknown")) > 0.9


def test_staying_low_convicts_the_supply() -> None:
    found = after(LOADED, ("rails-unloaded", "125=57", "26=11.4", "15.5=7"))
    assert found.leader == "supply"
    assert found.probabilities["supply"] > 0.4


def test_recovering_with_the_anode_lead_off_points_at_the_high_voltage_side() -> None:
    found = after(LOADED, UNLOADED, ANODE_OFF, HEALTHY_RING)
    assert set(list(found.probabilities)[:2]) == {"rectifier", "tube"}
    assert found.probabilities["rectifier"] + found.probabilities["tube"] > 0.75
    assert found.probabilities["shorted-turns"] < 0.02
    assert all(0 < p < 1 for p in found.probabilities.values()), "nothing is certain"
    assert found.parts["line-output transformer"] > found.parts["picture tube"] > 0.1


def test_a_healthy_ring_alone_does_not_clear_the_transformer() -> None:
    found = after(HEALTHY_RING)
    assert found.probabilities["shorted-turns"] < 0.02
    assert found.probabilities["rectifier"] + found.probabilities["breakdown"] > 0.12


@pytest.mark.parametrize("level", ["none", "high voltage"])
def test_it_says_what_settles_transformer_against_tube(level: str) -> None:
    evidence = [read(*words) for words in (LOADED, UNLOADED, ANODE_OFF, HEALTHY_RING)]
    found = settling(KIND, evidence, ("rectifier", "tube"), level)  # type: ignore[arg-type]
    best = [p for p in found if p.instructed]
    assert best[0].step in ("stray", "rectifier-direction")
    assert best[0].bits > 0.2
    assert {"stray", "rectifier-direction", "tube-leak"} <= {p.step for p in found}


def test_added_stray_capacitance_settles_it_for_the_transformer() -> None:
    typed = (LOADED, UNLOADED, ANODE_OFF, HEALTHY_RING, ("stray", "expected=2.1n", "read=3.3n", "spread=15%"))
    found = after(*typed, ("rectifier-direction", "both-ways"))
    assert found.leader == "rectifier"
    assert found.probabilities["rectifier"] > 0.95


def test_a_low_base_emitter_reading_is_the_resistors() -> None:
    evidence = read("base-emitter", "read=3.1", "parts=68,3.3")
    step = KIND.step_named("base-emitter")
    assert step.outcome[evidence.best].key == "network"
    assert "3.147" in evidence.words
    before, now = odds(KIND, []), odds(KIND, [evidence])
    assert now.probabilities["output-transistor"] <= before.probabilities["output-transistor"]


def test_the_same_reading_without_these_resistors_would_be_a_short() -> None:
    evidence = read("base-emitter", "read=3.1", "parts=68,47")
    assert KIND.step_named("base-emitter").outcome[evidence.best].key == "below"
    now = odds(KIND, [evidence])
    assert now.probabilities["output-transistor"] > 1.5 * odds(KIND, []).probabilities["output-transistor"]


def test_a_live_test_is_not_among_the_first_for_somebody_unqualified() -> None:
    proposals = plan(KIND, after(LOADED), [read(*LOADED)])
    assert not proposals[-1].instructed
    assert proposals[0].instructed
    assert proposals[0].live == "none"
