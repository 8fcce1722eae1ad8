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
    from coilbell.bench.examination.core import Prompt
    from coilbell.bench.examination.desk import Desk, Striker

__all__ = ["add_arguments", "run"]

_EXAMPLES = """\
examples:
  coilbell examine lot-3
  coilbell examine lot-3 --port "virtual:?part=tarn-line-split&state=turn-dead"
  coilbell examine lot-3 --answers answers.txt --json

Asks what the part is, shows the cautions, rings, judges, and proposes the next
step that tells most for its effort, until the answer stands. Enter does what is
proposed; s skips it, r rings again, b takes the last thing back, f tells the
whole finding, q leaves. Everything is kept under the item as it happens: what
breaks off goes on with the same command. A virtual board follows what is said
to be done.
--answers reads one answer a line; an empty line is Enter.
Exit code: 0 the examination ended or was left; 1 board or measurement failed;
2 the answers end too early, an option cannot be; 3 no board; 130 interrupted.
"""

_HELP = "Enter: do it; s skip; r ring again; b take the last thing back; f the whole finding; q leave"

_OUT_OF_CIRCUIT = (
    "The leads go on a part that is out of its set, with nothing else on it.",
    "Never connect the tester to anything live or charged.",
)
_IN_CIRCUIT = (
    "The leads go on a set that is off, unplugged and discharged.",
    "Never on a live one; their voltage is measured before each shot.",
)

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
            prompt = self._begin()
        elif self.options.reference or self.options.kind:
            raise InputError(
                f"{self.options.item} is being examined already; leave --reference and --kind out, or give "
                "--again to begin afresh"
            )
        doing = {
            Asked.WHAT: lambda _: self._begin(),
            Asked.CAUTION: lambda _: self._cautions(),
            Asked.STRIKE: self._strike,
            Asked.STEP: self._step,
            Asked.END: self._end,
        }
        while True:
            self._show_verdict(prompt)
            after = doing[prompt.asked](prompt)
            if after is None:
                return
            prompt = after

    def _begin(self) -> Prompt:
        what = self.options.reference or self._kind() or self._what()
        where = self._asked("is it connected in its set? y/n [n] ", {"": False, "n": False, "y": True})
        return self.desk.begin(what, in_circuit=where)

    def _kind(self) -> str:
        """The kind of --kind, "" without it. Raises InputError for one that there is not."""
        from coilbell.winding import kind_named

        return kind_named(self.options.kind).name if self.options.kind else ""

    def _what(self) -> str:
        """Name of a reference or kind; the only one there is, or that of the item, is taken on Enter."""
        from coilbell.bench.shelf import Shelf
        from coilbell.winding import KINDS

        names = Shelf(self.options.store).names()
        item = self.desk.drawer.item
        usual = item.kind if item and item.kind in KINDS else ""
        usual = names[0] if len(names) == 1 else usual
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

    def _cautions(self) -> Prompt | None:
        from coilbell.bench.facts.examination import Confirm
        from coilbell.isolate import cautions

        in_circuit = self.desk.state.begun is not None and self.desk.state.begun.in_circuit
        told = _IN_CIRCUIT if in_circuit else _OUT_OF_CIRCUIT
        for words in (*told, *(cautions(("mains", "stored charge")) if in_circuit else ())):
            self._say(f"caution: {words}" if words is told[0] else f"  {words}")
        if self._asked("Enter: so it is; q leave ", {"": True, "q": False}):
            return self.desk.act(Confirm())
        return None

    def _strike(self, prompt: Prompt) -> Prompt | None:
        words = self.desk.state.connection
        answer = self._answer(f"strike it, {words}: Enter (b back, q leave) ", "bfq")
        return self._ring() if answer == "" else self._common(answer)

    def _ring(self) -> Prompt:
        try:
            return self.desk.strike(self.striker)
        except (MeasurementError, MissingError) as error:
            if self.options.answers or not sys.stdin.isatty():
                raise
            tell(f"coilbell: {error}")
            return self.desk.prompt

    def _step(self, prompt: Prompt) -> Prompt | None:
        from coilbell.bench.facts.examination import Did, Skip

        assert prompt.step is not None
        self._say(f"next: {prompt.step.words}")
        answer = self._answer("Enter when it is done (s skip, r ring again, b back, ? help) ", "srbfq")
        if answer == "s":
            return self.desk.act(Skip(step=prompt.step.step))
        if answer:
            return self._common(answer)
        self.desk.act(Did(step=prompt.step.step))
        return self._ring()

    def _end(self, prompt: Prompt) -> Prompt | None:
        from coilbell.bench.examination.core import left_steps
        from coilbell.bench.facts.examination import Onward

        finding = self.desk.finding
        assert finding is not None
        for line in _worksheet_lines(self.desk):
            self._say(line)
        goes_on = prompt.stands and left_steps(self.desk.state, finding.verdict)
        further = "g go on, " if goes_on else ""
        asked = f"Enter: end (p report to {_page(self.options.item)}, {further}r ring again, b back) "
        answer = self._answer(asked, "pgrbfq" if goes_on else "prbfq")
        if answer == "g":
            return self.desk.act(Onward())
        if answer == "p":
            self._report()
            return prompt
        if answer in ("", "q"):
            self._finish()
            return None
        return self._common(answer)

    def _common(self, answer: str) -> Prompt | None:
        """What r, b, f and q do everywhere."""
        if answer == "r":
            return self._ring()
        if answer == "q":
            self._say(f"everything is kept; go on by: coilbell examine {self.options.item}")
            return None
        if answer == "f":
            self._full()
            return self.desk.prompt
        back = self.desk.back()
        self._say(f"taken back: {back}" if back else "nothing to take back; --again begins afresh")
        return self.desk.prompt

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

    def _finish(self) -> None:
        from coilbell.bench.facts.base import json_line
        from coilbell.bench.facts.finding import finding_facts

        if self.options.json and self.desk.finding is not None:
            show(json_line(finding_facts(self.desk.finding, self.options.item)))
        else:
            self._say(f"report: coilbell report {self.options.item} -o {_page(self.options.item)}")

    def _show_verdict(self, prompt: Prompt) -> None:
        """The verdict, once for each set of rings."""
        from dataclasses import replace

        from coilbell.bench.examination.core import Asked
        from coilbell.winding import verdict_lines

        finding, captures = self.desk.finding, self.desk.state.captures
        if finding is None or captures == self.shown:
            return
        self.shown = captures
        verdict = finding.verdict
        if prompt.asked is not Asked.END:  # the step is asked for below, its cautions were confirmed
            verdict = replace(verdict, steps=(), caution="")
        self._say("")
        for line in verdict_lines(verdict, self.options.item):
            self._say(line)

    def _answer(self, question: str, letters: str) -> str:
        """ "" for Enter, else one of the letters; words that begin with one are taken for it."""
        while True:
            typed = self.ask(question).strip().lower()
            if typed[:1] in letters or not typed:
                return typed[:1]
            self._say(_HELP if typed == "?" else f"{typed[:20]!r} is none of these; ? tells")

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


def _worksheet_lines(desk: Desk) -> Iterator[str]:
    """Where a worksheet of the item is open: the part that it suspects next, and how the ring gets in."""
    from coilbell.bench.log import kept_facts
    from coilbell.figure import percent

    log, item = desk.drawer.log, desk.drawer.item
    facts = kept_facts(log, item) if item is not None else None
    if item is None or facts is None:
        return
    first = ", ".join(f"{one.part} {percent(one.probability)}" for one in facts.parts[:2])
    yield f"worksheet, part to suspect next: {first}"


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
