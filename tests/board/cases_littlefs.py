"""The constants' file on the board's own file system, whose flash stops at the k-th block written.

MicroPython only: CPython has no LittleFS.
"""

import os

import vfs
from store import Store

TABLE = [("stray_ff", 25000, 0, 10_000_000)] + [("filler_%d" % k, k, 0, 100) for k in range(30)]
_BLOCK = 4096


class Flash:
    """A block device in memory; `left` writes or erasures until power fails, None for never."""

    def __init__(self, blocks=16):
        self.data = bytearray(blocks * _BLOCK)
        self.left = None

    def _spend(self):
        if self.left is not None:
            if self.left == 0:
                raise OSError(5)
            self.left -= 1

    # Byte by byte: a file left open by the failure is closed while garbage is collected, when no slice
    # can be made.
    def readblocks(self, block, buffer, offset=0):
        at = block * _BLOCK + offset
        data = self.data
        k = 0
        while k < len(buffer):
            buffer[k] = data[at + k]
            k += 1

    def writeblocks(self, block, buffer, offset=0):
        self._spend()
        at = block * _BLOCK + offset
        data = self.data
        k = 0
        while k < len(buffer):
            data[at + k] = buffer[k]
            k += 1

    def ioctl(self, command, argument):
        if command == 4:
            return len(self.data) // _BLOCK
        if command == 5:
            return _BLOCK
        if command == 6:
            self._spend()
            return 0
        return 0


def mounted(flash):
    vfs.mount(flash, "/flash")


def unmounted():
    vfs.umount("/flash")


def kept():
    return Store("/flash/constants.txt", TABLE)


def saved(flash, value):
    mounted(flash)
    try:
        store = kept()
        store.change("stray_ff", value)
        store.save()
    finally:
        unmounted()


def found(flash):
    mounted(flash)
    try:
        return kept()
    finally:
        unmounted()


def test_power_that_fails_at_any_block_written():
    states = []
    for left in range(200):
        flash = Flash()
        vfs.VfsLfs2.mkfs(flash)
        saved(flash, 111)
        saved(flash, 222)
        flash.left = left
        done = True
        try:
            saved(flash, 333)
        except OSError:
            done = False
        flash.left = None
        store = found(flash)
        states.append((store.source, store.values["stray_ff"]))
        assert store.source in ("file", "backup"), (left, states)
        assert store.values["stray_ff"] in (222, 333), (left, states)
        saved(flash, 444)
        assert found(flash).values["stray_ff"] == 444
        if done:
            break
    assert done and len(states) > 4, states
    assert states[0][1] == 222 and states[-1] == ("file", 333), states


def test_rename_takes_the_place_of_a_file():
    flash = Flash()
    vfs.VfsLfs2.mkfs(flash)
    for value in range(20):
        saved(flash, value)
        assert found(flash).values["stray_ff"] == value
    mounted(flash)
    names = sorted(os.listdir("/flash"))
    unmounted()
    assert names == ["constants.txt", "constants.txt.bak"]
