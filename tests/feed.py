"""Fills a log at a rate, as a run does, with two nodes of two channels, and sends it to a broker beside; until it is
killed or the seconds given have passed. Run as a process: ``python -m tests.feed LOG PORT PER_S [SECONDS]``."""

from __future__ import annotations

import struct
import sys
import time
from pathlib import Path

from gateway.host.clock import Clock
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.events import EventKind, LinkEvent
from gateway.model.records import Frame
from gateway.mqtt.publish.process import sending
from gateway.plugin import Plugin, load_plugin_text
from tests.broker import mqtt

PLUGIN = """
[plugin]
kind = "feed"
title = "Feed"
[characteristic.climate]
uuid = "b1c90041-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c90040-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
fields = [
  { name = "sequence", type = "uint16", role = "sequence" },
  { name = "temperature", type = "sint16", lsb = "0.01 degC" },
  { name = "pressure", type = "uint24", lsb = "1 Pa", unit = "hPa" },
]
[characteristic.knock]
uuid = "b1c90042-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c90040-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
fields = [{ name = "count", type = "uint32" }]
"""
NODES = ("crate-a", "crate-b")
EVERY_S = 0.01


def feed_plugin() -> Plugin:
    return load_plugin_text(PLUGIN, "feed")


def facts(clock: Clock) -> RunFacts:
    plugin = feed_plugin()
    return RunFacts("Fed", clock.now_ns(), None, "virtual", "", "", {name: (plugin, name) for name in NODES})


def fill(writer: LogWriter, clock: Clock, per_s: float, seconds: float) -> int:
    """Frames of all channels in turn; how many."""
    begun, sent = time.monotonic(), 0
    for name in NODES:
        writer.event(LinkEvent.of(clock.now_ns(), name, EventKind.READY, {}))
    while (passed := time.monotonic() - begun) < seconds:
        while sent < passed * per_s:
            node, channel = NODES[sent % 2], ("climate", "knock")[sent // 2 % 2]
            climate = struct.pack("<HhI", sent & 0xFFFF, sent % 3000, 100_000 + sent % 999)[:7]
            writer.frame(
                Frame(clock.now_ns(), node, channel, climate if channel == "climate" else struct.pack("<I", sent))
            )
            sent += 1
        time.sleep(EVERY_S)
    return sent


def main() -> None:
    log, port, per_s = Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
    seconds = float(sys.argv[4]) if len(sys.argv) > 4 else 1e9
    name = sys.argv[5] if len(sys.argv) > 5 else "bench"
    client = sys.argv[6] if len(sys.argv) > 6 else None
    clock = Clock()
    config = mqtt(port, gateway=name, client_id=client)
    with sending(config, log) as beside:
        writer = LogWriter(log, facts(clock))
        fill(writer, clock, per_s, seconds)
        writer.close(clock.now_ns(), "duration reached")
        assert beside is not None
        beside.end()
        print(beside.line)


if __name__ == "__main__":
    main()
