"""tester.cir and parts.toml -> parts, pins and nets.

A part is one line of the netlist. Letters of a reference: R, C, D two-terminal; X any package, whose
reference follows the X. The last word of a line is a value or, for D and X, the name of a model.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

__all__ = ["GROUND", "HERE", "NETLIST", "Part", "blocks", "nets", "number", "parts", "read", "table"]

HERE = Path(__file__).parent
NETLIST = HERE / "tester.cir"
GROUND = "0"

_SCALE = {"f": 1e-15, "p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "k": 1e3, "meg": 1e6, "g": 1e9}


class NetlistError(ValueError):
    """A line of the netlist that is no part."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part that can be bought.

    ref: printed reference, such as R5 or U1; nodes: net of each package pin, in order; value: what the
    netlist says last; block: heading above it; line: the SPICE line, continuation joined.
    """

    ref: str
    nodes: tuple[str, ...]
    value: str
    block: str
    line: str

    @property
    def connected(self) -> tuple[tuple[int, str], ...]:
        """(pin number from 1, net) of the pins that go anywhere."""
        return tuple((k, n) for k, n in enumerate(self.nodes, 1) if not n.startswith("nc"))


def number(text: str) -> float:
    """A SPICE value: 4.7k -> 4700.0; raises NetlistError for anything else."""
    found = re.fullmatch(r"([-+]?[\d.]+(?:e[-+]?\d+)?)(meg|[fpnumkg])?", text.lower())
    if not found:
        raise NetlistError(f"{text!r} is no value; write one such as 4.7k")
    return float(found[1]) * _SCALE.get(found[2] or "", 1.0)


def read(text: str) -> tuple[Part, ...]:
    """Parts of a netlist, in its order."""
    found: list[Part] = []
    block = ""
    for line in re.sub(r"\n\+", " ", text).splitlines():
        if line.startswith("*="):
            block = line[2:].strip()
        elif line.strip() and not line.startswith("*"):
            found.append(_part(line, block))
    references = [part.ref for part in found]
    twice = {ref for ref in references if references.count(ref) > 1}
    if twice:
        raise NetlistError(f"reference used twice: {', '.join(sorted(twice))}")
    return tuple(found)


def _part(line: str, block: str) -> Part:
    words = line.split()
    name, nodes, value = words[0], tuple(words[1:-1]), words[-1]
    if name[0] not in "RCDX" or not nodes:
        raise NetlistError(f"{line!r} is no part; a line is a reference, its nets and a value")
    if name[0] in "RCD" and len(nodes) != 2:
        raise NetlistError(f"{name} has {len(nodes)} nets, not 2")
    if name[0] in "RC":
        number(value)
    return Part(name[1:] if name[0] == "X" else name, nodes, value, block, " ".join(words))


@cache
def parts() -> tuple[Part, ...]:
    """Parts of the tester."""
    return read(NETLIST.read_text(encoding="utf-8"))


def nets(of: tuple[Part, ...] | None = None) -> dict[str, tuple[tuple[str, int], ...]]:
    """Net -> (reference, pin) of everything on it."""
    found: dict[str, list[tuple[str, int]]] = {}
    for part in parts() if of is None else of:
        for pin, net in part.connected:
            found.setdefault(net, []).append((part.ref, pin))
    return {net: tuple(pins) for net, pins in found.items()}


def blocks() -> tuple[str, ...]:
    """Headings of the netlist, in order."""
    return tuple(dict.fromkeys(part.block for part in parts()))


@cache
def table() -> dict[str, dict[str, object]]:
    """Reference -> what parts.toml says of it: tolerance, ratings, footprint, alternatives."""
    listed: dict[str, dict[str, object]] = {}
    for kind in tomllib.loads((HERE / "parts.toml").read_text(encoding="utf-8"))["part"]:
        for ref in kind["refs"]:
            if ref in listed:
                raise NetlistError(f"{ref} stands twice in parts.toml")
            listed[ref] = kind
    return listed
