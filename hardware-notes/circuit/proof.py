"""Every claim about the circuit, simulated; simulated.json keeps the figures the notes quote.

python -m circuit.proof          from the folder hardware-notes: simulate all, write figures and notes
python -m circuit.proof 1000     the same with 1000 boards of drawn tolerances
python -m circuit.proof held     that section alone, beside what is kept of the others
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np

from circuit import first
from circuit.claims import clamping, mishap, pulsing, ringing, signal, types, whole
from circuit.deck import Deck
from circuit.simulated import FIGURES

__all__ = ["SECTIONS", "collect", "rounded"]

DRAWS, SEED = 100, 20

SECTIONS: dict[str, Callable[[], Any]] = {
    "whole": whole.end_to_end,
    "pulse": pulsing.energies,
    "stuck": pulsing.stuck,
    "charged": mishap.charged,
    "clamp": clamping.clamp,
    "charged_reading": mishap.charged_reading,
    "calibration": ringing.calibration,
    "loading": ringing.loading,
    "budget": ringing.budget,
    "two coils": ringing.two_coils,
    "warm": clamping.warm,
    "settled": clamping.settled,
    "kick": pulsing.kick,
    "response": signal.response,
    "noise": signal.noise,
    "lead_scale": signal.lead_scale,
    "struck": mishap.struck,
    "sparked": mishap.sparked,
    "first": first.figures,
    "types": types.types,
    "held": mishap.held,
    "shorted": mishap.shorted,
    "opened": mishap.opened,
    "reversed": mishap.reversed_leads,
}


def collect(names: Iterable[str] = tuple(SECTIONS)) -> dict[str, Any]:
    """Simulate these sections, two at a time."""
    ringing.known()
    names = list(names)
    with ThreadPoolExecutor(2) as pool:
        return dict(zip(names, pool.map(lambda name: SECTIONS[name](), names), strict=True))


def rounded(value: Any, digits: int = 4) -> Any:
    """Every float of a nest to so many significant digits."""
    if isinstance(value, dict):
        return {key: rounded(v, digits) for key, v in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(v, digits) for v in value]
    if isinstance(value, float | np.floating):
        return float(f"{value:.{digits}g}")
    return value


def curves() -> dict[str, Any]:
    """Waveforms for the figures: a shot, a stuck pin, a charged capacitor."""
    shot = Deck("A", 1.34e-6).winding(2.2e-3, 130.0, 22.28e3, ringing.LEAD_HENRIES, ringing.LEAD_OHMS)
    seen = shot.run("tran 0.1u 250u 0 0.1u", ["v(lead)", "v(adc0)"])
    grid = np.linspace(0, 250e-6, 501)
    out: dict[str, Any] = {"shot": _on(grid, seen, ("v(lead)", "v(adc0)"))}
    for henries, q in pulsing.WINDINGS:
        held = Deck("A", float("inf")).winding(henries, q, ringing.coil_hz(henries, 23e-9))
        seen = held.run("tran 0.2u 100u 0 0.2u", ["v(plimit)", "v(pseries)"])
        seen["amps"] = (seen["v(plimit)"] - seen["v(pseries)"]) / 560.0
        out[f"stuck {henries:g}"] = _on(np.linspace(0, 100e-6, 251), seen, ("amps",))
    seen = mishap._source(Deck(""), 1).run(
        "tran 50n 300u 0 0.2u", ["v(lead)", "v(ring)", "v(fused)", "@c3[i]"]
    )
    seen["amps"] = (seen["v(fused)"] - seen["v(ring)"]) / 560.0
    grid = 1e-6 + np.concatenate([[0], np.geomspace(2e-8, 299e-6, 300)])
    out["charged"] = _on(grid, seen, ("v(lead)", "v(ring)", "amps", "@c3[i]"))
    return out


def _on(grid: np.ndarray, seen: dict[str, np.ndarray], names: tuple[str, ...]) -> dict[str, list[float]]:
    found = {"t": grid.tolist()}
    return found | {name: np.interp(grid, seen["time"], seen[name]).tolist() for name in names}


def write(draws: int = DRAWS) -> None:
    """Simulate everything and keep it."""
    figures = collect()
    figures["tolerances"] = signal.tolerances(draws, SEED) | {"draws": draws}
    figures["curves"] = curves()
    FIGURES.write_text(json.dumps(rounded(figures), indent=1) + "\n", encoding="utf-8")


def renew(names: Iterable[str]) -> None:
    """Simulate these sections anew, and keep the others."""
    figures = json.loads(FIGURES.read_text(encoding="utf-8")) | rounded(collect(names))
    FIGURES.write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    from circuit import notes

    words = sys.argv[1:]
    if words and words[0] in SECTIONS:
        renew(words)
    else:
        write(int(words[0]) if words else DRAWS)
    notes.write()
