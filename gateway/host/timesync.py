"""Whether the system's clock is held to UTC, and how far it may be off by its own estimate: what the kernel says of it
(adjtimex, as NTP daemons set it). Linux only; elsewhere nothing is known."""

from __future__ import annotations

import ctypes
import struct
import sys
from typing import NamedTuple

_TIMEX = struct.Struct("@Iqqqqi")  # modes, offset, freq, maxerror, esterror, status: what of struct timex is read
_ROOM = 512  # more than the structure takes on any machine
_UNSYNCHRONISED = 0x0040  # STA_UNSYNC of linux/timex.h


class Synchronised(NamedTuple):
    """Whether a daemon holds the clock to UTC, and its largest and its likely error, seconds."""

    held: bool
    most_s: float
    likely_s: float


def synchronised() -> Synchronised | None:
    """What the kernel says of the clock, None where it says nothing."""
    if not sys.platform.startswith("linux") or struct.calcsize("P") != 8:
        return None
    try:
        state = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return None
    buffer = ctypes.create_string_buffer(_ROOM)  # all zero: only read
    if state(buffer) < 0:
        return None
    _, _, _, most_us, likely_us, status = _TIMEX.unpack_from(buffer.raw)
    return Synchronised(not status & _UNSYNCHRONISED, most_us / 1e6, likely_us / 1e6)
