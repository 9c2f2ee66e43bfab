"""Where a node is reached that is to be proven: the system's radio, or a virtual one with a simulated node in reach."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from gateway.app.air import make_twin
from gateway.config import AirConfig, Faults, TwinConfig
from gateway.config.model import SIMULATED_PASSKEY
from gateway.host.passkey import with_passkey
from gateway.model.errors import InputError
from gateway.model.radios import RadioName
from gateway.model.security import Pairing
from gateway.plugin import Plugin
from gateway.radio import Radio, open_radio

_HEARING_S = 1.0
TWIN_ADDRESS = "C2:00:00:00:00:01"
SOUND = Faults()


def pairing_with(who: str, plugin: Plugin | None, radio: RadioName) -> Pairing | None:
    """What to pair a node with, a simulated one or another; None where its plugin asks for nothing.

    Raises:
        InputError: its passkey is missing.
    """
    pairing = plugin.pairing if plugin is not None else None
    if pairing is not None and radio == RadioName.VIRTUAL:
        return Pairing(pairing.security, SIMULATED_PASSKEY)
    return with_passkey(who, pairing)


@asynccontextmanager
async def air(who: str, plugin: Plugin | None, radio: RadioName, faults: Faults = SOUND) -> AsyncIterator[Radio]:
    """A radio, with a simulated node of the plugin in reach where it is the virtual one.

    Args:
        faults: what the simulated node does wrong.

    Raises:
        InputError: a virtual air without a plugin.
    """
    config = AirConfig()
    if radio == RadioName.VIRTUAL and plugin is None:
        raise InputError("a simulated node needs a plugin; specify it with --plugin")
    async with open_radio(radio, config) as opened:
        from gateway.radio.virtual import VirtualRadio

        if plugin is None or not isinstance(opened, VirtualRadio):
            yield opened
            return
        twin = make_twin(opened, plugin, who, TwinConfig(TWIN_ADDRESS, faults=faults), config.seed)
        device = twin.device
        async with asyncio.TaskGroup() as group:
            task = group.create_task(twin.run(), name="simulated node")
            try:
                yield opened
            finally:
                for link in list(device.connections.values()):
                    gone = asyncio.Event()
                    link.once("disconnection", lambda _, gone=gone: gone.set())
                    with contextlib.suppress(TimeoutError):  # the node hears of its end a connection event later
                        async with asyncio.timeout(_HEARING_S):
                            await gone.wait()
                task.cancel()
