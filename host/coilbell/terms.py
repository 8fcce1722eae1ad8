"""Names that several rooms share: what may be wrong, what a set connects, what was done, what is said.

They are values of enumerations, so that no room finds another's meaning by comparing text. They stand below
`record`, since a capture keeps what was done before it.
"""

from __future__ import annotations

from enum import StrEnum

__all__ = ["FOUND", "OLD_SET", "RECORDED", "Attached", "Cause", "Headline", "Silence", "Step", "steps_named"]


OLD_SET = "set: "
"""How the name of a cause began that was a connection in the set, in findings kept before 2026-12-01."""


class Cause(StrEnum):
    """What may be true of a winding; the value is what is kept, `words` what a person reads."""

    NOTHING = "nothing"
    HIDDEN = "hidden short"
    """A shorted turn too slight to show on this part: nothing can tell it from a healthy winding."""
    SHORTED = "shorted turn"
    LEAKY = "leaky turn"
    """A shorted turn that rings as a resistance does: through a contact, or of thin wire."""
    LOAD = "load"
    JUNCTION = "junction"
    CORE = "inductance"
    CAPACITANCE = "capacitance"
    OPEN = "no contact"
    UNKNOWN = "none of these"
    UNKNOWN_SHORT = "short, none of these"

    @property
    def shorted(self) -> bool:
        """True for a turn that is closed on itself."""
        return self in _SHORTED

    @property
    def words(self) -> str:
        """As a person reads it."""
        return _WORDS[self]


FOUND = {
    "sound": Cause.NOTHING,
    "shorted-turn": Cause.SHORTED,
    "leaky-turn": Cause.LEAKY,
    "load": Cause.LOAD,
    "junction": Cause.JUNCTION,
    "core": Cause.CORE,
    "capacitance": Cause.CAPACITANCE,
    "open": Cause.OPEN,
    "other": Cause.UNKNOWN,
}
"""What a winding may be found to be in the end, as it is typed."""

_SHORTED = (Cause.HIDDEN, Cause.SHORTED, Cause.LEAKY, Cause.UNKNOWN_SHORT)

_WORDS = {
    Cause.NOTHING: "nothing wrong",
    Cause.HIDDEN: "a shorted turn too slight to show",
    Cause.SHORTED: "a shorted turn",
    Cause.LEAKY: "a leaky turn",
    Cause.LOAD: "a resistance across a winding",
    Cause.JUNCTION: "a semiconductor that conducts",
    Cause.CORE: "another core, gap or part",
    Cause.CAPACITANCE: "added capacitance",
    Cause.OPEN: "no contact, or an open winding",
    Cause.UNKNOWN: "something not known here",
    Cause.UNKNOWN_SHORT: "a short not known here",
}


class Attached(StrEnum):
    """What a set may connect to a winding; each is there or not by itself."""

    TUNING = "tuning capacitor"
    YOKE = "deflection yoke"
    HEATER = "tube heater"
    COIL = "width or bridge coil"
    RECTIFIER = "shorted rectifier"
    LOAD = "loaded rectifier or leaky device"
    JUNCTION = "junction that conducts"
    SNUBBER = "snubber"
    TUBE = "tube behind a shorted high-voltage rectifier"
    DEVICE = "shorted device"
    YOKE_SHORTED = "yoke with a shorted turn"
    SCHOTTKY = "hot rectifier that conducts"
    CLAMP = "shorted clamp diode"


class Step(StrEnum):
    """What a person may do; those of `RECORDED` are also what may have been done before a ring."""

    YOKE_OFF = "yoke-off"
    TUBE_BASE_OFF = "tube-base-off"
    RETURN_LIFTED = "return-lifted"
    COILS_OFF = "coils-off"
    RECTIFIERS_TESTED = "rectifiers-tested"
    DEVICE_TESTED = "device-tested"
    CAPACITOR_LIFTED = "capacitor-lifted"
    WINDINGS_OPEN = "windings-open"
    RESISTORS_OFF = "resistors-off"
    CLEANED = "cleaned"
    LOOP = "loop-round-core"
    """A closed loop of wire lies round the core: a check, whose ring is not the winding's own."""
    TAKE_OUT = "take it out"
    RING_AGAIN = "ring again"
    SECOND_CAPACITOR = "second test capacitor"
    SMALLER_AMPLITUDE = "smaller amplitude"
    SAME_TEMPERATURE = "same temperature"
    CHECK_LEADS = "check the leads"
    CONTINUITY = "continuity"
    CHECK_CAPACITOR = "check the test capacitor"
    CHECK_CORE = "check the core"
    CHECK_WINDING = "check which winding"
    GOOD_UNITS = "good units"
    KNOWN_GOOD = "known good part"
    LOOK_ELSEWHERE = "look elsewhere"
    COUNT_FAILED = "count as failed"


RECORDED = (
    Step.YOKE_OFF,
    Step.TUBE_BASE_OFF,
    Step.RETURN_LIFTED,
    Step.COILS_OFF,
    Step.RECTIFIERS_TESTED,
    Step.DEVICE_TESTED,
    Step.CAPACITOR_LIFTED,
    Step.WINDINGS_OPEN,
    Step.RESISTORS_OFF,
    Step.CLEANED,
    Step.LOOP,
)
"""Steps that a capture may say were done before it, in the order they are listed."""


def steps_named(names: str) -> tuple[Step, ...]:
    """The recorded steps of a list such as "yoke-off, tube-base-off", each once, in the order of `RECORDED`.

    Raises ValueError with the first name that is none; an empty text is no step.
    """
    asked = [name.strip().lower() for name in names.split(",") if name.strip()]
    known = {str(step): step for step in RECORDED}
    for name in asked:
        if name not in known:
            raise ValueError(name)
    return tuple(step for step in RECORDED if str(step) in asked)


class Silence(StrEnum):
    """Why nothing rang."""

    OPEN = "open winding or lead"
    TOUCHING = "touching leads"
    ACROSS = "a device across the winding"
    DEEP = "a short too deep to ring"


class Headline(StrEnum):
    """What is said first of a winding."""

    NO_SHORT = "no shorted turn shows"
    SHORTED = "a turn is shorted"
    OPEN = "open question"
    NO_RING = "no ring"
    AGAIN = "ring again"
    ANOTHER = "another winding?"
    TWO_WINDINGS = "open question: these are two different windings"
