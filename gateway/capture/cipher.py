"""Opens the encrypted packets of a link whose long term key the user gives; keys are never searched for. Session key
and IV: Core Specification, Vol 6, Part B, 5.1.3.1; packets: Vol 6, Part E, 1 and 2 (AES-CCM, a MIC of four bytes)."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes
from cryptography.hazmat.primitives.ciphers.aead import AESCCM

from gateway.model.errors import InputError

_MIC = 4
_CENTRAL_BIT = 1 << 39  # above the packet counter: sent by the central
_KEPT_BITS = 0xE3  # of the header's first byte: NESN, SN and MD change when a packet is sent again
_MOST_TRIED = 64  # packets of a link, until none of the keys counts as its own
_MOST_MISSED = 256  # packets in a row that the recorder may have missed


def read_keys(path: Path) -> tuple[bytes, ...]:
    """Long term keys from a file: 32 hex digits on a line, ``#`` begins a comment.

    Raises:
        InputError: it can't be read, or a line holds no key; the text never shows one.
    """
    try:
        lines = path.read_text("utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not text"
        raise InputError(f"{path} can't be read: {why}; expected a key of 32 hex digits on a line") from None
    found = []
    for number, line in enumerate(lines, 1):
        text = line.partition("#")[0].strip()
        if text and not re.fullmatch(r"[0-9a-fA-F]{32}", text):
            what = f"{len(text)} characters" if len(text) != 32 else "characters that are no hex digits"
            raise InputError(f"{path}, line {number}: {what}; expected a key of 32 hex digits")
        if text:
            found.append(bytes.fromhex(text))
    if not found:
        raise InputError(f"{path} holds no key; expected 32 hex digits on a line")
    return tuple(found)


class LinkCipher:
    """The encryption of one link, from when its sides agree on it.

    Args:
        keys: long term keys, in either order of their bytes; the first that opens a packet is taken.

    Attributes:
        missed: packets of the same sender that the recorder missed before the one opened last.
    """

    def __init__(self, keys: Sequence[bytes]) -> None:
        self._keys = [one for key in keys for one in (key, key[::-1])]
        self._half = (b"", b"")  # of the session key diversifier and the IV, the central's
        self._iv = b""
        self._ciphers: list[AESCCM] = []
        self._next = [0, 0]  # packet counters, by sender
        self._unopened = 0  # packets, while none has been opened
        self.missed = 0

    def requested(self, payload: bytes) -> None:
        """LL_ENC_REQ, of the central."""
        self._half = payload[11:19], payload[19:23]

    def responded(self, payload: bytes) -> None:
        """LL_ENC_RSP, of the peripheral: from here on the session key is known."""
        diversifier, vector = self._half
        self._iv = vector + payload[9:13]
        block = (diversifier + payload[1:9])[::-1]  # most significant octet first, as e() wants it
        self._ciphers, self._next, self._unopened = [], [0, 0], 0
        if len(block) == 16 and len(self._iv) == 8:
            for key in self._keys:
                # the security function e of Vol 3, Part H, 2.2.1 is one block of AES
                encryptor = Cipher(algorithms.AES(key), modes.ECB()).encryptor()  # noqa: S305
                self._ciphers.append(AESCCM(encryptor.update(block), tag_length=_MIC))

    def open(self, sender: int, header: int, payload: bytes) -> bytes | None:
        """The payload of a packet in clear; None where no key opens it.

        Args:
            sender: 0 for the central, 1 for the peripheral.
            header: the first byte of the PDU.
        """
        if len(payload) <= _MIC or self._unopened >= _MOST_TRIED:
            return None
        for counter in range(self._next[sender], self._next[sender] + _MOST_MISSED):
            number = counter | (0 if sender else _CENTRAL_BIT)
            nonce = number.to_bytes(5, "little") + self._iv
            for cipher in self._ciphers:
                try:
                    clear = cipher.decrypt(nonce, payload, bytes([header & _KEPT_BITS]))
                except InvalidTag:
                    continue
                self.missed = counter - self._next[sender]
                self._ciphers, self._next[sender] = [cipher], counter + 1
                return clear
        self._unopened += not any(self._next)
        return None
