"""Messages to a page, in types; each goes over the socket as a JSON object whose "what" is its tag.

Places in the shift plane are pairs of lists (added loss, inductance drop), None where nothing rings. Choices
are pairs (value, words).
"""

from __future__ import annotations

import msgspec

__all__ = [
    "Answer",
    "Asks",
    "Bar",
    "Beat",
    "Cause",
    "Choices",
    "ClosedSheet",
    "Curve",
    "Decay",
    "Envelope",
    "Examination",
    "Fault",
    "FigureWords",
    "Form",
    "Found",
    "GroundLines",
    "Hand",
    "Letter",
    "Marked",
    "Message",
    "Move",
    "Name",
    "NextTest",
    "OpenSheet",
    "Ring",
    "Sheet",
    "Shot",
    "Status",
    "Told",
    "Trend",
    "Whole",
    "Wished",
]

Places = tuple[list[float | None], ...]
Choices = list[tuple[str, str]]


class Message(msgspec.Struct, frozen=True, kw_only=True, tag_field="what"):
    """What is sent by itself."""

    @property
    def what(self) -> str:
        """Its tag."""
        return str(self.__struct_config__.tag)


class _Part(msgspec.Struct, frozen=True, kw_only=True):
    """What stands in a message."""


class Beat(Message, frozen=True, kw_only=True, tag="beat"):
    """The server lives."""


class Answer(Message, frozen=True, kw_only=True, tag="answer"):
    """What became of an order. doubted: the same order once more takes what is doubted all the same."""

    words: str
    failed: bool = False
    doubted: bool = False


class Told(_Part, frozen=True, kw_only=True):
    """A state and its words."""

    state: str
    words: str


class Wished(_Part, frozen=True, kw_only=True):
    """What is asked for."""

    capacitor: str
    connection: str
    reference: str
    kind: str
    prior: str


class Status(Message, frozen=True, kw_only=True, tag="status"):
    """Tester, leads and wish; run: of the server, another one after a restart; commands, pages: filled in for
    each page."""

    running: bool
    unstruck: str
    link: Told
    leads: Told
    wish: Wished
    choices: dict[str, Choices]
    run: str
    commands: bool = False
    pages: int = 0


class FigureWords(_Part, frozen=True, kw_only=True):
    """A figure with its uncertainty and its interval."""

    name: str
    value: str
    interval: str


class Bar(_Part, frozen=True, kw_only=True):
    """How probable something is. share [0..1]."""

    name: str
    words: str
    share: float
    shorted: bool


class Found(_Part, frozen=True, kw_only=True):
    """The verdict beside a ring. parts: heads with their lines."""

    headline: str
    sentence: str
    odds: list[Bar] = []
    odds_words: str = ""
    unseen: str = ""
    parts: list[tuple[str, list[str]]] = []
    next_step: str = ""
    caution: str = ""


class Hand(_Part, frozen=True, kw_only=True):
    """The words of the bar under the hand: q, healthy (the difference to it), and tint, its colour."""

    headline: str
    odds: str
    q: str
    healthy: str
    tint: str


class Curve(_Part, frozen=True, kw_only=True):
    """The fitted curve."""

    at: list[float]
    fit: list[float]


class Envelope(_Part, frozen=True, kw_only=True):
    """The envelope, above and below."""

    at: list[float]
    upper: list[float]
    lower: list[float]


class Decay(_Part, frozen=True, kw_only=True):
    """The decay to draw; times in time_unit from the start of the fitted window."""

    whole: bool
    time_unit: str
    units_per_s: float
    unit: str
    time: list[float]
    sample: list[float]
    curve: Curve
    envelope: Envelope
    caption: str


class Ring(_Part, frozen=True, kw_only=True):
    """Where the judged ring lies over the ground of that key. trail: where those before it lay."""

    at: list[float | None]
    ellipse: Places
    words: str
    key: str = ""
    trail: list[list[float | None]] = []


class Shot(Message, frozen=True, kw_only=True, tag="shot"):
    """A shot with all that is said of it."""

    number: int
    struck_at_ms: float
    title: str
    rate: str
    rings: bool
    figures: list[FigureWords]
    doubts: list[str]
    finding: Found
    hand: Hand
    decay: Decay
    tone_hz: float
    plane: Ring | None = None


class Whole(Shot, frozen=True, kw_only=True, tag="whole"):
    """The last shot with every sample."""


class Fault(_Part, frozen=True, kw_only=True):
    """A line that lies still in the plane."""

    kind: str
    points: Places


class Marked(Fault, frozen=True, kw_only=True):
    """The reference's own units."""


class Letter(_Part, frozen=True, kw_only=True):
    """The letter of a line; at: None where the line runs outside."""

    kind: str
    letter: str
    at: list[float] | None


class Name(_Part, frozen=True, kw_only=True, omit_defaults=True):
    """A name in the key under the plane."""

    kind: str
    words: str
    letter: str = ""


class GroundLines(Message, frozen=True, kw_only=True, omit_defaults=True, tag="ground"):
    """What lies still under the ring; only a key "" takes all of it away."""

    key: str
    ticks: list[list[tuple[float, str]]] = []
    reach: list[list[float]] = []
    lines: list[Fault] = []
    letters: list[Letter] = []
    marks: list[Marked] = []
    names: list[Name] = []


class Examination(Message, frozen=True, kw_only=True, tag="examination"):
    """The guided examination of the item on the bench.

    asked: what it waits for; verdict: by all its rings, in lines; choices: what may be answered, the proposed
    one first; whats: references and kinds to begin with, usual: the proposed one; busy: it is being struck.
    """

    item: str
    asked: str
    words: str
    verdict: tuple[str, ...] = ()
    told: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    choices: Choices = []
    whats: Choices = []
    usual: str = ""
    busy: bool = False
    hand: Hand | None = None


class Trend(Message, frozen=True, kw_only=True, tag="trend"):
    """What was watched, bucket by bucket: mean, lowest, highest of Q [1] and frequency [Hz], odds of a short
    that shows; marks and changes with their words."""

    words: str
    minutes: list[float]
    q: list[tuple[float, float, float]]
    hertz: list[tuple[float, float, float]]
    shows: list[float | None]
    marks: list[tuple[float, str]]
    changes: list[tuple[float, str]]


class Cause(_Part, frozen=True, kw_only=True):
    """A cause with its odds; share [0..1]."""

    name: str
    words: str
    odds: str
    share: float
    reason: str


class Move(_Part, frozen=True, kw_only=True):
    """A reading that moved the odds."""

    words: str
    because: str
    remarks: tuple[str, ...]


class NextTest(_Part, frozen=True, kw_only=True):
    """A test: how to do it, with its own hazards beside that."""

    step: str
    head: str
    how: str
    cautions: tuple[str, ...]
    shows: str


class Asks(_Part, frozen=True, kw_only=True):
    """What the form asks for a step; cautions: the step's own."""

    how: str
    cautions: tuple[str, ...]
    outcomes: Choices
    example: str


class Form(_Part, frozen=True, kw_only=True):
    """The form for a reading."""

    first: str
    fresh: bool
    steps: Choices
    asks: dict[str, Asks]


class Sheet(Message, frozen=True, kw_only=True, tag="sheet"):
    """The worksheet of the item on the bench.

    ends: what it may have been in the end; ended: what it was; standing: each such end, to be taken back.
    """

    item: str
    state: str
    words: str
    kinds: Choices
    levels: Choices
    ends: Choices = []
    ended: str = ""
    standing: Choices = []


class ClosedSheet(Sheet, frozen=True, kw_only=True, tag="sheet"):
    """None that can be shown; state: "none", "unbegun" or "damaged"."""


class OpenSheet(Sheet, frozen=True, kw_only=True, tag="sheet"):
    """One that is open. general: cautions that hold before any step."""

    causes: list[Cause]
    parts: str
    certain: str
    nothing_fits: str
    remarks: tuple[str, ...]
    moves_head: str
    moves: list[Move]
    unmoved: str
    conflicts: list[str]
    general: tuple[str, ...]
    next: NextTest | None
    none_left: str
    settle_words: str
    settle: NextTest | None
    barred: str
    readings: list[tuple[int, str]]
    withdrawn: list[str]
    waiting: str
    form: Form
