"""Figures from a log, and from nothing else: what a live run concludes and what a later reading concludes
are the same by construction. Times come from the records."""

from __future__ import annotations

from gateway.log.reader import Log, RunInfo
from gateway.measure.channel import measure_channel
from gateway.measure.link import link_history, measure_link
from gateway.records import Measure


def measure_run(log: Log, run: RunInfo) -> list[Measure]:
    """Every figure of `gateway.spec` for every node and channel of a run."""
    end_ns = log.end_ns(run)
    measures: list[Measure] = []
    for node in run.nodes:
        history = link_history(log.events(run, node), run.started_ns, end_ns)
        measures += measure_link(node.name, history)
        for channel in node.channels:
            measures += measure_channel(log, run, node, channel, history)
    return measures
