"""How much of an answer a request may take at most, whatever a board sends: silence, time, frames, bytes.

From the table that both sides share (`frame.SLOWEST_MS`): PATIENCE times the slowest that was seen, and never
less than PATIENCE times the silence that a board at work may keep.
"""

from __future__ import annotations

from dataclasses import dataclass

from coilbell.board import frame

__all__ = ["Bounds", "bounds"]

_TEXTS = {"hello": 2, "capture": 1}
"""Frames of text before END; of the requests not named one."""
_ALIVES_PER_S = 20
"""Signs of life a second, far more than a board sends (own choice)."""
_DEBRIS = 1 << 17
"""Bytes that are no part of the answer: noise, a traceback, the shot of an earlier request (own choice)."""
_OVERHEAD = frame.HEAD_SIZE + 4


@dataclass(frozen=True, slots=True)
class Bounds:
    """What is waited for and taken, at most."""

    silence_s: float
    whole_s: float
    frames: int
    """Frames with the id of the request, ALIVE among them."""
    bytes: int


def bounds(word: str, keys: dict[str, object], silence_s: float | None = None) -> Bounds:
    """The bounds of the answer to a request.

    word, keys: the request; silence_s: the longest silence of a board that is slower than the table says,
    such as one in software [s], else None.
    """
    shots = int(str(keys["shots"])) * int(str(keys["interleave"])) if word == "capture" else 0
    silence, whole = (frame.PATIENCE * max(ms, frame.ALIVE_MS) / 1000 for ms in frame.SLOWEST_MS[word])
    slower = 1.0 if silence_s is None else silence_s / silence
    whole_s = slower * (silence + whole * max(1, shots))
    texts = _TEXTS.get(word, 1) + 1
    alive = round(_ALIVES_PER_S * whole_s) + 1
    data = frame.SHOT_SIZE + 2 * int(str(keys["samples"])) if shots else 0
    return Bounds(
        slower * silence,
        whole_s,
        texts + shots + alive,
        texts * frame.MAX_TEXT + shots * data + (texts + shots) * _OVERHEAD + alive * 64 + _DEBRIS,
    )
