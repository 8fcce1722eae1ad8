"""Records from files and back: our own JSON, tables of any instrument, sound files.

`records` chooses the reader; `table`, `heading`, `timebase`, `resolution` and `oscilloscope` read what
instruments write, `sound` reads WAV, `recordjson` our own format; `captures` fits what was read. Use the
names below, and the reader modules for their own limits.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from coilbell.face import loader

if TYPE_CHECKING:
    from coilbell.bench.files.records import EXAMPLES, MAX_BYTES, example, read, write

__all__ = ["EXAMPLES", "MAX_BYTES", "example", "read", "write"]

__getattr__ = loader(__name__, dict.fromkeys(__all__, ".records"))
