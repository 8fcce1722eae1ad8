"""`coilbell completion`: what a shell needs to complete coilbell's commands and options."""

from __future__ import annotations

import argparse
import importlib
import pkgutil

from coilbell.commands.options import show
from coilbell.errors import CoilbellError, MissingError

__all__ = ["add_arguments", "run"]

_SHELLS = ("bash", "zsh", "tcsh")

_NAMES = ("items", "references", "parts", "causes")
"""What the scripts ask this command for when names are to be completed."""

_COMPLETED = {
    "item": "items",
    "items": "items",
    "reference": "references",
    "part": "parts",
    "cause": "causes",
}
"""Option or argument -> names that complete it."""

_EXAMPLES = """\
examples:
  coilbell completion bash > ~/.local/share/bash-completion/completions/coilbell
  coilbell completion zsh > ~/.zfunc/_coilbell       (with ~/.zfunc in fpath)

Prints a script for the shell; open a new shell after keeping it. Names of
items, references, parts and causes complete as well: the script asks for them
by `coilbell completion items` and its like, one name a line.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell completion`."""
    parser.add_argument(
        "shell",
        metavar="SHELL",
        choices=(*_SHELLS, *_NAMES),
        help=f"the shell to write for ({', '.join(_SHELLS)}), or names to list",
    )
    parser.epilog = _EXAMPLES


def run(options: argparse.Namespace) -> int:
    """Print the script or the names; returns 0."""
    if options.shell in _NAMES:
        for name in _names(options.shell):
            show(name)
        return 0
    try:
        import shtab
    except ImportError as error:
        raise MissingError("completion needs shtab; install it with `pip install shtab`") from error
    print(shtab.complete(_whole(), shell=options.shell))
    return 0


def _names(what: str) -> list[str]:
    """Names that a shell can complete: those without blanks. None where there is no log yet."""
    from coilbell.bench.log import Log
    from coilbell.bench.shelf import Shelf

    if what == "references":
        return list(Shelf().names())
    if what == "causes":
        return _causes()
    try:
        with Log(writable=False) as log:
            found = [item.name if what == "items" else item.part for item in log.items()]
    except CoilbellError:  # a shell that completes has no use for an error
        return []
    return [name for name in dict.fromkeys(found) if name and not any(map(str.isspace, name))]


def _causes() -> list[str]:
    """What an item may be in the end: states of a winding, and causes of the kinds of equipment that ship."""
    from coilbell.bench.facts.outcome import NEVER_KNOWN
    from coilbell.isolate import shipped
    from coilbell.terms import FOUND

    keys = (key for kind in shipped().values() for key in kind.keys)
    return list(dict.fromkeys((*FOUND, *keys, NEVER_KNOWN)))


def _complete(parser: argparse.ArgumentParser, command: str) -> None:
    """Let arguments that name an item, a reference or a part be completed by those there are."""
    import shtab

    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for below in action.choices.values():
                _complete(below, command)
            continue
        what = (
            "references" if (command, action.dest) == ("reference", "name") else _COMPLETED.get(action.dest)
        )
        if what is not None:
            action.complete = shtab.cmd(f"coilbell completion {what}")  # type: ignore[attr-defined]


def _whole() -> argparse.ArgumentParser:
    """All commands in one parser."""
    from coilbell import commands

    parser = argparse.ArgumentParser(prog="coilbell")
    known = parser.add_subparsers(dest="command")
    for found in pkgutil.iter_modules(commands.__path__):
        module = importlib.import_module(f"coilbell.commands.{found.name}")
        if not hasattr(module, "run"):
            continue  # no command, but what several share
        # The words after the name in the first line of the module are its help.
        words = (module.__doc__ or "").partition("\n")[0].partition(": ")[2]
        own = known.add_parser(found.name, help=words)
        module.add_arguments(own)
        _complete(own, found.name)
    return parser
