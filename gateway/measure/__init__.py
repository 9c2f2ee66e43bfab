"""Figures from a log, and from nothing else: what a live run concludes and what a later reading concludes
are the same by construction. Times come from the records."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from gateway.log.reader import Log, RunInfo
from gateway.measure.channel import Content, arrivals, content, measure_channel
from gateway.measure.link import link_history, measure_link
from gateway.records import Measure


def measure_run(log: Log, run: RunInfo) -> list[Measure]:
    """Every figure of `gateway.spec` for every node and channel of a run."""
    end_ns = log.end_ns(run)
    measures: list[Measure] = []
    with ThreadPoolExecutor(1, "content") as beside:  # SQLite counts there while times are fetched here
        counted = beside.submit(_contents, log.path, run)
        came = [[arrivals(log, run, node, channel) for channel in node.channels] for node in run.nodes]
        contents = counted.result()
    for number, node in enumerate(run.nodes):
        history = link_history(log.events(run, node), run.started_ns, end_ns)
        measures += measure_link(node.name, history)
        for channel, its_arrivals in zip(node.channels, came[number], strict=True):
            measures += measure_channel(node, channel, history, its_arrivals, contents[node.id, channel.name])
    return measures


def _contents(path: Path, run: RunInfo) -> dict[tuple[int, str], Content]:
    """What every channel's frames hold, read by a connection of its own."""
    with Log(path) as log:
        return {(node.id, c.name): content(log, run, node, c) for node in run.nodes for c in node.channels}
