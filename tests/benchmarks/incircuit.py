"""Deciding in circuit: examinations of whole sets, stage after stage, against what is true of each.

Three populations, none measured on hardware: the project's own sets with faults about evenly (`contested`),
the same drawn by the shares of the tables, for calibration (`by_tables`), and the examinations of an
independent circuit simulation in ../shared/in-circuit, skipped, visibly, where they are not there. What is
drawn is kept in a folder, so that a judgement can be changed and the same examinations judged again.

    python tests/benchmarks/incircuit.py --seed 1 --units 42 --families 6
    python tests/benchmarks/incircuit.py --seed 1 --only calibration --keep /tmp/drawn
    python tests/benchmarks/incircuit.py --only timing
"""

from __future__ import annotations

import argparse
import pickle
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.examinations import Exam, by_tables, contested
from benchmarks.incircuit_model import by_model
from benchmarks.incircuit_shared import FOLDER, shared
from benchmarks.incircuit_timing import print_timing
from coilbell.terms import Attached, Headline, Step
from coilbell.winding import Finding, find

LEAVES_ALONE = ("", "supply-dry", "rail-shorted", "clamp-capacitor-shorted", "damper-leaky", "ok")
"""What may have failed in a set and leaves the ring alone at rest."""
LEFT_ON = 1.3
"""Loss over the same unit's alone up to which a set leaves the ring alone [1]."""

ROWS = {
    "sound convicted, all done, rectifiers tested": "goal 0",
    "copper shorts convicted there": "goal: lower bound 80 %",
    "sound cleared there, set leaves the ring alone": "goal 95 %",
    "shorts under 0.1 ohm cleared there": "goal 0",
    "sound convicted at any other stage": "goal 0",
    "right pair of explanations named there": "goal 95 %",
    "leaky turns convicted": "goal 0",
    "leaky turns under 5 ohm cleared": "goal 0",
    "shorted low-voltage rectifier named": "goal 95 %",
    "shorted yoke named once it is off": "goal 95 %",
    "leaky damper named": "goal 95 %",
    "headline and odds disagree": "goal 0",
}


def judged(exam: Exam, upto: int) -> Finding:
    """The finding after the first `upto` stages."""
    return find([one for stage in exam.stages[:upto] for one in stage], exam.reference)


def upper(successes: int, n: int, level: float = 0.95) -> tuple[float, float]:
    """Exact two-sided bounds of a share (Clopper and Pearson)."""
    from scipy.stats import beta

    low = beta.ppf((1 - level) / 2, successes, n - successes + 1) if successes else 0.0
    high = beta.ppf((1 + level) / 2, successes + 1, n - successes) if successes < n else 1.0
    return float(low), float(high)


@dataclass(slots=True)
class Count:
    """A share with its exact bounds, and which cases made it or missed it."""

    hit: int = 0
    n: int = 0
    which: list[str] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)

    def add(self, hit: bool, name: str = "") -> None:
        self.n += 1
        self.hit += hit
        (self.which if hit else self.missed).append(name)

    def __str__(self) -> str:
        if not self.n:
            return "no case"
        low, high = upper(self.hit, self.n)
        return f"{self.hit} of {self.n} ({self.hit / self.n:.1%}; 95 %: {low:.1%} to {high:.1%})"


@dataclass(slots=True)
class Tally:
    """What was counted of one population."""

    rows: dict[str, Count] = field(default_factory=lambda: {key: Count() for key in ROWS})
    pairs: list[tuple[float, bool]] = field(default_factory=list)
    families: Counter[str] = field(default_factory=Counter)

    def include(self, other: Tally) -> None:
        """The counts of another one."""
        for key, row in other.rows.items():
            own = self.rows[key]
            own.hit, own.n = own.hit + row.hit, own.n + row.n
            own.which += row.which
            own.missed += row.missed
        self.pairs += other.pairs
        self.families += other.families

    def add(self, exam: Exam, upto: int, finding: Finding) -> None:
        """One finding."""
        if finding.verdict.shows is not None:
            self.pairs.append((finding.verdict.shows, exam.shows))
        _count(self.rows, exam, upto, finding)


def _count(rows: dict[str, Count], exam: Exam, upto: int, finding: Finding) -> None:
    truth, verdict = exam.truth, finding.verdict
    last = upto == len(exam.stages)
    proven = last and exam.proven
    convicted = verdict.headline is Headline.SHORTED
    cleared = verdict.headline is Headline.NO_SHORT
    odds = "" if verdict.shows is None else f" {verdict.shows:.2f}"
    what = f"{truth.family} {truth.winding} {truth.fault} stage {upto}{odds}"
    if truth.sound and proven:
        rows["sound convicted, all done, rectifiers tested"].add(convicted, what)
        if truth.fault in LEAVES_ALONE and not truth.core:
            rows["sound cleared there, set leaves the ring alone"].add(cleared, what)
    elif truth.sound:
        rows["sound convicted at any other stage"].add(convicted, what)
    elif truth.leaky:
        rows["leaky turns convicted"].add(convicted, what)
        if "10" not in truth.winding:
            rows["leaky turns under 5 ohm cleared"].add(cleared, what)
    elif proven:
        rows["copper shorts convicted there"].add(convicted, what)
        rows["shorts under 0.1 ohm cleared there"].add(cleared, what)
    pair = None if proven or verdict.headline is not Headline.OPEN else _pair(exam, upto)
    if pair:
        rows["right pair of explanations named there"].add(_named(finding, pair), what)
    _count_named(rows, exam, upto, finding, what)
    rows["headline and odds disagree"].add(not _agree(finding), what)


def _agree(finding: Finding) -> bool:
    """Headline and odds say the same."""
    verdict = finding.verdict
    if verdict.shows is None:
        return verdict.headline not in (Headline.SHORTED, Headline.NO_SHORT)
    return {
        Headline.SHORTED: verdict.shows >= verdict.sure,
        Headline.NO_SHORT: verdict.shows <= 1 - verdict.sure,
        Headline.OPEN: 1 - verdict.sure < verdict.shows < verdict.sure,
    }.get(verdict.headline, True)


COPPER = ("rectifier", "yoke", "coil", "tube behind")
RESISTIVE = ("resistance", "loaded", "heater", "conducts", "snubber", "rectifier", "yoke", "tube behind")
LOADS = (
    *("switch-leaky", "snubber-shorted", "rectifier-hot", "pulse-loaded"),
    *("snubber_shorted", "switch_leaky", "pulse_load"),
)


def _pair(exam: Exam, upto: int) -> tuple[str, ...]:
    """What may stand beside a shorted turn, for what is true here; nothing where no pair is asked for."""
    truth = exam.truth
    yoke = "yoke-shorted" in truth.fault and Step.YOKE_OFF not in exam.stages[upto - 1][0].done
    if (truth.sound and (truth.rectifier or yoke)) or (truth.copper and exam.shows):
        return COPPER if upto > 1 or yoke or truth.rectifier else (*COPPER, "heater")
    if truth.leaky or any(load in truth.fault for load in LOADS):
        return RESISTIVE
    return ()


def _named(finding: Finding, pair: Sequence[str]) -> bool:
    """A shorted turn stands beside one of these among the explanations."""
    told = finding.verdict.alternatives
    beside = " ".join(a.words for a in told if not a.shorted)
    return any(a.shorted for a in told) and any(word in beside for word in pair)


def _count_named(rows: dict[str, Count], exam: Exam, upto: int, finding: Finding, what: str) -> None:
    """Causes that the note says can be told, on otherwise sound windings."""
    truth, odds = exam.truth, finding.odds
    if not truth.sound or truth.core or odds is None or upto < len(exam.stages):
        return
    words = " ".join(a.words for a in (*finding.verdict.alternatives, finding.verdict.explained) if a)
    if truth.fault in ("rectifier-shorted", "LV_rect_short"):
        rows["shorted low-voltage rectifier named"].add("rectifier" in words, what)
    if truth.fault == "yoke-shorted":
        rows["shorted yoke named once it is off"].add(Attached.YOKE_SHORTED in odds.together[0], what)
    bends = any(r.law is not None and r.law.rise > TELLS for r in finding.rings)
    if truth.fault == "damper-leaky" and bends:
        rows["leaky damper named"].add("a junction conducts" in words, what)


TELLS = 0.2
"""Rise of 1/Q from 60 to 270 mV from which a junction can be told (note) [1]."""


def ece(pairs: Sequence[tuple[float, bool]], bins: int = 10) -> float:
    """Expected calibration error of odds against what was true, in equal bins [1]."""
    odds, true = np.array([p for p, _ in pairs]), np.array([t for _, t in pairs], dtype=float)
    index = np.minimum((odds * bins).astype(int), bins - 1)
    return float(sum(np.abs((odds - true)[index == k].sum()) for k in range(bins)) / odds.size)


def by_chance(pairs: Sequence[tuple[float, bool]]) -> float:
    """The error that chance alone makes where every stated probability is true."""
    odds, rng = np.array([p for p, _ in pairs]), np.random.default_rng(9)
    drawn = (zip(odds, rng.random(odds.size) < odds, strict=True) for _ in range(20))
    return float(np.mean([ece([(float(p), bool(true)) for p, true in one]) for one in drawn]))


def judge_all(exams: Sequence[Exam], jobs: int = 1) -> tuple[Tally, float]:
    """Judge every examination after each stage; the counts, and seconds of one processor."""
    whole, took = Tally(), 0.0
    with ProcessPoolExecutor(jobs) if jobs > 1 else nullcontext() as pool:
        for tally, seconds in (map if pool is None else pool.map)(_judged_all, exams):
            whole.include(tally)
            took += seconds
    return whole, took


def _judged_all(exam: Exam) -> tuple[Tally, float]:
    """One examination after each of its stages."""
    tally, began = Tally(), time.process_time()
    tally.families[exam.truth.family] += 1
    for upto in range(1, len(exam.stages) + 1):
        tally.add(exam, upto, judged(exam, upto))
    return tally, time.process_time() - began


def print_rows(title: str, exams: Sequence[Exam], options: argparse.Namespace) -> None:
    """The table of the issue, for one population."""
    tally, took = judge_all(exams, options.jobs)
    verbose = options.verbose
    families = len(tally.families)
    print(f"\n## {title}: {len(exams)} examinations of {families} families, {took:.0f} s of one processor")
    for key, row in tally.rows.items():
        print(f"  {key:52} {row}   [{ROWS[key]}]")
        wrong = row.which if "goal 0" in ROWS[key] else row.missed
        if wrong and (verbose or "goal 0" in ROWS[key]):
            print("      " + "; ".join(wrong[: 99 if verbose else 12]))
    print_calibration("over all stages", tally.pairs)


def print_calibration(words: str, pairs: Sequence[tuple[float, bool]]) -> None:
    """The error, what chance makes of it, and the bins."""
    told = f"  {f'calibration of the odds {words} (ECE)':52} {ece(pairs):.3f} (n {len(pairs)}; were every"
    print(f"{told} probability true, chance would make it {by_chance(pairs):.3f})")
    odds, true = np.array([p for p, _ in pairs]), np.array([t for _, t in pairs], dtype=float)
    index = np.minimum((odds * 10).astype(int), 9)
    bins = [(odds[index == k], true[index == k]) for k in range(10) if (index == k).any()]
    print("      stated->true: " + "  ".join(f"{p.mean():.2f}->{t.mean():.2f} ({p.size})" for p, t in bins))


def calibration(options: argparse.Namespace) -> None:
    """Odds of a short that would show, winding and set drawn by the shares of the tables."""
    for title, draw in (
        ("sets of circuit simulation, winding and set by the shares of the tables", by_tables),
        ("the best possible judge: the very densities that it judges by", by_model),
    ):
        exams = _kept(options, draw.__name__, lambda draw=draw: _both(options, draw))
        tally, took = judge_all(exams, options.jobs)
        print(f"\n## {title}: {len(exams)} examinations, {took:.0f} s of one processor")
        print_calibration("over all stages", tally.pairs)


Draw = Callable[[str, range, int, int], Iterator[Exam]]


def _both(options: argparse.Namespace, draw: Draw) -> Iterator[Exam]:
    """Examinations of both kinds of sets, of families whose numbers follow from the seed."""
    numbers = range(100 * options.seed, 100 * options.seed + options.families)
    for kind in ("line", "switch"):
        yield from draw(kind, numbers, options.units, options.seed)


def _kept(options: argparse.Namespace, name: str, drawn: Callable[[], Iterator[Exam]]) -> list[Exam]:
    """What is drawn, from the folder where it was kept before."""
    if options.keep is None:
        return list(drawn())
    place = Path(options.keep) / f"{name}-{options.seed}-{options.families}-{options.units}.pickle"
    if not place.is_file():
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(pickle.dumps(list(drawn())))
    found: list[Exam] = pickle.loads(place.read_bytes())  # only what this program wrote there
    return found


def main() -> None:
    """Run the populations asked for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--families", type=int, default=6, help="of each kind of set")
    parser.add_argument("--units", type=int, default=42, help="examinations of each family")
    parser.add_argument("--only", choices=("own", "calibration", "shared", "timing"))
    parser.add_argument("--keep", help="folder that keeps what was drawn, to judge it again")
    parser.add_argument("--jobs", type=int, default=1, help="processes that judge")
    parser.add_argument("--verbose", action="store_true")
    options = parser.parse_args()
    if options.only in (None, "own"):
        exams = _kept(options, "contested", lambda: _both(options, contested))
        print_rows(f"the project's own sets, seed {options.seed}", exams, options)
    if options.only in (None, "calibration"):
        calibration(options)
    if options.only in (None, "timing"):
        print_timing()
    if options.only in (None, "shared"):
        if not FOLDER.is_dir():
            print("SKIPPED: no ../shared/in-circuit beside the project")
            return
        exams = _kept(options, "shared", lambda: shared(FOLDER))
        print_rows("independent simulation, rings that do not fold", exams, options)


if __name__ == "__main__":
    main()
