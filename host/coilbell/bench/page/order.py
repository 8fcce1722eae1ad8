"""Orders from a page, as JSON: `{"do": "wish", "capacitor": "both"}`; checked before anything acts."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from coilbell.bench.examination.guide import Choice
from coilbell.bench.facts.trend import LONGEST_MARK
from coilbell.errors import InputError

__all__ = [
    "MOST_BYTES",
    "Begin",
    "Choose",
    "End",
    "Examine",
    "Keep",
    "Mark",
    "MarkTrend",
    "Next",
    "Note",
    "Observe",
    "Order",
    "Run",
    "Seen",
    "Strike",
    "Take",
    "TakeBackEnd",
    "Whole",
    "WishFor",
    "Withdraw",
    "Work",
    "order_of",
]

MOST_BYTES = 16_384
"""Longest message accepted from a page [bytes]."""


class _Order(msgspec.Struct, frozen=True, tag_field="do", forbid_unknown_fields=True):
    pass


class Run(_Order, frozen=True, tag="run"):
    """Strike on and on, or stop."""

    on: bool


class Strike(_Order, frozen=True, tag="strike"):
    """One shot with each chosen capacitor."""


class WishFor(_Order, frozen=True, tag="wish"):
    """A change of what is asked; what is left out stays."""

    capacitor: str | None = None
    connection: str | None = None
    reference: str | None = None
    kind: str | None = None
    prior: str | None = None
    """Probability of a shorted turn before the ring, such as "0.3" or "30%"."""


class Next(_Order, frozen=True, tag="next"):
    """The next choice of what is asked: "capacitor", "reference" or "kind"."""

    wish: Literal["capacitor", "reference", "kind"]


class Mark(_Order, frozen=True, tag="mark"):
    """Add the last ring to a reference: good, or shorted on purpose when `how` says what was shorted.

    anyway: a good one that is doubted is taken all the same, and stays marked.
    """

    reference: str
    unit: str
    how: str = ""
    anyway: bool = False


class Keep(_Order, frozen=True, tag="keep"):
    """Keep the last ring in the bench log under an item; with words when there are some."""

    item: str
    words: str = ""


class Note(_Order, frozen=True, tag="note"):
    """A note on an item of the bench log."""

    item: str
    words: str


class Work(_Order, frozen=True, tag="work"):
    """Put an item of the bench log on the bench; "" for none."""

    item: str


class Begin(_Order, frozen=True, tag="begin"):
    """Begin the item's isolation worksheet; again: although there is one."""

    item: str
    kind: str
    qualified: str = "none"
    again: bool = False


class Observe(_Order, frozen=True, tag="observe"):
    """A reading in the item's worksheet: an outcome that was seen and how sure, or numbers and the meter."""

    item: str
    step: str
    outcome: str = ""
    numbers: str = ""
    sure: str = ""
    meter: str = ""


class Withdraw(_Order, frozen=True, tag="withdraw"):
    """Take a reading of the item's worksheet back."""

    item: str
    entry: int
    why: str


class Examine(_Order, frozen=True, tag="examine"):
    """Begin a guided examination of an item; what: name of a reference or of a kind of winding."""

    item: str
    what: str
    in_circuit: bool = False


class Choose(_Order, frozen=True, tag="choose"):
    """Answer what the examination of an item asks."""

    item: str
    choice: Choice


class MarkTrend(_Order, frozen=True, tag="event"):
    """What was done to the winding while it is watched: "heated", "cooled", "tapped", or other words."""

    words: Annotated[str, msgspec.Meta(min_length=1, max_length=LONGEST_MARK)]


class End(_Order, frozen=True, tag="end"):
    """What the item was in the end, how it was seen, and how sure, such as "0.9" or "90%"."""

    item: str
    cause: str
    how: str = ""
    sure: str = ""


class TakeBackEnd(_Order, frozen=True, tag="unend"):
    """Let an end of the item no longer count; it stays kept. cause: which."""

    item: str
    cause: str
    why: str


class Take(_Order, frozen=True, tag="take"):
    """Take over command from another page."""


class Seen(_Order, frozen=True, tag="seen"):
    """The page has drawn a shot, or passed over it, and may be sent the next."""


class Whole(_Order, frozen=True, tag="whole"):
    """The last shot with every sample, to look at closely."""


Order = (
    Run
    | Strike
    | WishFor
    | Next
    | Mark
    | Keep
    | Note
    | Work
    | Begin
    | Observe
    | Withdraw
    | Examine
    | Choose
    | MarkTrend
    | End
    | TakeBackEnd
    | Seen
    | Take
    | Whole
)

_DECODER = msgspec.json.Decoder(Order)


def order_of(message: str | bytes) -> Order:
    """The order in a message; raises InputError that says what is wrong with it."""
    if len(message) > MOST_BYTES:
        raise InputError(f"a message of {len(message)} bytes; orders are shorter than {MOST_BYTES}")
    try:
        order: Order = _DECODER.decode(message)
    except (msgspec.DecodeError, UnicodeError) as error:
        raise InputError(f"not an order this page's server knows ({error}); reload the page") from error
    return order
