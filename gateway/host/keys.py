"""Keys that sign, from files (Ed25519, RFC 8032)."""

from __future__ import annotations

import hashlib
from pathlib import Path

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import load_pem_private_key, load_pem_public_key

from gateway.model.errors import InputError

_HOW = "make one with: openssl genpkey -algorithm ed25519 -out NAME.pem"


def load_key(path: Path) -> Ed25519PrivateKey:
    """The private key of a PEM file.

    Raises:
        InputError: it can't be read, or is no Ed25519 key without a passphrase.
    """
    try:
        key = load_pem_private_key(path.read_bytes(), None)
    except OSError as error:
        raise InputError(f"{path} can't be read: {error.strerror}; {_HOW}") from None
    except (ValueError, TypeError, UnsupportedAlgorithm):
        raise InputError(f"{path} holds no private key in PEM without a passphrase; {_HOW}") from None
    if not isinstance(key, Ed25519PrivateKey):
        raise InputError(f"{path} holds a key of another kind than Ed25519; {_HOW}")
    return key


def load_public_key(path: Path) -> Ed25519PublicKey:
    """The public key of a PEM file.

    Raises:
        InputError: it can't be read, or is no Ed25519 key.
    """
    try:
        key = load_pem_public_key(path.read_bytes())
    except OSError as error:
        raise InputError(f"{path} can't be read: {error.strerror}") from None
    except (ValueError, TypeError, UnsupportedAlgorithm):
        raise InputError(f"{path} holds no public key in PEM; get it with: openssl pkey -in KEY.pem -pubout") from None
    if not isinstance(key, Ed25519PublicKey):
        raise InputError(f"{path} holds a key of another kind than Ed25519")
    return key


def fingerprint(key: Ed25519PublicKey) -> str:
    """What tells a key from others."""
    return hashlib.sha256(key.public_bytes_raw()).hexdigest()
