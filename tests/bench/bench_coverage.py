"""How often the 95 % bounds of a figure hold the truth, in seeded runs of traffic whose truth is known: losses in
bursts (Gilbert 1960, two states), arrivals on connection events. A bound is as good as its share; 95 is what it
promises, and the run's own figure for independent losses is the baseline.

    .venv/bin/python -m tests.bench.bench_coverage [RUNS]
"""

from __future__ import annotations

import sys

import numpy as np

from gateway.analysis.bounds import BLOCKS, block_bounds, share_bounds
from gateway.analysis.measure.channel import _loss_share
from gateway.analysis.measure.counter import Counted
from tests.analysis.test_nodeclock import on_events

RUNS = int(sys.argv[1]) if len(sys.argv) > 1 else 400


def losses(rng: np.random.Generator, n: int, share: float, burst: float) -> np.ndarray:
    """Which of n values are lost, in bursts of a geometric length with this mean."""
    stay = 1 - 1 / burst
    begin = share / burst / (1 - share)
    lost = np.zeros(n, bool)
    at, bad = 0, bool(rng.random() < share)
    while at < n:
        length = int(rng.geometric(1 - stay if bad else begin))
        lost[at : at + length] = bad
        at, bad = at + length, not bad
    return lost


def counted(lost: np.ndarray) -> tuple[Counted, int]:
    """What the counter tells of it."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], lost.astype(int), [0]])))
    starts, ends = edges[::2], edges[1::2]
    received = np.cumsum(~lost)
    return Counted(int(lost.sum()), 0, 0, (ends - starts).astype(np.int64), received[starts].astype(np.int64)), int(
        received[-1]
    )


def main() -> None:
    print(f"share of {RUNS} runs whose bounds hold the truth, in percent; without, as if losses were independent")
    print(f"{'values':>8} {'loss':>6} {'burst':>6} {'with':>6} {'without':>8} {'width ratio':>12}")
    for n in (10_000, 100_000):
        for share in (0.01, 0.03):
            for burst in (1.0, 3.0, 10.0, 50.0):
                rng = np.random.default_rng(1)
                inside = plain = 0
                widths = []
                for _ in range(RUNS):
                    told, received = counted(losses(rng, n, share, burst))
                    _, _, low, high, _ = _loss_share(told, received)
                    bare = share_bounds(told.lost, n)
                    assert low is not None and high is not None
                    inside += low <= 100 * share <= high
                    plain += bare[0] <= share <= bare[1]
                    widths.append((high - low) / 100 / (bare[1] - bare[0]))
                print(
                    f"{n:>8} {100 * share:>5.0f}% {burst:>6.0f} {100 * inside / RUNS:>6.1f} {100 * plain / RUNS:>8.1f} "
                    f"{np.median(widths):>12.2f}"
                )
    inside = 0
    for seed in range(RUNS):
        rng = np.random.default_rng(seed)
        kept = rng.random(10_000) < 0.9
        counts = kept.reshape(BLOCKS, -1).sum(axis=1) * BLOCKS / 1000
        low, high = block_bounds(counts.tolist())
        inside += low <= 9.0 <= high
    print(f"rate of 10,000 values, a tenth lost at random: {100 * inside / RUNS:.1f}")


def drifts() -> None:
    """The drift of a node's clock, where values leave with connection events."""
    print("\nclock_drift: h, period s, ppm, interval ms, swing of the day K: share inside, median width ppm")
    for hours, period_s, ppm, interval_s, swing_k in (
        (1, 1.0, -40, 0.03, 0),
        (1, 0.99, 5, 0.03, 0),
        (1 / 6, 0.99, -40, 0.03, 0),
        (6, 3.0, 20, 0.05, 8),
        (24, 10.0, 20, 0.05, 8),
    ):
        rng = np.random.default_rng(1)
        runs = [on_events(rng, hours, period_s, ppm, interval_s, swing_k) for _ in range(RUNS)]
        inside = sum((c.low_ppm or 0) <= truth <= (c.high_ppm or 0) for c, truth in runs)
        width = np.median([(c.high_ppm or 0) - (c.low_ppm or 0) for c, _ in runs])
        print(
            f"{hours:6.2f} {period_s:6.2f} {ppm:4d} {1e3 * interval_s:5.0f} {swing_k:3d}: {100 * inside / RUNS:6.1f} {width:8.2f}"
        )


if __name__ == "__main__":
    main()
    drifts()
