"""The bench's settings: one TOML file of what would else be typed each time.

A value comes from, the first that has it winning: an option of the command, an environment variable, the
file, the program. The file is settings.toml in the user's configuration folder, or the one that the
environment variable COILBELL_SETTINGS names; comments in it survive a change.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from coilbell.errors import FileError, InputError
from coilbell.quantities import parse
from coilbell.whole import whole_file

__all__ = ["SETTINGS", "Setting", "Value", "change", "setting", "settings_path", "values"]

VARIABLE = "COILBELL_SETTINGS"
"""Environment variable that names the file."""

_LIMIT = 100_000
"""Largest file read [bytes]: a hundred times what all settings with comments take."""

_LONGEST = 400
"""Longest value taken [letters]."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting. default: what holds where nobody says anything, "" for nothing; variable: the environment
    variable that names it, "" for none; check: raises InputError for a value that cannot be."""

    name: str
    what: str
    example: str
    default: str = ""
    variable: str = ""
    check: Callable[[str], object] = str


@dataclass(frozen=True, slots=True)
class Value:
    """A setting's value and where it comes from."""

    setting: Setting
    text: str
    source: str


def _percent(text: str) -> None:
    if not 0 < parse(text, "%", "tolerance") < 100:
        raise InputError(f"tolerance {text} is no percentage; write 1 for 1 %")


def _sure(text: str) -> None:
    if not 0.5 < parse(text, "", "sure") < 1:
        raise InputError(f"sure {text}: how sure a verdict must be lies between 0.5 and 1, such as 0.95")


def _switch(text: str) -> None:
    if text not in ("on", "off"):
        raise InputError(f"{text!r} is neither on nor off; write one of them")


SETTINGS = {
    one.name: one
    for one in (
        Setting("port", "where the tester is", "/dev/ttyACM0"),
        Setting("shop", "name of the workshop, for reports", "Heron Bench, Mill Lane 3"),
        Setting("tolerance", "uncertainty of test capacitors typed by hand [%]", "1", "1", check=_percent),
        Setting("sure", "how sure a verdict must be", "0.95", "0.95", check=_sure),
        Setting("references", "folder of references", "~/bench/references", variable="COILBELL_REFERENCES"),
        Setting("log", "the bench log's file", "~/bench/log.sqlite", variable="COILBELL_LOG"),
        Setting("sound", "a tone that follows Q while watching", "on", "off", check=_switch),
    )
}
"""All settings by name."""


def settings_path() -> Path:
    """The file, whether it is there or not."""
    named = os.environ.get(VARIABLE)
    if named:
        return Path(named)
    from platformdirs import user_config_path

    return user_config_path("coilbell", appauthor=False) / "settings.toml"


def setting(name: str) -> str:
    """The value of a setting as text, "" where there is none; folders and files with ~ worked out.

    Raises FileError for a file that cannot be read or holds what cannot be.
    """
    return _value(SETTINGS[name]).text


def values() -> tuple[Value, ...]:
    """Every setting with where its value comes from. Raises FileError."""
    return tuple(_value(one) for one in SETTINGS.values())


def change(name: str, text: str | None) -> Path:
    """Write a setting into the file, None takes it out; returns the file.

    Raises InputError for an unknown name or a value that cannot be, FileError where it cannot be written.
    """
    import tomlkit

    asked = _named(name)
    path = settings_path()
    _held(path, _age(path))  # a damaged file is told and left alone
    if text is not None:
        _checked(asked, text)
    try:
        document = tomlkit.parse(path.read_text(encoding="utf-8") if path.exists() else "")
        if text is None:
            document.pop(name, None)
        else:
            document[name] = text
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(path) as stream:
            stream.write(tomlkit.dumps(document).encode())
        _held.cache_clear()  # a clock may be too coarse to tell two writes apart
    except OSError as error:
        raise FileError(f"{path}: cannot be written: {error.strerror or error}; check its folder") from error
    return path


def _named(name: str) -> Setting:
    if name not in SETTINGS:
        raise InputError(f"no setting {name[:40]!r}; choose one of: {', '.join(SETTINGS)}")
    return SETTINGS[name]


def _value(one: Setting) -> Value:
    path = settings_path()
    if one.variable and os.environ.get(one.variable):
        return Value(one, os.environ[one.variable], f"environment variable {one.variable}")
    held = _held(path, _age(path))
    if one.name in held:
        text = held[one.name]
        return Value(one, os.path.expanduser(text) if one.variable else text, str(path))
    return Value(one, one.default, "the program" if one.default else "nowhere")


def _age(path: Path) -> int:
    """When the file was last written [ns], 0 where there is none."""
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0


@lru_cache(maxsize=4)
def _held(path: Path, age: int) -> dict[str, str]:
    """What the file says, checked; age: so that a file written meanwhile is read again. Raises FileError."""
    if not age:
        return {}
    try:
        with path.open("rb") as stream:
            content = stream.read(_LIMIT + 1)
    except OSError as error:
        raise FileError(f"{path}: cannot be read: {error.strerror or error}") from error
    if len(content) > _LIMIT:
        raise FileError(f"{path}: larger than any file of settings; move it away")
    try:
        found = tomllib.loads(content.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        reason = str(error).splitlines()[0][:100] if str(error) else "nested too deeply"
        raise FileError(f"{path}: is no file of settings ({reason}); mend or move it") from error
    held = {}
    for name, value in found.items():
        try:
            held[name] = _checked(_named(name), value)
        except InputError as error:
            raise FileError(f"{path}: {error}") from error
    return held


def _checked(one: Setting, value: object) -> str:
    """The value as text. Raises InputError."""
    if isinstance(value, bool):
        value = "on" if value else "off"
    if not isinstance(value, str | int | float):
        raise InputError(f"{one.name} is to be one value, such as {one.example}")
    text = str(value)
    if not text.strip() or len(text) > _LONGEST or not text.isprintable():
        raise InputError(f"{one.name} {text[:40]!r} cannot be; write one such as {one.example}")
    one.check(text)
    return text
