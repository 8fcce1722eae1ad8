"""Shots -> Records: time stamps, interleaving, failed conversions.

A shot is sampled every T ticks and its pulse rises d ticks after its first sample, so sample k lies at
k T - d. With M interleaved shots d falls by T/M from one to the next, and all samples together lie T/M
apart: sorted by time they are one record of M times the rate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from coilbell.board import frame, reader
from coilbell.board.exchange import Told
from coilbell.board.identity import Identity
from coilbell.board.settings import Settings
from coilbell.errors import WireError
from coilbell.record import Record, Temperature

__all__ = ["FULL_SCALE", "Shot", "Sweeps", "shot_of"]

FULL_SCALE = (0.0, 4095.0)
"""Codes of the 12-bit converter."""

_CHIP_K = 2.0
"""Standard uncertainty of differences that the chip's own sensor reads [K] (assumed: it follows the room)."""


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """One shot as the board sent it."""

    index: int
    """Its place in the answer, from 0."""
    phase: int
    delay_ticks: int
    lead_v: float
    """Voltage at the leads before the shot [V]."""
    codes: npt.NDArray[np.uint16]
    """(n,) samples with their error bit."""

    @property
    def failed(self) -> npt.NDArray[np.bool_]:
        """(n,) True where the conversion failed, so that the code means nothing."""
        return np.asarray((self.codes & frame.CONVERSION_FAILED) != 0)


def shot_of(item: reader.Frame, samples: int) -> Shot:
    """The shot in a DATA frame of that many samples.

    Raises WireError when its samples are not what was asked for or the converter lost count of them.
    """
    try:
        data = reader.decode_shot(item.payload)
    except frame.FrameError as error:
        raise WireError(f"a shot is not understood: {error}") from error
    codes = np.frombuffer(data.samples, dtype="<u2").astype(np.uint16)
    if codes.size != samples:
        raise WireError(f"a shot came with {codes.size} samples, not {samples}; capture again")
    if data.flags:
        raise WireError(f"the converter lost or repeated samples (flags {data.flags}); capture again")
    shot = Shot(data.shot, data.phase, data.delay_ticks, data.lead_mv * 1e-3, codes)
    spoilt = int(shot.failed.sum())
    if spoilt != data.errors or bool((codes[~shot.failed] > FULL_SCALE[1]).any()):
        raise WireError(f"a shot's samples do not agree with its count of {data.errors} failed conversions")
    return shot


class Sweeps:
    """Gathers shots into records; a sweep that lacks a shot makes none.

    identity: the board; settings: what was asked; begin: fields of the answer's BEGIN frame.
    """

    def __init__(self, identity: Identity, settings: Settings, begin: Told, source: str) -> None:
        self._identity = identity
        self._settings = settings
        self._begin = begin
        self._source = source
        self._open: list[Shot] = []
        self._last = -1
        self.records: list[Record] = []

    def add(self, shot: Shot) -> None:
        """Take the next shot; raises WireError when it does not belong where it came."""
        many = self._settings.interleave
        if not self._last < shot.index < self._settings.shots * many or shot.phase != shot.index % many:
            raise WireError(f"shot {shot.index}, phase {shot.phase}, does not belong here; capture again")
        self._last = shot.index
        if self._open and self._open[0].index // many != shot.index // many:
            self._open = []  # the sweep before lacks a shot
        if len(self._open) == shot.phase:
            self._open.append(shot)
        if len(self._open) == many:
            self.records.append(self._record(self._open))
            self._open = []

    def _record(self, shots: Sequence[Shot]) -> Record:
        identity = self._identity
        step = Fraction(identity.ticks_per_sample, len(shots))
        times, codes, failed = _sorted(shots, identity.ticks_per_sample)
        even = bool((np.diff(times * step.denominator) == step.numerator).all())
        zero = -(float(times[0]) + float(identity.latency_ticks)) / float(step)
        # The first sample at or after the pulse's rise.
        pretrigger = min(max(math.ceil(zero - 1e-9), 0), codes.size - 1)
        sound = ~failed
        rate = identity.rate_hz * len(shots)
        stamps = (times - times[0]) / float(identity.tick_hz)
        whole = even and bool(sound.all())
        looped = self._settings.loop_back
        return Record(
            samples=codes[sound],
            rate_hz=float(rate) if whole else None,
            times_s=None if whole else stamps[sound],
            volts_per_count=identity.volts_per_count,
            full_scale=FULL_SCALE,
            wide_codes=identity.wide_codes,
            resolution=1.0,
            pretrigger=int(sound[:pretrigger].sum()),
            pulse_s=self._begin.number("width_ticks") / identity.tick_hz or None,
            test_capacitor=None if looped else identity.capacitor(self._settings.capacitor),
            loading=None if looped else identity.loading(self._settings.on_posts),
            gain=1.0 if looped else identity.gain,
            board=identity.words,
            utc=datetime.now(UTC),
            connection=self._settings.connection,
            temperature=self._settings.temperature
            or Temperature(self._begin.number("temperature_mc") / 1000, _CHIP_K, identity.words),
            across=self._settings.across,
            done=self._settings.done,
            note=self._settings.note,
            source=self._source,
            extra=self._extra(shots, int(failed.sum())),
        )

    def _extra(self, shots: Sequence[Shot], failed: int) -> dict[str, str]:
        words = {
            "temperature": f"{self._begin.number('temperature_mc') / 1000:.1f} degC",
            "lead voltage before": f"{max((s.lead_v for s in shots), key=abs) * 1000:.0f} mV",
            "constants": self._identity.constants_from,
        }
        if self._settings.aim_v is not None:
            words["rung"] = f"{self._settings.aim_v * 1e3:.0f} mV"
        if uncertain_ps := self._begin.number("start_uncertainty_ps"):
            words["start uncertainty"] = f"{uncertain_ps / 1000:.1f} ns"
        if failed:
            words["failed conversions"] = f"{failed} samples left out"
        return words


def _sorted(
    shots: Sequence[Shot], ticks_per_sample: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Times after the pulse's rise [ticks], codes and failure marks of all samples, by time."""
    times = np.concatenate([np.arange(s.codes.size) * ticks_per_sample - s.delay_ticks for s in shots])
    codes = np.concatenate([s.codes & ~np.uint16(frame.CONVERSION_FAILED) for s in shots]).astype(np.int64)
    failed = np.concatenate([s.failed for s in shots])
    order = np.argsort(times, kind="stable")
    times = times[order]
    if (np.diff(times) <= 0).any():
        raise WireError("two shots were taken with one delay; capture again")
    return times, codes[order], failed[order]
