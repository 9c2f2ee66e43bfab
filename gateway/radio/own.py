"""A `Radio` on a controller that the run has for itself, reached over USB, a serial port or a socket: the connection
interval, the supervision timeout and the PHY are set by the run file and read back, why a link ended is known, and all
that passes between host and controller can be kept as an HCI log."""

from __future__ import annotations

import asyncio
from contextlib import AsyncExitStack
from io import SEEK_END, FileIO
from pathlib import Path
from types import TracebackType
from typing import Self

from bumble.device import Device, DeviceConfiguration
from bumble.hci import Address
from bumble.host import Host
from bumble.snoop import BtSnooper, Snooper
from bumble.transport import open_transport

from gateway.config import AirConfig
from gateway.model.errors import AdapterError, InputError
from gateway.radio.hosted import HostedRadio

_OPENING_S = 10.0
_MAGIC = BtSnooper.IDENTIFICATION_PATTERN


class _HciLog(BtSnooper):  # type: ignore[misc]  # which is untyped
    """What passes between host and controller, added to a file. A disk that refuses ends the file, not the link."""

    def __init__(self, output: FileIO) -> None:
        self.output = output
        self._full = False
        if not output.tell():
            super().__init__(output)

    def snoop(self, hci_packet: bytes, direction: Snooper.Direction) -> None:
        if self._full:
            return
        try:
            super().snoop(hci_packet, direction)
        except OSError as error:
            self._full = True
            message = f"the HCI log {self.output.name!s} ends here: {error.strerror}"
            asyncio.get_running_loop().call_exception_handler({"message": message})

    def close(self) -> None:
        """Close the file."""
        self.output.close()


def _open_log(path: Path) -> _HciLog:
    """An HCI log to go on with, or a new one; unbuffered, so that a process that is killed leaves it whole.

    Raises:
        InputError: it can't be written, or is another kind of file.
    """
    try:
        file = FileIO(path, "a+")
        file.seek(0)
        began = file.read(len(_MAGIC))
        file.seek(0, SEEK_END)
        if began in (b"", _MAGIC):
            return _HciLog(file)
    except OSError as error:
        raise InputError(f"HCI log {path} can't be written: {error.strerror}; check the path and permissions") from None
    file.close()
    raise InputError(f"{path} exists and is not an HCI log; give snoop another file name")


class OwnRadio(HostedRadio):
    """A controller of one's own; enter it before use.

    Args:
        config: what links are to be like; the rest of it is of a virtual air and means nothing here.
        transport: how bumble reaches the controller, such as ``usb:0``, ``serial:/dev/ttyACM0,1000000`` or
            ``tcp-client:127.0.0.1:9999``.
        snoop: where to add what passes between host and controller, as btsnoop; None for nowhere.

    Raises:
        AdapterError: on entering, the controller can't be reached or does not answer.
        InputError: the HCI log can't be written.
    """

    name = "hci"

    def __init__(self, config: AirConfig, transport: str, snoop: Path | None) -> None:
        super().__init__(config)
        self.fast = config.mbit == 2
        self._transport, self._snoop = transport, snoop
        self._open = AsyncExitStack()

    async def __aenter__(self) -> Self:
        log = None if self._snoop is None else _open_log(self._snoop)
        if log is not None:
            self._open.callback(log.close)
        try:
            async with asyncio.timeout(_OPENING_S):
                transport = await self._open.enter_async_context(await open_transport(self._transport))
                config = DeviceConfiguration(name="gattest", address=Address.generate_static_address())
                self.host = Device(config=config, host=Host(transport.source, transport.sink))
                if log is not None:
                    self.host.host.snooper = log
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
