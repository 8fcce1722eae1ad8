"""Codes that a converter gives too often: stated in the record, undone by the fit, kept in files."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from coilbell.bench.files import recordjson
from coilbell.bench.log import samples
from coilbell.board.simulation import Converter, Winding, catalogue
from coilbell.decay import fit
from coilbell.decay.converter import wide_codes
from coilbell.errors import RecordError
from coilbell.record import Record, WideCode

RATE_HZ = 500e3
STEPS = ((518, 8.6), (1542, 8.7), (2563, 8.9), (3587, 8.5))


def converted(levels):
    """Codes of a converter of 4096 codes in which STEPS are wide by so much, all others narrower alike."""
    width = np.full(4096, 1 - sum(excess for _, excess in STEPS) / 4095)
    for code, excess in STEPS:
        width[code] += excess
    edges = np.cumsum(width) - width[0] / 2
    return np.clip(np.searchsorted(edges, levels), 0, 4095).astype(np.int16)


def records(seed, q=40.0, frequency_hz=21e3, amplitude=1400.0, known=True, many=8, uncertainty=0.2):
    rng = np.random.default_rng(seed)
    times = np.arange(4096) / RATE_HZ
    omega = 2 * np.pi * frequency_hz
    decay = omega / np.sqrt(4 * q * q - 1)
    level = np.concatenate((np.zeros(64), amplitude * np.exp(-decay * times) * np.cos(omega * times - 1)))
    wide = tuple(WideCode(c, e + uncertainty * rng.standard_normal(), uncertainty) for c, e in STEPS)
    return [
        Record(
            converted(2048 + level + rng.standard_normal(level.size)),
            rate_hz=RATE_HZ,
            full_scale=(0, 4095),
            resolution=1.0,
            pretrigger=64,
            pulse_s=2e-8,
            shot=shot,
            wide_codes=wide if known else (),
        )
        for shot in range(many)
    ]


def test_known_wide_codes_no_longer_spoil_q():
    """A ring over three of the wide codes: Q off by 0.2 % where nobody knows of them, right where known."""
    for seed, q in enumerate((4.0, 15.0, 40.0, 120.0)):
        known, unknown = fit(records(seed, q)), fit(records(seed, q, known=False))
        assert known.main.q.low < q < known.main.q.high
        assert abs(known.main.q.value / q - 1) < 4e-4
        assert len(known.modes) == 1
        assert abs(known.main.q.value - q) < abs(unknown.main.q.value - q) or unknown.doubts


def test_what_is_left_uncertain_widens_the_interval():
    sure = fit(records(7, uncertainty=0.01)).main.q
    unsure = fit(records(7, uncertainty=2.0)).main.q
    assert unsure.standard_uncertainty > 1.2 * sure.standard_uncertainty


def test_a_clipped_ring_is_still_seen_to_clip():
    answer = fit(records(3, amplitude=2600.0))
    assert "clipped" in [str(doubt.kind) for doubt in answer.doubts]
    assert answer.main.q.value == pytest.approx(40, rel=0.01)


def test_kept_in_record_files_and_in_the_log():
    record = dataclasses.replace(records(1, many=1)[0], rate_uncertainty=0.002)
    again = recordjson.decode(recordjson.encode([record]))[0]
    assert again.wide_codes == record.wide_codes
    assert samples.unpacked(samples.packed(record)).wide_codes == record.wide_codes
    assert again.rate_uncertainty == samples.unpacked(samples.packed(record)).rate_uncertainty == 0.002
    plain = dataclasses.replace(record, wide_codes=(), rate_uncertainty=0.0)
    assert b"wide_codes" not in recordjson.encode([plain])
    assert b"rate_uncertainty" not in recordjson.encode([plain])


@pytest.mark.parametrize(
    ("wide", "field"),
    [
        ((-1, 1.0, 0.1), "code"),
        ((5000, 1.0, 0.1), "code"),
        ((3, -1.0, 0.1), "excess"),
        ((3, 1.0, np.nan), "uncer"),
        ((3, 4095.0, 0.1), "excess"),
    ],
)
def test_a_wide_code_that_cannot_be_is_refused(wide, field):
    with pytest.raises(RecordError, match=field):
        Record(np.arange(64), rate_hz=1e5, full_scale=(0, 4095), wide_codes=(WideCode(*wide),))


def test_wide_codes_need_the_range():
    with pytest.raises(RecordError, match="full_scale"):
        Record(np.arange(64), rate_hz=1e5, wide_codes=(WideCode(3, 1.0, 0.1),))


@pytest.mark.parametrize(
    ("board", "scale", "expected"),
    [
        ("bench RP2040, id 7, firmware 3", (0.0, 4095.0), 4),
        ("bench RP2350, id 7, firmware 3", (0.0, 4095.0), 0),
        ("", (0.0, 4095.0), 0),
        ("bench RP2040, id 7, firmware 3", (0.0, 255.0), 0),
    ],
)
def test_a_chip_that_nobody_checked_has_the_codes_it_is_known_for(
    board: str, scale: tuple[float, float], expected: int
) -> None:
    """Published: data sheet of the RP2040, errata, RP2040-E11; the spread of widths is assumed."""
    record = Record(np.full(64, 100), 500e3, full_scale=scale, resolution=1.0, board=board)
    assert len(wide_codes(record)) == expected
    own = (WideCode(512.0, 9.0, 0.3),)
    if scale[1] == 4095.0:
        assert wide_codes(dataclasses.replace(record, wide_codes=own)) == own, (
            "a check's own table goes first"
        )


@pytest.mark.parametrize("excess", [3.0, 8.9])
def test_an_unchecked_converters_intervals_of_q_hold(excess: float) -> None:
    """40 simulated rings across the wide codes; 95 in 100 asked, and no fewer than 33 of 40 by chance."""
    rng = np.random.default_rng(11)
    steps = tuple((code, excess) for code in (512, 1536, 2560, 3584))
    converter = Converter(noise=1.2, steps=steps, bow=1.0)
    held = 0
    for seed in range(40):
        world = Winding(catalogue.part("tarn-line-split", seed))
        volts = world.ring(22e-9, pulse_s=2e-6, rate_hz=500e3, n_samples=2048, pretrigger_samples=64)
        volts *= rng.uniform(0.7, 1.2) / np.abs(volts).max()
        record = Record(
            converter.codes(volts, rng),
            500e3,
            volts_per_count=converter.volts_per_count,
            full_scale=(0.0, 4095.0),
            resolution=1.0,
            pretrigger=64,
            pulse_s=2e-6,
            board="bench RP2040",
        )
        mode = world.ring_mode(22e-9)
        assert mode is not None
        q = fit(record).main.q
        held += q.low <= mode.q <= q.high
    assert held >= 33
