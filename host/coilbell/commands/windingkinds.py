"""`coilbell reference kinds`: kinds of winding listed, shown with sources, or a file of one's own checked."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from coilbell.commands.options import show, tell, text_of_file
from coilbell.errors import FileError, InputError

if TYPE_CHECKING:
    from coilbell.winding import Kind

__all__ = ["kind_of", "kinds"]

_LARGEST_KIND = 100_000
"""Of a kind's file no more is read than shows that it is too long [characters]."""


def kinds(options: argparse.Namespace) -> int:
    """Do `coilbell reference kinds`; returns 0."""
    from coilbell.bench.facts.base import json_line
    from coilbell.bench.words.kind import kind_facts, kind_line, kind_text
    from coilbell.winding import KINDS, encode_kind

    if options.faults:
        return _faults(options)
    if options.kind is None:
        if options.toml:
            raise InputError(f"--toml needs a kind; choose one of: {', '.join(KINDS)}")
        for kind in KINDS.values():
            facts = kind_facts(kind)
            show(json_line(facts) if options.json else kind_line(facts))
        return 0
    kind = kind_of(options.kind)
    if kind.name not in KINDS:
        tell(f"{options.kind}: sound")
    if options.toml:
        show(encode_kind(kind), end="")
        return 0
    facts = kind_facts(kind)
    show(json_line(facts) if options.json else kind_text(facts))
    return 0


def _faults(options: argparse.Namespace) -> int:
    from coilbell.bench.facts.base import json_line
    from coilbell.bench.words.kind import fault_facts, fault_line
    from coilbell.winding import fault_figures

    if options.kind is not None or options.toml:
        raise InputError("--faults are those of every kind; leave KIND and --toml out")
    for facts in map(fault_facts, fault_figures()):
        show(json_line(facts) if options.json else fault_line(facts))
    return 0


def kind_of(text: str) -> Kind:
    """The kind of that name, or of that TOML file. Raises InputError, FileError."""
    from coilbell.winding import KINDS, decode_kind, kind_named

    path = Path(text)
    if path.suffix.lower() != ".toml":
        return kind_named(text)
    toml = text_of_file(path, _LARGEST_KIND)
    try:
        kind = decode_kind(toml)
    except FileError as error:
        raise FileError(f"{path}: {error}") from error
    if KINDS.get(kind.name, kind) != kind:
        raise FileError(
            f"{path}: a kind called {kind.name!r} ships with other figures; give yours another name"
        )
    return kind
