"""Recordings of a line whistle in words.

facts = listening_facts(listening)      ready for JSON, with a schema number
text  = listening_text(facts)           the same dict in words, 80 columns
"""

from __future__ import annotations

from typing import Any

from coilbell.bench.words.fit import wrapped
from coilbell.isolate import Heard, Listening
from coilbell.quantities import concise

__all__ = ["LISTENING_SCHEMA", "listening_facts", "listening_text"]

LISTENING_SCHEMA = 1
"""Number of the layout `listening_facts` gives."""


def listening_facts(listening: Listening, title: str = "") -> dict[str, Any]:
    """Everything shown of a recording, ready for JSON."""
    line = listening.line
    return {
        "schema": LISTENING_SCHEMA,
        "what": "listening",
        "title": title,
        "rate_hz": listening.rate_hz,
        "seconds": listening.seconds,
        "line": None if line is None else _heard(line),
        "tones": [_heard(h) for h in listening.heard],
        "silence_counts": listening.silence_counts,
        "warnings": list(listening.warnings),
    }


def listening_text(facts: dict[str, Any]) -> str:
    """The dict of `listening_facts` in words."""
    title = f"{facts['title']}: " if facts["title"] else ""
    lines = [wrapped(title + _heard_line(facts["line"]), indent=0)]
    lines += _heard_more(facts["line"]) if facts["line"] else []
    others = [t for t in facts["tones"] if t != facts["line"]]
    for tone in others:
        lines.append(wrapped(f"also {_tone_words(tone)}"))
        lines += [wrapped(f"- {warning}", indent=4) for warning in tone["warnings"]]
    lines += [wrapped(f"warning: {warning}") for warning in facts["warnings"]]
    if facts["line"]:
        lines.append(
            wrapped(
                "it says that the line stage is driven, not that the high voltage is there, nor whose it is"
            )
        )
    elif facts["silence_counts"]:
        lines.append(wrapped("a line stage may run too quietly for this microphone: weak evidence of a stop"))
    lines.append(wrapped(f"{facts['seconds']:.3g} s at {facts['rate_hz']:.0f} samples a second"))
    return "\n".join(lines)


def _heard(heard: Heard) -> dict[str, Any]:
    tone = heard.tone
    return {
        "frequency_hz": tone.frequency_hz,
        "standard_uncertainty_hz": tone.uncertainty_hz,
        "without_clock_hz": tone.noise_hz,
        "over_noise_db": tone.over_noise_db,
        "level": tone.level,
        "wander_hz": tone.wander_hz,
        "rates": [{"name": r.name, "hz": r.hz, "source": r.source, "deviations": d} for r, d in heard.rates],
        "near": None if heard.near is None else {"name": heard.near.name, "hz": heard.near.hz},
        "warnings": list(heard.warnings),
    }


def _heard_line(line: dict[str, Any] | None) -> str:
    return "no tone near a line rate" if line is None else _tone_words(line)


def _tone_words(tone: dict[str, Any]) -> str:
    figure = concise(tone["frequency_hz"], tone["standard_uncertainty_hz"], "Hz")
    strength = f"{figure}, {tone['over_noise_db']:.0f} dB over the noise"
    if tone["rates"]:
        names = " or ".join(f"{r['name']} ({r['hz']:.1f} Hz)" for r in tone["rates"])
        return f"{strength}: agrees with {names}"
    if tone["near"]:
        off = 100 * (tone["frequency_hz"] / tone["near"]["hz"] - 1)
        return f"{strength}: {off:+.2f} % from {tone['near']['name']}, as an oscillator running free"
    return f"{strength}: no line rate is near"


def _heard_more(line: dict[str, Any]) -> list[str]:
    own = concise(line["frequency_hz"], line["without_clock_hz"], "Hz")
    return [
        wrapped(f"without the sound card's clock it would be {own}"),
        *(wrapped(f"source: {r['source']}") for r in line["rates"]),
        *(wrapped(f"warning: {warning}") for warning in line["warnings"]),
    ]
