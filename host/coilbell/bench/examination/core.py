"""The examination itself: acts and verdict in, what is asked next out. It knows no screen, board or log.

The answer stands, and the examination ends, as soon as the headline says that a turn is shorted or that none
shows; it ends as well when no step is left that is neither done nor skipped.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from coilbell.bench.facts.examination import Act, Begin, Confirm, Onward, Rang, Skip
from coilbell.record import Connection
from coilbell.terms import RECORDED, Headline, Step
from coilbell.winding import NextStep, Verdict

__all__ = ["Asked", "Prompt", "State", "next_prompt", "state_of", "taken_back"]

_ELSEWHERE = frozenset({Step.GOOD_UNITS, Step.KNOWN_GOOD, Step.LOOK_ELSEWHERE, Step.COUNT_FAILED})
"""Steps after which this winding is not rung again."""

_OUT = (Step.WINDINGS_OPEN, Step.RESISTORS_OFF, Step.CLEANED)
"""Recorded steps that mean something out of circuit too."""

_TRIES = {Step.RING_AGAIN: 2}
"""How often a step that no capture records is proposed; once where none is named. Assumed."""

_ANSWERS = (Headline.NO_SHORT, Headline.SHORTED)


class Asked(StrEnum):
    """What the examination waits for."""

    WHAT = "what it is and where"
    CAUTION = "cautions"
    STRIKE = "strike"
    STEP = "step"
    END = "end"


@dataclass(frozen=True, slots=True)
class Prompt:
    """What is asked next. step: proposed, for STEP; stands: for END, whether the answer stands."""

    asked: Asked
    step: NextStep | None = None
    stands: bool = False


@dataclass(frozen=True, slots=True)
class State:
    """Where the examination stands.

    done: recorded steps of the present stage; tried: other steps done since the stage began; rung: whether
    this stage was rung; captures: numbers of all rings that count, last: of the last strike.
    """

    begun: Begin | None = None
    confirmed: bool = False
    connection: Connection = Connection.UNKNOWN
    done: tuple[Step, ...] = ()
    tried: tuple[Step, ...] = ()
    skipped: frozenset[Step] = field(default_factory=frozenset)
    rung: bool = False
    onward: bool = False
    captures: tuple[int, ...] = ()
    last: tuple[int, ...] = ()

    @property
    def smaller(self) -> bool:
        """True where the next ring is to be one of small amplitude."""
        return Step.SMALLER_AMPLITUDE in self.tried


def state_of(acts: Sequence[Act], standing: frozenset[int]) -> State:
    """The state that the acts lead to; standing: captures that were not taken back."""
    state = State()
    for act in acts:
        state = _after(state, act, standing)
    return state


def _after(state: State, act: Act, standing: frozenset[int]) -> State:
    if isinstance(act, Begin):
        where = Connection.IN_CIRCUIT if act.in_circuit else Connection.OUT_OF_CIRCUIT
        return State(begun=act, connection=where)
    if isinstance(act, Confirm):
        return replace(state, confirmed=True)
    if isinstance(act, Skip):
        return replace(state, skipped=state.skipped | {act.step})
    if isinstance(act, Onward):
        return replace(state, onward=True)
    if isinstance(act, Rang):
        there = tuple(number for number in act.captures if number in standing)
        if not there:
            return state
        # The loop comes off with its ring: what is rung next is the winding by itself.
        done = tuple(step for step in state.done if step is not Step.LOOP)
        tried = state.tried + (Step.LOOP,) * (len(state.done) - len(done))
        captures = state.captures + there
        return replace(state, rung=True, onward=False, captures=captures, last=there, done=done, tried=tried)
    return _did(state, act.step)


def _did(state: State, step: Step) -> State:
    fresh = replace(state, rung=False, onward=False, skipped=state.skipped - {step})
    if step is Step.TAKE_OUT:
        left = tuple(one for one in state.done if one in _OUT)
        return replace(fresh, connection=Connection.OUT_OF_CIRCUIT, done=left, tried=())
    if step in RECORDED:
        done = tuple(one for one in RECORDED if one in {*state.done, step})
        return replace(fresh, done=done, tried=())
    return replace(fresh, tried=(*state.tried, step))


def next_prompt(state: State, verdict: Verdict | None) -> Prompt:
    """What is asked next. verdict: by all rings that count, None before the first."""
    if state.begun is None:
        return Prompt(Asked.WHAT)
    if not state.confirmed:
        return Prompt(Asked.CAUTION)
    if not state.rung or verdict is None:
        return Prompt(Asked.STRIKE)
    stands = verdict.headline in _ANSWERS
    if stands and not state.onward:
        return Prompt(Asked.END, stands=True)
    step = next(iter(left_steps(state, verdict)), None)
    return Prompt(Asked.END, stands=stands) if step is None else Prompt(Asked.STEP, step)


def left_steps(state: State, verdict: Verdict) -> list[NextStep]:
    """The verdict's steps that lead to another ring and are neither done nor skipped."""
    tried = Counter(state.tried)
    return [
        one
        for one in verdict.steps
        if one.step not in _ELSEWHERE
        and one.step not in state.done
        and one.step not in state.skipped
        and tried[one.step] < _TRIES.get(one.step, 1)
    ]


def taken_back(acts: Sequence[Act], standing: frozenset[int]) -> int | None:
    """Place of the act that "back" takes back: the last one but for those that already count no longer.

    None at the beginning: with what is examined it begins afresh.
    """
    for place in range(len(acts) - 1, -1, -1):
        act = acts[place]
        if isinstance(act, Begin):
            return None
        if isinstance(act, Rang) and not standing.intersection(act.captures):
            continue
        return place
    return None
