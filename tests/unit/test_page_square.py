"""The QR code of the page's address: what a camera needs of it, and when it is shown."""

from __future__ import annotations

import argparse

import numpy as np
import pytest

from coilbell.commands.page import _announce, _square

ADDRESS = "http://192.168.0.17:8123/zVWIavF5EpgRhfizsH54r4qt/"

FINDER = np.ones((7, 7), bool)
FINDER[1:6, 1:6] = False
FINDER[2:5, 2:5] = True
"""Pattern in three corners, dark modules True (ISO/IEC 18004, 6.3.3; from memory)."""


def _dark(text: str) -> np.ndarray:
    """Modules of the code: each letter is two, one above the other; a letter's ink is light."""
    ink = {" ": (0, 0), "\u2580": (1, 0), "\u2584": (0, 1), "\u2588": (1, 1)}
    rows = [[ink[c] for c in line] for line in text.splitlines()]
    return ~np.array(rows, bool).transpose(0, 2, 1).reshape(2 * len(rows), -1)


def test_a_camera_finds_its_corners_and_a_quiet_zone() -> None:
    text = _square(ADDRESS)
    dark = _dark(text)
    assert max(map(len, text.splitlines())) <= 80
    assert len(text.splitlines()) <= 24, "on a terminal's one screen"
    dark = dark[: dark.shape[1]]  # the last letters have nothing below
    inner = dark[4:-4, 4:-4]
    assert inner.shape[0] == inner.shape[1]
    assert not dark[:4].any()
    assert not dark[:, :4].any()
    for corner in (inner[:7, :7], inner[:7, -7:], inner[-7:, :7]):
        assert (corner == FINDER).all()
    assert not (inner[-7:, -7:] == FINDER).all()


@pytest.mark.parametrize(("host", "shown"), [("127.0.0.1", False), ("192.168.0.17", True)])
def test_it_is_shown_where_others_may_come(
    host: str, shown: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    _announce(ADDRESS, argparse.Namespace(host=host, json=False, no_browser=True))
    out = capsys.readouterr().out
    assert out.startswith(ADDRESS)
    assert ("\u2588" in out) is shown
