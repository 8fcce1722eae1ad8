"""Figures of the simulated claims, for the notes: black, blue and orange, told apart by dashes as well."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from typing import Any

from circuit.netlist import HERE
from circuit.simulated import kept

__all__ = ["FIGURES", "digest", "write"]

DRAWINGS = HERE.parent / "drawings"
BLUE, ORANGE, GREY = "#1f5fa8", "#d9700a", "#666666"
_STYLE = {
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": "#dddddd",
    "svg.hashsalt": "coilbell",
    "svg.fonttype": "none",
    "figure.constrained_layout.use": True,
}


def _shot(figures: dict[str, Any], axes: Any) -> None:
    curve = figures["curves"]["shot"]
    t = [1e6 * x for x in curve["t"]]
    axes.plot(t, [1e3 * v for v in curve["v(lead)"]], color=BLUE, label="winding [mV]")
    rest = curve["v(adc0)"][0]
    axes.plot(
        t,
        [1e3 * (v - rest) / 3 for v in curve["v(adc0)"]],
        color=ORANGE,
        ls="--",
        lw=1,
        label="converter pin, over the gain of 3 [mV]",
    )
    axes.axhline(400, color=GREY, lw=0.8, ls=":")
    axes.axhline(250, color=GREY, lw=0.8, ls=":")
    axes.text(250, 405, "first peak is aimed between these", ha="right", va="bottom", fontsize=8, color=GREY)
    axes.set(xlabel="time [us]", ylabel="voltage", title="One shot: 2.2 mH, Q 130, 22 nF", ylim=(-430, 700))
    axes.legend(frameon=False, loc="upper right")


def _stuck(figures: dict[str, Any], axes: Any) -> None:
    looks = (("3e-05", BLUE, "-"), ("0.0022", ORANGE, "--"), ("0.1", GREY, "-."))
    for key, colour, dash in looks:
        curve = figures["curves"][f"stuck {key}"]
        name = {"3e-05": "30 uH", "0.0022": "2.2 mH", "0.1": "100 mH"}[key]
        axes.plot(
            [1e6 * x for x in curve["t"]], [1e3 * a for a in curve["amps"]], color=colour, ls=dash, label=name
        )
    axes.set(
        xlabel="time [us]", ylabel="current of the pulse [mA]", title="Pulse pin high from 10 us on, for ever"
    )
    axes.legend(frameon=False, title="winding")


def _loading(figures: dict[str, Any], axes: Any) -> None:
    rows = [r for r in figures["loading"] if r["capacitor"] == "A" and not r["leads"]]
    henries = [1e3 * r["henries"] for r in rows]
    axes.plot(henries, [100 * r["read_error"] for r in rows], "o--", color=ORANGE, label="as read")
    axes.plot(
        henries, [100 * r["electronics_error"] for r in rows], "s-.", color=GREY, label="without dielectric"
    )
    axes.plot(henries, [100 * r["corrected_error"] for r in rows], "D-", color=BLUE, label="corrected")
    axes.axhspan(-0.5, 0.5, color=BLUE, alpha=0.12, lw=0)
    axes.set(
        xscale="log", xlabel="inductance [mH]", ylabel="error of Q [%]", title="Coils of Q 150 with 22 nF"
    )
    axes.legend(frameon=False)


def _response(figures: dict[str, Any], axes: Any) -> None:
    r = figures["response"]
    axes.plot([x / 1e3 for x in r["hz"]], r["gain"], "o-", color=BLUE)
    axes.axvline(250, color=GREY, ls=":", lw=0.8)
    axes.text(245, 0.1, "250 kHz", ha="right", fontsize=8, color=GREY)
    axes.set(xscale="log", ylim=(0, 3.3), xlabel="frequency [kHz]", ylabel="gain, winding to pin")


def _charged(figures: dict[str, Any], axes: Any) -> None:
    curve = figures["curves"]["charged"]
    keep = [k for k, t in enumerate(curve["t"]) if t > 1.06e-6]
    t = [1e6 * (curve["t"][k] - 1e-6) for k in keep]
    for key, colour, dash, name in (
        ("v(lead)", BLUE, "-", "leads [V]"),
        ("amps", ORANGE, "--", "R5, fuse, clamp [A]"),
        ("v(ring)", GREY, "-.", "low-voltage side [V]"),
    ):
        axes.plot(t, [max(abs(curve[key][k]), 1e-2) for k in keep], color=colour, ls=dash, label=name)
    axes.set(xscale="log", yscale="log", xlabel="time after contact [us]", ylim=(0.05, 1500))
    axes.set_title("1 uF at 400 V put on the leads")
    axes.legend(frameon=False)


FIGURES: dict[str, tuple[Callable[[dict[str, Any], Any], None], tuple[str, ...]]] = {
    "simulated-shot": (_shot, ("curves",)),
    "simulated-stuck": (_stuck, ("curves",)),
    "simulated-loading": (_loading, ("loading",)),
    "simulated-response": (_response, ("response",)),
    "simulated-charged": (_charged, ("curves",)),
}
"""Name -> how it is drawn, sections of simulated.json it shows."""


def digest(name: str, figures: dict[str, Any]) -> str:
    """Fingerprint of the figures that a picture shows; the picture carries it."""
    shown = {section: figures[section] for section in FIGURES[name][1]}
    return hashlib.sha256(json.dumps(shown, sort_keys=True).encode()).hexdigest()[:16]


def write() -> None:
    """Draw every figure as SVG."""
    import matplotlib as mpl

    mpl.use("svg")
    import matplotlib.pyplot as plt

    figures = kept()
    with plt.rc_context(_STYLE):
        for name, (draw, _) in FIGURES.items():
            figure, axes = plt.subplots(figsize=(6.3, 3.3))
            draw(figures, axes)
            about = {"Date": None, "Creator": None, "Description": f"figures {digest(name, figures)}"}
            figure.savefig(DRAWINGS / f"{name}.svg", metadata=about)
            plt.close(figure)
