"""Who may do a step, and the words of caution it carries.

A step is done on a dead set, or live at one of three levels, each of which includes the ones before. What
a user is qualified for is their own statement; without one nothing live is instructed.
"""

from __future__ import annotations

from typing import Literal, get_args

from coilbell.errors import InputError

__all__ = ["LEVELS", "Hazard", "Live", "apart", "cautions", "check_level", "may"]

Live = Literal["none", "low voltage", "mains", "high voltage"]
Hazard = Literal["mains", "stored charge", "tube", "high voltage", "low voltage", "hot", "light"]

LEVELS: tuple[str, ...] = get_args(Live)

_DEFER = "Local codes and licensed practice come first."

_WORDS: dict[str, str] = {
    "mains": "Mains voltage kills. Pull the plug before a hand goes in; a live reading is for a person "
    "licensed for it, on an isolating transformer, one hand away from metal.",
    "stored charge": "Reservoir capacitors hold mains-derived charge after the plug is out. Let a person "
    "who knows how discharge them through a resistor rated for it, and measure that it is gone.",
    "tube": "A picture tube holds its charge for days and its neck breaks easily: it implodes. Anode and cup "
    "are made safe to the tube's own ground, with a rated tool, more than once, by a person trained in it; "
    "eyes covered.",
    "high voltage": "Tens of kilovolts jump through air and through ordinary leads. Only equipment and "
    "people rated for that voltage; nothing is touched while it runs.",
    "low voltage": "Measure with one hand, with clips put on while it is off; a slipped probe destroys "
    "more than was wrong.",
    "hot": "Resistors, heat sinks and windings burn the skin. Pull the plug, make stored charge safe, then "
    "judge heat from a distance.",
    "light": "Nothing is opened: keep the back on and hands outside while it runs.",
}


def cautions(hazards: tuple[Hazard, ...]) -> tuple[str, ...]:
    """The words for the hazards of a step; any hazard at all ends with whose rules come first."""
    return (*(_WORDS[hazard] for hazard in hazards), *([_DEFER] if hazards else []))


def apart(words: tuple[str, ...]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Cautions of a step as those that hold before any step at a set, and those of this very step."""
    general = (_WORDS["mains"], _WORDS["stored charge"], _DEFER)
    return tuple(one for one in words if one in general), tuple(one for one in words if one not in general)


def check_level(level: str) -> Live:
    """The level meant. Raises InputError with the choices."""
    for one in get_args(Live):
        if level == one:
            return one  # type: ignore[no-any-return]
    raise InputError(f"qualified for {level[:40]!r}; choose one of: {', '.join(LEVELS)}")


def may(live: Live, qualified: Live) -> bool:
    """True when a step at `live` may be instructed to somebody qualified for `qualified`."""
    return LEVELS.index(live) <= LEVELS.index(qualified)
