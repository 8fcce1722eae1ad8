"""`coilbell listen`: the line rate in a sound recording."""

from __future__ import annotations

import argparse
from pathlib import Path

from coilbell.commands.options import show
from coilbell.errors import FileError
from coilbell.quantities import parse

__all__ = ["add_arguments", "run"]

_EXAMPLES = """\
examples:
  coilbell listen whistle.wav
  coilbell listen whistle.wav --mains 50 --clock 5 --json

Record ten seconds at 44.1 kHz or more, uncompressed, from outside the closed
set; record it once more with the set off, and see what stays. Two recordings at
different sampling rates tell a folded tone from a true one.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell listen`."""
    add = parser.add_argument
    add("file", metavar="FILE.wav", help="sound recording: WAV, FLAC or AIFF")
    add("--channel", metavar="NAME", help="channel by name or number from 1, for files that hold several")
    add("--clock", metavar="PPM", default="50", help="standard uncertainty of the sampling rate, in ppm (50)")
    add("--mains", choices=("50", "60"), help="mains frequency in hertz; both are watched for without")
    add("--json", action="store_true", help="one JSON object instead of text")
    parser.epilog = _EXAMPLES


def run(options: argparse.Namespace) -> int:
    """Listen; returns 0 whatever is heard."""
    from coilbell.bench.facts.base import json_line
    from coilbell.bench.facts.listening import listening_facts
    from coilbell.bench.words.listening import listening_text
    from coilbell.bench.worksheet.typed import sound
    from coilbell.isolate import listen

    _refuse_other(options.file)
    samples, rate_hz = sound(options.file, options.channel)
    heard = listen(
        samples,
        rate_hz,
        clock_ppm=parse(options.clock, "", "--clock"),
        mains_hz=float(options.mains) if options.mains else None,
    )
    facts = listening_facts(heard, Path(options.file).name)
    show(json_line(facts) if options.json else listening_text(facts))
    return 0


def _refuse_other(name: str) -> None:
    """Raise FileError for a file that is there and holds no sound, before it is taken for a table."""
    from coilbell.bench.files import sound

    path = Path(name)
    if not path.is_file():
        return
    try:
        with path.open("rb") as stream:
            head = stream.read(12)
    except OSError:
        return  # told in its own words where it is read
    if not sound.recognises(head):
        raise FileError(f"{name}: is no sound file; give a recording as WAV, FLAC or AIFF")
