"""What a face of the examination shows and what its answers do: the terminal and the page have no more logic.

A face shows a `Question` with its choices, hands the answer to `answered`, and strikes where that says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from coilbell.bench.examination.core import Asked, left_steps
from coilbell.bench.examination.desk import Desk
from coilbell.bench.examination.handover import in_sheet
from coilbell.bench.facts.examination import Confirm, Did, Onward, Skip
from coilbell.bench.log import kept_facts
from coilbell.bench.shelf import Shelf
from coilbell.errors import InputError
from coilbell.figure import percent
from coilbell.isolate import cautions
from coilbell.terms import Step
from coilbell.winding import KINDS, verdict_lines

__all__ = ["Choice", "Question", "Struck", "answered", "beginnings", "question", "verdict_of"]

_OUT_OF_CIRCUIT = (
    "The leads go on a part that is out of its set, with nothing else on it.",
    "Never connect the tester to anything live or charged.",
)
_IN_CIRCUIT = (
    "The leads go on a set that is off, unplugged and discharged.",
    "Never on a live one; their voltage is measured before each shot.",
)
_LOOP = (
    "The loop goes on a part out of its set and comes off before the part goes back: in a set that runs it "
    "carries a current that burns.",
)


class Choice(StrEnum):
    """What may be answered. GO: what is proposed."""

    GO = "go"
    SKIP = "skip"
    RING = "ring"
    BACK = "back"
    ONWARD = "onward"


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked. told: what is known besides, a line each; choices: what may be answered."""

    asked: Asked
    words: str
    cautions: tuple[str, ...] = ()
    told: tuple[str, ...] = ()
    choices: tuple[Choice, ...] = ()


@dataclass(frozen=True, slots=True)
class Struck:
    """What became of an answer: words, and whether the winding is to be struck now."""

    words: str = ""
    strike: bool = False


def beginnings(desk: Desk) -> tuple[list[str], str]:
    """References that may judge it, and the one or the kind that is proposed, "" for none."""
    names = list(Shelf(desk.store).names())
    item = desk.drawer.item
    usual = item.kind if item and item.kind in KINDS else ""
    return names, names[0] if len(names) == 1 else usual


def question(desk: Desk) -> Question:
    """What is asked next."""
    prompt = desk.prompt
    if prompt.asked is Asked.WHAT:
        return Question(prompt.asked, "what it is, and whether it is connected in its set")
    if prompt.asked is Asked.CAUTION:
        begun = desk.state.begun
        told = (
            (*_IN_CIRCUIT, *cautions(("mains", "stored charge")))
            if begun and begun.in_circuit
            else _OUT_OF_CIRCUIT
        )
        return Question(prompt.asked, "so it is", told, choices=(Choice.GO,))
    if prompt.asked is Asked.STRIKE:
        return Question(
            prompt.asked, f"strike it, {_how(desk)}", told=_told(desk), choices=(Choice.GO, Choice.BACK)
        )
    if prompt.step is not None:
        loop = _LOOP if prompt.step.step is Step.LOOP else ()
        choices = (Choice.GO, Choice.SKIP, Choice.RING, Choice.BACK)
        return Question(prompt.asked, prompt.step.words, loop, _told(desk), choices)
    finding = desk.finding
    goes_on = finding is not None and prompt.stands and left_steps(desk.state, finding.verdict)
    words = "the answer stands" if prompt.stands else "no step is left that would tell more"
    choices = (Choice.GO, *((Choice.ONWARD,) if goes_on else ()), Choice.RING, Choice.BACK)
    return Question(prompt.asked, words, told=(*_told(desk), *_suspects(desk)), choices=choices)


def answered(desk: Desk, choice: Choice) -> Struck:
    """Do what was answered. Raises InputError for what is not among the choices."""
    now = question(desk)
    if choice not in now.choices:
        raise InputError(f"{choice}: is not asked now; what is asked: {now.words}")
    step = desk.prompt.step
    if choice is Choice.BACK:
        back = desk.back()
        return Struck(f"taken back: {back}" if back else "nothing to take back; begin afresh instead")
    if choice is Choice.RING or now.asked is Asked.STRIKE:
        return Struck(strike=True)
    if choice is Choice.ONWARD:
        desk.act(Onward())
    elif now.asked is Asked.CAUTION:
        desk.act(Confirm())
    elif step is not None:
        desk.act(Skip(step=step.step) if choice is Choice.SKIP else Did(step=step.step))
        return Struck(strike=choice is Choice.GO)
    return Struck()


def verdict_of(desk: Desk, title: str) -> tuple[str, ...]:
    """The verdict by all rings, in lines; without the steps and caution of a question that follows it."""
    from dataclasses import replace

    if desk.finding is None:
        return ()
    verdict = desk.finding.verdict
    if desk.prompt.asked is not Asked.END:
        verdict = replace(verdict, steps=(), caution="")
    return verdict_lines(verdict, title)


def _how(desk: Desk) -> str:
    """How the winding is connected at the next ring."""
    state = desk.state
    loop = ", with the loop round its core" if Step.LOOP in state.done else ""
    return f"{state.connection}{loop}"


def _told(desk: Desk) -> tuple[str, ...]:
    """What a loop round the core showed."""
    reasons = desk.finding.reasons if desk.finding else ()
    return tuple(reason for reason in reasons if reason.startswith("check: "))


def _suspects(desk: Desk) -> tuple[str, ...]:
    """Where a worksheet of the item is open: the ring is in it, and the part that it suspects next."""
    log, item = desk.drawer.log, desk.drawer.item
    facts = kept_facts(log, item) if item is not None else None
    if facts is None or item is None:
        return ()
    first = ", ".join(f"{one.part} {percent(one.probability)}" for one in facts.parts[:2])
    return (in_sheet(log, item), f"worksheet, part to suspect next: {first}")
