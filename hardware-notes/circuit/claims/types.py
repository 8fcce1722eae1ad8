"""What another type of semiconductor costs: Q and frequency with it against the parts list's own.

Figures of the types are from memory of data sheets; no two of a row come from one maker.
"""

from __future__ import annotations

from circuit.claims.ringing import NOMINAL, POSTS, Q, coil_hz, known, pole
from circuit.deck import Deck
from circuit.netlist import HERE

__all__ = ["CASES", "TYPES", "types"]

CASES = ((30e-6, "A"), (2.2e-3, "A"), (10e-3, "B"))
"""Inductance [H] on the posts, test capacitor."""

_LOW = "BAS45A D(IS=5p N=1.35 RS=0.6 CJO=3.5p VJ=0.7 M=0.3 TT=1u BV=125 IBV=1u)"
_FET = "VTO=1.9 KP=135 RD=2.2m RS=0.7m RG=2 CGS=1.95n CGDMAX=0.9n CGDMIN=0.15n A=0.6\n+ CJO=1.4n"
TYPES: dict[str, tuple[str, str, str]] = {
    "D1..D7, D9: 1N3595": ("low-leakage diodes", _LOW, _LOW.replace("IS=5p", "IS=8p").replace("3.5p", "6p")),
    "D1..D7, D9: FDH300": ("low-leakage diodes", _LOW, _LOW.replace("IS=5p", "IS=10p").replace("3.5p", "5p")),
    "D1..D7, D9: BAV199": ("low-leakage diodes", _LOW, _LOW.replace("IS=5p", "IS=3p").replace("3.5p", "2p")),
    "Q1..Q3: CSD18503KCS": (
        "switches",
        _FET,
        "VTO=1.8 KP=150 RD=2.4m RS=0.7m RG=1 CGS=2.5n CGDMAX=0.6n CGDMIN=0.05n A=0.6\n+ CJO=2.2n",
    ),
    "Q1..Q3: PSMN4R3-30PL": (
        "switches",
        _FET,
        "VTO=1.7 KP=140 RD=2.3m RS=0.7m RG=1 CGS=2.2n CGDMAX=0.8n CGDMIN=0.2n A=0.6\n+ CJO=1.9n",
    ),
    "Q4: VP2106": ("pulse", "VTO=-2.3 KP=0.06 RD=4 RS=1", "VTO=-2.5 KP=0.07 RD=3 RS=1"),
    "D10, D11: MUR160": (
        "pulse",
        "UF4007 D(IS=5n N=1.8 RS=0.05 CJO=25p",
        "UF4007 D(IS=8n N=1.8 RS=0.05 CJO=45p",
    ),
    "U1: TLV9064": ("amplifier", "R1 noise 0 4.57k", "R1 noise 0 6.04k"),
    "D1..D4: 1N4148 (never)": ("low-leakage diodes", _LOW, _LOW.replace("IS=5p N=1.35", "IS=2.5n N=1.75")),
}
"""Type -> what it is for, the model's text, and what stands in its place."""


def types() -> dict[str, list[float]]:
    """Change of Q 150, as read, for each of CASES and each of TYPES [1]."""
    models = (HERE / "models.cir").read_text(encoding="utf-8")
    usual = [_read(models, *case) for case in CASES]
    found = {}
    for name, (_, old, new) in TYPES.items():
        if models.count(old) != 1:
            raise ValueError(f"{old!r} is not in models.cir once")
        other = [_read(models.replace(old, new), *case) for case in CASES]
        found[name] = [b / a - 1 for a, b in zip(usual, other, strict=True)]
    return found


def _read(models: str, henries: float, letter: str) -> float:
    """Q as read over the coil's own where it rings, its loss being a series resistance [1]."""
    hz = coil_hz(henries, NOMINAL[letter] + known()[letter].stray_farads)
    deck = Deck(letter, models=models).winding(henries, Q, hz, POSTS.henries, POSTS.ohms)
    natural, read = pole(deck, hz)
    return read * hz / (Q * natural)
