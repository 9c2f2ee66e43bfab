"""Checksums at the end of a value: cyclic redundancy checks of any width by the usual parameters (Williams, A Painless
Guide to CRC Error Detection Algorithms, 1993; from memory), sums, and exclusive or. They are worked out for many values
of one length at once, a byte of all of them at a time."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
import numpy.typing as npt

Order = Literal["little", "big"]
Words = npt.NDArray[np.uint64]
# width, poly, init, refin, refout, xorout, as catalogues of CRCs have them; each held against a library in the tests
CATALOGUE: dict[str, tuple[int, int, int, bool, bool, int]] = {
    "CRC-8/SMBUS": (8, 0x07, 0, False, False, 0),
    "CRC-8/MAXIM-DOW": (8, 0x31, 0, True, True, 0),
    "CRC-8/BLUETOOTH": (8, 0xA7, 0, True, True, 0),
    "CRC-8/AUTOSAR": (8, 0x2F, 0xFF, False, False, 0xFF),
    "CRC-8/SAE-J1850": (8, 0x1D, 0xFF, False, False, 0xFF),
    "CRC-8/NRSC-5": (8, 0x31, 0xFF, False, False, 0),
    "CRC-16/ARC": (16, 0x8005, 0, True, True, 0),
    "CRC-16/XMODEM": (16, 0x1021, 0, False, False, 0),
    "CRC-16/IBM-3740": (16, 0x1021, 0xFFFF, False, False, 0),
    "CRC-16/KERMIT": (16, 0x1021, 0, True, True, 0),
    "CRC-16/IBM-SDLC": (16, 0x1021, 0xFFFF, True, True, 0xFFFF),
    "CRC-16/MODBUS": (16, 0x8005, 0xFFFF, True, True, 0),
    "CRC-16/USB": (16, 0x8005, 0xFFFF, True, True, 0xFFFF),
    "CRC-16/DNP": (16, 0x3D65, 0, True, True, 0xFFFF),
    "CRC-16/MAXIM-DOW": (16, 0x8005, 0, True, True, 0xFFFF),
    "CRC-24/BLE": (24, 0x00065B, 0x555555, True, True, 0),
    "CRC-24/OPENPGP": (24, 0x864CFB, 0xB704CE, False, False, 0),
    "CRC-32/ISO-HDLC": (32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0xFFFFFFFF),
    "CRC-32/ISCSI": (32, 0x1EDC6F41, 0xFFFFFFFF, True, True, 0xFFFFFFFF),
    "CRC-32/BZIP2": (32, 0x04C11DB7, 0xFFFFFFFF, False, False, 0xFFFFFFFF),
    "CRC-32/MPEG-2": (32, 0x04C11DB7, 0xFFFFFFFF, False, False, 0),
    "CRC-64/XZ": (64, 0x42F0E1EBA9EA3693, (1 << 64) - 1, True, True, (1 << 64) - 1),
}


@dataclass(frozen=True, slots=True)
class Checksum:
    """What the last bytes of a value hold.

    Attributes:
        name: for people.
        kind: of which sort it is.
        width: bits, 1 to 64.
        poly, init, refin, refout, xorout: the usual parameters of a CRC; of a sum or an exclusive or, ``init`` is what
            it begins with and ``xorout`` what is applied to it in the end.
        order: byte order of its bytes.
        first: the first byte that it covers; all from there up to itself.
        negated: of a sum, whether it is its two's complement, so that all bytes add up to zero.
    """

    name: str
    kind: Literal["crc", "sum", "xor"]
    width: int
    order: Order
    first: int = 0
    poly: int = 0
    init: int = 0
    refin: bool = False
    refout: bool = False
    xorout: int = 0
    negated: bool = False

    @property
    def size(self) -> int:
        """Bytes."""
        return -(-self.width // 8)

    def of(self, body: bytes) -> int:
        """The checksum of a value that does not hold it yet.

        Example: that of ``123456789`` as CRC-16/KERMIT is 0x2189.
        """
        covered = body[self.first :]
        if self.kind != "crc":
            return int(self.of_many(np.frombuffer(body, np.uint8)[None, :])[0])
        table, wide = _numbers(self.width, self.poly, self.refin), max(self.width, 8)
        if self.refin:
            state = _reflected(self.init, self.width)
            for byte in covered:
                state = table[(state ^ byte) & 0xFF] ^ (state >> 8)
        else:
            mask, top, state = (1 << wide) - 1, wide - 8, self.init << (wide - self.width)
            for byte in covered:
                state = (table[(state >> top) ^ byte] ^ (state << 8)) & mask
            state >>= wide - self.width
        return (_reflected(state, self.width) if self.refin is not self.refout else state) ^ self.xorout

    def of_many(self, bodies: npt.NDArray[np.uint8]) -> Words:
        """The checksums of n values of one length, shape (n, length)."""
        mask = np.uint64((1 << self.width) - 1)
        covered = bodies[:, self.first :]
        if self.kind == "crc":
            return self._crc(covered)
        if self.kind == "xor":
            found = np.bitwise_xor.reduce(covered, axis=1, initial=0).astype(np.uint64)
        else:
            found = covered.sum(axis=1, dtype=np.uint64)
            found = (~found + np.uint64(1)) if self.negated else found
        result: Words = ((found + np.uint64(self.init)) & mask) ^ np.uint64(self.xorout)
        return result

    def _crc(self, covered: npt.NDArray[np.uint8]) -> Words:
        table = _table(self.width, self.poly, self.refin)
        wide = max(self.width, 8)
        eight, low = np.uint64(8), np.uint64(0xFF)
        if self.refin:
            state = np.full(len(covered), _reflected(self.init, self.width), np.uint64)
            for column in covered.T:
                state = table[(state ^ column) & low] ^ (state >> eight)
        else:
            mask, top = np.uint64((1 << wide) - 1), np.uint64(wide - 8)
            state = np.full(len(covered), self.init << (wide - self.width), np.uint64)
            for column in covered.T:
                state = (table[((state >> top) ^ column) & low] ^ (state << eight)) & mask
            state >>= np.uint64(wide - self.width)
        if self.refin is not self.refout:
            state = np.array([_reflected(one, self.width) for one in state.tolist()], np.uint64)
        result: Words = state ^ np.uint64(self.xorout)
        return result

    def appended(self, body: bytes) -> bytes:
        """A value with its checksum."""
        return body + self.of(body).to_bytes(self.size, self.order)

    def told(self, raw: bytes) -> int:
        """What the last bytes of a value say."""
        return int.from_bytes(raw[-self.size :], self.order)

    def told_of_many(self, values: npt.NDArray[np.uint8]) -> Words:
        """The same of n values of one length, shape (n, length)."""
        found = np.zeros(len(values), np.uint64)
        last = values[:, values.shape[1] - self.size :]
        for column in last.T if self.order == "big" else last.T[::-1]:
            found = (found << np.uint64(8)) | column
        return found

    def refusal(self, told: int, found: int) -> str:
        """Why a value is refused, in words."""
        digits = -(-self.width // 4)
        return f"{self.name} is 0x{told:0{digits}X}, but 0x{found:0{digits}X} follows from the bytes before it"


def _reflected(number: int, bits: int) -> int:
    return int(f"{number:0{bits}b}"[::-1], 2)


@cache
def _table(width: int, poly: int, refin: bool) -> Words:
    return np.array(_numbers(width, poly, refin), np.uint64)


@cache
def _numbers(width: int, poly: int, refin: bool) -> list[int]:
    """What each byte makes of an empty register."""
    wide = max(width, 8)
    top, mask = 1 << (wide - 1), (1 << wide) - 1
    aligned, turned = poly << (wide - width), _reflected(poly, width)
    entries = []
    for byte in range(256):
        state = byte if refin else byte << (wide - 8)
        for _ in range(8):
            if refin:
                state = (state >> 1) ^ (turned if state & 1 else 0)
            else:
                state = ((state << 1) ^ (aligned if state & top else 0)) & mask
        entries.append(state)
    return entries
