"""A run's values for analysis: CSV, JSON lines or Parquet, a file for each channel and one for its samples, in constant
memory. Times are UTC, units stand in the column names and in Parquet's metadata. Either the values of the log as
they stand, decoded from the raw bytes again, or resampled."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from gateway.export.decoded import DecodedTable
from gateway.export.sinks import Batch, Column, Form, Output
from gateway.export.tables import StoredTable, Wanted
from gateway.host.files import refuse_existing
from gateway.log.info import ChannelInfo, NodeInfo, RunInfo
from gateway.log.reader import Log
from gateway.model.errors import InputError
from gateway.plugin import Plugin

__all__ = ["Exported", "Form", "Wanted", "export"]


@dataclass(frozen=True, slots=True)
class Exported:
    """A file that was written, and how many rows it has."""

    path: str
    rows: int


class Table(Protocol):
    """Rows to write, column by column."""

    relation: str
    channel: ChannelInfo
    columns: list[Column]

    def batches(self) -> Iterator[Batch]: ...


def export(
    log: Log,
    run: RunInfo,
    form: Form,
    folder: Path | None,
    wanted: Wanted,
    plugins: Mapping[str, Plugin],
    on_progress: Callable[[int], None],
    force: bool = False,
) -> list[Exported]:
    """Write a run's values.

    Args:
        log, run: which run.
        form: of the files.
        folder: where to, None for standard output, which takes one channel as CSV or JSON lines.
        wanted: what of it.
        plugins: by kind, to decode the raw bytes of these kinds by; others are taken as they stand.
        on_progress: called now and then with the rows written so far.
        force: overwrite files that are there.

    Raises:
        InputError: nothing of that name, a file can't be written, or pyarrow is missing for Parquet.
        LogFileError: the log is damaged.
    """
    tables = list(_tables(log, run, wanted, plugins))
    if folder is None and (form == "parquet" or len(tables) != 1):
        names = ", ".join(sorted({table.channel.name for table in tables}))
        raise InputError(f"standard output takes one channel without samples, as csv or jsonl; choose one of {names}")
    paths = [folder / f"{table.relation}.{form}" if folder is not None else None for table in tables]
    for path in paths:
        if path is not None:
            refuse_existing(path, force)
    done: list[Exported] = []
    written = 0
    for table, path in zip(tables, paths, strict=True):
        with Output(path, form, table.columns) as output:
            for batch in table.batches():
                output.write(batch)
                on_progress(written + output.rows)
        written += output.rows
        done.append(Exported(str(path or "standard output"), output.rows))
    return done


def _tables(log: Log, run: RunInfo, wanted: Wanted, plugins: Mapping[str, Plugin]) -> Iterator[Table]:
    """The files to write: relations by channel, with the nodes that have it."""
    seen: dict[str, list[NodeInfo]] = {}
    channels: dict[str, ChannelInfo] = {}
    for node in run.chosen(wanted.nodes, wanted.channels):
        for channel in node.channels:
            if not wanted.channels or channel.name in wanted.channels:
                seen.setdefault(channel.relation, []).append(node)
                channels[channel.relation] = channel
    for relation, owners in seen.items():
        channel = channels[relation]
        plugin = plugins.get(owners[0].kind)
        item = plugin.characteristics.get(channel.name) if plugin else None
        has_samples = bool(channel.samples) if item is None else item.layout.samples is not None
        for samples in (False, True) if has_samples else (False,):
            if plugin is not None and item is not None:
                yield DecodedTable(log, run, owners, channel, plugin, item, wanted, samples)
            else:
                yield StoredTable(log, run, owners, channel, wanted, samples)
