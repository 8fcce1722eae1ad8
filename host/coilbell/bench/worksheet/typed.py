"""What a technician types after a step's name -> evidence.

    rails       142=79 33=18.4 9=5                  nominal = reading
    parallel    read=19 parts=150,22 tolerance=5%
    power       ohms=1.2 volts=2.4 rating=9 celsius=140 ambient=25
    ratio       expected=9.1n read=9.0n spread=5%
    line rate   wav=FILE hz=15625 channel=1            or hz=15625 read=15590 uncertainty=2
    ring        finding=FILE.json or finding=log       or log10=-2.1

Every step also takes one of its outcomes as a single word. A meter's uncertainty follows from its
specification and from the last digit that was typed.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from coilbell.bench.facts.finding import FindingFacts
from coilbell.bench.facts.judgement import Judgement, judgement_facts
from coilbell.bench.files.bounded import bounded
from coilbell.bench.files.encoding import text_of
from coilbell.errors import FileError, InputError
from coilbell.isolate import (
    RAIL_SCATTER,
    Evidence,
    Meter,
    Ratio,
    Reading,
    Step,
    common_ratio,
    dissipation,
    line_rate_evidence,
    listen,
    parallel,
    ratio_evidence,
    ratio_of_ring,
    reading_over_network,
    ring_evidence,
    seen,
    tone_evidence,
)
from coilbell.quantities import concise, parse
from coilbell.winding import Explanation

__all__ = ["evidence_of", "fraction", "meter_of", "prior", "sound"]

_LARGEST_FINDING = 10_000_000

_SURE = 0.95
"""Share among all outcomes, held equally likely before, from which a ring is told by one; assumed, as for a
verdict."""

_LARGEST_READING = 1e9
"""No meter at the bench reads more, in whatever unit it shows; common practice."""

_BEYOND = 3.0
"""Times the highest ratio that any outcome of a step stands for, from which a reading is asked again: a
decimal point, a range or a lead is likelier than the ratio. Assumed."""
Pairs = dict[str, str]


def evidence_of(
    step: Step,
    words: Sequence[str],
    *,
    meter: Meter | None = None,
    sure: float = 1.0,
    finding: Judgement | None = None,
) -> Evidence:
    """Evidence of what was typed.

    finding: the facts that `finding=log` stands for. Raises InputError or FileError.
    """
    if len(words) == 1 and words[0] in {o.key for o in step.outcome}:
        return seen(step, words[0], sure)
    if step.measure == "seen":
        raise InputError(f"{step.key}: takes one of its outcomes: {_outcomes(step)}; such as {step.enter!r}")
    if sure != 1:
        raise InputError("--sure goes with an outcome that was seen; numbers carry their own uncertainty")
    pairs = _pairs(step, words)
    if step.measure == "ring":
        return _ring(step, pairs, finding)
    found = _MEASURES[step.measure](step, pairs, meter or Meter())
    return replace(found, words=f"{step.outcome[found.best].name} ({found.words})")


def _named(step: Step, found: Evidence, *, undecided: bool) -> Evidence:
    """A ring under the name of the outcome that it is like; under none where it is undecided."""
    name = "open question" if undecided else step.outcome[found.best].name
    return replace(found, words=f"{name} ({found.words})")


def _sure(found: Evidence) -> bool:
    """True where one outcome has nearly all, had all been equally likely before."""
    most = max(found.log_likelihoods)
    return _SURE * sum(math.exp(x - most) for x in found.log_likelihoods if x > -math.inf) <= 1


def meter_of(text: str) -> Meter:
    """1%+2, 0.5% or +3: part of the reading and digits. Raises InputError."""
    match = re.fullmatch(r"(?:(?P<percent>[\d.,]+)\s*%)?\s*(?:\+\s*(?P<digits>\d{1,4}))?", text.strip())
    if match is None or not (match["percent"] or match["digits"]):
        raise InputError(f"meter {text[:40]!r}; give such as 1%+2: percent of reading plus last digits")
    percent = parse(match["percent"], "", "meter percent") if match["percent"] else 0.0
    return Meter(percent, float(match["digits"] or 0))


def fraction(text: str, what: str) -> float:
    """0.05 from "5%" or "0.05"."""
    value = parse(text[:-1], "", what) / 100 if text.endswith("%") else parse(text, "", what)
    if not 0 < value <= 1:
        raise InputError(f"{what} {text[:40]!r} must lie above 0 and up to 100 %")
    return value


def prior(text: str, what: str) -> float:
    """Probability of a shorted turn before the ring, above 0 and below 1, from "0.3" or "30%".

    Raises InputError.
    """
    try:
        value = fraction(text.replace(" ", ""), what)
    except InputError as error:
        raise InputError(
            f"{what} {text[:40]!r} is no probability; write one between 0 and 1, such as 0.3 or 30%"
        ) from error
    if value == 1:
        raise InputError(f"{what} {text[:40]} leaves nothing to find out; give one below 1, such as 0.5")
    return value


def sound(path: str, channel: str | None) -> tuple[Any, float]:
    """Samples and rate [Hz] of one channel of a sound file. Raises FileError."""
    from coilbell.bench import files

    record, *others = files.read(path, channel=channel)
    if others:
        raise FileError(f"{path}: one channel at a time is listened to; name one, or give its number")
    if record.rate_hz is None:
        raise FileError(f"{path}: has time stamps, so it is no sound; give a WAV file")
    return record.samples, record.rate_hz


def _pairs(step: Step, words: Sequence[str]) -> Pairs:
    found: Pairs = {}
    for word in words:
        name, sign, value = word.partition("=")
        if not sign or not name or not value or name in found:
            raise InputError(
                f"{step.key}: {word[:40]!r} is no NAME=VALUE of its own and none of {_outcomes(step)}; "
                f"write such as {step.enter!r}"
            )
        found[name] = value
    if not found:
        raise InputError(
            f"{step.key}: write such as {step.enter!r}, or one of its outcomes: {_outcomes(step)}"
        )
    return found


def _outcomes(step: Step) -> str:
    return ", ".join(outcome.key for outcome in step.outcome)


def _take(step: Step, pairs: Pairs, needed: Sequence[str], allowed: Sequence[str] = ()) -> None:
    missing = [name for name in needed if name not in pairs]
    strange = [name for name in pairs if name not in (*needed, *allowed)]
    if missing or strange:
        what = f"needs {', '.join(missing)}" if missing else f"has no use for {', '.join(strange)[:60]}"
        raise InputError(f"{step.key}: {what}; write such as {step.enter!r}")


def _read(text: str, unit: str, what: str, meter: Meter) -> Reading:
    """Raises InputError for more than any meter shows."""
    if abs(parse(text, unit, what)) > _LARGEST_READING:
        raise InputError(f"{what} {text[:40]}: no meter reads that; look at its range and type it again")
    return meter.reading(parse(text, unit, what), abs(parse(_last_digit(text), unit, what)))


def _check_possible(step: Step, ratios: Sequence[tuple[str, Ratio]]) -> None:
    """Raise InputError, which asks to read again, for a reading that the part cannot give.

    ratios: each with the words of its reading. One of the wrong sign beyond its uncertainty, or far above the
    highest that an outcome stands for.
    """
    edges = [outcome.range[1] for outcome in step.outcome if outcome.range is not None]
    for words, ratio in ratios:
        high = bool(edges) and ratio.value > _BEYOND * max(edges)
        if high or ratio.value + 2 * ratio.uncertainty < 0:
            wrong = f"{ratio.value:.3g} times what is expected" if high else "of the wrong sign"
            raise InputError(
                f"{step.key}: {words} is {wrong}: look at decimal point, sign and leads, and read again; "
                f"if it is so, enter what it shows by a word: {_outcomes(step)}"
            )


def _last_digit(text: str) -> str:
    """The same text with its last digit 1 and all others 0: "6.8k" -> "0.1k"."""
    mantissa = re.split(r"[eE][+-]?\d", text)[0]
    digits = [match.start() for match in re.finditer(r"\d", mantissa)]
    letters = [("1" if k == digits[-1] else "0") if k in digits else c for k, c in enumerate(text)]
    return "".join(letters)


def _rails(step: Step, pairs: Pairs, meter: Meter) -> Evidence:
    ratios = []
    for nominal, text in pairs.items():
        volts = parse(nominal, "V", "nominal")
        if volts == 0:
            raise InputError(f"{step.key}: a rail of 0 V; give its nominal voltage, such as 142=79")
        reading = _read(text, "V", f"reading of {nominal}", meter)
        ratios.append(Ratio(reading.value / volts, reading.uncertainty / abs(volts)))
    told = (f"{text} at a rail of {nominal} V" for nominal, text in pairs.items())
    _check_possible(step, list(zip(told, ratios, strict=True)))
    one, tail = common_ratio(ratios)
    read = ", ".join(f"{n} V reads {r}" for n, r in pairs.items())
    agree = f"; against one ratio of {concise(one.value, one.uncertainty)}: p {tail:.2g}"
    return ratio_evidence(step, ratios, read + agree * (len(ratios) > 1), scatter=RAIL_SCATTER)


def _parallel(step: Step, pairs: Pairs, meter: Meter) -> Evidence:
    _take(step, pairs, ("read", "parts"), ("tolerance",))
    parts = [parse(text, "", "parts") for text in pairs["parts"].split(",")]
    network = parallel(parts, fraction(pairs.get("tolerance", "5%"), "tolerance"))
    reading = _read(pairs["read"], "", "read", meter)
    if reading.value + 2 * reading.uncertainty < 0:
        raise InputError(
            f"{step.key}: {pairs['read']} ohm is less than none: something there holds a charge; "
            "discharge it and read again"
        )
    words = (
        f"{pairs['read']} ohm where {' || '.join(pairs['parts'].split(','))} make "
        f"{concise(network.value, network.uncertainty)}"
    )
    found = reading_over_network(reading, network)
    _check_possible(step, [(f"{pairs['read']} ohm", found)])
    return ratio_evidence(step, [found], words)


def _power(step: Step, pairs: Pairs, meter: Meter) -> Evidence:
    _take(step, pairs, ("ohms", "rating"), ("volts", "amps", "celsius", "ambient", "tolerance"))
    ohms = parse(pairs["ohms"], "", "ohms")
    resistance = Reading(ohms, ohms * fraction(pairs.get("tolerance", "5%"), "tolerance") / 3**0.5)
    volts, amps = (
        (_read(pairs[n], u, n, meter) if n in pairs else None) for n, u in (("volts", "V"), ("amps", "A"))
    )
    found = dissipation(
        resistance,
        parse(pairs["rating"], "W", "rating"),
        voltage_v=volts,
        current_a=amps,
        surface_c=parse(pairs["celsius"], "", "celsius") if "celsius" in pairs else None,
        ambient_c=parse(pairs.get("ambient", "25"), "", "ambient"),
    )
    power = concise(found.power_w.value, found.power_w.uncertainty, "W")
    words = f"{power}, {found.load.value:.2g} of its rating"
    return ratio_evidence(step, [found.load], words, remarks=found.remarks)


def _ratio(step: Step, pairs: Pairs, meter: Meter) -> Evidence:
    _take(step, pairs, ("expected", "read"), ("spread",))
    expected = parse(pairs["expected"], "", "expected")
    if expected <= 0:
        raise InputError(f"{step.key}: expected {pairs['expected']}; give a value above 0")
    reading = _read(pairs["read"], "", "read", meter)
    value = reading.value / expected
    spread = fraction(pairs.get("spread", "5%"), "spread") * value
    ratio = Ratio(value, ((reading.uncertainty / expected) ** 2 + spread**2) ** 0.5)
    _check_possible(step, [(f"{pairs['read']} for {pairs['expected']}", ratio)])
    words = f"{pairs['read']} for {pairs['expected']}: ratio {concise(ratio.value, ratio.uncertainty)}"
    return ratio_evidence(step, [ratio], words)


def _line_rate(step: Step, pairs: Pairs, meter: Meter) -> Evidence:
    del meter
    expected = parse(pairs.pop("hz", "15625"), "Hz", "hz")
    if expected <= 0:
        raise InputError(f"{step.key}: a line rate of {expected:g} Hz; give such as hz=15625")
    if "read" in pairs:
        _take(step, pairs, ("read",), ("uncertainty",))
        spread = parse(pairs.get("uncertainty", "10"), "Hz", "uncertainty")
        read = parse(pairs["read"], "Hz", "read")
        if not 0 < read < 10 * expected:
            raise InputError(
                f"{step.key}: a line rate of {pairs['read'][:40]}; look at the counter and read again"
            )
        return tone_evidence(step, expected, read, spread)
    _take(step, pairs, ("wav",), ("channel",))
    samples, rate_hz = sound(pairs["wav"], pairs.get("channel"))
    return line_rate_evidence(step, expected, listen(samples, rate_hz))


def _ring(step: Step, pairs: Pairs, finding: Judgement | None) -> Evidence:
    if "log10" in pairs:
        _take(step, pairs, ("log10",))
        found = ratio_of_ring(step, parse(pairs["log10"], "", "log10"))
        return _named(step, found, undecided=not _sure(found))
    _take(step, pairs, ("finding",))
    if pairs["finding"] != "log":
        return _of_judgement(step, _finding_file(Path(pairs["finding"])))
    if finding is None:
        raise InputError("finding=log needs an item of the bench log that was judged; give a file instead")
    return _of_judgement(step, finding)


def _of_judgement(step: Step, facts: Judgement) -> Evidence:
    shorted = facts.shorted_turn
    found = ring_evidence(
        step,
        shorted.log10_likelihood_ratio if shorted else None,
        explanation=facts.explanation,
        causes=facts.causes if isinstance(facts, FindingFacts) else (),
        doubts=len(facts.doubts),
    )
    return _named(step, found, undecided=facts.explanation == Explanation.UNDECIDED)


def _finding_file(path: Path) -> Judgement:
    content = bounded(path, _LARGEST_FINDING, "finding")
    try:
        return judgement_facts(text_of(content), "it")
    except FileError as error:
        raise FileError(
            f"{path}: is no finding; give what `coilbell judge --json` printed ({error})"
        ) from error


_MEASURES: dict[str, Callable[[Step, Pairs, Meter], Evidence]] = {
    "rails": _rails,
    "parallel": _parallel,
    "power": _power,
    "ratio": _ratio,
    "line rate": _line_rate,
}
