"""What `coilbell capture` is asked for: its options, checked before anything is struck."""

from __future__ import annotations

import argparse
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from coilbell.commands.options import connection_of, done_of, temperature_of
from coilbell.commands.series import check_items
from coilbell.commands.watching import check_watching
from coilbell.errors import InputError
from coilbell.quantities import parse

if TYPE_CHECKING:
    from coilbell.board import Settings

__all__ = ["Request", "request_of"]

_LONGEST_NOTE = 2000
"""Letters of a note; assumed."""


@dataclass(frozen=True, slots=True)
class Request:
    """The options, checked."""

    settings: tuple[Settings, ...]
    """One for each test capacitor."""
    count: int | None
    """Captures to take, None until Ctrl-C."""
    out: str | None
    count_to: float
    label: str
    json: bool
    ladder: bool = False
    probe: bool = False
    """Whether a probe settles where a ring would fold and is interleaved."""


def request_of(options: argparse.Namespace) -> Request:
    """The request that the options make. Raises InputError."""
    from coilbell.bench.log import check_words
    from coilbell.board import Settings
    from coilbell.commands.fit import fraction
    from coilbell.record import Connection

    if options.count < 1:
        raise InputError(f"--count {options.count}; give 1 or more, or --watch")
    check_watching(options)
    if options.items:
        check_items(options)
    if options.ladder and (options.pulse is not None or options.capacitor != "A" or options.watch):
        raise InputError("--ladder chooses pulses and capacitors; leave --pulse, --capacitor and --watch out")
    if options.json and options.out == "-":
        raise InputError("--json and --out - would mix on stdout; write the records to a file")
    check_words(options.note, "--note", _LONGEST_NOTE)
    asked = options.capacitor.upper()
    letters = ("A", "B") if asked == "BOTH" else (asked,)
    settings = tuple(
        Settings(
            capacitor=letter,
            shots=(1 if options.watch else 8) if options.shots is None else options.shots,
            interleave=1 if options.interleave is None else options.interleave,
            samples=options.samples,
            pretrigger=options.pretrigger,
            pulse_s=None if options.pulse is None else parse(options.pulse, "s", "--pulse"),
            aim_v=_aim_of(options),
            connection=connection_of(options) or Connection.UNKNOWN,
            done=done_of(options),
            across=options.across,
            temperature=temperature_of(options),
            on_posts=options.posts,
            note=options.note,
        )
        for letter in letters
    )
    _check_out(options.out)
    return Request(
        settings,
        None if options.watch else options.count,
        options.out,
        fraction(options.count_to),
        options.label,
        options.json,
        options.ladder,
        probe=options.interleave is None and not options.watch,
    )


def _aim_of(options: argparse.Namespace) -> float | None:
    """In circuit the board aims where sound sets do not conduct; else at its own band."""
    from coilbell.commands.ladder import IN_CIRCUIT_VOLTS

    return IN_CIRCUIT_VOLTS if options.in_circuit and options.pulse is None else None


def _check_out(name: str | None) -> None:
    """Before a part is struck in vain: can the records be kept there?"""
    if name is None or name == "-":
        return
    path = Path(name)
    if path.suffix.lower() not in (".json", ".csv", ".tsv"):
        raise InputError(f"--out {name}: records are kept as .json, .csv or .tsv; give such a name")
    if not path.parent.is_dir():
        raise InputError(f"--out {name}: no folder {path.parent}; make it first")
    try:
        taken = path.exists() and not path.is_file()
    except OSError as error:
        raise InputError(f"--out {name[:80]}: {error.strerror}; choose another name") from error
    if taken or not os.access(path.parent, os.W_OK):
        raise InputError(f"--out {name}: nothing can be written there; choose another name or folder")
