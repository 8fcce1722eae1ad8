"""The desk between tester and pages: one thread strikes, one fits and judges, orders come from the server.

::

    striking thread   source.capture -> a queue of one record      waits where the judge is busy
    judging thread    fit, find -> messages for the audience       never waits for a page
    looking thread    what others keep in the log and on the shelf; tells the pages that it lives
    server's threads  obey(order)                                  change what is asked, keep things

The tester may be gone at any time: then the striking thread says so and tries again until it is back.
"""

from __future__ import annotations

import queue
import threading
import time
import traceback
from collections import deque
from dataclasses import replace

from msgspec import structs

from coilbell.bench.page.aiming import Aiming
from coilbell.bench.page.audience import Audience
from coilbell.bench.page.examining import Examining
from coilbell.bench.page.judgedshot import JudgedShot, shot_message
from coilbell.bench.page.judging import Judge, Struck
from coilbell.bench.page.keeping import Keeping
from coilbell.bench.page.messages import Answer, Beat, GroundLines, Ring, Shot
from coilbell.bench.page.order import (
    Begin,
    Choose,
    End,
    Examine,
    Keep,
    Mark,
    MarkTrend,
    Next,
    Note,
    Observe,
    Order,
    Run,
    Strike,
    TakeBackEnd,
    WishFor,
    Withdraw,
    Work,
)
from coilbell.bench.page.plane import Ground
from coilbell.bench.page.source import Source, Wish
from coilbell.bench.page.state import State
from coilbell.bench.page.watching import Watching
from coilbell.bench.page.worksheets import Isolation
from coilbell.errors import (
    CoilbellError,
    FileError,
    InputError,
    MeasurementError,
    MissingError,
    ReferenceMismatch,
)

__all__ = ["Desk"]

_LOOK_S = 1.0
"""How often the leads, the log and the shelf are looked at [s]."""
_AGAIN_S = 0.5
"""Pause before a lost tester is tried again [s]."""
_APART_S = 0.04
"""Shortest time from shot to shot [s]: more than an eye follows, and processors stay free to draw."""
_UNWATCHED_S = 5.0
"""Without any page for so long, striking stops [s]; a page that is loaded anew is back sooner."""
_RATE_OVER = 20
_LOST = "striking has stopped, since the tester was lost; strike again when it is back"


class Desk:
    """Strikes, judges and tells the audience."""

    def __init__(self, source: Source, keeping: Keeping, wish: Wish | None = None, item: str = "") -> None:
        self.audience = Audience()
        self._source = source
        self._keeping = keeping
        self._state = State(wish or Wish())
        self._judge = Judge()
        self._aiming = Aiming()
        self._isolation = Isolation(keeping.log, self.audience.post, item)
        self._watching = Watching(keeping.log, self.audience.post)
        self._examining = Examining(keeping.log, keeping.folder, self.audience.post)
        self._judge_lock = threading.Lock()
        self._changed = threading.Condition()
        self._singles = 0
        self._guided = False
        self._since = 0.0
        self._ended = False
        self._struck: queue.Queue[Struck | None] = queue.Queue(maxsize=1)
        self._times: deque[float] = deque(maxlen=_RATE_OVER)
        self._due = 0.0
        self._watched_at = time.monotonic()
        self._threads: list[threading.Thread] = []

    # --- beginning and end ---

    def begin(self) -> None:
        """Start the threads; raises MissingError, FileError when the wished reference is not there."""
        self._choose(self._state.wish)
        for work in (self._strike_on, self._judge_on, self._look_on):
            thread = threading.Thread(target=work, name=work.__name__, daemon=True)
            thread.start()
            self._threads.append(thread)

    def end(self) -> None:
        """Stop the threads and give the tester back."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()
        for thread in self._threads:
            thread.join(10)
        self._watching.end()
        self._source.close()

    # --- orders ---

    def obey(self, order: Order) -> str:
        """Carry out an order; returns words for the pages, "" for none. Raises CoilbellError."""
        match order:
            case Run():
                self._set_running(order.on)
            case Strike():
                with self._changed:
                    self._singles += 1
                    self._changed.notify_all()
            case WishFor():
                self._choose(self._state.wished(order))
            case Mark():
                return self._marked(order)
            case MarkTrend():
                return self._watching.mark(order.words)
            case Next():
                return self._next(order.wish)
            case Keep():
                told = self._keeping.keep(order, self._state.wish, self._last_shots())
                self._isolation.work_on(order.item)
                return told
            case Note():
                told = self._keeping.note(order)
                self._isolation.work_on(order.item)
                return told
            case Examine() | Choose():
                return self._examined(order)
            case Work() | Begin() | Observe() | Withdraw() | End() | TakeBackEnd():
                return self._isolation.obey(order)
        return ""

    def whole(self) -> Shot:
        """The last shot with every sample; raises InputError when there is none."""
        shots = self._last_shots()
        if not shots:
            raise InputError("nothing has been struck yet")
        return shot_message(shots[-1], self._rate(), whole=True)

    def report(self, item: str, full: bool = False) -> str:
        """The item's printable page; full: the technician's."""
        return self._keeping.report(item, full=full)

    def _set_running(self, on: bool) -> None:
        with self._changed:
            self._state.running = on
            self._since = time.time()
            self._times.clear()
            self._changed.notify_all()
        self._tell()

    def _next(self, what: str) -> str:
        """The next choice; one that cannot be had is named and passed over."""
        self._state.references = self._keeping.shelf.names()
        problems = ""
        for value in self._state.following(what):
            try:
                self._choose(self._state.wished(WishFor(**{what: value})))
            except (FileError, MissingError, ReferenceMismatch) as error:
                problems += f"passed over: {error}; "
            else:
                return f"{problems}{what}: {self._state.called(what, value)}"
        raise InputError(f"{problems}there is no other {what}")

    def _choose(self, wish: Wish) -> None:
        reference = self._keeping.judged_by(wish.reference) if wish.reference else None
        if reference is not None:
            wish = replace(wish, kind=reference.kind.name)
        with self._judge_lock:
            again = self._judge.begin(wish, reference)
            planes = [self._judge.plane(shot) for shot in again]
            self._state.wish = wish
            self._state.overtaken = not again and self._judge.number > 0
            self._state.references = self._keeping.shelf.names()
        self.audience.post(GroundLines(key=""))
        self._tell()
        for shot, plane in zip(again, planes, strict=True):
            self._show(shot, *plane)

    def _marked(self, order: Mark) -> str:
        wish = self._state.wish
        told = self._keeping.mark(order, wish, self._last_shots())
        if order.reference == wish.reference:
            self._choose(wish)  # the last ring is judged anew by what it has become
            return told
        return f"{told}; to judge by it choose it with R"

    def _examined(self, order: Examine | Choose) -> str:
        self._set_running(False)
        words, strike = self._examining.obey(order, self._state.wish)
        self._isolation.work_on(order.item)
        with self._changed:
            self._guided = self._guided or strike
            self._changed.notify_all()
        return words

    def _last_shots(self) -> list[JudgedShot]:
        """The last shot of each capacitor that is wished for, oldest first."""
        with self._judge_lock:
            return sorted(self._judge.shots.values(), key=lambda shot: shot.number)

    # --- the looking thread ---

    def _look_on(self) -> None:
        while not self._ended:
            self.audience.post(Beat())
            try:
                self._stop_unwatched()
                self._isolation.look()
                self._examining.look(self._isolation.item, self._state.wish)
                names = self._keeping.shelf.names()
                if names != self._state.references:
                    self._state.references = names
                    self._tell()
            except Exception:  # as in the other threads
                self._own_fault()
            with self._changed:
                self._changed.wait_for(lambda: self._ended, _LOOK_S)

    def _stop_unwatched(self) -> None:
        """Strike no more once no page has looked on for a while."""
        now = time.monotonic()
        if self.audience.watched:
            self._watched_at = now
        elif self._state.running and now - self._watched_at >= _UNWATCHED_S:
            self._set_running(False)

    # --- the striking thread ---

    def _strike_on(self) -> None:
        looked = -_LOOK_S
        while not self._ended:
            try:
                if time.monotonic() - looked >= _LOOK_S:
                    self._look()
                    looked = time.monotonic()
                if self._awaited(looked):
                    self._strike_for_examination() if self._guided else self._strike()
            except (MissingError, MeasurementError) as error:
                self._stumbled(error)
            except CoilbellError as error:
                self._set_running(False)
                self._answer(str(error), failed=True)
            except Exception:  # the thread must survive a bug of ours, and report it
                self._own_fault()
        self._struck.put(None)

    def _awaited(self, looked: float) -> bool:
        """True when a shot is wanted; waits for one until it is time to look at the leads again."""
        with self._changed:
            wanted = self._changed.wait_for(
                lambda: self._ended or self._state.running or self._singles > 0 or self._guided,
                max(0.0, looked + _LOOK_S - time.monotonic()),
            )
            if not wanted or self._ended:
                return False
            if not self._state.running and not self._guided:
                self._singles -= 1
            return True

    def _look(self) -> None:
        """Ask for the leads' voltage; tells the pages when something is new."""
        leads, link = self._source.leads(), self._source.link()
        if self._state.seen(leads, link, self._source.capacitors()):
            self._tell()

    def _strike(self) -> None:
        wish = self._state.wish
        if not self._state.running:
            self._since = time.time()
        for letter in wish.letters:
            self._pause()
            record = self._source.capture(letter, wish.connection)
            struck = Struck(wish, letter, record, time.time(), self._since)
            while not self._ended:
                try:
                    self._struck.put(struck, timeout=0.2)
                    break
                except queue.Full:
                    continue  # look whether the page ends meanwhile

    def _strike_for_examination(self) -> None:
        self._guided = False
        try:
            self._answer(self._examining.strike(self._source))
        except (MissingError, MeasurementError) as error:
            self._answer(str(error), failed=True)
            raise

    def _pause(self) -> None:
        """Wait until the next shot may be struck."""
        with self._changed:
            self._changed.wait_for(lambda: self._ended, max(0.0, self._due - time.monotonic()))
        self._due = time.monotonic() + _APART_S

    def _stumbled(self, error: CoilbellError) -> None:
        """A measurement failed. Where the tester is gone striking stops: it never goes on by itself."""
        with self._changed:
            self._singles = 0
            self._since = time.time()
        if self._state.failed(error):
            self._tell()
        if self._state.running and self._state.gone:
            self._set_running(False)
            self._answer(_LOST, failed=True)
        with self._changed:
            self._changed.wait_for(lambda: self._ended, _AGAIN_S)

    # --- the judging thread ---

    def _judge_on(self) -> None:
        from threadpoolctl import threadpool_limits

        with threadpool_limits(1):
            while (struck := self._struck.get()) is not None:
                try:
                    self._judge_one(struck)
                except CoilbellError as error:
                    self._answer(str(error), failed=True)
                except Exception:  # as in the striking thread
                    self._own_fault()

    def _judge_one(self, struck: Struck) -> None:
        with self._judge_lock:
            if struck.wish != self._state.wish:  # it would be shown under the wrong name
                self._overtook()
                return
            shot = self._judge.judged(struck)
            ground, ring = self._judge.plane(shot)
            overtaken, self._state.overtaken = self._state.overtaken, False
        if overtaken:
            self._tell()
        self._times.append(struck.struck_at)
        if not self._aiming.suits(shot):
            self._source.aim_again()
        self._show(shot, ground, ring)
        # Rings with different capacitors are different rings: the trend is the first one's.
        if shot.letter == struck.wish.letters[0] and (
            jumped := self._watching.see(shot, self._isolation.item)
        ):
            self._answer(jumped)

    def _overtook(self) -> None:
        if not self._state.running:
            self._answer("what is asked changed while the shot was on its way; strike again", failed=True)

    def _show(self, shot: JudgedShot, ground: Ground | None, ring: Ring | None) -> None:
        if ground is not None:
            self.audience.post(ground.drawing)
        self.audience.post(structs.replace(shot_message(shot, self._rate()), plane=ring))

    def _rate(self) -> float | None:
        times = list(self._times) if self._state.running else []
        return (len(times) - 1) / (times[-1] - times[0]) if len(times) > 2 and times[-1] > times[0] else None

    # --- telling ---

    def _tell(self) -> None:
        self.audience.post(self._state.message())

    def _answer(self, words: str, *, failed: bool = False) -> None:
        self.audience.post(Answer(words=words, failed=failed))

    def _own_fault(self) -> None:
        traceback.print_exc()
        self._set_running(False)
        self._answer("a fault of this program; its words are in the terminal", failed=True)
        time.sleep(_AGAIN_S)  # a fault at every turn must not fill the terminal
