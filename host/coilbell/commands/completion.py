"""`coilbell completion`: what a shell needs to complete coilbell's commands and options."""

from __future__ import annotations

import argparse
import importlib
import pkgutil

from coilbell.errors import MissingError

__all__ = ["add_arguments", "run"]

_SHELLS = ("bash", "zsh", "tcsh")

_EXAMPLES = """\
examples:
  coilbell completion bash > ~/.local/share/bash-completion/completions/coilbell
  coilbell completion zsh > ~/.zfunc/_coilbell       (with ~/.zfunc in fpath)

Prints a script for the shell; open a new shell after keeping it.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell completion`."""
    parser.add_argument("shell", choices=_SHELLS, help="the shell to write for")
    parser.epilog = _EXAMPLES


def run(options: argparse.Namespace) -> int:
    """Print the script; returns 0."""
    try:
        import shtab
    except ImportError as error:
        raise MissingError("completion needs shtab; install it with `pip install shtab`") from error
    print(shtab.complete(_whole(), shell=options.shell))
    return 0


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
        module.add_arguments(known.add_parser(found.name, help=words))
    return parser
