"""A virtual air that behaves like one where it matters to a test: data moves at connection events on the
connection interval, an event carries only as many packets as their airtime allows, packets are lost and
sent again, and a link that hears nothing dies at its supervision timeout. Controllers are bumble's and
speak real HCI to their hosts; what the air adds is the link layer's timing, which bumble leaves out.

Simplified, on purpose: an acknowledgement is never lost by itself, channel hopping and clock drift have
no effect, and the links of one central share its time in equal parts of each interval."""

from __future__ import annotations

import asyncio
import random
from collections import Counter, defaultdict, deque
from dataclasses import dataclass, field
from typing import Any

from bumble import hci, ll
from bumble.controller import Connection, Controller, LegacyAdvertiser
from bumble.core import PhysicalTransport
from bumble.link import LocalLink

from gateway.config import AirConfig
from gateway.model.airtime import DATA_OCTETS, exchange_us

_ADV_DELAY_MAX_S = 0.010  # advDelay: Core Specification, Vol 6, Part B, 4.4.2.2.1
_SIGNAL_DBM = -50
_BUFFERS = 8  # ACL packets a controller takes from its host; common practice for small LE controllers
_REFILL_S = 0.0001  # within which a host that was told of a sent packet hands over the next
_EXTENDED = hci.LeFeatureMask.LE_EXTENDED_ADVERTISING
_EXTENDED_REPORTS = (0x01,)  # connectable: Vol 4, Part E, 7.7.65.13
_LEGACY_REPORTS = (0x13, 0x1B)  # ADV_IND, and the scan response to it
_UNITS_INTERVAL_S = 0.00125
_UNITS_TIMEOUT_S = 0.010


class _Advertiser(LegacyAdvertiser):  # type: ignore[misc]  # bumble is not typed for mypy
    """Advertises on the interval the host asked for (bumble takes its 0.625 ms units as milliseconds)."""

    def _on_timer_fired(self) -> None:
        self.send_advertising_data()
        delay = self.advertising_interval_min * 0.000625 + self.controller.link.chance.uniform(0, _ADV_DELAY_MAX_S)
        self.timer_handle = asyncio.get_running_loop().call_later(delay, self._on_timer_fired)

    def send_advertising_data(self) -> None:
        """Whatever the type; bumble leaves out advertisements that can't be connected to."""
        if self.enabled:
            self.controller.send_advertising_pdu(ll.AdvInd(advertiser_address=self.address, data=self.advertising_data))


class AirController(Controller):  # type: ignore[misc]
    """A bumble controller whose ACL packets count as sent only once the air has carried them."""

    # Plain connection events only; bumble answers no others completely.
    le_features = Controller.le_features & ~(
        hci.LeFeatureMask.LL_PRIVACY | _EXTENDED | hci.LeFeatureMask.LE_PERIODIC_ADVERTISING
    )
    le_acl_data_packet_length = DATA_OCTETS
    total_num_le_acl_data_packets = _BUFFERS
    supported_commands = Controller.supported_commands | {hci.HCI_READ_RSSI_COMMAND}

    def __init__(self, name: str, air: Air) -> None:
        super().__init__(name, link=air)
        self.le_legacy_advertiser = _Advertiser(self)
        self.silent = False
        self.fragments = 0
        self.pending_le_connection: Any = None

    def extend(self) -> None:
        """Have it advertise and hear extended advertisements too; before its host is powered on."""
        self.le_features |= _EXTENDED

    def on_advertising_pdu(self, pdu: Any) -> None:
        """Bumble reports each extended advertisement twice, and legacy ones as if they were extended."""
        if not self.le_scan_enable or not self.le_features & _EXTENDED:
            super().on_advertising_pdu(pdu)
            return
        for kind in _EXTENDED_REPORTS if isinstance(pdu, ll.AdvExtInd) else _LEGACY_REPORTS:
            report = hci.HCI_LE_Extended_Advertising_Report_Event.Report(
                event_type=kind,
                address_type=pdu.advertiser_address.address_type,
                address=pdu.advertiser_address,
                primary_phy=hci.Phy.LE_1M,
                secondary_phy=hci.Phy.LE_1M if isinstance(pdu, ll.AdvExtInd) else 0,
                advertising_sid=pdu.sid if isinstance(pdu, ll.AdvExtInd) else 0xFF,
                tx_power=127,
                rssi=_SIGNAL_DBM,
                periodic_advertising_interval=0,
                direct_address_type=0,
                direct_address=hci.Address.ANY,
                data=pdu.data,
            )
            self.send_hci_packet(hci.HCI_LE_Extended_Advertising_Report_Event([report]))
        pending = self.pending_le_connection
        if pending is not None and pending.peer_address == pdu.advertiser_address:
            self.create_le_connection(pdu.advertiser_address)

    def on_hci_acl_data_packet(self, packet: Any) -> None:
        connection = self.find_connection_by_handle(packet.connection_handle)
        if connection is not None:
            self.fragments += 1
            connection.assembler.feed_packet(packet)

    def sent(self, connection: Connection, packets: int) -> None:
        """Tell the host that the air has carried ``packets`` of its ACL packets."""
        self.send_hci_packet(
            hci.HCI_Number_Of_Completed_Packets_Event(
                connection_handles=[connection.handle], num_completed_packets=[packets]
            )
        )

    def on_hci_read_rssi_command(self, command: Any) -> Any:
        """A bumble controller hears every advertisement at -50 dBm, and answers no such command itself."""
        return hci.HCI_Read_RSSI_ReturnParameters(hci.HCI_ErrorCode.SUCCESS, handle=command.handle, rssi=_SIGNAL_DBM)

    def on_hci_le_create_connection_cancel_command(self, command: Any) -> Any:
        if self.pending_le_connection is not None:
            pending, self.pending_le_connection = self.pending_le_connection, None
            self.send_hci_packet(
                hci.HCI_LE_Connection_Complete_Event(
                    status=hci.HCI_ErrorCode.UNKNOWN_CONNECTION_IDENTIFIER_ERROR,
                    connection_handle=0,
                    role=hci.Role.CENTRAL,
                    peer_address_type=pending.peer_address.address_type,
                    peer_address=pending.peer_address,
                    connection_interval=0,
                    peripheral_latency=0,
                    supervision_timeout=0,
                    central_clock_accuracy=0,
                )
            )
        return super().on_hci_le_create_connection_cancel_command(command)


@dataclass(slots=True)
class _Pdu:
    """An L2CAP PDU on its way: bytes still to send, and the HCI packets it came in."""

    data: bytes
    left: int
    packets: int


@dataclass(slots=True)
class Counted:
    """What one side of a link really did, for whoever reckons with it.

    Attributes:
        events: connection events it took part in.
        pairs: pairs of packets in them, by the bytes received and sent.
        advertised: advertising events.
    """

    events: int = 0
    pairs: Counter[tuple[int, int]] = field(default_factory=Counter)
    advertised: int = 0


@dataclass(slots=True)
class _End:
    """One side of a link."""

    controller: AirController
    address: hci.Address
    heard: float
    queue: deque[_Pdu] = field(default_factory=deque)

    @property
    def next_octets(self) -> int:
        """Payload of the next packet it sends, 0 for an empty one."""
        return min(self.queue[0].left, DATA_OCTETS) if self.queue else 0


class _Link:
    """A connection: anchors every interval, until somebody ends it or nobody hears anything."""

    def __init__(self, air: Air, central: _End, peripheral: _End, interval: float, timeout: float) -> None:
        self.air = air
        self.central, self.peripheral = central, peripheral
        self.interval, self.timeout = interval, timeout
        self.loop = asyncio.get_running_loop()
        self.anchor = self.loop.time() + interval
        self.counted_to = self.loop.time()  # the anchor up to which events were counted
        self.timer: asyncio.TimerHandle | None = None
        self.open = True
        self.plan()

    def end_at(self, address: hci.Address) -> _End:
        return self.central if self.central.address == address else self.peripheral

    def other(self, end: _End) -> _End:
        return self.peripheral if end is self.central else self.central

    def next_anchor(self) -> float:
        """Time of the next connection event."""
        late = self.loop.time() - self.anchor
        if late >= 0:
            self.anchor += self.interval * (int(late / self.interval) + 1)
        return self.anchor

    def plan(self) -> None:
        """Set the timer for the next event, unless nothing can happen in it."""
        idle = not (self.central.queue or self.peripheral.queue)
        if self.open and self.timer is None and not (idle and self.air.flawless(self)):
            self.timer = self.loop.call_at(self.next_anchor(), self.event)

    def event(self) -> None:
        """A connection event begins."""
        if self.air.flawless(self):
            self.central.heard = self.peripheral.heard = self.loop.time()
        budget = self.interval / self.air.links_of(self.central.controller)
        self.exchange(self.anchor, 0.0, budget)

    def exchange(self, start: float, used: float, budget: float) -> None:
        """A packet each way, and another exchange after it while both hear, somebody has more, and it fits.

        Args:
            start: time of the event's anchor, seconds of the loop's clock.
            used: seconds of the event already spent.
            budget: seconds the event may take.
        """
        if not self.open:
            return
        down, up = self.central.next_octets, self.peripheral.next_octets
        took = exchange_us(down, up, self.air.config.mbit) / 1e6
        counted = self.air.counted[str(self.peripheral.address)]
        if used and (used + took > budget or not (down or up)):
            self.close_event()
            return
        self.count_idle(start)
        counted.events += not used
        counted.pairs[down, up] += 1
        used += took
        if self.carry(self.central, down, start + used) and self.carry(self.peripheral, up, start + used):
            after = start + used + _REFILL_S
            self.timer = self.loop.call_at(after, self.exchange, start, used, budget)
        else:
            self.close_event()

    def count_idle(self, until: float) -> None:
        """Events in which nothing could happen, and which no timer was set for."""
        idle = round((until - self.counted_to) / self.interval) - 1
        if idle > 0:
            counted = self.air.counted[str(self.peripheral.address)]
            counted.events += idle
            counted.pairs[0, 0] += idle
        self.counted_to = max(self.counted_to, until)

    def close_event(self) -> None:
        """A connection event is over: plan the next, or die of silence."""
        self.timer = None
        now = self.loop.time()
        if any(now - end.heard > self.timeout for end in (self.central, self.peripheral)):
            self.die()
        else:
            self.plan()

    def carry(self, sender: _End, octets: int, when: float) -> bool:
        """Send one packet of ``octets`` (0 for an empty one); False when it was lost."""
        if self.air.loses_packet(self):
            return False
        receiver = self.other(sender)
        receiver.heard = self.loop.time()
        if octets:
            pdu = sender.queue[0]
            pdu.left -= octets
            if pdu.left == 0:
                sender.queue.popleft()
                self.loop.call_at(when, self.deliver, sender, receiver, pdu)
        return True

    def deliver(self, sender: _End, receiver: _End, pdu: _Pdu) -> None:
        if not self.open:
            return
        connection = sender.controller.le_connections.get(receiver.address)
        if connection is not None:
            sender.controller.sent(connection, pdu.packets)
        receiver.controller.on_link_acl_data(sender.address, PhysicalTransport.LE, pdu.data)

    def control(self, sender: _End, packet: ll.ControlPdu) -> None:
        """Deliver a control PDU at the next event that carries it."""
        when = self.next_anchor()
        while self.air.chance.random() < self.air.config.packet_errors:
            when += self.interval
        receiver = self.other(sender)
        if isinstance(packet, ll.TerminateInd):
            self.close()
        if not (sender.controller.silent or receiver.controller.silent):
            self.loop.call_at(when, self.arrive, sender, receiver, packet)
        elif isinstance(packet, ll.TerminateInd):
            self.loop.call_later(self.timeout, self.drop, receiver, hci.HCI_ErrorCode.CONNECTION_TIMEOUT_ERROR)

    def arrive(self, sender: _End, receiver: _End, packet: ll.ControlPdu) -> None:
        if not self.air.stilled and sender.address in receiver.controller.le_connections:
            receiver.controller.on_ll_control_pdu(sender.address, packet)

    def drop(self, end: _End, reason: int) -> None:
        connection = end.controller.le_connections.get(self.other(end).address)
        if connection is not None and not self.air.stilled:
            end.controller.on_le_disconnected(connection, reason)

    def die(self) -> None:
        """The supervision timeout has passed on one side; the other follows within the same interval."""
        self.close()
        for end in (self.central, self.peripheral):
            self.drop(end, hci.HCI_ErrorCode.CONNECTION_TIMEOUT_ERROR)

    def close(self) -> None:
        self.open = False
        self.count_idle(self.loop.time())
        if self.timer is not None:
            self.timer.cancel()
            self.timer = None
        self.air.links.remove(self)


class Air(LocalLink):  # type: ignore[misc]
    """What the virtual controllers share.

    Args:
        config: PHY, packet errors and seed; interval and timeout come from the central's host.
    """

    def __init__(self, config: AirConfig) -> None:
        super().__init__()
        self.config = config
        self.chance = random.Random(config.seed)  # noqa: S311  repeatable, not secret
        self.links: list[_Link] = []
        self.counted: dict[str, Counted] = defaultdict(Counted)  # by address of the peripheral
        self.stilled = False

    def flawless(self, link: _Link) -> bool:
        """Whether every packet of this link arrives."""
        silent = link.central.controller.silent or link.peripheral.controller.silent
        return not (silent or self.config.packet_errors)

    def loses_packet(self, link: _Link) -> bool:
        if link.central.controller.silent or link.peripheral.controller.silent:
            return True
        errors = self.config.packet_errors
        return errors > 0 and self.chance.random() < errors

    def still(self) -> None:
        """Carry nothing more: after this no link ends or delivers, and no side is told that the other ended one."""
        self.stilled = True
        for link in list(self.links):
            link.close()

    def links_of(self, central: AirController) -> int:
        return sum(link.central.controller is central for link in self.links)

    def silence(self, controller: AirController, silent: bool) -> None:
        """Take a controller off the air (battery out, out of range) or bring it back."""
        controller.silent = silent
        for link in list(self.links):
            if controller in (link.central.controller, link.peripheral.controller):
                now = link.loop.time()
                link.central.heard = max(link.central.heard, now - link.interval)
                link.peripheral.heard = max(link.peripheral.heard, now - link.interval)
                link.plan()

    def _link(self, one: hci.Address, other: hci.Address) -> _Link | None:
        ends = {str(one), str(other)}
        return next((k for k in self.links if {str(k.central.address), str(k.peripheral.address)} == ends), None)

    # What bumble's controllers call.

    def send_acl_data(
        self, sender_controller: AirController, destination_address: hci.Address, transport: Any, data: bytes
    ) -> None:
        packets, sender_controller.fragments = sender_controller.fragments, 0
        connection = sender_controller.le_connections.get(destination_address)
        link = self._link(connection.self_address, destination_address) if connection else None
        if connection is None or link is None:
            return
        link.end_at(connection.self_address).queue.append(_Pdu(data, len(data), packets))
        link.plan()

    def send_advertising_pdu(self, sender_controller: AirController, packet: ll.AdvertisingPdu) -> None:
        loop = asyncio.get_running_loop()
        if isinstance(packet, ll.ConnectInd):
            self._connect(sender_controller, packet)
            return
        if sender_controller.silent:
            return
        if isinstance(packet, ll.AdvInd | ll.AdvExtInd):
            self.counted[str(packet.advertiser_address)].advertised += 1
        for controller in self.controllers:
            listens = controller.le_scan_enable or controller.pending_le_connection is not None
            if controller is sender_controller or not listens or controller.silent:
                continue
            if isinstance(packet, ll.AdvExtInd) and not controller.le_features & _EXTENDED:
                continue
            if self.chance.random() >= self.config.packet_errors:
                loop.call_soon(controller.on_ll_advertising_pdu, packet)

    def _connect(self, central: AirController, packet: ll.ConnectInd) -> None:
        peripheral = next(
            (c for c in self.controllers if packet.advertiser_address in (c.random_address, c.public_address)),
            None,
        )
        if peripheral is None or peripheral.silent:
            return
        peripheral.on_ll_advertising_pdu(packet)
        now = asyncio.get_running_loop().time()
        self.links.append(
            _Link(
                self,
                _End(central, packet.initiator_address, now),
                _End(peripheral, packet.advertiser_address, now),
                packet.interval * _UNITS_INTERVAL_S,
                packet.timeout * _UNITS_TIMEOUT_S,
            )
        )

    def send_ll_control_pdu(
        self, sender_address: hci.Address, receiver_address: hci.Address, packet: ll.ControlPdu
    ) -> None:
        link = self._link(sender_address, receiver_address)
        if link is not None:
            link.control(link.end_at(sender_address), packet)
