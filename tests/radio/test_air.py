"""The virtual air keeps to the link layer's timing.

Airtimes: Core Specification packet format, worked figures in tests/truth/vectors.json (le_airtime_us)."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from bleak import BleakClient
from bumble.core import AdvertisingData
from bumble.gatt import Characteristic, Service

from gateway.config import AirConfig
from gateway.model.airtime import exchange_us, packet_us
from gateway.radio.virtual import VirtualRadio, make_host
from tests.support import on_virtual_time

TRUTH: dict[str, Any] = json.loads((Path(__file__).parents[1] / "truth" / "vectors.json").read_text("utf-8"))[
    "le_airtime_us"
]
UUID = "b1c7ffff-5d1e-4c1b-9a77-2f0d3c6e0001"
INTERVAL_S = 0.015


@pytest.mark.parametrize("case", TRUTH["v"])
def test_packets_take_the_time_the_packet_format_gives(case: str) -> None:
    phy, _, content = case.partition(",")
    octets, _, mic = content.partition("+")
    assert packet_us(int(octets), int(phy[0]), mic=bool(mic)) == TRUTH["v"][case]


@pytest.mark.parametrize("case", TRUTH["tput"])
def test_an_exchange_with_one_full_packet_takes_the_published_time(case: str) -> None:
    phy, octets = case.split(",")
    took_us, bits_per_s = TRUTH["tput"][case]
    assert exchange_us(0, int(octets), int(phy[0])) == took_us
    value_bytes = int(octets) - 7  # 3 bytes of ATT and 4 of L2CAP
    assert value_bytes * 8 * 1e6 / took_us == pytest.approx(bits_per_s, abs=1)


class Linked:
    """A node with one characteristic, linked to."""

    def __init__(self, radio: VirtualRadio) -> None:
        self.radio = radio
        self.device, self.controller = make_host(radio.air, "N1", "C2:00:00:00:00:01")
        notify = Characteristic.Properties.NOTIFY | Characteristic.Properties.READ
        self.served = Characteristic(UUID, notify, Characteristic.READABLE, b"12345678")
        self.device.add_service(Service("180F", [self.served]))
        self.lost = asyncio.Event()
        self.got: list[tuple[float, bytes]] = []
        self.client: BleakClient

    async def start(self) -> None:
        self.device.advertising_data = bytes(AdvertisingData([(AdvertisingData.COMPLETE_LOCAL_NAME, b"N1")]))
        await self.device.power_on()
        await self.device.start_advertising(advertising_interval_min=100, advertising_interval_max=100)
        seen = asyncio.get_running_loop().create_future()
        scanner = self.radio.scanner(lambda device, _: seen.done() or seen.set_result(device))
        await scanner.start()
        device = await seen
        await scanner.stop()
        self.client = self.radio.client(device, self.lost.set)
        await self.client.connect()
        loop = asyncio.get_running_loop()
        await self.client.start_notify(UUID, lambda _, data: self.got.append((loop.time(), bytes(data))))

    async def notify(self, value: bytes) -> None:
        await self.device.notify_subscribers(self.served, value)


def linked(config: AirConfig, work: Callable[[Linked], Awaitable[None]]) -> None:
    async def run() -> None:
        async with VirtualRadio(config) as radio:
            node = Linked(radio)
            await node.start()
            await work(node)

    on_virtual_time(run)


def test_notifications_arrive_at_connection_events() -> None:
    async def work(node: Linked) -> None:
        for number in range(100):
            await node.notify(number.to_bytes(2, "little"))
            await asyncio.sleep(0.020)
        await asyncio.sleep(1)
        assert [value for _, value in node.got] == [number.to_bytes(2, "little") for number in range(100)]
        spacings = {round((b - a) / INTERVAL_S, 2) for (a, _), (b, _) in zip(node.got[1:], node.got[2:], strict=False)}
        assert spacings == {1.0, 2.0}  # 20 ms over 15 ms anchors

    linked(AirConfig(), work)


@pytest.mark.parametrize(("mbit", "size"), [(1, 20), (1, 244), (2, 20), (2, 244)])
def test_an_event_carries_only_what_its_airtime_allows(mbit: int, size: int) -> None:
    async def work(node: Linked) -> None:
        for _ in range(200):
            await node.notify(bytes(size))
        await asyncio.sleep(5)
        span = node.got[-1][0] - node.got[0][0]
        per_event = int(INTERVAL_S * 1e6 / exchange_us(0, size + 7, mbit))  # 3 bytes of ATT and 4 of L2CAP
        assert len(node.got) == 200
        assert span == pytest.approx((200 / per_event - 1) * INTERVAL_S, abs=2 * INTERVAL_S)

    linked(AirConfig(mbit=mbit), work)


def test_lost_packets_are_sent_again_and_nothing_is_lost_or_reordered() -> None:
    async def work(node: Linked) -> None:
        for number in range(300):
            await node.notify(number.to_bytes(2, "little"))
            await asyncio.sleep(0.05)
        await asyncio.sleep(5)
        assert [int.from_bytes(value, "little") for _, value in node.got] == list(range(300))
        loop_of = [round((t - node.got[0][0]) / 0.05) for t, _ in node.got]
        assert sum(arrived > number for number, arrived in enumerate(loop_of)) > 20  # some came an event or more late

    linked(AirConfig(packet_errors=0.3, supervision_ns=20_000_000_000), work)


def test_a_link_that_hears_nothing_dies_at_its_supervision_timeout_with_the_right_reason() -> None:
    async def work(node: Linked) -> None:
        loop = asyncio.get_running_loop()
        gone = loop.time()
        node.radio.air.silence(node.controller, True)
        await node.lost.wait()
        assert loop.time() - gone == pytest.approx(1.0, abs=2 * INTERVAL_S)
        assert node.radio.loss_reason(node.client) == "connection timeout"
        assert not node.client.is_connected

    linked(AirConfig(supervision_ns=1_000_000_000), work)


def test_an_idle_link_outlives_its_supervision_timeout() -> None:
    async def work(node: Linked) -> None:
        await asyncio.sleep(3600)
        assert node.client.is_connected
        assert await node.client.read_gatt_char(UUID) == b"12345678"
        node.radio.air.silence(node.controller, True)
        await asyncio.sleep(1.5)
        assert node.lost.is_set()

    linked(AirConfig(supervision_ns=1_000_000_000), work)


def test_a_node_that_ends_the_link_is_told_apart() -> None:
    async def work(node: Linked) -> None:
        await next(iter(node.device.connections.values())).disconnect()
        await node.lost.wait()
        assert node.radio.loss_reason(node.client) == "remote user terminated connection"

    linked(AirConfig(), work)


def test_a_read_fails_when_the_link_is_lost_under_it() -> None:
    async def work(node: Linked) -> None:
        node.radio.air.silence(node.controller, True)
        with pytest.raises(Exception, match="connection timeout"):
            await node.client.read_gatt_char(UUID)

    linked(AirConfig(), work)


def test_the_mtu_is_exchanged_and_the_interval_asked_for_is_used() -> None:
    async def work(node: Linked) -> None:
        assert node.client.mtu_size == 247
        assert node.radio.air.links[0].interval == pytest.approx(0.030)

    linked(replace(AirConfig(), interval_ns=30_000_000), work)


@pytest.mark.parametrize("by_node", [False, True])
def test_an_air_that_was_left_begins_nothing_any_more(by_node: bool) -> None:
    """A link was ended just before, and the other side has not heard of that yet; hearing it, a node would advertise again."""

    async def run() -> None:
        async with VirtualRadio(AirConfig()) as radio:
            node = Linked(radio)
            await node.start()
            connection = next(iter(node.device.connections.values()))
            told: list[str] = []
            connection.once("disconnection", lambda _: told.append("node"))
            ending = connection.disconnect() if by_node else node.client.disconnect()
            task = asyncio.ensure_future(ending)
            for _ in range(1000):
                if radio.air.links:
                    await asyncio.sleep(0)
        before = [*told, node.lost.is_set()]
        await asyncio.sleep(1)
        assert [*told, node.lost.is_set()] == before
        assert not [one for one in asyncio.all_tasks() if "bumble" in str(one.get_coro())]
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    on_virtual_time(run)
