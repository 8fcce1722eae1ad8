"""Acts of a guided examination, in types, as they are kept.

::

    begin      kind, reference ("" for none), in_circuit, since: captures up to this number are older
    confirm    the cautions were read
    did        step that was done
    skip       step that is not wanted
    rang       captures: their numbers in the log
    onward     goes on although the answer stands
"""

from __future__ import annotations

from coilbell.bench.facts.base import Count, Noted, facts_of
from coilbell.errors import FileError
from coilbell.terms import Step

__all__ = ["Act", "Begin", "Confirm", "Did", "Onward", "Rang", "Skip", "parsed_act"]


class Begin(Noted, frozen=True, kw_only=True, tag="begin"):
    """What is examined and how it is connected at first."""

    kind: str
    reference: str
    in_circuit: bool
    since: Count = 0


class Confirm(Noted, frozen=True, kw_only=True, tag="confirm"):
    """The cautions were read and confirmed."""


class Did(Noted, frozen=True, kw_only=True, tag="did"):
    """A step was done."""

    step: Step


class Skip(Noted, frozen=True, kw_only=True, tag="skip"):
    """A step is not wanted."""

    step: Step


class Rang(Noted, frozen=True, kw_only=True, tag="rang"):
    """The winding was struck. captures: numbers in the log."""

    captures: tuple[Count, ...]


class Onward(Noted, frozen=True, kw_only=True, tag="onward"):
    """The examination goes on although the answer stands."""


Act = Begin | Confirm | Did | Skip | Rang | Onward


def parsed_act(text: str, where: str) -> Act:
    """A kept act. Raises FileError, which names where it stood."""
    try:
        return facts_of(text, Act, where)  # type: ignore[arg-type]
    except FileError as error:
        raise FileError(f"{error}; restore the log from a backup, or begin afresh with --again") from error
