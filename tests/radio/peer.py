"""A controller in a process of its own, reached by HCI over TCP, and around it an air with a simulated node: what a run
with a controller of its own finds at the other end. Prints the port it listens on.

    python -m tests.radio.peer KIND NAME [drop]
"""

from __future__ import annotations

import asyncio
import sys
from typing import Any

from bumble import hci
from bumble.transport.common import StreamPacketSink, StreamPacketSource

from gateway.config import AirConfig, Faults, TwinConfig
from gateway.plugin import find_plugin
from gateway.radio.air import Air, AirController
from gateway.radio.twin import Twin
from gateway.radio.virtual import make_host


class Adapter(AirController):
    """The controller at the other end of the socket."""

    def __init__(self, air: Air) -> None:
        super().__init__("adapter", air)
        self._public_address = hci.Address("02:00:00:00:00:01", hci.Address.PUBLIC_DEVICE_ADDRESS)

    def serve(self, source: StreamPacketSource) -> Any:
        source.set_packet_sink(self)
        return source


async def main() -> None:
    kind, name, drop = sys.argv[1], sys.argv[2], "drop" in sys.argv[3:]
    air = Air(AirConfig(interval_ns=30_000_000))
    adapter = Adapter(air)
    loop = asyncio.get_running_loop()

    class Source(StreamPacketSource):
        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            adapter.host = StreamPacketSink(transport)

    server = await loop.create_server(lambda: adapter.serve(Source()), "127.0.0.1", 0)
    device, _ = make_host(air, name, "C2:10:00:00:00:0A")
    faults = Faults(drop_link_ns=4_000_000_000) if drop else Faults()
    twin = Twin(find_plugin(kind), name, TwinConfig("C2:10:00:00:00:0A", faults=faults), device, 7)
    print(server.sockets[0].getsockname()[1], flush=True)
    await twin.run()


asyncio.run(main())
