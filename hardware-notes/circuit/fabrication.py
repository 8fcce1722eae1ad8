"""One package to order the printed board with: printed/fabrication.zip, checked by a reader that is not
KiCad.

    python -m circuit.fabrication          in hardware-notes: writes and checks it; needs KiCad 6
    python -m circuit.fabrication --check  checks the package that is there; needs no KiCad

In it: Gerber files of both sides, drill files, placement.csv and parts.csv in the columns that assemblers
have in common, pads.csv (where each pad lies), a picture of each side. Checked by gerbonara and by counting
pixels: layers, outline, copper against the netlist, smallest width, gap and ring, distance of 400 V, the
single meeting point of the two grounds, and that every part of the netlist is in the lists.
"""

from __future__ import annotations

import csv
import io
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from circuit import plan
from circuit.copper import PACKAGE, pad_of
from circuit.gerber import Board, read
from circuit.netlist import GROUND, HERE, parts, table

__all__ = ["LEAST_GAP", "LEAST_RING", "LEAST_WIDTH", "complaints", "package", "unpacked"]

LEAST_WIDTH, LEAST_GAP, LEAST_RING = 0.2, 0.15, 0.15
"""[mm]: what the cheapest makers still make (common practice: 0.15, 0.15, 0.13)."""
_HIGH_GAP = 2.5
_KICADS_PYTHON = "/usr/bin/python3"
LAYERS = (
    "B_Cu.gbl",
    "B_Mask.gbs",
    "B_Silkscreen.gbo",
    "Edge_Cuts.gm1",
    "F_Cu.gtl",
    "F_Mask.gts",
    "F_Paste.gtp",
    "F_Silkscreen.gto",
    "NPTH.drl",
    "PTH.drl",
)
_TABLES = ("pads.csv", "parts.csv", "placement.csv")
_PICTURES = {"top": "parts-side.svg", "bottom": "solder-side.svg"}
_EPOCH = (1980, 1, 1, 0, 0, 0)


def package(file: Path = PACKAGE) -> None:
    """Writes the package; raises CalledProcessError where KiCad fails, FileNotFoundError where it is
    missing."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        subprocess.run(
            [_KICADS_PYTHON, "-m", "circuit.export", name], cwd=HERE.parent, check=True, capture_output=True
        )
        (folder / "parts.csv").write_text(_parts(), encoding="utf-8", newline="")
        for side, picture in _PICTURES.items():
            (folder / picture).write_text(_picture(folder, side), encoding="utf-8", newline="")
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as out:
            for each in sorted(folder.iterdir()):
                out.writestr(zipfile.ZipInfo(each.name, _EPOCH), each.read_bytes(), zipfile.ZIP_DEFLATED)


def _parts() -> str:
    """Parts alike on one line: comment, designators, footprint, quantity, what it must keep, two
    substitutes."""
    alike: dict[int, list[str]] = {}
    for part in parts():
        alike.setdefault(id(table()[part.ref]), []).append(part.ref)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("Comment", "Designator", "Footprint", "Quantity", "Must", "Or", "Or else"))
    for refs in alike.values():
        one = table()[refs[0]]
        first, second = one["alternatives"]  # type: ignore[misc]
        footprint = str(one["footprint"]).split(":")[1]
        writer.writerow((one["what"], ",".join(refs), footprint, len(refs), one["must"], first, second))
    return out.getvalue()


def _picture(folder: Path, side: str) -> str:
    """The board as gerbonara sees it from this side."""
    import warnings

    from gerbonara import LayerStack

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return str(LayerStack.open_dir(folder).to_pretty_svg(side=side, margin=2))


def unpacked(folder: Path, file: Path = PACKAGE) -> Board:
    """The package's files into the folder, and the board they make."""
    with zipfile.ZipFile(file) as files:
        files.extractall(folder)
    return read(folder)


def complaints(file: Path = PACKAGE) -> list[str]:
    """What is wrong with a package; empty when nothing is."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        board = unpacked(folder, file)
        return [*_missing(folder), *_listed(folder), *_measured(board), *_joins(board), *_grounds(board)]


def _missing(folder: Path) -> list[str]:
    wanted = {f"tester-{name}" for name in LAYERS} | set(_TABLES) | set(_PICTURES.values())
    there = {each.name for each in folder.iterdir()}
    return [f"{name} is missing" for name in sorted(wanted - there)]


def _listed(folder: Path) -> list[str]:
    """Every part of the netlist stands once in both tables."""
    wanted = sorted(part.ref for part in parts())
    wrong = []
    for name in ("placement.csv", "parts.csv"):
        with (folder / name).open(encoding="utf-8", newline="") as lines:
            found = sorted(ref for row in csv.DictReader(lines) for ref in row["Designator"].split(","))
        if found != wanted:
            odd = sorted(set(found) ^ set(wanted)) or "a part twice"
            wrong.append(f"{name} does not list the netlist's parts: {odd}")
    return wrong


def _measured(board: Board) -> list[str]:
    figures = {
        "narrowest line": (board.drawn, LEAST_WIDTH),
        "smallest gap": (board.smallest_gap(), LEAST_GAP),
        "smallest ring": (board.smallest_ring(), LEAST_RING),
        "gap beside 400 V": (high_gap(board), _HIGH_GAP),
    }
    wrong = [
        f"{name} {found:.2f} mm, least {least:g}" for name, (found, least) in figures.items() if found < least
    ]
    if max(board.width - plan.SIZE[0], board.height - plan.SIZE[1]) > 0.01:
        wrong.append(f"outline {board.width:.1f} x {board.height:.1f} mm")
    return wrong


def high_gap(board: Board) -> float:
    """Smallest distance between copper of a net of 400 V and all other [mm]."""
    nets = _wanted()
    return min(
        board.clearance([pin for pin, net in nets.items() if net == high]) for high in sorted(plan.HIGH)
    )


def _wanted() -> dict[tuple[str, str], str]:
    """Pad -> net of the netlist, test points by their names."""
    wanted = {
        (part.ref, pad_of(part.ref, pin)): (f"{part.ref} {net}" if net.startswith("nc") else net)
        for part in parts()
        for pin, net in enumerate(part.nodes, 1)
    }
    return wanted | {(f"TP_{net}", "1"): net for net in plan.TEST_POINTS}


def _joins(board: Board) -> list[str]:
    """Copper against the netlist, as drawn and with half the least width etched off every edge."""
    wanted = _wanted()
    wrong = [f"{ref} pad {pad} is not on the board" for ref, pad in sorted(wanted.keys() - board.pads.keys())]
    thin = board.joined(board.narrowed(LEAST_WIDTH / 2 - 0.02))
    for pieces, words in ((board.pieces, ""), (thin, f", made {LEAST_WIDTH} mm narrower")):
        wrong += [f"{line}{words}" for line in _differences(pieces, wanted)]
    return wrong


def _differences(pieces: Sequence[set[tuple[str, str]]], wanted: Mapping[tuple[str, str], str]) -> list[str]:
    wrong, seen = [], {}
    for piece in pieces:
        nets = {wanted.get(pin, "nothing") for pin in piece}
        if len(nets) > 1:
            wrong.append(f"copper joins {', '.join(sorted(nets))}")
        for net in nets - {"nothing"}:
            seen[net] = seen.get(net, 0) + 1
    return wrong + [f"{net} lies in {count} pieces" for net, count in seen.items() if count > 1]


def _grounds(board: Board) -> list[str]:
    """With the black post's copper cut out, power and signal ground have nothing in common."""
    ground = {
        (part.ref, pad_of(part.ref, pin)): (part.ref, pin) in plan.POWER
        for part in parts()
        for pin, net in part.connected
        if net == GROUND and part.ref != "J1"
    }
    (post,) = board.pads["J1", "2"]
    wrong = []
    for piece in board.joined(board.without(post.x, post.y, 9.2)):
        kinds = {ground[pin] for pin in piece if pin in ground}
        if len(kinds) > 1:
            wrong.append("power and signal ground meet elsewhere than at the black post")
    return wrong


def _main(step: str) -> int:
    if step != "--check":
        package()
    told = complaints()
    sys.stdout.writelines(f"{line}\n" for line in told or [f"{PACKAGE.name}: no complaints"])
    return 1 if told else 0


if __name__ == "__main__":
    sys.exit(_main("".join(sys.argv[1:2])))
