"""How a channel's values came: rate, gaps, loss, duplicates, and what could not be decoded or lies outside
its limits."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from gateway.analysis.bounds import (
    BLOCKS,
    COUNT,
    PACE,
    PROCESS,
    PROCESS_OF_RUN,
    QUANTILE,
    SHARE,
    SHARE_IN_BURSTS,
    block_bounds,
    count_bounds,
    effective_number,
    share_bounds,
)
from gateway.analysis.measure.came import Arrivals, Content, Floats, Ints, seconds_in
from gateway.analysis.measure.counter import Counted, count
from gateway.analysis.measure.link import History, interval_s, quantile_bounds
from gateway.analysis.measure.nodeclock import BACK_VALUES, LEAP_VALUES, LONGEST_DEFAULT_S, METHOD, node_clock
from gateway.analysis.measure.stored import Backlog, backlog
from gateway.log.info import ChannelInfo, NodeInfo
from gateway.model.figures import CHANNEL_FIGURES
from gateway.model.records import Measure

Bounds = tuple[float | None, float | None, str]
NONE: Bounds = (None, None, "")
Found = tuple[float | None, int, float | None, float | None, str]  # value, observations, bounds and their method
_BURST_NS = 5_000_000  # less than the shortest connection interval, Core Specification, Vol 6, Part B, 4.5.1
_STEADY_SHARE = 0.9  # of the gaps; what is sent again comes late, and the next one soon after it
_NO_CRYSTAL_PPM = 5000.0  # beyond it a period is another one, not one by a clock that is off; common practice
_ON_ITS_WAY_NS = 1_000_000_000  # what left the node before it was switched off may still come; common practice


def measure_channel(
    node: NodeInfo, channel: ChannelInfo, history: History, arrivals: Arrivals, content: Content
) -> list[Measure]:
    """The figures of one channel of one node; of one that stores, arrival figures are those of live values."""
    span, stored = span_of(arrivals.times, history), None
    if channel.stores and (clock := _own_clock(channel, arrivals, span)) is not None:
        stored = backlog(arrivals.times, *clock, span, history, channel.stores)
    live = arrivals if stored is None else arrivals.only(stored.live)
    found = _arrival_figures(channel, stored.history if stored else history, live)
    decoded = len(arrivals.times) - content.faults
    found |= {
        "decode_errors": (content.faults, len(arrivals.times), *NONE),
        "outside_limits": (content.outside, decoded, *NONE),
        "no_reading": _share(content.silent, decoded),
    }
    if stored is not None:
        found |= _stored_figures(channel, arrivals, span, stored)
    return [
        Measure(node.name, channel.name, name, value, figure.unit, n, figure.basis, low, high, method)
        for name, figure in CHANNEL_FIGURES.items()
        if name in found
        for value, n, low, high, method in [found[name]]
    ]


def _arrival_figures(channel: ChannelInfo, history: History, arrivals: Arrivals) -> dict[str, Found]:
    times, span = arrivals.times, span_of(arrivals.times, history)
    linked, linked_s, run_s = int(np.count_nonzero(span >= 0)), history.linked_ns / 1e9, history.run_ns / 1e9
    part = _cut(channel.name, times, span, history)
    gaps_s = gaps_within(times, part) / 1e9
    interval = _longest_interval(history, gaps_s)
    losses, lost = _loss_figures(channel, arrivals, part, gaps_s, linked, interval)
    return {
        "rate": (linked / linked_s if linked_s > 0 else None, linked, *_rate_bounds(times, span, history)),
        "rate_whole_run": (len(times) / run_s if run_s > 0 else None, len(times), *_whole_run_bounds(times, history)),
        **_gap_figures(gaps_s, *_silences_s(times, history)),
        **_age_figures(times, history),
        "burst_largest": (_largest_burst(times), len(times), *NONE),
        **_clock_figures(channel, arrivals, history.period.get(channel.name), interval),
        **losses,
        **_setting_figures(channel.name, times, part, history, lost, interval),
    }


def _own_clock(channel: ChannelInfo, arrivals: Arrivals, span: Ints) -> tuple[Floats, float] | None:
    """The node's time of each value in seconds and after how long it wraps: by its stamps, or else by its counter at
    the pace at which values come live, which is the slower one; a period that was written may not be kept."""
    stamp, counter = channel.with_role("node time"), channel.with_role("sequence")
    if stamp is not None and arrivals.node_s is not None:
        return arrivals.node_s, (stamp.lsb or 1.0) * seconds_in(stamp.unit) * 2.0 ** (stamp.bits or 48)
    if counter is None:
        return None
    turn = 1 << (counter.bits or 16)
    there = np.flatnonzero((arrivals.counts >= 0) & (span >= 0))
    steps = np.diff(arrivals.counts[there]) % turn
    known = (np.diff(span[there]) == 0) & (steps > 0)
    if not known.any():
        return None
    pace_s = float(np.percentile(np.diff(arrivals.times[there])[known] / steps[known], 90)) / 1e9
    return np.where(arrivals.counts >= 0, arrivals.counts * pace_s, np.nan), turn * pace_s


def _stored_figures(channel: ChannelInfo, arrivals: Arrivals, span: Ints, stored: Backlog) -> dict[str, Found]:
    """What came late, and what of all that was sampled never came: a counter is followed across links, in the time in
    which its values were sampled."""
    links = len(stored.depths)
    found: dict[str, Found] = {
        "catch_up_longest": (max(stored.catch_up_s, default=None), links, *NONE),
        "stored_most": (max(stored.depths, default=None), links, *NONE),
    }
    order = np.argsort(stored.sampled_ns, kind="stable")
    heard = order[span[order] >= 0]
    sampled_ns = stored.sampled_ns[heard]
    if (counter := channel.with_role("sequence")) is not None:
        counts = arrivals.counts[heard]
        told = count(sampled_ns, counts, np.zeros(len(heard), np.int64), 1 << (counter.bits or 16))
        counted = int(np.count_nonzero(counts > -2))
        loss = _loss_share(told, counted)
        found |= {
            "loss": loss,
            "duplicates": (told.duplicates, counted, *NONE),
            "reordered": (told.reordered, counted, *NONE),
        }
    else:
        gaps_s = np.diff(sampled_ns) / 1e9
        usual_s = float(np.median(gaps_s)) if len(gaps_s) else 0.0
        missing = (
            np.maximum(np.rint(gaps_s / usual_s) - 1, 0).astype(np.int64) if usual_s > 0 else np.empty(0, np.int64)
        )
        told = Counted(int(missing.sum()), 0, 0, missing[missing > 0], np.flatnonzero(missing) + 1)
        loss = _loss_share(told, len(heard))
    lost, n, low, high, method = loss
    there = [None if one is None else 100 - one for one in (lost, high, low)]
    return found | {"coverage": (there[0], n, there[1], there[2], method)}


def _gap_figures(gaps_s: Floats, first_s: Floats, other_s: Floats) -> dict[str, Found]:
    n = len(gaps_s)
    longest = (
        float(max(gaps_s.max(initial=0), other_s.max(initial=0), first_s.max(initial=0))) if len(first_s) else None
    )
    return {
        "gap_median": (float(np.median(gaps_s)) if n else None, n, *_quantile_bounds(gaps_s, 0.5)),
        "gap_p99": (float(np.percentile(gaps_s, 99)) if n else None, n, *_quantile_bounds(gaps_s, 0.99)),
        "gap_longest": (longest, n, *NONE),
        "first_value_longest": (float(first_s.max()) if len(first_s) else None, len(first_s), *NONE),
    }


def _age_figures(times: Ints, history: History) -> dict[str, Found]:
    """How old the newest value was (age of information: Kaul, Yates and Gruteser, IEEE INFOCOM 2012; from memory)."""
    n = len(times)
    end_s = (max(history.end_ns, int(times[-1])) - int(times[0])) / 1e9 if n else 0.0
    if end_s <= 0 or history.paused_ns:  # nobody listened for a while: what is old by then is not the node's doing
        return {"age_mean": (None, n, *NONE), "age_longest": (None, n, *NONE)}
    came_s = (times - times[0]) / 1e9
    ages_s = np.diff(came_s, append=end_s)
    passed = np.concatenate([[0.0], np.cumsum(ages_s**2 / 2)])  # the age summed over time until each value

    def until(t_s: Floats) -> Floats:
        newest = np.clip(np.searchsorted(came_s, t_s, side="right") - 1, 0, n - 1)
        summed: Floats = passed[newest] + (t_s - came_s[newest]) ** 2 / 2
        return summed

    blocks = np.diff(until(np.linspace(0, end_s, BLOCKS + 1))) * BLOCKS / end_s
    bounds = block_bounds(blocks.tolist()) if n >= 2 * BLOCKS else None
    around: Bounds = NONE if bounds is None else (max(bounds[0], 0.0), bounds[1], PROCESS_OF_RUN)
    return {
        "age_mean": (float(passed[-1]) / end_s, n, *around),
        "age_longest": (float(ages_s.max()), n, *NONE),
    }


def _loss_figures(
    channel: ChannelInfo, arrivals: Arrivals, span: Ints, gaps_s: Floats, linked: int, interval: float
) -> tuple[dict[str, Found], int]:
    """By the sequence counter where there is one, else by the pace where that is steady; and how many are lost."""
    counter = channel.with_role("sequence")
    if counter is None:
        lost = _fallen_out(gaps_s)
        if not len(gaps_s) or not _steady(gaps_s, interval):
            return {"loss_estimated": (None, linked, *NONE)}, lost
        fallen = np.maximum(np.rint(gaps_s / float(np.median(gaps_s))) - 1, 0).astype(np.int64)
        told = Counted(lost, 0, 0, fallen[fallen > 0], np.flatnonzero(fallen) + 1)
        return {"loss_estimated": _loss_share(told, linked)}, lost
    told = count(arrivals.times, arrivals.counts, span, 1 << (counter.bits or 16))
    counted = int(np.count_nonzero((span >= 0) & (arrivals.counts > -2)))
    return {
        "loss": _loss_share(told, counted),
        "duplicates": (told.duplicates, counted, *NONE),
        "reordered": (told.reordered, counted, *NONE),
    }, told.lost


def _longest_interval(history: History, gaps_s: Floats) -> float:
    """The longest connection interval of the run: as a controller or a capture told it, or else what the gaps allow."""
    if history.intervals:
        return max(ms for _, ms in history.intervals) / 1e3
    return min(interval_s(gaps_s) or LONGEST_DEFAULT_S, LONGEST_DEFAULT_S)


def _clock_figures(
    channel: ChannelInfo, arrivals: Arrivals, period: tuple[int, float] | None, interval: float
) -> dict[str, Found]:
    """From the node's own time stamps, or else from its counter and the period it was set to."""
    stamp, counter = channel.with_role("node time"), channel.with_role("sequence")
    if stamp is not None and arrivals.node_s is not None:
        step_s = (stamp.lsb or 1.0) * seconds_in(stamp.unit)
        clock = node_clock(arrivals.times, arrivals.node_s, step_s * 2.0 ** (stamp.bits or 48), step_s, None, interval)
        jitter = {"delay_jitter": (clock.jitter_s, clock.n, *clock.jitter_bounds_s, QUANTILE)}
    elif counter is not None and period is not None:
        kept = arrivals.times >= period[0]
        node_s = np.where(arrivals.counts >= 0, arrivals.counts * period[1], np.nan)[kept]
        turn_s = period[1] * 2.0 ** (counter.bits or 16)
        clock = node_clock(
            arrivals.times[kept], node_s, turn_s, BACK_VALUES * period[1], LEAP_VALUES * period[1], interval
        )
        jitter = {}
    else:
        return {}
    if stamp is None and clock.drift_ppm is not None and abs(clock.drift_ppm) > _NO_CRYSTAL_PPM:
        return {"restarts": (clock.restarts, len(arrivals.times), *NONE), "clock_drift": (None, clock.n, *NONE)}
    return {
        "restarts": (clock.restarts, len(arrivals.times), *NONE),
        "clock_drift": (clock.drift_ppm, clock.n, clock.low_ppm, clock.high_ppm, METHOD),
        **jitter,
    }


def _cut(channel: str, times: Ints, span: Ints, history: History) -> Ints:
    """The stretch in which each value came: those of the link, cut where its sensor was switched or paced anew, and
    where the machine that listens stood still, as of what is stamped meanwhile nobody knows when it came."""
    late = [times[(times > start) & (times <= end)] for start, end in history.stalls]
    edges = np.concatenate(
        [np.array(history.cuts.get(channel, []), np.int64), [end for _, end in history.stalls], *late]
    )
    epoch = np.searchsorted(np.sort(edges.astype(np.int64)), times, side="right")
    return np.where(span >= 0, span * (len(edges) + 1) + epoch, -1)


def _setting_figures(
    channel: str, times: Ints, span: Ints, history: History, lost: int, interval: float
) -> dict[str, Found]:
    found: dict[str, Found] = {}
    off = np.zeros(len(times), bool)
    if switched := history.switched.get(channel):
        edges = [t_ns for t_ns, _ in switched]
        on = np.array([True, *(on for _, on in switched)])
        then, now = (on[np.searchsorted(edges, times - ago, side="right")] for ago in (_ON_ITS_WAY_NS, 0))
        off = ~then & ~now
        found["while_off"] = (int(np.count_nonzero(off)), len(times), *NONE)
        ends = [*edges[1:], np.iinfo(np.int64).max]
        firsts = np.searchsorted(times, edges)
        waits_s = [
            (int(times[first]) - t_ns) / 1e9
            for (t_ns, now_on), end, first in zip(switched, ends, firsts, strict=True)
            if now_on and first < len(times) and times[first] < end
        ]
        found["switched_on_longest"] = (max(waits_s, default=None), len(waits_s), *NONE)
    if (period := history.period.get(channel)) is not None:
        kept = (times >= period[0]) & ~off
        gaps_s = gaps_within(times[kept], span[kept]) / 1e9
        # the counter's losses are those of the whole run, which a setting that changed on the way does not share
        sent = len(gaps_s) + (lost if kept.all() else _fallen_out(gaps_s))
        achieved = float(gaps_s.sum()) / sent if sent else 0.0
        error = 100 * (achieved / period[1] - 1) if achieved else None
        found["period_error"] = (error, len(gaps_s), *_pace_bounds(gaps_s, sent, period[1], interval))
    return found


def _pace_bounds(gaps_s: Floats, sent: int, period_s: float, interval: float) -> Bounds:
    """Of the deviation of the mean gap from a period, percent, from `BLOCKS` stretches of as many gaps."""
    if len(gaps_s) < BLOCKS:
        return NONE
    bounds = block_bounds([float(part.mean()) for part in np.array_split(gaps_s, BLOCKS)])
    if bounds is None:
        return NONE
    share, mean_s = len(gaps_s) / sent, float(gaps_s.mean())  # a gap in which values were lost is several periods
    open_s = 2 * interval / len(gaps_s)  # by how much the first and the last value may have been late
    low_s, high_s = min(bounds[0], mean_s - open_s), max(bounds[1], mean_s + open_s)
    return 100 * (low_s * share / period_s - 1), 100 * (high_s * share / period_s - 1), PACE


def _largest_burst(times: Ints) -> int:
    """Most values in a row that came with less than `_BURST_NS` between each two."""
    apart = np.flatnonzero(np.diff(times) >= _BURST_NS)
    edges = np.concatenate([[-1], apart, [len(times) - 1]])
    return int(np.diff(edges).max()) if len(times) else 0


def _rate_bounds(times: Ints, span: Ints, history: History) -> Bounds:
    """Of the rate while linked, from as many equal stretches of linked time."""
    kept = span >= 0
    count, linked_s = int(np.count_nonzero(kept)), history.linked_ns / 1e9
    if linked_s <= 0:
        return NONE
    if count < 2 * BLOCKS:  # too few for blocks
        return _few(count, linked_s)
    starts = np.array([start for start, _ in history.spans])
    passed = np.cumsum([0, *(end - start for start, end in history.spans[:-1])])
    linked_ns = times[kept] - starts[span[kept]] + passed[span[kept]]
    counts, _ = np.histogram(linked_ns, BLOCKS, (0, history.linked_ns))
    return _even(counts, linked_s)


def _whole_run_bounds(times: Ints, history: History) -> Bounds:
    """Of the rate over the run; none where many came in one in which nobody listened for a while."""
    run_s = history.run_ns / 1e9
    if run_s <= 0 or (history.paused_ns and len(times) >= 2 * BLOCKS):
        return NONE
    if len(times) < 2 * BLOCKS:
        return _few(len(times), run_s)
    counts, _ = np.histogram(times, BLOCKS, (history.start_ns, history.end_ns))
    return _even(counts, run_s)


def _even(counts: Ints, seconds: float) -> Bounds:
    """Of a rate, from the counts of `BLOCKS` equal parts of a time."""
    total = int(counts.sum())
    bounds = block_bounds((counts * BLOCKS / seconds).tolist())
    if bounds is None:
        return NONE
    # where values come like clockwork, what is left open is one of them at either end
    return min(bounds[0], (total - 1) / seconds), max(bounds[1], (total + 1) / seconds), PROCESS


def _few(count: int, seconds: float) -> Bounds:
    """Of a rate where values are few."""
    low, high = count_bounds(count)
    return low / seconds, high / seconds, COUNT


def _quantile_bounds(gaps_s: npt.NDArray[np.float64], q: float) -> Bounds:
    if not len(gaps_s):
        return NONE
    return *quantile_bounds(gaps_s, q), QUANTILE


def _loss_share(told: Counted, received: int) -> Found:
    """The share lost of what was sent, in percent; lost in bursts it tells less than lost here and there."""
    sent = received + told.lost
    if not told.lost or sent < 2 * BLOCKS:
        return _share(told.lost, sent)
    bursts = told.bursts * told.lost / told.bursts.sum()  # less what came late after all
    place = told.before + np.cumsum(told.bursts) - told.bursts  # among those sent
    block = np.clip(place * BLOCKS // max(int(place.max()) + 1, sent), 0, BLOCKS - 1)
    hits = np.bincount(block, bursts, BLOCKS)
    sizes = np.full(BLOCKS, sent / BLOCKS)
    effective = effective_number(hits.tolist(), sizes.tolist(), bursts.tolist())
    share = told.lost / sent
    low, high = share_bounds(share * effective, effective)
    if effective == sent:
        return 100 * share, sent, 100 * low, 100 * high, SHARE
    fewest, most = count_bounds(len(bursts))  # of few bursts, it is their number that is open
    low, high = min(low, share * fewest / len(bursts)), min(max(high, share * most / len(bursts)), 1.0)
    return 100 * share, sent, 100 * low, 100 * high, SHARE_IN_BURSTS


def _share(hits: int, n: int) -> Found:
    """So many of n, in percent."""
    if n <= 0:
        return None, n, *NONE
    low, high = share_bounds(hits, n)
    return 100 * hits / n, n, 100 * low, 100 * high, SHARE


def span_of(times: Ints, history: History) -> Ints:
    """The index of the link span in which each frame came, -1 for none."""
    if not history.spans:
        return np.full(len(times), -1, np.int64)
    starts = np.array([start for start, _ in history.spans])
    ends = np.array([end for _, end in history.spans])
    index = np.searchsorted(starts, times, side="right") - 1
    return np.where((index >= 0) & (times <= ends[index]), index, -1).astype(np.int64)


def gaps_within(times: Ints, span: Ints) -> Ints:
    """Nanoseconds between neighbouring frames of one span."""
    same = (span[1:] == span[:-1]) & (span[1:] >= 0)
    gaps: Ints = np.diff(times)[same]
    return gaps


def _steady(gaps_s: Floats, interval: float) -> bool:
    """Whether values come one by one at a pace, so that a gap tells how many are missing: nearly all gaps are a
    multiple of the usual one, give or take a connection interval, which is the shorter of the two."""
    usual = float(np.median(gaps_s))
    if usual < 1.5 * interval:
        return False
    paces = np.rint(gaps_s / usual)
    near = np.abs(gaps_s - paces * usual) <= max(0.25 * usual, 1.1 * interval)
    return bool(np.mean(near & (paces >= 1)) >= _STEADY_SHARE and np.mean(paces == 1) >= 0.5)


def _fallen_out(gaps_s: Floats) -> int:
    """How many values would have filled the gaps at the usual pace: the median time from one connection event to the
    next that brings values, shared by as many as usually come in one."""
    apart = gaps_s >= _BURST_NS / 1e9
    if not apart.any():
        return 0
    usual = float(np.median(gaps_s[apart]))
    together = max(round(len(gaps_s) / int(np.count_nonzero(apart))), 1)
    return together * int(np.maximum(np.rint(gaps_s[apart] / usual) - 1, 0).sum())


def _silences_s(times: Ints, history: History) -> tuple[Floats, Floats]:
    """Seconds from each span's start to its first frame, or its end without one; and from its last frame to its end
    and around each stall of the machine that listens; all without the time in which that stood still."""

    def awake_s(start: int, end: int) -> float:
        still = sum(max(min(end, again) - max(start, still), 0) for still, again in history.stalls)
        return (end - start - still) / 1e9

    firsts, others = [], []
    for start, end in history.spans:
        first, after = np.searchsorted(times, start), np.searchsorted(times, end, side="right")
        firsts.append(awake_s(start, int(times[first]) if after > first else end))
        if after > first:
            others.append(awake_s(int(times[after - 1]), end))
        for still, again in history.stalls:
            before, then = np.searchsorted(times, [still, again], side="right")
            if before > first and then < after:
                others.append(awake_s(int(times[before - 1]), int(times[then])))
    return np.array(firsts, dtype=np.float64), np.array(others, dtype=np.float64)
