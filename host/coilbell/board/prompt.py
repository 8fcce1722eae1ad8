"""MicroPython's own prompt on a port: out of whatever state it is in, and what to say where it stays."""

from __future__ import annotations

from coilbell.board.exchange import Exchange
from coilbell.errors import BoardError, MissingError

__all__ = ["no_program", "reached", "start_failed"]

_KEYS = (b"\x03", b"\x02", b"\r")
"""Ctrl-C ends a program, a line begun, a block that is continued and pasting; Ctrl-B leaves the raw prompt; a
line's end shows the plain one again. The end is CR: up to MicroPython 1.27 the prompt takes no LF."""

_QUIET_S = 0.3
_MOST_S = 2.0
"""So long what comes after a key is listened to, where it does not end [s]."""


def reached(exchange: Exchange) -> bool:
    """Bring the board to its plain prompt with an empty line; False when none shows."""
    exchange.forget()
    for key in _KEYS:
        exchange.port.write(key)
        quiet = exchange.listen(_QUIET_S, _MOST_S)
        if exchange.at_prompt or not quiet:
            return exchange.at_prompt
    return False


def no_program(port: str) -> MissingError:
    """Why a board that was started stands at its prompt again."""
    return MissingError(
        f"{port} runs MicroPython, but not the tester's program; "
        "put it on: coilbell board flash (BOOTSEL held at the start keeps it from running)"
    )


def start_failed(failure: BoardError) -> BoardError:
    """The traceback of a program that failed as it was started: most likely a file of its own was changed."""
    said = str(failure).split("; press its reset")[0]
    error = BoardError(
        f"{said}; if its board.py was changed, mend it there, else put the firmware on again: coilbell board "
        "flash (it keeps a changed file as board.py.bak)"
    )
    for note in getattr(failure, "__notes__", []):
        error.add_note(note)
    return error
