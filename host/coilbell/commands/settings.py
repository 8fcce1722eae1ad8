"""`coilbell settings`: what would else be typed each time, and where each value comes from."""

from __future__ import annotations

import argparse
import json

from coilbell.commands.options import action_of, actions_of, show, tell
from coilbell.errors import InputError

__all__ = ["SETTINGS_SCHEMA", "add_arguments", "run"]

SETTINGS_SCHEMA = 1
"""Number of the object that --json prints."""

_EXAMPLES = """\
examples:
  coilbell settings show
  coilbell settings set port /dev/ttyACM0
  coilbell settings set shop "Heron Bench, Mill Lane 3"
  coilbell settings unset port

An option of a command wins over an environment variable, that over the file,
that over the program. Comments in the file survive.
"""

_ACTIONS = {
    "show": "every setting, its value and where that comes from",
    "set": "write a value into the file",
    "unset": "take a value out of the file",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell settings`."""
    from coilbell.bench.settings import SETTINGS

    parser.epilog = _EXAMPLES
    actions = actions_of(parser, _ACTIONS)
    actions["show"].add_argument("--json", action="store_true", help="one JSON object")
    for name in ("set", "unset"):
        actions[name].add_argument("name", metavar="NAME", help=f"one of: {', '.join(SETTINGS)}")
    actions["set"].add_argument("value", metavar="VALUE", help="its value")


def run(options: argparse.Namespace) -> int:
    """Show or change settings; returns 0."""
    from coilbell.bench.settings import change

    action = action_of(options, _ACTIONS)
    if action == "show":
        _show(options.json)
        return 0
    value = str(options.value) if action == "set" else None
    if value is not None and not value.strip():
        raise InputError("an empty value; take one out by `coilbell settings unset NAME`")
    path = change(options.name, value)
    tell(f"{options.name} {'written to' if action == 'set' else 'taken out of'} {path}")
    return 0


def _show(as_json: bool) -> None:
    from coilbell.bench.files.encoding import harmless
    from coilbell.bench.settings import settings_path, values

    held = values()
    if as_json:
        table = {v.setting.name: {"value": v.text or None, "source": v.source} for v in held}
        facts = {
            "schema": SETTINGS_SCHEMA,
            "what": "settings",
            "file": str(settings_path()),
            "settings": table,
        }
        show(json.dumps(facts))
        return
    for value in held:
        shown = harmless(value.text) or "-"
        show(f"{value.setting.name:<11}{shown}\n{'':<11}{value.setting.what}; from {value.source}")
