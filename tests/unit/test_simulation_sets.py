"""Whole sets round a winding: what conducts, what a step takes off, what has failed."""

from __future__ import annotations

import numpy as np
import pytest

from coilbell.board.simulation import SET_FAULTS, Winding, catalogue
from coilbell.board.virtual import parse
from coilbell.errors import InputError
from coilbell.terms import RECORDED

OFF = ("yoke-off", "tube-base-off", "return-lifted", "coils-off")


def ring(part: str, state: str, done: tuple[str, ...] = (), seed: int = 3):
    mode = Winding(catalogue.part(part, seed), state, done=done).ring_mode(22e-9)
    assert mode is not None
    return mode


def test_unplugging_brings_a_sound_winding_back_to_its_own_ring_but_for_the_tuning():
    alone, whole = ring("line-set-1", "healthy"), ring("line-set-1", "in-set")
    bare = ring("line-set-1", "in-set", OFF)
    assert whole.q < 0.1 * alone.q
    assert bare.q == pytest.approx(alone.q, rel=0.2)
    assert 0.8 < bare.frequency_hz / alone.frequency_hz < 1.0


@pytest.mark.parametrize(
    ("step", "fault"), [("yoke-off", "yoke-shorted"), ("rectifiers-tested", "rectifier-shorted")]
)
def test_a_fault_goes_with_the_step_that_takes_it_off(step, fault):
    rest = tuple(s for s in OFF if s != step)
    sound = ring("line-set-2", "in-set", (*rest, step))
    assert ring("line-set-2", f"in-set,{fault}", (*rest, step)).q == pytest.approx(sound.q, rel=1e-9)
    assert ring("line-set-2", f"in-set,{fault}", rest).q < 0.5 * sound.q


def test_a_set_conducts_with_amplitude_and_a_bare_winding_does_not():
    part = catalogue.part("line-set-3", 5)
    pulses = (0.4e-6, 2.4e-6)
    small, large = Winding(part, "in-set,damper-leaky", done=OFF).ladder(22e-9, pulses, 500e3, 600, 8)
    assert np.max(np.abs(large * pulses[0] / pulses[1] - small)) > 0.03 * np.max(np.abs(small))
    small, large = Winding(part, "healthy").ladder(22e-9, pulses, 500e3, 600, 8)
    # What is left is the pulse's own width, which is not an impulse.
    assert np.max(np.abs(large * pulses[0] / pulses[1] - small)[20:]) < 0.25 * np.max(np.abs(small))


def test_runs_that_march_together_are_those_that_march_alone():
    world = Winding(catalogue.part("switch-set-2", 1), "in-set,rectifier-hot")
    both = world.ladder(22e-9, (0.3e-6, 1.1e-6), 500e3, 300, 8)
    for row, pulse in zip(both, (0.3e-6, 1.1e-6), strict=True):
        alone = world.ring(22e-9, pulse, 500e3, 300, 8)
        np.testing.assert_allclose(row, alone, atol=2e-3 * np.max(np.abs(alone)))


def test_names_that_cannot_be_are_told_with_those_that_can():
    part = catalogue.part("line-set-1", 1)
    with pytest.raises(InputError, match="takes what is wrong after commas"):
        Winding(part, "in-set,teapot")
    with pytest.raises(InputError, match="no step 'yoke'"):
        Winding(part, "in-set", done=("yoke",))
    with pytest.raises(InputError, match="no state 'in-set'"):
        Winding(catalogue.part("moss-choke"), "in-set")
    with pytest.raises(InputError, match="line-set-1"):
        catalogue.part("line-set-x")


def test_an_address_carries_the_steps():
    address = parse("virtual:?part=line-set-7&state=in-set,turn-dead&done=yoke-off,tube-base-off&seed=2")
    assert address.steps == ("yoke-off", "tube-base-off")
    assert parse(str(address)) == address


@pytest.mark.parametrize("number", range(1, 13))
def test_drawn_families_ring_as_their_trade_does(number):
    # Common practice, no published source: 80 to 180 for line-output parts, 30 to 150 for others.
    for kind, low, high in (("line", 60, 220), ("switch", 30, 260)):
        mode = ring(f"{kind}-set-{number}", "healthy")
        assert low < mode.q < high
        assert 5e3 < mode.frequency_hz < 80e3


def test_the_steps_of_the_virtual_set_are_those_that_a_ring_may_say_were_done():
    """One vocabulary: what --done takes, the virtual board takes, and each fault names a step of it."""
    for step in RECORDED:
        assert Winding(catalogue.part("line-set-1", 3), "in-set", done=(step,)).ring_mode(22e-9) is not None
    assert {step for _, step in SET_FAULTS.values() if step} <= set(RECORDED)


@pytest.mark.parametrize("fault", [name for name, (_, step) in SET_FAULTS.items() if step])
def test_a_set_whose_fault_was_found_rings_as_a_sound_one(fault):
    name = "switch-set-1" if fault.startswith(("clamp", "snubber")) else "line-set-2"
    part, step = catalogue.part(name, 3), SET_FAULTS[fault][1]
    if fault == "rail-rectifier-shorted" and len(part.appliance.rails) < 2:
        pytest.skip("this set has one rail")
    ill, sound = (
        Winding(part, state, done=(step,)).ring_mode(22e-9) for state in (f"in-set,{fault}", "in-set")
    )
    assert (ill is None) == (sound is None)
    if ill is not None:
        assert ill.q == pytest.approx(sound.q, rel=1e-9)
