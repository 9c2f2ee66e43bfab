"""What a log looks like inside. A relation for each characteristic, named kind_characteristic, a column
for each field with its unit in the name; beside it what the columns mean, the runs, nodes, events and
requirements. Every table can be read with plain SELECTs; the views ending in _utc show times as text."""

from __future__ import annotations

import hashlib
import sqlite3

APPLICATION_ID = 0x47415454
FORMAT = 1
WAL_KEPT_BYTES = 64_000_000  # what the file of a write-ahead log shrinks to once nobody holds it
SPAN = 1 << 36  # numbers of frames and of events that a gathered run has for itself

TABLES = """
CREATE TABLE IF NOT EXISTS run (
    id INTEGER PRIMARY KEY,
    title TEXT NOT NULL,
    started_ns INTEGER NOT NULL,   -- nanoseconds UTC since 1970, as all *_ns
    planned_ns INTEGER,            -- how long it was to last, NULL for until somebody ended it
    ended_ns INTEGER,              -- NULL while running, and for good when the process was killed
    ended_how TEXT,
    first_frame INTEGER NOT NULL,  -- frames of this run have this id or a higher one
    radio TEXT NOT NULL,
    host TEXT NOT NULL,
    system TEXT NOT NULL,
    software TEXT NOT NULL,
    run_file TEXT NOT NULL,
    run_text TEXT NOT NULL,
    uid TEXT                       -- tells the same run in two logs from another
);
CREATE TABLE IF NOT EXISTS plugin (
    run INTEGER NOT NULL REFERENCES run(id),
    kind TEXT NOT NULL,
    title TEXT NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (run, kind)
);
CREATE TABLE IF NOT EXISTS former_plugin (  -- what the values were decoded by, before they were decoded again
    run INTEGER NOT NULL REFERENCES run(id),
    kind TEXT NOT NULL,
    title TEXT NOT NULL,
    text TEXT NOT NULL,
    until_ns INTEGER NOT NULL
);
CREATE TABLE IF NOT EXISTS node (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run(id),
    name TEXT NOT NULL,
    kind TEXT NOT NULL,
    sought TEXT NOT NULL           -- the name or address it was sought by
);
CREATE TABLE IF NOT EXISTS channel (
    relation TEXT PRIMARY KEY,     -- the table that holds its frames
    samples TEXT,                  -- the table that holds its samples, where it has several a frame
    kind TEXT NOT NULL,
    name TEXT NOT NULL,
    title TEXT NOT NULL,
    uuid TEXT NOT NULL,
    layout TEXT NOT NULL,          -- tells two versions of a layout apart
    stores INTEGER,                -- how many values it keeps while nobody is subscribed
    constant INTEGER,              -- 1 for what is read once on connecting
    within TEXT,                   -- of messages that are unpacked from another channel: its name
    broadcast INTEGER              -- 1 for what is advertised
);
CREATE TABLE IF NOT EXISTS field (
    relation TEXT NOT NULL,
    column_name TEXT NOT NULL,
    position INTEGER NOT NULL,
    name TEXT NOT NULL,
    unit TEXT NOT NULL,
    type TEXT NOT NULL,            -- as in the layout, or "derived"
    lsb REAL,                      -- weight of one count in the unit
    low REAL,                      -- limits in the unit
    high REAL,
    role TEXT,
    bits INTEGER,
    sometimes INTEGER,             -- 1 for a field that is there only under a condition
    PRIMARY KEY (relation, column_name)
);
CREATE TABLE IF NOT EXISTS absence (  -- how often a value was missing from a frame that decodes, and why
    node INTEGER NOT NULL REFERENCES node(id),
    relation TEXT NOT NULL,
    column_name TEXT NOT NULL,
    reason TEXT NOT NULL,
    count INTEGER NOT NULL,
    PRIMARY KEY (node, relation, column_name, reason)
);
CREATE TABLE IF NOT EXISTS unpacked (  -- of messages that are unpacked: the frames that each came in
    frame INTEGER PRIMARY KEY,
    first_frame INTEGER NOT NULL,
    last_frame INTEGER NOT NULL
);
CREATE TABLE IF NOT EXISTS seal (      -- the chain of digests over what was committed, see README
    number INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run(id),
    t_ns INTEGER NOT NULL,
    from_frame INTEGER NOT NULL,
    end_frame INTEGER NOT NULL,
    events INTEGER NOT NULL,           -- of the run, up to here
    what TEXT NOT NULL,                -- what was done after the run, empty for what came over the air
    digests TEXT NOT NULL,             -- JSON
    head TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS signature ( -- over the head of a seal, by a key that is kept elsewhere
    run INTEGER NOT NULL REFERENCES run(id),
    t_ns INTEGER NOT NULL,
    head TEXT NOT NULL,
    public_key BLOB NOT NULL,          -- Ed25519
    signature BLOB NOT NULL
);
CREATE TABLE IF NOT EXISTS requirement (
    run INTEGER NOT NULL REFERENCES run(id),
    kind TEXT NOT NULL,            -- of the nodes it is for, or the name of one
    subject TEXT NOT NULL,
    figure TEXT NOT NULL,
    low REAL,
    high REAL,
    unit TEXT NOT NULL,
    risk REAL                      -- how likely a node at the limit may be passed or failed at most
);
CREATE TABLE IF NOT EXISTS event (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run(id),
    node INTEGER REFERENCES node(id),
    t_ns INTEGER NOT NULL,
    kind TEXT NOT NULL,
    detail TEXT NOT NULL           -- JSON
);
CREATE VIEW IF NOT EXISTS event_utc AS
    SELECT event.id, event.run, strftime('%Y-%m-%dT%H:%M:%fZ', t_ns / 1e9, 'unixepoch') AS utc,
           node.name AS node, event.kind, detail
    FROM event LEFT JOIN node ON node.id = event.node;
"""
_LATER = (  # columns that a log of an earlier version lacks
    ("run", "uid TEXT"),
    ("requirement", "risk REAL"),
    ("channel", "stores INTEGER"),
    ("channel", "constant INTEGER"),
    ("channel", "within TEXT"),
    ("channel", "broadcast INTEGER"),
)


def first_after(highest: int) -> int:
    """The first frame of a new run behind the highest number so far, be it of a frame or of where a run begins."""
    return highest + 1 if highest < SPAN else (highest // SPAN + 1) * SPAN + 1


def next_event(connection: sqlite3.Connection, schema: str = "main") -> int:
    """The id of the next event of this machine's own; those that were gathered stand below zero."""
    (highest,) = connection.execute(f"SELECT max(0, ifnull(max(id), 0)) FROM {schema}.event").fetchone()  # noqa: S608
    return int(highest) + 1


def quoted(name: str) -> str:
    """An SQL identifier; names come from proven plugins, the quotes keep keywords harmless."""
    return '"' + name.replace('"', '""') + '"'


def prepare(connection: sqlite3.Connection) -> None:
    """Make an empty database a log, or leave a log as it is."""
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = NORMAL")
    connection.execute(f"PRAGMA journal_size_limit = {WAL_KEPT_BYTES}")
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {FORMAT}")
    connection.executescript(TABLES)
    for table, column in lacks(connection):
        connection.execute(f"ALTER TABLE {table} ADD COLUMN {column}")
    facts = "SELECT id, started_ns, host, title, radio, run_file FROM run WHERE uid IS NULL"
    for number, *own in connection.execute(facts).fetchall():  # the same in every copy of that log
        uid = hashlib.sha256(repr(own).encode()).hexdigest()[:32]
        connection.execute("UPDATE run SET uid = ? WHERE id = ?", (uid, number))


def lacks(connection: sqlite3.Connection) -> list[tuple[str, str]]:
    """The columns that a log of an earlier version lacks, each with its table."""
    known = {table: [row[1] for row in connection.execute(f"PRAGMA table_info({table})")] for table in dict(_LATER)}
    return [(table, column) for table, column in _LATER if column.partition(" ")[0] not in known[table]]


def refusal(connection: sqlite3.Connection) -> str:
    """Why this database is not a log that can be used; "" where it is one, or is empty."""
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (objects,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if application != APPLICATION_ID and objects:
        return "is an SQLite database, but not a gattest log"
    if version > FORMAT:
        return f"is a log of format {version}; this version reads up to {FORMAT}"
    return ""
