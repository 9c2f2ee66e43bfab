"""A part of a log as a capture: a record to replay, or a test stream for a plugin."""

from __future__ import annotations

import heapq
from collections import defaultdict
from collections.abc import Callable, Collection, Iterator
from pathlib import Path

from gateway.capture import Header, Record, write_capture
from gateway.capture.streams import expected_path, expected_text
from gateway.host.files import refuse_existing, refuse_same, write_file
from gateway.log.info import ChannelInfo, NodeInfo, RunInfo
from gateway.log.reader import Log
from gateway.model.events import ConstantRead, LinkEvent, Ready
from gateway.model.link import LinkState
from gateway.model.radios import RadioName
from gateway.model.records import Frame
from gateway.plugin import find_plugin

Span = tuple[int | None, int | None]  # nanoseconds UTC, None for no bound


def extract(
    log: Path,
    output: Path,
    run: int | None = None,
    nodes: Collection[str] = (),
    channels: Collection[str] = (),
    span: Callable[[int], Span] = lambda started_ns: (None, None),
    expected: bool = False,
    force: bool = False,
) -> tuple[RunInfo, int]:
    """Write a part of a log as a capture; the run, and how many records that are.

    Args:
        run: its number, the newest by default.
        nodes, channels: only those; empty for all.
        span: between which times, given the start of the run.
        expected: write what it decodes to beside it, as a test stream of a plugin has it.
        force: overwrite files that are there.

    Raises:
        LogFileError: the log can't be used.
        InputError: the run has no such node or channel, or a file exists or can't be written.
    """
    refuse_same(output, log)
    beside = expected_path(output)
    for path in (output, beside) if expected else (output,):
        refuse_existing(path, force)
    with Log(log) as opened, opened.damage_reported():
        info = opened.run(run)
        first, last = span(info.started_ns)
        header, records = records_of(opened, info, nodes, channels, first, last)
        ended = (info.ended_ns, info.ended_how) if last is None and info.ended_ns is not None else None
        count = write_capture(output, header, records, ended)
    if expected:
        plugins = {node.name: find_plugin(node.kind) for node in info.nodes if node.name in header.kinds}
        write_file(beside, expected_text(output, plugins))
    return info, count


def records_of(
    log: Log,
    run: RunInfo,
    nodes: Collection[str],
    channels: Collection[str],
    since_ns: int | None,
    until_ns: int | None,
) -> tuple[Header, Iterator[Record]]:
    """A part of a log as a capture: its header, and its records by time.

    Args:
        log, run: which run.
        nodes, channels: only those; empty for all.
        since_ns, until_ns: only between these times, nanoseconds UTC; None for no bound.

    Raises:
        InputError: the run has no such node or channel.
    """
    kept = run.chosen(nodes, channels)
    low = since_ns if since_ns is not None else -(2**63)
    high = until_ns if until_ns is not None else 2**63 - 1
    whole = since_ns is None and until_ns is None
    header = Header(
        "invented" if run.radio == RadioName.VIRTUAL or "(invented)" in run.radio else "real",
        "",
        run.title,
        {node.name: node.kind for node in kept},
        run.started_ns if since_ns is None else since_ns,
        run.planned_ns if whole else None,
    )
    constants, ready = _before(log, run, low)
    streams: list[Iterator[Record]] = [
        _frames(log, run, node, channel, (node.name, channel.name) in constants, low, high)
        for node in kept
        for channel in node.channels
        if not channel.within  # messages come out of what is kept anew
        and (not channels or channel.name in channels or (node.name, channel.name) in constants)
    ]
    names = {node.name for node in kept} | {None}
    streams.append(LinkEvent(low, name, Ready(since="earlier")) for name in sorted(ready & names))
    streams.append(event for event in log.events(run) if event.node in names and low <= event.t_ns <= high)
    return header, heapq.merge(*streams, key=lambda record: record.t_ns)


def _before(log: Log, run: RunInfo, low: int) -> tuple[set[tuple[str, str]], set[str]]:
    """The constants that were read, by node and channel, and the nodes that were ready at a time."""
    constants: set[tuple[str, str]] = set()
    links: dict[str, LinkState] = defaultdict(LinkState)
    for event in log.events(run):
        node = event.node or ""
        if isinstance(event.detail, ConstantRead):
            constants.add((node, event.detail.characteristic))
        elif event.t_ns < low:
            links[node] = links[node].after(event)
    return constants, {node for node, link in links.items() if link.up_ns is not None}


def _frames(
    log: Log, run: RunInfo, node: NodeInfo, channel: ChannelInfo, constant: bool, low: int, high: int
) -> Iterator[Frame]:
    """The frames of a channel between two times; of a constant also those before, which its formulas need."""
    for chunk in log.rows(run, node, channel.relation, "t_ns, raw"):
        for t_ns, raw in chunk:
            if (low <= t_ns or constant) and t_ns <= high:
                yield Frame(t_ns, node.name, channel.name, raw)
