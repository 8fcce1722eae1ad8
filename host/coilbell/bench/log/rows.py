"""What the log gives back: rows as frozen values."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from coilbell.bench.facts.fit import FitFacts
from coilbell.bench.facts.judgement import Judgement
from coilbell.bench.facts.question import Question
from coilbell.record import Capacitor, Record

__all__ = ["CaptureHead", "Item", "KeptCapture", "KeptFit", "KeptJudgement", "versions"]


@dataclass(frozen=True, slots=True)
class Item:
    """A part on the bench. Times are UTC, written as in ISO 8601."""

    id: int
    name: str
    equipment: str
    part: str
    kind: str
    serial: str
    added_utc: str


@dataclass(frozen=True, slots=True, eq=False)
class KeptCapture:
    """Records rung together."""

    id: int
    item_id: int
    label: str
    """What was rung, in the user's words or the file's name."""
    connection: str
    sha256: str
    added_utc: str
    records: tuple[Record, ...]


@dataclass(frozen=True, slots=True)
class CaptureHead:
    """What tells a capture without its samples. test: the test capacitor of its first record; done: what had
    been done to the set before."""

    id: int
    connection: str
    added_utc: str
    test: Capacitor | None
    done: tuple[str, ...]

    @property
    def stage(self) -> tuple[str, tuple[str, ...]]:
        """Connection and what had been done."""
        return self.connection, self.done


@dataclass(frozen=True, slots=True)
class KeptFit:
    """Figures of a capture, and what made them."""

    id: int
    capture_id: int
    made_utc: str
    versions: dict[str, str]
    facts: FitFacts


@dataclass(frozen=True, slots=True)
class KeptJudgement:
    """A finding or comparison as shown, the question asked, and what made it."""

    id: int
    item_id: int
    made_utc: str
    versions: dict[str, str]
    question: Question
    reference: tuple[str, str] | None
    """Name and SHA-256 of the reference judged by."""
    explanation: str
    facts: Judgement
    fits: tuple[int, ...]


def versions() -> dict[str, str]:
    """The versions whose arithmetic makes fits and findings."""
    return dict(_installed())


@cache
def _installed() -> tuple[tuple[str, str], ...]:
    """They stay as long as this program runs; to find them takes as long as a small fit."""
    import platform
    from importlib.metadata import version

    found = {"coilbell": version("coilbell"), "python": platform.python_version()}
    return tuple((found | {name: version(name) for name in ("numpy", "scipy")}).items())
