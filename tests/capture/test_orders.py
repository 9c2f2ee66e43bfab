"""The orders in which clients discover a table: each is played by bumble's client against bumble's server over a
snoop file, and what is found must be what the server holds and what tshark reads. The orders themselves are common
practice: the Core Specification (Vol 3 Part G, 4.4 to 4.7) leaves them to the client."""

from __future__ import annotations

import asyncio
import subprocess
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from bumble import att
from bumble.controller import Controller
from bumble.core import UUID
from bumble.device import Device
from bumble.gatt import Characteristic, Descriptor, Service
from bumble.gatt_client import Client
from bumble.hci import Address
from bumble.host import Host
from bumble.link import LocalLink
from bumble.snoop import BtSnooper

from gateway.capture.discovery import tables_in
from gateway.capture.record import Trouble
from gateway.radio.stack import uuid_text
from tests.support import needs_program

CHARACTERISTIC, PRIMARY = UUID.from_16_bits(0x2803), UUID.from_16_bits(0x2800)
LAST = 0xFFFF
OWN = "-77c1-4b0e-9d53-0a6b4c8e2f10"


def served() -> list[Service]:
    """Four services with thirteen characteristics, short and long UUIDs in turn."""

    def characteristic(service: int, number: int) -> Characteristic[bytes]:
        short = number % 2
        uuid = UUID.from_16_bits(0x2A6C + number) if short else UUID(f"5e1f{service:02x}{number:02x}" + OWN)
        notes = [Descriptor(UUID.from_16_bits(0x2901), Descriptor.Permissions.READABLE, b"crate")] if short else []
        properties = Characteristic.Properties.READ | Characteristic.Properties.NOTIFY
        return Characteristic(uuid, properties, Characteristic.Permissions.READABLE, bytes([service, number]), notes)

    return [
        Service(UUID(f"5e1f{index:02x}ff" + OWN), [characteristic(index, number) for number in range(count)])
        for index, count in enumerate((1, 5, 3, 4))
    ]


async def services_of(client: Client) -> list[tuple[int, int]]:
    """First and last handle of each service, by the reads of a group's type."""
    found, start = [], 1
    while start <= LAST:
        answer = await client.send_request(
            att.ATT_Read_By_Group_Type_Request(starting_handle=start, ending_handle=LAST, attribute_group_type=PRIMARY)
        )
        if not isinstance(answer, att.ATT_Read_By_Group_Type_Response):
            break
        found += [(first, last) for first, last, _ in answer.attributes]
        start = found[-1][1] + 1
    return found


async def declarations(client: Client, start: int, end: int) -> list[int]:
    """Handles of the declarations in a range, asked for on from the last one + 1."""
    found: list[int] = []
    while start <= end:
        answer = await client.send_request(
            att.ATT_Read_By_Type_Request(starting_handle=start, ending_handle=end, attribute_type=CHARACTERISTIC)
        )
        if not isinstance(answer, att.ATT_Read_By_Type_Response):
            break
        found += [handle for handle, _ in answer.attributes]
        start = found[-1] + 1
    return found


async def descriptors(client: Client, start: int, end: int) -> None:
    """All attributes of a range."""
    while start <= end:
        answer = await client.send_request(att.ATT_Find_Information_Request(starting_handle=start, ending_handle=end))
        if not isinstance(answer, att.ATT_Find_Information_Response):
            break
        start = answer.information[-1][0] + 1


async def each_service_by_itself(client: Client) -> None:
    for first, last in await services_of(client):
        await declarations(client, first, last)
        await descriptors(client, first, last)


async def all_characteristics_at_once(client: Client) -> None:
    await services_of(client)
    await declarations(client, 1, LAST)
    await descriptors(client, 1, LAST)


async def characteristics_before_services(client: Client) -> None:
    await declarations(client, 1, LAST)
    await services_of(client)


async def backwards_and_twice(client: Client) -> None:
    for first, last in [*reversed(await services_of(client)), *(await services_of(client))]:
        await declarations(client, first, last)


def played(order: Callable[[Client], Awaitable[None]], snoop: Path) -> list[tuple[int, str, int]]:
    """Play an order into a snoop file.

    Returns:
        What the server holds: handle of the value, UUID, handle of its service.
    """

    async def play() -> list[tuple[int, str, int]]:
        link = LocalLink()
        made = [Controller(name, link=link) for name in "cs"]
        addresses = ["C0:00:00:00:00:01", "C0:00:00:00:00:02"]
        central, node = (
            Device(name=name, address=Address(text), host=Host(one, one))
            for name, text, one in zip("cs", addresses, made, strict=True)
        )
        services = served()
        node.add_services(services)
        with snoop.open("wb") as file:
            central.host.snooper = BtSnooper(file)
            await central.power_on()
            await node.power_on()
            await node.start_advertising(auto_restart=False)
            connection = await central.connect(Address(addresses[1]))
            await order(connection.gatt_client)
            await connection.disconnect()
        return [
            (item.handle, uuid_text(item.uuid), service.handle)
            for service in services
            for item in service.characteristics
        ]

    return asyncio.run(play())


@needs_program("tshark")
@pytest.mark.parametrize(
    "order",
    [
        each_service_by_itself,
        all_characteristics_at_once,
        characteristics_before_services,
        backwards_and_twice,
    ],
)
def test_a_table_is_found_whole_in_whatever_order_it_was_asked_for(
    order: Callable[[Client], Awaitable[None]], tmp_path: Path
) -> None:
    snoop = tmp_path / "x.btsnoop"
    held = played(order, snoop)
    trouble = Trouble()
    (table,) = tables_in(snoop, trouble)
    ours = {(item.handle, item.uuid, service.handle) for service, item in table.characteristics}
    assert set(held) <= ours, (set(held) - ours, trouble)
    command = ["tshark", "-r", str(snoop), "-Y", "btatt.opcode == 0x09", "-T", "fields", "-e", "btatt.handle"]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    theirs = {int(one, 16) for line in told.splitlines() for one in line.split(",")[1::2]}
    assert {handle for handle, _, _ in ours} == theirs
