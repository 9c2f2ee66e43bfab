"""Answers BlueZ where a pairing needs a passkey: an agent (org.bluez.Agent1) on a D-Bus connection of its own. It is
the system's default agent while a link is made: BlueZ pairs by itself then, as soon as the node refuses to be read,
and makes no bond without a default agent (seen with 5.66)."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from dbus_fast import BusType, Message, MessageType
from dbus_fast.aio import MessageBus
from dbus_fast.errors import DBusError

from gateway.model.security import Pairing

_BLUEZ, _MANAGER, _MANAGER_PATH = "org.bluez", "org.bluez.AgentManager1", "/org/bluez"
_AGENT, _PATH = "org.bluez.Agent1", "/gattest/agent"


@asynccontextmanager
async def agent(pairing: Pairing) -> AsyncIterator[None]:
    """Answer for the pairings that are begun meanwhile.

    Raises:
        DBusError: BlueZ refused.
    """
    key = pairing.passkey

    def asked(message: Message) -> Message | None:
        if message.interface != _AGENT or message.path != _PATH or message.message_type is not MessageType.METHOD_CALL:
            return None
        if message.member == "RequestPasskey":
            if key is None:
                return Message.new_error(message, "org.bluez.Error.Rejected", "no passkey is known")
            return Message.new_method_return(message, "u", [key])
        return Message.new_method_return(message)  # what is only shown, or is to be confirmed: we began this pairing

    async def manager(member: str, signature: str, *body: Any) -> None:
        call = Message(_BLUEZ, _MANAGER_PATH, _MANAGER, member, signature=signature, body=list(body))
        reply = await bus.call(call)
        if reply is not None and reply.message_type is MessageType.ERROR:
            raise DBusError(reply.error_name or "", " ".join(map(str, reply.body)))

    bus = MessageBus(bus_type=BusType.SYSTEM)
    try:
        await bus.connect()
        bus.add_message_handler(asked)
        await manager("RegisterAgent", "os", _PATH, "NoInputNoOutput" if key is None else "KeyboardOnly")
        await manager("RequestDefaultAgent", "o", _PATH)
        yield
    finally:
        bus.disconnect()  # the agent goes with it
