"""Tables as measuring programs write them: odd headings, trailers, the time in another column."""

from __future__ import annotations

import numpy as np
import pytest

from coilbell.bench.files.records import read
from coilbell.decay import fit
from coilbell.errors import FileError

RATE_HZ = 500e3
TIMES = np.arange(800) / RATE_HZ
WAVE = np.exp(-3000 * TIMES) * np.cos(2 * np.pi * 20e3 * TIMES + 0.4)


def table(tmp_path, head, rows, tail=""):
    path = tmp_path / "table.csv"
    path.write_text(head + "\n".join(rows) + "\n" + tail)
    return path


def plain(columns=1, separator=","):
    return [separator.join([f"{t:.7f}", *[f"{v:.5f}"] * columns]) for t, v in zip(TIMES, WAVE, strict=True)]


@pytest.mark.parametrize(
    ("head", "channel", "volts"),
    [
        ("time,V_S\n", None, None),
        ("t,V_S,V_C\n", "V_C", None),
        ("Time,Channel A,Channel B\n", "Channel A", None),
        ("time,ch_s\n", None, None),
        ("t_s,U_A1 (V)\n", None, 1.0),
        ("t in ms,U_mV\n", None, 1e-3),
        ("Time,Channel A\n(s),(V)\n", None, 1.0),
        ("Zeit [s],Kanal A [mV]\n", None, 1e-3),
    ],
)
def test_headings(tmp_path, head, channel, volts):
    path = table(tmp_path, head, plain(head.split("\n")[0].count(",")))
    (record,) = read(path, channel=channel)
    assert record.volts_per_count == volts
    scale = 1e3 if " ms" in head else 1.0
    assert record.rate_hz == pytest.approx(RATE_HZ * scale, rel=1e-3)
    assert "assumed scale" not in record.extra
    assert "time is the column" in record.extra["time base"]
    assert fit(record).main.frequency_hz.value == pytest.approx(20e3 * scale, rel=1e-3)


def test_a_calendar_column_with_the_interval_above(tmp_path):
    rows = [f"5/26/2026 11:44:55.{2 * i:06d},{v:.6f},{2 * v:.6f}" for i, v in enumerate(WAVE)]
    head = "waveform,V_S,V_C\ndelta t,2.0E-6,2.0E-6\n\ntime,V_S,V_C\n"
    (record,) = read(table(tmp_path, head, rows), channel="V_S")
    assert record.rate_hz == pytest.approx(RATE_HZ)
    assert record.samples[0] == pytest.approx(WAVE[0], abs=1e-5)


def test_settings_behind_the_figures_are_read(tmp_path):
    rows = [f"{v:.5f}" for v in WAVE]
    (record,) = read(table(tmp_path, "CH1 (V)\n", rows, "Sampling rate; 500000 Hz\nComment; none\n"))
    assert len(record) == WAVE.size
    assert record.rate_hz == pytest.approx(RATE_HZ)


def test_a_torn_last_row_is_refused_as_before(tmp_path):
    with pytest.raises(FileError, match="line 802"):
        read(table(tmp_path, "time (s),V\n", plain(), "0.0016,\n"))


def test_the_time_may_stand_in_another_column_or_be_told(tmp_path):
    rows = [f"{v:.5f},{t:.7f}" for t, v in zip(TIMES, WAVE, strict=True)]
    (record,) = read(table(tmp_path, "CH1 (V),time (s)\n", rows))
    assert record.rate_hz == pytest.approx(RATE_HZ)
    (record,) = read(table(tmp_path, "CH1 (V),x\n", rows), time="x")
    assert record.rate_hz == pytest.approx(RATE_HZ)
    with pytest.raises(FileError, match="choose one of"):
        read(table(tmp_path, "CH1 (V),x\n", rows), time="y")


def test_a_figure_of_thousands_of_digits_ends_in_one_line(tmp_path):
    with pytest.raises(FileError):
        read(table(tmp_path, "time (s),x\n", ["0,1", "1e" + "0" * 4400 + ",2", "2e-6,3"]))
