"""Records -> shots: fit near the last fit of the same capacitor, judge with the other capacitor's ring."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from msgspec import structs

from coilbell.bench.page.judgedshot import JudgedShot
from coilbell.bench.page.messages import Ring
from coilbell.bench.page.plane import Ground, ground_key, ground_of, ring_drawing
from coilbell.bench.page.source import Wish
from coilbell.decay import Fit, fit
from coilbell.errors import CoilbellError, InputError, ReferenceMismatch
from coilbell.record import Record
from coilbell.winding import Finding, Observation, Reference, find, observe

__all__ = ["Judge", "Struck"]

_TRAIL = 40
"""Places of the last shots kept for the shift plane."""


@dataclass(frozen=True, slots=True, eq=False)
class Struck:
    """A record on its way to the judge."""

    wish: Wish
    letter: str
    record: Record
    struck_at: float
    since: float = 0.0
    """Rings struck before this are not put with it: the clips may have moved [s since 1970]."""


@dataclass(slots=True)
class Judge:
    """Keeps the last fit and shot of each capacitor, and where the last shots fell.

    A change of wish or reference starts afresh: rings connected in different ways are never put together.
    """

    reference: Reference | None = None
    shots: dict[str, JudgedShot] = field(default_factory=dict)
    number: int = 0
    _near: dict[str, Fit] = field(default_factory=dict)
    _wish: Wish | None = None
    _ground: Ground | None = None
    _trail: deque[list[float | None]] = field(default_factory=lambda: deque(maxlen=_TRAIL))

    def begin(self, wish: Wish, reference: Reference | None) -> list[JudgedShot]:
        """Judge by this from now on; gives the last shots judged anew where they still answer the wish."""
        before, self._wish = self._wish, wish
        last = sorted(self.shots.values(), key=lambda shot: shot.number)
        self.reference, self._ground = reference, None
        self.shots.clear()
        self._trail.clear()
        if before is None or (before.capacitor, before.connection) != (wish.capacitor, wish.connection):
            return []
        return [
            self.judged(Struck(wish, shot.letter, shot.record, shot.struck_at), shot.number) for shot in last
        ]

    def judged(self, struck: Struck, number: int | None = None) -> JudgedShot:
        """Fit and judge; number: of a shot judged anew. Raises InputError for a record that is too short."""
        fitted = fit(struck.record, near=self._near.get(struck.letter))
        if fitted.rings:
            self._near[struck.letter] = fitted
        else:
            self._near.pop(struck.letter, None)
        seen, remark = _seen(fitted, struck.record)
        if number is None:
            number = self.number = self.number + 1
        self.shots = {name: shot for name, shot in self.shots.items() if shot.struck_at >= struck.since}
        letters = struck.wish.letters
        others = [s for name, s in self.shots.items() if name != struck.letter and name in letters]
        finding, reference, why = self._found(struck, seen, others)
        shot = JudgedShot(
            number,
            struck.struck_at,
            struck.letter,
            struck.record,
            fitted,
            seen,
            finding,
            reference,
            remark or why,
            tuple(
                replace(other, beside=()) for other in others
            ),  # else each shot would keep all shots before it in memory
        )
        self.shots[struck.letter] = shot
        return shot

    def _found(
        self, struck: Struck, seen: Observation | None, others: Sequence[JudgedShot]
    ) -> tuple[Finding | None, Reference | None, str]:
        """The finding, what it was judged by, and why not by the chosen reference."""
        if seen is None:
            return None, None, ""
        rings = [seen, *(other.observation for other in others if other.observation is not None)]
        why = ""
        if self.reference is not None:
            try:
                return find(rings, self.reference, prior=struck.wish.prior), self.reference, ""
            except ReferenceMismatch as error:
                why = f"not judged by {self.reference.name}: {error}"
        try:
            return find(rings, None, kind=struck.wish.kind), None, why
        except CoilbellError as error:
            return None, None, f"not judged: {error}"

    def plane(self, shot: JudgedShot) -> tuple[Ground | None, Ring | None]:
        """What lies in the shift plane: the ground where it is new, and the ring with its trail."""
        finding = shot.finding
        if finding is None or shot.reference is None or finding.healthy is None or not finding.shifts:
            return None, None
        ground = None
        if self._ground is None or self._ground.key != ground_key(finding):
            self._ground = ground = ground_of(finding, shot.reference)
            self._trail.clear()
        ring = ring_drawing(finding)
        trail = [list(axis) for axis in zip(*self._trail, strict=True)] or [[], []]
        self._trail.append(ring.at)
        return ground, structs.replace(ring, key=self._ground.key, trail=trail)


def _seen(fitted: Fit, record: Record) -> tuple[Observation | None, str]:
    try:
        return observe(fitted, record), ""
    except InputError as error:
        return None, f"not judged: {error}"
