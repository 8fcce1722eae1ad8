"""Tables as instruments write them: separators, signs, headings, units, encodings, channels."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from coilbell.bench import files
from coilbell.errors import FileError
from coilbell.record import Record

TIME = np.arange(40) * 2e-6
VOLTS = np.round(0.5 * np.exp(-TIME / 3e-5) * np.cos(2 * np.pi * 40e3 * TIME), 4)
OTHER = np.round(VOLTS * -2 + 0.1, 4)


def read(tmp_path: Path, content: str | bytes, **options: object) -> tuple[Record, ...]:
    path = tmp_path / "table.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return files.read(path, **options)  # type: ignore[arg-type]


def refusal(tmp_path: Path, content: str | bytes, **options: object) -> str:
    with pytest.raises(FileError) as caught:
        read(tmp_path, content, **options)
    message = str(caught.value)
    assert "\n" not in message
    return message.removeprefix(f"{tmp_path / 'table.csv'}: ")


def rows(separator: str, comma: bool, *columns: np.ndarray, time: str = "{:.6f}") -> str:
    lines = []
    for row in zip(*columns, strict=True):
        line = separator.join([time.format(row[0]), *(f"{v:.4f}" for v in row[1:])])
        lines.append(line.replace(".", ",") if comma else line)
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("separator", "comma"),
    [(",", False), (";", False), (";", True), ("\t", False), ("\t", True), ("  ", False), (" ", True)],
)
@pytest.mark.parametrize("heading", ["", "time (s){}CH1 (V)\n", "# made by hand\n\nt_s{}U_V\n"])
@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_separators_signs_and_headings(
    tmp_path: Path, separator: str, comma: bool, heading: str, ends: str
) -> None:
    content = heading.format(separator if separator.strip() or separator == "\t" else "\t")
    content += rows(separator, comma, TIME, VOLTS)
    (record,) = read(tmp_path, content.replace("\n", ends))
    assert record.samples.tolist() == VOLTS.tolist()
    assert record.rate_hz == 500e3
    assert record.volts_per_count == (1.0 if heading else None)


@pytest.mark.parametrize(
    ("label", "written", "factor"),
    [
        ("time (us)", TIME * 1e6, 1.0),
        ("Time [ms]", TIME * 1e3, 1.0),
        ("Zeit in \u00b5s", TIME * 1e6, 1.0),
        ("t / ns", TIME * 1e9, 1.0),
        ("t_ms", TIME * 1e3, 1.0),
        ("time,us", TIME * 1e6, 1.0),
        ("seconds", TIME, 1.0),
    ],
)
def test_time_units_in_the_heading(tmp_path: Path, label: str, written: np.ndarray, factor: float) -> None:
    content = f"{label};U (mV)\n" + rows(";", False, written, VOLTS * 1000)
    (record,) = read(tmp_path, content)
    assert record.rate_hz == pytest.approx(500e3, rel=1e-9)
    assert record.volts_per_count == 1e-3
    assert "assumed time unit" not in record.extra


def test_units_in_a_row_of_their_own(tmp_path: Path) -> None:
    content = "Time,Channel A,Channel B\n(us),(mV),(V)\n\n" + rows(",", False, TIME * 1e6, VOLTS, OTHER)
    (record,) = read(tmp_path, content, channel="channel b")
    assert record.samples.tolist() == OTHER.tolist()
    assert record.volts_per_count == 1.0
    assert read(tmp_path, content, channel="1")[0].volts_per_count == 1e-3
    assert record.rate_hz == pytest.approx(500e3)


def test_settings_in_columns_beside_the_figures(tmp_path: Path) -> None:
    beside = ["Record length,40,,", "Sample interval,2e-06,s,", "Vertical units,V,,"]
    figures = rows(",", False, TIME - 1e-5, VOLTS).splitlines()
    content = "\n".join((beside[i] if i < 3 else ",,,") + line + "," for i, line in enumerate(figures))
    (record,) = read(tmp_path, content)
    assert record.samples.tolist() == VOLTS.tolist()
    assert record.first_s == pytest.approx(TIME[0] - 1e-5)


def test_names_above_their_settings(tmp_path: Path) -> None:
    content = "X,CH1,Start,Increment,\nSequence,Volt,-1.0e-05,2.0e-06\n"
    content += "".join(f"{i},{v:.4f},,\n" for i, v in enumerate(VOLTS))
    (record,) = read(tmp_path, content)
    assert record.rate_hz == pytest.approx(500e3)
    assert record.volts_per_count == 1.0
    assert record.first_s == -1e-05
    assert record.samples.tolist() == VOLTS.tolist()


@pytest.mark.parametrize(
    "preamble",
    [
        "Sample Interval,2e-06,s\n",
        "sampling interval: 2 us\n",
        "XINCR = 2.0E-6\n",
        "Sampling rate [Hz]: 500000\n",
        "Sample rate,500,kHz\n",
        "# samplerate=500k\n",
    ],
)
def test_one_column_takes_its_rate_from_the_preamble(tmp_path: Path, preamble: str) -> None:
    (record,) = read(tmp_path, preamble + "\n".join(f"{v:.4f}" for v in VOLTS))
    assert record.rate_hz == pytest.approx(500e3, rel=1e-12)
    assert record.samples.tolist() == VOLTS.tolist()


def test_one_column_without_a_rate_asks_for_it(tmp_path: Path) -> None:
    content = "\n".join(f"{v:.4f}" for v in VOLTS)
    assert "--rate 500k" in refusal(tmp_path, content)
    assert read(tmp_path, content, rate_hz=2e5)[0].rate_hz == 2e5


def test_one_column_with_decimal_commas_is_not_two(tmp_path: Path) -> None:
    content = "\n".join(f"{v:.4f}" for v in VOLTS).replace(".", ",")
    assert read(tmp_path, content, rate_hz=2e5)[0].samples.tolist() == VOLTS.tolist()


def test_sample_numbers_are_not_time(tmp_path: Path) -> None:
    content = "\n".join(f"{i},{v:.4f}" for i, v in enumerate(VOLTS))
    assert "--rate 500k" in refusal(tmp_path, content)
    assert read(tmp_path, content, rate_hz=5e5)[0].rate_hz == 5e5
    assert read(tmp_path, content, time_unit="us")[0].rate_hz == pytest.approx(1e6)


def test_counts_against_microseconds_without_a_heading(tmp_path: Path) -> None:
    times = np.cumsum([20, 60, 64, 68, 64, 60, 72, 64])
    content = "# 62.6\t2.49\n" + "\n".join(f"{t} {c}" for t, c in zip(times, range(400, 408), strict=True))
    (record,) = read(tmp_path, content)
    assert record.times_s is not None
    assert record.times_s.tolist() == (times / 1_000_000).tolist()
    assert record.samples.dtype == np.int64
    assert record.volts_per_count is None
    assert "microseconds" in record.extra["assumed time unit"]
    (told,) = read(tmp_path, content, time_unit="ns")
    assert told.times_s is not None
    assert told.times_s[0] == 20e-9
    assert "assumed time unit" not in told.extra


def test_an_implausible_guess_of_the_time_unit_is_refused(tmp_path: Path) -> None:
    assert "give --time-unit" in refusal(tmp_path, rows(",", False, TIME * 1e6, VOLTS))
    assert "give --time-unit" in refusal(tmp_path, "\n".join(f"{i * 2000} {i % 7}" for i in range(20)))


@pytest.mark.parametrize("unit", ["", "minutes", "V", "x"])
def test_an_unknown_time_unit_lists_the_choices(tmp_path: Path, unit: str) -> None:
    with pytest.raises(ValueError, match="choose one of: s, ms, us, ns"):
        read(tmp_path, rows(",", False, TIME, VOLTS), time_unit=unit)


@pytest.mark.parametrize(
    ("encoding", "label"),
    [
        ("utf-8", "Zeit (\u00b5s)"),
        ("utf-8-sig", "Zeit (\u00b5s)"),
        ("utf-16", "Zeit (\u00b5s)"),
        ("utf-16-le", "Zeit (\u00b5s)"),
        ("utf-16-be", "Zeit (\u00b5s)"),
        ("utf-32", "Zeit (\u00b5s)"),
        ("cp1252", "Zeit (\u00b5s)"),
        ("latin-1", "Zeit (\u00b5s)"),
        ("cp850", "Zeit (\u00b5s)"),
    ],
)
def test_european_encodings(tmp_path: Path, encoding: str, label: str) -> None:
    heading = f"Messger\u00e4t f\u00fcr Pr\u00fcfung, gem\u00e4\u00df Abschnitt 3\n{label};Spannung in V\n"
    content = heading + rows(";", True, TIME * 1e6, VOLTS)
    (record,) = read(tmp_path, content.encode(encoding))
    assert record.rate_hz == pytest.approx(500e3, rel=1e-9)
    assert record.samples.tolist() == VOLTS.tolist()


def test_several_channels_ask_which(tmp_path: Path) -> None:
    content = "t_s,I_A,U_V\n" + rows(",", False, TIME, OTHER, VOLTS)
    assert "choose one of: I_A, U_V" in refusal(tmp_path, content)
    assert "no channel 'U'; choose one of: I_A, U_V" in refusal(tmp_path, content, channel="U")
    assert "no channel '3'" in refusal(tmp_path, content, channel="3")
    assert "no channel '0'" in refusal(tmp_path, content, channel="0")
    both = read(tmp_path, content, channel="all")
    assert [record.extra["channel"] for record in both] == ["I_A", "U_V"]
    assert [record.volts_per_count for record in both] == [None, 1.0]
    assert read(tmp_path, content, channel="u_v")[0].samples.tolist() == VOLTS.tolist()


def test_quoted_cells_and_a_column_of_text(tmp_path: Path) -> None:
    lines = ['"time (s)","state","U (V)"'] + [
        f'"{t:.6f}","on","{v:.4f}"' for t, v in zip(TIME, VOLTS, strict=True)
    ]
    (record,) = read(tmp_path, "\n".join(lines))
    assert record.samples.tolist() == VOLTS.tolist()
    quoted = "\n".join(f'"{t:.6f}","{v:.4f}"' for t, v in zip(TIME, VOLTS, strict=True)).replace(".", ",")
    assert read(tmp_path, quoted)[0].samples.tolist() == VOLTS.tolist()


def spoilt(line: int, text: str) -> str:
    lines = ("t_s,U_V\n" + rows(",", False, TIME, VOLTS)).splitlines()
    lines[line - 1] = text
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("0.00003,abc", "line 17, column 2: 'abc' is no number"),
        ("0.00003,", "line 17, column 2: '' is no number"),
        ("0.00003", "line 17 has 1 column"),
        ("0.00003,nan", "line 17: nan in U_V is no number"),
        ("nan,0.5", "line 17: nan in t_s is no number"),
        ("0.00003,-inf", "line 17: -inf in U_V is no number"),
        ("0.00003,1e999", "line 17: inf in U_V is no number"),
        ("0.00003,0x10", "line 17, column 2: '0x10' is no number"),
        ("0.00003,1_0", "line 17, column 2: '1_0' is no number"),
        ("0.00003,0.5 V", "line 17, column 2: '0.5 V' is no number"),
        ("-1,0.5", "line 17: time -1 s does not follow"),
    ],
)
def test_a_spoilt_line_is_named(tmp_path: Path, text: str, words: str) -> None:
    assert words in refusal(tmp_path, spoilt(17, text))


def test_a_spoilt_first_row_of_figures_is_named(tmp_path: Path) -> None:
    assert "line 2: nan in U_V" in refusal(tmp_path, spoilt(2, "0.0,nan"))


def test_blank_lines_and_comments_inside_are_passed_over(tmp_path: Path) -> None:
    lines = ("t_s,U_V\n" + rows(",", False, TIME, VOLTS)).splitlines()
    lines[5:5] = ["", "# a remark", "   "]
    assert read(tmp_path, "\n".join(lines))[0].samples.tolist() == VOLTS.tolist()
    lines[20] = "0.00003,abc"
    assert "line 21, column 2" in refusal(tmp_path, "\n".join(lines))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "is empty"),
        ("\n \t\n", "is empty"),
        ("\ufeff", "is empty"),
        ("just a few words\nof prose, nothing else\n", "no table of figures"),
        ("t,U\n", "no table of figures"),
        ("t_s,U_V\n0.0,1.0\n", "needs at least 2"),
        (bytes(range(256)) * 8, "is not text"),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + bytes(200), "is not text"),
        ("t_s\n" + "\n".join(f"{t:.6f}" for t in TIME), "a time column and no samples"),
    ],
)
def test_what_is_no_table_is_told(tmp_path: Path, content: str | bytes, words: str) -> None:
    assert words in refusal(tmp_path, content)


@pytest.mark.parametrize("ending", ["csv", "tsv"])
def test_an_export_reads_back(tmp_path: Path, ending: str) -> None:
    shots = [
        Record(
            samples=np.array([7, 9, 4, 8, 3], dtype=np.int16),
            times_s=np.array([-1e-6, 0.1, 0.30000000000000004, 0.5, 0.7]),
            volts_per_count=3.3 / 4096,
            shot=shot,
        )
        for shot in range(2)
    ]
    files.write(shots, tmp_path / f"out.{ending}")
    back = files.read(tmp_path / f"out.{ending}", channel="all")
    assert [record.samples.tolist() for record in back] == [[7, 9, 4, 8, 3]] * 2
    assert back[0].times_s is not None
    assert back[0].times_s.tolist() == [-1e-6, 0.1, 0.30000000000000004, 0.5, 0.7]
    assert back[1].volts_per_count == 3.3 / 4096


def test_an_export_of_volts_reads_back(tmp_path: Path) -> None:
    files.write([Record(samples=VOLTS, rate_hz=5e5, volts_per_count=1.0)], tmp_path / "out.csv")
    (back,) = files.read(tmp_path / "out.csv")
    assert back.samples.tolist() == VOLTS.tolist()
    assert back.volts_per_count == 1.0
    assert back.rate_hz == 5e5


def test_an_export_of_unlike_records_is_refused(tmp_path: Path) -> None:
    records = [Record(samples=[1, 2, 3], rate_hz=rate) for rate in (1e5, 2e5)]  # type: ignore[arg-type]
    with pytest.raises(FileError, match="one file for each"):
        files.write(records, tmp_path / "out.csv")
