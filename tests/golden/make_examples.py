"""Make the example records that ship in host/coilbell/bench/files/examples.

    python tests/golden/make_examples.py

They are invented, not measured: a damped ring is computed, noise added and the sum rounded to the codes
of a 12-bit converter. The workshop, the set and the part do not exist. "whole" and "shorted" are the same
invented coil, the second as if one of its turns were shorted: higher frequency, far lower Q.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np

from coilbell.bench import files
from coilbell.record import Capacitor, Connection, Record

RATE_HZ = 500e3
SAMPLES = 768
PRETRIGGER = 48
SHOTS = 3
OFFSET, NOISE = 2051.3, 0.8
TRUTH = {"whole": (21_600.0, 34.0, 412.0), "shorted": (24_700.0, 6.1, 405.0)}
"""Name -> damped frequency [Hz], pi f tau, envelope at the end of the pulse [counts]."""

STATE = {"whole": "whole", "shorted": "as if one turn were shorted"}


def codes(name: str, shot: int) -> np.ndarray:
    """(SAMPLES,) converter codes of one shot."""
    frequency, q_damped, amplitude = TRUTH[name]
    # The legacy generator's stream is frozen by numpy, so the files come out the same everywhere.
    noise = np.random.RandomState([len(name), shot]).normal(0, NOISE, SAMPLES)
    time = (np.arange(SAMPLES) - PRETRIGGER) / RATE_HZ - 2e-6
    ring = amplitude * np.exp(-time * math.pi * frequency / q_damped) * np.sin(2 * math.pi * frequency * time)
    return np.rint(OFFSET + noise + np.where(time > 0, ring, 0.0)).astype(np.int16)


def example(name: str) -> list[Record]:
    """The shots of one example."""
    return [
        Record(
            samples=codes(name, shot),
            rate_hz=RATE_HZ,
            volts_per_count=3.3 / 4096,
            full_scale=(0, 4095),
            resolution=1.0,
            pretrigger=PRETRIGGER,
            pulse_s=2e-6,
            test_capacitor=Capacitor(22e-9, 0.01, "A"),
            shot=shot,
            board="none: invented example",
            utc=datetime(2026, 3, 2, 9, 30, shot, tzinfo=UTC),
            connection=Connection.OUT_OF_CIRCUIT,
            note="INVENTED EXAMPLE, computed, not measured. Tallow Lane Workshop (invented), "
            f"set Marlin 12 (invented), coil L7, {STATE[name]}",
            extra={"temperature": "21 C"},
        )
        for shot in range(SHOTS)
    ]


if __name__ == "__main__":
    for each in TRUTH:
        files.write(example(each), files.EXAMPLES / f"{each}.json")
