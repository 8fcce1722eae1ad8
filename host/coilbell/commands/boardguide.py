"""`coilbell board check --guide`: calibration step by step, with what a hobbyist has.

Open leads, any coil, an ordinary resistor or two across it, a turn of copper wire on the posts. Each can be
left out; what it found is weighed with what the board knows already. Nothing is kept before the end.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from coilbell.commands.options import port_of, show
from coilbell.errors import InputError

if TYPE_CHECKING:
    from coilbell.board import Identity, Known, Row, Rung, Tester, Wire

__all__ = ["Guide", "guided"]

_QUICK = 12
"""Interleaved shots for a turn of wire, which rings near 1 MHz: 6 million samples a second."""
_PART = 0.01 / 3**0.5
"""Standard uncertainty of an ordinary resistor: anywhere within its 1 % [1]."""
_OPEN = "Step 1 of {steps}. Leads on, clips open and apart, away from mains leads. Enter to go on: "
_COIL = (
    "Step 2 of {steps}. On the clips a coil of 1 to 10 mH that is connected to nothing else,\n"
    "air-cored or with a gap, without much capacitance of its own. Enter to go on, or\n"
    '"skip": '
)
_RESISTOR = (
    "Step 3 of {steps}. Beside the same coil an ordinary resistor, best {low} to {high}.\n"
    "Its value as marked (1 %), such as 10k; or as your meter reads it with the\n"
    "meter's tolerance, such as 9.97k 0.5%. Enter when there is no other: "
)
_WIRE = (
    "Step 4 of 4. Leads off; on the posts, screwed down, a round turn of solid copper\n"
    "wire. Its length in m and diameter in mm, such as 1.00 1.38 for 1 m of 1.5 mm2;\n"
    "Enter to leave it out: "
)


@dataclass(slots=True)
class Guide:
    """Leads through the steps; `ask` shows a text and gives the answer, `opened` a tester for one step."""

    ask: Callable[[str], str]
    opened: Callable[[], Tester]
    rings: Callable[[Tester, tuple[str, ...], int], Mapping[str, Rung]]
    rows: list[Row] = field(default_factory=list)
    constants: dict[str, int] = field(default_factory=dict)
    steps: int = 4

    def run(self) -> bool:
        """All steps; False where a row failed and the rest was not worth doing."""
        steps = [self._open, self._coil, self._wire]
        with self.opened() as tester:
            if tester.identity.unprotected:
                # Its leads are soldered to the test capacitor: there are no posts to screw a wire to.
                steps.remove(self._wire)
        self.steps = 1 + len(steps)
        for step in steps:
            step()
            if any(row.passed is False for row in self.rows):
                return False
        return True

    def known(self, tester: Tester) -> Identity:
        """The board with what the steps before found."""
        return replace(tester.identity, constants={**tester.identity.constants, **self.constants})

    def _open(self) -> None:
        from coilbell.board import selftest

        self.ask(_OPEN.format(steps=self.steps))
        with self.opened() as tester:
            outcome = selftest(tester)
        self.rows += outcome.rows
        self.constants |= outcome.constants

    def _coil(self) -> None:
        from coilbell.board import examined

        if self.ask(_COIL.format(steps=self.steps)).strip().lower() == "skip":
            return
        with self.opened() as tester:
            letters = tester.identity.capacitors
            alone = self.rings(tester, letters, 1)
            rows, _ = examined(alone, self.known(tester), None, None)
            known = self.known(tester)
        self.rows += rows
        if letters[0] in alone and not any(row.passed is False for row in rows):
            self._resistors(known, alone)

    def _resistors(self, known: Identity, alone: Mapping[str, Rung]) -> None:
        """Resistors one after the other, each rung with every capacitor, and what they say together."""
        from coilbell.board import best_ohms, by_resistor, capacitances
        from coilbell.quantities import engineering

        letters = known.capacitors
        best = best_ohms(alone[letters[0]], known, letters[0])
        low, high = (engineering(best * part, "ohm", 1) for part in (0.5, 2))
        words = _RESISTOR.format(steps=self.steps, low=low, high=high)
        found: dict[str, list[Known]] = {}
        while (ohms := _resistor(self.ask(words))) is not None:
            with self.opened() as tester:
                loaded = self.rings(tester, letters, 1)
            for letter in letters:
                if letter in alone and letter in loaded:
                    total = by_resistor(alone[letter], loaded[letter], ohms)
                    found.setdefault(letter, []).extend([total] if total else [])
        totals = {letter: _mean(several) for letter, several in found.items() if several}
        if totals:
            rows, constants = capacitances(totals, known)
            self.rows += rows
            self.constants |= constants

    def _wire(self) -> None:
        from coilbell.board import series

        wire = _wire(self.ask(_WIRE))
        if wire is None:
            return
        with self.opened() as tester:
            known = self.known(tester)
            # The smallest would ring beyond what the converter sees.
            letters = tuple(k for k in known.capacitors if _farads(known, k) > 10e-9)
            found = self.rings(tester, letters, _QUICK)
        for letter in letters:
            if letter in found:
                rows, constants = series(found[letter], letter, wire, known)
                self.rows += rows
                self.constants |= constants


def _farads(identity: Identity, letter: str) -> float:
    part = identity.capacitor(letter)
    return part.farads if part else 0.0


def _mean(several: list[Known]) -> Known:
    """Of independent figures, weighed by their uncertainties."""
    from coilbell.board import Known

    weights = [one.uncertainty**-2 for one in several]
    value = sum(one.value * weight for one, weight in zip(several, weights, strict=True)) / sum(weights)
    return Known(value, sum(weights) ** -0.5)


def _resistor(answer: str) -> Known | None:
    from coilbell.board import Known
    from coilbell.quantities import parse

    words = answer.split()
    if not words:
        return None
    ohms, part = parse(words[0], "ohm", "resistor"), _PART
    if len(words) > 1:
        try:
            # A meter's tolerance is a limit, as a resistor's is.
            part = float(words[1].rstrip("%")) / 100 / 3**0.5
        except ValueError:
            raise InputError(f"tolerance {words[1]!r}; give per cent, such as 0.5%") from None
    if not (10 <= ohms <= 10e6 and 0 < part < 0.2):
        raise InputError(f"resistor {answer.strip()!r}; give 10 ohm to 10 Mohm, such as 10k or 9.97k 0.5%")
    return Known(ohms, ohms * part)


def _wire(answer: str) -> Wire | None:
    from coilbell.board import Wire

    words = answer.split()
    if not words:
        return None
    try:
        length, diameter = (float(word) for word in words)
    except ValueError:
        length = diameter = 0.0
    if not (0.1 <= length <= 10 and 0.2 <= diameter <= 5):
        raise InputError(
            f"wire {answer.strip()!r}; give its length, 0.1 to 10 m, and its diameter, 0.2 to 5 mm, "
            "such as 1.00 1.38"
        )
    return Wire(length, diameter * 1e-3)


def guided(options: argparse.Namespace, finished: Callable[..., int]) -> int:
    """Lead through the steps; finished: shows the table and keeps with --save. Returns the exit code."""
    from coilbell.board import Tester

    port = port_of(options)
    guide = Guide(_asked, lambda: Tester.open(port), _rings)
    done = guide.run()
    with Tester.open(port) as tester:
        return finished(options, tester, tester.identity, guide.rows, guide.constants if done else {})


def _asked(words: str) -> str:
    show(words, end="", stream=sys.stderr)
    answer = sys.stdin.readline()
    if not answer:
        raise InputError("the answers ended before the steps did; nothing was kept, begin again")
    return answer


def _rings(tester: Tester, letters: tuple[str, ...], interleave: int) -> Mapping[str, Rung]:
    """How what is on the leads rings with each test capacitor."""
    from coilbell.board import Settings
    from coilbell.commands.boardcoil import rung_of

    found = {}
    for letter in letters:
        aim = tester.aim(letter)
        if not aim.width_ticks:
            continue
        many = max(m for m in range(1, interleave + 1) if tester.identity.ticks_per_sample % m == 0)
        samples = 4096 if many == 1 else 1024
        records = tester.capture(
            Settings(letter, 8, samples=samples, pulse_s=aim.pulse_s, interleave=many, on_posts=many > 1)
        )
        rung = rung_of(records)
        if rung is not None:
            found[letter] = rung
    return found
