"""The charge of radio events, phase by phase, after Kindt, Yunge, Diemer and Chakraborty, Energy Modeling for the
Bluetooth Low Energy Protocol (ACM Transactions on Embedded Computing Systems 19, 2020). All in coulombs, amperes and
seconds."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from gateway.energy.draws import Draws, Floats
from gateway.model.airtime import packet_us

_AROUND = ("head", "preprocessing", "preamble", "transient", "postprocessing", "tail")
ADVERTISER_ADDRESS = 6  # bytes before the advertising data: Core Specification, Vol 6, Part B, 2.3.1
ADV_DELAY_MEAN_S = 0.005  # of 0 to 10 ms: Vol 6, Part B, 4.4.2.2.1


def charge(draws: Draws, phases: Iterable[str]) -> Floats | float:
    """Of phases, one after another."""
    return sum(draws[f"radio.{name}.current"] * draws[f"radio.{name}.time"] for name in phases)


def around(draws: Draws) -> Floats | float:
    """What every event takes before and after its packets."""
    return charge(draws, _AROUND)


def widening_s(interval_s: float, ppm: float) -> float:
    """How much longer a receive window is, both clocks off by ``ppm`` to either side."""
    return 2 * ppm * 1e-6 * interval_s


def pair(draws: Draws, received: int, sent: int, mbit: int) -> Floats | float:
    """A packet received and one sent, of so many bytes of link layer payload, after another pair."""
    phases = charge(draws, ("before_receive", "receive_to_send", "before_send", "send_to_receive"))
    return phases + packets(draws, received, sent, mbit) + draws["radio.correction"]


def packets(draws: Draws, received: int, sent: int, mbit: int) -> Floats | float:
    """The packets themselves."""
    received_s, sent_s = packet_us(received, mbit) / 1e6, packet_us(sent, mbit) / 1e6
    return draws["radio.receive"] * received_s + draws["radio.send"] * sent_s


def connection_event(
    draws: Draws, pairs: Sequence[tuple[int, int]], interval_s: float, ppm: float, mbit: int = 1
) -> Floats | float:
    """A connection event of a peripheral.

    Args:
        pairs: bytes of link layer payload received and sent, 0 for an empty packet.
        interval_s: time since the event before, by which the first receive window widens.
    """
    total = around(draws) + sum(pair(draws, received, sent, mbit) for received, sent in pairs)
    first_s = draws["radio.first_receive"] - draws["radio.before_receive.time"] + widening_s(interval_s, ppm)
    total = total + first_s * draws["radio.before_receive.current"]
    return total - charge(draws, ("send_to_receive",))  # after the last packet it goes to sleep


def advertising_event(draws: Draws, octets: int, channels: int = 3) -> Floats | float:
    """An advertising event that nobody answers.

    Args:
        octets: bytes of advertising data.
    """
    sent_s = (2 + ADVERTISER_ADDRESS + octets + 1 + 4 + 3) * 8e-6
    one = charge(draws, ("before_send", "send_to_receive", "before_receive")) + draws["radio.send"] * sent_s
    between = charge(draws, ("receive_to_send",))
    return around(draws) + channels * (one + draws["radio.correction"]) + (channels - 1) * between
