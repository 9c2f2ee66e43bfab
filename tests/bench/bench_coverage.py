"""How often the 95 % bounds of a figure hold the truth, in seeded runs of traffic whose truth is known: losses in
bursts (Gilbert 1960, two states), arrivals on connection events. A bound is as good as its share; 95 is what it
promises, and the run's own figure for independent losses is the baseline.

    .venv/bin/python -m tests.bench.bench_coverage [RUNS]
"""

from __future__ import annotations

import sys

import numpy as np

from gateway.analysis.bounds import BLOCKS, T_BLOCKS, block_bounds, share_bounds
from gateway.analysis.judge import judge
from gateway.analysis.measure.channel import _loss_share
from gateway.analysis.measure.counter import Counted
from gateway.model.figures import Requirement
from gateway.model.records import Measure, Outcome, overall
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
        bounds = block_bounds(counts.tolist())
        inside += bounds is None or bounds[0] <= 9.0 <= bounds[1]
    print(f"rate of 10,000 values, a tenth lost at random: {100 * inside / RUNS:.1f}")


def means() -> None:
    """The mean of values that hang together over so many blocks (autoregression of first order)."""
    print("\nmean, values that hang together over so many of 20 blocks: inside or none, none, width against plain t")
    for length in (0.01, 0.25, 0.5, 1.0, 3.0):
        rng = np.random.default_rng(1)
        inside = none = 0
        wider = []
        keep = float(np.exp(-1 / (50 * length)))
        for _ in range(RUNS):
            noise, value = rng.normal(size=50 * BLOCKS), rng.normal() / np.sqrt(1 - keep**2)
            series = np.empty(50 * BLOCKS)
            for place, step in enumerate(noise):
                value = keep * value + step
                series[place] = value
            blocks = series.reshape(BLOCKS, -1).mean(axis=1)
            bounds = block_bounds(blocks.tolist())
            if bounds is None:
                none += 1
                continue
            inside += bounds[0] <= 0 <= bounds[1]
            wider.append((bounds[1] - bounds[0]) / 2 / (T_BLOCKS * blocks.std(ddof=1) / np.sqrt(BLOCKS)))
        print(f"{length:6.2f}: {100 * (inside + none) / RUNS:6.1f} {100 * none / RUNS:6.1f} {np.median(wider):6.2f}")


def decisions() -> None:
    """A run of 20 channels of 200,000 values, losses in bursts of 3 on average, each allowed to lose 1 %."""
    print("\n20 requirements of at most 1 % loss, bursts of 3: runs that pass, fail and stay open, percent")
    rules = [Requirement("crate", f"c{k}", "loss", None, 1.0, "percent") for k in range(20)]
    for what, shares in (
        ("all at two thirds of the limit", [0.00667] * 20),
        ("all at the limit", [0.01] * 20),
        ("one at the limit, others at two thirds", [0.01] + [0.00667] * 19),
        ("one at one and a half times the limit", [0.015] + [0.00667] * 19),
    ):
        rng = np.random.default_rng(2)
        found = dict.fromkeys(Outcome, 0)
        for _ in range(RUNS // 4):
            measures = []
            for k, share in enumerate(shares):
                told, received = counted(losses(rng, 200_000, share, 3.0))
                value, n, low, high, method = _loss_share(told, received)
                measures.append(Measure("a", f"c{k}", "loss", value, "percent", n, "values", low, high, method))
            found[overall(v.outcome for v in judge(rules, {"a": "crate"}, measures))] += 1
        shown = " ".join(f"{100 * found[o] / (RUNS // 4):6.1f}" for o in Outcome)
        print(f"{what:40} {shown}")


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
    means()
    drifts()
    decisions()
