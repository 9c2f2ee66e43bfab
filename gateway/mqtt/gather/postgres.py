"""PostgreSQL as a store, for when more than one machine must ask: plain tables in a schema of their own, filled by COPY
into a table of the batch and from there, so that doubles are dropped. Where TimescaleDB is there, its tables by time
are used. Times stand twice: as a timestamp to ask by, and as exact nanoseconds UTC."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from typing import Any, TypeVar

from gateway.log.gathered import as_told_first, no_room, opened_by
from gateway.model.errors import InputError, StoreError, UnknownRunError
from gateway.mqtt.gather.store import LogStore
from gateway.mqtt.gather.unpack import Events, Facts, Frames, ReceivedFrame

T = TypeVar("T")
_SCHEMA = """
CREATE SCHEMA IF NOT EXISTS gattest;
CREATE TABLE IF NOT EXISTS gattest.run (
    run text PRIMARY KEY, gateway text NOT NULL, title text NOT NULL, started timestamptz NOT NULL, told jsonb NOT NULL
);
CREATE TABLE IF NOT EXISTS gattest.event (
    run text NOT NULL, id bigint NOT NULL, node text, t timestamptz NOT NULL, t_ns bigint NOT NULL,
    kind text NOT NULL, detail jsonb NOT NULL, PRIMARY KEY (run, id)
);
CREATE TABLE IF NOT EXISTS gattest.frame (
    run text NOT NULL, id bigint NOT NULL, gateway text NOT NULL, node text NOT NULL, channel text NOT NULL,
    t timestamptz NOT NULL, t_ns bigint NOT NULL, raw bytea NOT NULL, fault text, PRIMARY KEY (run, id, t)
);
CREATE TABLE IF NOT EXISTS gattest.value (
    run text NOT NULL, frame bigint NOT NULL, gateway text NOT NULL, node text NOT NULL, channel text NOT NULL,
    field text NOT NULL, position int NOT NULL, unit text NOT NULL, t timestamptz NOT NULL,
    number double precision, text text, PRIMARY KEY (run, frame, field, position, t)
);
CREATE TABLE IF NOT EXISTS gattest.conflict (
    run text NOT NULL, node text NOT NULL, channel text NOT NULL, frame bigint NOT NULL, t_ns bigint NOT NULL,
    raw bytea NOT NULL
);
ALTER TABLE gattest.conflict DROP CONSTRAINT IF EXISTS conflict_run_node_channel_frame_t_ns_raw_key;
CREATE UNIQUE INDEX IF NOT EXISTS conflict_of
    ON gattest.conflict (run, md5(node), md5(channel), frame, t_ns, sha256(raw));
CREATE TABLE IF NOT EXISTS gattest.unplaced (
    id bigserial PRIMARY KEY, run text NOT NULL, topic text NOT NULL, payload bytea NOT NULL
);
"""
_BY_TIME = ("frame", "value")
_SETUP_LOCK = 0x67617474  # several gatherers may start at once
_FETCHED = 20_000


class PostgresStore:
    """A database.

    Args:
        address: such as ``postgresql://user@host/name``; a password comes from libpq's own places (PGPASSWORD, a
            password file), never from the run file.

    Raises:
        InputError: it can't be reached, or its schema can't be made.
    """

    def __init__(self, address: str) -> None:
        self._connection = _connect(address)
        try:
            with self._connection.transaction():
                self._connection.execute("SELECT pg_advisory_xact_lock(%s)", (_SETUP_LOCK,))
                self._connection.execute(_SCHEMA)
                if self._connection.execute("SELECT 1 FROM pg_extension WHERE extname = 'timescaledb'").fetchone():
                    for name in _BY_TIME:
                        self._connection.execute(
                            f"SELECT create_hypertable('gattest.{name}', 't', if_not_exists => true)"
                        )
        except self._connection_errors() as error:
            self._connection.close()
            raise InputError(
                f"the database can't be used: {error}; the user needs permission to create a schema"
            ) from None
        self._runs: dict[str, str] = {}  # the gateway that opened each

    @staticmethod
    def _connection_errors() -> type[Exception]:
        import psycopg

        return psycopg.Error

    @staticmethod
    def _data_errors() -> tuple[type[Exception], ...]:
        import psycopg

        too_much = psycopg.errors.ProgramLimitExceeded  # such as a name that is too long for an index
        return psycopg.DataError, psycopg.IntegrityError, psycopg.ProgrammingError, psycopg.NotSupportedError, too_much

    def _tried(self, work: Callable[[], T]) -> T:
        try:
            return work()
        except self._data_errors() as error:
            raise InputError(" ".join(f"it can't be stored: {error}".split())) from None
        except self._connection_errors() as error:
            raise StoreError(f"the database rejected the messages: {error}; retrying".replace("\n", " ")) from None

    def begin(self) -> None:
        if self._connection.closed or self._connection.broken:
            self._connection = self._tried(lambda: _connect_again(self._connection))
        self._tried(lambda: self._connection.execute("BEGIN"))

    def commit(self) -> None:
        self._tried(lambda: self._connection.execute("COMMIT"))

    def mark(self) -> None:
        self._tried(lambda: self._connection.execute("SAVEPOINT message"))

    def take_back(self) -> None:
        self._runs.clear()
        self._tried(lambda: self._connection.execute("ROLLBACK TO SAVEPOINT message"))

    def keep_it(self) -> None:
        self._tried(lambda: self._connection.execute("RELEASE SAVEPOINT message"))

    def abandon(self) -> None:
        self._runs.clear()
        try:
            self._connection.execute("ROLLBACK")
        except self._connection_errors():
            self._connection.close()

    def facts(self, facts: Facts) -> None:
        told = facts.facts
        try:
            row = (
                str(told["run"]),
                facts.gateway,
                str(told["title"]),
                _moment(int(told["started_ns"])),
                json.dumps(told),
            )
        except (KeyError, TypeError, ValueError, OverflowError) as error:
            raise InputError(f"the description of a run can't be used: {error!r}") from None
        found = self._tried(
            lambda: self._connection.execute("SELECT gateway, told FROM gattest.run WHERE run = %s", row[:1]).fetchone()
        )
        if found is not None:
            opened_by(row[0], found[0], facts.gateway)
            try:
                as_told_first(row[0], found[1], told)
            except (LookupError, TypeError, AttributeError) as error:
                raise InputError(f"the description of a run can't be used: {error!r}") from None
        self._tried(
            lambda: self._connection.execute(
                "INSERT INTO gattest.run VALUES (%s, %s, %s, %s, %s) "
                "ON CONFLICT (run) DO UPDATE SET told = excluded.told",
                row,
            )
        )
        self._runs[row[0]] = facts.gateway

    def _know(self, run: str, gateway: str) -> None:
        if run not in self._runs:
            found = self._tried(
                lambda: self._connection.execute("SELECT gateway FROM gattest.run WHERE run = %s", (run,)).fetchone()
            )
            if found is None:
                raise UnknownRunError(run)
            self._runs[run] = str(found[0])
        opened_by(run, self._runs[run], gateway)

    def frames(self, frames: Frames) -> int:
        self._know(frames.run, frames.gateway)
        who = (frames.gateway, frames.node, frames.channel)
        rows = [
            (frames.run, one.id, *who, _moment(one.t_ns), one.t_ns, one.raw, _text(one.fault)) for one in frames.frames
        ]
        new = self._tried(lambda: self._copy_frames(rows))
        values = []
        for one in [one for one in frames.frames if one.id in new]:
            seen: Counter[str] = Counter()  # samples of a field follow each other
            for value in one.values:
                own = (frames.run, one.id, *who, value.name, seen[value.name], value.unit, _moment(value.t_ns))
                values.append((*own, value.number, _text(value.text)))
                seen[value.name] += 1
        if values:
            self._tried(lambda: self._copy("value", values))
        return len(new)

    def conflicts(self) -> int:
        return int(
            self._tried(lambda: self._connection.execute("SELECT count(*) FROM gattest.conflict").fetchall())[0][0]
        )

    def _copy_frames(self, rows: Sequence[tuple[Any, ...]]) -> set[int]:
        """Copy frames, and those aside that are there with other bytes or at another time; the numbers of new ones."""
        self._into_batch("frame", rows)
        there = "gattest.frame AS f WHERE f.run = n.run AND f.id = n.id"
        otherwise = "(f.node, f.channel, f.t_ns, f.raw) <> (n.node, n.channel, n.t_ns, n.raw)"
        self._connection.execute(
            "INSERT INTO gattest.conflict SELECT n.run, n.node, n.channel, n.id, n.t_ns, n.raw "  # noqa: S608
            f"FROM new_frame AS n, {there} AND {otherwise} ON CONFLICT DO NOTHING"
        )
        added = self._connection.execute(
            f"INSERT INTO gattest.frame SELECT * FROM new_frame AS n WHERE NOT EXISTS (SELECT 1 FROM {there}) "  # noqa: S608
            "ON CONFLICT DO NOTHING RETURNING id"
        )
        return {row[0] for row in added.fetchall()}

    def _copy(self, table: str, rows: Sequence[tuple[Any, ...]]) -> int:
        """Copy rows; how many are new."""
        self._into_batch(table, rows)
        added = self._connection.execute(
            f"INSERT INTO gattest.{table} SELECT * FROM new_{table} ON CONFLICT DO NOTHING"  # noqa: S608
        )
        return int(added.rowcount)

    def _into_batch(self, table: str, rows: Sequence[tuple[Any, ...]]) -> None:
        """COPY rows into a table of the batch."""
        execute = self._connection.execute
        execute(f"CREATE TEMP TABLE IF NOT EXISTS new_{table} (LIKE gattest.{table}) ON COMMIT DELETE ROWS")
        execute(f"TRUNCATE new_{table}")
        with self._connection.cursor() as cursor, cursor.copy(f"COPY new_{table} FROM STDIN") as copy:
            for row in rows:
                copy.write_row(row)

    def events(self, events: Events) -> int:
        try:
            rows = [
                (
                    str(one["run"]), int(one["id"]), one["node"], _moment(int(one["t_ns"])), int(one["t_ns"]),
                    str(one["kind"]), json.dumps(one["detail"]),
                )
                for one in events.events
            ]  # fmt: skip
        except (KeyError, TypeError, ValueError, OverflowError) as error:
            raise InputError(f"the message is not a valid event: {error!r}") from None
        for run in dict.fromkeys(row[0] for row in rows):
            self._know(run, events.gateway)
        return self._tried(lambda: self._copy("event", rows))

    def keep(self, run: str, topic: str, payload: bytes) -> None:
        kept = "SELECT count(*), coalesce(sum(length(payload)), 0) FROM gattest.unplaced"
        count, size = self._tried(lambda: self._connection.execute(kept).fetchall())[0]
        if reason := no_room(count, float(size) + len(payload)):
            raise InputError(reason)
        self._tried(
            lambda: self._connection.execute(
                "INSERT INTO gattest.unplaced (run, topic, payload) VALUES (%s, %s, %s)", (run, topic, payload)
            )
        )

    def kept(self, run: str) -> list[tuple[str, bytes]]:
        rows = self._tried(
            lambda: self._connection.execute(
                "DELETE FROM gattest.unplaced WHERE run = %s RETURNING id, topic, payload", (run,)
            ).fetchall()
        )
        return [(str(topic), bytes(payload)) for _, topic, payload in sorted(rows)]

    def say_of_pieces(self, ended: bool) -> None:
        """Nothing to do: frames are kept with what they were told to be wrong; `fetch_into` says it of all."""

    def close(self) -> None:
        self._connection.close()


def _text(text: str | None) -> str | None:
    """A text as PostgreSQL can keep it."""
    return None if text is None else text.replace("\0", "\ufffd")


def _moment(t_ns: int) -> datetime:
    """A time as PostgreSQL keeps it, to the microsecond."""
    return datetime.fromtimestamp(t_ns // 1_000_000_000, UTC).replace(microsecond=t_ns % 1_000_000_000 // 1000)


def _connect(address: str) -> Any:
    try:
        import psycopg
    except ImportError:
        raise InputError("gathering into PostgreSQL needs psycopg: pip install 'gattest[postgres]'") from None
    try:
        return psycopg.connect(address, autocommit=True, connect_timeout=10)
    except psycopg.Error as error:
        raise InputError(f"the database can't be reached: {str(error).strip()}; check [gather] postgres") from None


def _connect_again(former: Any) -> Any:
    import psycopg

    return psycopg.connect(former.info.dsn, password=former.info.password or None, autocommit=True, connect_timeout=10)


@dataclass(slots=True)
class Fetched:
    """What was copied: runs, how many frames were new, and why something was left out."""

    frames: int = 0
    runs: int = 0
    left_out: Counter[str] = field(default_factory=Counter)


def fetch_into(address: str, log: LogStore) -> Fetched:
    """Put what a database holds into a log, to be judged and looked at there. What the log refuses is left out, and
    costs nothing else.

    Raises:
        InputError: the database can't be used.
        StoreError: the log does not take it.
    """
    connection = _connect(address)
    done = Fetched()
    try:
        for run, gateway, told in connection.execute("SELECT run, gateway, told FROM gattest.run ORDER BY started"):
            log.begin()
            before = done.left_out.total()
            _take(log, done, run, partial(log.facts, Facts(gateway, told)))
            if done.left_out.total() == before:
                _fetch_run(connection, log, run, gateway, done)
                done.runs += 1
            log.commit()
        log.begin()
        log.say_of_pieces(ended=False)
        log.commit()
        return done
    except PostgresStore._connection_errors() as error:
        raise InputError(f"the database can't be read: {str(error).strip()}; gather into it first") from None
    finally:
        connection.close()
        log.close()


def _fetch_run(connection: Any, log: LogStore, run: str, gateway: str, done: Fetched) -> None:
    rows = connection.execute("SELECT run, id, node, t_ns, kind, detail FROM gattest.event WHERE run = %s", (run,))
    names = ("run", "id", "node", "t_ns", "kind", "detail")
    events: list[Mapping[str, Any]] = [dict(zip(names, row, strict=True)) for row in rows.fetchall()]
    _take(log, done, run, partial(log.events, Events(gateway, events)))
    with connection.transaction(), connection.cursor("frames") as cursor:
        cursor.itersize = _FETCHED
        cursor.execute("SELECT node, channel, id, t_ns, raw FROM gattest.frame WHERE run = %s ORDER BY id", (run,))
        while chunk := cursor.fetchmany(_FETCHED):
            groups: dict[tuple[str, str], list[ReceivedFrame]] = {}
            for node, channel, number, t_ns, raw in chunk:
                groups.setdefault((node, channel), []).append(ReceivedFrame(number, t_ns, bytes(raw)))
            for (node, channel), own in groups.items():
                frames = Frames(run, gateway, node, channel, own)
                done.frames += _take(log, done, run, partial(log.frames, frames)) or 0


def _take(log: LogStore, done: Fetched, run: str, work: Callable[[], T]) -> T | None:
    """Put something into the log; None where it refuses that."""
    log.mark()
    try:
        found = work()
        log.keep_it()
        return found
    except InputError as error:
        log.take_back()
        done.left_out[f"run {run[:64]}: {error}"] += 1
        return None
