"""The converter's codes: exact where it is ideal, and faulty only as asked."""

from __future__ import annotations

import numpy as np
import pytest

from coilbell.board.simulation import ERROR_BIT, RP2040, RP2350, Converter
from coilbell.errors import InputError

IDEAL = Converter(volts_per_count=1e-3, noise=0.0, steps=(), bow=0.0)


def rng() -> np.random.Generator:
    return np.random.default_rng(5)


def test_ideal_codes_are_rounded_counts_about_the_bias():
    volts = np.array([0.0, 1e-3, -1e-3, 1.4e-3, 1.6e-3, 0.4])
    codes = IDEAL.codes(volts, rng())
    assert codes.dtype == np.uint16
    assert codes.tolist() == [2048, 2049, 2047, 2049, 2050, 2448]


def test_codes_clip_at_both_ends():
    assert IDEAL.codes(np.array([-9.0, 9.0]), rng()).tolist() == [0, 4095]


def test_gain_and_bias():
    converter = Converter(volts_per_count=1e-3, bias=1750, gain=3, noise=0, steps=(), bow=0)
    assert converter.codes(np.array([0.1]), rng()).tolist() == [2050]


def test_noise_has_the_stated_deviation():
    codes = Converter(noise=2.0, steps=(), bow=0).codes(np.zeros(40_000), rng())
    # Rounding adds a twelfth of a count squared.
    assert np.std(codes) == pytest.approx(np.sqrt(4 + 1 / 12), rel=0.02)
    assert np.mean(codes) == pytest.approx(2048, abs=0.05)


@pytest.mark.parametrize(
    ("chip", "places"), [(RP2040, (512, 1536, 2560, 3584)), (RP2350, (1536, 2048, 2560))]
)
def test_wide_codes_stand_where_users_report_them(chip, places):
    # Source: erratum RP2040-E11 and users' reports for RP2350.
    quiet = Converter(volts_per_count=1.0, bias=0.0, noise=0.0, steps=chip.steps, bow=chip.bow)
    ramp = np.arange(0, 4095, 0.01)
    width = np.bincount(quiet.codes(ramp, rng()), minlength=4096)[1:4095] * 0.01
    wide = np.flatnonzero(width > 1.5) + 1
    for place, (_, excess) in zip(places, chip.steps, strict=True):
        near = wide[np.abs(wide - place) <= 12]
        assert near.size
        assert width[near - 1].max() > 1 + 0.5 * excess
    assert all(min(abs(code - place) for place in places) <= 12 for code in wide)


def test_transfer_is_right_at_both_ends():
    assert RP2040.transfer[[0, -1]] == pytest.approx(0, abs=1e-9)
    assert 3 < np.max(np.abs(RP2040.transfer)) < 9


def test_hum_is_a_line_at_its_frequency():
    converter = Converter(noise=0.1, steps=(), bow=0, hum_volts=0.01, hum_hz=50)
    codes = converter.codes(np.zeros(50_000), rng(), rate_hz=50e3) - 2048.0
    spectrum = np.abs(np.fft.rfft(codes)) / 25_000
    assert np.argmax(spectrum) == 50
    assert spectrum[50] * converter.volts_per_count == pytest.approx(0.01, rel=0.02)


def test_unsettled_samples_carry_the_error_bit():
    codes = Converter(error_rate=0.02).codes(np.zeros(20_000), rng())
    assert np.mean(codes & ERROR_BIT > 0) == pytest.approx(0.02, rel=0.2)
    assert not np.any(Converter().codes(np.zeros(2000), rng()) & ERROR_BIT)
    with pytest.raises(InputError, match="error rate"):
        Converter(error_rate=2).codes(np.zeros(2), rng())
