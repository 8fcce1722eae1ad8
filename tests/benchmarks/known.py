"""Cases with known answers: the trade's counts and a measured coil."""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path

sys.path.append(str(Path(__file__).resolve().parents[1] / "truth"))

__all__ = ["real", "trade"]


def trade(options: argparse.Namespace) -> None:
    """Requirement 5: the trade's counts, and the Q that makes them consistent."""
    from test_judgement_trade import COUNTS, count_of, judged

    print("\n## 5. The trade's check values (common practice, no published source)")
    del options
    for words, count, where, says in COUNTS:
        finding = judged(count, where)
        shown = f"over {count:.0f}" if count >= 99 else f"{count:.0f}"
        least = "+" if count >= 99 else " "
        print(
            f"  {words:46} {shown:>7} rings: Q {count_of(count):5.1f}{least}; {finding.explanation} "
            f"({'as it should' if finding.explanation in says else 'WRONG'})"
        )


def real(options: argparse.Namespace) -> None:
    """Requirement 6: the measured coil with and without a conducting block."""
    from test_judgement_real import COIL, block_finding

    print("\n## 6. Measured coil, a conducting block put in")
    del options
    if not COIL.is_dir():
        print("  skipped: no measured records beside the project (../shared/real)")
        return
    for test in ("0.1uF", "0.22uF", "0.47uF"):
        finding = block_finding(test)
        shift = finding.shifts[0]
        assert finding.odds is not None
        assert finding.healthy is not None
        (f, d), (f0, d0) = finding.rings[0].point, finding.healthy.location
        print(
            f"  {test:7} {finding.explanation}: f times {math.exp(f - f0):.3f}, Q {math.exp(-d):.2f} from "
            f"{math.exp(-d0):.2f}; inductance drop {shift.inductance_drop:+.3f}, added loss "
            f"{shift.added_loss:+.4f}, log10 ratio {finding.odds.log10_ratio:+.2f}"
        )
