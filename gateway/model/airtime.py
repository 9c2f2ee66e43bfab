"""How long LE packets take, from the packet format of the Core Specification (Vol 6, Part B, 2.1 and 2.2)."""

from __future__ import annotations

T_IFS_US = 150  # inter-frame space on LE 1M and 2M: Core Specification, Vol 6, Part B, 4.1.1
DATA_OCTETS = 251  # longest LL payload with the data length extension: Vol 6, Part B, 4.5.10
_ACCESS_ADDRESS, _HEADER, _CRC = 4, 2, 3


def packet_us(octets: int, mbit: int, mic: bool = False) -> int:
    """Time on air of one data channel packet, microseconds.

    Args:
        octets: LL payload, 0 to 251.
        mbit: PHY rate, 1 (one preamble byte) or 2 (two).
        mic: whether a message integrity check of 4 bytes follows (encrypted link, non-empty packet).

    Example: 27 octets take 296 us at 1 Mbit/s, 251 octets 1048 us at 2 Mbit/s.
    """
    return (mbit + _ACCESS_ADDRESS + _HEADER + octets + (4 if mic else 0) + _CRC) * 8 // mbit


def exchange_us(central_octets: int, peripheral_octets: int, mbit: int) -> int:
    """One exchange inside a connection event, microseconds: a packet each way, each followed by T_IFS."""
    return packet_us(central_octets, mbit) + packet_us(peripheral_octets, mbit) + 2 * T_IFS_US
