"""The healthy winding as a circuit: what every fault changes and every reference is turned into."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from coilbell.errors import InputError
from coilbell.winding.tank.circuit import Circuit

__all__ = ["HealthyTank"]


@dataclass(frozen=True, slots=True)
class HealthyTank:
    """The healthy winding, by itself or with its test capacitor.

    henries: inductance; farads: all capacitance across the leads, the winding's own stray capacitance and,
    where there is one, the test capacitor; series_ohms: resistance
    in series; shunt_siemens: conductance across the leads; core_siemens: conductance that only the flux
    in the core meets; leakage: share of the inductance whose flux does not pass the core [0..1).
    """

    henries: float
    farads: float
    series_ohms: float = 0.0
    shunt_siemens: float = 0.0
    core_siemens: float = 0.0
    leakage: float = 0.0

    def __post_init__(self) -> None:
        for name in ("henries", "farads"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise InputError(f"tank {name} {value!r}; give a number above 0")
        for name in ("series_ohms", "shunt_siemens", "core_siemens"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise InputError(f"tank {name} {value!r}; give 0 or more")
        if not 0 <= self.leakage < 1:
            raise InputError(f"tank leakage {self.leakage!r}; give a share from 0 to below 1, such as 0.03")

    @classmethod
    def from_ring(
        cls,
        natural_hz: float,
        q: float,
        farads: float,
        series_share: float = 0.0,
        core_share: float = 0.0,
        leakage: float = 0.0,
    ) -> HealthyTank:
        """The tank that rings at this natural frequency w0/(2 pi) [Hz] with this Q = w0/(2 a).

        The decay 2 a is shared out: `series_share` of it to R, `core_share` to the core, the rest across
        the leads. Exact without leakage; with it the core's share comes out smaller by about 2 leakage.
        """
        if not (natural_hz > 0 and q > 0.5):
            raise InputError(f"a ring at {natural_hz!r} Hz with Q {q!r}; give a frequency, and Q above 0.5")
        if not (series_share >= 0 and core_share >= 0 and series_share + core_share <= 1 + 1e-12):
            raise InputError(f"loss shares {series_share!r} and {core_share!r}; together they make 1 at most")
        w0 = 2 * math.pi * natural_hz
        loss = w0 / q
        shunt_share = max(1 - series_share - core_share, 0.0)
        # With R in series to L parallel to G_c, and G across both, u = 1 + R G_c:
        # w0^2 L C u = 1 + R G,  2 a = R/(L u) + G/C + G_c/(C u).
        xu = 1 / (1 - shunt_share * series_share / q**2)
        u = 1 / (1 - series_share * core_share * xu / q**2)
        henries = xu / (u * w0**2 * farads)
        return cls(
            henries,
            farads,
            series_share * loss * henries * u,
            shunt_share * loss * farads,
            core_share * loss * farads * u,
            leakage,
        )

    def with_farads(self, farads: float) -> HealthyTank:
        """The same winding with another total capacitance [F]."""
        return replace(self, farads=farads)

    def circuit(self) -> Circuit:
        """The winding with nothing wrong."""
        return Circuit(
            self.farads,
            self.henries * (1 - self.leakage),
            self.henries * self.leakage,
            self.series_ohms,
            self.shunt_siemens,
            self.core_siemens,
        )
