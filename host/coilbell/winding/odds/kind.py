"""Kinds of winding: what is typical of each, and how far one unit strays from the next.

Every figure here is an order of magnitude of the trade (common practice, no published source) together
with the spreads that circuit studies of such parts assume. They are priors: a reference with enough
units of its own replaces the spread, never the other way round.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from coilbell.errors import InputError

__all__ = ["KINDS", "Kind", "Spread", "kind_named"]

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviations of natural logarithms, from one good unit to the next or from ring to ring [1]."""

    inductance: float = 0.10
    core_loss: float = 0.25
    resistance: float = 0.05
    capacitance: float = 0.15
    loss_slope: float = 0.02
    """Of 1/Q, separately at each test capacitor: the loss need not move alike at all frequencies."""
    own_frequency: float = 0.001
    """Of the frequency, separately at each test capacitor: ferrite hardly follows the frequency."""
    fitted_resistance: float = 0.05
    """Of a resistor that belongs to the part: its tolerance."""
    repeat_frequency: float = 0.002
    """Of the frequency of one unit rung again: temperature, clips, handling."""
    repeat_loss: float = 0.02
    """Of 1/Q of one unit rung again."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of winding.

    turns: of the winding under test [1]; wire_ohms: its resistance [ohm]; stray_farads: its own and
    reflected capacitance [F]; leakage: leakage inductance of a whole winding over its inductance [1];
    turn_leakage: the same of a single turn, which sits closer or farther [1]; series_share: part of the
    loss that copper makes near the usual ring frequency [1]; healthy_q: usual range with `usual_farads`;
    remark: what has to be said of every ring of this kind, or "".
    """

    name: str
    turns: Range
    wire_ohms: Range
    stray_farads: Range
    leakage: Range
    turn_leakage: Range
    series_share: float
    healthy_q: Range
    usual_farads: float = 22e-9
    secondary: bool = False
    """Other windings on the same core, which may be shorted or loaded."""
    high_voltage: bool = False
    """A winding of many thin turns, with rectifiers; it drives a yoke and a tube in its set."""
    rectifiers_inside: bool = False
    """The rectifiers stand between sections of that winding, inside the part."""
    iron: bool = False
    """Laminated or solid iron: the loss hides single turns."""
    bare_q: float = 0.0
    """Usual Q without the resistors that are often fitted across the winding, 0 where none ever are."""
    remark: str = ""
    spread: Spread = field(default_factory=Spread)


_IRON = Spread(inductance=0.14, loss_slope=0.15, own_frequency=0.03)
"""Eddy currents in iron turn a spread of loss into one of inductance too."""

_SECTIONS = Spread(capacitance=0.134)
"""The rectifiers' own capacitance between the sections does not stray with the winding's: 12 to 15 %."""

_FEW_OF_MANY = (
    "one or a few shorted turns among many hundred do not show on a winding of this kind; "
    "a ring like the healthy one does not clear it"
)

_LINE_OUTPUT = Kind(
    "line-output transformer",
    (60, 110),
    (0.4, 2.0),
    (1.2e-9, 3e-9),
    (0.01, 0.04),
    (0.03, 0.4),
    0.35,
    (80, 180),
    secondary=True,
    high_voltage=True,
    remark="insulation or a rectifier that breaks down only at working voltage cannot be seen at the low "
    "voltage of a ring",
)

_LIST = (
    _LINE_OUTPUT,
    replace(_LINE_OUTPUT, name="diode-split transformer", rectifiers_inside=True, spread=_SECTIONS),
    Kind(
        "horizontal yoke", (50, 120), (0.3, 3.0), (0.1e-9, 0.2e-9), (0.02, 0.08), (0.2, 0.6), 0.25, (15, 65)
    ),
    Kind(
        "vertical yoke",
        (200, 500),
        (4.0, 20.0),
        (0.2e-9, 0.3e-9),
        (0.02, 0.08),
        (0.15, 0.6),
        0.2,
        (0.5, 30),
        bare_q=10.0,
        remark="resistors fitted across a vertical yoke damp a healthy one until it hardly rings; "
        "unsolder them before a low ring is held against the winding",
    ),
    Kind(
        "switch-mode transformer",
        (30, 80),
        (0.2, 1.0),
        (0.05e-9, 0.2e-9),
        (0.004, 0.02),
        (0.01, 0.2),
        0.25,
        (30, 150),
        secondary=True,
    ),
    Kind(
        "common-mode choke",
        (20, 60),
        (0.1, 1.0),
        (0.02e-9, 0.06e-9),
        (0.005, 0.03),
        (0.005, 0.1),
        0.1,
        (5, 25),
        secondary=True,
    ),
    Kind(
        "power inductor",
        (10, 60),
        (0.02, 0.5),
        (0.005e-9, 0.02e-9),
        (0.02, 0.05),
        (0.03, 0.3),
        0.2,
        (30, 110),
    ),
    Kind(
        "driver transformer",
        (150, 400),
        (10.0, 40.0),
        (0.07e-9, 0.15e-9),
        (0.02, 0.05),
        (0.03, 0.3),
        0.55,
        (10, 30),
        secondary=True,
        remark="single shorted turns of the finer winding act like a load on a part of this kind",
    ),
    Kind(
        "relay coil",
        (1000, 3000),
        (50.0, 300.0),
        (0.1e-9, 0.2e-9),
        (0.05, 0.2),
        (0.1, 0.5),
        0.2,
        (0.7, 4),
        100e-9,
        iron=True,
        remark=_FEW_OF_MANY,
        spread=_IRON,
    ),
    Kind(
        "mains transformer",
        (500, 2000),
        (20.0, 200.0),
        (0.2e-9, 0.4e-9),
        (0.01, 0.05),
        (0.05, 0.5),
        0.1,
        (0.7, 5),
        100e-9,
        secondary=True,
        iron=True,
        remark=_FEW_OF_MANY,
        spread=replace(_IRON, inductance=0.18),
    ),
    Kind(
        "motor winding",
        (200, 800),
        (2.0, 40.0),
        (0.1e-9, 0.3e-9),
        (0.05, 0.2),
        (0.1, 0.5),
        0.2,
        (0.7, 4),
        100e-9,
        iron=True,
        remark=_FEW_OF_MANY,
        spread=_IRON,
    ),
    Kind(
        "other winding",
        (20, 1000),
        (0.05, 100.0),
        (0.01e-9, 1e-9),
        (0.005, 0.1),
        (0.01, 0.9),
        0.3,
        (1, 200),
        secondary=True,
        remark="nothing is known of this kind beforehand, so the odds are wide",
    ),
)

KINDS: dict[str, Kind] = {kind.name: kind for kind in _LIST}
"""Name -> kind."""


def kind_named(name: str) -> Kind:
    """The kind of that name; raises InputError with the list of names."""
    kind = KINDS.get(name.strip().lower())
    if kind is None:
        raise InputError(f"no kind of winding {name[:40]!r}; choose one of: {', '.join(KINDS)}")
    return kind
