"""Send what a broker has not taken yet of a log that nobody writes any more."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from gateway.config import MqttConfig
from gateway.host.lock import FileLock
from gateway.log.opening import give_ids
from gateway.mqtt.publish.forward import Forwarder

_TOLD_EVERY_S = 0.25


async def forward_log(
    config: MqttConfig, log: Path, verdicts: Mapping[str, list[dict[str, Any]]], report: Callable[[str], None]
) -> int:
    """Send everything, however long the broker is away; how many frames that were.

    Args:
        verdicts: of the newest run, by node; sent in the end.
        report: called with how it goes, for people.

    Raises:
        LogFileError: a run is writing the log.
        InputError: certificates or credentials can't be used.
    """
    await asyncio.to_thread(give_ids, log)
    lock = FileLock(log)
    try:
        forwarder = Forwarder(config, log, "forward")
        for node, own in verdicts.items():
            forwarder.verdicts(node, own)
        forwarder.end()
        async with asyncio.TaskGroup() as group:
            sender = group.create_task(forwarder.run(), name="sending")
            teller = group.create_task(_tell(forwarder, report), name="telling")
            await asyncio.wait([sender])
            teller.cancel()
        return forwarder.progress.frames
    finally:
        lock.release()


async def _tell(forwarder: Forwarder, report: Callable[[str], None]) -> None:
    while True:
        progress = forwarder.progress
        report(progress.trouble or f"{progress.frames} values sent")
        await asyncio.sleep(_TOLD_EVERY_S)
