"""`coilbell reference export --all`, `import` of a set, `distrust`: references from bench to bench."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from coilbell.commands.options import show, tell
from coilbell.errors import InputError, MissingError
from coilbell.quantities import counted

if TYPE_CHECKING:
    from coilbell.bench.learned.handover import Handed
    from coilbell.bench.shelf import Shelf

__all__ = ["distrust", "export_all", "import_set"]


def export_all(options: argparse.Namespace, shelf: Shelf) -> int:
    """Write every reference of the shelf to one file."""
    from coilbell.bench.learned.handover import hand_on

    if options.name:
        raise InputError(f"--all and {options.name} exclude each other; leave one out")
    found = hand_on(shelf, Path(options.file), options.who or "")
    tell(f"{counted(len(found), 'reference')} written to {options.file}")
    return 0


def import_set(options: argparse.Namespace, shelf: Shelf, told: Handed) -> int:
    """Take over a set, each reference under its own name."""
    from coilbell.bench.facts.base import json_line
    from coilbell.bench.facts.reference import reference_facts
    from coilbell.bench.learned.handover import take_over
    from coilbell.bench.words.reference import reference_line

    if options.rename:
        raise InputError("--name goes with one reference; a set keeps its names")
    for one in take_over(shelf, told, options.same, merge=options.merge):
        name = one.reference.name
        tell(f"{name}: {counted(one.new, 'capture')} new, {one.here} here already, from {told.who}")
        show(json_line(reference_facts(one.reference)) if options.json else reference_line(one.reference))
    return 0


def distrust(options: argparse.Namespace, shelf: Shelf) -> int:
    """Let a source no longer count, or count again; without one, say which do not."""
    from coilbell.bench.learned.trust import distrust as note
    from coilbell.bench.learned.trust import trust_again

    if options.source is None:
        return _listed(options, shelf)
    if options.again:
        trust_again(shelf.folder, options.source)
        tell(f"{options.source} counts again")
        return 0
    rest = [name for name in shelf.names() if shelf.get(name).sources({options.source})]
    if not rest:
        raise MissingError(
            f"no reference here holds anything of {options.source!r:.80}; `coilbell reference show NAME` "
            "tells where captures came from"
        )
    note(shelf.folder, options.source, options.why or "")
    tell(f"{options.source} counts no longer, in {', '.join(rest)}; findings that rest on it say so")
    return 0


def _listed(options: argparse.Namespace, shelf: Shelf) -> int:
    from coilbell.bench.learned.trust import listed

    if options.again or options.why:
        raise InputError("name the source, as `coilbell reference show NAME` does")
    found = listed(shelf.folder)
    for one in found:
        told = {"source": one.source, "since_utc": one.since_utc, "why": one.why}
        words = f"{one.source}: distrusted since {one.since_utc[:10]}: {one.why}"
        show(json.dumps(told) if options.json else words)
    if not found:
        tell(f"no source is distrusted in {shelf.folder}")
    return 0
