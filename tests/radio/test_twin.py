"""A simulated node on a controller of its own, reached over HCI."""

from __future__ import annotations

import asyncio
import socket
from pathlib import Path

import pytest
from bumble.transport import open_transport

from gateway.app.serve import serve
from gateway.config import AirConfig
from gateway.model.errors import InputError
from gateway.model.records import Outcome
from gateway.plugin import find_plugin
from gateway.radio.air import AirController
from gateway.radio.virtual import VirtualRadio
from gateway.session.discover import discover, look_for
from gateway.verify.audit import audit_table
from tests.support import figures, own_plugin, run_bench, run_file


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # bumble leaves its server socket open
def test_a_node_served_through_a_controller_passes_its_audit() -> None:
    """The controller is bumble's, behind a socket: the node talks real HCI to it and shares nothing else."""
    said: list[str] = []

    async def run() -> None:
        port, plugin = free_port(), find_plugin("loan-crate")
        async with VirtualRadio(AirConfig()) as radio, await open_transport(f"tcp-server:127.0.0.1:{port}") as wire:
            controller = AirController("served", radio.air)
            controller.set_packet_sink(wire.sink)
            wire.source.set_packet_sink(controller)
            task = asyncio.create_task(serve(plugin, f"tcp-client:127.0.0.1:{port}", said.append, "CRATE"))
            device, _ = await look_for(radio, "CRATE", 2)
            assert device is not None
            table = await discover(radio, device, "CRATE", 0.5)
            assert audit_table(table, plugin).outcome is Outcome.PASS
            await asyncio.sleep(0.2)
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    asyncio.run(run())
    assert (
        said[0].startswith("CRATE is on the air")
        and said[1].startswith("connected: ")
        and said[2].startswith("disconnected: ")
    )


@pytest.mark.parametrize(
    "controller", ["tcp-client:127.0.0.1:1", "nonsense:0", "serial:/dev/nothing,1000000", "usb:99"]
)
def test_a_controller_that_can_not_be_opened_is_told(controller: str) -> None:
    with pytest.raises(InputError, match="can't be opened"):
        asyncio.run(serve(find_plugin("loan-crate"), controller, print, "CRATE"))


def test_a_channel_without_a_sensor_is_simulated_at_a_pace_of_its_own(tmp_path: Path) -> None:
    fields = 'fields = [{ name = "x", type = "uint8" }]'
    own_plugin(tmp_path, fields)
    text = '[run]\ntitle = "t"\nradio = "virtual"\nplugins = ["plugins"]\n[node.a]\nplugin = "own"\n'
    config = run_file(tmp_path, text + 'find = { name = "A" }\n')
    run_bench(config, tmp_path / "x.db", 20)
    assert figures(tmp_path / "x.db")["a", "c", "rate"].value == pytest.approx(1, abs=0.1)
