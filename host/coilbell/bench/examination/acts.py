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

import msgspec

from coilbell.bench.facts.base import Count, Facts
from coilbell.errors import FileError
from coilbell.terms import Step

__all__ = ["SCHEMA", "Act", "Begin", "Confirm", "Did", "Onward", "Rang", "Skip", "parsed_act"]

SCHEMA = 1
"""Number of the layout of an act."""


class _Act(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="what"):
    schema: int = SCHEMA

    def __post_init__(self) -> None:
        if self.schema != SCHEMA:
            raise ValueError(
                f"has examination schema {self.schema}, this version knows {SCHEMA}; update coilbell"
            )


class Begin(_Act, frozen=True, kw_only=True, tag="begin"):
    """What is examined and how it is connected at first."""

    kind: str
    reference: str
    in_circuit: bool
    since: Count = 0


class Confirm(_Act, frozen=True, kw_only=True, tag="confirm"):
    """The cautions were read and confirmed."""


class Did(_Act, frozen=True, kw_only=True, tag="did"):
    """A step was done."""

    step: Step


class Skip(_Act, frozen=True, kw_only=True, tag="skip"):
    """A step is not wanted."""

    step: Step


class Rang(_Act, frozen=True, kw_only=True, tag="rang"):
    """The winding was struck. captures: numbers in the log."""

    captures: tuple[Count, ...]


class Onward(_Act, frozen=True, kw_only=True, tag="onward"):
    """The examination goes on although the answer stands."""


Act = Begin | Confirm | Did | Skip | Rang | Onward


def parsed_act(text: str, where: str) -> Act:
    """A kept act. Raises FileError, which names where it stood."""
    try:
        return msgspec.json.decode(text, type=Act)
    except (msgspec.DecodeError, UnicodeError, RecursionError) as error:
        raise FileError(
            f"{where}: is no act of an examination ({' '.join(str(error).split())[:200]}); restore the log "
            "from a backup, or begin afresh with --again"
        ) from error
