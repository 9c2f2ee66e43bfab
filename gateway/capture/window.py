"""What all capture containers share: packets, link types, and a bounded window over a file of any size."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from gateway.capture.record import Trouble
from gateway.capture.text import DAMAGED, open_bytes

H4, H4_DIRECTION, MONITOR, AIR, AIR_FACTS = 187, 201, 254, 251, 256  # link types of the tcpdump registry
PPI, LE_HEADER = 192, 272
LINK_TYPES = {
    H4: "HCI H4",
    H4_DIRECTION: "HCI H4 with direction",
    MONITOR: "Linux monitor",
    AIR: "LE link layer",
    AIR_FACTS: "LE link layer with radio facts",
    PPI: "LE link layer behind per-packet information",
    LE_HEADER: "LE link layer behind a header of 17 bytes",
}
MOST_BYTES = 1 << 18  # of one packet
MOST_GARBAGE_BYTES = 1 << 24  # looked through for the next packet
LATEST_S = 1 << 33
CHUNK = 1 << 20


class Packet(NamedTuple):
    """One captured packet.

    Attributes:
        t_ns: when, nanoseconds UTC.
        link: its link type, one of `LINK_TYPES`.
        number: its place in the file, from 1.
        source: the interface it came from, where the file has several.
    """

    t_ns: int
    link: int
    data: bytes
    number: int
    source: int = 0


class Window:
    """The part of a file being looked at: grows by what is asked for, never by what the file claims."""

    def __init__(self, path: Path, trouble: Trouble) -> None:
        self._file = open_bytes(path)
        self._trouble = trouble
        self.data = b""
        self.at = 0
        self.passed = 0  # bytes of the file before ``data``

    @property
    def place(self) -> int:
        """Where in the file the window stands."""
        return self.passed + self.at

    def has(self, count: int) -> bool:
        """Whether so many bytes follow; reads them if need be."""
        while len(self.data) - self.at < count:
            try:
                more = self._file.read1(max(CHUNK, count))  # gives what it has before it tells of damage
            except DAMAGED as error:
                self._trouble.note("file truncated or damaged", f"near byte {self.place}: {error}")
                more = b""
            if not more:
                return False
            self.passed += self.at
            self.data, self.at = self.data[self.at :] + more, 0
        return True

    def skip(self, count: int) -> None:
        """Pass over bytes without keeping them."""
        while count > 0:
            step = min(count, CHUNK)
            if not self.has(step):
                self.at = len(self.data)
                return
            self.at += step
            count -= step

    def left(self) -> int:
        """Bytes that can be seen, without reading more."""
        return len(self.data) - self.at

    def close(self) -> None:
        self._file.close()


def tell_rest(window: Window, trouble: Trouble) -> None:
    """What follows garbage without end is not looked at, and that is said."""
    if window.has(1):
        trouble.note("rest of the file, skipped after too much garbage", f"from byte {window.place}")
