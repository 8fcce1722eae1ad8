"""Records of simulated windings, as a recorder in volts would have taken them: no tester, no converter."""

from __future__ import annotations

from functools import cache

import numpy as np

from coilbell.board.simulation import Winding, catalogue
from coilbell.record import Capacitor, Connection, Record

__all__ = ["simulated_record"]

NOISE_V = 2e-4


@cache
def simulated_record(
    part: str,
    seed: int,
    state: str,
    farads: float = 22e-9,
    connection: Connection = Connection.UNKNOWN,
    samples: int = 2048,
) -> Record:
    """One ring of the catalogue's `part`, unit `seed`, in `state`, with a little noise of the same seed."""
    volts = Winding(catalogue.part(part, seed), state).ring(farads, 2e-6, 500e3, samples, 128)
    return Record(
        samples=volts + np.random.default_rng(seed).normal(0, NOISE_V, volts.size),
        rate_hz=500e3,
        volts_per_count=1.0,
        pretrigger=128,
        pulse_s=2e-6,
        test_capacitor=Capacitor(farads),
        connection=connection,
    )
