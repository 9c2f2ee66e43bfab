"""Values that the application has encrypted: AES in counter mode, plain (NIST SP 800-38A) or with a message
authentication code (CCM: RFC 3610 and NIST SP 800-38C; GCM: NIST SP 800-38D). The key comes from a file or the
environment when the first value is opened; it stands in no plugin, log or message."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import ClassVar, Literal

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes
from cryptography.hazmat.primitives.ciphers.aead import AESCCM

from gateway.model.errors import EncodeError
from gateway.plugin.layout.kind import Value
from gateway.plugin.unpack.model import Held, Opened, Step

Mode = Literal["AES-CCM", "AES-GCM", "AES-CTR"]
NO_KEY = "no key from "


@cache
def _key(env: str | None, file: str | None) -> tuple[bytes, str]:
    """A key, or why there is none."""
    where = f"the environment variable {env}" if env else f"the file {file}"
    try:
        text = os.environ.get(env, "") if env else Path(file or "").expanduser().read_text(encoding="ascii")
        raw = bytes.fromhex(text.strip())
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not hexadecimal"
        return b"", f"{NO_KEY}{where}: {reason}"
    if len(raw) not in (16, 24, 32):
        return b"", f"{NO_KEY}{where}: {len(raw)} bytes found, 16, 24 or 32 expected"
    return raw, ""


@dataclass(frozen=True)
class Sealed(Step):
    """A value that is encrypted.

    Attributes:
        mode: how.
        tag: bytes of the authentication code at its end, 0 in plain counter mode.
        nonce: what it is put together from: constant bytes, and names of fields of the value, as they are sent.
        associated: the same for what is authenticated beside the content.
        env, file: where the key is, in hexadecimal.
    """

    mode: Mode
    tag: int
    nonce: tuple[bytes | str, ...]
    associated: tuple[bytes | str, ...]
    env: str | None
    file: str | None

    @property
    def text(self) -> str:
        beside = f", {_joined(self.associated)} authenticated beside it" if self.associated else ""
        code = f", its last {self.tag} bytes the authentication code" if self.tag else ""
        return f"Encrypted by {self.mode} with the nonce {_joined(self.nonce)}{code}{beside}."

    keyed: ClassVar[bool] = True

    @property
    def lacks(self) -> str:
        return _key(self.env, self.file)[1]

    def most(self, value: int) -> int:
        return value

    def take(self, held: Held, frame: int, t_ns: int, raw: bytes, opened: Opened) -> None:
        found = self.split(raw)
        if found is None:
            return
        key, missing = _key(self.env, self.file)
        if missing:
            opened.faults[frame] = missing
            return
        try:
            message = self._opened(key, self._parts(self.nonce, raw), found[2], self._parts(self.associated, raw))
        except InvalidTag:
            opened.faults[frame] = (
                "its authentication code does not fit: another key, or another nonce, or changed bytes"
            )
            return
        except ValueError as error:
            opened.faults[frame] = f"can't be decrypted: {error}"
            return
        opened.messages.add(t_ns, message, frame, frame)

    def _parts(self, parts: tuple[bytes | str, ...], raw: bytes) -> bytes:
        """Bytes put together from constants and from fields as they are sent."""
        out = b""
        for part in parts:
            if isinstance(part, bytes):
                out += part
            else:
                begins, size = self.place(part)
                out += raw[begins : begins + size]
        return out

    def place(self, name: str) -> tuple[int, int]:
        """The first byte of a field of the value, and how many it has."""
        field = next(field for field in self.layout.fields if field.name == name)
        return field.bit // 8, field.bits // 8

    def _opened(self, key: bytes, nonce: bytes, content: bytes, beside: bytes) -> bytes:
        if self.mode == "AES-CCM":
            return AESCCM(key, tag_length=self.tag).decrypt(nonce, content, beside or None)
        if self.mode == "AES-GCM":
            if len(content) < self.tag:
                raise InvalidTag
            sealed, tag = content[: -self.tag], content[-self.tag :]
            work = Cipher(algorithms.AES(key), modes.GCM(nonce, tag, min_tag_length=self.tag)).decryptor()
            work.authenticate_additional_data(beside)
            return work.update(sealed) + work.finalize()
        plain = Cipher(algorithms.AES(key), modes.CTR(nonce)).decryptor()
        return plain.update(content) + plain.finalize()

    def pack(self, message: bytes, room: int, number: int) -> list[bytes]:
        key, missing = _key(self.env, self.file)
        if missing:
            raise EncodeError(missing)
        named = [f for f in self.layout.fields if f.name in self.nonce and f.role != "sequence" and not f.type.textual]
        told: dict[str, Value] = {field.name: number % (1 << field.bits) for field in named}
        blank = self.built(told, number, b"")
        nonce, beside = self._parts(self.nonce, blank), self._parts(self.associated, blank)
        if self.mode == "AES-CCM":
            content = AESCCM(key, tag_length=self.tag).encrypt(nonce, message, beside or None)
        elif self.mode == "AES-GCM":
            work = Cipher(algorithms.AES(key), modes.GCM(nonce)).encryptor()
            work.authenticate_additional_data(beside)
            content = work.update(message) + work.finalize() + work.tag[: self.tag]
        else:
            plain = Cipher(algorithms.AES(key), modes.CTR(nonce)).encryptor()
            content = plain.update(message) + plain.finalize()
        return [self.built(told, number, content)]

    def beside(self, folder: Path) -> Sealed:
        """With the file of its key taken from a folder, where it is given without one."""
        if self.file is None or Path(self.file).expanduser().is_absolute():
            return self
        return replace(self, file=str(folder / self.file))


def _joined(parts: tuple[bytes | str, ...]) -> str:
    return " ‖ ".join(f"0x{part.hex()}" if isinstance(part, bytes) else f"`{part}`" for part in parts)
