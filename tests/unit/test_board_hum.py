"""Hum is told from noise: made with a known amount of each, by numpy alone."""

from __future__ import annotations

import numpy as np
import pytest

from coilbell.board.hum import at_rest

RATE_HZ, SAMPLES = 500e3, 16384


def records(noise: float, hum: float, line_hz: float, harmonics: tuple[float, ...] = (1.0,)) -> list:
    rng = np.random.default_rng(8)
    times = np.arange(SAMPLES) / RATE_HZ
    made = []
    for _ in range(4):
        phases = rng.uniform(0, 2 * np.pi, len(harmonics))
        waves = sum(
            share * np.sqrt(2) * hum * np.sin(2 * np.pi * line_hz * (k + 1) * times + phase)
            for k, (share, phase) in enumerate(zip(harmonics, phases, strict=True))
        )
        made.append(np.rint(2048 + noise * rng.standard_normal(SAMPLES) + waves))
    return made


@pytest.mark.parametrize("line_hz", [49.8, 50.0, 60.1])
@pytest.mark.parametrize("hum", [0.5, 4.0, 25.0, 80.0])
def test_each_is_told_by_itself(hum: float, line_hz: float) -> None:
    found = at_rest(records(1.0, hum, line_hz), RATE_HZ)
    assert found.noise == pytest.approx(np.hypot(1.0, 12**-0.5), rel=0.05)
    assert found.hum == pytest.approx(hum, rel=0.1)
    assert found.line_hz == pytest.approx(line_hz, abs=1.0)
    assert found.level == pytest.approx(2048, abs=0.1 + 0.02 * hum)


def test_a_line_with_harmonics_is_no_noise() -> None:
    found = at_rest(records(1.0, 10.0, 50.0, (1.0, 0.0, 0.6, 0.0, 0.4, 0.0, 0.3)), RATE_HZ)
    assert found.noise == pytest.approx(1.04, rel=0.05)
    assert found.hum > 10


def test_without_hum_none_is_told() -> None:
    found = at_rest(records(1.0, 0.0, 50.0), RATE_HZ)
    assert found.line_hz is None
    assert found.hum < 0.1


def test_noise_is_no_hum() -> None:
    assert at_rest(records(8.0, 0.0, 50.0), RATE_HZ).noise == pytest.approx(8.0, rel=0.02)


def test_records_too_short_for_it_are_refused() -> None:
    with pytest.raises(ValueError, match="no period of the mains"):
        at_rest([one[:4096] for one in records(1.0, 1.0, 50.0)], RATE_HZ)
