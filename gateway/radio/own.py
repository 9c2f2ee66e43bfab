"""A `Radio` on a controller that the run has for itself, reached over USB, a serial port or a socket: the connection
interval, the supervision timeout and the PHY are set by the run file and read back, why a link ended is known, and all
that passes between host and controller can be kept as an HCI log."""

from __future__ import annotations

import asyncio
from contextlib import AsyncExitStack
from pathlib import Path
from types import TracebackType
from typing import Self

from bumble.device import Device, DeviceConfiguration
from bumble.hci import Address
from bumble.host import Host
from bumble.snoop import BtSnooper
from bumble.transport import open_transport

from gateway.config import AirConfig
from gateway.model.errors import AdapterError
from gateway.radio.hosted import HostedRadio

_OPENING_S = 10.0


class OwnRadio(HostedRadio):
    """A controller of one's own; enter it before use.

    Args:
        config: what links are to be like; the rest of it is of a virtual air and means nothing here.
        transport: how bumble reaches the controller, such as ``usb:0``, ``serial:/dev/ttyACM0,1000000`` or
            ``tcp-client:127.0.0.1:9999``.
        snoop: where to keep what passes between host and controller, as btsnoop; None for nowhere.

    Raises:
        AdapterError: on entering, the controller can't be reached or does not answer.
    """

    name = "hci"

    def __init__(self, config: AirConfig, transport: str, snoop: Path | None) -> None:
        super().__init__(config)
        self.fast = config.mbit == 2
        self._transport, self._snoop = transport, snoop
        self._open = AsyncExitStack()

    async def __aenter__(self) -> Self:
        try:
            async with asyncio.timeout(_OPENING_S):
                transport = await self._open.enter_async_context(await open_transport(self._transport))
                config = DeviceConfiguration(name="gattest", address=Address.generate_static_address())
                self.host = Device(config=config, host=Host(transport.source, transport.sink))
                if self._snoop is not None:
                    file = self._open.enter_context(self._snoop.open("wb"))
                    self.host.host.snooper = BtSnooper(file)
                await self.host.power_on()
        except Exception as error:  # whatever a driver raises: libusb, serial ports and sockets each have their own
            await self._open.aclose()
            what = "it does not answer" if isinstance(error, TimeoutError) else str(error) or type(error).__name__
            raise AdapterError(
                f"controller {self._transport!r} can't be used: {what}; use for example usb:0 or "
                "serial:/dev/ttyACM0,1000000, and make sure that the system is not using it"
            ) from None
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            async with asyncio.timeout(_OPENING_S):
                await self.host.power_off()
        except Exception:  # noqa: S110  it is being left, and may be gone
            pass
        await self._open.aclose()
