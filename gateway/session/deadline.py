"""No await on the radio without a deadline. Bluetooth stacks fail in many ways, and at times by never
answering; here all of that becomes a `RadioError` that says what was being done."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable
from typing import TypeVar

from bleak import BleakClient
from bleak.exc import BleakBluetoothNotAvailableError, BleakDBusError, BleakGATTProtocolError

from gateway.model.errors import GoneError, RadioError, RefusedError, UnansweredError

UNWIND_S = 2.0
REQUEST_S = 10.0
DISCONNECT_S = 5.0
_GONE = {  # D-Bus errors after which a client will never answer again
    "org.freedesktop.DBus.Error.UnknownObject",
    "org.freedesktop.DBus.Error.ServiceUnknown",
    "org.freedesktop.DBus.Error.Spawn.ChildExited",
    "org.freedesktop.DBus.Error.Disconnected",
}
_INSUFFICIENT = {0x05, 0x08, 0x0C, 0x0F}  # authentication, authorization, key size, encryption: Vol 3, Part F, 3.4.1.1
_PROTECT = "; a plugin that declares security has the node paired first"
T = TypeVar("T")


async def within(seconds: float, what: str, work: Awaitable[T], lost: asyncio.Event | None = None) -> T:
    """Await ``work`` for at most ``seconds``, and not after ``lost`` is set.

    Whatever was started has ended when this returns, or was given `UNWIND_S` to do so.

    Raises:
        RefusedError: the node answered with an ATT error.
        GoneError: the system no longer knows the device, or has stopped its Bluetooth service.
        RadioError: it took longer, the link was lost meanwhile, or the stack below raised something or gave up.
    """
    task = asyncio.ensure_future(work)
    ended = asyncio.ensure_future(lost.wait()) if lost is not None else None
    try:
        await asyncio.wait({task, ended} if ended else {task}, timeout=seconds, return_when=asyncio.FIRST_COMPLETED)
        if not task.done():
            if ended is not None and ended.done():
                raise RadioError(f"{what}: the link was lost before it completed")
            raise UnansweredError(f"{what}: no answer within {seconds:g} s")
    finally:
        left = {one for one in (task, ended) if one is not None and not one.done()}
        for one in left:
            one.cancel()
        if left:
            await asyncio.wait(left, timeout=UNWIND_S)
        if task.done() and not task.cancelled():
            task.exception()  # no news to whoever has given it up, or is given up in the same moment
    if task.cancelled():
        raise RadioError(f"{what}: cancelled by the Bluetooth stack")
    try:
        return task.result()
    except RadioError:
        raise
    except BleakGATTProtocolError as error:
        hint = _PROTECT if error.args[0] in _INSUFFICIENT else ""
        raise RefusedError(f"{what}: {error.args[1]} (ATT error 0x{error.args[0]:02X}){hint}") from error
    except Exception as error:  # whatever a Bluetooth stack raises; nothing of ours runs inside
        gone = isinstance(error, BleakDBusError) and error.dbus_error in _GONE
        raise (GoneError if gone else RadioError)(f"{what}: {_said(error)}") from error


def _said(error: Exception) -> str:
    """An error of the stack in one line."""
    text = str(error.args[0]) if isinstance(error, BleakBluetoothNotAvailableError) and error.args else str(error)
    return " ".join(text.split()) or type(error).__name__


async def request(what: str, work: Awaitable[T], lost: asyncio.Event | None = None) -> T:
    """Await one request of a node, for `REQUEST_S`.

    Raises:
        RefusedError, GoneError, RadioError: as `within`.
    """
    try:
        return await within(REQUEST_S, what, work, lost)
    except UnansweredError as error:
        raise UnansweredError(f"{error}; a node that asks for pairing leaves it so where nobody pairs it") from None


async def disconnect(client: BleakClient) -> str:
    """End a link, also one that was lost: only this releases what the system holds for it, and without it the next link
    delivers each value once more. What went wrong, "" for nothing."""
    try:
        await within(DISCONNECT_S, "disconnecting", client.disconnect())
    except RadioError as error:
        return str(error)
    return ""
