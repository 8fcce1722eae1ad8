"""Mutants: small faults put into the code on purpose; a specification of tests finds them.

    python tests/benchmarks/mutants.py --map                       # once: which test runs which line
    python tests/benchmarks/mutants.py --sample 300 --seed 1 --jobs 2

Takes cosmic-ray's operators (a comparison turned, a number moved by one, a branch dropped) and draws
places over decay, winding, isolate and board/frame.py, each file in proportion to its places. Each mutant
lives in a copy of the tree; the tests that run its line are tried, quickest first, until one fails.
Survivors are printed as a diff: each is a test to write, or a change that means the same and belongs into
`EQUIVALENT` with its reason.

Annotations, type-only branches and `__all__` mean nothing at run time and are left out. A mutant that
runs into the time limit counts as killed: a test suite would hang on it.
"""

from __future__ import annotations

import argparse
import math
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from difflib import unified_diff
from functools import cache
from pathlib import Path
from queue import SimpleQueue

import coverage
import parso  # before cosmic_ray, which imports it in a circle otherwise
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator

TOP = Path(__file__).parents[2]
KEPT = TOP / ".mutants"
HOST = TOP / "host" / "coilbell"
AIMS = (*sorted((HOST / "decay").glob("*.py")), *sorted((HOST / "winding").rglob("*.py")),
        *sorted((HOST / "isolate").glob("*.py")), HOST / "board" / "frame.py")  # fmt: skip
# Seconds of tests tried on one mutant (their own time when unhurt), and how many: past these it survives.
BUDGET_S, MOST_TESTS = 60.0, 120
# What is copied for a mutant to live in.
PARTS = ("host", "tests", "firmware", "hardware-notes", "pyproject.toml", "README.md", "DEVELOPERS.md")

# Each kind of fault once: a sign or a factor turned over, a comparison negated or moved by its bound, a
# number moved by one, a condition turned, a loop or decorator left out.
SWAPPED = (
    "Add_Sub Sub_Add Mul_Div Div_Mul FloorDiv_Div Mod_Mul Pow_Mul RShift_LShift LShift_RShift BitOr_BitAnd "
    "BitAnd_BitOr BitXor_BitAnd"
)
TURNED = "Eq_NotEq NotEq_Eq Lt_GtE LtE_Gt Gt_LtE GtE_Lt Lt_LtE LtE_Lt Gt_GtE GtE_Gt Is_IsNot IsNot_Is"
OPERATORS = (
    *(f"core/ReplaceBinaryOperator_{name}" for name in SWAPPED.split()),
    *(f"core/ReplaceComparisonOperator_{name}" for name in TURNED.split()),
    *("core/ReplaceUnaryOperator_USub_UAdd", "core/ReplaceUnaryOperator_Delete_Not", "core/AddNot"),
    *(
        "core/ReplaceTrueWithFalse",
        "core/ReplaceFalseWithTrue",
        "core/ReplaceAndWithOr",
        "core/ReplaceOrWithAnd",
    ),
    *("core/ReplaceBreakWithContinue", "core/ReplaceContinueWithBreak", "core/ExceptionReplacer"),
    *("core/NumberReplacer", "core/RemoveDecorator", "core/ZeroIterationForLoop"),
)

# "file: line of the change" of mutants that mean the same, each with its reason.
EQUIVALENT: dict[str, str] = {}


@dataclass(frozen=True)
class Mutant:
    """One change: an operator of cosmic-ray at its n-th place in a file."""

    path: Path
    operator: str
    occurrence: int
    line: int

    def code(self) -> str:
        source = self.path.read_text(encoding="utf-8")
        changed = mutate_code(source, get_operator(self.operator)(), self.occurrence)
        assert changed is not None, self
        return str(changed)

    def diff(self) -> str:
        source = self.path.read_text(encoding="utf-8").splitlines()
        lines = unified_diff(source, self.code().splitlines(), n=0, lineterm="")
        return "\n".join(line for line in list(lines)[2:])

    @property
    def key(self) -> str:
        """The file and the text of the line, which outlive a line that moves."""
        text = self.path.read_text(encoding="utf-8").splitlines()[self.line - 1].strip()
        return f"{self.path.relative_to(HOST).as_posix()}: {text}"

    @property
    def name(self) -> str:
        return f"{self.path.relative_to(HOST).as_posix()}:{self.line} {self.operator.split('/')[1]}"


def means_nothing(node: parso.tree.NodeOrLeaf) -> bool:
    """In an annotation, in `__all__`, or in a branch for types alone."""
    below, at = node, node.parent
    while at is not None:
        if _only_for_types(at, below):
            return True
        below, at = at, at.parent
    return False


def _only_for_types(at: parso.tree.BaseNode, below: parso.tree.NodeOrLeaf) -> bool:
    """Whether this child of this node is read by type checkers only."""
    words = [getattr(child, "value", "") for child in at.children]
    if at.type == "annassign":  # : annotation [= value]
        return "=" not in words or below is at.children[1]
    if at.type == "tfpdef":  # name : annotation
        return below is at.children[-1]
    if at.type == "funcdef" and "->" in words:
        return below is at.children[words.index("->") + 1]
    if at.type == "if_stmt":
        return "TYPE_CHECKING" in at.children[1].get_code()
    return at.type == "expr_stmt" and words[0] in ("__all__", "__slots__")


def mutants(path: Path) -> list[Mutant]:
    """All changes that this file can suffer."""
    tree = parso.parse(path.read_text(encoding="utf-8"))
    nodes = list(_nodes(tree))
    found = []
    for name in OPERATORS:
        operator = get_operator(name)()
        at = -1
        for node in nodes:
            for start, _ in operator.mutation_positions(node):
                at += 1
                if not means_nothing(node):
                    found.append(Mutant(path, name, at, start[0]))
    return found


def _nodes(node: parso.tree.NodeOrLeaf) -> Iterator[parso.tree.NodeOrLeaf]:
    yield node
    for child in getattr(node, "children", ()):
        yield from _nodes(child)


class Map:
    """Which tests run which line, and how long each takes, from one run under coverage."""

    def __init__(self) -> None:
        self.data = coverage.CoverageData(basename=str(KEPT / "coverage"))
        self.data.read()
        told = (KEPT / "durations.txt").read_text(encoding="utf-8")
        durations = re.compile(r"^([\d.]+)s (?:call|setup)\s+(\S.*)$", re.MULTILINE)
        self.seconds: dict[str, float] = {}
        for spent, test in durations.findall(told):
            self.seconds[test] = self.seconds.get(test, 0.0) + float(spent)
        red = re.compile(r"^(?:FAILED|ERROR) (.+?)(?: - .*)?$", re.MULTILINE)
        self.red = set(red.findall(told))
        """What is red without a mutant cannot find one."""
        self.lines: dict[Path, dict[int, list[str]]] = {}

    def tests(self, mutant: Mutant) -> list[str]:
        """Tests that run this line, quickest first, within the budget; any of its file if run at import."""
        if mutant.path not in self.lines:
            measured = {Path(name).relative_to(TOP): name for name in self.data.measured_files()}
            name = measured.get(mutant.path.relative_to(TOP))
            self.lines[mutant.path] = self.data.contexts_by_lineno(name) if name else {}
        lines = self.lines[mutant.path]
        named = {context.split("|")[0] for context in lines.get(mutant.line, [])}
        if named <= {""}:
            named = {context.split("|")[0] for contexts in lines.values() for context in contexts}
        chosen, spent = [], 0.0
        for test in sorted(
            filter(_there, named - {""} - self.red), key=lambda test: (self.seconds.get(test, 0.01), test)
        ):
            spent += self.seconds.get(test, 0.01)
            if len(chosen) == MOST_TESTS or (chosen and spent > BUDGET_S):
                break
            chosen.append(test)
        return chosen


@cache
def _text(file: str) -> str:
    path = TOP / file
    return path.read_text(encoding="utf-8") if path.is_file() else ""


def _there(test: str) -> bool:
    """Whether there is still a test of this name."""
    file, _, name = test.partition("::")
    return f"def {name.partition('[')[0].rpartition('::')[2]}(" in _text(file)


def draw_map() -> None:
    """Run the tests of the parts aimed at under coverage, which keeps the name of the test of each line."""
    KEPT.mkdir(exist_ok=True)
    settings = KEPT / "coveragerc"
    aims = [HOST / room / "*" for room in ("decay", "winding", "isolate")] + [HOST / "board" / "frame.py"]
    settings.write_text(f"[run]\ninclude = {','.join(map(str, aims))}\n", encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "tests/unit", "tests/truth", "tests/board", "-q"]
    command += ["--ignore-glob=*hardware*", "--cov", f"--cov-config={settings}", "--cov-context=test"]
    command += ["--cov-report=", "--durations=0", "--durations-min=0"]
    environment = {**os.environ, "COVERAGE_FILE": str(KEPT / "coverage")}
    with (KEPT / "durations.txt").open("w", encoding="utf-8") as written:
        subprocess.run(command, cwd=TOP, env=environment, stdout=written, check=False)


def copied(folder: Path) -> Path:
    """A tree of our own for mutants."""
    for part in PARTS:
        source = TOP / part
        if source.is_dir():
            shutil.copytree(source, folder / part, ignore=shutil.ignore_patterns("__pycache__", ".venv"))
        else:
            shutil.copy(source, folder / part)
    shared = TOP.parent / "shared"
    if shared.exists():
        (folder.parent / "shared").symlink_to(shared)
    return folder


def survives(mutant: Mutant, tests: list[str], tree: Path, limit_s: float) -> bool:
    """Whether every test stays green on this mutant in that tree."""
    if not tests:
        return True
    path = tree / mutant.path.relative_to(TOP)
    unhurt = path.read_text(encoding="utf-8")
    path.write_text(mutant.code(), encoding="utf-8")
    try:
        code = _tried(tests, tree, limit_s)
        if code == _UNKNOWN_TEST:  # cases have other names since the map was made
            code = _tried(sorted({test.partition("::")[0] for test in tests}), tree, limit_s)
    except subprocess.TimeoutExpired:
        return False
    finally:
        path.write_text(unhurt, encoding="utf-8")
    if code not in (0, 1, 2):
        raise SystemExit(f"{mutant.name}: pytest itself ended with {code}; make the map anew (--map)")
    return code == 0


_UNKNOWN_TEST = 4
"""What pytest ends with where a test named is not there (published: pytest's exit codes)."""


def _tried(tests: list[str], tree: Path, limit_s: float) -> int:
    """pytest's exit code for these tests on that tree."""
    environment = {**os.environ, "PYTHONPATH": str(tree / "host"), "PYTHONDONTWRITEBYTECODE": "1"}
    quiet = ["-x", "-q", "-n", "0", "-p", "no:cacheprovider", "--no-cov"]
    command = [sys.executable, "-m", "pytest", *quiet, *tests]
    done = subprocess.run(
        command, cwd=tree, env=environment, capture_output=True, timeout=limit_s, check=False
    )
    return done.returncode


def sampled(many: int, seed: int, only: str) -> list[Mutant]:
    """So many mutants, drawn without putting back from all places of the files whose path holds `only`."""
    paths = [path for path in AIMS if only in path.relative_to(HOST).as_posix()]
    everything = [mutant for path in paths for mutant in mutants(path)]
    many = min(many, len(everything))
    print(f"{len(everything)} mutants in {len(paths)} files; {many} drawn with seed {seed}")
    return random.Random(seed).sample(everything, many)


def run(drawn: list[Mutant], jobs: int) -> list[Mutant]:
    """Try all; the survivors. One line each as it comes."""
    known = Map()
    survivors: list[Mutant] = []
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        trees: SimpleQueue[Path] = SimpleQueue()
        for n in range(jobs):
            (Path(folder) / str(n)).mkdir()
            trees.put(copied(Path(folder) / str(n) / "tree"))

        def one(mutant: Mutant) -> tuple[Mutant, bool, int]:
            tree = trees.get()
            tests = known.tests(mutant)
            limit = 60 + 10 * sum(known.seconds.get(test, 0.01) for test in tests)
            try:
                return mutant, survives(mutant, tests, tree, limit), len(tests)
            finally:
                trees.put(tree)

        with ThreadPoolExecutor(jobs) as pool:
            for n, (mutant, lived, tests) in enumerate(pool.map(one, drawn), 1):
                print(
                    f"{n:4} {'SURVIVED' if lived else 'killed  '} {mutant.name} ({tests} tests)", flush=True
                )
                if lived:
                    print(mutant.diff(), flush=True)
                    survivors.append(mutant)
    return survivors


def told(drawn: list[Mutant], survivors: list[Mutant]) -> None:
    """The share killed with its 95 % interval (Wilson), with and without those that mean the same."""
    same = [mutant for mutant in survivors if mutant.key in EQUIVALENT]
    for what, lived in (
        ("all", survivors),
        ("without equivalent ones", [m for m in survivors if m not in same]),
    ):
        n = len(drawn) - (0 if what == "all" else len(same))
        p, z = 1 - len(lived) / n, 1.96
        middle, half = p + z * z / (2 * n), z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
        low, high = (middle - half) / (1 + z * z / n), (middle + half) / (1 + z * z / n)
        print(
            f"{what}: {n - len(lived)} of {n} killed, {100 * p:.1f} % ({100 * low:.1f} to {100 * high:.1f})"
        )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--map", action="store_true", help="run the tests once under coverage and keep who runs what"
    )
    parser.add_argument("--sample", type=int, default=300, help="mutants (300)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--only", default="", metavar="PART", help="files whose path holds this, such as winding/odds"
    )
    parser.add_argument("--jobs", type=int, default=1)
    chosen = parser.parse_args()
    if chosen.map:
        draw_map()
        return
    drawn = sampled(chosen.sample, chosen.seed, chosen.only)
    told(drawn, run(drawn, chosen.jobs))


if __name__ == "__main__":
    main()
