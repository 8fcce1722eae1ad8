"""Whatever bytes a file holds, reading it gives records or one FileError; no other error, no warning."""

from __future__ import annotations

import tempfile
import warnings
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from coilbell.bench import files
from coilbell.errors import InputError

GOOD = 'Sample interval,2e-6,s\n"time (us)";x\ntime (us),"CH 1 (mV)",n\n' + "".join(
    f"{2 * i},{(i * 37 % 19) / 10},{i}\n" for i in range(12)
)
PIECES = st.one_of(
    st.sampled_from(list("\n,;\t \"'#-+.eE012=:\0\x85\u2028\ufeff")),
    st.sampled_from(
        ["\r\n", "1e999", "-1e-999", "nan", "inf", "12345678901234567890", "1e400", "0x1F", "1_000"]
    ),
    st.sampled_from(
        ["\u00b5s", "time", "(s)", "mV", "t_s,U_V\n", "0,1\n", "1e-6,2\n", "--", "e5", "5e99999999999"]
    ),
)


def read(content: bytes, **options: object) -> None:
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("error")
        path = Path(folder) / "odd"
        path.write_bytes(content)
        message = "none"
        try:
            files.read(path, channel="all", **options)  # type: ignore[arg-type]
        except InputError as error:
            message = str(error)
    assert "\n" not in message
    assert len(message) < 600


@settings(max_examples=250, deadline=None)
@given(st.binary(max_size=300))
@example(b"RIFF")
@example(b"fLaC" + bytes(100))
@example(b"\xff\xfe")
@example(b"\xff\xfe\x00")
@example(b"\xef\xbb\xbf{")
@example(b"\x00\x00\x00\x00")
def test_any_bytes(content: bytes) -> None:
    read(content)


@settings(max_examples=250, deadline=None)
@given(
    st.lists(PIECES, max_size=60).map("".join), st.sampled_from([None, "us"]), st.sampled_from([None, 1e5])
)
@example('"', None, None)
@example('0,"1\n1,"2\n2,"3\n', None, None)
@example("0,1e400\n1,2\n2,3\n", None, 1e5)
@example("0 1e999\n1 2\n", "us", None)
@example("1e308,1\n-1e308,2\n1e308,3\n", "us", None)
@example("5e-324,1\n1e-323,2\n1.5e-323,3\n", None, None)
@example("".join(f"{i}e-400,1\n" for i in range(9)), None, None)
@example("t_s,U\n" + "".join(f"{i}e300,1\n" for i in range(9)), None, None)
@example("t_s,U\n0,5\n99999999999999999999,6\n", None, None)
def test_any_text(text: str, time_unit: str | None, rate_hz: float | None) -> None:
    read(text.encode("utf-8", "surrogatepass"), time_unit=time_unit, rate_hz=rate_hz)


@settings(max_examples=250, deadline=None)
@given(st.integers(0, len(GOOD)), st.integers(0, 30), PIECES)
def test_a_good_table_with_one_thing_spoilt(place: int, cut: int, piece: str) -> None:
    read((GOOD[:place] + piece + GOOD[place + cut :]).encode())


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-32", "cp1252"])
def test_every_cut_of_a_good_table(encoding: str) -> None:
    whole = GOOD.encode(encoding)
    for end in range(0, len(whole), 7):
        read(whole[:end])
