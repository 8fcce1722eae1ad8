"""What must hold in a kind of equipment before it is used."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable

from coilbell.errors import FileError
from coilbell.isolate.equipment import SCHEMA, UNKNOWN, UNLESS_DONE, Equipment, Outcome, Row, Step
from coilbell.terms import RECORDED

__all__ = ["audit"]

_NAMES = re.compile(r"[a-z][a-z0-9-]{0,39}")
_MOST_SLIPS = 0.2
"""Slips from which a reading would tell next to nothing [0..1]; assumed."""

_MOST_RATIO = 1e6
"""Ratios of reading to expectation from which a range is a slip of the pen [1]; assumed."""

_LEAST_UNKNOWN = 0.01
"""Least prior of `unknown`, and least chance of each outcome under it: no list is complete; assumed."""

RING_STATES = ("whole", "shorted", "capacitance", "loaded", "core", "silent")
"""Outcomes that a step with measure "ring" may have, see `ringing`."""

_PATTERNED = ("rails", "parallel", "power", "ratio", "line rate")


def audit(kind: Equipment) -> None:
    """Raises FileError, naming the place, for a kind that does not hold together."""
    if kind.schema != SCHEMA:
        raise FileError(f"has schema {kind.schema}, this version knows {SCHEMA}; update coilbell")
    if not 0 <= kind.slip <= _MOST_SLIPS:
        raise FileError(f"slip {kind.slip} must lie between 0 and {_MOST_SLIPS}")
    _keys("hypothesis", (h.key for h in kind.hypothesis))
    _keys("step", (s.key for s in kind.step))
    _priors(kind)
    for step in kind.step:
        _step(kind, step)


def _priors(kind: Equipment) -> None:
    priors = {h.key: h.prior for h in kind.hypothesis}
    if len(priors) < 3 or UNKNOWN not in priors:
        raise FileError(f"needs two hypotheses and one with the key {UNKNOWN!r}: no list is complete")
    for key, prior in priors.items():
        if not 0 < prior < 1:
            raise FileError(f"hypothesis {key}: prior {prior} must lie between 0 and 1")
    if priors[UNKNOWN] < _LEAST_UNKNOWN:
        raise FileError(f"prior of {UNKNOWN} is {priors[UNKNOWN]}; leave it at least {_LEAST_UNKNOWN}")
    if abs(sum(priors.values()) - 1) > 1e-6:
        raise FileError(f"priors sum to {sum(priors.values()):.6g}; make them sum to 1")


def _step(kind: Equipment, step: Step) -> None:
    where = f"step {step.key}"
    _keys(f"{where}: outcome", (o.key for o in step.outcome))
    if len(step.outcome) < 2:
        raise FileError(f"{where}: has one outcome, so nothing can be learnt; name at least 2")
    if not (math.isfinite(step.minutes) and step.minutes > 0):
        raise FileError(f"{where}: minutes {step.minutes} must be above 0")
    _unless_done(step, where)
    _cautions(step, where)
    _outcomes(step, where)
    _rows(kind, step, where)
    for earlier, sights in step.after.items():
        if earlier not in {s.key for s in kind.step} or earlier == step.key:
            raise FileError(f"{where}: comes after {earlier!r}, which is no other step")
        known = {o.key for o in kind.step_named(earlier).outcome}
        if not sights or not set(sights) <= known:
            raise FileError(f"{where}: after {earlier}, {sorted(set(sights) - known)} are no outcomes of it")


def _unless_done(step: Step, where: str) -> None:
    """What may have been done has one place in how, and is what a capture may say."""
    if step.how.count(UNLESS_DONE) != bool(step.unless_done):
        raise FileError(f"{where}: unless_done and one {UNLESS_DONE!r} in how go together")
    if strangers := sorted(set(step.unless_done) - set(RECORDED)):
        raise FileError(f"{where}: unless_done {strangers[0]}; choose from {', '.join(RECORDED)}")


def _cautions(step: Step, where: str) -> None:
    """A live step names what can hurt, and is no small risk."""
    if step.live != "none" and not step.hazards:
        raise FileError(f"{where}: is done live and names no hazard")
    if step.live in ("mains", "high voltage") and step.risk < 2:
        raise FileError(f"{where}: is done at {step.live} and has risk {step.risk}; give 2 or 3")
    if step.live == "mains" and "mains" not in step.hazards:
        raise FileError(f"{where}: is done at mains voltage; name the hazard mains")
    if step.live == "high voltage" and "high voltage" not in step.hazards:
        raise FileError(f"{where}: is done at high voltage; name the hazard high voltage")


def _outcomes(step: Step, where: str) -> None:
    for one in step.outcome:
        if (one.pattern is None) != (one.range is None):
            raise FileError(f"{where}: outcome {one.key}: give pattern and range together")
        if one.range is not None and not (0 <= one.range[0] < one.range[1] < _MOST_RATIO):
            raise FileError(f"{where}: outcome {one.key}: range {list(one.range)} must rise from 0 or more")
    patterned = [o for o in step.outcome if o.pattern is not None]
    if (step.measure in _PATTERNED) != bool(patterned):
        raise FileError(f"{where}: pattern and range go with the measures {', '.join(_PATTERNED)}")
    if step.measure == "ring":
        _ring(step.outcome, where)
    elif step.connection is not None or step.winding:
        raise FileError(f"{where}: connection and winding go with the measure ring")


def _ring(outcomes: Iterable[Outcome], where: str) -> None:
    keys = {o.key for o in outcomes}
    if not keys <= set(RING_STATES) or not {"whole", "shorted"} <= keys:
        raise FileError(f"{where}: a ring's outcomes are whole, shorted, and of {', '.join(RING_STATES[2:])}")


def _rows(kind: Equipment, step: Step, where: str) -> None:
    count = Counter(key for row in step.row for key in row.of)
    for key in kind.keys:
        if count[key] != 1:
            raise FileError(f"{where}: hypothesis {key} stands in {count[key]} rows; it must stand in one")
    strangers = sorted(set(count) - set(kind.keys))
    if strangers:
        raise FileError(f"{where}: {', '.join(strangers)} are no hypotheses")
    for row in step.row:
        _row(step, row, f"{where}: row of {', '.join(row.of)}")
    left = [o.key for o in step.outcome if step.row_of(UNKNOWN).chances.get(o.key, 0.0) < _LEAST_UNKNOWN]
    if left:
        raise FileError(
            f"{where}: {UNKNOWN} must leave every outcome a chance of {_LEAST_UNKNOWN}; "
            f"{', '.join(left)} has less"
        )


def _row(step: Step, row: Row, where: str) -> None:
    for key, chance in row.chances.items():
        if key not in {o.key for o in step.outcome}:
            raise FileError(f"{where}: {key!r} is no outcome of this step")
        if not 0 <= chance <= 1:
            raise FileError(f"{where}: chance {chance} of {key} must lie between 0 and 1")
    if abs(sum(row.chances.values()) - 1) > 1e-6:
        raise FileError(f"{where}: chances sum to {sum(row.chances.values()):.6g}; make them sum to 1")
    if not row.reason.strip():
        raise FileError(f"{where}: has no reason; say why in a clause")


def _keys(what: str, keys: Iterable[str]) -> None:
    for key, count in Counter(keys).items():
        if not _NAMES.fullmatch(key):
            raise FileError(
                f"{what} key {key[:40]!r}; use small letters, digits and '-', such as rails-loaded"
            )
        if count > 1:
            raise FileError(f"{what} key {key!r} is there {count} times; choose another")
