"""The running line: what one line tells, what keys do, and that a jump is told."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

import pytest

from coilbell.bench.facts.trend import Change, TrendFacts, Watched
from coilbell.bench.page import Wish
from coilbell.bench.trend import Drift
from coilbell.bench.words.running import COLUMNS, Running, bar, change_words, drift_words, running_line
from coilbell.commands import runningline
from coilbell.commands.runningline import KEYS, Watching, watch
from coilbell.errors import DoubtedUnit, FileError, MeasurementError
from coilbell.record import Connection, Record
from handmade import handmade_record

SEEN = Running(
    letter="A",
    frequency_hz=(21.63e3, 0.04),
    q=(84.2, 0.05),
    count=62.0,
    healthy_q=128.0,
    shows=0.97,
    doubt="clipped",
)


def test_a_line_tells_frequency_q_bar_count_odds_and_one_doubt() -> None:
    line = running_line(SEEN)
    assert (
        line
        == (
            "A  21.630000(40) kHz  Q 84.200(50)  healthy -34 % ...##|.....  62 rings  short 97 %  clipped"[
                :79
            ]
        )
    )
    assert "-34 %" in line
    assert len(line) <= COLUMNS


def test_without_a_ring_or_a_reference_nothing_is_made_up() -> None:
    silent = replace(SEEN, q=None, frequency_hz=None, count=None, healthy_q=None, shows=None, doubt="")
    assert running_line(silent) == "A  no ring"
    assert "healthy" not in running_line(replace(SEEN, healthy_q=None))


@pytest.mark.parametrize(
    ("ratio", "drawn"),
    [
        (1.0, ".....|....."),
        (0.8, "....#|....."),
        (1.25, ".....|#...."),
        (0.4, ".####|....."),
        (0.01, "<####|....."),
        (100.0, ".....|####>"),
    ],
)
def test_bar(ratio: float, drawn: str) -> None:
    assert bar(ratio) == drawn
    assert len(bar(ratio)) == 11


def test_a_jump_and_a_drift_are_sentences() -> None:
    jump = Change(9.0, Watched.Q, 128.0, 20.0, 2)
    assert change_words(jump) == "Q jumped from 128 to 20 (-84 %), seen over 2 shots"
    assert "21 kHz to 37.6 kHz (+79 %)" in change_words(Change(9.0, Watched.FREQUENCY, 21e3, 37.6e3, 3))
    assert drift_words(Watched.Q, Drift(-0.004, 0.0005)) == "Q drifts by -0.400(50) % a minute"
    assert drift_words(Watched.Q, Drift(-0.0004, 0.0005)) == ""
    assert drift_words(Watched.Q, None) == ""


class Strikes:
    """Gives these records in turn; an error in the list is raised."""

    def __init__(self, records: Sequence[Record | MeasurementError]) -> None:
        self._records = iter(records)
        self.aimed = 0

    def capture(self, letter: str, connection: Connection) -> Record:
        found = next(self._records, None)
        if found is None:
            raise KeyboardInterrupt
        if isinstance(found, MeasurementError):
            raise found
        return found

    def aim_again(self) -> None:
        self.aimed += 1


class Screen(runningline._Screen):
    """Keeps what it is told; presses a key after each line."""

    def __init__(self, keys: str) -> None:
        self.lines: list[str] = []
        self.said: list[str] = []
        self._keys = list(keys)

    def line(self, text: str) -> None:
        self.lines.append(text)

    def say(self, text: str) -> None:
        if text:
            self.said.append(text)

    def key(self, wait_s: float) -> str:
        pressed = self._keys.pop(0) if self._keys else ""
        return "" if pressed == "-" else pressed


def ring(q: float = 60.0) -> Record:
    return handmade_record(q=q)


def looked_at(
    monkeypatch: pytest.MonkeyPatch,
    records: Sequence[Record | MeasurementError],
    keys: str = "",
    **more: object,
) -> tuple[int, Screen, Watching]:
    screen = Screen(keys)

    @contextmanager
    def given(watching: Watching) -> Iterator[Screen]:
        yield screen

    monkeypatch.setattr(runningline, "_screen", given)
    monkeypatch.setattr(runningline, "_PAUSE_S", 0.0)
    asked: dict[str, object] = {
        "source": Strikes(records),
        "wish": Wish(),
        "reference": None,
        "keep": None,
        "mark": None,
        "lines": False,
        "json": False,
        "every": False,
        "sound": False,
    }
    watching = Watching(**(asked | more))  # type: ignore[arg-type]
    return watch(watching), screen, watching


def test_a_jump_of_q_is_told_and_kept_in_the_trend(monkeypatch: pytest.MonkeyPatch) -> None:
    kept: list[TrendFacts] = []
    code, screen, _ = looked_at(monkeypatch, [ring()] * 12 + [ring(30.0)] * 4, keep_trend=kept.append)
    assert code == 0
    assert len(screen.lines) == 16
    (told,) = [words for words in screen.said if "Q jumped" in words]
    assert "from 60 to 30 (-50 %)" in told
    assert kept[0].changes[0].what is Watched.Q
    assert sum(bucket.shots for bucket in kept[0].buckets) == 16


def test_keys_freeze_keep_mark_and_end(monkeypatch: pytest.MonkeyPatch) -> None:
    kept: list[int] = []
    marked: list[bool] = []
    trends: list[TrendFacts] = []
    code, screen, _ = looked_at(
        monkeypatch,
        [ring()] * 50,
        "k-g-x-h-c-t- - -q",
        keep=lambda records: kept.append(len(records)) or "kept it",  # type: ignore[func-returns-value]
        keep_trend=trends.append,
        mark=lambda shots, good, anyway: marked.append(good) or "marked it",  # type: ignore[func-returns-value]
    )
    assert code == 0
    assert kept == [1]
    assert marked == [True, False]
    assert [mark.text for one in trends for mark in one.marks] == ["heated", "cooled", "tapped"]
    assert "frozen; space goes on" in screen.said
    assert len(screen.lines) < 50, "q ended it"


def test_a_doubted_good_unit_is_taken_by_a_second_press_only(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[bool] = []

    def mark(shots: list[object], good: bool, anyway: bool) -> str:
        asked.append(anyway)
        if not anyway:
            raise DoubtedUnit("unit u: Q 2, where a healthy one has 80 to 180")
        return "marked it"

    _, screen, _ = looked_at(monkeypatch, [ring()] * 50, "ghggq", mark=mark)
    assert asked == [False, False, True]
    assert screen.said[-1] == "marked it"
    assert "Q 2, where" in screen.said[0]
    assert "--anyway" not in screen.said[0]


def test_a_key_without_a_place_says_what_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    _, screen, _ = looked_at(monkeypatch, [ring()] * 9, "k-g-q")
    assert screen.said == [
        "nothing says where to keep it: give --item NAME or --out FILE",
        "no reference to mark it in: give --reference NAME",
    ]


def test_what_cannot_be_kept_by_hand_is_told_and_watching_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(records: list[Record]) -> str:
        raise FileError("part.json: cannot be written: no room")

    code, screen, _ = looked_at(monkeypatch, [ring()] * 5, "k", keep=full)
    assert code == 0
    assert "part.json: cannot be written: no room" in screen.said
    assert len(screen.lines) == 5
    with pytest.raises(FileError):
        looked_at(monkeypatch, [ring()], keep=full, every=True)


def test_failures_in_a_row_end_it_others_are_passed_over(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    lost = MeasurementError("the wire stopped midway")
    assert looked_at(monkeypatch, [lost, lost, ring(), lost, lost, ring()])[0] == 0
    assert looked_at(monkeypatch, [lost] * 4)[0] == 1
    assert "coilbell: the wire stopped midway" in capsys.readouterr().err


def test_json_is_an_object_a_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    looked_at(monkeypatch, [ring()] * 3, json=True)
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert len(told) == 3
    assert told[0]["q"]["value"] == pytest.approx(60, rel=0.02)
    assert told[0]["schema"] == 1


def test_every_key_has_one_meaning() -> None:
    assert len(set(KEYS.values())) == len(KEYS)
