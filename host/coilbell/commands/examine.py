"""`coilbell examine`: one guided examination, from the cautions to the verdict."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from coilbell.commands.options import (
    add_log,
    add_port,
    add_prior,
    drawer_of,
    port_of,
    prior_of,
    show,
    tell,
)
from coilbell.errors import CoilbellError, InputError, MeasurementError, MissingError

if TYPE_CHECKING:
    from coilbell.bench.examination.desk import Desk, Striker
    from coilbell.bench.examination.guide import Question, Struck

__all__ = ["add_arguments", "run"]

_EXAMPLES = """\
examples:
  coilbell examine lot-3
  coilbell examine lot-3 --port "virtual:?part=tarn-line-split&state=turn-dead"
  coilbell examine lot-3 --answers answers.txt --json

Asks what the part is, shows the cautions, rings, judges, and proposes the next
step that tells most for its effort, until the answer stands. Enter does what is
proposed; s skips it, r rings again, b takes the last thing back, f tells the
whole finding, q leaves; at the end, now or later, o keeps what it was found to
be. Everything is kept under the item as it happens: what breaks off goes on
with the same command. A virtual board follows what is said to be done.
--answers reads one answer a line; an empty line is Enter.
Exit code: 0 the examination ended or was left; 1 board or measurement failed;
2 the answers end too early, an option cannot be; 3 no board; 130 interrupted.
"""

_HELP = "Enter: do it; s skip; r ring again; b take the last thing back; f the whole finding; q leave"

_KEYS = {"go": "", "skip": "s", "ring": "r", "back": "b", "onward": "g"}
"""What is typed for a choice; f, o, p and q are the terminal's own."""

_NAMES = {"skip": "s skip", "ring": "r ring again", "back": "b back", "onward": "g go on"}

_ROOM = 60
"""Longest question that stands on one line with its choices [letters]; what is typed needs room too."""

Ask = Callable[[str], str]
"""Shows a question and returns the answer; raises EOFError where there are no more."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell examine`."""
    add = parser.add_argument
    add("item", metavar="ITEM", help="name of the item; made when new")
    add_port(parser)
    add("--reference", metavar="NAME", help="judge by this reference; asked when left out")
    add("--kind", metavar="KIND", help="kind of winding, where there is no reference")
    add("--store", metavar="DIR", help="folder of references")
    add_prior(parser)
    add_log(parser)
    add("--again", action="store_true", help="begin afresh, as after a repair; older rings stay kept")
    add("--answers", metavar="FILE", help="read the answers from a file")
    add("--json", action="store_true", help="the finding as one JSON object at the end")
    parser.epilog = _EXAMPLES


def run(options: argparse.Namespace) -> int:
    """Examine; returns 0."""
    from coilbell.bench.examination.desk import Desk
    from coilbell.commands.striker import PortStriker

    if options.reference and options.kind:
        raise InputError("--reference has its kind; leave --kind out")
    options.label = ""
    with _asking(options) as ask, drawer_of(options) as drawer:
        assert drawer is not None
        desk = Desk(drawer, options.store, prior_of(options))
        striker = PortStriker(port_of(options), tell)
        try:
            _Talk(desk, striker, ask, options).run()
        except (EOFError, KeyboardInterrupt) as stopped:
            tell(f"everything so far is kept; go on by: coilbell examine {options.item}")
            if isinstance(stopped, KeyboardInterrupt):
                raise
            raise InputError(
                "the answers end before the examination does; add the rest, an empty line for Enter"
            ) from stopped
        finally:
            striker.close()
    return 0


class _Talk:
    """Questions and answers on a terminal, or from a file."""

    def __init__(self, desk: Desk, striker: Striker, ask: Ask, options: argparse.Namespace) -> None:
        self.desk, self.striker, self.ask, self.options = desk, striker, ask, options
        self.shown: tuple[int, ...] = ()

    def run(self) -> None:
        from coilbell.bench.examination.core import Asked

        prompt = self.desk.resume()
        if self.options.again or prompt.asked is Asked.WHAT:
            self._begin()
        elif self.options.reference or self.options.kind:
            raise InputError(
                f"{self.options.item} is being examined already; leave --reference and --kind out, or give "
                "--again to begin afresh"
            )
        while (after := self._turn()) is not None:
            if after.strike:
                self._ring()
            if after.words:
                self._say(after.words)

    def _turn(self) -> Struck | None:
        """One question and what became of its answer; None where it ends here."""
        from coilbell.bench.examination.core import Asked
        from coilbell.bench.examination.guide import Choice, Struck, answered, question

        if self.desk.prompt.asked is Asked.WHAT:
            self._begin()
        self._show_verdict()
        asked = question(self.desk)
        for line in (*asked.told, *self._cautions(asked)):
            self._say(line)
        typed = self._answer(asked)
        if typed == "f":
            self._full()
        elif typed == "p":
            self._report()
        elif typed == "o":
            self._outcome()
        elif typed == "q" or (asked.asked is Asked.END and not typed):
            self._finish(ended=asked.asked is Asked.END)
            return None
        else:
            return answered(self.desk, Choice(next(name for name, key in _KEYS.items() if key == typed)))
        return Struck()

    def _begin(self) -> None:
        what = self.options.reference or self._kind() or self._what()
        where = self._asked("is it connected in its set? y/n [n] ", {"": False, "n": False, "y": True})
        self.desk.begin(what, in_circuit=where)

    def _kind(self) -> str:
        """The kind of --kind, "" without it. Raises InputError for one that there is not."""
        from coilbell.winding import kind_named

        return kind_named(self.options.kind).name if self.options.kind else ""

    def _what(self) -> str:
        """Name of a reference or kind; the only one there is, or that of the item, is taken on Enter."""
        from coilbell.bench.examination.guide import beginnings
        from coilbell.winding import KINDS

        names, usual = beginnings(self.desk)
        if names:
            self._say(f"references: {', '.join(names)}")
        self._say(f"or a kind: {', '.join(KINDS)}")
        with _completing([*names, *KINDS]):
            while True:
                typed = self.ask(f"reference or kind{f' [{usual}]' * bool(usual)}: ").strip() or usual
                found = [n for n in (*names, *KINDS) if n.lower().startswith(typed.lower())] if typed else []
                if typed in (*names, *KINDS) or Path(typed).suffix == ".json":
                    return typed
                if len(found) == 1:
                    return found[0]
                self._say(f"which of: {', '.join(found)}?" if found else f"no {typed or 'name'!r} there")

    def _cautions(self, asked: Question) -> Iterator[str]:
        for place, words in enumerate(asked.cautions):
            yield f"  {words}" if place else f"caution: {words}"

    def _ring(self) -> None:
        try:
            self.desk.strike(self.striker)
        except (MeasurementError, MissingError) as error:
            if self.options.answers or not sys.stdin.isatty():
                raise
            tell(f"coilbell: {error}")

    def _full(self) -> None:
        from coilbell.bench.facts.finding import finding_facts
        from coilbell.bench.words.finding import finding_text

        if self.desk.finding is None:
            self._say("nothing was judged yet")
        else:
            self._say(finding_text(finding_facts(self.desk.finding, self.options.item)))

    def _report(self) -> None:
        from coilbell.bench.report import write_report

        log, item = self.desk.drawer.log, self.desk.drawer.item
        assert item is not None
        place = _page(self.options.item)
        try:
            write_report(log, item, place, paper="a4", force=True)
        except CoilbellError as error:
            self._say(str(error))
        else:
            self._say(f"report written to {place}")

    def _outcome(self) -> None:
        """What it was in the end, when that is known: at once, or when the same command is given again."""
        from coilbell.commands.ended import ask_outcome

        item = self.desk.drawer.item
        assert item is not None
        try:
            self._say(ask_outcome(self.desk.drawer.log, item, self.ask, self._say))
        except InputError as error:
            self._say(str(error))

    def _finish(self, *, ended: bool) -> None:
        from coilbell.bench.facts.base import json_line
        from coilbell.bench.facts.finding import finding_facts

        if not ended:
            self._say(f"everything is kept; go on by: coilbell examine {self.options.item}")
        elif self.options.json and self.desk.finding is not None:
            show(json_line(finding_facts(self.desk.finding, self.options.item)))
        else:
            self._say(f"report: coilbell report {self.options.item} -o {_page(self.options.item)}")

    def _show_verdict(self) -> None:
        """The verdict, once for each set of rings."""
        from coilbell.bench.examination.guide import verdict_of

        captures = self.desk.state.captures
        if self.desk.finding is None or captures == self.shown:
            return
        self.shown = captures
        self._say("")
        for line in verdict_of(self.desk, self.options.item):
            self._say(line)

    def _answer(self, asked: Question) -> str:
        """ "" for Enter, else one of the letters; words that begin with one are taken for it."""
        from coilbell.bench.examination.core import Asked

        ends = asked.asked is Asked.END
        told = [_NAMES[choice] for choice in asked.choices if choice in _NAMES]
        told += ["p report", "o outcome"] if ends else []
        go = {Asked.STEP: "Enter when it is done", Asked.END: "Enter: end"}.get(asked.asked, "Enter")
        head = f"next: {asked.words}" if asked.asked is Asked.STEP else asked.words
        letters = {_KEYS[choice] for choice in asked.choices} | {"f", "q"} | ({"p", "o"} if ends else set())
        if len(head) + len(go) + len("".join(told)) > _ROOM:
            self._say(head)
            head = ""
        question = f"{head}{': ' * bool(head)}{go} ({', '.join([*told, 'q leave'])}) "
        while True:
            typed = self.ask(question).strip().lower()[:1]
            if typed in letters:
                return typed
            self._say(_HELP if typed == "?" else f"{typed!r} is none of these; ? tells")

    def _asked(self, question: str, answers: dict[str, bool]) -> bool:
        while True:
            typed = self.ask(question).strip().lower()[:1]
            if typed in answers:
                return answers[typed]
            self._say(f"answer with one of: {', '.join(filter(None, answers))}, or Enter")

    def _say(self, text: str) -> None:
        from coilbell.bench.words.fit import wrapped

        for line in text.splitlines() or [""]:
            out = line if len(line) <= 80 else wrapped(line, indent=0)
            show(out, stream=sys.stderr if self.options.json else None)


def _page(item: str) -> str:
    """Name of the item's report beside which the examination runs."""
    return f"{''.join(c if c.isalnum() or c in '._-' else '-' for c in item)}.html"


@contextmanager
def _asking(options: argparse.Namespace) -> Iterator[Ask]:
    """How questions are asked: on the terminal, of a pipe, or of the file of answers, which is shown."""
    if not options.answers:
        out = sys.stderr if options.json else sys.stdout

        def ask(question: str) -> str:
            if sys.stdin.isatty() and not options.json:
                return input(question)
            show(question, stream=out)
            return _line(sys.stdin.readline())

        yield ask
        return
    try:
        lines = iter(Path(options.answers).read_text(encoding="utf-8").splitlines())
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not text"
        raise InputError(f"--answers {options.answers}: cannot be read: {reason}; check the name") from error

    def answered(question: str) -> str:
        typed = next(lines, None)
        if typed is None:
            raise EOFError
        show(f"{question}{typed}", stream=sys.stderr if options.json else None)
        return typed

    yield answered


def _line(text: str) -> str:
    if not text:
        raise EOFError
    return text


@contextmanager
def _completing(names: list[str]) -> Iterator[None]:
    """Names complete by the tabulator key where the terminal's line editor is there."""
    try:
        import readline
    except ImportError:  # as on Windows; the beginning of a name does there
        yield
        return
    before, delimiters = readline.get_completer(), readline.get_completer_delims()
    readline.set_completer_delims("")
    readline.set_completer(
        lambda text, state: next(iter([n for n in names if n.startswith(text)][state : state + 1]), None)
    )
    readline.parse_and_bind("tab: complete")
    try:
        yield
    finally:
        with suppress(Exception):
            readline.set_completer(before)
            readline.set_completer_delims(delimiters)
