"""Messages that say who sent them: an Ed25519 signature (RFC 8032) over topic and payload, in base64, as a user
property of the message (MQTT 5, 3.3.2.3.7)."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

PROPERTY = "signature"


def signature(key: Ed25519PrivateKey, topic: str, payload: bytes) -> tuple[str, str]:
    """The user property that signs a message."""
    return PROPERTY, base64.b64encode(key.sign(_told(topic, payload))).decode()


def refusal(keys: Mapping[str, Ed25519PublicKey], gateway: str, topic: str, payload: bytes, properties: Any) -> str:
    """Why a message is not that gateway's, "" where it is."""
    key = keys.get(gateway)
    if key is None:
        return f"gateway {gateway!r} has no key here"
    given = getattr(properties, "UserProperty", None) or []
    told = [value for name, value in given if name == PROPERTY]
    if len(told) != 1:
        return f"a message of {gateway!r} that is not signed"
    try:
        key.verify(base64.b64decode(told[0], validate=True), _told(topic, payload))
    except (InvalidSignature, ValueError):
        return f"a message that is not signed by the key of {gateway!r}"
    return ""


def _told(topic: str, payload: bytes) -> bytes:
    return topic.encode() + b"\0" + payload  # no topic holds a zero: MQTT 5, 4.7.3
