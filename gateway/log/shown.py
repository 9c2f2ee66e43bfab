"""What a log says beside its rows, held against the plugins in it: what its channels and columns mean, and what its
views show; and rows that belong to nothing."""

from __future__ import annotations

import contextlib
import re
import sqlite3
from collections.abc import Iterator, Sequence

from sqlite_utils import Database

from gateway.log.schema import prepare, quoted
from gateway.log.table import OWN_COLUMNS, ChannelTable

Described = Sequence[tuple[str, ChannelTable]]  # each table with the kind of its plugin


def strays(connection: sqlite3.Connection) -> Iterator[str]:
    """Rows of runs and nodes that are not there, and what acts by itself."""
    there = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    for name in ("node", "plugin", "requirement", "event", "seal", "signature"):
        if name in there:
            of = f"SELECT count(*) FROM {name} WHERE run NOT IN (SELECT id FROM run)"  # noqa: S608  our own names
            if count := connection.execute(of).fetchone()[0]:
                yield f"{count} rows of the table {name} are of a run that is not there"
    for (relation,) in connection.execute("SELECT relation FROM channel").fetchall():
        of = f"SELECT count(*) FROM {quoted(relation)} WHERE node NOT IN (SELECT id FROM node)"  # noqa: S608
        if count := connection.execute(of).fetchone()[0]:
            yield f"{count} rows of {relation} are of a node that is not there"
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
        yield f"it has a trigger, {name!r}, and no log has one"


def descriptions(connection: sqlite3.Connection, tables: Described) -> Iterator[str]:
    """Channels that are described otherwise than by any plugin in the log; where none is of theirs, nothing is said."""
    known: dict[str, set[tuple[object, ...]]] = {}
    for kind, table in tables:
        item = table.item
        known.setdefault(table.relation, set()).add((kind, item.name, item.title, item.uuid, table.samples))
    for relation, *told in connection.execute("SELECT relation, kind, name, title, uuid, samples FROM channel"):
        if relation in known and tuple(told) not in known[relation]:
            yield f"the channel of {relation} is described as {told}, and so by no plugin in the log"


def meanings(connection: sqlite3.Connection, table: ChannelTable, name: str) -> Iterator[str]:
    """Units, limits and weights of columns that are not those that the plugin declares."""
    declared: dict[str, set[str]] = {}
    for expected in (row for rows in table.meanings(table.relation) for row in rows):
        declared.setdefault(expected["relation"], set()).add(expected["column_name"])
        columns = ", ".join(quoted(column) for column in expected)
        row = connection.execute(
            f"SELECT {columns} FROM field WHERE relation = ? AND column_name = ?",  # noqa: S608  our own names
            (expected["relation"], expected["column_name"]),
        ).fetchone()
        found = dict(zip(expected, row or (None,) * len(expected), strict=True))
        for key, should in expected.items():
            if found[key] != should:
                wrong = f"{key} is {found[key]}, the plugin says {should}"
                yield f"{name} {table.item.name} {expected['column_name']}: {wrong}"
    own = {table.relation: (set(OWN_COLUMNS), set(table.columns))}
    if table.samples is not None:
        own[table.samples] = {"frame", "position"}, set(table.sample_columns)
    for relation, (kept, made) in own.items():
        rows = connection.execute("SELECT column_name FROM field WHERE relation = ?", (relation,))
        extra = {row[0] for row in rows} - declared.get(relation, set())
        there = {row[1] for row in connection.execute(f"PRAGMA table_info({quoted(relation)})")}
        for column in sorted(extra | (there - kept - made)):
            yield f"{name} {table.item.name} {column}: a column of {relation} that the plugin does not declare"


def views(connection: sqlite3.Connection, tables: Described) -> Iterator[tuple[str, bool]]:
    """Views that are not as this version makes them, and whether they show something else than their tables."""
    found = dict(connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'view'"))
    with contextlib.closing(sqlite3.connect(":memory:")) as fresh:
        prepare(fresh)
        own: dict[str, str] = {"event_utc": "event_utc"}
        for kind, table in tables:
            base = ChannelTable(Database(fresh), kind, table.item).relation
            own |= {f"{table.relation}{end}": f"{base}{end}" for end in ("_utc", "_sample_utc")}
        wanted = dict(fresh.execute("SELECT name, sql FROM sqlite_master WHERE type = 'view'"))
    columns = {table.relation: ("id, fault", table.columns) for _, table in tables}
    columns |= {str(table.samples): ("frame, position", table.sample_columns) for _, table in tables if table.samples}
    columns["event"] = "id, run, kind", ["detail"]
    for name, base in own.items():
        of, as_of = (one.removesuffix("_utc").removesuffix("_sample") for one in (name, base))
        should = re.sub(rf"\b{re.escape(as_of)}(?=(_sample)?(_utc)?\b)", of, wanted.get(base, ""))
        if not should or found.get(name) == should:
            continue
        key, others = columns[name.removesuffix("_utc")]
        if wrong := _shows_something_else(connection, name, key, others):
            yield f"the view {name} {wrong}", True
        else:
            yield f"the times in the view {name}, which another version made", False


def _shows_something_else(connection: sqlite3.Connection, view: str, key: str, columns: Sequence[str]) -> str:
    """How a view differs from its table; "" where it shows the same rows."""
    listed = ", ".join([key, *map(quoted, columns)])
    table = quoted(view.removesuffix("_utc"))
    rows = f"SELECT {listed} FROM {{}} EXCEPT SELECT {listed} FROM {{}}"  # noqa: S608  proven names
    try:
        for one, other in ((quoted(view), table), (table, quoted(view))):
            if connection.execute(rows.format(one, other)).fetchone() is not None:
                return "shows something else than its table"
    except sqlite3.Error as error:
        return f"can't be read: {error}"
    return ""
