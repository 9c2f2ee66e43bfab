"""Send what a broker has not taken yet of a log that nobody writes any more."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from gateway.config import MqttConfig
from gateway.host.lock import FileLock
from gateway.log.schema import prepare
from gateway.model.errors import LogFileError
from gateway.mqtt.publish.forward import Forwarder

_TOLD_EVERY_S = 0.25


async def forward_log(
    config: MqttConfig, log: Path, verdicts: Mapping[str, list[dict[str, Any]]], told: Callable[[str], None]
) -> int:
    """Send everything, however long the broker is away; how many frames that were.

    Args:
        verdicts: of the newest run, by node; sent in the end.
        told: called with how it goes, for people.

    Raises:
        LogFileError: a run is writing the log.
        InputError: certificates or credentials can't be used.
    """
    lock = FileLock(log)
    try:
        await asyncio.to_thread(_prepare, log)
        forwarder = Forwarder(config, log, "forward")
        for node, own in verdicts.items():
            forwarder.verdicts(node, own)
        forwarder.end()
        async with asyncio.TaskGroup() as group:
            sender = group.create_task(forwarder.run(), name="sending")
            teller = group.create_task(_tell(forwarder, told), name="telling")
            await asyncio.wait([sender])
            teller.cancel()
        return forwarder.progress.frames
    finally:
        lock.release()


def _prepare(log: Path) -> None:
    """See that every run of a log of an earlier version has what tells it from others."""
    connection = sqlite3.connect(log, timeout=10, isolation_level=None)
    try:
        columns = [row[1] for row in connection.execute("PRAGMA table_info(run)")]
        if "uid" not in columns or connection.execute("SELECT 1 FROM run WHERE uid IS NULL").fetchone():
            prepare(connection)
    except sqlite3.Error as error:
        raise LogFileError(f"{log} can't be noted in: {error}; check permissions and free space") from None
    finally:
        connection.close()


async def _tell(forwarder: Forwarder, told: Callable[[str], None]) -> None:
    while True:
        progress = forwarder.progress
        told(progress.trouble or f"{progress.frames} values sent")
        await asyncio.sleep(_TOLD_EVERY_S)
