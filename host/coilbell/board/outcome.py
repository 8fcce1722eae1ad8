"""What a self-test found: rows for a table, constants to be saved, and what rang on the leads."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from coilbell.record import Record

__all__ = ["Outcome", "Row"]


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the self-test."""

    name: str
    value: float | None
    """The figure, None where it could not be had; `note` says why."""
    unit: str = ""
    low: float = -np.inf
    high: float = np.inf
    note: str = ""
    uncertainty: float | None = None
    """Standard uncertainty of the figure, None where the figure is a count or only compared with limits."""

    @property
    def passed(self) -> bool | None:
        """True within the limits, None where there is no figure."""
        return None if self.value is None else self.low <= self.value <= self.high


@dataclass(slots=True)
class Outcome:
    """What the self-test found."""

    rows: list[Row] = field(default_factory=list)
    constants: dict[str, int] = field(default_factory=dict)
    """Constants as measured, to be saved; none of a row that failed, see `measured`."""
    rings: dict[str, tuple[Record, ...]] = field(default_factory=dict)
    """Records of what rings on the leads, by test capacitor ("-" is none); empty when they are open."""
    rest: float = 2048.0
    """Code without a signal."""
    hum: float = 0.0
    """Of mains on the leads [LSB rms]."""

    def measured(self, row: Row, **constants: int) -> None:
        """Add a row, and where it passed the constants it stands for.

        Kept, what failed would be taken off every ring, and pass the next check as the tester's own.
        """
        self.rows.append(row)
        if row.passed:
            self.constants |= constants
