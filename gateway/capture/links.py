"""All that a foreign capture says of links: its packets, each given to what follows links of its kind. Recorders of the
air stamp a packet where it begins or where it ends; which of the two is found out from the file itself, by the spacing
that the inter-frame space of 150 us fits (Core Specification, Vol 6, Part B, 4.1.1)."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

from gateway.capture.att import Said
from gateway.capture.containers import packets
from gateway.capture.hci import Directory, HciFollower
from gateway.capture.linklayer import ADVERTISING, FACTS, AirFollower, airtime_ns, is_space
from gateway.capture.record import Trouble
from gateway.capture.window import AIR, AIR_FACTS

_BACK_NS, _AHEAD_NS = 1_000_000_000, 86_400_000_000_000  # beyond these a recorder's clock was set
_LOOKED_AT, _OTHERS = 20_000, 200  # packets


def heard_in(path: Path, directory: Directory, trouble: Trouble) -> Iterator[Said]:
    """What was heard, advertised and what happened, in the order of the file.

    Args:
        directory: names and tables, filled on the way.
        trouble: what could not be read.

    Raises:
        InputError: it can't be opened, or is of a link type that is not read.
    """
    at_end = stamped_at_end(path)
    if at_end:
        trouble.note("time stamps read as those of packets' ends, which fits their spacing", "whole file")
    hci, air = HciFollower(directory, trouble), AirFollower(directory, trouble, at_end)
    follow, of_air = (hci.take, air.take), (AIR, AIR_FACTS)
    before_ns = None
    for packet in packets(path, trouble):
        if before_ns is not None and not -_BACK_NS <= packet.t_ns - before_ns <= _AHEAD_NS:
            apart = "before" if packet.t_ns < before_ns else "more than a day after"
            trouble.note(
                f"time stamp {apart} that of the packet before it: times and rates are not to be trusted",
                f"packet {packet.number}",
            )
        before_ns = packet.t_ns
        yield from follow[packet.link in of_air](packet)
    yield from hci.end()
    yield from air.end()


def stamped_at_end(path: Path) -> bool:
    """Whether the packets of the air in a file are stamped where they end.

    Raises:
        InputError: it can't be opened, or is of a link type that is not read.
    """
    starts = ends = others = 0
    last: dict[int, tuple[int, int]] = {}  # by access address: stamp and airtime of the packet before
    for packet in islice(packets(path, Trouble()), _LOOKED_AT):
        data = packet.data
        if packet.link not in (AIR, AIR_FACTS) or len(data) < FACTS + 6:
            others += 1
            if others > _OTHERS and not last:
                return False  # a file of another kind
            continue
        phy = 0
        if packet.link == AIR_FACTS:
            phy = struct.unpack_from("<H", data, 8)[0] >> 14
            data = data[FACTS:]
        (access,) = struct.unpack_from("<I", data)
        air_ns = airtime_ns(len(data), phy)
        if access != ADVERTISING and access in last:
            before_ns, before_air_ns = last[access]
            apart_ns = packet.t_ns - before_ns
            starts += is_space(apart_ns - before_air_ns)
            ends += is_space(apart_ns - air_ns)
        last[access] = packet.t_ns, air_ns
        if len(last) > 1000:
            last.clear()
    return ends > starts
