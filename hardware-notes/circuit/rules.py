"""Electrical rules of the netlist: what a schematic editor's rule check would look at.

    python -m circuit.rules          in hardware-notes: complaints, if any

Every pin is on one net or is said to be on none; no net has a single pin; two outputs never meet; every
supply pin and every input is driven, directly or through parts that pass a direct current; no piece of wiring
floats; a part's two pins are on two nets; plus of a polarised capacitor is not on ground.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

from circuit.netlist import GROUND, Part, number, parts

__all__ = ["PINS", "complaints"]

_INPUT, _OUTPUT, _SUPPLY, _SOURCE, _BOTH, _PASSIVE = "input", "output", "supply", "source", "both", "passive"


def _pins(count: int, **kinds: tuple[int, ...]) -> tuple[str, ...]:
    """Kind of each pin from 1; the rest is passive."""
    found = [_PASSIVE] * count
    for kind, numbers in kinds.items():
        for pin in numbers:
            found[pin - 1] = kind
    return tuple(found)


PINS: dict[str, tuple[str, ...]] = {
    "POSTS": _pins(2),
    "ARRESTER": _pins(2),
    "FUSE": _pins(2),
    "IRLB8748": _pins(3, input=(1,)),
    "BS250": _pins(3, input=(2,)),
    "MCP6024": _pins(14, input=(2, 3, 5, 6, 9, 10, 12, 13), output=(1, 7, 8, 14), supply=(4, 11)),
    "74HCT86": _pins(14, input=(1, 2, 4, 5, 9, 10, 12, 13), output=(3, 6, 8, 11), supply=(7, 14)),
    "PICO": _pins(
        40,
        both=tuple(n for n in range(1, 30) if n % 5 != 3),
        input=(31, 32, 34),
        source=(35, 36, 40),
        supply=(3, 8, 13, 18, 23, 28, 33, 38),
    ),
}
"""Model of a package -> kind of each pin; those of the module from memory of its pin-out drawing: what a
program may make an input or an output is "both", and pin 40 is a source because the cable feeds it."""

_POLARISED = ("C11", "C16")
_SUPPLY_OHMS = 100.0
"""A supply may come through no more than this [ohm]."""
_BRIDGES: dict[str, tuple[tuple[int, int], ...]] = {
    "FUSE": ((1, 2),),
    "IRLB8748": ((2, 3),),
    "BS250": ((1, 3),),
}
"""Pins of packages between which a direct current passes. An input passes none: it has to be driven."""


def complaints(of: Sequence[Part] | None = None) -> list[str]:
    """What is wrong with these parts, the tester's when left out; empty when nothing is."""
    found = tuple(parts() if of is None else of)
    return [*_counts(found), *_nets(found), *_supplied(found)]


def _counts(of: Sequence[Part]) -> list[str]:
    wrong = []
    for part in of:
        kinds = _kinds(part)
        if kinds is None:
            wrong.append(f"{part.ref}: nothing is known of the pins of a {part.value}")
        elif len(kinds) != len(part.nodes):
            wrong.append(f"{part.ref} has {len(part.nodes)} nets for {len(kinds)} pins")
        if len(part.nodes) == 2 and len(set(part.nodes)) == 1:
            wrong.append(f"{part.ref} has both pins on {part.nodes[0]}")
        if part.ref in _POLARISED and (part.nodes[0] == GROUND or part.nodes[1] != GROUND):
            wrong.append(f"{part.ref} has its plus on {part.nodes[0]} and its minus on {part.nodes[1]}")
        loose = [net for net in part.nodes if net.startswith("nc")]
        wrong += [f"{part.ref}: {net} stands at two pins" for net in set(loose) if loose.count(net) > 1]
    return wrong


def _kinds(part: Part) -> tuple[str, ...] | None:
    if part.ref[0] in "RCD" and part.value not in PINS:
        return _pins(2)
    return PINS.get(part.value)


def _on(of: Sequence[Part]) -> dict[str, dict[str, str]]:
    """Net -> pin in words -> its kind."""
    found: dict[str, dict[str, str]] = {}
    for part in of:
        kinds = dict(enumerate(_kinds(part) or (), 1))
        for pin, net in part.connected:
            found.setdefault(net, {})[f"{part.ref} pin {pin}"] = kinds.get(pin, _PASSIVE)
    return found


def _nets(of: Sequence[Part]) -> list[str]:
    wrong = []
    for net, pins in _on(of).items():
        if len(pins) == 1:
            wrong.append(f"{net} has {next(iter(pins))} alone")
        driving = [pin for pin, kind in pins.items() if kind in (_OUTPUT, _SOURCE)]
        if len(driving) > 1:
            wrong.append(f"{' and '.join(driving)} both drive {net}")
        if driving and net == GROUND:
            wrong.append(f"{driving[0]} drives ground")
    return wrong


def _supplied(of: Sequence[Part]) -> list[str]:
    """Nets that nothing drives: not through one part after the other that passes a direct current."""
    on = _on(of)
    driven = {net for net, pins in on.items() if {_OUTPUT, _SOURCE, _BOTH} & set(pins.values())}
    reached = _reached(of, driven | {GROUND})
    wrong = [f"nothing drives {net} ({', '.join(pins)})" for net, pins in on.items() if net not in reached]
    small = [part for part in of if part.ref[0] == "R" and number(part.value) <= _SUPPLY_OHMS]
    fed = _reached(small, {net for net, pins in on.items() if _SOURCE in pins.values()} | {GROUND})
    for net, pins in on.items():
        if net not in fed:
            hungry = [pin for pin, kind in pins.items() if kind == _SUPPLY]
            wrong += [f"{pin} is a supply pin on {net}, which no supply feeds" for pin in hungry]
    return wrong


def _reached(of: Sequence[Part], start: set[str]) -> set[str]:
    """Nets that a direct current can reach from these."""
    steps = [pair for part in of for pair in _passes(part)]
    reached, before = set(start), 0
    while len(reached) > before:
        before = len(reached)
        reached |= {b for a, b in steps if a in reached} | {a for a, b in steps if b in reached}
    return reached


def _passes(part: Part) -> list[tuple[str, str]]:
    if part.value in _BRIDGES:
        pins = dict(enumerate(part.nodes, 1))
        return [(pins[a], pins[b]) for a, b in _BRIDGES[part.value] if b in pins]
    if part.ref[0] in "RD" and part.value not in PINS:
        return [(part.nodes[0], part.nodes[1])]
    return []


if __name__ == "__main__":
    told = complaints()
    sys.stdout.writelines(f"{line}\n" for line in told or ["no complaints"])
    sys.exit(bool(told))
