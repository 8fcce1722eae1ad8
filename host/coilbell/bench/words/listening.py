"""Facts of a recording of a line whistle in words of 80 columns."""

from __future__ import annotations

from coilbell.bench.facts.listening import ListeningFacts, ToneFacts
from coilbell.bench.words.fit import wrapped
from coilbell.quantities import concise

__all__ = ["listening_text"]


def listening_text(facts: ListeningFacts) -> str:
    """The facts in words."""
    title = f"{facts.title}: " if facts.title else ""
    lines = [wrapped(title + _heard_line(facts.line), indent=0)]
    lines += _heard_more(facts.line) if facts.line else []
    others = [t for t in facts.tones if t != facts.line]
    for tone in others:
        lines.append(wrapped(f"also {_tone_words(tone)}"))
        lines += [wrapped(f"- {warning}", indent=4) for warning in tone.warnings]
    lines += [wrapped(f"warning: {warning}") for warning in facts.warnings]
    if facts.line:
        lines.append(
            wrapped(
                "it says that the line stage is driven, not that the high voltage is there, nor whose it is"
            )
        )
    elif facts.silence_counts:
        lines.append(wrapped("a line stage may run too quietly for this microphone: weak evidence of a stop"))
    lines.append(wrapped(f"{facts.seconds:.3g} s at {facts.rate_hz:.0f} samples a second"))
    return "\n".join(lines)


def _heard_line(line: ToneFacts | None) -> str:
    return "no tone near a line rate" if line is None else _tone_words(line)


def _tone_words(tone: ToneFacts) -> str:
    figure = concise(tone.frequency_hz, tone.standard_uncertainty_hz, "Hz")
    strength = f"{figure}, {tone.over_noise_db:.0f} dB over the noise"
    if tone.rates:
        names = " or ".join(f"{r.name} ({r.hz:.1f} Hz)" for r in tone.rates)
        return f"{strength}: agrees with {names}"
    if tone.near:
        off = 100 * (tone.frequency_hz / tone.near.hz - 1)
        return f"{strength}: {off:+.2f} % from {tone.near.name}, as an oscillator running free"
    return f"{strength}: no line rate is near"


def _heard_more(line: ToneFacts) -> list[str]:
    own = concise(line.frequency_hz, line.without_clock_hz, "Hz")
    return [
        wrapped(f"without the sound card's clock it would be {own}"),
        *(wrapped(f"source: {r.source}") for r in line.rates),
        *(wrapped(f"warning: {warning}") for warning in line.warnings),
    ]
