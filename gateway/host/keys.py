"""Keys that sign, from files (Ed25519, RFC 8032)."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import load_pem_private_key, load_pem_public_key

from gateway.model.errors import InputError

_MAKE = "make one with: openssl genpkey -algorithm ed25519 -out NAME.pem"
_GET = "get it with: openssl pkey -in KEY.pem -pubout"


def load_key(path: Path) -> Ed25519PrivateKey:
    """The private key of a PEM file.

    Raises:
        InputError: it can't be read, or is no Ed25519 key without a passphrase.
    """
    key = _loaded(path, lambda pem: load_pem_private_key(pem, None), "private key", _MAKE)
    if isinstance(key, Ed25519PrivateKey):
        return key
    raise InputError(f"{path} holds a key of another kind than Ed25519; {_MAKE}")


def load_public_key(path: Path) -> Ed25519PublicKey:
    """The public key of a PEM file.

    Raises:
        InputError: it can't be read, or is no Ed25519 key.
    """
    key = _loaded(path, load_pem_public_key, "public key", _GET)
    if isinstance(key, Ed25519PublicKey):
        return key
    raise InputError(f"{path} holds a key of another kind than Ed25519; {_GET}")


def _loaded(path: Path, load: Callable[[bytes], object], what: str, advice: str) -> object:
    try:
        return load(path.read_bytes())
    except OSError as error:
        raise InputError(f"{path} can't be read: {error.strerror}; {advice}") from None
    except (ValueError, TypeError, UnsupportedAlgorithm):
        raise InputError(f"{path} holds no {what} in PEM without a passphrase; {advice}") from None


def fingerprint(key: Ed25519PublicKey) -> str:
    """What tells a key from others: the SHA-256 of its 32 bytes, in hex."""
    return hashlib.sha256(key.public_bytes_raw()).hexdigest()
