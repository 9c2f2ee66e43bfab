"""Whether a server keeps to the rules of the Attribute Protocol on a bearer of which every PDU was seen: it answers
what was asked, in time, within what was asked for, with no more than fits, and indicates one value at a time. Sections:
Core Specification 5.4, Vol 3, Part F; from memory."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

TIMEOUT_S = 30.0  # 3.3.3
MOST_BREACHES = 50  # kept of a server
REQUESTS = frozenset({0x02, 0x04, 0x06, 0x08, 0x0A, 0x0C, 0x0E, 0x10, 0x12, 0x16, 0x18, 0x20})
RESPONSES = frozenset({0x01, 0x03, 0x05, 0x07, 0x09, 0x0B, 0x0D, 0x0F, 0x11, 0x13, 0x17, 0x19, 0x21})
_RANGED = frozenset({0x04, 0x06, 0x08, 0x10})  # requests for what lies between two handles
_INDICATION, _CONFIRMATION = 0x1D, 0x1E
_PUSHED = frozenset({0x1B, 0x1D, 0x23})

Breach = tuple[str, str]  # what was found, what was expected


@dataclass(slots=True)
class _Request:
    opcode: int
    t_ns: int
    first: int = 1
    last: int = 0xFFFF
    overdue: bool = False


@dataclass(slots=True)
class Conduct:
    """What a server does wrong, for each side of a bearer."""

    breaches: tuple[list[Breach], list[Breach]] = field(default_factory=lambda: ([], []))
    _asked: dict[int, _Request] = field(default_factory=dict)  # by client
    _indicated: set[int] = field(default_factory=set)  # servers whose indication waits to be confirmed
    _began: bool = False  # a request was seen: what is answered from now on was asked

    @property
    def idle(self) -> bool:
        """Whether nobody waits for a response."""
        return not self._asked

    def take(self, t_ns: int, sender: int, pdu: bytes, mtu: int | None) -> None:
        """One PDU, before it is followed.

        Args:
            mtu: of the bearer, None while it is not known.
        """
        opcode = pdu[0]
        for client, asked in self._asked.items():
            if not asked.overdue and t_ns - asked.t_ns > TIMEOUT_S * 1e9:
                asked.overdue = True
                self._note(1 - client, f"request 0x{asked.opcode:02X} not answered within 30 s", "a response (3.3.3)")
        if mtu is not None and len(pdu) > mtu and (opcode in RESPONSES or opcode in _PUSHED):
            self._note(sender, f"PDU 0x{opcode:02X} of {len(pdu)} bytes", f"at most {mtu}, the ATT_MTU (3.2.8)")
        if opcode in REQUESTS:
            self._began = True
            first, last = struct.unpack_from("<HH", pdu, 1) if opcode in _RANGED else (1, 0xFFFF)
            self._asked[sender] = _Request(opcode, t_ns, first, last)
        elif opcode in RESPONSES and self._began:
            self._answered(sender, pdu, self._asked.pop(1 - sender, None))
        elif opcode == _INDICATION:
            if sender in self._indicated:
                self._note(sender, "an indication before the previous one was confirmed", "one at a time (3.3.2)")
            self._indicated.add(sender)
        elif opcode == _CONFIRMATION:
            self._indicated.discard(1 - sender)

    def _note(self, server: int, found: str, expected: str) -> None:
        if len(self.breaches[server]) < MOST_BREACHES and (found, expected) not in self.breaches[server]:
            self.breaches[server].append((found, expected))

    def _answered(self, server: int, pdu: bytes, asked: _Request | None) -> None:
        opcode = pdu[0]
        if asked is None:
            self._note(server, f"response 0x{opcode:02X} without a request", "one for each request (3.3.2)")
        elif opcode == 0x01:
            if pdu[1] != asked.opcode:
                found = f"an error for request 0x{pdu[1]:02X} while 0x{asked.opcode:02X} was pending"
                self._note(server, found, "the pending request (3.4.1.1)")
        elif opcode != asked.opcode + 1:
            found = f"response 0x{opcode:02X} to request 0x{asked.opcode:02X}"
            self._note(server, found, f"0x{asked.opcode + 1:02X} or an error (3.4)")
        elif asked.opcode in _RANGED:
            handles = _handles(pdu)
            if not handles:
                self._note(server, f"response 0x{opcode:02X} without an attribute", "at least one, or an error (3.4)")
            elif handles != sorted(set(handles)):
                shown = ", ".join(f"0x{handle:04X}" for handle in handles[:6])
                self._note(server, f"handles {shown} in response 0x{opcode:02X}", "in ascending order (3.4.3, 3.4.4)")
            elif handles[0] < asked.first or handles[-1] > asked.last:
                found = f"handles 0x{handles[0]:04X} to 0x{handles[-1]:04X} in response 0x{opcode:02X}"
                self._note(server, found, f"0x{asked.first:04X} to 0x{asked.last:04X}, as requested (3.4.3, 3.4.4)")


def _handles(pdu: bytes) -> list[int]:
    """The handles in a response that lists attributes."""
    if pdu[0] == 0x07:
        start, step = 1, 4
    else:
        start, step = 2, pdu[1]
        step = {1: 4, 2: 18}.get(step, 0) if pdu[0] == 0x05 else step
    if step < 2:
        raise IndexError
    return [int.from_bytes(pdu[at : at + 2], "little") for at in range(start, len(pdu) - step + 1, step)]
