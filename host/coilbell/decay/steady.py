"""Which components ring down, and which only sound: tones, and what a modulation of a tone looks like.

A tone whose height swings, seen for less than a cycle of the swing, falls without decaying. It shows as a
ring that lasts as long as a tone beside it, as two rings beside each other that fall alike and slowly, or as
one whose fall no exponential and no law of loss describes.
"""

from __future__ import annotations

import math

from coilbell.decay.defects import Defect
from coilbell.decay.law import Law
from coilbell.decay.model import DoubtKind, Mode

__all__ = ["rings_and_tones", "wavering"]

_SEEN = 3.0
"""A component whose decay is not this many standard uncertainties above zero is a tone."""
_FEW_CYCLES = 3.0
"""Cycles in the window below which what goes on beside a ring is drift or hum [1]."""
_BESIDE = 12.0
"""How near to a tone a mode may be its sideband [lines of the window's spectrum]."""
_AS_LARGE = 0.8
"""Least amplitude of a tone that is swung, in that of its sideband [1]."""
_ALIVE = 3.0
"""Time constants within the window from which a mode is no sideband of something steady."""
_SLOW = 2.0
"""Time constants within the window up to which a swing may pass for a decay [1]; benchmark: nothing."""
_LONG = 10.0
"""The same where the law of loss is none that a ring has [1]."""
_PAIR = 1.5
"""How near to each other the two rings are that a swing of less than a cycle looks like [lines]."""
_UNEXPLAINED = 1.5
"""Variance that a law of loss leaves, in that of the noise, where it is none [1]."""
_GAIN = -0.5
"""Least strength of a law of loss: beyond it a ring would lose less than half as much at its height [1]; what
conducts or saturates loses more there."""


def rings_and_tones(
    everything: list[Mode], length_s: float, wavers: bool
) -> tuple[tuple[Mode, ...], tuple[Mode, ...]]:
    """Rings, and components that are not seen to decay, with what a modulation of these looks like.

    wavers: true where the first of all only swings. A ring whose amplitude is not known comes last, so that
    it is the main one only where no other is.
    """
    fading = [m.decay_per_s.value > _SEEN * m.decay_per_s.standard_uncertainty for m in everything]
    steady = [m for m, fades in zip(everything, fading, strict=True) if not fades]
    steady += everything[: int(wavers)]
    rings: list[Mode] = []
    tones: list[Mode] = []
    for mode, fades in zip(everything, fading, strict=True):
        drifts = mode is not everything[0] and mode.frequency_hz.value * length_s < _FEW_CYCLES
        sounds = not fades or drifts or mode in steady or _is_sideband(mode, steady, length_s)
        (tones if sounds else rings).append(mode)
    rings.sort(key=lambda m: m.amplitude.standard_uncertainty > m.amplitude.value)
    return tuple(rings), tuple(tones)


def wavering(
    everything: list[Mode], length_s: float, found: list[Defect], law: Law | None, noise_variance: float
) -> bool:
    """True where the first component, which falls slowly, is a tone whose height swings.

    found: defects, the most improbable first; law: the main mode with the defect fitted along.
    """
    if not everything:
        return False
    main, others = everything[0], everything[1:]
    falls = main.decay_per_s.value * length_s
    if any(_falls_alike(main, other, length_s) for other in others):
        return True
    if falls > _LONG or not found or found[0].kind is not DoubtKind.AMPLITUDE_DEPENDENT:
        return False
    if law is not None and law.kind is DoubtKind.AMPLITUDE_DEPENDENT and float(law.values[2]) < _GAIN:
        return True
    return falls < _SLOW and (law is None or law.rss / law.free > _UNEXPLAINED * noise_variance)


def _falls_alike(main: Mode, other: Mode, length_s: float) -> bool:
    """True for two slow rings as near to each other as no window tells apart, which fall alike."""
    a, b = main.decay_per_s, other.decay_per_s
    near = abs(main.frequency_hz.value - other.frequency_hz.value) * length_s < _PAIR
    slow = max(a.value, b.value) * length_s < _SLOW / 2
    apart = abs(a.value - b.value)
    return near and slow and apart < _SEEN * math.hypot(a.standard_uncertainty, b.standard_uncertainty)


def _is_sideband(mode: Mode, steady: list[Mode], length_s: float) -> bool:
    """True for a mode that lasts as a larger tone beside it does."""
    if mode.decay_per_s.value * length_s > _ALIVE:
        return False
    return any(
        abs(tone.frequency_hz.value - mode.frequency_hz.value) * length_s < _BESIDE
        and tone.amplitude.value > _AS_LARGE * mode.amplitude.value
        for tone in steady
    )
