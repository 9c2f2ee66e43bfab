"""What a log holds: its runs with their nodes, channels, spans and counts, and whether it is sound."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

from gateway.log.info import ChannelInfo, NodeInfo, RunInfo
from gateway.log.reader import Log
from gateway.log.schema import quoted
from gateway.model.errors import InputError
from gateway.model.events import Lost
from gateway.model.utc import utc_text


@dataclass(frozen=True, slots=True)
class ChannelContents:
    """A channel of a node: how many frames, how many of them do not fit, when the first and the last came, and how
    many values are missing for which reason."""

    name: str
    relation: str
    frames: int
    decode_errors: int
    first_utc: str | None
    last_utc: str | None
    missing: dict[str, int]


@dataclass(frozen=True, slots=True)
class NodeContents:
    """A node of a run, its channels, how often what happened to it, and why its link was lost."""

    name: str
    kind: str
    channels: list[ChannelContents]
    events: dict[str, int]
    disconnects: dict[str, int]


@dataclass(frozen=True, slots=True)
class RunContents:
    """A run; ``ended_utc`` is None where it goes on or its process was killed."""

    run: int
    title: str
    host: str
    radio: str
    started_utc: str
    ended_utc: str | None
    ended_how: str
    lasted_s: float
    planned_s: float | None
    requirements: int
    nodes: list[NodeContents]


@dataclass(frozen=True, slots=True)
class Contents:
    """A log: its size and its runs."""

    log: str
    size_bytes: int
    runs: list[RunContents]


def contents(log: Log) -> Contents:
    """Everything that a log holds, counted."""
    runs = [_run(log, log.run(number)) for number in log.run_ids()]
    return Contents(str(log.path), log.path.stat().st_size, runs)


def _run(log: Log, run: RunInfo) -> RunContents:
    return RunContents(
        run.id,
        run.title,
        run.host,
        run.radio,
        utc_text(run.started_ns),
        utc_text(run.ended_ns) if run.ended_ns is not None else None,
        run.ended_how or "still running, or killed",
        run.lasted_s,
        run.planned_ns / 1e9 if run.planned_ns is not None else None,
        len(run.requirements),
        [_node(log, run, node) for node in run.nodes],
    )


def _node(log: Log, run: RunInfo, node: NodeInfo) -> NodeContents:
    events: Counter[str] = Counter()
    disconnects: Counter[str] = Counter()
    for event in log.events(run, node):
        events[event.kind.value] += 1
        if isinstance(event.detail, Lost):
            disconnects[event.detail.reason or "unknown"] += 1
    channels = [_channel(log, run, node, channel) for channel in node.channels]
    return NodeContents(node.name, node.kind, channels, dict(events), dict(disconnects))


def _channel(log: Log, run: RunInfo, node: NodeInfo, channel: ChannelInfo) -> ChannelContents:
    columns = "count(*), total(fault IS NOT NULL), min(t_ns), max(t_ns)"
    ((frames, faults, first, last),) = next(iter(log.rows(run, node, channel.relation, columns)))
    missing = {f"{column}: {reason}": count for column, reason, count in log.absences(node, channel)}
    shown = [utc_text(moment) if moment is not None else None for moment in (first, last)]
    return ChannelContents(channel.name, channel.relation, frames, int(faults), shown[0], shown[1], missing)


@dataclass(frozen=True, slots=True)
class Newest:
    """The last values of a channel: for each column its name in the log, what it is and its unit; rows from the oldest
    to the newest."""

    columns: list[str]
    names: list[str]
    units: list[str]
    rows: list[tuple[Any, ...]]


def newest(log: Log, run: RunInfo, channel: str, node: str | None, count: int, samples: bool = False) -> list[Newest]:
    """The last values of a channel, for each kind of node that has one of that name; or the last samples, each with the
    fields of the value it came in.

    Raises:
        InputError: the run has no such channel or node, or the channel no samples.
    """
    infos = {c.relation: c for n in run.nodes if node in (None, n.name) for c in n.channels if c.name == channel}
    if not infos:
        known = sorted({c.name for n in run.nodes if node in (None, n.name) for c in n.channels})
        where = f"node {node!r}" if node and known == [] else f"channel {channel!r}"
        others = ", ".join(known) or ", ".join(n.name for n in run.nodes)
        raise InputError(f"run {run.id} has no {where}; it has {others or 'none'}")
    found = []
    for relation, info in infos.items():
        if samples:
            found.append(_newest_samples(log, run, info, node, count))
            continue
        columns = ["utc", "node", *(field.column for field in info.fields), "fault"]
        rows = log.newest(run, relation, ", ".join(map(quoted, columns)), node, count)
        names, units = [field.name for field in info.fields], [field.unit for field in info.fields]
        found.append(Newest(columns, ["utc", "node", *names, "fault"], ["", "", *units, ""], rows[::-1]))
    return found


def _newest_samples(log: Log, run: RunInfo, info: ChannelInfo, node: str | None, count: int) -> Newest:
    if info.samples is None:
        raise InputError(f"{info.name} has no samples; leave --samples out")
    inner = {field.column for field in info.sample_fields}
    beside = [field for field in info.fields if field.column not in inner]
    fields = [*info.sample_fields, *beside]
    own = ["utc", "node", "position"]
    rows = log.newest_samples(run, info, own, [f.column for f in beside], node, count)
    names, units = [field.name for field in fields], [field.unit for field in fields]
    return Newest([*own, *(f.column for f in fields)], [*own, *names], ["", "", "", *units], rows[::-1])
