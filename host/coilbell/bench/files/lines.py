"""Lines of a text file one block at a time, so that a long file never stands in memory as strings.

Python's own strings of a table take ten times its room. The file's bytes stay as they are; each pass over
the lines decodes them anew, which costs time in proportion to the file and memory for one block.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from coilbell.bench.files.encoding import plain

__all__ = ["PIECE", "Lines", "pieces"]

PIECE = 1 << 14
"""Bytes of text, or figures, that are worked on at one time (own choice)."""


class _Block(NamedTuple):
    start: int
    end: int
    """Bytes of the file; the last one ends a line."""
    number: int
    """Of its first line, from 0."""
    filled: int
    """Lines that hold anything, before it."""


class Lines:
    """The lines of a text file; numbers count from 0 every line an editor shows.

    Raises FileError for bytes that are no text.
    """

    def __init__(self, content: bytes) -> None:
        self._content, place, self._encoding = plain(content)
        self._blocks: list[_Block] = []
        self.filled = 0
        """Lines that hold more than blanks."""
        number = 0
        while place < len(self._content):
            block = _Block(place, self._end(place), number, self.filled)
            lines = self._lines(block)
            number += len(lines)
            self.filled += sum(1 for line in lines if line.strip())
            self._blocks.append(block)
            place = block.end

    def forget(self) -> None:
        """Let the file's bytes go: no line can be asked for any more."""
        self._content, self._blocks = b"", []

    def filled_from(self, which: int = 0) -> Iterator[tuple[int, str]]:
        """Number and text of the lines that hold anything, from the one with this index among them."""
        first = max(bisect_right(self._blocks, which, key=lambda block: block.filled) - 1, 0)
        for block in self._blocks[first:]:
            index = block.filled
            for number, line in enumerate(self._lines(block), block.number):
                if line.strip():
                    if index >= which:
                        yield number, line
                    index += 1

    def backward(self) -> Iterator[str]:
        """The lines that hold anything, from the last one to the first."""
        for block in reversed(self._blocks):
            yield from (line for line in reversed(self._lines(block)) if line.strip())

    def chosen(self, rows: npt.NDArray[np.int32]) -> Iterator[tuple[int, list[str]]]:
        """The lines of these rising numbers in blocks: the index of the first among them, the texts."""
        if not rows.size:
            return
        numbers = [block.number for block in self._blocks]
        for block in self._blocks[bisect_right(numbers, rows[0]) - 1 : bisect_right(numbers, rows[-1])]:
            lines = self._lines(block)
            ends = np.array([block.number, block.number + len(lines)], rows.dtype)  # else rows are copied
            first, last = np.searchsorted(rows, ends)
            if first < last:
                yield int(first), [lines[n - block.number] for n in rows[first:last].tolist()]

    def _end(self, place: int) -> int:
        """Behind the last line end within a piece, or within twice as much and so on where lines are long."""
        content, length = self._content, PIECE
        while place + length < len(content):
            end = place + length
            cut = max(content.rfind(b"\n", place, end), content.rfind(b"\r", place, end)) + 1
            if cut:
                return cut + (content[cut - 1 : cut + 1] == b"\r\n")
            length *= 2
        return len(content)

    def _lines(self, block: _Block) -> list[str]:
        text = self._content[block.start : block.end].decode(self._encoding, errors="replace")
        return text.replace("\r\n", "\n").replace("\r", "\n").removesuffix("\n").split("\n")


def pieces(size: int) -> Iterator[slice]:
    """Slices of at most `PIECE` that cover an array of that size: what is worked out takes little room."""
    return (slice(start, min(start + PIECE, size)) for start in range(0, size, PIECE))
