"""Runs the firmware's own files on this computer; only the class `Hardware` of its shot.py is replaced.

This file is run by MicroPython's unix port, or by CPython where that is missing, as

    launcher.py PORT FIRMWARE-FOLDER FRAME-FOLDER BOARD-FOLDER CONSTANTS-FILE CHIP UNIQUE-ID HURRY

and keeps to what both understand. Hardware and link are asked for over the socket, see bridge.py.
"""

import array
import gc
import io
import os
import socket
import struct
import sys
import time

_MICROPYTHON = sys.implementation.name == "micropython"
_INTERRUPTED = 0xFFFFFFFF
_LEAD_UV = 8_862
# Of the constants in firmware/board.py, those in which the simulated circuit differs from hardware-notes.
_NOMINAL = {
    "gain_ppm": 1_000_000,
    "stray_ff": 25_000,
    "stray_uncertainty_ff": 5_000,
    "input_psi": 1_000_000,
    "input_uncertainty_psi": 100_000,
    "coupling_per_ks": 0,
    "bandwidth_hz": 0,
    "lead_offset_code_16": 2048 * 16,
    "lead_uv": _LEAD_UV,
}
for _way in ("clips", "posts", "A_series", "B_series", "C_series"):  # no copper but the winding's own
    _NOMINAL[_way + "_uohm"] = _NOMINAL[_way + "_uncertainty_uohm"] = 0
_NOMINAL_FIRST = {"input_psi": 579_000, "input_uncertainty_psi": 30_000}
_PROMPT = b"\r\n>>> "


class Ended(BaseException):
    """The bridge is gone; nothing of the firmware may catch it."""


class Bridge:
    """Asks the bridge, one request at a time."""

    def __init__(self, port: int) -> None:
        self._socket = socket.socket()
        self._socket.connect(socket.getaddrinfo("127.0.0.1", port)[0][-1])
        # Else small requests wait for acknowledgements: IPPROTO_TCP, TCP_NODELAY.
        self._socket.setsockopt(6, 1, 1)
        self._stream = self._socket.makefile("rwb")

    def ask(self, letter: bytes, data: bytes = b"") -> bytes:
        """The answer; raises KeyboardInterrupt when the host sent Ctrl-C, Ended when there is none."""
        self._send(letter, data)
        return self._read(self._length())

    def ask_into(self, letter: bytes, data: bytes, target: memoryview) -> None:
        """The answer, into `target`, which it must fill."""
        self._send(letter, data)
        if self._length() != len(target):
            raise Ended()
        at = 0
        while at < len(target):
            count = self._stream.readinto(target[at:])
            if not count:
                raise Ended()
            at += count

    def _send(self, letter: bytes, data: bytes) -> None:
        try:
            self._stream.write(letter + struct.pack("<I", len(data)) + bytes(data))
            if not _MICROPYTHON:  # whose sockets are not buffered
                self._stream.flush()
        except OSError:
            raise Ended() from None

    def _length(self) -> int:
        length: int = struct.unpack("<I", self._read(4))[0]
        if length == _INTERRUPTED:
            raise KeyboardInterrupt()
        return length

    def _read(self, size: int) -> bytes:
        try:
            data: bytes = self._stream.read(size)
        except OSError:
            data = b""
        if len(data) != size:
            raise Ended()
        return data


class Link:
    """The board's standard streams."""

    def __init__(self, bridge: Bridge) -> None:
        self._bridge = bridge
        self._held = b""

    def readinto(self, target: bytearray) -> int:
        """One byte, waited for."""
        while not self._held:
            try:
                self._held = self._bridge.ask(b"R", struct.pack("<II", 256, 3_600_000))
            except KeyboardInterrupt:
                self._held = b""
                raise
        target[0] = self._held[0]
        self._held = self._held[1:]
        return 1

    def write(self, data: bytes) -> int:
        """How many bytes the link took."""
        taken: int = struct.unpack("<I", self._bridge.ask(b"W", data))[0]
        return taken

    def waiting(self) -> bool:
        """Has the host sent something that is not read yet?"""
        return bool(self._held) or self._bridge.ask(b"P") == b"\1"


class Hardware:
    """The hardware of shot.py: a simulated winding, whose codes the bridge gives."""

    start_uncertainty_ps = 0

    def __init__(self, bridge: Bridge, board: object, chip: str, unique_id: str, hurry: bool) -> None:
        frame = __import__("frame")
        self.tick_hz = frame.TICK_HZ
        self._rate_hz = frame.RATE_HZ
        self.ticks_per_sample = frame.TICK_HZ // frame.RATE_HZ
        self.machine = "virtual board, converter of " + chip.upper()
        self.unique_id = unique_id
        version = ".".join([str(part) for part in sys.implementation.version[:3]])
        self.micropython = version if _MICROPYTHON else "none, CPython " + version
        self._bridge = bridge
        self._capacitors = board.CAPACITORS
        self._loop_channel = board.LOOP_CHANNEL
        self._farads_ff = self._loop = 0
        self._hurry = hurry
        self._skipped_ms = 0
        self._start = time.time()

    def start(self) -> None:
        """Nothing to set up."""

    def close(self) -> None:
        """Nothing to give back."""

    def pulse_low(self) -> None:
        """A simulated pulse ends by itself."""

    def select(self, index: int, channel: int) -> None:
        """Switch a test capacitor across the winding, none for -1, and sample that input."""
        self._farads_ff = self._capacitors[index][2] if index >= 0 else 0
        self._loop = int(channel == self._loop_channel)

    def capture(self, samples: array.array, count: int, delay_ticks: int, width_ticks: int) -> int:
        """Fill the buffer; no sample is ever lost here."""
        asked = f"{self._farads_ff} {width_ticks} {delay_ticks} {count} {self._loop}"
        self._bridge.ask_into(b"S", asked.encode(), memoryview(_bytes_of(samples))[: 2 * count])
        return 0

    def measure(self) -> tuple:
        """Tick and sampling rate [Hz]; a simulated clock is right."""
        return self.tick_hz, self._rate_hz

    def lead_code(self) -> int:
        """Code of the converter behind the high-ohm divider at the leads."""
        microvolts = struct.unpack("<i", self._bridge.ask(b"L"))[0]
        return min(4095, max(0, 2048 + (microvolts + _LEAD_UV // 2) // _LEAD_UV))

    def temperature_mc(self) -> int:
        """A room's temperature."""
        return 23_000

    def heap_free(self) -> int:
        """As the interpreter tells it, 0 where it does not."""
        return gc.mem_free() if _MICROPYTHON else 0

    def tidy(self) -> None:
        """As on the board."""
        if _MICROPYTHON:
            gc.collect()

    def ticks_ms(self) -> int:
        """Time, pauses included whether or not they were waited for."""
        return int((time.time() - self._start) * 1000) + self._skipped_ms

    def elapsed_ms(self, since_ms: int) -> int:
        """Time since then."""
        return self.ticks_ms() - since_ms

    def sleep_ms(self, ms: int) -> None:
        """Pause, or only count it when in a hurry."""
        if self._hurry:
            self._skipped_ms += ms
        else:
            time.sleep(ms / 1000)


def _bytes_of(samples: array.array) -> bytearray:
    if _MICROPYTHON:
        import uctypes

        return uctypes.bytearray_at(uctypes.addressof(samples), 2 * len(samples))
    return memoryview(samples).cast("B")


def _prompt(link: Link) -> None:
    """The interpreter's prompt after the program has ended, until Ctrl-D starts it again."""
    byte = bytearray(1)
    link.write(_PROMPT)
    while byte != b"\x04":
        try:
            link.readinto(byte)
        except KeyboardInterrupt:
            link.write(b"\r\nKeyboardInterrupt" + _PROMPT)
        # What is typed is echoed; this prompt runs nothing.
        link.write(_PROMPT if byte in b"\r\n" else bytes(byte))
    link.write(b"\r\nMPY: soft reboot\r\n")


def _traceback(error: Exception) -> bytes:
    if _MICROPYTHON:
        text = io.StringIO()
        sys.print_exception(error, text)
        return text.getvalue().encode()
    import traceback

    return "".join(traceback.format_exception(error)).encode()


def _serve(arguments: list) -> None:
    """Start the firmware's program, again and again, until the bridge is gone."""
    port, firmware, frames, design, constants, chip, unique_id, hurry = arguments
    # frame.py lies among this package's files, so that folder comes last; board.py is that of the design.
    sys.path.insert(0, firmware)
    sys.path.insert(0, design)
    sys.path.append(frames)
    program, board, console = __import__("main"), __import__("board"), __import__("console")
    if board.FIRST:
        _NOMINAL.update(_NOMINAL_FIRST)
    board.CONSTANTS = [(row[0], _NOMINAL.get(row[0], row[1]), row[2], row[3]) for row in board.CONSTANTS]
    bridge = Bridge(int(port))
    link = Link(bridge)

    class Console(console.Console):
        def waiting(self) -> bool:
            return link.waiting()

    while True:
        hardware = Hardware(bridge, board, chip, unique_id, hurry == "1")
        try:
            program.run(hardware, Console(link, link), constants)
        except KeyboardInterrupt:
            link.write(b"coilbell: stopped by Ctrl-C; Ctrl-D starts it again\r\n")
        except Exception as error:
            link.write(_traceback(error).replace(b"\n", b"\r\n"))
        _prompt(link)


def _clean_up(constants: str) -> None:
    """Remove the board's file system; the bridge does so too, unless it was killed."""
    folder = constants[: -len("/constants.txt")]
    os.chdir(folder + "/..")
    for remove, name in (
        (os.remove, constants),
        (os.remove, constants + ".bak"),
        (os.remove, constants + ".new"),
        (os.remove, folder + "/board.py"),
        (os.rmdir, folder),
    ):
        try:  # noqa: SIM105 - MicroPython has no contextlib
            remove(name)
        except OSError:
            pass


if __name__ == "__main__":
    try:  # noqa: SIM105 - MicroPython has no contextlib
        _serve(sys.argv[1:])
    except (Ended, KeyboardInterrupt):
        pass
    _clean_up(sys.argv[5])
