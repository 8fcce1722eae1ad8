"""The process of a virtual board: runs the firmware and stands between it and the host.

Started as `python -m coilbell.board.virtual.process virtual:?...`. It prints the number of the TCP port it
listens on at 127.0.0.1, once it is ready, and takes one connection. It ends, and the firmware's interpreter
with it, when the host closes the connection, when its standard input ends (the host's process is gone), when
the firmware's interpreter ends, or when no host has come within a minute.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import traceback
from pathlib import Path
from zlib import crc32

from coilbell.board import frame
from coilbell.board.deploy import firmware_files
from coilbell.board.virtual.address import Address, parse
from coilbell.board.virtual.bridge import Bridge, HostLink
from coilbell.board.virtual.cable import Cable, Unplugged
from coilbell.board.virtual.leads import Leads
from coilbell.errors import MissingError

__all__ = ["Board", "interpreter"]

_HOST_WAIT_S = 60.0
_START_WAIT_S = 60.0
_NO_CAPACITOR = 1e-15


def interpreter(wish: str = "") -> list[str]:
    """What runs the firmware: MicroPython where there is one, else this Python."""
    found = shutil.which("micropython") or shutil.which("micropython", path=str(Path(sys.executable).parent))
    if wish == "micropython" and not found:
        raise MissingError("no micropython program here; leave interpreter=micropython out")
    return [found] if found and wish != "python" else [sys.executable, "-I", "-u"]


class Board:
    """One virtual board."""

    def __init__(self, wishes: Address) -> None:
        self._wishes = wishes
        self._leads = Leads(wishes)
        self._folder = tempfile.mkdtemp(prefix="coilbell-")
        self._firmware: subprocess.Popen[bytes] | None = None
        self._ending = threading.Lock()

    def run(self) -> None:
        """Serve one host to the end; does not return."""
        threading.Thread(target=self._watch_parent, daemon=True).start()
        try:
            with socket.create_server(("127.0.0.1", 0)) as inner:
                bridge_socket = self._start(inner)
            with socket.create_server(("127.0.0.1", 0)) as outer:
                outer.settimeout(_HOST_WAIT_S)
                print(outer.getsockname()[1], flush=True)
                host, _ = outer.accept()
                # Frames go out in pieces; none may wait until the one before is acknowledged.
                host.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            link = HostLink(host, Cable(self._wishes), self.end)
            with contextlib.suppress(Unplugged, OSError):
                Bridge(bridge_socket, link, {b"S": self._shot, b"L": self._lead}).run()
            host.close()
        except Exception:
            traceback.print_exc()  # end() leaves no time for the interpreter to do so
        finally:
            self.end()

    def _start(self, inner: socket.socket) -> socket.socket:
        files = firmware_files(design=self._wishes.design)
        board = files["board.py"]
        if self._wishes.design != "full":  # beside the constants, so that it goes when the board does
            board = Path(shutil.copy(board, self._folder))
        launcher = Path(__file__).with_name("launcher.py")
        words = [
            str(inner.getsockname()[1]),
            str(files["main.py"].parent),
            str(files["frame.py"].parent),
            str(board.parent),
            str(Path(self._folder, "constants.txt")),
            self._wishes.chip,
            self._unique_id(),
            str(self._wishes.hurry),
        ]
        self._firmware = subprocess.Popen(
            [*interpreter(self._wishes.interpreter), str(launcher), *words],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            cwd=self._folder,
        )
        inner.settimeout(_START_WAIT_S)
        sock, _ = inner.accept()
        sock.settimeout(None)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return sock

    def _unique_id(self) -> str:
        """The same for the same unit; "764" in front, as no chip has."""
        return f"764{crc32(f'{self._wishes.part} {self._wishes.seed}'.encode()):013x}"

    def _watch_parent(self) -> None:
        with contextlib.suppress(OSError):
            while os.read(0, 4096):
                pass
        self.end()

    def end(self) -> None:
        """End the firmware's interpreter and this process, from whatever thread."""
        with self._ending:
            if self._firmware is not None:
                self._firmware.kill()
                self._firmware.wait()
            shutil.rmtree(self._folder, ignore_errors=True)
            os._exit(0)

    def _shot(self, asked: bytes) -> bytes:
        farads_ff, width, delay, count, loop = map(int, asked.split())
        pulse_s, pulse_at_s, rate_hz = width / frame.TICK_HZ, delay / frame.TICK_HZ, float(frame.RATE_HZ)
        if loop:
            codes = self._leads.loop_codes(pulse_s, pulse_at_s, rate_hz, count)
        else:
            farads = farads_ff * 1e-15 or _NO_CAPACITOR
            codes = self._leads.codes(farads, pulse_s, pulse_at_s, rate_hz, count)
        return codes.astype("<u2").tobytes()

    def _lead(self, asked: bytes) -> bytes:
        return struct.pack("<i", round(min(2000.0, max(-2000.0, self._leads.lead_volts())) * 1e6))


if __name__ == "__main__":
    Board(parse(sys.argv[1])).run()
