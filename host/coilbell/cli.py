"""The command line: one table of commands, one table of exit codes.

A command is a module in `coilbell.commands` that offers

    add_arguments(parser)   declares options and an example
    run(options) -> int     does the work, returns an exit code

Modules are imported only when their command is asked for, so `coilbell --help` stays quick.
Results go to stdout, everything else to stderr.
"""

from __future__ import annotations

import importlib
import io
import os
import sys

__all__ = ["COMMANDS", "EXIT_CODES", "main"]

COMMANDS: dict[str, str] = {
    "board": "find, flash and check the tester's board",
    "capture": "strike the winding on the leads and fit how it rings",
    "examine": "one guided examination, from the cautions to the verdict",
    "demo": "an afternoon in an invented workshop, from doubt to finding",
    "fit": "fit the decay in record files: frequency, Q, ring count, doubts",
    "reference": "keep what good and deliberately shorted windings ring like",
    "judge": "say what the rings of a winding mean, with the odds",
    "compare": "say what a second ring has that the first, known good, has not",
    "isolate": "from symptoms and rings to the part to take out next, with the odds",
    "listen": "the line rate in a sound recording, with what else it could be",
    "page": "watch the winding ring in a browser of this computer",
    "log": "the bench log: items, rings, findings, notes; search, hand on",
    "report": "one item of the log as one printable page, .html or .pdf",
    "settings": "what would else be typed each time, and where each value comes from",
    "completion": "a script with which a shell completes commands and options",
}
"""Command name -> one line of help. The module is `coilbell.commands.<name>`."""

EXIT_CODES: dict[int, str] = {
    0: "done",
    1: "board or measurement failed",
    2: "wrong usage or unusable input",
    3: "environment or missing reference",
    130: "interrupted",
}

_HEAD = """\
coilbell: how a winding rings, and what that says of its turns

usage: coilbell COMMAND [options]        coilbell COMMAND --help

commands:
"""


def main(arguments: list[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    _open_closed()
    try:
        try:
            return _chosen(sys.argv[1:] if arguments is None else arguments)
        finally:
            sys.stdout.flush()  # what cannot be written is told here, not when the interpreter ends
    except KeyboardInterrupt:
        return _complain("interrupted", 130)
    except BrokenPipeError:
        _abandon_output()
        return 0
    except OSError as error:
        _abandon_output()
        where = f"{str(error.filename)[:60]}: " if error.filename else ""
        reason = error.strerror or error
        return _complain(f"the system refused: {where}{reason}; free room or choose another place", 3)


def _chosen(words: list[str]) -> int:
    # Rings are small problems: several threads in one product of matrices would only wait for each other.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a file's name may not fit a terminal's letters
    if not words or words[0] in ("-h", "--help", "help"):
        print(_overview())
        return 0
    if words[0] in ("-V", "--version"):
        from coilbell import __version__

        print(f"coilbell {__version__}")
        return 0
    if words[0] not in COMMANDS:
        return _complain(f"no command {words[0]!r}; choose one of: {', '.join(COMMANDS)}", 2)
    return _run(words[0], words[1:])


def _overview() -> str:
    rows = [f"  {name:<11}{line}" for name, line in COMMANDS.items()]
    codes = [f"  {code!s:<11}{what}" for code, what in EXIT_CODES.items()]
    return _HEAD + "\n".join(rows) + "\n\nexit codes:\n" + "\n".join(codes)


def _run(name: str, words: list[str]) -> int:
    import argparse

    from coilbell.commands.options import Parser
    from coilbell.errors import CoilbellError

    for word in words:
        if word.startswith("--") and word.endswith("=--"):  # argparse would hand on an empty list
            return _complain(f"{word} gives no value; write one behind the =", 2)
    module = importlib.import_module(f"coilbell.commands.{name}")
    parser = Parser(
        prog=f"coilbell {name}",
        description=COMMANDS[name],
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    module.add_arguments(parser)
    try:
        options = parser.parse_args(words)
        return int(module.run(options))
    except CoilbellError as error:
        return _complain(str(error), error.exit_code)
    except UnicodeEncodeError as error:
        found = ascii(error.object[error.start : error.end])
        return _complain(f"a name holds {found}, which is no letter in this system's encoding; rename it", 2)


def _open_closed() -> None:
    """Where a shell closed an output, what goes there goes nowhere."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115


def _abandon_output() -> None:
    """Where nothing more can be written, keep the interpreter from trying again as it ends."""
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _complain(message: str, code: int) -> int:
    from coilbell.bench.files.encoding import harmless

    text = "coilbell: " + harmless(message).replace("\n", "\\n")
    if sys.stderr.isatty():
        import textwrap

        text = textwrap.fill(text, 80, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)
    print(text, file=sys.stderr)
    return code


if __name__ == "__main__":
    sys.exit(main())
