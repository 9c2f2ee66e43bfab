"""The one seam to Bluetooth. A `Radio` hands out bleak scanners and clients; the session can't tell
whether they belong to the operating system (`system`) or to a virtual air in this process (`virtual`,
made of `air`, which plays the link layer), or to a controller of its own (`own`). The latter two are bleak backends
(`stack`) on a bumble host (`hosted`)."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, assert_never

from gateway.model.errors import AdapterError
from gateway.model.radios import RadioName
from gateway.radio.seam import Radio, Seen

if TYPE_CHECKING:
    from gateway.config import AirConfig

__all__ = ["Radio", "Seen", "open_radio"]


def open_radio(name: RadioName, air: AirConfig, transport: str = "", snoop: Path | None = None) -> Radio:
    """The radio of a name, to be entered; each is imported only when it is used.

    Args:
        air: what a virtual one is like, and what links of a controller of one's own are to be like.
        transport: how such a controller is reached.
        snoop: where to keep what passes between it and the host.

    Raises:
        AdapterError: a controller of one's own without a way to reach it.
    """
    match name:
        case RadioName.SYSTEM:
            from gateway.radio.system import SystemRadio

            return SystemRadio()
        case RadioName.VIRTUAL:
            from gateway.radio.virtual import VirtualRadio

            return VirtualRadio(air)
        case RadioName.HCI:
            from gateway.radio.own import OwnRadio

            if not transport:
                raise AdapterError('the radio hci needs a run file with transport = "usb:0" or the like under [run]')
            return OwnRadio(air, transport, snoop)
        case _:
            assert_never(name)
