"""A whole run measured, a channel at a time: the figures of everything, and for a report what happened when."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable, Collection, Iterator, Mapping
from concurrent.futures import Future, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from gateway.analysis.measure.came import Content, arrivals, content
from gateway.analysis.measure.channel import gaps_within, measure_channel, span_of
from gateway.analysis.measure.energy import life_figure, load_of
from gateway.analysis.measure.link import History, interval_s, link_history, measure_link
from gateway.analysis.measure.signal import FieldSurvey, survey_fields
from gateway.log.info import ChannelInfo, NodeInfo, RunInfo
from gateway.log.reader import Log
from gateway.model.errors import ProblemsError
from gateway.model.records import Measure
from gateway.plugin import Plugin
from gateway.plugin.load import load_plugin_text

MINUTE_NS = 60_000_000_000
WINDOWS = 1000  # of a run, in which values are counted
GAP_DECADES = (-4, 6)  # 0.1 ms to 11 days
GAP_BINS = 20 * (GAP_DECADES[1] - GAP_DECADES[0])
_MANY_FRAMES = 300_000  # from here on other processes read the fields sooner than this one would


@dataclass(frozen=True, slots=True)
class ChannelSurvey:
    """A channel over time.

    Attributes:
        frames: how many.
        counts: values in each of `WINDOWS` equal parts of the run.
        before_loss: values in the minute before each loss of the link.
        gaps: how many gaps in each of `GAP_BINS` equal parts of the decades `GAP_DECADES` of seconds.
    """

    channel: ChannelInfo
    frames: int
    counts: npt.NDArray[np.int64]
    gaps: npt.NDArray[np.int64]
    before_loss: list[int]
    fields: list[FieldSurvey]


@dataclass(frozen=True, slots=True)
class NodeSurvey:
    """A node: its link's history, its channels, and all its figures."""

    node: NodeInfo
    history: History
    channels: list[ChannelSurvey]
    measures: list[Measure]


def measure_run(log: Log, run: RunInfo, fields: Collection[str] | None = None) -> list[Measure]:
    """Every figure of `gateway.model.figures` for every node and channel of a run.

    Args:
        fields: whose figures to work out as well, written ``channel.field``; None for every field, which takes
            several times as long.
    """
    return [measure for node in survey_run(log, run, fields) for measure in node.measures]


def survey_run(log: Log, run: RunInfo, fields: Collection[str] | None = None, bins: int = 1) -> list[NodeSurvey]:
    """Everything that is measured of a run.

    Args:
        fields: as for `measure_run`.
        bins: into how many equal parts of the run the fields are summarised.
    """
    histories = [
        link_history(log.events(run, node), run.started_ns, run.end_ns, run.paused_ns, run.stalls, run.cut)
        for node in run.nodes
    ]
    plugins = {kind: plugin_of(kind, text) for kind, text in log.plugin_texts(run).items() if "[energy" in text}
    with ThreadPoolExecutor(1, "content") as beside, _field_readers(run, fields) as read_fields:
        # SQLite counts there while times are fetched here
        counted = [beside.submit(_contents, log.path, run, node) for node in run.nodes]
        read = [
            {
                channel.name: read_fields(
                    log, run, node, channel, history.heard if channel.broadcast else history, fields, bins
                )
                for channel in measured(node)
            }
            for node, history in zip(run.nodes, histories, strict=True)
        ]
        return [
            _survey_node(log, run, node, history, content_of.result, fields_of, plugins.get(node.kind))
            for node, history, content_of, fields_of in zip(run.nodes, histories, counted, read, strict=True)
        ]


def plugin_of(kind: str, text: str) -> Plugin | None:
    """A plugin of a log; None where this version refuses it."""
    with suppress(ProblemsError):
        return load_plugin_text(text, kind)
    return None


def measured(node: NodeInfo) -> list[ChannelInfo]:
    """The channels that carry measured values: all but what is read once on connecting."""
    return [channel for channel in node.channels if not channel.constant]


Survey = Callable[[], list[FieldSurvey]]


def _survey_node(
    log: Log,
    run: RunInfo,
    node: NodeInfo,
    history: History,
    contents: Callable[[], Mapping[str, Content]],
    fields: Mapping[str, Survey],
    plugin: Plugin | None,
) -> NodeSurvey:
    found: list[Measure] = []
    channels: list[ChannelSurvey] = []
    most_s = np.empty(0)  # gaps of the channel that has the most, which shows the connection interval best
    for channel in measured(node):  # one at a time: the times of one are all that is held in memory
        came = arrivals(log, run, node, channel)
        own = history.heard if channel.broadcast else history
        found += measure_channel(node, channel, own, came, contents()[channel.name])
        gaps_s = gaps_within(came.times, span_of(came.times, own)) / 1e9
        most_s = gaps_s[:] if len(gaps_s) > len(most_s) and not channel.broadcast else most_s
        length_ns = max(history.end_ns - history.start_ns, 1)
        window = np.clip((came.times - history.start_ns) / length_ns * WINDOWS, 0, WINDOWS - 1).astype(np.int64)
        counts = np.bincount(window, minlength=WINDOWS)
        decades = np.log10(np.maximum(gaps_s, 10.0 ** GAP_DECADES[0]))
        gaps, _ = np.histogram(decades, GAP_BINS, GAP_DECADES)
        lost_ns = np.array([one.t_ns for one in history.lost], dtype=np.int64)
        before = np.searchsorted(came.times, lost_ns) - np.searchsorted(came.times, lost_ns - MINUTE_NS)
        surveyed = fields[channel.name]()
        found += [measure for field in surveyed for measure in field.measures]
        channels.append(ChannelSurvey(channel, len(came.times), counts, gaps, before.tolist(), surveyed))
    seen = interval_s(most_s)
    link = measure_link(node.name, history, (seen, len(most_s)))
    if plugin is not None and plugin.energy is not None:
        link.append(life_figure(node.name, plugin.energy, load_of(log, run, node, history, plugin, seen)))
    return NodeSurvey(node, history, channels, [*link, *found])


def _contents(path: Path, run: RunInfo, node: NodeInfo) -> dict[str, Content]:
    """What the frames of a node's channels hold, read by a connection of its own."""
    with Log(path) as log:
        return {channel.name: content(log, run, node, channel) for channel in measured(node)}


@contextmanager
def _field_readers(run: RunInfo, fields: Collection[str] | None) -> Iterator[Callable[..., Survey]]:
    """What begins to read a channel's fields: in other processes where there is much, else when it is asked for."""
    if fields is not None and not fields:
        yield lambda *_: list
    elif run.end_frame - run.first_frame < _MANY_FRAMES:
        yield lambda *arguments: lambda: survey_fields(*arguments)
    else:
        workers = os.cpu_count() or 1
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(workers, context, initializer=_let_the_parent_decide) as pool:
            # a worker that is still starting must not answer Ctrl-C either: it takes over what is blocked here

            def begin(log: Log, *arguments: Any) -> Survey:
                block = getattr(signal, "pthread_sigmask", None)  # not on Windows
                if block is not None:
                    block(signal.SIG_BLOCK, {signal.SIGINT})
                try:
                    future: Future[list[FieldSurvey]] = pool.submit(_surveyed, log.path, *arguments)
                finally:
                    if block is not None:
                        block(signal.SIG_UNBLOCK, {signal.SIGINT})
                return future.result

            try:
                yield begin
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                raise


def _let_the_parent_decide() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _surveyed(
    path: Path,
    run: RunInfo,
    node: NodeInfo,
    channel: ChannelInfo,
    history: History,
    wanted: Collection[str] | None,
    bins: int,
) -> list[FieldSurvey]:
    with Log(path) as log, log.damage_reported():
        return survey_fields(log, run, node, channel, history, wanted, bins)
