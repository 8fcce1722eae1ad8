"""Everything that can go wrong, by whose fault it is.

::

    CoilbellError
    |-- InputError (also ValueError)          what the caller gave cannot be used
    |   |-- RecordError                       a record's field does not hold together
    |   |-- FileError                         a file cannot be read as what it should be
    |   `-- ReferenceMismatch                 a reference does not fit the question asked of it
    |       `-- DoubtedUnit                   a unit called good rings unlike one
    |-- MeasurementError                      a measurement was tried and failed
    |   |-- BoardError                        the board refused or failed, in its own words
    |   |-- WireError                         bytes from the board were lost or damaged
    |   `-- BoardTimeout (also TimeoutError)  the board stopped answering
    `-- MissingError                          something outside is missing: port, permission, program

Wording of messages: lower case; what happened with the value; then what to do.
A weak measurement is not an error: results carry their doubts (`coilbell.decay`).
"""

from __future__ import annotations

from typing import ClassVar

__all__ = [
    "BoardError",
    "BoardTimeout",
    "CoilbellError",
    "DoubtedUnit",
    "FileError",
    "InputError",
    "MeasurementError",
    "MissingError",
    "RecordError",
    "ReferenceMismatch",
    "WireError",
]


class CoilbellError(Exception):
    """Base of every error this package raises on purpose.

    `exit_code` is what the command line ends with when the error reaches it.
    """

    exit_code: ClassVar[int] = 1


class InputError(CoilbellError, ValueError):
    """What the caller gave cannot be used: an option, a number, a file's content."""

    exit_code = 2


class RecordError(InputError):
    """A record's field is impossible or contradicts another field."""

    def __init__(self, field: str, problem: str, remedy: str) -> None:
        super().__init__(f"record field {field}: {problem}; {remedy}")
        self.field = field


class FileError(InputError):
    """A file is missing, empty, unreadable or not what it claims to be."""


class ReferenceMismatch(InputError):
    """A reference and a measurement do not belong together (capacitor, kind, units)."""


class DoubtedUnit(ReferenceMismatch):
    """A unit called good that rings unlike one; told: the figures. It may be taken all the same."""

    def __init__(self, told: str) -> None:
        super().__init__(f"{told}; check it, or take it with --anyway")
        self.told = told


class MeasurementError(CoilbellError):
    """A measurement was tried and did not succeed."""

    exit_code = 1


class BoardError(MeasurementError):
    """The board refused or failed, in the board's own words."""


class WireError(MeasurementError):
    """Bytes between board and host were lost or damaged."""


class BoardTimeout(MeasurementError, TimeoutError):
    """The board stopped answering."""


class MissingError(CoilbellError):
    """Something outside is missing: a port, a permission, a program, a reference."""

    exit_code = 3
