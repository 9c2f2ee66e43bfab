"""Both ends of publishing: a log sent to a broker afterwards, and what many gateways send gathered into one place."""

from __future__ import annotations

import asyncio
import hashlib
import platform
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from gateway.app.judge import judge
from gateway.config import BrokerFile, MqttConfig
from gateway.host.lock import FileLock
from gateway.model.errors import InputError
from gateway.mqtt.gather.receive import Gathered, Gatherer
from gateway.mqtt.gather.store import LogStore, Store
from gateway.mqtt.publish.drain import forward_log
from gateway.report.machine import verdicts_by_node

if TYPE_CHECKING:
    from gateway.mqtt.gather.postgres import Fetched

VIEW_EVERY_S = 0.25
PIECES_EVERY_S = 10.0  # how often it is said of pieces, in runs that have ended, what became of them


async def forward(log: Path, broker: MqttConfig, on_line: Callable[[str], None] = lambda line: None) -> int:
    """Send what a broker has not taken yet of a log, and the verdicts of its newest run; how many values that were.

    Args:
        on_line: called with how it goes, for people.

    Raises:
        LogFileError: the log can't be used, or a run is writing it.
        InputError: certificates or credentials can't be used.
    """
    judged = await asyncio.to_thread(judge, log)
    return await forward_log(broker, log, verdicts_by_node(judged.run, judged.verdicts), on_line)


async def gather(
    file: BrokerFile,
    into: Path,
    length_s: float | None = None,
    on_progress: Callable[[Gathered], None] = lambda progress: None,
) -> Gathered:
    """Take what gateways publish into a log, or into the database that the run file names; what was gathered.

    Args:
        file: the broker, and the database if there is one.
        into: the log; beside a database it tells one gatherer from another.
        length_s: how long, seconds; None until cancelled.
        on_progress: called several times a second with how it goes.

    Raises:
        LogFileError: the log can't be used.
        InputError: the database, certificates or credentials can't be used.
    """
    store, lock = _store(file, into)
    gatherer = Gatherer(file, store, shared=file.postgres is not None, name=_client_id(file, into))
    loop = asyncio.get_running_loop()
    ends_s = None if length_s is None else loop.time() + length_s
    try:
        async with asyncio.TaskGroup() as group:
            task = group.create_task(gatherer.run(), name="gathering")
            pieces_s = loop.time() + PIECES_EVERY_S
            while not task.done():
                on_progress(gatherer.progress)
                await asyncio.sleep(VIEW_EVERY_S)
                if loop.time() > pieces_s:
                    await asyncio.to_thread(gatherer.say_of_pieces, True)
                    pieces_s = loop.time() + PIECES_EVERY_S
                if ends_s is not None and loop.time() > ends_s:
                    task.cancel()
                    break
    finally:
        gatherer.say_of_pieces(ended=False)
        on_progress(gatherer.progress)
        store.close()
        if lock is not None:
            lock.release()
    return gatherer.progress


async def retry(file: BrokerFile, into: Path) -> Gathered:
    """Place once more the messages that a gatherer has kept aside; what came of that.

    Args:
        into: the log, or beside a database what tells the gatherer from another.

    Raises:
        LogFileError, InputError: as `gather`.
        StoreError: the store does not take them.
    """
    store, lock = _store(file, into)
    try:
        gatherer = Gatherer(file, store, shared=file.postgres is not None, name=_client_id(file, into))
        await asyncio.to_thread(gatherer.retry)
        return gatherer.progress
    finally:
        store.close()
        if lock is not None:
            lock.release()


def _client_id(file: BrokerFile, into: Path) -> str:
    """What tells this gatherer from others at the broker, and is the same when it comes back."""
    own = hashlib.sha256(f"{platform.node()} {into.resolve()} {file.postgres}".encode()).hexdigest()[:12]
    return f"gattest-gather-{own}"


def _store(file: BrokerFile, into: Path) -> tuple[Store, FileLock | None]:
    if file.postgres is None:
        return LogStore(into), None
    from gateway.mqtt.gather.postgres import PostgresStore

    lock = FileLock(into)  # two gatherers of one name would take each other's place at the broker
    try:
        return PostgresStore(file.postgres), lock
    except BaseException:
        lock.release()
        raise


def fetch(file: BrokerFile, into: Path) -> Fetched:
    """Put what a database of gathered runs holds into a log; what was copied and what the log refused.

    Raises:
        InputError: the run file names no database, or it can't be used.
        LogFileError: the log can't be used.
    """
    if file.postgres is None:
        raise InputError("the run file names no database; --fetch needs [gather] postgres")
    from gateway.mqtt.gather.postgres import fetch_into

    return fetch_into(file.postgres, LogStore(into))
