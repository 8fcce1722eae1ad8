"""Records from sound files: a sound card as converter. Reading is libsndfile's (package soundfile).

Integer samples keep the converter's own codes; 24-bit files are moved back from the upper bits where
libsndfile puts them. What a code is in volts depends on the card's input level and is not in the file.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from coilbell.bench.files.oscilloscope import chosen
from coilbell.errors import FileError
from coilbell.record import MAX_SAMPLES, Record

__all__ = ["read", "recognises"]

_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_MARKS = (b"RIFF", b"RIFX", b"RF64", b"fLaC", b"FORM", b"caff")


_MOST_VALUES = 4 * MAX_SAMPLES
"""Samples of all channels together: four of the longest; assumed."""


def recognises(head: bytes) -> bool:
    """True when the first bytes are those of WAV, FLAC, AIFF or CAF."""
    return head[:4] in _MARKS


def read(path: Path, channel: str | None) -> list[Record]:
    """The chosen channels of a sound file, one record each. Raises FileError."""
    import soundfile

    try:
        with soundfile.SoundFile(str(path)) as sound:
            if sound.frames > MAX_SAMPLES:
                raise FileError(
                    f"holds {sound.frames:,} samples of each channel, at most {MAX_SAMPLES:,} are read; "
                    "cut it around the ring"
                )
            if sound.frames * sound.channels > _MOST_VALUES:
                raise FileError(
                    f"holds {sound.channels} channels of {sound.frames:,} samples, together at most "
                    f"{_MOST_VALUES:,} are read; cut it, or save one channel"
                )
            bits = _BITS.get(sound.subtype)
            # Some compressed kinds cannot be wound back, and are read only when told how much.
            kind = {"frames": sound.frames, "always_2d": True}
            samples = _codes(sound, bits, kind) if bits else sound.read(dtype=_float_type(sound), **kind)
            rate = float(sound.samplerate)
    except soundfile.SoundFileError as error:
        raise FileError(f"is not a sound file that can be read: {error}; save it as WAV") from error
    return [_record(samples[:, place], rate, name, bits) for place, name in _channels(samples, channel)]


def _codes(sound: Any, bits: int, kind: dict[str, Any]) -> npt.NDArray[Any]:
    """(frames, channels) converter codes as the file keeps them."""
    wide = np.asarray(sound.read(dtype="int16" if bits <= 16 else "int32", **kind))
    wide >>= 8 * wide.itemsize - bits
    return wide


def _float_type(sound: Any) -> str:
    return "float64" if sound.subtype == "DOUBLE" else "float32"


def _channels(samples: npt.NDArray[Any], channel: str | None) -> list[tuple[int, str]]:
    count = samples.shape[1]
    names = (
        ["mono"] if count == 1 else ["left", "right"] if count == 2 else [f"{i + 1}" for i in range(count)]
    )
    return [(place, names[place]) for place in chosen(names, channel)]


def _record(samples: npt.NDArray[Any], rate_hz: float, name: str, bits: int | None) -> Record:
    return Record(
        samples=samples,
        rate_hz=rate_hz,
        full_scale=(-(2.0 ** (bits - 1)), 2.0 ** (bits - 1) - 1) if bits else None,
        resolution=1.0 if bits else None,
        extra={
            "channel": name,
            "scale": "sound card codes; volts unknown",
            "coupling": "sound cards block direct current; a slow return of the baseline is theirs",
        },
    )
