"""Encrypt a link to a node that asks for that, within a time."""

from __future__ import annotations

import asyncio

from bleak import BleakClient
from bleak.backends.device import BLEDevice

from gateway.model.errors import NodeError, RadioError, UnansweredError
from gateway.model.events import Encrypted
from gateway.model.security import Pairing
from gateway.radio import Radio
from gateway.session.deadline import within

PAIR_S = 30.0  # the Security Manager's own timeout: Core Specification, Vol 3, Part H, 3.4


async def encrypt(
    radio: Radio, client: BleakClient, device: BLEDevice, pairing: Pairing, lost: asyncio.Event
) -> Encrypted:
    """Encrypt a link, and pair where there is no bond yet.

    Raises:
        NodeError: the node would not, for example because the passkey is another.
        RadioError: the link was lost, or nothing came of it in time.
    """
    try:
        paired = await within(PAIR_S, "pairing", radio.secure(client, device, pairing), lost)
    except (NodeError, UnansweredError):
        raise
    except RadioError as error:
        if lost.is_set():
            raise
        which = "" if pairing.passkey is None else "; check the passkey"
        raise NodeError(f"{error}{which}, and whether the node holds a bond that this computer has lost") from error
    return Encrypted(security=pairing.security.value, paired=paired)
