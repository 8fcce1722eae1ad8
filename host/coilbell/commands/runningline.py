"""One line that renews itself while a winding is watched: keys to freeze, keep and mark, and jumps told.

On a terminal the line is written over; in a pipe, or with --lines, every capture has a line of its own. A
jump, a mark and what is kept stay on the screen as lines of their own.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from coilbell.bench.facts.base import Facts, json_line
from coilbell.bench.facts.trend import Watched
from coilbell.bench.files.encoding import harmless
from coilbell.bench.watch import Watch
from coilbell.bench.words.running import Running, change_words, drift_words, running_line
from coilbell.commands.options import show, tell
from coilbell.errors import CoilbellError, DoubtedUnit, MeasurementError
from coilbell.quantities import counted

if TYPE_CHECKING:
    from blessed import Terminal

    from coilbell.bench.facts.trend import TrendFacts
    from coilbell.bench.page import Wish
    from coilbell.bench.page.judgedshot import JudgedShot
    from coilbell.decay import Fit
    from coilbell.record import Connection, Record
    from coilbell.winding import Reference

__all__ = ["KEYS", "Strikes", "Watching", "watch"]

WATCH_SCHEMA = 1
"""Number of the object that each line is with --json."""

KEYS = {
    " ": "freeze",
    "k": "keep",
    "g": "good",
    "x": "shorted",
    "h": "heated",
    "c": "cooled",
    "t": "tapped",
    "q": "end",
}
"""Key -> what it does; the last three but one are marks on the trend."""

_MOST_FAILURES = 3
"""So many captures may fail one after another before watching ends."""

_PAUSE_S = 1.0
"""Pause after a capture that failed [s]."""

_BELL_S = 1.0
"""Shortest time between two rings of the terminal's bell [s]."""


class Strikes(Protocol):
    """What strikes the winding."""

    def capture(self, letter: str, connection: Connection) -> Record:
        """One shot."""

    def aim_again(self) -> None:
        """Look for a new pulse width before the next shot."""


@dataclass(kw_only=True)
class Watching:
    """What is watched and how. keep: called with the last shots by the key k and, where every is set, with
    each; keep_trend: takes stretches of the trend; mark: adds the last shots to the reference, as good or
    not, and whether although doubted."""

    source: Strikes
    wish: Wish
    reference: Reference | None
    keep: Callable[[list[Record]], str] | None
    mark: Callable[[list[JudgedShot], bool, bool], str] | None
    lines: bool
    json: bool
    every: bool
    sound: bool
    keep_trend: Callable[[TrendFacts], None] | None = None


def watch(watching: Watching) -> int:
    """Watch until q or Ctrl-C, which is the proper end; returns the exit code.

    A capture that fails is told and passed over; 1 after several in a row. Raises PortLost.
    """
    with _screen(watching) as screen:
        return Loop(watching, screen).run()


class Loop:
    """Strikes, shows and obeys keys until it ends."""

    def __init__(self, watching: Watching, screen: _Screen) -> None:
        from coilbell.bench.page.aiming import Aiming
        from coilbell.bench.page.judging import Judge

        self.watching, self.screen = watching, screen
        self.judge, self.aiming = Judge(), Aiming()
        self.judge.begin(watching.wish, watching.reference)
        self.last: dict[str, JudgedShot] = {}
        self.taken = self.kept = self.failures = 0
        self.frozen = self.ended = self.doubted = False
        wish = watching.wish
        self.watch = Watch(time.time(), wish.letters[0], str(wish.connection), watching.keep_trend)

    def run(self) -> int:
        try:
            while not self.ended and self.failures < _MOST_FAILURES:
                self._turn()
        except KeyboardInterrupt:
            pass
        finally:
            self.watch.close()
        self.screen.close_line()
        for what in Watched:
            if words := drift_words(what, self.watch.trend.drift(what)):
                tell(f"coilbell: {words}")
        kept = f", {self.kept} kept" if self.watching.keep else ""
        tell(f"coilbell: {counted(self.taken, 'capture')} taken{kept}")
        return 1 if self.failures >= _MOST_FAILURES else 0

    def _turn(self) -> None:
        for letter in self.watching.wish.letters:
            if self.ended or self.frozen:
                break
            try:
                self._struck(letter)
                self.failures = 0
            except MeasurementError as error:
                self._failed(error)
            self._keys(0.0)
        if self.frozen and not self.ended:
            self._keys(0.2)

    def _struck(self, letter: str) -> None:
        from coilbell.bench.page.judging import Struck

        wish = self.watching.wish
        record = self.watching.source.capture(letter, wish.connection)
        shot = self.judge.judged(Struck(wish, letter, record, time.time()))
        self.last[letter] = shot
        self.taken += 1
        if not self.aiming.suits(shot):
            self.watching.source.aim_again()
        if self.watching.every:
            self._keep([record])
        seen = _running(shot)
        if self.watching.json:
            show(json_line(_facts(shot, seen)))
        else:
            self.screen.line(running_line(seen))
        self.screen.sound(shot.fit)
        # Rings with different capacitors are different rings: the trend is the first one's.
        if letter == wish.letters[0]:
            for change in self.watch.see(shot, shot.struck_at):
                self.screen.say(f"{_clock(change.time_s)}  {change_words(change)}")

    def _failed(self, error: MeasurementError) -> None:
        from coilbell.board import PortLost, Refusal

        if isinstance(error, PortLost):
            raise error
        self.screen.close_line()
        tell(f"coilbell: {error}")
        # A refusal is the board at work, as when the leads are live; it may refuse as long as that lasts.
        self.failures += not isinstance(error, Refusal)
        self._keys(_PAUSE_S)

    def _keys(self, wait_s: float) -> None:
        """Obey the keys pressed, waiting so long for the first."""
        key = self.screen.key(wait_s)
        while key:
            self._obey(KEYS.get(key.lower(), ""))
            key = self.screen.key(0.0)

    def _obey(self, what: str) -> None:
        anyway, self.doubted = self.doubted, False
        if what == "end":
            self.ended = True
        elif what == "freeze":
            self.frozen = not self.frozen
            self.screen.say("frozen; space goes on" if self.frozen else "")
        elif what == "keep":
            self._keep([shot.record for shot in self.last.values()])
        elif what in ("good", "shorted"):
            self._mark(what == "good", anyway=anyway)
        elif what:
            self.screen.say(f"{_clock(self.watch.mark(what, time.time()))}  marked: {what}")

    def _keep(self, records: list[Record]) -> None:
        if not self.watching.keep:
            self.screen.say("nothing says where to keep it: give --item NAME or --out FILE")
        elif records:
            self._told(lambda: self.watching.keep(records) if self.watching.keep else "")
            self.kept += len(records)

    def _mark(self, good: bool, *, anyway: bool) -> None:
        if self.watching.mark is None:
            self.screen.say("no reference to mark it in: give --reference NAME")
        elif self.last:
            mark, shots = self.watching.mark, list(self.last.values())
            self._told(lambda: mark(shots, good, anyway))

    def _told(self, do: Callable[[], str]) -> None:
        """What was done; by hand an error is told and watching goes on, for each capture it ends it."""
        try:
            words = do()
        except DoubtedUnit as error:
            self.doubted = True
            words = f"{error.told}; check it, or g once more takes it all the same"
        except CoilbellError as error:
            if self.watching.every:
                raise
            words = str(error)
        if words and not self.watching.every:
            self.screen.say(words)


def _running(shot: JudgedShot) -> Running:
    from coilbell.bench.page.verdict import healthy_q

    fit = shot.fit
    verdict = shot.finding.verdict if shot.finding is not None else None
    doubts = [str(doubt.kind) for doubt in fit.doubts]
    main = fit.main if fit.rings else None
    return Running(
        letter=shot.letter,
        frequency_hz=(main.frequency_hz.value, main.frequency_hz.standard_uncertainty) if main else None,
        q=(main.q.value, main.q.standard_uncertainty) if main else None,
        count=main.ring_count.value if main else None,
        healthy_q=healthy_q(shot.finding, shot.record),
        shows=verdict.shows if verdict else None,
        doubt=doubts[0] if doubts else "",
    )


class _Value(Facts, frozen=True, kw_only=True):
    value: float
    standard_uncertainty: float


class _Line(Facts, frozen=True, kw_only=True):
    """The object that each line is with --json."""

    schema: int = WATCH_SCHEMA
    what: str = "watched"
    number: int
    capacitor: str
    frequency_hz: _Value | None
    q: _Value | None
    ring_count: float | None
    healthy_q: float | None
    shorted_turn_shows: float | None
    doubts: tuple[str, ...]


def _facts(shot: JudgedShot, seen: Running) -> _Line:
    hertz, q = (
        None if pair is None else _Value(value=pair[0], standard_uncertainty=pair[1])
        for pair in (seen.frequency_hz, seen.q)
    )
    return _Line(
        number=shot.number,
        capacitor=seen.letter,
        frequency_hz=hertz,
        q=q,
        ring_count=seen.count,
        healthy_q=seen.healthy_q,
        shorted_turn_shows=seen.shows,
        doubts=tuple(str(doubt.kind) for doubt in shot.fit.doubts),
    )


def _clock(seconds: float) -> str:
    """Minutes and seconds since watching began."""
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


class _Screen:
    """Lines one below the other: a pipe, or a terminal with --lines."""

    def line(self, text: str) -> None:
        """Show the running line."""
        show(text)

    def say(self, text: str) -> None:
        """Something that stays."""
        if text:
            tell(text)

    def close_line(self) -> None:
        """Leave the running line as it stands."""

    def key(self, wait_s: float) -> str:
        """A key pressed, "" for none."""
        if wait_s:
            time.sleep(wait_s)
        return ""

    def sound(self, fit: Fit) -> None:
        """Sound the ring."""


class _Terminal(_Screen):
    """The running line on a terminal, with keys and sound."""

    def __init__(self, terminal: Terminal, sound: Callable[[Fit], None]) -> None:
        self._terminal, self._sound = terminal, sound
        self._shown = ""

    def line(self, text: str) -> None:
        """Write over the last line."""
        self._shown = harmless(text)[: self._terminal.width - 1]
        sys.stdout.write(f"\r{self._shown}{self._terminal.clear_eol}")
        sys.stdout.flush()

    def say(self, text: str) -> None:
        """Put it above the running line."""
        if text:
            sys.stdout.write(f"\r{self._terminal.clear_eol}{harmless(text)}\n")
            self.line(self._shown)

    def close_line(self) -> None:
        """Go on below the running line."""
        sys.stdout.write("\n")
        sys.stdout.flush()

    def key(self, wait_s: float) -> str:
        """A key pressed within so many seconds, "" for none."""
        return str(self._terminal.inkey(timeout=wait_s))

    def sound(self, fit: Fit) -> None:
        """Sound the ring."""
        self._sound(fit)


@contextmanager
def _screen(watching: Watching) -> Iterator[_Screen]:
    if watching.lines or watching.json or not (sys.stdout.isatty() and sys.stdin.isatty()):
        yield _Screen()
        return
    import blessed

    terminal = blessed.Terminal()
    tell("space freezes, k keeps, g good, x shorted, h heated, c cooled, t tapped, q ends")
    with terminal.cbreak():
        yield _Terminal(terminal, _beeper() if watching.sound else _silent)


def _silent(fit: Fit) -> None:
    """No sound."""


def _beeper() -> Callable[[Fit], None]:
    """A tone that follows Q where sounddevice and a sound card are there, else the terminal's bell."""
    try:
        import sounddevice
    except (ImportError, OSError):
        return _bell()
    import numpy as np

    from coilbell.bench.page.judgedshot import tone_hz

    rate = 44_100.0
    times = np.arange(int(0.12 * rate)) / rate
    envelope = np.minimum(1.0, np.minimum(times, times[::-1]) / 0.01)

    def beep(fit: Fit) -> None:
        if pitch := tone_hz(fit):
            sounddevice.play((0.2 * envelope * np.sin(2 * np.pi * pitch * times)).astype(np.float32), rate)

    return beep


def _bell() -> Callable[[Fit], None]:
    last = [0.0]

    def ring(fit: Fit) -> None:
        now = time.monotonic()
        if fit.rings and now - last[0] >= _BELL_S:
            last[0] = now
            sys.stdout.write("\a")
            sys.stdout.flush()

    return ring
