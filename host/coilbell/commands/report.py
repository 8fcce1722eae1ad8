"""`coilbell report`: one item of the bench log as one printable page."""

from __future__ import annotations

import argparse
from pathlib import Path

from coilbell.commands.options import add_log, show, tell
from coilbell.errors import InputError

__all__ = ["add_arguments", "run"]

_EXAMPLES = """\
examples:
  coilbell report lot-3 -o lot-3.html
  coilbell report lot-3 -o lot-3.pdf --paper letter
  coilbell report lot-3 -o lot-3-full.pdf --full
  coilbell report lot-3 --json

A page for the customer: the verdict, what was done, the ring over a healthy
one, what the test cannot tell, the caution. With --full one for the technician:
every ring with uncertainties, reasons, limits, worksheet, versions and hashes.
The file needs nothing else and fetches nothing. The workshop's name is a
setting (shop), the customer's is kept by `coilbell log set ITEM --customer
NAME`. For names in any script in a PDF: pip install "coilbell[fonts]".
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell report`."""
    add = parser.add_argument
    add("item", metavar="ITEM", help="name of the item in the log")
    add("-o", "--output", metavar="FILE", help="the page to write: .html, .pdf, or .txt without pictures")
    add("--full", action="store_true", help="the technician's page instead of the customer's")
    add("--paper", choices=("a4", "letter"), default="a4", help="paper of a .pdf (a4)")
    add("--force", action="store_true", help="replace FILE when it exists")
    add_log(parser)
    add("--json", action="store_true", help="words and figures of the page as one JSON object")
    parser.epilog = _EXAMPLES


def run(options: argparse.Namespace) -> int:
    """Write the report; returns 0."""
    from coilbell.bench.facts.base import json_line
    from coilbell.bench.log import Log
    from coilbell.bench.report import basis_of, sheet_of, write_report

    if not (options.output or options.json):
        raise InputError(f"nothing to write to; give -o {options.item}.html or -o {options.item}.pdf")
    with Log(Path(options.log) if options.log else None, writable=False) as log:
        item = log.item(options.item)
        if options.output:
            more = {"full": options.full, "paper": options.paper, "force": options.force}
            sheet = write_report(log, item, options.output, **more)
            tell(f"report written to {options.output}")
        else:
            sheet = sheet_of(basis_of(log, item), full=options.full)
    if options.json:
        show(json_line(sheet))
    return 0
