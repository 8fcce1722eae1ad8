"""Sound files: the converter's own codes, the channel asked for, and clear refusals."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from coilbell.bench import files
from coilbell.bench.files import sound
from coilbell.errors import FileError


@pytest.mark.parametrize(("subtype", "bits"), [("PCM_U8", 8), ("PCM_16", 16), ("PCM_24", 24), ("PCM_32", 32)])
def test_codes_come_back_exactly(tmp_path: Path, subtype: str, bits: int) -> None:
    top = 2 ** (bits - 1)
    codes = np.random.default_rng(2).integers(-top, top, 500)
    codes[:2] = -top, top - 1
    wide = np.int16 if bits <= 16 else np.int32
    held = (codes << (16 - bits if bits <= 16 else 32 - bits)).astype(wide)
    soundfile.write(tmp_path / "card.wav", held, 192_000, subtype=subtype)
    (record,) = files.read(tmp_path / "card.wav")
    assert record.samples.tolist() == codes.tolist()
    assert record.rate_hz == 192_000
    assert record.full_scale == (-top, top - 1)
    assert record.volts_per_count is None
    assert record.source.endswith("card.wav")


@pytest.mark.parametrize(("subtype", "kind"), [("FLOAT", "float32"), ("DOUBLE", "float64")])
def test_floats_come_back_exactly(tmp_path: Path, subtype: str, kind: str) -> None:
    values = np.random.default_rng(3).normal(0, 0.3, 300).astype(kind)
    soundfile.write(tmp_path / "card.wav", values, 96_000, subtype=subtype)
    (record,) = files.read(tmp_path / "card.wav")
    assert record.samples.dtype == kind
    assert record.samples.tobytes() == values.tobytes()
    assert record.full_scale is None


def test_channels_by_name_and_number(tmp_path: Path) -> None:
    both = np.column_stack([np.arange(50), -np.arange(50)]).astype(np.int16)
    soundfile.write(tmp_path / "two.wav", both, 48_000)
    with pytest.raises(FileError, match="holds 2 channels; choose one of: left, right"):
        files.read(tmp_path / "two.wav")
    assert files.read(tmp_path / "two.wav", channel="right")[0].samples.tolist() == both[:, 1].tolist()
    assert files.read(tmp_path / "two.wav", channel="1")[0].samples.tolist() == both[:, 0].tolist()
    assert len(files.read(tmp_path / "two.wav", channel="all")) == 2
    with pytest.raises(FileError, match="no channel '3'"):
        files.read(tmp_path / "two.wav", channel="3")


def test_flac_is_read_too(tmp_path: Path) -> None:
    codes = np.arange(-100, 100, dtype=np.int16)
    soundfile.write(tmp_path / "card.flac", codes, 96_000, subtype="PCM_16")
    assert files.read(tmp_path / "card.flac")[0].samples.tolist() == codes.tolist()


def test_a_damaged_sound_file_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "bad.wav").write_bytes(b"RIFF\x10\x00\x00\x00WAVEjunkjunkjunk")
    with pytest.raises(FileError, match="is not a sound file that can be read") as caught:
        files.read(tmp_path / "bad.wav")
    assert "\n" not in str(caught.value)


def test_a_long_recording_is_refused_from_its_header(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sound, "MAX_SAMPLES", 1000)
    soundfile.write(tmp_path / "long.wav", np.zeros(1001, dtype=np.int16), 48_000)
    with pytest.raises(FileError, match="holds 1,001 samples of each channel, at most 1,000"):
        files.read(tmp_path / "long.wav")


def test_a_table_option_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "card.wav", np.arange(50, dtype=np.int16), 48_000)
    with pytest.raises(FileError, match="needs no time unit"):
        files.read(tmp_path / "card.wav", time_unit="us")
