"""The system's radio where its stacks differ, each as it was seen or is documented: BlueZ, Core Bluetooth and WinRT by
fakes at the seam that bleak has for backends, since only one of them can run here."""

from __future__ import annotations

import asyncio
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import pytest
from bleak import BleakClient
from bleak.backends import BleakBackend
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.device import BLEDevice
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import BleakBluetoothNotAvailableError, BleakBluetoothNotAvailableReason, BleakDBusError

from gateway.model.errors import GoneError, RadioError, UnansweredError
from gateway.radio.system import SystemRadio, _SettledClient
from gateway.session.deadline import disconnect, request, within
from tests.support import on_virtual_time

SERVICE, VALUE = "9fb93534-081c-4253-b1e2-73a87984a8ab", "db149e47-14be-49ab-b93f-e42eabd2d9f2"


def services(count: int, takes: int = 20) -> BleakGATTServiceCollection:
    """A table of one service with so many characteristics, each taking so many bytes without a response."""
    found = BleakGATTServiceCollection()
    if count:
        service = BleakGATTService(None, 1, SERVICE)
        found.add_service(service)
        for number in range(count):
            found.add_characteristic(
                BleakGATTCharacteristic(None, 10 + 3 * number, VALUE, ["notify"], lambda: takes, service)
            )
    return found


@dataclass
class Backend:
    """A backend that shows more of the table with each look, as BlueZ does for a while."""

    looks: list[int]
    services: BleakGATTServiceCollection | None = None
    mtu_size: int = 23
    asked: int = 0
    said: list[str] = field(default_factory=list)

    async def connect(self, *_: Any, **__: Any) -> None:
        await self._get_services()

    async def _get_services(self) -> None:
        self.services = services(self.looks[min(self.asked, len(self.looks) - 1)])
        self.asked += 1

    async def disconnect(self) -> None:
        self.said.append("disconnect")


def client_of(backend: Any, kind: BleakBackend) -> BleakClient:
    client = object.__new__(_SettledClient)
    client._backend = backend
    client._backend_id = kind
    client._pair_before_connect = False
    client._pairing, client._agent = None, AsyncExitStack()
    return client


@pytest.mark.parametrize(
    ("looks", "asked"), [([5, 5], 2), ([0, 0, 2, 5, 5], 5), ([3, 5, 5], 3)], ids=["whole", "empty first", "in pieces"]
)
def test_a_bluez_link_is_made_once_two_looks_at_the_services_agree(looks: list[int], asked: int) -> None:
    backend = Backend(looks)
    on_virtual_time(lambda: client_of(backend, BleakBackend.BLUEZ_DBUS).connect())
    assert backend.asked == asked and backend.services is not None
    assert len(backend.services.characteristics) == looks[-1]


def test_a_table_that_stays_empty_is_not_waited_for_without_end() -> None:
    backend = Backend([0])
    on_virtual_time(lambda: client_of(backend, BleakBackend.BLUEZ_DBUS).connect())
    assert backend.asked < 30


@pytest.mark.parametrize("kind", [BleakBackend.CORE_BLUETOOTH, BleakBackend.WIN_RT])
def test_other_systems_are_looked_at_once(kind: BleakBackend) -> None:
    backend = Backend([5])
    on_virtual_time(lambda: client_of(backend, kind).connect())
    assert backend.asked == 1


def test_the_att_mtu_of_bluez_is_told_by_its_characteristics_and_elsewhere_by_bleak() -> None:
    """BlueZ 5.66 gave 514 bytes without a response on a link whose ATT_MTU was 517, and bleak's guess was 23."""
    backend = Backend([1], services(2, takes=514))
    assert SystemRadio().att_mtu(client_of(backend, BleakBackend.BLUEZ_DBUS)) == 517
    backend.mtu_size = 185
    assert SystemRadio().att_mtu(client_of(backend, BleakBackend.CORE_BLUETOOTH)) == 185


@pytest.mark.parametrize(("paired", "remembers"), [(False, True), (True, False)])
def test_bluez_is_made_to_forget_a_node_unless_a_bond_would_be_lost(
    monkeypatch: pytest.MonkeyPatch, paired: bool, remembers: bool
) -> None:
    monkeypatch.setattr(
        "gateway.radio.system.BleakClient", lambda device: SimpleNamespace(backend_id=BleakBackend.BLUEZ_DBUS)
    )
    device = BLEDevice("C2:10:00:00:00:0A", "CRATE-A", {"path": "/org/bluez/hci0/dev_x", "props": {"Paired": paired}})
    assert SystemRadio().remembers(device) is remembers


@pytest.mark.parametrize(
    ("error", "kind", "said"),
    [
        (
            BleakDBusError("org.freedesktop.DBus.Error.UnknownObject", ["Method does not exist"]),
            GoneError,
            "reading x: [org.freedesktop.DBus.Error.UnknownObject] Method does not exist",
        ),
        (BleakDBusError("org.freedesktop.DBus.Error.Spawn.ChildExited", ["gone"]), GoneError, "ChildExited"),
        (BleakDBusError("org.bluez.Error.InProgress", ["busy"]), RadioError, "InProgress"),
        (
            BleakBluetoothNotAvailableError("off\nfor\nnow", BleakBluetoothNotAvailableReason.POWERED_OFF),
            RadioError,
            "reading x: off for now",
        ),
    ],
)
def test_what_a_stack_raises_becomes_one_line_and_tells_whether_the_link_is_over(
    error: Exception, kind: type[RadioError], said: str
) -> None:
    async def fails() -> None:
        raise error

    async def work() -> None:
        with pytest.raises(RadioError) as found:
            await within(1, "reading x", fails())
        assert type(found.value) is kind and said in str(found.value) and "\n" not in str(found.value)

    on_virtual_time(work)


def test_a_request_without_an_answer_names_pairing_as_a_possible_cause() -> None:
    async def work() -> None:
        with pytest.raises(UnansweredError, match=r"reading x: no answer within 10 s; .*pair"):
            await request("reading x", asyncio.sleep(3600))

    on_virtual_time(work)


def test_a_link_is_released_whether_it_is_up_or_not_and_a_release_that_hangs_is_told() -> None:
    async def hangs() -> None:
        await asyncio.sleep(3600)

    async def work() -> None:
        backend = Backend([1])
        assert await disconnect(client_of(backend, BleakBackend.BLUEZ_DBUS)) == "" and backend.said == ["disconnect"]
        backend.disconnect = hangs  # type: ignore[method-assign]
        assert "no answer within 5 s" in await disconnect(client_of(backend, BleakBackend.BLUEZ_DBUS))

    on_virtual_time(work)
