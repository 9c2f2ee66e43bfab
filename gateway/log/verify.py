"""Whether a log still says what was received: its seals worked out again, every message cut out of its frames again,
every payload decoded again by the plugin in the log and held against the columns, and missing values counted again."""

from __future__ import annotations

import contextlib
import sqlite3
from collections import Counter
from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

from sqlite_utils import Database

from gateway.log import seal
from gateway.log.messages import Cut
from gateway.log.schema import quoted
from gateway.log.shown import descriptions, meanings, strays, views
from gateway.log.signature import signatures_of
from gateway.log.table import ChannelTable
from gateway.log.timeline import Timeline
from gateway.model.errors import LogFileError
from gateway.plugin import Plugin
from gateway.plugin.unpack.sealed import NO_KEY

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
            except (TypeError, ValueError, AttributeError, OverflowError, sqlite3.Error) as error:
                found.append(seal.Checked(run, "", 0, 0, (f"holds what no log writes: {error}",), ()))
        return found


def heads_of(path: Path) -> set[str]:
    """All heads that the seals of a log have had."""
    with _reading(path) as connection:
        if not connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'seal'").fetchone():
            return set()
        return {row[0] for row in connection.execute("SELECT head FROM seal")}


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


class Finding(NamedTuple):
    """What was found in a log; ``wrong``, or only not checked."""

    text: str
    wrong: bool = True


def columns_that_differ(path: Path, load: Callable[[str, str], Plugin | None]) -> Iterator[Finding]:
    """Rows whose columns are not what their bytes decode to, and messages that their frames do not hold.

    Args:
        load: makes a plugin of its kind and text, None where it can't.
    """
    tables: list[tuple[str, ChannelTable]] = []
    with _reading(path) as connection:
        for run, first in connection.execute("SELECT id, first_frame FROM run ORDER BY id").fetchall():
            (after,) = connection.execute("SELECT min(first_frame) FROM run WHERE id > ?", (run,)).fetchone()
            texts = connection.execute("SELECT kind, text FROM plugin WHERE run = ?", (run,)).fetchall()
            plugins = {kind: load(kind, text) for kind, text in texts}
            try:
                yield from _run(connection, run, first, after or 2**62, plugins, tables)
            except (TypeError, ValueError, AttributeError, OverflowError, sqlite3.Error) as error:
                yield Finding(f"run {run} holds what no log writes: {error}")
        try:
            yield from map(Finding, strays(connection))
            yield from map(Finding, descriptions(connection, tables))
            yield from (Finding(line, wrong) for line, wrong in views(connection, tables))
        except (TypeError, ValueError, AttributeError, sqlite3.Error) as error:
            yield Finding(f"it holds what no log writes: {error}")


def _reading(path: Path) -> contextlib.closing[sqlite3.Connection]:
    try:
        return contextlib.closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True))
    except sqlite3.Error as error:
        raise LogFileError(f"{path} can't be read: {error}") from None


def _run(
    connection: sqlite3.Connection,
    run: int,
    first: int,
    after: int,
    plugins: Mapping[str, Plugin | None],
    tables: list[tuple[str, ChannelTable]],
) -> Iterator[Finding]:
    whole = seal.is_sealed(connection, run)  # what comes by a broker may lack frames that hold messages
    for node, name, kind in connection.execute("SELECT id, name, kind FROM node WHERE run = ?", (run,)).fetchall():
        plugin = plugins.get(kind)
        if plugin is None:
            yield Finding(f"{name}: its plugin in the log can't be read by this version")
        else:
            own = _Node(connection, node, name, plugin, (first, after), whole)
            yield from (Finding(line) for line in own.differs())
            tables += [(kind, table) for table in own.tables]
            yield from (Finding(line, wrong=False) for line in own.unchecked)


class _Node:
    """A node of a run, whose rows are held against its frames.

    Args:
        span: the numbers of the run's frames, from and below.
        whole: whether the log has every frame of the run.
    """

    def __init__(
        self, connection: sqlite3.Connection, node: int, name: str, plugin: Plugin, span: tuple[int, int], whole: bool
    ) -> None:
        self._connection, self._node, self._name, self._plugin = connection, node, name, plugin
        self._span, self._whole = span, whole
        self._timeline, self._cut = Timeline(), Cut(connection, as_logged=True)
        self._absent: Counter[tuple[str, str, str]] = Counter()
        self._reworded = 0  # reasons of values that did not decode which this version puts otherwise
        self.tables: list[ChannelTable] = []
        self.unchecked = [
            f"{name} {channel} could not be held against the frames it came in: {plugin.lacks(channel)}"
            for channel in plugin.channels
            if whole and plugin.lacks(channel)
        ]

    def differs(self) -> Iterator[str]:
        """What differs, a line each."""
        database = Database(self._connection)
        for channel in (*self._plugin.constants, *self._plugin.channels):
            item, constant = self._plugin.characteristics[channel], channel in self._plugin.constants
            try:
                table = ChannelTable(database, self._plugin.kind, item, constant=constant)
            except sqlite3.Error:
                yield f"{self._name} {channel}: no table of the layout that the plugin in the log declares"
                continue
            self.tables.append(table)
            if constant:
                self._read_constants(table)
            if self._whole and item.step is not None and not item.within:
                self._cut.add(self._node, self._plugin, table.relation, channel, self._span)
        for table in self.tables:
            yield from meanings(self._connection, table, self._name)
            if self._whole and table.item.within and not self._plugin.lacks(table.item.name):
                wrong = self._cut.differs(self._node, table.item.name, table.relation, self._span)
                yield from [f"{self._name} {table.item.name} {wrong}"] if wrong else ()
            yield from self._channel(table)
        yield from self._counts()
        yield from self._elsewhere()
        if self._reworded:
            self.unchecked.append(
                f"{self._name}: why {self._reworded} values did not decode, which this version says otherwise"
            )

    def _elsewhere(self) -> Iterator[str]:
        """Rows of the node that stand in tables of another layout than the plugin in the log declares."""
        checked = {table.relation for table in self.tables}
        others = self._connection.execute("SELECT relation, name FROM channel WHERE kind = ?", (self._plugin.kind,))
        for relation, channel in [row for row in others if row[0] not in checked]:
            of = f"SELECT count(*) FROM {quoted(relation)} WHERE node = ? AND id >= ? AND id < ?"  # noqa: S608
            if not (count := self._connection.execute(of, (self._node, *self._span)).fetchone()[0]):
                continue
            told = f"{self._name}: {count} rows in {relation}"
            if channel in self._plugin.characteristics:
                yield f"{told}, which is of another layout than the plugin in the log declares"
            else:
                self.unchecked.append(f"{told}: the plugin in the log declares no {channel}")

    def _read_constants(self, table: ChannelTable) -> None:
        of = f"SELECT id, raw FROM {quoted(table.relation)}"  # noqa: S608  proven names
        where = " WHERE node = ? AND id >= ? AND id < ? ORDER BY id"
        for frame, raw in self._connection.execute(of + where, (self._node, *self._span)):
            self._timeline.add(self._node, frame, table.item.name, raw, table.item.codec)

    def _stepped(self, table: ChannelTable, frame: int, locked: Container[int]) -> bool:
        """Whether a value may have been refused by what unpacks it, for a reason that can't be worked out any more."""
        return table.item.step is not None and (not self._whole or frame in locked)

    def _counts(self) -> Iterator[str]:
        """Counts of missing values that are not those of the frames."""
        for owner in {one for table in self.tables for one in (table.relation, table.samples) if one is not None}:
            rows = self._connection.execute(
                "SELECT column_name, reason, count FROM absence WHERE node = ? AND relation = ?", (self._node, owner)
            )
            found = {(owner, column, reason): count for column, reason, count in rows}
            should = {key: count for key, count in self._absent.items() if key[0] == owner}
            for key in sorted(found.keys() | should.keys()):
                if found.get(key, 0) != should.get(key, 0):
                    told = f"{found.get(key, 0)} values are missing by the log, {should.get(key, 0)} by its frames"
                    yield f"{self._name} {owner} {key[1]}: {told} ({key[2]})"

    def _channel(self, table: ChannelTable) -> Iterator[str]:
        columns = "".join(f", {quoted(column)}" for column in table.columns)
        heard = "id"
        if self._whole and table.item.within:
            heard = "ifnull((SELECT last_frame FROM unpacked WHERE frame = id), id)"
        of = f"SELECT id, t_ns, raw, {heard}, fault{columns} FROM {quoted(table.relation)}"  # noqa: S608  proven names
        last, told, place = self._span[0] - 1, 0, f"{self._name} {table.item.name}"
        sql = f"{of} WHERE node = ? AND id > ? AND id < ? ORDER BY id LIMIT {_CHUNK}"
        yield from _orphans(self._connection, table)
        while rows := self._connection.execute(sql, (self._node, last, self._span[1])).fetchall():
            last = rows[-1][0]
            for odd in [row[0] for row in rows if not isinstance(row[2], bytes)]:
                yield f"{place} frame {odd}: its payload is no bytes"
            rows = [row for row in rows if isinstance(row[2], bytes)]
            for line in self._known(table, rows):
                if told < _MOST:
                    told += 1
                    yield f"{place} {line}"

    def _known(self, table: ChannelTable, rows: Sequence[tuple[Any, ...]]) -> Iterator[str]:
        """What differs in some rows of a table. Values that came before the first constant were decoded with it where
        both were written at once, and else without."""
        first = self._timeline.first(self._node) if table.item.derived else None
        early = [row for row in rows if first is not None and row[3] < first]
        without: set[int] = set()
        if early:
            ids, times, raws = ([row[place] for row in early] for place in range(3))
            kept = {row[0]: row[5:] for row in early}
            for made in table.decoded(Timeline(), self._node, ids, times, raws):
                without |= {row[0] for row in made.frames if kept[row[0]] == row[3:]}
        for timeline, chosen in (
            (Timeline(), [row for row in rows if row[0] in without]),
            (self._timeline, [row for row in rows if row[0] not in without]),
        ):
            if chosen:
                yield from self._rows(table, chosen, timeline)

    def _rows(self, table: ChannelTable, rows: Sequence[tuple[Any, ...]], timeline: Timeline) -> Iterator[str]:
        """What differs in some rows of a table: (id, t_ns, raw, the frame they were whole with, fault, columns)."""
        ids, times, raws, heard = ([row[place] for row in rows] for place in range(4))
        kept = {row[0]: row[4:] for row in rows}
        locked = {number for number, (fault, *_) in kept.items() if isinstance(fault, str) and fault.startswith(NO_KEY)}
        if locked and not self._plugin.enciphered(table.item.name):
            yield f"frame {min(locked)}: {kept[min(locked)][0]!r}, though nothing in it is encrypted"
        elif locked:
            told = f"{len(locked)} values from frame {min(locked)} on were received without their key"
            self.unchecked.append(f"{self._name} {table.item.name}: {told}")
        faults = self._cut.faults(ids[0], ids[-1]) if table.item.step and not table.item.within else {}
        samples: dict[tuple[int, int], tuple[Any, ...]] = {}
        for made in table.decoded(timeline, self._node, ids, times, raws, heard):
            self._absent += made.absent
            made.refuse(faults)
            samples |= {(row[0], row[1]): row[2:] for row in made.samples}
            for row in made.frames:
                fault, *columns = kept[row[0]]
                # of a run that came by a broker not every piece need be there, and what a step said stands
                if (
                    fault is not None
                    and not any(one is not None for one in columns)
                    and self._stepped(table, row[0], locked)
                ):
                    continue
                for column, is_, should in zip(("fault", *table.columns), kept[row[0]], (None, *row[3:]), strict=True):
                    if is_ != should:
                        yield f"frame {row[0]}: {column} is {is_}, its bytes say {should}"
            for number, _, _, reason in made.refused:
                fault, *columns = kept[number]
                if fault is None or any(one is not None for one in columns):
                    yield f"frame {number}: has values, its bytes say: {reason}"
                elif fault != reason and number not in locked and self._whole:
                    self._reworded += 1
        if table.samples is not None:
            yield from _samples(self._connection, table, set(ids), samples)


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
