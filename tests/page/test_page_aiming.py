"""When the live page has the pulse aimed anew."""

from __future__ import annotations

from coilbell.bench.page.aiming import Aiming
from coilbell.bench.page.judgedshot import JudgedShot
from coilbell.decay import Doubt, DoubtKind, Fit
from handmade import handmade_fit, handmade_mode, handmade_record, handmade_silence


def suit(aiming: Aiming, *fits: Fit, letter: str = "A") -> list[bool]:
    record = handmade_record()
    return [
        aiming.suits(JudgedShot(n, 0.0, letter, record, fit, None, None, None)) for n, fit in enumerate(fits)
    ]


def peak(volts: float) -> Fit:
    return handmade_fit(handmade_mode(amplitude=volts))


def test_the_first_peak_of_each_capacitor_may_drift_but_not_jump() -> None:
    aiming = Aiming()
    assert suit(aiming, peak(0.8), peak(0.45), peak(0.85)) == [True, True, True]
    assert suit(aiming, peak(0.2), letter="B") == [True], "another capacitor rings lower"
    assert suit(aiming, peak(0.4), peak(0.4)) == [False, True]
    assert suit(aiming, peak(0.9)) == [False]


def test_ten_shots_without_a_ring_and_then_ten_more() -> None:
    aiming = Aiming()
    assert suit(aiming, *[handmade_silence()] * 20) == ([True] * 9 + [False]) * 2
    assert suit(aiming, *[handmade_silence()] * 9, peak(0.3), *[handmade_silence()] * 9) == [True] * 19


def test_a_clipped_ring_was_struck_too_hard() -> None:
    clipped = handmade_fit(
        doubts=(Doubt(DoubtKind.CLIPPED, "12 samples at the end of the range", 12.0, 0.0),)
    )
    assert suit(Aiming(), clipped) == [False]
