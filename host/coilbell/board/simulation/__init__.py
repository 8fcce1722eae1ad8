"""Simulated windings behind the virtual board: parts, states, how they ring and how they are sampled.

The circuit is solved from its elements alone and shares nothing with the estimator or the fault formulae,
so it can judge both. ::

    unit = catalogue.part("tarn-line-split", seed=7)
    world = Winding(unit, "turn-1-ohm")
    volts = world.ring(22e-9, pulse_s=2e-6, rate_hz=500e3, n_samples=4096, pretrigger_samples=128)
    sound = Winding(catalogue.part("line-set-3", seed=7), "in-set", done=("yoke-off", "tube-base-off"))
    codes = Converter().codes(volts, numpy.random.default_rng(7))
"""

from coilbell.board.simulation import catalogue
from coilbell.board.simulation.catalogue import population
from coilbell.board.simulation.circuit import Winding
from coilbell.board.simulation.condition import CONDITIONS, Condition
from coilbell.board.simulation.converter import ERROR_BIT, RP2040, RP2350, Converter
from coilbell.board.simulation.fixture import Fixture
from coilbell.board.simulation.motion import TrueMode
from coilbell.board.simulation.part import Part, Spread
from coilbell.board.simulation.setting import SET_FAULTS

__all__ = [
    "CONDITIONS",
    "ERROR_BIT",
    "RP2040",
    "RP2350",
    "SET_FAULTS",
    "Condition",
    "Converter",
    "Fixture",
    "Part",
    "Spread",
    "TrueMode",
    "Winding",
    "catalogue",
    "population",
]
