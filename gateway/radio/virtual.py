"""A `Radio` whose air is in this process: a bumble host with a controller on an `Air`, where simulated
nodes live."""

from __future__ import annotations

import asyncio
import logging
import os
import traceback
from types import TracebackType
from typing import Any, Self

from bleak import BleakClient
from bumble.device import Device, DeviceConfiguration
from bumble.hci import Address
from bumble.host import Host

from gateway.config import AirConfig
from gateway.model.events import Connected
from gateway.radio.air import Air, AirController
from gateway.radio.hosted import HostedRadio

_QUIET_TURNS = 5  # of the loop in which nothing begins


def make_host(air: Air, name: str, address: str, **options: object) -> tuple[Device, AirController]:
    """A powered-off bumble host with its own controller on ``air``; ``options`` are those of a device."""
    controller = AirController(name, air)
    config = DeviceConfiguration(name=name, address=Address(address), **options)
    return Device(config=config, host=Host(controller, controller)), controller


def _without_late_callbacks(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """A host that is cancelled half way leaves callbacks in bumble that find nobody; they are no news."""
    error = context.get("exception")
    frames = traceback.extract_tb(error.__traceback__) if error is not None else []
    if not any("bumble" in frame.filename for frame in frames):
        loop.default_exception_handler(context)


async def _end_stragglers() -> None:
    """A host that begins to advertise again while everything ends waits for an answer that nobody gives any more;
    callbacks that are under way may begin more of that."""
    quiet = 0
    while quiet < _QUIET_TURNS:
        left = [task for task in asyncio.all_tasks() if f"{os.sep}bumble{os.sep}" in _source_of(task)]
        for task in left:
            task.cancel()
        await asyncio.gather(*left, return_exceptions=True)
        await asyncio.sleep(0)
        quiet = 0 if left else quiet + 1


def _source_of(task: asyncio.Task[Any]) -> str:
    code = getattr(task.get_coro(), "cr_code", None)
    return code.co_filename if code is not None else ""


class VirtualRadio(HostedRadio):
    """The central on a virtual air; enter it before use."""

    name = "virtual"

    def __init__(self, config: AirConfig) -> None:
        super().__init__(config)
        self.air = Air(config)
        self.host, self.controller = make_host(self.air, "gattest", "F0:00:00:00:00:01")
        self.controller.extend()

    async def __aenter__(self) -> Self:
        logging.getLogger("bumble").addHandler(logging.NullHandler())
        logging.getLogger("bumble").propagate = False
        asyncio.get_running_loop().set_exception_handler(_without_late_callbacks)
        await self.host.power_on()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.host.power_off()
        self.air.still()
        await _end_stragglers()

    def link_facts(self, client: BleakClient) -> Connected:
        """As they were configured: the air keeps to that."""
        return Connected(
            att_mtu_bytes=client.mtu_size,
            connection_interval_ms=self._config.interval_ns / 1e6,
            supervision_timeout_ms=self._config.supervision_ns / 1e6,
            phy_mbit_per_s=self._config.mbit,
        )
