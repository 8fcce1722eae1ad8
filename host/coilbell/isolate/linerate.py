"""The line rate in a sound recording: which published rate a tone is, and what else it could be.

The line output stage whistles at its own rate: magnetostriction and winding forces. Hearing it says that
the line oscillator runs and drives current through something magnetic; not that the high voltage is there.
Not hearing it says little: microphones, phones and compressed recordings often end below 15 kHz.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.errors import InputError
from coilbell.isolate.equipment import Step
from coilbell.isolate.evidence import Evidence
from coilbell.isolate.ratio import Ratio, ratio_evidence
from coilbell.isolate.tone import CLOCK_PPM, Tone, tones

__all__ = [
    "LINE_RATES",
    "Heard",
    "LineRate",
    "Listening",
    "line_rate_evidence",
    "listen",
    "rates_near",
    "tone_evidence",
]


@dataclass(frozen=True, slots=True)
class LineRate:
    """A published line rate; hz: exact by its definition [Hz]; source: where that stands."""

    name: str
    hz: float
    source: str


LINE_RATES: tuple[LineRate, ...] = (
    LineRate("625 lines, 50 fields", 15625.0, "ITU-R BT.470 and BT.1700 (clauses from memory): 625 x 25 Hz"),
    LineRate(
        "525 lines, 59.94 fields",
        4.5e6 / 286,
        "ITU-R BT.470 and BT.1700 (clauses from memory): 4.5 MHz / 286",
    ),
    LineRate("525 lines, 60 fields", 15750.0, "525 x 30 Hz, before colour (from memory)"),
    LineRate("colour graphics display", 315e6 / 22 / 912, "14.318 MHz / 912 (from memory)"),
    LineRate("monochrome text display", 16.257e6 / 882, "16.257 MHz / 882 (from memory)"),
    LineRate("enhanced graphics display", 16.257e6 / 744, "16.257 MHz / 744 (from memory)"),
    LineRate("640 x 480 display", 25.175e6 / 800, "25.175 MHz / 800 (from memory)"),
    LineRate("405 lines, 50 fields", 10125.0, "405 x 25 Hz (from memory)"),
    LineRate("819 lines, 50 fields", 20475.0, "819 x 25 Hz (from memory)"),
)
"""Rates that a set may run at, each with where it is published."""

_FREE_RUN = 0.04
"""How far an oscillator without a signal may be off, relative: common practice, no published source [1]."""

_LOCKED = 3e-4
"""How far a rate locked to a signal may be off, relative [1]; published: BT.470 allows 2e-4 (from memory)."""

_LOWEST_HZ = 7000.0
"""Tones are looked for from here [Hz]: under the lowest rate by what an unlocked set may be off; assumed."""

_ABOUT = 0.25
"""How far a tone may be from the rate asked for to be held against it, relative [1]; assumed."""

_SILENT = 5.0
"""How many times likelier silence is where nothing runs, in sound that could hold the rate [1]; assumed."""

_SLOPE = 0.45
"""Part of the sampling rate from which a sound card's filter lets folded tones through [1];
common practice."""

_WANDER = 2e-3
"""How far a rate may have moved from its nominal when it is said to fold here, relative [1]; assumed."""

_ALIAS_SIGMAS = 5.0
"""Standard uncertainties within which a folded rate is this tone [1]; assumed."""

_MAINS_HZ = (50.0, 60.0)
"""Nominal mains frequencies [Hz]; published: IEC 60196 (from memory)."""

_MAINS_OFF = 5e-4
"""How far the mains is off in ordinary running, relative [1]; common practice (from memory)."""

_MAINS_NEAR = (0.2, 0.06)
"""Parts of the mains frequency within which a tone, and a member of its comb, is one of its harmonics [1]:
less than half, so that not every tone is one; assumed."""

_BAND_HZ = (15e3, 16e3)
"""Where whistles of today's rates lie [Hz]; published: LINE_RATES."""

_BELOW_HZ = (6e3, 11e3)
"""Where any microphone still hears, to hold the noise in `_BAND_HZ` against [Hz]; assumed."""

_SEGMENT = 4096
"""Samples in a segment of Welch's spectrum: 11 Hz a bin at 44.1 kHz; assumed."""

_LOSS_DB = 25.0
"""Fall of the noise towards the line rate from which a recording is called cut off there [dB];
common practice: lossy sound formats cut at 16 kHz or below and leave nothing above."""

_COMB = 4
"""Members of a mains comb, beside the tone itself, from which it is one [1]; assumed."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A tone with what it may be.

    rates: published rates it agrees with, nearest first, each with the difference over the uncertainty;
    near: the nearest rate within free running, or None; warnings: what else would sound the same.
    """

    tone: Tone
    rates: tuple[tuple[LineRate, float], ...]
    near: LineRate | None
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Listening:
    """heard: tones, the likeliest line whistle first; silence_counts: False when this recording could not
    have held a line rate; warnings: on the sound as a whole; rate_hz, seconds: of the sound."""

    heard: tuple[Heard, ...]
    silence_counts: bool
    warnings: tuple[str, ...]
    rate_hz: float
    seconds: float

    @property
    def line(self) -> Heard | None:
        """The tone nearest to a published rate, None when no tone is near one."""
        return next((h for h in self.heard if h.near is not None), None)


def listen(
    samples: npt.ArrayLike, rate_hz: float, *, clock_ppm: float = CLOCK_PPM, mains_hz: float | None = None
) -> Listening:
    """Tones above 7 kHz and what they may be.

    samples: (n,) real; rate_hz: sampling rate [Hz]; clock_ppm: standard uncertainty of it [1e-6];
    mains_hz: 50 or 60, None when unknown [Hz]. Raises InputError for a recording too short or too slow.
    """
    x = np.asarray(samples, dtype=np.float64)
    if mains_hz not in (None, *_MAINS_HZ):
        raise InputError(f"mains of {mains_hz:g} Hz; give 50 or 60")
    found = tones(x, rate_hz, _LOWEST_HZ, 0.5 * rate_hz, clock_ppm=clock_ppm)
    mains = _MAINS_HZ if mains_hz is None else (mains_hz,)
    heard = [_heard(tone, found, rate_hz, mains) for tone in found]
    ranked = sorted(heard, key=lambda h: (h.near is None, -h.tone.over_noise_db))
    counts, warnings = _reach(x, rate_hz)
    return Listening(tuple(ranked), counts, warnings, rate_hz, x.size / rate_hz)


def rates_near(frequency_hz: float, uncertainty_hz: float) -> tuple[tuple[LineRate, float], ...]:
    """Published rates that a frequency agrees with, within what a lock allows and three uncertainties."""
    found = []
    for rate in LINE_RATES:
        allowed = math.hypot(uncertainty_hz, _LOCKED * rate.hz / math.sqrt(3))
        distance = (frequency_hz - rate.hz) / allowed
        if abs(distance) <= 3:
            found.append((rate, distance))
    return tuple(sorted(found, key=lambda pair: abs(pair[1])))


def line_rate_evidence(step: Step, expected_hz: float, listening: Listening) -> Evidence:
    """Evidence of a recording on a step with measure "line rate", whose ranges are ratios to the rate.

    A tone is held against `expected_hz`. Silence counts for the outcome without a range, and for nothing
    when the sound could not have held the rate.
    """
    near = [h for h in listening.heard if abs(h.tone.frequency_hz / expected_hz - 1) < _ABOUT]
    if near:
        tone = max(near, key=lambda h: h.tone.over_noise_db)
        return tone_evidence(
            step, expected_hz, tone.tone.frequency_hz, tone.tone.uncertainty_hz, tone.warnings
        )
    silent = [o.pattern is None for o in step.outcome]
    weight = math.log(_SILENT) if listening.silence_counts else 0.0
    return Evidence(
        step.key,
        tuple(weight * s for s in silent),
        f"no tone within a quarter of {expected_hz:.0f} Hz",
        "computed",
        () if listening.silence_counts else ("the sound could not have held it: silence counts for nothing",),
    )


def tone_evidence(
    step: Step, expected_hz: float, found_hz: float, uncertainty_hz: float, warnings: tuple[str, ...] = ()
) -> Evidence:
    """Evidence of a measured line rate, by sound, counter or oscilloscope."""
    ratio = Ratio(found_hz / expected_hz, max(uncertainty_hz / expected_hz, 1e-6))
    words = f"{found_hz:.1f} Hz, u {uncertainty_hz:.2g} Hz, for {expected_hz:.1f} Hz"
    return ratio_evidence(step, [ratio], words, remarks=warnings)


def _heard(tone: Tone, found: tuple[Tone, ...], rate_hz: float, mains: tuple[float, ...]) -> Heard:
    near = min(LINE_RATES, key=lambda r: abs(tone.frequency_hz / r.hz - 1))
    within = abs(tone.frequency_hz / near.hz - 1) <= _FREE_RUN
    warnings = [*_aliases(tone, rate_hz), *_mains(tone, found, mains)]
    if tone.frequency_hz > _SLOPE * rate_hz:
        warnings.append("it lies in the slope of the sound card's filter, where folded tones are strongest")
    if tone.wander_hz:
        warnings.append(f"it wanders by {tone.wander_hz:.2g} Hz: a line rate locked to a signal does not")
    return Heard(
        tone, rates_near(tone.frequency_hz, tone.uncertainty_hz), near if within else None, tuple(warnings)
    )


def _aliases(tone: Tone, rate_hz: float) -> list[str]:
    """Published rates and their second harmonics that fold onto this tone when sampled."""
    found = []
    for rate in LINE_RATES:
        for order in (1, 2):
            true_hz = order * rate.hz
            folded = abs(true_hz - rate_hz * round(true_hz / rate_hz))
            if true_hz > 0.5 * rate_hz and abs(folded - tone.frequency_hz) < max(
                _ALIAS_SIGMAS * tone.uncertainty_hz, _WANDER * true_hz
            ):
                what = f"{true_hz:.0f} Hz ({'twice ' * (order == 2)}{rate.name})"
                found.append(
                    f"{what} folds onto {folded:.0f} Hz at this sampling rate: record at another one"
                )
    return found


def _mains(tone: Tone, found: tuple[Tone, ...], mains: tuple[float, ...]) -> list[str]:
    words = []
    for mains_hz in mains:
        order = round(tone.frequency_hz / mains_hz)
        allowed = 3 * math.hypot(tone.uncertainty_hz, _MAINS_OFF / 3 * tone.frequency_hz)
        if abs(tone.frequency_hz - order * mains_hz) > min(allowed, _MAINS_NEAR[0] * mains_hz):
            continue
        comb = [t for t in found if t is not tone and _harmonic(t, mains_hz)]
        if len(comb) >= _COMB:
            words.append(
                f"it is one of a row of harmonics of {mains_hz:.0f} Hz mains, not a line rate of its own"
            )
        else:
            words.append(
                f"harmonic {order} of {mains_hz:.0f} Hz mains lies here too: see whether it goes with the set"
            )
    return words


def _harmonic(tone: Tone, mains_hz: float) -> bool:
    off = tone.frequency_hz - mains_hz * round(tone.frequency_hz / mains_hz)
    return abs(off) < max(3 * tone.uncertainty_hz, _MAINS_NEAR[1] * mains_hz)


def _reach(x: npt.NDArray[np.float64], rate_hz: float) -> tuple[bool, tuple[str, ...]]:
    """Whether a whistle at 15..16 kHz could be in here, and what stands against it."""
    from scipy.signal import welch

    if rate_hz < 2 * _BAND_HZ[1]:
        return False, (
            f"at {rate_hz:.0f} samples a second nothing above {rate_hz / 2:.0f} Hz is held: a tone "
            "below may be a folded line rate; record at 44.1 kHz or more",
        )
    frequency, power = welch(x - x.mean(), rate_hz, nperseg=min(x.size, _SEGMENT))
    low = float(np.median(power[(frequency > _BELOW_HZ[0]) & (frequency < _BELOW_HZ[1])]))
    band = float(np.median(power[(frequency > _BAND_HZ[0]) & (frequency < _BAND_HZ[1])]))
    if band <= 0 or low <= 0 or 10 * math.log10(low / band) > _LOSS_DB:
        return False, (
            "the sound holds next to nothing at 15 to 16 kHz: it was compressed, filtered or made with a "
            "microphone that ends below; silence there proves nothing",
        )
    return True, ()
