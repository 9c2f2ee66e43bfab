"""The one seam to Bluetooth. A `Radio` hands out bleak scanners and clients; the session can't tell
whether they belong to the operating system (`system`) or to a virtual air in this process (`virtual`,
made of `air`, which plays the link layer, and `stack`, a bleak backend on a bumble host)."""

from __future__ import annotations

from typing import TYPE_CHECKING, assert_never

from gateway.model.radios import RadioName
from gateway.radio.seam import Radio, Seen

if TYPE_CHECKING:
    from gateway.config import AirConfig

__all__ = ["Radio", "Seen", "open_radio"]


def open_radio(name: RadioName, air: AirConfig) -> Radio:
    """The radio of a name, to be entered; each is imported only when it is used.

    Args:
        air: what a virtual one is like.
    """
    match name:
        case RadioName.SYSTEM:
            from gateway.radio.system import SystemRadio

            return SystemRadio()
        case RadioName.VIRTUAL:
            from gateway.radio.virtual import VirtualRadio

            return VirtualRadio(air)
        case _:
            assert_never(name)
