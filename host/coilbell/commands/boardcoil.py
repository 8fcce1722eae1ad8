"""What a coil on the leads tells of a tester, for `coilbell board check`."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from coilbell.errors import InputError

if TYPE_CHECKING:
    from coilbell.board import Known, Outcome, Row, Rung, Tester
    from coilbell.record import Record

__all__ = ["coil_rows", "known_parts", "rung_of"]


def coil_rows(tester: Tester, outcome: Outcome, coil: Known | None, added: Known | None) -> list[Row]:
    """What a coil on the leads tells of the tester, and whether its known inductance comes out."""
    from coilbell.board import Row, examined

    if not outcome.rings:
        if coil is None:
            return [Row("reference coil", None, note="no coil on the leads")]
        return [Row("reference coil", 0.0, "H", low=1e-9, note="no ring; is the coil on the leads?")]
    rungs = {letter: rung for letter, records in outcome.rings.items() if (rung := rung_of(records))}
    if not rungs:
        return [Row("reference coil", None, note="the ring cannot be fitted")]
    rows, constants = examined(rungs, tester.identity, coil, added)
    outcome.constants |= constants
    return rows


def rung_of(records: Sequence[Record]) -> Rung | None:
    """The main ring of these records, None when there is none."""
    from coilbell.board import Rung
    from coilbell.decay import fit

    found = fit(records)
    if not found.rings:
        return None
    main = found.main
    words = f"rings at {main.frequency_hz.value / 1e3:.5g} kHz, Q {main.q.value:.4g}"
    spreads = main.frequency_hz.standard_uncertainty, main.q.standard_uncertainty
    return Rung(main.natural_frequency_hz, spreads[0], words, main.q.value, spreads[1])


def _coil(text: str) -> float:
    """Inductance as given, or by the formula of a single layer from turns x diameter x length in mm [H]."""
    from coilbell.board import solenoid_henries
    from coilbell.quantities import parse

    if text.count("x") != 2:
        return parse(text, "H", "--coil")
    try:
        turns, diameter, length = (float(word) for word in text.split("x"))
    except ValueError:
        turns = diameter = length = 0.0
    if not (1 <= turns <= 1e4 and 1 <= diameter <= 1e3 and 1 <= length <= 1e4):
        raise InputError(f"--coil {text}; give turns x diameter x length in mm, such as 100x50x60")
    return solenoid_henries(turns, diameter * 1e-3, length * 1e-3)


def known_parts(options: argparse.Namespace) -> tuple[Known | None, Known | None]:
    """The known coil and the known capacitor beside it, each with its uncertainty."""
    from coilbell.board import Known
    from coilbell.quantities import parse

    part = options.tolerance
    if not 0 < part <= 0.2:
        raise InputError(f"--tolerance {part:g}; give a standard uncertainty such as 0.01 for 1 %")
    henries = None if options.coil is None else _coil(options.coil)
    if henries is not None and not 1e-6 <= henries <= 100:
        raise InputError(f"--coil {options.coil}; give an inductance from 1 uH to 100 H, such as 1m")
    farads = None if options.added is None else parse(options.added, "F", "--added")
    if farads is not None and not 1e-12 <= farads <= 1e-6:
        raise InputError(f"--added {options.added}; give a capacitance from 1 pF to 1 uF, such as 10n")
    return (
        None if henries is None else Known(henries, henries * part),
        None if farads is None else Known(farads, farads * part),
    )
