"""The parts list of Tarn Lane, an invented workshop: every name and figure is made up.

Sizes follow the trade's orders of magnitude (common practice, no published source).
"""

from __future__ import annotations

from coilbell.board.simulation.families import with_set
from coilbell.board.simulation.part import Coil, Core, HighVoltage, Loop, Part, Surroundings

__all__ = ["PARTS"]


def _ferrite(henries: float, turns: float, loss_ohms: float) -> Core:
    """A core that gives `turns` turns the inductance [H] with a loss [ohm] across them."""
    return Core(henries / turns**2, ((1.0, loss_ohms / turns**2),))


def _laminated(henries: float, turns: float, corner_hz: float) -> Core:
    """Laminated iron: three sections whose losses take over at a third, once and ten times `corner_hz`."""
    shares = ((0.45, 0.1), (0.35, 1.0), (0.2, 10.0))
    total = henries / turns**2
    return Core(total, tuple((s, 6.283 * corner_hz * ratio * s * total) for s, ratio in shares))


_LIST = (
    Part(
        "tarn-line-split",
        "diode-split transformer",
        "line-output transformer of the invented Tarn 21 set, high-voltage winding in three split sections",
        _ferrite(2.22e-3, 80, 81e3),
        (
            Coil("primary", 80, 0.95, 0.012, 120e-12, 4e3),
            Coil("low", 10, 0.157, 0.0267, 100e-12),
            Coil("rail", 60, 0.9, 0.02, 60e-12),
            Coil("heater", 4, 0.02, 0.02, 50e-12),
        ),
        {
            "turn": Loop(1, 0.0234, 119e-9),
            "section": Loop(6, 0.1, 2.1e-6),
            "external": Loop(1, 0.00385, 91.7e-9),
            "high-voltage turn": Loop(1, 0.506, 100e-9),
            "high-voltage part": Loop(200, 100.0, 1.27e-3),
        },
        HighVoltage(3, 800, 120.0, 0.073, 0.1e-12, 13.1e-12, 7.2e-12, 2.8e-12, 3.0e-12, 150e3),
        surroundings=Surroundings(7.7e-9, (1.2e-3, 1.3, 15e3, 1e-6), "heater", 1.5, 10.0, "low", "rail"),
    ),
    Part(
        "tarn-line-single",
        "line-output transformer",
        "line-output transformer of the invented Tarn 12 set, one high-voltage winding, outside rectifier",
        _ferrite(3.0e-3, 90, 80e3),
        (
            Coil("primary", 90, 1.1, 0.015, 150e-12, 25e3),
            Coil("low", 12, 0.05, 0.02, 100e-12),
            Coil("heater", 4, 0.02, 0.02, 50e-12),
        ),
        {
            "turn": Loop(1, 0.014, 150e-9),
            "external": Loop(1, 0.002, 80e-9),
            "high-voltage turn": Loop(1, 0.5, 100e-9),
            "high-voltage part": Loop(200, 60.0, 1e-3),
        },
        HighVoltage(1, 1800, 420.0, 0.05, 3.15e-12, 5.5e-12, 1.3e-12, 0.8e-12, 3.0e-12, 200e3),
        surroundings=Surroundings(6e-9, (1.6e-3, 1.4, 20e3, 1e-6), "heater", 1.5, 10.0, "low", "low"),
    ),
    Part(
        "tarn-yoke-line",
        "horizontal yoke",
        "horizontal deflection yoke of the invented Tarn 21 set",
        _ferrite(1.207e-3, 90, 13.2e3),
        (Coil("primary", 90, 1.28, 0.05, 150e-12, 30e3),),
        {"turn": Loop(1, 0.0405, 203e-9)},
    ),
    Part(
        "fell-yoke-line",
        "horizontal yoke",
        "low-impedance horizontal yoke of the invented Fell 15 monitor",
        _ferrite(0.28e-3, 55, 6e3),
        (Coil("primary", 55, 0.4, 0.05, 120e-12, 40e3),),
        {"turn": Loop(1, 0.02, 70e-9)},
    ),
    Part(
        "tarn-yoke-frame",
        "vertical yoke",
        "vertical deflection yoke of the invented Tarn 21 set, damping resistors removed",
        _ferrite(22e-3, 280, 15.2e3),
        (Coil("primary", 280, 9.0, 0.05, 250e-12),),
        {"turn": Loop(1, 0.03, 100e-9)},
    ),
    Part(
        "tarn-yoke-frame-damped",
        "vertical yoke",
        "vertical deflection yoke of the invented Tarn 21 set with its damping resistors",
        _ferrite(22e-3, 280, 15.2e3),
        (Coil("primary", 280, 9.0, 0.05, 250e-12),),
        {"turn": Loop(1, 0.03, 100e-9)},
        damping_ohms=750.0,
    ),
    Part(
        "moss-switcher",
        "switch-mode transformer",
        "mains switch-mode transformer of the invented Moss supply, gapped",
        _ferrite(0.9e-3, 54, 40e3),
        (Coil("primary", 54, 0.45, 0.01, 100e-12, 60e3), Coil("low", 6, 0.01, 0.01, 80e-12)),
        {
            "turn": Loop(1, 0.008, 40e-9),
            "section": Loop(4, 0.033, 0.32e-6),
            "external": Loop(1, 0.002, 60e-9),
        },
        surroundings=Surroundings(1e-9, rectifier="low", schottky="low"),
    ),
    Part(
        "moss-forward",
        "switch-mode transformer",
        "forward converter transformer of the invented Moss supply, no gap",
        _ferrite(4.5e-3, 44, 45e3),
        (Coil("primary", 44, 0.25, 0.004, 120e-12, 60e3), Coil("low", 5, 0.008, 0.004, 80e-12)),
        {"turn": Loop(1, 0.006, 30e-9), "external": Loop(1, 0.002, 60e-9)},
        surroundings=Surroundings(1e-9, rectifier="low", schottky="low"),
    ),
    Part(
        "moss-choke",
        "power inductor",
        "output choke of the invented Moss supply",
        _ferrite(220e-6, 42, 12e3),
        (Coil("primary", 42, 0.12, 0.03, 10e-12, 60e3),),
        {"turn": Loop(1, 0.004, 20e-9)},
    ),
    Part(
        "fell-choke",
        "power inductor",
        "small filter choke of the invented Fell 15 monitor",
        _ferrite(47e-6, 24, 3e3),
        (Coil("primary", 24, 0.06, 0.03, 10e-12, 80e3),),
        {"turn": Loop(1, 0.004, 15e-9)},
    ),
    Part(
        "moss-line-filter",
        "common-mode choke",
        "mains filter choke of the invented Moss supply, its two halves alike",
        _ferrite(9e-3, 36, 9e3),
        (Coil("primary", 36, 0.34, 0.0104, 30e-12, 120e3), Coil("half", 36, 0.34, 0.0104, 30e-12, 120e3)),
        {"turn": Loop(1, 0.007, 25e-9)},
    ),
    Part(
        "tarn-driver",
        "driver transformer",
        "line driver transformer of the invented Tarn 21 set",
        _ferrite(14e-3, 260, 42e3),
        (Coil("primary", 260, 18.0, 0.03, 100e-12), Coil("low", 24, 0.4, 0.03, 60e-12)),
        {"turn": Loop(1, 0.07, 60e-9)},
    ),
    Part(
        "beck-relay",
        "relay coil",
        "relay of the invented Beck control panel",
        _laminated(0.6, 2400, 150.0),
        (Coil("primary", 2400, 160.0, 0.15, 150e-12),),
        {"turn": Loop(1, 0.06, 200e-9)},
    ),
    Part(
        "beck-mains",
        "mains transformer",
        "mains transformer of the invented Beck control panel",
        _laminated(3.0, 1200, 400.0),
        (Coil("primary", 1200, 60.0, 0.02, 300e-12), Coil("low", 70, 0.4, 0.02, 200e-12)),
        {"turn": Loop(1, 0.12, 150e-9)},
    ),
    Part(
        "beck-motor",
        "motor winding",
        "stator winding of the invented Beck fan",
        _laminated(80e-3, 600, 800.0),
        (Coil("primary", 600, 14.0, 0.12, 200e-12),),
        {"turn": Loop(1, 0.08, 100e-9)},
    ),
)

_IN_SETS = ("tarn-line-split", "tarn-line-single", "moss-switcher", "moss-forward")
"""Parts whose whole set is known; each number draws its nominal set."""

PARTS: dict[str, Part] = {
    part.name: with_set(part, _IN_SETS.index(part.name)) if part.name in _IN_SETS else part for part in _LIST
}
