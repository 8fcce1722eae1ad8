"""Engineering notation both ways."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilbell.errors import InputError
from coilbell.quantities import concise, engineering, interval, known_unit, parse


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("22n", "F", 22e-9),
        ("4.7nF", "F", 4.7e-9),
        ("4n7", "F", 4.7e-9),
        ("500k", "", 500e3),
        ("500K", "Hz", 500e3),
        ("1.5ms", "s", 1.5e-3),
        ("1,5 ms", "s", 1.5e-3),
        ("10\u00b5F", "F", 10e-6),
        ("10\u03bcF", "F", 10e-6),
        ("10uF", "F", 10e-6),
        ("1k5", "Hz", 1500.0),
        ("-30u", "s", -30e-6),
        ("2e-3", "s", 2e-3),
        ("2e3kHz", "Hz", 2e6),
        ("1m", "s", 1e-3),
        ("1M", "Hz", 1e6),
        ("3s", "s", 3.0),
        (".5u", "s", 0.5e-6),
        ("5.", "s", 5.0),
        (" 0 ", "s", 0.0),
    ],
)
def test_parse_gives_the_very_float_a_person_means(text: str, unit: str, value: float) -> None:
    assert parse(text, unit) == value


@pytest.mark.parametrize(
    "text",
    ["", " ", "n", "abc", "1x", "1nH", "nan", "inf", "1.2.3", "--1", "4.7n3", "1 2", "1e999", "1_0", "0x1"],
)
def test_parse_refuses_in_one_line_with_an_example(text: str) -> None:
    with pytest.raises(
        InputError, match=r"capacitor .* is not a number .*write 22n, 4\.7nF or 4n7"
    ) as caught:
        parse(text, "F", "capacitor")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("value", "spread", "unit", "text"),
    [
        (21634.0, 12.0, "Hz", "21.634(12) kHz"),
        (30.123, 0.09, "", "30.123(90)"),
        (1.9536e-3, 8e-7, "s", "1.95360(80) ms"),
        (12.34, 1.42, "", "12.3(1.4)"),
        (1234.0, 123.0, "", "1230(120)"),
        (999.9996, 0.5, "Hz", "1.00000(50) kHz"),
        (0.5, 1.2, "V", "0.5(1.2) V"),
        (0.0, 0.003, "V", "0.0(3.0) mV"),
        (5.0, 0.0996, "", "5.00(10)"),
        (5.0, 0.996, "", "5.0(1.0)"),
        (-3.2e-3, 1e-5, "V", "-3.200(10) mV"),
        (21634.0, math.nan, "Hz", "21.63(?) kHz"),
        (21634.0, math.inf, "Hz", "21.63(?) kHz"),
        (5.0, 0.0, "V", "5 V"),
        (math.nan, 1.0, "Hz", "unknown"),
        (None, None, "Hz", "unknown"),
        (21634.0, None, "Hz", "21.63(?) kHz"),
        (math.inf, math.inf, "", "unknown"),
        # The example of the GUM, JCGM 100:2008, 7.2.2: m_s = 100.02147 g, u = 0.35 mg.
        (100.02147, 0.00035, "g", "100.02147(35) g"),
    ],
)
def test_concise_form(value: float | None, spread: float | None, unit: str, text: str) -> None:
    assert concise(value, spread, unit) == text


@given(
    value=st.floats(1e-12, 1e11),
    relative=st.floats(1e-7, 0.9),
)
def test_concise_form_read_back_gives_value_and_uncertainty(value: float, relative: float) -> None:
    spread = value * relative
    number, unit = concise(value, spread, "Hz").split(" ")
    digits, bracket = number[:-1].split("(")
    factor = parse(f"1{unit}", "Hz")
    places = len(digits.partition(".")[2])
    shown = float(bracket) * (1 if "." in bracket or not places else 10.0**-places)
    assert shown * factor == pytest.approx(spread, rel=0.051)
    assert float(digits) * factor == pytest.approx(value, abs=0.051 * spread + 1e-9 * value)


@given(st.floats(1e-14, 1e12), st.sampled_from(["F", "s", "Hz", "V"]))
def test_engineering_read_back_gives_the_value(value: float, unit: str) -> None:
    text = engineering(value, unit, 6)
    assert text.isascii()
    assert parse(text, unit) == pytest.approx(value, rel=1e-5)


@pytest.mark.parametrize(
    ("value", "unit", "digits", "text"),
    [
        (2.21e-5, "s", 4, "22.1 us"),
        (680e-6, "V", 2, "680 uV"),
        (0.0, "s", 4, "0 s"),
        (999.99e3, "Hz", 4, "1 MHz"),
        (-4.7e-9, "F", 4, "-4.7 nF"),
        (0.25, "", 4, "0.25"),
    ],
)
def test_engineering_form(value: float, unit: str, digits: int, text: str) -> None:
    assert engineering(value, unit, digits) == text


def test_interval_has_one_prefix() -> None:
    assert interval(21610.0, 21658.0, "Hz") == "21.610..21.658 kHz"
    assert interval(29.9, 30.3) == "29.90..30.30"
    assert interval(5.0, math.inf, "s") == "5 s..unknown"


@pytest.mark.parametrize(
    ("text", "meaning"),
    [
        ("s", ("s", 1.0)),
        ("S", ("s", 1.0)),
        ("us", ("s", 1e-6)),
        ("US", ("s", 1e-6)),
        ("\u00b5s", ("s", 1e-6)),
        ("(ms)", ("s", 1e-3)),
        ("[mV]", ("V", 1e-3)),
        ("Volt", ("V", 1.0)),
        ("second", ("s", 1.0)),
        ("counts", ("count", 1.0)),
        ("A", ("A", 1.0)),
        ("CH1", None),
        ("", None),
        ("dBV", None),
        ("Hz", None),
    ],
)
def test_units_of_columns(text: str, meaning: tuple[str, float] | None) -> None:
    assert known_unit(text) == meaning
