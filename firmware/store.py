# The board's constants and the file that keeps them.
#
#     coilbell constants 1        schema
#     offset_code_16=32768        one a line
#     crc=1a2b3c4d                CRC-32 of all lines before
#
# A file is read whole or not at all: the new one is written beside it, read back, and only then put in its
# place; the former stays as .bak. Wherever power fails, the file or its .bak is complete.
# Saving erases flash with interrupts off: only between requests, never near a shot or within a frame.

import os
from binascii import crc32

_SCHEMA = b"coilbell constants 1\n"
_CRC_SIZE = len(b"crc=1a2b3c4d\n")
_EIO = 5


class Store:
    # table: (name, default, lowest, highest) of each constant; files and opener replace os and open in tests
    def __init__(self, path, table, files=os, opener=open):
        self._path = path
        self._backup = path + ".bak"
        self._table = table
        self._files = files
        self._open = opener
        self.load()

    def load(self):
        for path, source in ((self._path, "file"), (self._backup, "backup")):
            values = self._read(path)
            if values is not None:
                self._hold(values, source)
                return
        self._hold({name: default for name, default, _, _ in self._table}, "defaults")

    def _hold(self, values, source):
        self.values = values
        self._found, self._origin = dict(values), source

    # Where the values come from, "changed" while they are others than those that were found there.
    @property
    def source(self):
        return self._origin if self.values == self._found else "changed"

    # The interval that a constant must lie in; an empty one for a name that is none.
    def limits(self, name):
        for known, _, lowest, highest in self._table:
            if known == name:
                return lowest, highest
        return 1, 0

    # The caller has checked name and limits.
    def change(self, name, value):
        self.values[name] = value

    # Raises OSError; what was on the file system before is then still there. between: called between steps.
    def save(self, between=lambda: None):
        fresh = self._path + ".new"
        with self._open(fresh, "wb") as file:
            file.write(self._image())
        between()
        if self._read(fresh) != self.values:
            raise OSError(_EIO)
        between()
        if self._read(self._path) is not None:
            self._remove(self._backup)
            self._files.rename(self._path, self._backup)
        else:
            # A damaged file must not take the place of a good .bak.
            self._remove(self._path)
        between()
        self._files.rename(fresh, self._path)
        self._hold(self.values, "file")

    def _image(self):
        lines = [f"{name}={self.values[name]}\n".encode() for name, _, _, _ in self._table]
        image = _SCHEMA + b"".join(lines)
        return image + b"crc=%08x\n" % crc32(image)

    # The values in a file, those it lacks at their defaults; None when it is missing or not to be trusted.
    def _read(self, path):
        try:
            with self._open(path, "rb") as file:
                image = file.read()
        except OSError:
            return None
        body = image[:-_CRC_SIZE]
        if not body.startswith(_SCHEMA) or image[len(body) :] != b"crc=%08x\n" % crc32(body):
            return None
        values = {name: default for name, default, _, _ in self._table}
        for line in body[len(_SCHEMA) :].split(b"\n"):
            name, _, digits = line.partition(b"=")
            name = str(name, "utf-8")
            # A constant this firmware does not know was left by one that did: the CRC vouches for the file.
            if name in values:
                values[name] = int(digits)
                lowest, highest = self.limits(name)
                if not lowest <= values[name] <= highest:
                    return None
        return values

    def _remove(self, path):
        try:
            self._files.remove(path)
        except OSError:
            pass  # it was not there
