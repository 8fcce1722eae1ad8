"""A unit that is called good and hardly is: refused with figures, marked when taken, withdrawn."""

from __future__ import annotations

import pytest

from coilbell.errors import ReferenceMismatch
from coilbell.record import Capacitor
from coilbell.winding import (
    Capture,
    Condition,
    Observation,
    Reference,
    decode,
    encode,
    find,
    guarded,
    kind_named,
)

A = Capacitor(22e-9, 0.01, "A")
LINE = kind_named("line-output transformer")


def capture(unit: str, hz: float = 21.6e3, q: float = 120.0) -> Capture:
    return Capture(unit, Condition.GOOD, Observation(A, hz, q))


def line() -> Reference:
    return Reference.begin("line", LINE, [capture("a"), capture("b", 21.9e3, 112.0), capture("c", 21.2e3)])


def test_a_dead_part_is_not_taken_for_a_good_one() -> None:
    """Q 1.9, as of a transformer with a dead turn: the kind alone knows better."""
    with pytest.raises(
        ReferenceMismatch, match=r"unit d: Q 1\.9 with 22 nF, where a healthy .* has 80 to 180"
    ):
        guarded(LINE, None, [capture("d", 37e3, 1.9)])


def test_a_unit_far_from_the_others_is_named_with_theirs() -> None:
    with pytest.raises(ReferenceMismatch, match=r"where 3 good units there ring at 21\.\d+ kHz, Q 11"):
        guarded(LINE, line(), [capture("d", 32e3, 90.0)])


def test_an_untrusted_ring_is_no_good_unit() -> None:
    seen = Observation(A, 21.6e3, 120.0, trouble=("the shots disagree",))
    with pytest.raises(ReferenceMismatch, match="not to be trusted: the shots disagree"):
        guarded(LINE, line(), [Capture("d", Condition.GOOD, seen)])


def test_what_is_usual_passes_unmarked() -> None:
    for one in (capture("d", 22.6e3, 95.0), capture("a", 21.61e3, 119.0)):
        assert guarded(LINE, line(), [one]) == (one,)
    shorted = Capture("d", Condition.SHORTED, Observation(A, 37e3, 1.9), "one turn")
    assert guarded(LINE, line(), [shorted]) == (shorted,)


def test_taken_anyway_it_stays_marked_in_file_and_findings() -> None:
    taken = guarded(LINE, line(), [capture("d", 21.6e3, 30.0)], anyway=True)
    back = decode(encode(line().having(taken)))
    assert back.marked() == (f"d: {taken[0].mark}",)
    assert "Q 30" in back.marked()[0]
    assert find([Observation(A, 21.6e3, 110.0)], back).verdict.marked == back.marked()


def test_a_withdrawn_unit_is_gone_and_its_reason_kept() -> None:
    after = decode(encode(line().without("b", "shorted after all")))
    assert after.units() == ("a", "c")
    assert after.withdrawn == (("b", "shorted after all"),)
    with pytest.raises(ReferenceMismatch, match="no unit z; its good units: a, c"):
        after.without("z", "whatever")
    with pytest.raises(ReferenceMismatch, match="say why"):
        after.without("a", " ")
