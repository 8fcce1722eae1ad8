"""Kinds of winding: what is typical of each, and how far one unit strays from the next.

The figures stand in `kinds/*.toml`, each with its source; `kindfile` says what a file holds and checks it.
They are priors: a reference with enough units of its own replaces the spread, never the other way round.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from coilbell.errors import InputError
from coilbell.winding.odds import kindfile

__all__ = ["KINDS", "Kind", "Spread", "decode_kind", "encode_kind", "kind_named", "kind_of", "table_of_kind"]

Range = tuple[float, float]

_SHIPPED = Path(__file__).parents[1] / "kinds"


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviations of natural logarithms, from one good unit to the next or from ring to ring [1]."""

    inductance: float
    core_loss: float
    resistance: float
    capacitance: float
    loss_slope: float
    """Of 1/Q, separately at each test capacitor: the loss need not move alike at all frequencies."""
    own_frequency: float
    """Of the frequency, separately at each test capacitor: ferrite hardly follows the frequency."""
    fitted_resistance: float
    """Of a resistor that belongs to the part: its tolerance."""
    repeat_frequency: float
    """Of the frequency of one unit rung again: temperature, clips, handling."""
    repeat_loss: float
    """Of 1/Q of one unit rung again."""
    weight: float = 12.0
    """How many good units these figures are worth; a kind that says nothing has this."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of winding.

    turns: of the winding under test [1]; wire_ohms: its resistance [ohm]; stray_farads: its own and
    reflected capacitance [F]; leakage: leakage inductance of a whole winding over its inductance [1];
    turn_leakage: the same of a single turn, which sits closer or farther [1]; series_share: part of the
    loss that copper makes near the usual ring frequency [1]; healthy_q: usual range with `usual_farads`;
    remark: what has to be said of every ring of this kind, or ""; sources: pairs such as
    ("typical.turns", "common practice"), one for each figure.
    """

    name: str
    turns: Range
    wire_ohms: Range
    stray_farads: Range
    leakage: Range
    turn_leakage: Range
    series_share: float
    healthy_q: Range
    usual_farads: float
    spread: Spread
    secondary: bool = False
    """Other windings on the same core, which may be shorted or loaded."""
    high_voltage: bool = False
    """A winding of many thin turns, with rectifiers; it drives a yoke and a tube in its set."""
    rectifiers_inside: bool = False
    """The rectifiers stand between sections of that winding, inside the part."""
    iron: bool = False
    """Laminated or solid iron: the loss hides single turns."""
    warming: Range = (0.0, 0.002)
    """d ln L/dT that the core makes [1/K]; a kind that says nothing has a gapped one."""
    bare_q: float = 0.0
    """Usual Q without the resistors that are often fitted across the winding, 0 where none ever are."""
    remark: str = ""
    sources: tuple[tuple[str, str], ...] = ()


def kind_of(table: Mapping[str, object]) -> Kind:
    """The kind of a table as a file or a reference holds it. Raises FileError that names the place."""
    name, remark, flags, typical, spread, sources = kindfile.figures(table)
    return Kind(
        name=name,
        remark=remark,
        spread=Spread(**spread),
        sources=sources,
        secondary=flags["secondary"],
        high_voltage=flags["high_voltage"],
        rectifiers_inside=flags["rectifiers_inside"],
        iron=flags["iron"],
        **typical,  # type: ignore[arg-type]  # `figures` gives a range where the field is one
    )


def table_of_kind(kind: Kind) -> dict[str, Any]:
    """The table that `kind_of` makes this kind of."""
    table: dict[str, Any] = {"schema": kindfile.SCHEMA, "name": kind.name}
    table |= {flag: True for flag in kindfile.FLAGS if getattr(kind, flag)}
    table |= {"remark": kind.remark} if kind.remark else {}
    for place, source in kind.sources:
        section, _, key = place.partition(".")
        value = getattr(kind if section == "typical" else kind.spread, key)
        shape = {"range": list(value)} if isinstance(value, tuple) else {"value": value}
        table.setdefault(section, {})[key] = shape | {"source": source}
    return table


def decode_kind(text: str) -> Kind:
    """The kind in a TOML text, checked. Raises FileError that names the place."""
    return kind_of(kindfile.table_of(text))


def encode_kind(kind: Kind) -> str:
    """The kind as a TOML text that `decode_kind` reads."""
    return kindfile.written(table_of_kind(kind))


@cache
def _read(stem: str) -> Kind:
    return decode_kind((_SHIPPED / f"{stem}.toml").read_text(encoding="utf-8"))


@cache
def _stems() -> tuple[str, ...]:
    """Names of the shipped files, that of which nothing is known last."""
    return tuple(sorted((p.stem for p in _SHIPPED.glob("*.toml")), key=lambda s: (s == "other-winding", s)))


class _Kinds(Mapping[str, Kind]):
    """Name -> kind. A file is read when its kind is asked for: a judgement needs one of twelve."""

    def __getitem__(self, name: str) -> Kind:
        stem = name.replace(" ", "-")
        if stem not in _stems() or _read(stem).name != name:
            raise KeyError(name)
        return _read(stem)

    def __iter__(self) -> Iterator[str]:
        return (_read(stem).name for stem in _stems())

    def __len__(self) -> int:
        return len(_stems())


KINDS: Mapping[str, Kind] = _Kinds()
"""Name -> kind, of those that ship with the package."""


def kind_named(name: str) -> Kind:
    """The kind of that name; raises InputError with the list of names."""
    kind = KINDS.get(name.strip().lower())
    if kind is None:
        raise InputError(f"no kind of winding {name[:40]!r}; choose one of: {', '.join(KINDS)}")
    return kind
