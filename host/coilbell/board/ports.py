"""Which ports are boards, and why a port cannot be opened: the sentence and the remedy.

Nothing here talks to a port. Reasons come from error numbers and from what the system lists, never from
the wording of an error.
"""

from __future__ import annotations

import errno
import os
import stat
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from coilbell.errors import InputError, MissingError

__all__ = ["USB_ID", "BoardPort", "cannot_open", "choose", "holder", "socket_refused"]

USB_ID = (0x2E8A, 0x0005)
"""USB vendor and product number of MicroPython on RP2040 and RP2350."""

_BUSY = {errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK}
_DENIED = {errno.EACCES, errno.EPERM}
_GONE = {errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO}

_NONE_FOUND = (
    "no board found; plug it in with a data cable, or name its port with --port. A board that shows as a "
    "USB drive has no MicroPython yet. Without a board: --port virtual:"
)


@dataclass(frozen=True, slots=True)
class BoardPort:
    """A serial port as the system lists it."""

    device: str
    """Its name, such as COM5 or /dev/ttyACM0."""
    usb_id: tuple[int, int] | None
    """USB vendor and product number, or None when it is no USB port."""
    unique_id: str
    """USB serial number; for a board the chip's unique id in hex."""
    words: str
    """The system's description."""

    @property
    def is_board(self) -> bool:
        """True for a board that runs MicroPython."""
        return self.usb_id == USB_ID


def choose(listed: Sequence[BoardPort]) -> str:
    """The port of the only board; MissingError when there is none, InputError when there are several."""
    boards = [port.device for port in listed if port.is_board]
    if not boards:
        raise MissingError(_NONE_FOUND)
    if len(boards) > 1:
        raise InputError(f"{len(boards)} boards found; choose one with --port: {', '.join(boards)}")
    return boards[0]


def cannot_open(name: str, number: int | None, listed: Sequence[str]) -> MissingError:
    """Why `name` cannot be opened.

    number: the system's error number, or None where the system tells none; listed: names of the serial
    ports there are.
    """
    denied = number in _DENIED and sys.platform != "win32"
    if denied:
        return MissingError(_permission(name))
    if number in _BUSY or (number not in _GONE and _plain(name) in map(_plain, listed)):
        by = holder(name)
        who = f"{by} has it open" if by else "another program has it open"
        return MissingError(f"{name} is busy: {who}; close that program, then try again")
    others = f"; ports here: {', '.join(listed)}" if listed else "; this computer lists no serial port"
    if name.lower().rstrip("/") == "virtual":
        return MissingError("virtual is no port; a board in software is called virtual: with the colon")
    if number not in _GONE and os.path.exists(name):
        return MissingError(f"{name} is no serial port{others}")
    if number in _GONE or number is None:
        return MissingError(f"{name} is not there: unplugged, or another name{others}")
    return MissingError(f"{name} cannot be opened ({os.strerror(number)}); is it a serial port?{others}")


def _plain(name: str) -> str:
    r"""The name as the system lists it: Windows takes com5 and \\.\COM5 for COM5."""
    return name.upper().removeprefix("\\\\.\\")


def socket_refused(name: str, error: BaseException) -> MissingError:
    """Why socket://host:port cannot be opened; error: what the socket itself raised."""
    if isinstance(error, ConnectionRefusedError):
        return MissingError(
            f"nothing answers at {name}, or it is taken; start the server there and try again"
        )
    if isinstance(error, TimeoutError):
        return MissingError(f"{name} did not answer in time; check host, port number and network")
    if isinstance(error, OSError):
        return MissingError(f"{name} cannot be reached ({error.strerror or error}); check host and port")
    return MissingError(f"{name} is no address of a socket; write it as socket://host:port")


def _permission(name: str) -> str:
    """The remedy for a port that this user may not open."""
    if not sys.platform.startswith("linux"):
        return f"{name} may not be opened by this user; see to its rights (ls -l {name}) and try again"
    vendor, product = USB_ID
    group = _group(name)
    join = f"join its group (sudo usermod -a -G {group} $USER, then log out and in), or " if group else ""
    return (
        f"{name} may not be opened by this user; {join}let every user at this seat open boards with a file "
        "/etc/udev/rules.d/50-coilbell.rules that holds the line\n"
        f'  SUBSYSTEM=="tty", ATTRS{{idVendor}}=="{vendor:04x}", ATTRS{{idProduct}}=="{product:04x}", '
        'TAG+="uaccess"\n'
        "  then: sudo udevadm control --reload, and plug the board in again"
    )


def _group(name: str) -> str | None:
    """The group that may read and write the port, dialout on many systems; None where there is none."""
    if sys.platform == "win32":
        return None
    import grp

    try:
        status = os.stat(name)
        wanted = stat.S_IRGRP | stat.S_IWGRP
        return grp.getgrgid(status.st_gid).gr_name if status.st_mode & wanted == wanted else None
    except (OSError, KeyError):
        return None


def holder(name: str, processes: Path = Path("/proc")) -> str:
    """Which program has the port open, as "NAME (process 123)"; "" where that cannot be told."""
    if not os.path.exists(name):
        return ""  # a socket, a virtual board, or gone: spared the search
    real = os.path.realpath(name)
    for link in processes.glob("[0-9]*/fd/*"):
        try:
            if link.parts[-3] != str(os.getpid()) and os.readlink(link) == real:
                return f"{(link.parents[1] / 'comm').read_text().strip()} (process {link.parts[-3]})"
        except OSError:
            continue  # the process ended, or is another user's
    return ""
