"""The constants' file: what is read, what is refused, and power that fails at every step."""

from binascii import crc32

from benchtop import PowerCutError, Shelf, raises
from store import Store

import board

TABLE = [("offset_code_16", 32768, 8192, 57344), ("stray_ff", 25000, 0, 10_000_000), ("slope", -5, -10, 10)]
NAMES = [name for name, _, _, _ in TABLE]


def kept(shelf):
    return Store("c.txt", TABLE, shelf, shelf.open)


def image(values, schema=b"coilbell constants 1\n"):
    body = schema + b"".join([f"{name}={value}\n".encode() for name, value in values])
    return body + b"crc=%08x\n" % crc32(body)


def test_defaults_until_saved():
    shelf = Shelf()
    store = kept(shelf)
    assert store.source == "defaults"
    assert store.values == {"offset_code_16": 32768, "stray_ff": 25000, "slope": -5}
    assert shelf.files == {}


def test_saved_and_read_again():
    shelf = Shelf()
    store = kept(shelf)
    store.change("stray_ff", 31_000)
    store.change("slope", -10)
    assert store.source == "changed"
    assert kept(shelf).source == "defaults"
    store.save()
    assert store.source == "file"
    again = kept(shelf)
    assert (again.source, again.values) == ("file", store.values)
    assert list(shelf.files) == ["c.txt"]


def test_what_is_put_back_is_no_change():
    shelf = Shelf()
    store = kept(shelf)
    store.change("stray_ff", 31_000)
    store.change("slope", 3)
    store.change("stray_ff", 25_000)
    assert store.source == "changed"
    store.change("slope", -5)
    assert store.source == "defaults"
    store.change("slope", 3)
    store.save()
    store.change("slope", 4)
    assert store.source == "changed"
    store.change("slope", 3)
    assert store.source == "file"


def test_the_file_is_what_it_says():
    shelf = Shelf()
    kept(shelf).save()
    assert shelf.files["c.txt"] == image([("offset_code_16", 32768), ("stray_ff", 25000), ("slope", -5)])


def test_the_former_file_stays_as_backup():
    shelf = Shelf()
    store = kept(shelf)
    store.save()
    first = shelf.files["c.txt"]
    store.change("stray_ff", 1)
    store.save()
    assert shelf.files["c.txt.bak"] == first
    assert sorted(shelf.files) == ["c.txt", "c.txt.bak"]


def test_a_damaged_file_gives_way_to_its_backup():
    shelf = Shelf()
    store = kept(shelf)
    store.save()
    store.change("stray_ff", 7)
    store.save()
    good = shelf.files["c.txt"]
    for at in range(len(good)):
        spoilt = bytearray(good)
        spoilt[at] ^= 16
        for bad in (bytes(spoilt), good[:at]):
            shelf.files["c.txt"] = bad
            again = kept(shelf)
            assert (again.source, again.values["stray_ff"]) == ("backup", 25000), (at, bad)


def test_a_damaged_file_never_becomes_the_backup():
    shelf = Shelf()
    store = kept(shelf)
    store.save()
    store.change("stray_ff", 7)
    store.save()
    backup = shelf.files["c.txt.bak"]
    shelf.files["c.txt"] = b"spoilt"
    again = kept(shelf)
    again.change("stray_ff", 9)
    again.save()
    assert shelf.files["c.txt.bak"] == backup
    assert kept(shelf).values["stray_ff"] == 9


def test_files_that_are_not_to_be_trusted():
    for bad in (
        b"",
        b"crc=00000000\n",
        image([("stray_ff", 1)], b"coilbell constants 2\n"),
        image([("stray_ff", 1)], b"something else 1\n"),
        image([("stray_ff", -1)]),
        image([("stray_ff", 10_000_001)]),
        image([("stray_ff", 1)]) + b"\n",
    ):
        shelf = Shelf({"c.txt": bad})
        assert kept(shelf).source == "defaults", bad


def test_constants_that_came_or_went():
    shelf = Shelf({"c.txt": image([("stray_ff", 1), ("of_a_later_firmware", 3)])})
    store = kept(shelf)
    assert store.source == "file"
    assert store.values == {"offset_code_16": 32768, "stray_ff": 1, "slope": -5}


def test_a_write_that_went_wrong_changes_nothing():
    shelf = Shelf()
    store = kept(shelf)
    store.save()
    before = dict(shelf.files)
    store.change("stray_ff", 8)
    opened = shelf.open

    def forgetful(path, mode):  # a file system that loses what is written
        return opened(path, mode) if mode == "rb" else opened(path + ".nowhere", mode)

    again = Store("c.txt", TABLE, shelf, forgetful)
    again.change("stray_ff", 8)
    raises(OSError, again.save)
    assert shelf.files["c.txt"] == before["c.txt"]
    assert again.source == "changed"


def cut_anywhere(damaged):
    """Values found after power failed at each step of a save; the number of steps."""
    found = []
    cut = 0
    while True:
        cut += 1
        shelf = Shelf()
        store = kept(shelf)
        store.save()
        store.change("stray_ff", 111)
        store.save()
        if damaged:
            shelf.files["c.txt"] = b"torn"
            store = kept(shelf)
        store.change("stray_ff", 222)
        shelf.step, shelf.cut = 0, cut
        try:
            store.save()
            return found
        except PowerCutError:
            found.append(kept(shelf))


def test_power_that_fails_leaves_the_old_or_the_new():
    found = cut_anywhere(damaged=False)
    assert len(found) >= 6  # open, two or more pieces, remove, two renames
    for store in found:
        assert store.source in ("file", "backup")
        assert store.values["stray_ff"] in (111, 222)
    assert found[0].values["stray_ff"] == 111
    # Each file left like this can be saved to again.


def test_power_that_fails_over_a_damaged_file_leaves_its_backup_or_the_new():
    for store in cut_anywhere(damaged=True):
        assert store.source in ("file", "backup")
        assert store.values["stray_ff"] in (25000, 222)


def test_power_that_failed_is_followed_by_a_save_that_works():
    for cut in range(1, 12):
        shelf = Shelf()
        kept(shelf).save()
        store = kept(shelf)
        store.change("stray_ff", 5)
        shelf.step, shelf.cut = 0, cut
        try:
            store.save()
        except PowerCutError:
            pass
        shelf.cut = None
        again = kept(shelf)
        again.change("stray_ff", 6)
        again.save()
        assert kept(shelf).values["stray_ff"] == 6


def test_every_constant_of_the_board_is_within_its_own_limits():
    for name, default, lowest, highest in board.CONSTANTS:
        assert lowest <= default <= highest, name
        # Of a design there is one alone: constants of another are not read.
        assert lowest < highest or name == "design", name
        assert abs(highest) < 1 << 31, name
    names = [row[0] for row in board.CONSTANTS]
    assert len(set(names)) == len(names)


def test_limits():
    store = kept(Shelf())
    assert store.limits("slope") == (-10, 10)
    lowest, highest = store.limits("nothing")
    assert lowest > highest
