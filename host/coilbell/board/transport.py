"""Bytes to and from a board: a serial port, a socket or a virtual board. The only importer of pyserial.

A port is any object with the four members of `Port`; tests hand in their own. Names that `open_port` takes:

    COM5, /dev/ttyACM0          a serial port of this computer
    socket://host:port          a serial port that a server on the network passes on
    virtual:?part=NAME&...      a board in software, see `coilbell.board.virtual`

Errors are translated here and nowhere else: MissingError when a port cannot be opened, PortLost when it
vanishes later.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol
from urllib.parse import urlsplit

from coilbell.board import ports
from coilbell.errors import CoilbellError, InputError, MissingError, WireError

__all__ = ["Port", "PortLost", "SerialPort", "open_port", "serial_ports"]

_WRITE_TIMEOUT_S = 2.0
_CHUNK = 65536


class PortLost(WireError):
    """The port is gone: the board was unplugged, or its server ended."""


class Port(Protocol):
    """What a tester talks through."""

    name: str

    def read(self, timeout_s: float) -> bytes:
        """What has arrived, at least one byte; b"" when nothing came within `timeout_s` [s]."""
        ...

    def write(self, data: bytes) -> None:
        """Send all of `data`."""
        ...

    def close(self) -> None:
        """Give the port back; closing twice is allowed."""
        ...


class SerialPort:
    """A port by pyserial.

    device: an open pyserial object; name: what the user calls it; released: called once after closing.
    """

    def __init__(self, device: Any, name: str, released: Callable[[], None] | None = None) -> None:
        self.name = name
        self._device = device
        self._released = released
        # A socket tells only that something waits, not how much.
        self._counts = not name_is_socket(str(device.port))

    def read(self, timeout_s: float) -> bytes:
        """What has arrived, at least one byte; b"" when nothing came within `timeout_s` [s]."""
        try:
            self._device.timeout = timeout_s
            first = bytes(self._device.read(1))
            return first and first + self._waiting()
        except _port_errors() as error:
            raise self._lost("read") from error

    def _waiting(self) -> bytes:
        if self._counts:
            return bytes(self._device.read(self._device.in_waiting))
        self._device.timeout = 0
        return bytes(self._device.read(_CHUNK))

    def write(self, data: bytes) -> None:
        """Send all of `data`; WireError when the board takes none of it for two seconds."""
        try:
            # Not flushed: that has no timeout, and a board that hangs would hold this program for ever.
            self._device.write(data)
        except _timeout_error() as error:
            raise WireError(
                f"{self.name} takes no more bytes; press the board's reset or plug it in again"
            ) from error
        except _port_errors() as error:
            raise self._lost("written to") from error

    def _lost(self, done: str) -> PortLost:
        # pyserial says the same of a port that is gone and of one that another program reads from.
        by = ports.holder(self.name)
        if by:
            return PortLost(
                f"{self.name} gave nothing while it was {done}: {by} has it open as well; close that program "
                "and try again"
            )
        return PortLost(f"{self.name} vanished while it was {done}; check cable and plug, then try again")

    def close(self) -> None:
        """Give the port back; closing twice is allowed."""
        released, self._released = self._released, None
        try:
            self._device.close()
        except _port_errors():
            pass  # the port is gone already, which is what was wanted
        finally:
            if released is not None:
                released()


def name_is_socket(name: str) -> bool:
    """True for socket://host:port."""
    return name.lower().startswith("socket://")


def open_port(name: str) -> Port:
    """Open the port of that name, see the module's text.

    Raises MissingError that says why it cannot be opened, InputError for a name that is none.
    """
    if not name.strip():
        raise InputError("the port has no name; give one such as COM5 or /dev/ttyACM0, or leave it out")
    if name.startswith("virtual:"):
        return _open_virtual(name)
    if name_is_socket(name):
        _check_socket(name)
    return SerialPort(_open_device(name), name)


def _check_socket(name: str) -> None:
    """A host and a port number must be there; raises InputError."""
    try:
        parts = urlsplit(name)
        whole = bool(parts.hostname and parts.port)
    except ValueError:
        whole = False
    if not whole:
        raise InputError(f"{name} is no address of a socket; write it as socket://host:port")


def _open_virtual(name: str) -> Port:
    from coilbell.board import virtual

    board = virtual.start(name)
    try:
        return SerialPort(_open_device(board.url), name, board.close)
    except CoilbellError:
        board.close()
        raise


def _open_device(name: str) -> Any:
    """The pyserial object, open; raises MissingError."""
    import serial

    try:
        device = serial.serial_for_url(name, do_not_open=True)
    except ValueError as error:
        raise InputError(
            f"{name!r} is no kind of port; give one such as COM5, /dev/ttyACM0, socket://host:port, virtual:"
        ) from error
    device.exclusive = True
    device.write_timeout = _WRITE_TIMEOUT_S
    try:
        device.open()
    except (serial.SerialException, OSError, ValueError, TypeError) as error:
        raise _cannot_open(name, error) from error
    return device


def _cannot_open(name: str, error: Exception) -> MissingError:
    if name_is_socket(name):
        # pyserial wraps the socket's own error and keeps it as context only.
        return ports.socket_refused(name, error.__context__ or error)
    number = error.errno if isinstance(error, OSError) else None
    return ports.cannot_open(name, number, [port.device for port in serial_ports()])


def serial_ports() -> list[ports.BoardPort]:
    """Every serial port of this computer, boards and others, in the order of their names."""
    from serial.tools import list_ports

    found = [
        ports.BoardPort(
            device=str(port.device),
            usb_id=None if port.vid is None else (int(port.vid), int(port.pid)),
            unique_id=(port.serial_number or "").lower(),
            words=port.description if port.description not in (None, "n/a") else "",
        )
        for port in list_ports.comports()
    ]
    return sorted(found, key=lambda port: port.device)


def _port_errors() -> tuple[type[Exception], ...]:
    import serial

    # TypeError: pyserial reads a None descriptor when the port was closed from another thread.
    return (serial.SerialException, OSError, TypeError)


def _timeout_error() -> type[Exception]:
    import serial

    return serial.SerialTimeoutException
