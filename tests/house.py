"""The house in figures, and a picture of which room imports which.

    python tests/house.py [--picture rooms.png]

Lines and modules a room, the longest modules, functions of a complexity above 10 (ruff's C901), lines with
`dict[str, Any]`. The graph is grimp's, which import-linter rests on; a room is a package of the host; what is
taken through the face of `winding` itself is not drawn.
"""

from __future__ import annotations

import argparse
import io
import json
import subprocess
import sys
import tokenize
from collections import Counter
from pathlib import Path

import grimp
import matplotlib

matplotlib.use("Agg")
from matplotlib import pyplot as plt

ROOT = Path(__file__).parents[1]
HOST = ROOT / "host" / "coilbell"
PLACES = ("host", "firmware", "hardware-notes", "tests")
# From what the user runs down to what all rest on: a row of the picture each.
STOREYS = (
    ("commands",),
    ("bench.page", "bench.examination"),
    ("bench.report", "bench.audit", "bench.learned"),
    ("bench.log", "bench.worksheet"),
    ("bench.pictures", "bench.words", "bench.facts"),
    ("board", "bench.files"),
    ("isolate", "winding.said"),
    ("winding.odds",),
    ("winding.tank",),
    ("decay",),
)


def lines(folder: Path) -> tuple[int, int, int]:
    """Modules, lines, and lines that are neither empty nor text for people (comments, docstrings)."""
    paths = sorted(folder.rglob("*.py"))
    texts = [path.read_text(encoding="utf-8") for path in paths]
    return len(paths), sum(text.count("\n") for text in texts), sum(map(_code, texts))


def _code(text: str) -> int:
    """Lines that hold a token which is neither a comment nor a string that stands alone."""
    held: set[int] = set()
    alone = True
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type in (tokenize.NEWLINE, tokenize.NL, tokenize.INDENT, tokenize.DEDENT, tokenize.COMMENT):
            alone = alone or token.type == tokenize.NEWLINE
        elif not (alone and token.type == tokenize.STRING) and token.type != tokenize.ENDMARKER:
            held.update(range(token.start[0], token.end[0] + 1))
            alone = False
    return len(held)


def complex_functions() -> list[str]:
    """Functions whose cyclomatic complexity is above 10."""
    command = [sys.executable, "-m", "ruff", "check", "--select", "C901", "--output-format", "json", "host"]
    command += ["--isolated", "--config", "lint.mccabe.max-complexity=10"]
    found = json.loads(subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False).stdout)
    return [f"{Path(one['filename']).relative_to(HOST)}: {one['message']}" for one in found]


def room(module: str) -> str:
    """The room of a module, "" for what stands beside the rooms."""
    inside = module.removeprefix("coilbell.")
    return next((name for storey in STOREYS for name in storey if f"{inside}.".startswith(f"{name}.")), "")


def doors() -> Counter[tuple[str, str]]:
    """How many modules of one room import from another."""
    graph = grimp.build_graph("coilbell", exclude_type_checking_imports=True)
    found: Counter[tuple[str, str]] = Counter()
    for module in graph.modules:
        for other in graph.find_modules_directly_imported_by(module):
            pair = room(module), room(other)
            if all(pair) and pair[0] != pair[1]:
                found[pair] += 1
    return found


def picture(path: Path) -> None:
    """Rooms as boxes, imports as arrows; an arrow that went up would be drawn red."""
    figure, axes = plt.subplots(figsize=(10, 9))
    at = {
        name: (10 * (i + 0.5) / len(storey) + 0.6 * (row % 2) - 0.3, 2.0 * (len(STOREYS) - row))
        for row, storey in enumerate(STOREYS)
        for i, name in enumerate(storey)
    }
    for (one, other), many in sorted(doors().items()):
        up = at[other][1] > at[one][1]
        style = {
            "arrowstyle": "-|>",
            "color": "tab:red" if up else "0.55",
            "linewidth": 0.5 + 0.12 * many,
            "shrinkA": 16,
            "shrinkB": 16,
            "connectionstyle": "arc3,rad=0.12",
        }
        axes.annotate("", at[other], at[one], arrowprops=style)
    for name, (x, y) in at.items():
        modules, total, _ = lines(HOST / name.replace(".", "/"))
        label = f"{name}\n{modules} modules, {total} lines"
        axes.text(
            x, y, label, ha="center", va="center", fontsize=9, bbox={"boxstyle": "round", "fc": "white"}
        )
    axes.set(xlim=(-0.3, 10.7), ylim=(1, 2 * len(STOREYS) + 1))
    axes.axis("off")
    axes.set_title("Who imports whom: arrows go down, a wider one is taken by more modules", fontsize=10)
    figure.savefig(path, dpi=110, bbox_inches="tight")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--picture", type=Path, metavar="FILE", help="draw the rooms and their imports (PNG, SVG)"
    )
    chosen = parser.parse_args()
    print(f"{'place or room':22}{'modules':>9}{'lines':>8}{'code':>8}")
    for name in (*PLACES, *(f"host/coilbell/{n.replace('.', '/')}" for s in STOREYS for n in s)):
        modules, total, code = lines(ROOT / name)
        print(f"{name.removeprefix('host/coilbell/'):22}{modules:9}{total:8}{code:8}")
    sizes = {path: path.read_text(encoding="utf-8").count("\n") for path in HOST.rglob("*.py")}
    print("above 400 lines:", [f"{p.relative_to(HOST)} {n}" for p, n in sizes.items() if n > 400] or "none")
    texts = {path: path.read_text(encoding="utf-8") for path in sizes}
    print("lines with dict[str, Any]:", sum(text.count("dict[str, Any]") for text in texts.values()))
    print("complexity above 10:", complex_functions() or "none")
    if chosen.picture:
        picture(chosen.picture)


if __name__ == "__main__":
    main()
