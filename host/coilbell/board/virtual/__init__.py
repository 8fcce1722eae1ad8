"""A board in software: `start("virtual:?part=NAME&state=NAME&seed=N")`.

It runs the very firmware against a simulated winding, in processes of its own, and is reached over TCP. See
`address` for what can be asked of it.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
from dataclasses import dataclass
from typing import Any

from coilbell.board.virtual.address import Address, parse
from coilbell.errors import MissingError

__all__ = ["Address", "Running", "parse", "start"]

_END_WAIT_S = 5.0


@dataclass(frozen=True, slots=True)
class Running:
    """A virtual board that waits for its host."""

    url: str
    """Where pyserial finds it."""
    process: subprocess.Popen[bytes]

    def close(self) -> None:
        """End it; returns when its processes are gone."""
        for stream in (self.process.stdin, self.process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()
        try:
            self.process.wait(_END_WAIT_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


def start(name: str) -> Running:
    """Start the board that `name` asks for.

    Raises InputError for wishes that cannot be, MissingError when it does not start.
    """
    wishes = parse(name)
    _check(wishes)
    process = subprocess.Popen(
        [sys.executable, "-m", "coilbell.board.virtual.process", str(wishes)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        **_apart(),
    )
    assert process.stdout is not None
    number = process.stdout.readline().strip()
    running = Running(f"socket://127.0.0.1:{number.decode('ascii', 'replace')}", process)
    if not number.isdigit():
        running.close()
        raise MissingError("the virtual board does not start; its words are above")
    return running


def _apart() -> dict[str, Any]:
    """A Ctrl-C at the terminal is for the host; the board hears of it from the host."""
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    return {"start_new_session": True}


def _check(wishes: Address) -> None:
    """Part and state must be in the catalogue; raises InputError."""
    from coilbell.board.simulation import Winding, catalogue

    Winding(catalogue.part(wishes.part, wishes.seed), wishes.state, done=wishes.steps)
