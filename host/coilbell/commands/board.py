"""`coilbell board`: find boards, put the firmware on one, check one."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from coilbell.commands.options import port_of, show, tell
from coilbell.errors import BoardTimeout, InputError, MeasurementError, MissingError

if TYPE_CHECKING:
    from coilbell.board import BoardPort, Identity, Row, Tester

__all__ = ["add_arguments", "finished", "run"]

LIST_SCHEMA = 1
CHECK_SCHEMA = 1

_EXAMPLES = """\
examples:
  coilbell board list                 which boards are there, can they be opened
  coilbell board flash                stock MicroPython -> running tester
  coilbell board flash --design first  breadboard, for new parts on the bench
  coilbell board check                leads open and apart: converter, leakage
  coilbell board check --coil 1m      1 mH on the leads: stray capacitance
  coilbell board check --loop-back    from pulse to first sample: latency
  coilbell board check --save         keep the measured constants on the board
  coilbell board check --guide        step by step with any coil, an ordinary
                                      resistor and a turn of copper wire

Stray capacitance is found by a ring and needs a coil: 1 to 10 mH, air-cored or
gapped. Without --coil two test capacitors take its measure, to some 4 %, but
only that of a known coil is kept: another may bring a capacitance of its own.
--added is for a coil that would ring too fast: a known capacitor across it.
--loop-back needs R31 and R32 of the circuit, from the pulse pin to GPIO28; it
fires 384 pulses, so take from the leads whatever is on them.
An interrupted flash is simply run again. A file on the board that is replaced
stays there as NAME.bak.
Exit code: 0 done, all checks passed; 1 a check or the board failed; 2 an
option cannot be; 3 no board, no tester on that port, another MicroPython, or
no right to the port.
"""

_RESTART_S = 20.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell board`."""
    ways = parser.add_subparsers(dest="way", required=True, metavar="list|flash|check")
    listing = ways.add_parser("list", help="boards on this computer, and why one cannot be opened")
    flashing = ways.add_parser("flash", help="put the firmware on a board and verify it")
    checking = ways.add_parser("check", help="examine a board: a table of what passed and what did not")
    for way in (flashing, checking):
        way.add_argument("--port", metavar="PORT", help="port of the board; by default the only one found")
    flashing.add_argument(
        "--design",
        choices=("full", "first"),
        help="full: the board for sets; first: the breadboard for new parts on the bench "
        "(as the board was, else full)",
    )
    checking.add_argument("--guide", action="store_true", help="calibration step by step, with prompts")
    checking.add_argument("--save", action="store_true", help="keep the measured constants on the board")
    checking.add_argument(
        "--coil",
        metavar="L",
        help="inductance of a coil on the leads, such as 1m, or turns x diameter x length in mm: 100x50x60",
    )
    checking.add_argument("--added", metavar="C", help="a known capacitor beside the coil, such as 10n")
    checking.add_argument(
        "--tolerance",
        metavar="PART",
        type=float,
        default=0.01,
        help="standard uncertainty of coil and capacitor (0.01)",
    )
    checking.add_argument(
        "--loop-back", action="store_true", help="latency: the converter looks at the pulse pin (10 s)"
    )
    for way in (listing, flashing, checking):
        way.add_argument("--json", action="store_true", help="one JSON object a line instead of text")
    parser.epilog = _EXAMPLES


def run(options: argparse.Namespace) -> int:
    """Do what was asked; returns the exit code."""
    ways: dict[str, Callable[[argparse.Namespace], int]] = {"list": _list, "flash": _flash, "check": _check}
    return ways[options.way](options)


# --- list ---


def _list(options: argparse.Namespace) -> int:
    from coilbell.bench.words.fit import wrapped
    from coilbell.board import serial_ports
    from coilbell.quantities import counted

    found = serial_ports()
    boards = [port for port in found if port.is_board]
    if not boards and not options.json:
        show(f"no board found{'; ' + counted(len(found), 'other port') if found else ''}")
        show("a board that shows as a USB drive has no MicroPython yet:\ncopy its UF2 file there")
    for port in boards:
        trouble = _trouble(port)
        if options.json:
            facts = {"schema": LIST_SCHEMA, "kind": "board", "port": port.device, "unique_id": port.unique_id}
            show(json.dumps(facts | {"free": not trouble, "trouble": trouble}))
        else:
            line = f"{port.device}  id {port.unique_id or 'unknown'}  {trouble or 'can be opened'}"
            show(wrapped(line, indent=0))
    return 0


def _trouble(port: BoardPort) -> str:
    """Why it cannot be opened, "" when it can. No byte is sent."""
    from coilbell.board import open_port

    try:
        open_port(port.device).close()
    except MissingError as error:
        return str(error)
    return ""


# --- flash ---


def _flash(options: argparse.Namespace) -> int:
    from coilbell.bench.words.fit import wrapped
    from coilbell.board import FIRST_WORDS, Mpremote, choose, flash, open_port, serial_ports
    from coilbell.quantities import counted

    name = port_of(options) or choose(serial_ports())
    if name.startswith(("virtual:", "socket://")):
        raise InputError(f"{name} cannot be flashed; give a serial port such as COM5 or /dev/ttyACM0")
    # Our own words for a port that is busy or gone are better than those of the program called next.
    open_port(name).close()
    with _bar("flashing") as progress:
        done = flash(Mpremote(name), progress=progress, design=options.design)
    identity = _awaited(done.installed.unique_id, name)
    facts: dict[str, Any] = {
        "schema": LIST_SCHEMA,
        "kind": "flash",
        "board": done.installed.machine,
        "micropython": ".".join(map(str, done.installed.micropython)),
        "copied": list(done.copied),
        "kept": [f"{name}.bak" for name in done.kept],
        "bytes": done.bytes_copied,
        "firmware": identity.firmware,
        "design": "first" if identity.unprotected else "full",
    }
    if options.json:
        show(json.dumps(facts))
        return 0
    show(f"{facts['board']}, MicroPython {facts['micropython']}: firmware {identity.firmware} runs")
    sent = f"sent {counted(len(done.copied), 'file')}, {done.bytes_copied} bytes"
    copied = sent if done.copied else "nothing to send"
    kept = f"; former files kept on it: {', '.join(facts['kept'])}" if done.kept else ""
    show(wrapped(f"{copied}, all verified{kept}", indent=0))
    if identity.unprotected:
        show(wrapped(FIRST_WORDS, indent=0))
    return 0


@contextmanager
def _bar(title: str) -> Iterator[Callable[[int, int, str], None] | None]:
    if not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm

    with tqdm(unit="B", unit_scale=True, desc=title, file=sys.stderr, leave=False, ncols=79) as bar:

        def show(done: int, total: int, words: str) -> None:
            bar.total = total
            bar.set_description(words, refresh=False)
            bar.update(done - bar.n)
            bar.refresh()

        yield show


def _awaited(unique_id: str, name: str) -> Identity:
    """The board after its restart, which may give its port another name."""
    from coilbell.board import Tester, serial_ports

    until = time.monotonic() + _RESTART_S
    while True:
        again = [port.device for port in serial_ports() if unique_id and port.unique_id == unique_id]
        try:
            with Tester.open(again[0] if again else name) as tester:
                return tester.identity
        except (MissingError, MeasurementError) as error:
            if time.monotonic() > until:
                raise BoardTimeout(
                    f"the firmware is on the board, but it does not answer after its restart ({error})"
                ) from error
            time.sleep(0.5)


# --- check ---


def _check(options: argparse.Namespace) -> int:
    from coilbell.board import Tester, selftest
    from coilbell.commands.boardcoil import coil_rows, known_parts

    if options.guide:
        from coilbell.commands.boardguide import guided

        return guided(options, finished)
    coil, added = known_parts(options)
    with Tester.open(port_of(options)) as tester:
        found = tester.identity
        outcome = selftest(tester, _told, options.loop_back)
        rows = [*outcome.rows, *coil_rows(tester, outcome, coil, added)]
        return finished(options, tester, found, rows, outcome.constants)


def finished(
    options: argparse.Namespace,
    tester: Tester,
    before: Identity,
    rows: Sequence[Row],
    constants: Mapping[str, int],
) -> int:
    """Show what a check found and keep it where that was asked for; returns the exit code.

    before: the board before it was examined.
    """
    saved, lacking = _saved(tester, before, constants) if options.save else ([], [])
    for warning in tester.warnings:
        tell(f"coilbell: note: {warning}")
    facts = _check_facts(tester.identity, rows, saved, lacking)
    show(json.dumps(facts) if options.json else _table(facts))
    return 1 if any(row.passed is False for row in rows) else 0


def _told(words: str) -> None:
    if sys.stderr.isatty():
        print(f"\r{words:<30}\r", end="", file=sys.stderr, flush=True)


def _saved(tester: Tester, identity: Identity, constants: Mapping[str, int]) -> tuple[list[str], list[str]]:
    """Constants changed and kept, and those that this board's firmware does not know.

    identity: the board before it was examined. What it has lost of its own comes from the copy here.
    """
    from coilbell.board import kept_constants

    wanted = dict(constants)
    if identity.constants_from == "defaults":
        copy = kept_constants(identity.copy_name) or {}
        wanted = {name: value for name, value in copy.items() if name in identity.constants} | wanted
    lacking = [name for name in wanted if name not in identity.constants]
    changed = [name for name, value in wanted.items() if identity.constants.get(name, value) != value]
    for name in changed:
        tester.change(name, wanted[name])
    if changed or identity.constants_from != "file":
        tester.save()
    return changed, lacking


def _check_facts(
    identity: Identity, rows: Sequence[Row], saved: Sequence[str], lacking: Sequence[str]
) -> dict[str, Any]:
    from coilbell.bench.facts.base import finite

    return {
        "schema": CHECK_SCHEMA,
        "kind": "board check",
        "board": identity.words,
        "micropython": identity.micropython,
        "constants_from": identity.constants_from,
        "passed": not any(row.passed is False for row in rows),
        "rows": [
            {
                "name": row.name,
                "passed": row.passed,
                "value": row.value,
                "standard_uncertainty": row.uncertainty,
                "unit": row.unit,
                "low": finite(row.low),
                "high": finite(row.high),
                "note": row.note,
            }
            for row in rows
        ],
        "saved": list(saved),
        "not_kept_by_this_firmware": list(lacking),
    }


_MARKS = {True: "pass", False: "FAIL", None: "-"}


def _table(facts: dict[str, Any]) -> str:
    """The facts in words, 80 columns."""
    from coilbell.bench.words.fit import wrapped

    lines = [wrapped(f"{facts['board']}, MicroPython {facts['micropython']}", indent=0)]
    lines.append(f"  {'':<5} {'':<20} {'found':<20} wanted")
    for row in facts["rows"]:
        mark = _MARKS[row["passed"]]
        lines.append(f"  {mark:<5} {row['name']:<20} {_figure(row):<20} {_limits(row)}".rstrip())
        if row["note"]:
            lines.append(wrapped(row["note"], indent=8))
    failed = [row["name"] for row in facts["rows"] if row["passed"] is False]
    lines.append("all passed" if not failed else wrapped(f"failed: {', '.join(failed)}", indent=0))
    if facts["saved"]:
        lines.append(wrapped(f"saved on the board: {', '.join(facts['saved'])}", indent=0))
    if facts["not_kept_by_this_firmware"]:
        names = ", ".join(facts["not_kept_by_this_firmware"])
        lines.append(
            wrapped(f"this firmware keeps no {names}; put the present one on: coilbell board flash", indent=0)
        )
    return "\n".join(lines)


def _figure(row: dict[str, Any]) -> str:
    """The figure, with its standard uncertainty in brackets."""
    from coilbell.quantities import concise

    value, spread = row["value"], row["standard_uncertainty"]
    if value is None or spread is None:
        return "" if value is None else _amount(value, row["unit"])
    if row["unit"] in _SCALED:
        return concise(value, spread, row["unit"])
    return f"{concise(value, spread)} {row['unit']}"


def _limits(row: dict[str, Any]) -> str:
    low, high = row["low"], row["high"]
    if low is None and high is None:
        return ""
    unit = row["unit"]
    if high is None:
        return f"at least {_amount(low, unit)}"
    if low == high:
        return _amount(low, unit)
    lowest = _amount(low, unit)
    return f"{lowest if unit in _SCALED else lowest.removesuffix(unit).rstrip()} to {_amount(high, unit)}"


_SCALED = ("H", "F", "ohm", "V", "s", "A")
"""Units that are written with a prefix."""


def _amount(value: float, unit: str) -> str:
    from coilbell.quantities import engineering

    if unit in _SCALED:
        return engineering(value, unit, 3)
    return f"{value:.6g} {unit}".rstrip() if unit == "ticks" else f"{value:.4g} {unit}".rstrip()
