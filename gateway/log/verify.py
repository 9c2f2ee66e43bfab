"""Whether a log still says what was received: its seals worked out again, and every payload decoded again by the plugin
in the log and held against the columns."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from gateway.log import seal
from gateway.log.schema import quoted
from gateway.log.signature import signatures_of
from gateway.log.table import ChannelTable
from gateway.log.timeline import Timeline
from gateway.model.errors import LogFileError
from gateway.plugin import Plugin

_CHUNK = 50_000
_MOST = 3  # rows that are named for each channel


def seals_of(path: Path) -> list[seal.Checked]:
    """The seals of all runs of a log, worked out again.

    Raises:
        LogFileError: it can't be read, or is of a version that sealed nothing.
    """
    with _reading(path) as connection:
        runs = [row[0] for row in connection.execute("SELECT id FROM run ORDER BY id")]
        found = []
        for run in runs:
            try:
                found.append(_signed(connection, seal.check(connection, run)))
            except (TypeError, ValueError, OverflowError) as error:
                found.append(seal.Checked(run, "", 0, 0, (f"holds what no log writes: {error}",), ()))
        return found


def _signed(connection: sqlite3.Connection, checked: seal.Checked) -> seal.Checked:
    """With the signatures of the run; one that is not its key's, or is over a head that the chain has not, is wrong."""
    found = signatures_of(connection, checked.run)
    heads = {row[0] for row in connection.execute("SELECT head FROM seal WHERE run = ?", (checked.run,))}
    wrong = [f"the signature of {one.utc}Z is not that of its key {one.key[:16]}" for one in found if not one.good]
    wrong += [
        f"the signature of {one.utc}Z is over a seal that the log does not hold: {one.head[:16]}"
        for one in found
        if one.head not in heads
    ]
    return replace(checked, signatures=tuple(found), wrong=(*checked.wrong, *wrong))


def columns_that_differ(path: Path, load: Callable[[str, str], Plugin | None]) -> Iterator[str]:
    """Rows whose columns are not what their bytes decode to.

    Args:
        load: makes a plugin of its kind and text, None where it can't.
    """
    with _reading(path) as connection:
        for run, first in connection.execute("SELECT id, first_frame FROM run ORDER BY id").fetchall():
            (after,) = connection.execute("SELECT min(first_frame) FROM run WHERE id > ?", (run,)).fetchone()
            texts = connection.execute("SELECT kind, text FROM plugin WHERE run = ?", (run,)).fetchall()
            plugins = {kind: load(kind, text) for kind, text in texts}
            yield from _run(connection, run, first, after or 2**62, plugins)


def _reading(path: Path) -> contextlib.closing[sqlite3.Connection]:
    try:
        return contextlib.closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True))
    except sqlite3.Error as error:
        raise LogFileError(f"{path} can't be read: {error}") from None


def _run(
    connection: sqlite3.Connection, run: int, first: int, after: int, plugins: Mapping[str, Plugin | None]
) -> Iterator[str]:
    nodes = connection.execute("SELECT id, name, kind FROM node WHERE run = ?", (run,)).fetchall()
    database = Database(connection)
    for node, name, kind in nodes:
        plugin = plugins.get(kind)
        if plugin is None:
            yield f"{name}: its plugin in the log can't be read by this version"
            continue
        timeline = Timeline()
        tables: list[ChannelTable] = []
        for channel in (*plugin.constants, *plugin.channels):
            try:
                table = ChannelTable(
                    database, kind, plugin.characteristics[channel], constant=channel in plugin.constants
                )
            except sqlite3.Error:
                yield f"{name} {channel}: no table of the layout that the plugin in the log declares"
                continue
            tables.append(table)
            if channel in plugin.constants:
                of = f"SELECT id, raw FROM {quoted(table.relation)}"  # noqa: S608  proven names
                where = " WHERE node = ? AND id >= ? AND id < ? ORDER BY id"
                for frame, raw in connection.execute(of + where, (node, first, after)):
                    timeline.add(node, frame, channel, raw, table.item.codec)
        for table in tables:
            yield from _meanings(connection, table, name)
            yield from _channel(connection, table, timeline, node, name, first, after)


def _meanings(connection: sqlite3.Connection, table: ChannelTable, name: str) -> Iterator[str]:
    """Units, limits and weights of columns that are not those that the plugin declares."""
    for expected in (row for rows in table.meanings(table.relation) for row in rows):
        columns = ", ".join(quoted(column) for column in expected)
        row = connection.execute(
            f"SELECT {columns} FROM field WHERE relation = ? AND column_name = ?",  # noqa: S608  our own names
            (expected["relation"], expected["column_name"]),
        ).fetchone()
        found = dict(zip(expected, row or (None,) * len(expected), strict=True))
        for key, should in expected.items():
            if found[key] != should:
                told = f"{key} is {found[key]}, the plugin says {should}"
                yield f"{name} {table.item.name} {expected['column_name']}: {told}"


def _channel(
    connection: sqlite3.Connection,
    table: ChannelTable,
    timeline: Timeline,
    node: int,
    name: str,
    first: int,
    after: int,
) -> Iterator[str]:
    columns = "".join(f", {quoted(column)}" for column in table.columns)
    of = f"SELECT id, t_ns, raw, fault{columns} FROM {quoted(table.relation)}"  # noqa: S608  proven names
    last, told = first - 1, 0
    sql = f"{of} WHERE node = ? AND id > ? AND id < ? ORDER BY id LIMIT {_CHUNK}"
    yield from _orphans(connection, table)
    while rows := connection.execute(sql, (node, last, after)).fetchall():
        last = rows[-1][0]
        for odd in [row[0] for row in rows if not isinstance(row[2], bytes)]:
            yield f"{name} {table.item.name} frame {odd}: its payload is no bytes"
        rows = [row for row in rows if isinstance(row[2], bytes)]
        if not rows:
            continue
        ids, times, raws = ([row[place] for row in rows] for place in range(3))
        kept = {row[0]: row[3:] for row in rows}
        samples: dict[tuple[int, int], tuple[Any, ...]] = {}
        for made in table.decoded(timeline, node, ids, times, raws):
            samples |= {(row[0], row[1]): row[2:] for row in made.samples}
            wanted = {row[0]: (None, *row[3:]) for row in made.frames}
            for frame, expected in wanted.items():
                found = kept[frame]
                if found[0] is not None and table.item.step is not None:
                    continue  # refused by what came after it
                for column, is_, should in zip(("fault", *table.columns), found, expected, strict=True):
                    if is_ != should and told < _MOST:
                        told += 1
                        yield f"{name} {table.item.name} frame {frame}: {column} is {is_}, its bytes say {should}"
            for refused in made.refused:
                if kept[refused[0]][0] is None and told < _MOST:
                    told += 1
                    yield f"{name} {table.item.name} frame {refused[0]}: has values, its bytes say: {refused[3]}"
        if table.samples is not None:
            for line in _samples(connection, table, set(ids), samples):
                if told < _MOST:
                    told += 1
                    yield f"{name} {table.item.name} {line}"


def _samples(
    connection: sqlite3.Connection,
    table: ChannelTable,
    ids: set[int],
    wanted: Mapping[tuple[int, int], tuple[Any, ...]],
) -> Iterator[str]:
    """What differs in the samples of some frames."""
    columns = "".join(f", {quoted(column)}" for column in table.sample_columns)
    of = f"SELECT frame, position{columns} FROM {quoted(str(table.samples))}"  # noqa: S608  proven names
    rows = connection.execute(f"{of} WHERE frame BETWEEN ? AND ?", (min(ids), max(ids)))
    found = {(row[0], row[1]): row[2:] for row in rows if row[0] in ids}
    for frame, position in sorted(found.keys() | wanted.keys()):
        is_, should = found.get((frame, position)), wanted.get((frame, position))
        if is_ != should:
            said = (
                "is missing" if is_ is None else "is not in its bytes" if should is None else f"is {is_}, not {should}"
            )
            yield f"frame {frame}: sample {position} {said}"


def _orphans(connection: sqlite3.Connection, table: ChannelTable) -> Iterator[str]:
    """Samples of frames that are not there."""
    if table.samples is None:
        return
    there = f"SELECT 1 FROM {quoted(table.relation)} WHERE id = frame"  # noqa: S608  proven names
    of = f"SELECT count(*) FROM {quoted(table.samples)} WHERE NOT EXISTS ({there})"  # noqa: S608
    (count,) = connection.execute(of).fetchone()
    if count:
        yield f"{count} samples in {table.samples} belong to no frame"
