"""No await on the radio without a deadline. Bluetooth stacks fail in many ways, and at times by never
answering; here all of that becomes a `RadioError` that says what was being done."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable
from typing import TypeVar

from bleak.exc import BleakGATTProtocolError

from gateway.model.errors import RadioError, RefusedError

UNWIND_S = 2.0
T = TypeVar("T")


async def within(seconds: float, what: str, work: Awaitable[T], lost: asyncio.Event | None = None) -> T:
    """Await ``work`` for at most ``seconds``, and not after ``lost`` is set.

    Whatever was started has ended when this returns, or was given `UNWIND_S` to do so.

    Raises:
        RefusedError: the node answered with an ATT error.
        RadioError: it took longer, the link was lost meanwhile, or the stack below raised something or gave up.
    """
    task = asyncio.ensure_future(work)
    ended = asyncio.ensure_future(lost.wait()) if lost is not None else None
    try:
        await asyncio.wait({task, ended} if ended else {task}, timeout=seconds, return_when=asyncio.FIRST_COMPLETED)
        if not task.done():
            if ended is not None and ended.done():
                raise RadioError(f"{what}: the link was lost before it completed")
            raise RadioError(f"{what}: no answer within {seconds:g} s")
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
        raise RefusedError(f"{what}: {error.args[1]} (ATT error 0x{error.args[0]:02X})") from error
    except Exception as error:  # whatever a Bluetooth stack raises; nothing of ours runs inside
        raise RadioError(f"{what}: {str(error) or type(error).__name__}") from error
