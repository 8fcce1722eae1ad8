"""A tester on a port: who it is, its aim, captures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from types import TracebackType
from typing import TypeVar

from coilbell.board import constants, frame, ports, prompt, reader
from coilbell.board.aiming import Aim, Measure, begun, refined
from coilbell.board.assembly import Sweeps, shot_of
from coilbell.board.exchange import Exchange, Refusal, Tally, Told, fields_of
from coilbell.board.identity import FIRST_WORDS, Identity, admit, constants_of
from coilbell.board.settings import Settings, check, check_aim
from coilbell.board.transport import Port, PortLost, open_port, serial_ports
from coilbell.errors import (
    BoardError,
    BoardTimeout,
    CoilbellError,
    MeasurementError,
    MissingError,
    WireError,
)
from coilbell.record import Record

__all__ = ["RETRIES", "Tester"]

RETRIES = 3
"""So often a request is made again after a loss; of a capture only what is still missing."""

_AIM_SAMPLES = 2048
_PATIENCE_S: float | None = None
"""The longest silence of a board on a port of this computer [s]: None is as the table in `frame` says."""
_SLOW_PATIENCE_S = 30.0
"""A board in software, here or behind a socket, computes what a winding does by itself."""
_START_S = 1.5
"""What a board takes from Ctrl-D at its prompt to its running program [s]; 0.97 s on an emulated one."""

T = TypeVar("T")
Progress = Callable[[int, int], None]
"""Called with the number of records so far and in all."""


class Tester:
    """A tester on an open port; a context manager that gives the port back.

    port: an object as in `coilbell.board.Port`; patience_s: the longest silence within an answer [s],
    None for that of the table in `frame`; retries: how often a request is made again after a loss.
    """

    def __init__(self, port: Port, patience_s: float | None = None, retries: int = RETRIES) -> None:
        self._port = port
        self._exchange = Exchange(port, patience_s)
        self._retries = retries
        self._identity: Identity | None = None
        self.warnings: list[str] = []
        """What went wrong beside the measurement at the last greeting, for a person to read."""
        self.arrived: tuple[Record, ...] = ()
        """The records of the last capture that arrived whole; all of them unless it failed."""

    @classmethod
    def open(cls, name: str | None = None, *, retries: int = RETRIES) -> Tester:
        """Open a port by name, by default that of the only board, and greet the board.

        Raises MissingError when there is no port, no board or another version; MeasurementError when the
        board does not answer.
        """
        port = open_port(name if name is not None else ports.choose(serial_ports()))
        slow = port.name.startswith(("virtual:", "socket://"))
        patience = _SLOW_PATIENCE_S if slow else _PATIENCE_S
        tester = cls(port, patience, retries)
        try:
            tester.hello()
        except BaseException:
            tester.close()
            raise
        return tester

    def __enter__(self) -> Tester:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give the port back."""
        self._port.close()

    @property
    def port(self) -> str:
        """Name of the port."""
        return self._port.name

    @property
    def tally(self) -> Tally:
        """What happened on the wire so far."""
        return replace(self._exchange.tally)

    @property
    def identity(self) -> Identity:
        """The board, asked once."""
        return self._identity or self.hello()

    # --- greeting ---

    def hello(self) -> Identity:
        """Ask the board who it is; starts its program when it stands at its prompt.

        Raises MissingError for another version of the protocol, and when something else than a tester is
        there; BoardError when its program fails; BoardTimeout when nothing answers.
        """
        # What was left of a line before must not stand before ours.
        self._port.write(b"\n")
        try:
            self._identity = self._again(self._greeted)
        except MeasurementError as error:
            exchange = self._exchange
            if not exchange.at_prompt and (exchange.met or isinstance(error, PortLost)):
                raise
            told = self._stranger(error)
            if isinstance(error, WireError) or not prompt.reached(exchange):
                raise told from error
            self._identity = self._started()
        self._keep_copy(self._identity)
        return self._identity

    def _keep_copy(self, identity: Identity) -> None:
        self.warnings = [
            f"{FIRST_WORDS}; never a part in a set, never anything charged"
        ] * identity.unprotected
        try:
            constants.keep(identity)
        except MissingError as error:
            # A full or locked disk is no reason not to measure.
            self.warnings.append(str(error))
        if identity.constants_from == "defaults" and constants.kept(identity.copy_name) is not None:
            self.warnings.append(
                "this board has lost its constants; coilbell board check --save puts the copy kept here back"
            )

    def _greeted(self) -> Identity:
        found = {item.type: item for item in self._exchange.ask("hello")}
        if frame.HELLO not in found or frame.CONSTANTS not in found:
            raise WireError(f"{self.port} answered without saying who it is; try again")
        return admit(found[frame.HELLO], found[frame.CONSTANTS])

    def _started(self) -> Identity:
        """The board that stood at its prompt, after its program was started."""
        exchange = self._exchange
        exchange.forget()
        self._port.write(b"\x04")
        exchange.listen(_START_S, 4 * _START_S)
        if (failure := exchange.failure) is not None:
            raise prompt.start_failed(failure)
        if exchange.at_prompt:
            raise prompt.no_program(self.port)
        self._port.write(b"\n")
        try:
            return self._again(self._greeted)
        except MeasurementError as error:
            if (failure := exchange.failure) is not None:
                raise prompt.start_failed(failure) from error
            if exchange.at_prompt:
                raise prompt.no_program(self.port) from error
            raise self._stranger(error) from error

    def _stranger(self, error: MeasurementError) -> CoilbellError:
        """The error, or what to say of something that never sent what a tester sends."""
        said = self._exchange.said
        if self._exchange.met or isinstance(error, PortLost) or not (said or isinstance(error, WireError)):
            return error
        words = f"its words: {said[:60]!r}" if said else "bytes without end, none of them readable"
        return MissingError(
            f"{self.port} answers, but not as a tester does ({words}); "
            "is it the right port? if so, put the firmware on: coilbell board flash"
        )

    def _again(self, attempt: Callable[[], T]) -> T:
        """`attempt`, made again after a loss up to `retries` times."""
        for left in range(self._retries, -1, -1):
            try:
                return attempt()
            except MeasurementError as error:
                # Noise from a stranger will not end by asking again.
                strange = isinstance(error, WireError) and not self._exchange.met
                if not left or strange or not _may_pass(error):
                    raise
                self._recover(error)
        raise AssertionError("the last attempt returns or raises")

    def _recover(self, error: MeasurementError) -> None:
        """Bring the board back to listening; raises the error when it does not answer."""
        self._exchange.tally.retried += 1
        self._exchange.resynchronise()
        if isinstance(error, BoardTimeout):
            try:
                self._greeted()
            except BoardTimeout:
                raise error from None

    # --- captures ---

    def aim(
        self,
        capacitor: str = "A",
        pretrigger: int = 64,
        target_v: float | None = None,
        measure: Measure | None = None,
        near_s: float | None = None,
    ) -> Aim:
        """Let the board find the pulse width whose first peak lies well inside the converter's range.

        target_v: the first peak at the winding to aim at instead [V], such as 0.06, 0.13, 0.27 or 0.5. What
        is found then lies within one tick of the pulse or 5 %, whichever is larger; what inductance and
        capacitor do not allow is the outcome "weak" or "strong" with the nearest there is, never an error.
        The board's search goes upwards and sees samples; `measure` tells a ring's amplitude from a few
        records (see `aiming.Measure`), by which the width is then corrected: for rings above 200 kHz and
        windings with further modes. near_s: where the width is nearly known, as from a rung below, the search
        begins there, with `measure` alone [s]. With `measure` what the amplifier takes at the ring's
        frequency is given back; the board's own search knows no frequency: 2 % less at 150 kHz, 5 % at 250.

        Raises InputError for an amplitude beyond the board's, MissingError for a firmware that cannot,
        Refusal when the board does not fire (live leads).
        """
        self.identity.capacitor(capacitor)
        if target_v is not None:
            check_aim(target_v, self.identity)
        if target_v is not None and measure is not None and near_s is not None:
            return refined(self, begun(self.identity, near_s, target_v), capacitor, pretrigger, measure)
        samples = min(_AIM_SAMPLES, self.identity.max_samples)
        aim = self._again(lambda: self._aimed(capacitor, samples, pretrigger, target_v))
        if target_v is None or measure is None:
            return aim
        return refined(self, aim, capacitor, pretrigger, measure)

    def _aimed(self, capacitor: str, samples: int, pretrigger: int, target_v: float | None) -> Aim:
        asked: dict[str, object] = {"capacitor": capacitor, "samples": samples, "pretrigger": pretrigger}
        if target_v is not None:
            asked["target_mv"] = round(target_v * 1e3)
        told = self._values(frame.AIM, "aim", **asked)
        width = told.number("width_ticks")
        pulse_s = width / self.identity.tick_hz
        peak_v, largest_v = told.number("peak_uv") * 1e-6, told.number("largest_uv") * 1e-6
        return Aim(told.text("outcome"), width, pulse_s, peak_v, largest_v, target_v)

    def capture(self, settings: Settings, progress: Progress | None = None) -> tuple[Record, ...]:
        """Take `settings.shots` records.

        What is lost or damaged on the way is asked for again, up to `retries` times in all; a record holds
        only samples that arrived whole. Raises InputError for settings beyond the board's limits,
        Refusal when the board does not fire (live leads), MeasurementError when the wire fails for good.
        """
        self.arrived = ()
        check(settings, self.identity)
        width, note = self._width(settings)
        extra = {"aim": note} if note else {}
        records: list[Record] = []
        try:
            self._collect(settings, width, records, progress)
        finally:
            self.arrived = tuple(
                replace(r, shot=i, extra={**r.extra, **extra}) for i, r in enumerate(records)
            )
        return self.arrived

    def _collect(
        self, settings: Settings, width: int, records: list[Record], progress: Progress | None
    ) -> None:
        """Ask until all records are there, again after a loss; what arrives goes to `records` at once."""
        losses = 0
        while len(records) < settings.shots:
            missing = replace(settings, shots=self._next_shots(settings, len(records)))
            try:
                self._sweeps(missing, width, records, settings.shots, progress)
            except MeasurementError as error:
                losses += 1
                if losses > self._retries or not _may_pass(error):
                    raise
                self._recover(error)

    def _next_shots(self, settings: Settings, done: int) -> int:
        most = max(1, self.identity.max_shots // settings.interleave)
        return min(settings.shots - done, most)

    def _width(self, settings: Settings) -> tuple[int, str]:
        """Pulse width [ticks], and what is to be said of it."""
        if settings.pulse_s is not None:
            return round(settings.pulse_s * self.identity.tick_hz), ""
        aim = self.aim(settings.capacitor, max(1, min(settings.pretrigger, 64)), settings.aim_v)
        if aim.outcome == "steep" and not aim.width_ticks:
            raise BoardError(
                f"even the shortest pulse rings up to {aim.largest_v:.2g} V; use a larger test capacitor"
            )
        return aim.width_ticks, aim.note

    def _sweeps(
        self, settings: Settings, width: int, records: list[Record], total: int, progress: Progress | None
    ) -> None:
        """One capture request; whole records are added to `records` as they come."""
        asked: dict[str, object] = {
            "samples": settings.samples,
            "pretrigger": settings.pretrigger,
            "width_ticks": width,
            "capacitor": frame.LOOP_BACK if settings.loop_back else settings.capacitor,
            "shots": settings.shots,
            "interleave": settings.interleave,
        }
        sweeps: Sweeps | None = None
        fresh: list[Record] = []
        try:
            for item in self._exchange.ask("capture", **asked):
                if item.type == frame.BEGIN:
                    begin = self._begun(item, asked)
                    sweeps = Sweeps(self.identity, settings, begin, self.port)
                elif item.type == frame.DATA and sweeps is not None:
                    sweeps.add(shot_of(item, settings.samples))
                    fresh = sweeps.records
                    if progress is not None:
                        progress(min(len(records) + len(fresh), total), total)
        finally:
            # A frame that arrived whole is right, whatever happened to its neighbours.
            records += fresh
        if len(fresh) != settings.shots:
            raise WireError(f"{len(fresh)} of {settings.shots} records came from {self.port}; try again")

    def _begun(self, item: reader.Frame, asked: dict[str, object]) -> Told:
        """BEGIN's fields; raises WireError when they are not what was asked, or not what hello told."""
        begin = fields_of(item)
        told = self.identity
        expected = asked | {"tick_hz": told.tick_hz, "ticks_per_sample": told.ticks_per_sample}
        rate = Fraction(begin.number("rate_numerator"), begin.number("rate_denominator") or 1)
        for key, value in (expected | {"rate": told.rate_hz}).items():
            seen = rate if key == "rate" else begin.values[key]
            if seen != value:
                raise WireError(
                    f"the board captures with {key} {seen}, asked for was {value}; plug it in again"
                )
        return begin

    # --- figures of the board ---

    def measure(self) -> Told:
        """What the board measures of itself: the fields of a CHECK frame."""
        return self._again(lambda: self._values(frame.CHECK, "check"))

    def change(self, name: str, value: int) -> None:
        """Change a constant in use; it is kept by `save`. Raises Refusal when the value cannot be."""
        identity = self.identity
        told = self._again(lambda: self._values(frame.CONSTANTS, "constant", name=name, value=value))
        source, values = constants_of(told)
        self._identity = replace(identity, constants=values, constants_from=source)

    def save(self) -> Identity:
        """Write the constants in use to the board's file, and the copy here."""
        self._again(lambda: self._values(frame.CONSTANTS, "save"))
        return self.hello()

    def _values(self, kind: int, word: str, **keys: object) -> Told:
        found = {item.type: item for item in self._exchange.ask(word, **keys)}
        if kind not in found:
            raise WireError(f"{self.port} closed {word} without {frame.NAMES[kind]}; try again")
        return fields_of(found[kind])


def _may_pass(error: MeasurementError) -> bool:
    """True where trying again makes sense: something was lost, not refused, and the port is there."""
    if isinstance(error, Refusal):
        return error.code == frame.CAPTURE_FAILED
    return isinstance(error, (WireError, BoardTimeout)) and not isinstance(error, PortLost)
