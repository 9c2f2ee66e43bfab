"""A process that writes a log at a rate until it is ended: what a campaign kills, stops and starves.

python -m tests.campaign.feed LOG RATE [SECONDS]
"""

from __future__ import annotations

import asyncio
import struct
import sys
import time
from pathlib import Path

from gateway.host.clock import Clock
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.records import Frame
from gateway.plugin import find_plugin

TURN_S = 0.005


async def main() -> None:
    path, rate = Path(sys.argv[1]), float(sys.argv[2])
    seconds = float(sys.argv[3]) if len(sys.argv) > 3 else float("inf")
    clock, plugin = Clock(), find_plugin("loan-crate")
    writer = LogWriter(path, RunFacts("campaign", clock.now_ns(), None, "none", "", "", {"a": (plugin, "A")}))
    began, count = time.monotonic(), 0
    while (passed_s := time.monotonic() - began) < seconds:
        while count < passed_s * rate:
            raw = struct.pack("<HhH", count & 0xFFFF, 2000, 5000) + (101325).to_bytes(3, "little")
            writer.frame(Frame(clock.now_ns(), "a", "climate", raw))
            count += 1
        await asyncio.sleep(TURN_S)
    writer.close(clock.now_ns(), "campaign")
    status = writer.status
    print(f"{count} values, {status.dropped} dropped, {status.failed or status.note or 'nothing amiss'}")


asyncio.run(main())
