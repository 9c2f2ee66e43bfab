"""What a node did in a run, as the energy model needs it; how long its cell lasts by that; and what the battery level
that it tells says of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from gateway.analysis.measure.link import History, reported_interval
from gateway.energy import Load, Profile, SensorLoad, drawn, life_of
from gateway.log.info import ChannelInfo, NodeInfo, RunInfo
from gateway.log.reader import Log
from gateway.log.schema import quoted
from gateway.model.events import Connected, EventKind, Parameters, TableFound
from gateway.model.figures import LINK
from gateway.model.records import Measure
from gateway.plugin import Plugin

Ints = npt.NDArray[np.int64]
METHOD = "draws of all tolerances of the energy profile"
DRAWS = 2000
_OVERHEAD = 7  # bytes of L2CAP and ATT around a notified value: Vol 3, Part A, 3.1 and Part F, 3.4.7.1
_SHORT_PACKET, _LONG_PACKET = 27, 251  # link layer payload without and with the data length extension
_INTERVAL_S = 0.05  # where nothing tells it; common practice
_MOST_LEVELS = 400  # points that a slope is taken through
_FEWEST_STEPS = 3  # by which a level has to fall before its slope says anything; common practice


@dataclass(frozen=True, slots=True)
class Level:
    """A battery level over the run.

    Attributes:
        per_day, low, high: its slope in percent a day with 95 % bounds (Theil 1950, Sen 1968).
        said: why it says nothing, "" where it does.
    """

    per_day: float | None = None
    low: float | None = None
    high: float | None = None
    said: str = ""


def load_of(log: Log, run: RunInfo, node: NodeInfo, history: History, plugin: Plugin, seen_s: float | None) -> Load:
    """What a node did in a run.

    Args:
        seen_s: the connection interval that its gaps show, None for none.
    """
    run_s, linked_s = max(history.run_ns / 1e9, 1e-9), (history.linked_ns + _setting_up_ns(log, run, node)) / 1e9
    told = [e.detail for e in log.events(run, node) if isinstance(e.detail, Connected | Parameters)]
    latency = next((d.peripheral_latency_events for d in reversed(told) if d.peripheral_latency_events is not None), 0)
    mtus = [d.att_mtu_bytes for d in told if d.att_mtu_bytes is not None]
    most = _LONG_PACKET if max(mtus, default=23) > _SHORT_PACKET - 4 else _SHORT_PACKET
    interval_s = reported_interval(history)[0] or seen_s or _INTERVAL_S
    events: list[Ints] = []
    packets = octets = values = 0.0
    made: dict[str, tuple[int, int, float]] = {}  # measurements, values, packets
    for channel in (one for one in node.channels if not one.constant):
        times, sizes = log.integers(run, node, channel.relation, ["t_ns", "length(raw)"])
        whole = sizes + _OVERHEAD
        own = float(np.ceil(whole / most).sum())
        made[channel.name] = len(times) + _samples(log, run, node, channel), len(times), own
        if channel.within or channel.broadcast:  # counted in what carries it; in no connection event
            continue
        values += len(times)
        packets += own
        octets += float(whole.sum())
        events.append(np.unique(times // round(interval_s * 1e9)))
    carrying = len(np.unique(np.concatenate(events))) if events else 0
    advertising = plugin.advertising.interval_s if plugin.advertising is not None else None
    return Load(
        connected=min(linked_s / run_s, 1.0),
        interval_s=interval_s,
        latency=latency or 0,
        packets_per_s=packets / linked_s if linked_s > 0 else 0.0,
        events_with_data_per_s=carrying / linked_s if linked_s > 0 else 0.0,
        octets=min(octets / packets, most) if packets else 0.0,
        values_per_s=values / run_s,
        advertising_s=advertising or (plugin.energy.advertising_s if plugin.energy is not None else 1.0),
        connections_per_s=len(history.spans) / run_s,
        requests=_requests(log, run, node) / max(len(history.spans), 1),
        sensors={
            name: SensorLoad(measured / run_s, sent / run_s, own / linked_s if linked_s > 0 else 0.0)
            for name, sensor in plugin.sensors.items()
            for measured, sent, own in [made.get(sensor.data, (0, 0, 0.0))]
        },
    )


def _setting_up_ns(log: Log, run: RunInfo, node: NodeInfo) -> int:
    """How long links were up before they were set up."""
    total, up_ns = 0, None
    for event in log.events(run, node):
        if isinstance(event.detail, Connected):
            up_ns = event.t_ns
        elif up_ns is not None and event.kind in (EventKind.READY, EventKind.CONNECT_FAILED, EventKind.LOST):
            total, up_ns = total + event.t_ns - up_ns, None
    return total


def _requests(log: Log, run: RunInfo, node: NodeInfo) -> float:
    """ATT requests of all connections: discovery by the procedures of Vol 3, Part G, 4 (services, then for each what it
    includes and its characteristics, each until an error ends it, then descriptors), settings and subscriptions."""
    found = written = links = 0
    for event in log.events(run, node):
        detail = event.detail
        if isinstance(detail, TableFound):
            found = 3 + sum(4 + len(one["characteristics"]) for one in detail.services)
        links += event.kind is EventKind.READY
        written += 2 * (event.kind in (EventKind.SETTING, EventKind.SETTING_DIFFERS)) + (
            event.kind is EventKind.SUBSCRIBED
        )
    return float(found * links + written)


def _samples(log: Log, run: RunInfo, node: NodeInfo, channel: ChannelInfo) -> int:
    """Samples beyond one for each value."""
    if not channel.samples:
        return 0
    rows = log.sample_rows(run, node, channel, "count(*) - count(DISTINCT s.frame)")
    return int(next(iter(rows))[0][0])


def level_of(log: Log, run: RunInfo, node: NodeInfo) -> Level | None:
    """The slope of the battery level that a node tells, None where it tells none."""
    found = [(c, f) for c in node.channels for f in c.fields if f.role == "battery"]
    if not found:
        return None
    channel, field = found[0]
    chunks = log.rows(run, node, channel.relation, f"t_ns, {quoted(field.column)}")
    rows = [row for chunk in chunks for row in chunk if row[1] is not None]
    if len(rows) < 2:
        return Level(said="no level was told twice")
    times, levels = np.array([row[0] for row in rows]) / 8.64e13, np.array([float(row[1]) for row in rows])
    step = max(field.lsb or 1.0, 1e-9)
    if (fell := float(levels[0] - levels[-1]) / step) < _FEWEST_STEPS:
        days = float(times[-1] - times[0])
        seen = f"the level fell by {max(fell, 0):.0f} steps of {step:g} % in {days:.3g} days"
        return Level(said=f"{seen}: too short to tell a slope")
    kept = np.unique(np.linspace(0, len(times) - 1, min(len(times), _MOST_LEVELS)).astype(np.int64))
    return Level(*_theil_sen(times[kept], levels[kept]))


def _theil_sen(times: npt.NDArray[np.float64], levels: npt.NDArray[np.float64]) -> tuple[float, float, float]:
    """Median slope of all pairs, with 95 % bounds by Kendall's variance."""
    n = len(times)
    slopes = np.sort(
        [(levels[b] - levels[a]) / (times[b] - times[a]) for a, b in combinations(range(n), 2) if times[b] > times[a]]
    )
    wide = 1.96 * np.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    low = int(max((len(slopes) - wide) / 2, 0))
    high = int(min((len(slopes) + wide) / 2, len(slopes) - 1))
    return float(np.median(slopes)), float(slopes[low]), float(slopes[high])


def life_figure(node: str, profile: Profile, load: Load) -> Measure:
    """How long the cell lasts by the traffic of the run, in days."""
    low, median, high = life_of(profile, load, drawn(profile, DRAWS)).quantiles(0.025, 0.5, 0.975)
    return Measure(node, LINK, "battery_life", median, "day", 1, "run", low, high, METHOD)


def profiles_of(plugins: Mapping[str, Plugin]) -> dict[str, Profile]:
    """The energy profiles of kinds that declare one."""
    return {kind: plugin.energy for kind, plugin in plugins.items() if plugin.energy is not None}
