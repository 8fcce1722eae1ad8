"""Watching for hours: false changes in 8 h and shots until a drop of Q is found.

    python tests/benchmarks/trend.py --seed 1 --days 3

A ring of Q 60 at 5 shots a second while the bench warms by 0.2 K a minute (copper 0.39 %/K, IEC 60028;
ungapped ferrite 0.63 %/K, the median of makers' tables) and the clips move by 5 milliohm about once a minute:
0.8 % of Q on 30 uH with 22 nF, 5 milliohm over w L against 1/Q. The theory beside it is Siegmund's
approximation for Gaussian noise alone.
"""

from __future__ import annotations

import argparse
import math

import numpy as np

from coilbell.bench.facts.trend import Watched
from coilbell.bench.trend import Seen, Trend

RATE_HZ = 5.0
NIGHT = int(8 * 3600 * RATE_HZ)
SPREADS = (0.001, 0.01, 0.03)


def shots(rng: np.random.Generator, many: int, spread: float) -> tuple[np.ndarray, np.ndarray]:
    """ln Q and ln f of so many shots. spread: standard deviation of ln Q from shot to shot."""
    kelvin = 0.2 * np.arange(many) / RATE_HZ / 60
    clips = rng.uniform(-0.008, 0.008, many)[np.cumsum(rng.random(many) < 1 / 300)]
    q = math.log(60) - np.log1p(0.0039 * kelvin) + clips + rng.normal(0, spread, many)
    return q, math.log(21e3) - 0.5 * np.log1p(0.0063 * kelvin) + rng.normal(0, spread / 120, many)


def watched(q: np.ndarray, f: np.ndarray, spread: float) -> Trend:
    """The trend of these shots."""
    trend = Trend()
    for n, (one, other) in enumerate(zip(np.exp(q), np.exp(f), strict=True)):
        trend.see(Seen(n / RATE_HZ, one, spread * one, other, spread / 120 * other))
    return trend


def theory() -> float:
    """Shots between false changes by Gaussian noise alone: two-sided, k = s, h = 6.5 s."""
    b = 2 * (6.5 + 1.166)
    return (math.exp(b) - b - 1) / 4


def main() -> None:
    """Print both rates."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--days", type=int, default=1, help="times three nights of 8 h, for each noise")
    parser.add_argument("--drops", type=int, default=300)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    print(f"by noise alone a false change in {theory() / RATE_HZ / 3600:.0f} h")
    for spread in SPREADS:
        nights = 3 * options.days
        false = sum(len(watched(*shots(rng, NIGHT, spread), spread).changes) for _ in range(nights))
        delays = [_delay(rng, spread) for _ in range(options.drops)]
        late = sum(d > 5 for d in delays)
        print(
            f"noise of Q {spread:.1%}: {false} false changes in {nights} nights of 8 h; a drop by 10 % found "
            f"after {np.median(delays):.0f} shots (median), {max(delays)} (most), later than 5: {late} of "
            f"{len(delays)}"
        )


def _delay(rng: np.random.Generator, spread: float) -> int:
    q, f = shots(rng, 400, spread)
    q[300:] += math.log(0.9)
    found = [c for c in watched(q, f, spread).changes if c.what is Watched.Q and c.time_s * RATE_HZ >= 299.5]
    return round(found[0].time_s * RATE_HZ) - 299 if found else 101


if __name__ == "__main__":
    main()
