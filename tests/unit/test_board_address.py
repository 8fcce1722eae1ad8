"""What a virtual port's name asks for, and the link that does it."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilbell.board.virtual.address import Address, parse
from coilbell.board.virtual.cable import Cable, Unplugged
from coilbell.errors import InputError

DATA = bytes(range(256)) * 40


def _arrived(wishes: Address) -> list[bytes]:
    return [piece for _, piece in Cable(wishes).carry(DATA)]


def test_a_bare_name_gives_the_usual_board() -> None:
    assert parse("virtual:") == Address() == parse("virtual:?")
    assert str(Address()) == "virtual:"


def test_wishes_are_read() -> None:
    wishes = parse("virtual:?part=moss-choke&state=open&seed=7&pace=0&stall=12&noise=0.5")
    assert wishes == Address(part="moss-choke", state="open", seed=7, pace=0, stall=12, noise=0.5)


@given(
    st.builds(
        Address,
        part=st.text(min_size=1),
        seed=st.none() | st.integers(0, 2**60),
        drop=st.floats(0, 1),
        pace=st.floats(0, 1e9),
        vanish=st.none() | st.integers(0, 10**9),
    )
)
def test_a_name_and_its_wishes_are_the_same(wishes: Address) -> None:
    assert parse(str(wishes)) == wishes


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("virtual:?colour=blue", "has no 'colour'; choose from: part, state"),
        ("virtual:?part", "write virtual:"),
        ("virtual:?seed=one", "seed=one is not a whole number"),
        ("virtual:?noise=much", "noise=much is not a number"),
        ("virtual:?drop=2", "drop=2.0; give a number from 0 to 1"),
        ("virtual:?pace=nan", "pace=nan"),
        ("virtual:?chip=z80", "choose one of: rp2040, rp2350"),
        ("virtual:?stall=-1", "stall=-1"),
    ],
)
def test_a_wish_that_cannot_be(name: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        parse(name)


def test_a_whole_cable_carries_everything() -> None:
    assert b"".join(_arrived(Address(pace=0))) == DATA


def test_split_pieces_are_small_and_whole_together() -> None:
    pieces = _arrived(Address(pace=0, split=7))
    assert max(map(len, pieces)) == 7
    assert b"".join(pieces) == DATA


def test_dropped_chunks_are_missing_alike_for_one_seed() -> None:
    once, again, other = (b"".join(_arrived(Address(pace=0, seed=s, drop=0.3))) for s in (1, 1, 2))
    assert len(once) < len(DATA)
    assert once == again != other


def test_corruption_flips_one_bit_of_a_chunk() -> None:
    got = b"".join(_arrived(Address(pace=0, seed=1, corrupt=0.5)))
    flipped = [(a ^ b).bit_count() for a, b in zip(got, DATA, strict=True) if a != b]
    assert set(flipped) == {1}
    assert 2 <= len(flipped) <= 18


def test_a_stalled_link_falls_silent_at_that_byte() -> None:
    cable = Cable(Address(pace=0, stall=1000))
    arrived = list(cable.carry(DATA))
    assert b"".join(piece for _, piece in arrived) == DATA[:1000]
    assert sum(size for size, _ in arrived) == 1000
    assert list(cable.carry(b"more")) == []


def test_a_vanishing_board_is_gone_by_that_byte() -> None:
    pieces: list[tuple[int, bytes]] = []
    with pytest.raises(Unplugged):
        pieces.extend(Cable(Address(pace=0, vanish=1100)).carry(DATA))
    got = b"".join(piece for _, piece in pieces)
    assert got == DATA[: len(got)]
    assert 0 < len(got) <= 1100


def test_pace_is_kept() -> None:
    start = time.monotonic()
    list(Cable(Address(pace=100e3)).carry(DATA))
    # The last few milliseconds' worth may still be under way, and a pause before is made good.
    assert time.monotonic() - start >= len(DATA) / 100e3 - 0.03
