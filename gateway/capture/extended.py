"""Extended advertisements on the air: what is too long for one packet goes on in others, to which each one points, and
which have the identifier of the set they belong to in common. Formats: Core Specification, Vol 6, Part B, 2.3.4."""

from __future__ import annotations

from typing import NamedTuple

from gateway.capture.record import Trouble

MOST_ADVERTISED = 1650  # bytes of one advertisement, with all that is chained to it: 2.3.4.9
CUT_OFF = "extended advertisement that was cut off"
_MOST_WAITING = 256
_SIZES = ((0x01, 6), (0x02, 6), (0x04, 1), (0x08, 2), (0x10, 3))  # of address, target, constant tone, set, pointer
_OFF_NS = 150_000  # that stamps of a capture may be off; half of what lies at least between two packets of a chain


class _Begun(NamedTuple):
    """What was heard of an advertisement that goes on.

    Attributes:
        from_ns, until_ns: when the next packet begins.
    """

    address: bytes
    data: bytes
    from_ns: int
    until_ns: int


class ExtendedAdvertisements:
    """Puts advertisements together from the payloads of extended advertising packets."""

    def __init__(self, trouble: Trouble) -> None:
        self._trouble = trouble
        self._begun: dict[bytes, _Begun] = {}  # by set

    def take(self, t_ns: int, payload: bytes) -> tuple[bytes, bytes] | None:
        """The advertiser's address, least significant byte first, and the data of an advertisement that is whole with
        this packet.

        Args:
            t_ns: when the packet began.

        Raises:
            IndexError: it is shorter than its header says.
        """
        size = payload[0] & 0x3F
        head, data = payload[1 : 1 + size], payload[1 + size :]
        if len(head) < size:
            raise IndexError
        address, own_set, pointer = _fields(head)
        self._forget(t_ns)
        begun = self._begun.pop(own_set, _Begun(address, b"", t_ns, t_ns))
        if t_ns < begun.from_ns or (address and begun.data):  # another one
            self._cut_off(t_ns, begun)
            begun = _Begun(address, b"", t_ns, t_ns)
        first_ns, last_ns = _window(pointer)
        whole = _Begun(address or begun.address, begun.data + data, t_ns + first_ns, t_ns + last_ns)
        if last_ns:
            if len(whole.data) > MOST_ADVERTISED or len(self._begun) >= _MOST_WAITING:
                self._cut_off(t_ns, whole)
            else:
                self._begun[own_set] = whole
        elif whole.data and not whole.address:
            self._trouble.note("end of an extended advertisement whose beginning is not in the capture", t_ns)
        elif whole.data:
            return whole.address, whole.data
        return None

    def _forget(self, t_ns: int) -> None:
        """Whatever can't go on any more."""
        for own_set in [one for one, begun in self._begun.items() if begun.until_ns < t_ns]:
            self._cut_off(t_ns, self._begun.pop(own_set))

    def _cut_off(self, t_ns: int, begun: _Begun) -> None:
        if begun.data:
            self._trouble.note(CUT_OFF, t_ns)


def _fields(head: bytes) -> tuple[bytes, bytes, bytes]:
    """Address, set and pointer of an extended header, which has only what is flagged."""
    flags, at = head[0] if head else 0, 1
    found = {}
    for flag, size in _SIZES:
        found[flag] = head[at : at + size] if flags & flag else b""
        at += size if flags & flag else 0
    if at > max(len(head), 1):
        raise IndexError
    return found[0x01], found[0x08], found[0x10]


def _window(pointer: bytes) -> tuple[int, int]:
    """How long after a packet the one it points to begins, nanoseconds; 0 for none."""
    offset = int.from_bytes(pointer[1:3], "little") & 0x1FFF if pointer else 0
    if not offset:
        return 0, 0
    unit_ns = 300_000 if pointer[0] & 0x80 else 30_000
    return offset * unit_ns - _OFF_NS, (offset + 1) * unit_ns + _OFF_NS
