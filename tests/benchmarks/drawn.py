"""Items drawn from the very shares, severities and spreads that the prior states.

A make of a kind is drawn by what its TOML file says, units of it by the stated spreads (times a factor of the
make's own, inverse chi-square, as the judge assumes), faults by `faults.toml`, and each ring is that of the
exact circuit of that unit, not of the typical one by which it is judged. Temperature is part of every ring:
typed, read by a chip, or known to nobody. Some items are rung in circuit, some cleaned, some at several
stages. A ring has the estimator's usual error on it (100 ppm, 0.3 %), or is a record that is fitted.
"""

from __future__ import annotations

import math
import pickle
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from coilbell.decay import fit
from coilbell.record import Capacitor, Connection, Record, Temperature
from coilbell.terms import Step
from coilbell.winding import Capture, Condition, Observation, Reference, observe
from coilbell.winding.odds.attachment import Draws, draws, ring_in_set
from coilbell.winding.odds.cloud import taken
from coilbell.winding.odds.faultfile import value
from coilbell.winding.odds.hypothesis import SHOWS
from coilbell.winding.odds.kind import KINDS, Kind
from coilbell.winding.odds.plane import ring_of
from coilbell.winding.odds.severity import Cases, added_capacitance, cases, changed_inductance, copper, load
from coilbell.winding.odds.stage import Stage, attached, recorded_of
from coilbell.winding.odds.warmth import LOSS, UNKNOWN_K
from coilbell.winding.tank.healthytank import HealthyTank

__all__ = ["Item", "Make", "items", "kept"]

Array = npt.NDArray[np.float64]

ERRORS = (1e-4, 3e-3)
"""Relative error of f and Q of a fit."""
PER_MAKE = 8
"""Items judged by one reference."""
SECOND = {22e-9: 2.2e-9, 100e-9: 22e-9, 2.2e-9: 22e-9, 4.7e-9: 22e-9}
OUT, CLEANED, IN_CIRCUIT = 0.78, 0.96, 0.98
"""Where shares end: rung out of circuit, the same when cleaned, in circuit alone; the rest in both."""
OUTSIDE = Stage(Connection.OUT_OF_CIRCUIT)
LEAST_Q, LEAST_HEALTHY_Q = 0.55, 1.0


@dataclass(frozen=True, slots=True)
class Make:
    """One part of a kind: its typical unit, how far its units stray and how its core follows warmth."""

    kind: Kind
    tank: HealthyTank
    times: float
    """Spread over the stated one [1]."""
    warming: float
    capacitors: tuple[Capacitor, ...]


@dataclass(frozen=True, slots=True)
class Item:
    """One unit to judge, with what is true of it."""

    make: Make
    reference: Reference
    rings: tuple[Observation, ...]
    shorted: bool
    shows: bool
    warmer: float
    """How much warmer it truly was than the good ones [K]."""
    cause: str


def kept(seed: int, count: int, *, fitted: bool) -> list[Item]:
    """The items of that seed, drawn and fitted once and kept in the system's folder for temporary files."""
    place = Path(tempfile.gettempdir()) / "coilbell-judgement" / f"{seed}-{count}-{fitted}.pickle"
    if place.exists():
        return list(pickle.loads(place.read_bytes()))
    found = list(items(seed, count, fitted=fitted))
    place.parent.mkdir(exist_ok=True)
    place.write_bytes(pickle.dumps(found))
    return found


def items(seed: int, count: int, *, fitted: bool = False) -> Iterator[Item]:
    """`count` items, `PER_MAKE` of each make, kinds in turn."""
    for number in range(-(-count // PER_MAKE)):
        rng = np.random.default_rng((seed, number))
        make = _make(list(KINDS.values())[number % len(KINDS)], rng)
        draw = _Draw(make, rng, fitted)
        reference = draw.reference(int(rng.integers(1, 9)))
        for _ in range(min(PER_MAKE, count - number * PER_MAKE)):
            yield draw.item(reference)


def _make(kind: Kind, rng: np.random.Generator) -> Make:
    q = max(math.exp(rng.uniform(*np.log(kind.healthy_q))), LEAST_HEALTHY_Q)
    hertz = math.exp(rng.uniform(math.log(8e3), math.log(60e3)))
    stray = math.exp(rng.uniform(*np.log(kind.stray_farads)))
    henries = 1 / ((2 * math.pi * hertz) ** 2 * (kind.usual_farads + stray))
    reactance = 2 * math.pi * hertz * henries
    share = min(kind.series_share * math.exp(rng.uniform(-0.5, 0.5)), 0.95)
    tank = HealthyTank(henries, stray, share * reactance / q, (1 - share) / q / reactance)
    freedom = kind.spread.weight
    times = math.sqrt((freedom - 2) / rng.chisquare(freedom))
    second = SECOND.get(kind.usual_farads, 2.2e-9)
    chosen = [kind.usual_farads]
    if rng.random() < 0.5 and -float(ring_of(tank, cases(1), second)[1][0]) > math.log(LEAST_HEALTHY_Q):
        chosen = sorted((kind.usual_farads, second), reverse=True)
    capacitors = tuple(Capacitor(c, 0.01, "") for c in chosen)
    return Make(kind, tank, times, rng.uniform(*kind.warming), capacitors)


class _Draw:
    """Units, faults and rings of one make."""

    def __init__(self, make: Make, rng: np.random.Generator, fitted: bool) -> None:
        self.make, self.rng, self.fitted = make, rng, fitted
        self.thermometer = str(rng.choice(["none", "typed", "chip"], p=[0.6, 0.2, 0.2]))

    def unit(self) -> tuple[HealthyTank, Array]:
        """A unit of the make that rings: its tank, and how far each ring strays by itself (2, m)."""
        while True:
            tank, own = self._unit()
            losses = [ring_of(tank, cases(1), c.farads)[1][0] for c in self.make.capacitors]
            if np.isfinite(losses).all() and (np.exp(-(np.array(losses) + own[1])) > 1.1 * LEAST_Q).all():
                return tank, own

    def _unit(self) -> tuple[HealthyTank, Array]:
        spread, z = self.make.kind.spread, self.rng.standard_normal(4) * self.make.times
        tank = self.make.tank
        own = self.rng.standard_normal((2, len(self.make.capacitors))) * self.make.times
        return (
            HealthyTank(
                tank.henries * math.exp(spread.inductance * z[0]),
                tank.farads * math.exp(spread.capacitance * z[1]),
                tank.series_ohms * math.exp(spread.resistance * z[2]),
                tank.shunt_siemens * math.exp(spread.core_loss * z[3]),
            ),
            own * np.array([[spread.own_frequency], [spread.loss_slope]]),
        )

    def reference(self, good: int) -> Reference:
        captures = []
        for k in range(good):
            tank, own = self.unit()
            for n, capacitor in enumerate(self.make.capacitors):
                f, d = (float(x[0]) for x in ring_of(tank, cases(1), capacitor.farads))
                seen = self.seen(
                    f + own[0, n], d + own[1, n], capacitor, Stage(Connection.OUT_OF_CIRCUIT), 20.0
                )
                captures.append(Capture(f"unit-{k}", Condition.GOOD, seen))
        return Reference.begin(f"make-{self.rng.integers(1 << 30)}", self.make.kind, captures)

    def item(self, reference: Reference) -> Item:
        tank, own = self.unit()
        shorted = bool(self.rng.random() < 0.5)
        cause, at = self._fault(tank, shorted)
        warmer = float(self.rng.standard_normal() * UNKNOWN_K)
        lost = float(self.rng.standard_normal() * LOSS * abs(warmer))
        tank = replace(tank, henries=tank.henries * math.exp(self.make.warming * warmer))
        rings = []
        for stage, around in self._stages():
            left = cases(1) if cause == "load" and Step.CLEANED in stage.done else at
            for n, capacitor in enumerate(self.make.capacitors):
                f, d = self._ring(tank, left, stage, around, capacitor, cause)
                rings.append(self.seen(f + own[0, n], d + own[1, n] + lost, capacitor, stage, 20.0 + warmer))
        shows = shorted and self._shows(tank, at, cause)
        return Item(self.make, reference, tuple(rings), shorted, shows, warmer, cause)

    def _fault(self, tank: HealthyTank, shorted: bool) -> tuple[str, Cases]:
        kind = self.make.kind
        if shorted:
            return (
                ("unknown", cases(1))
                if self.rng.random() < value("causes.unknown")
                else self._one("copper", copper(kind, tank))
            )
        inside = ("capacitance", "capacitance_high_voltage", "capacitance_inside")
        stays = value("causes.load_stays")
        usual = math.sqrt(tank.henries / (kind.usual_farads + tank.farads))
        shares = {
            "nothing": value("causes.nothing"),
            "load": value("causes.load") * (1 - stays),
            "load-stays": value("causes.load") * stays,
            "core": value("causes.core"),
            "capacitance": value(f"causes.{inside[kind.high_voltage + kind.rectifiers_inside]}"),
            "unknown": value("causes.unknown"),
        }
        p = np.array(list(shares.values()))
        cause = str(self.rng.choice(list(shares), p=p / p.sum()))
        drawn = {
            "load": lambda: load(usual),
            "load-stays": lambda: load(usual),
            "core": changed_inductance,
            "capacitance": lambda: added_capacitance(kind, tank, self.make.capacitors[0].farads),
        }
        return self._one(cause, drawn[cause]()) if cause in drawn else (cause, cases(1))

    def _one(self, cause: str, listed: Cases) -> tuple[str, Cases]:
        return cause, taken(listed, np.array([self.rng.choice(len(listed), p=listed.weight)]))

    def _stages(self) -> list[tuple[Stage, Draws]]:
        kind = self.make.kind
        one = draws(kind, 4096, 7)
        around = taken(one, self.rng.integers(4096, size=1))
        known = recorded_of(kind)
        cleaned = Stage(
            Connection.OUT_OF_CIRCUIT,
            tuple(s for s in known if s in (Step.CLEANED, Step.WINDINGS_OPEN, Step.RESISTORS_OFF)),
        )
        unplugged = Stage(
            Connection.IN_CIRCUIT, tuple(s for s in known if s in (Step.YOKE_OFF, Step.TUBE_BASE_OFF))
        )
        turn = self.rng.random()
        if turn < OUT:
            return [(OUTSIDE, around)]
        if turn < CLEANED:
            return [(cleaned, around)]
        return [(unplugged, around)] if turn < IN_CIRCUIT else [(OUTSIDE, around), (unplugged, around)]

    def _ring(
        self, tank: HealthyTank, at: Cases, stage: Stage, around: Draws, capacitor: Capacitor, cause: str
    ) -> tuple[float, float]:
        still = ring_of(tank, cases(1), capacitor.farads)
        if cause == "unknown":  # anywhere, as `density.ANYWHERE` has it
            return float(still[0][0]) + self.rng.uniform(-3, 3), float(still[1][0]) + self.rng.uniform(-4, 4)
        if not stage.in_circuit:
            f, d = ring_of(tank, at, capacitor.farads)
        else:
            f, d = ring_in_set(tank, at, around, attached(self.make.kind, stage), capacitor.farads)
        if cause == "core" and self.make.kind.iron:
            d = still[1]
        return float(f[0]), float(d[0])

    def _shows(self, tank: HealthyTank, at: Cases, cause: str) -> bool:
        """A short that moves f or Q by three stated spreads between units, at one of the capacitors."""
        if cause == "unknown":
            return True
        return shows(self.make, tank, at)

    def seen(self, f: float, d: float, capacitor: Capacitor, stage: Stage, celsius: float) -> Observation:
        told = {"typed": 0.5, "chip": 1.5}.get(self.thermometer)
        warm = None
        if told is not None:
            board = "chip" if self.thermometer == "chip" else ""
            warm = Temperature(celsius + told * self.rng.standard_normal(), told, board)
        base = Observation(
            capacitor,
            None,
            None,
            connection=stage.connection,
            done=stage.done,
            board="drawn",
            temperature=warm,
        )
        if not math.isfinite(f + d) or math.exp(-d) < LEAST_Q:
            return base
        hertz, q = math.exp(f), math.exp(-d)
        if self.fitted:
            return self._fitted(base, hertz, q)
        q = max(q * math.exp(ERRORS[1] * self.rng.standard_normal()), LEAST_Q)
        hertz *= math.exp(ERRORS[0] * self.rng.standard_normal()) * math.sqrt(1 - 0.25 / q**2)
        return replace(
            base, frequency_hz=hertz, q=q, frequency_uncertainty=ERRORS[0], q_uncertainty=ERRORS[1]
        )

    def _fitted(self, base: Observation, natural: float, q: float) -> Observation:
        """A record of this ring, fitted: 2048 samples, 1.5 counts of noise on a first peak of 1450."""
        rate = min(500e3, 40 * natural)
        decay = math.pi * natural / q
        damped = 2 * math.pi * natural * math.sqrt(1 - 0.25 / q**2)
        t = np.arange(2048) / rate
        clean = 1450 * np.exp(-decay * t) * np.sin(damped * t + 0.3)
        codes = np.round(2048 + clean + 1.5 * self.rng.standard_normal(t.size))
        record = Record(
            samples=codes.astype(int),
            rate_hz=rate,
            volts_per_count=2.8e-4,
            full_scale=(0, 4095),
            resolution=1.0,
            test_capacitor=base.capacitor,
            wide_codes=(),
        )
        found = observe(fit([record]), record, connection=base.connection)
        kept_ = {"done": base.done, "board": base.board, "temperature": base.temperature, "samples": ""}
        return replace(found, **kept_)  # type: ignore[arg-type]


def shows(make: Make, tank: HealthyTank, at: Cases) -> bool:
    """Does this case move f or Q of the unit by three stated spreads between units?"""
    spread = np.sqrt(np.diag(true_covariance(make))) / make.times
    m = len(make.capacitors)
    for k, capacitor in enumerate(make.capacitors):
        f, d = ring_of(tank, at, capacitor.farads)
        f0, d0 = ring_of(tank, cases(1), capacitor.farads)
        away = abs(float(f[0] - f0[0])) / spread[k], abs(float(d[0] - d0[0])) / spread[m + k]
        if not math.isfinite(sum(away)) or max(away) > SHOWS:
            return True
    return False


def true_covariance(make: Make) -> Array:
    """(2 m, 2 m) covariance between units of a make, by its own circuit."""
    from coilbell.winding.odds.healthy import _assumed

    location = true_location(make)
    return np.asarray(make.times**2 * _assumed(make.tank, location, make.capacitors, make.kind))


def true_location(make: Make) -> Array:
    """(2 m,) ring of the typical unit."""
    rings: Sequence[tuple[Array, Array]] = [ring_of(make.tank, cases(1), c.farads) for c in make.capacitors]
    return np.concatenate([[f[0] for f, _ in rings], [d[0] for _, d in rings]])
