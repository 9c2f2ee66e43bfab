"""A bleak backend on a bumble host: the same calls that the session makes of the system's Bluetooth,
answered by a Bluetooth stack in this process, which speaks HCI to whatever controller it was given."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar

from bleak.args import SizedBuffer
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient, NotifyCallback
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, AdvertisementDataCallback, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import BleakError, BleakGATTProtocolError
from bumble import att, core, gatt, hci
from bumble.core import AdvertisingData
from bumble.device import Connection, ConnectionParametersPreferences, Device, Peer

from gateway.model.reasons import reason_text

_PHY_S = 2.0
ATT_MTU = 247  # one LL packet of 251 octets holds it whole
T = TypeVar("T")

_SERVICE_DATA = {  # each with the bytes of the UUID in front
    AdvertisingData.SERVICE_DATA_16_BIT_UUID: 2,
    AdvertisingData.SERVICE_DATA_128_BIT_UUID: 16,
}
_PROPERTIES = {
    gatt.Characteristic.Properties.BROADCAST: "broadcast",
    gatt.Characteristic.Properties.READ: "read",
    gatt.Characteristic.Properties.WRITE_WITHOUT_RESPONSE: "write-without-response",
    gatt.Characteristic.Properties.WRITE: "write",
    gatt.Characteristic.Properties.NOTIFY: "notify",
    gatt.Characteristic.Properties.INDICATE: "indicate",
    gatt.Characteristic.Properties.AUTHENTICATED_SIGNED_WRITES: "authenticated-signed-writes",
    gatt.Characteristic.Properties.EXTENDED_PROPERTIES: "extended-properties",
}


def uuid_text(uuid: core.UUID) -> str:
    """A bumble UUID as bleak writes it: 128 bits, lower case."""
    return (
        str(uuid.to_hex_str(separator="-")).lower()
        if len(uuid.uuid_bytes) == 16
        else f"0000{uuid.to_hex_str().lower()[-4:]}-0000-1000-8000-00805f9b34fb"
    )


class StackScanner(BaseBleakScanner):
    """Scans with a bumble host."""

    def __init__(
        self,
        detection_callback: AdvertisementDataCallback | None,
        service_uuids: list[str] | None,
        scanning_mode: str,
        *,
        host: Device,
        **_: Any,
    ) -> None:
        super().__init__(detection_callback, service_uuids)
        self._host = host
        self._mode = scanning_mode

    async def start(self) -> None:
        self.seen_devices = {}
        self._host.on("advertisement", self._seen)
        # extended advertisements too, where the controller hears them
        await self._host.start_scanning(active=self._mode == "active", filter_duplicates=False)

    async def stop(self) -> None:
        self._host.remove_listener("advertisement", self._seen)
        await self._host.stop_scanning()

    def _seen(self, advertisement: Any) -> None:
        if not advertisement.is_complete:  # a part of an extended one, which bumble does not put together
            return
        data = advertisement.data
        name = data.get(AdvertisingData.COMPLETE_LOCAL_NAME) or data.get(AdvertisingData.SHORTENED_LOCAL_NAME)
        uuids = [
            uuid_text(uuid)
            for kind in (
                AdvertisingData.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS,
                AdvertisingData.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS,
            )
            for uuid in data.get(kind) or ()
        ]
        if not self.is_allowed_uuid(uuids):
            return
        companies = data.get_all(AdvertisingData.MANUFACTURER_SPECIFIC_DATA, raw=True)  # anybody's bytes
        manufacturer = {int.from_bytes(raw[:2], "little"): raw[2:] for raw in companies if len(raw) >= 2}
        services = {
            uuid_text(core.UUID.from_bytes(raw[:size])): raw[size:]
            for kind, size in _SERVICE_DATA.items()
            for raw in data.get_all(kind, raw=True)
            if len(raw) >= size
        }
        heard = AdvertisementData(name, manufacturer, services, uuids, None, advertisement.rssi, (advertisement,))
        address = str(advertisement.address).split("/")[0]
        device = self.create_or_update_device(address, address, name, advertisement.address, heard)
        self.call_detection_callbacks(device, heard)


class StackClient(BaseBleakClient):
    """A GATT client on a bumble host."""

    def __init__(
        self,
        address_or_ble_device: BLEDevice | str,
        *,
        host: Device,
        preferences: ConnectionParametersPreferences,
        disconnected_callback: Callable[[], None] | None,
        timeout: float,
        fast: bool = False,
        **_: Any,
    ) -> None:
        super().__init__(address_or_ble_device, disconnected_callback=disconnected_callback, timeout=timeout)
        self._address = (
            address_or_ble_device.details
            if isinstance(address_or_ble_device, BLEDevice)
            else hci.Address(address_or_ble_device, hci.Address.RANDOM_DEVICE_ADDRESS)
        )
        self._host = host
        self._preferences = preferences
        self._fast = fast  # ask for LE 2M
        self.phy_mbit: int | None = None  # as the controller says, where it was asked
        self._connection: Connection | None = None
        self._peer: Peer | None = None
        self._asked = False
        self.loss_reason = ""

    @property
    def name(self) -> str:
        return str(self.address)

    @property
    def mtu_size(self) -> int:
        return int(self._connection.att_mtu) if self._connection else att.ATT_DEFAULT_MTU

    @property
    def is_connected(self) -> bool:
        return self._connection is not None

    @property
    def link(self) -> Connection:
        """The link, while there is one.

        Raises:
            BleakError: there is none.
        """
        if self._connection is None:
            raise BleakError("Not connected")
        return self._connection

    async def connect(self, pair: bool, **_: Any) -> None:
        self._asked = False
        try:
            self._connection = await self._host.connect(
                self._address,
                connection_parameters_preferences={hci.HCI_LE_1M_PHY: self._preferences},
                own_address_type=hci.OwnAddressType.RANDOM,
                timeout=self._timeout,
            )
        except (core.BaseBumbleError, TimeoutError) as error:
            raise BleakError(f"connecting failed: {str(error) or type(error).__name__}") from error
        self._connection.on("disconnection", self._ended)
        self._peer = Peer(self._connection)
        if self._fast:
            await self._ask_for_2m(self._connection)
        await self._do(self._peer.request_mtu(ATT_MTU))
        await self._discover(self._peer)

    async def _ask_for_2m(self, connection: Connection) -> None:
        """LE 2M both ways; what the link then uses is read back, as the node may not know it."""
        if not connection.device.host.supports_command(hci.HCI_LE_READ_PHY_COMMAND):
            return
        changed = asyncio.Event()
        for event in (connection.EVENT_CONNECTION_PHY_UPDATE, connection.EVENT_CONNECTION_PHY_UPDATE_FAILURE):
            connection.once(event, lambda *_: changed.set())
        try:
            async with asyncio.timeout(_PHY_S):
                await connection.set_phy([hci.Phy.LE_2M], [hci.Phy.LE_2M])
                await changed.wait()  # it takes some connection events
                self.phy_mbit = 2 if (await connection.get_phy()).tx_phy == hci.Phy.LE_2M else 1
        except (TimeoutError, core.BaseBumbleError):
            self.phy_mbit = None  # the controller does not tell

    async def _discover(self, peer: Peer) -> None:
        services = BleakGATTServiceCollection()
        for service in await self._do(peer.discover_services()):
            owner = BleakGATTService(service, service.handle, uuid_text(service.uuid))
            services.add_service(owner)
            for item in await self._do(service.discover_characteristics()):
                made = BleakGATTCharacteristic(
                    item,
                    item.handle,
                    uuid_text(item.uuid),
                    [name for bit, name in _PROPERTIES.items() if item.properties & bit],  # type: ignore[misc]
                    lambda: self.mtu_size - 3,
                    owner,
                )
                services.add_characteristic(made)
                for descriptor in await self._do(item.discover_descriptors()):
                    services.add_descriptor(
                        BleakGATTDescriptor(descriptor, descriptor.handle, uuid_text(descriptor.type), made)
                    )
                item.descriptors_discovered = True
        self.services = services

    def _ended(self, reason: int) -> None:
        self._connection = None
        if not self._asked:
            self.loss_reason = reason_text(reason)
            if self._disconnected_callback:
                self._disconnected_callback()

    async def disconnect(self) -> None:
        self._asked = True
        if self._connection is not None:
            await self._do(self._connection.disconnect())

    async def pair(self, *args: Any, **kwargs: Any) -> None:
        await self._do(self.link.pair())

    async def unpair(self) -> None:
        raise BleakError("this backend keeps no bonds")

    async def _do(self, work: Awaitable[T]) -> T:
        """Await a request; bumble's ways of failing become bleak's."""
        try:
            return await work
        except att.ATT_Error as error:
            raise BleakGATTProtocolError(error.error_code) from error
        except (core.BaseBumbleError, core.BaseError) as error:
            raise BleakError(str(error)) from error
        except asyncio.CancelledError:
            # bumble cancels the pending response when the link ends; only that is turned into an error
            task = asyncio.current_task()
            if self._connection is None and task is not None and not task.cancelling():
                raise BleakError(f"the link ended: {self.loss_reason or 'disconnected'}") from None
            raise

    def _open(self) -> Any:
        return self.link.gatt_client

    async def read_gatt_char(self, characteristic: BleakGATTCharacteristic, **_: Any) -> bytearray:
        return bytearray(await self._do(self._open().read_value(characteristic.handle)))

    async def read_gatt_descriptor(self, descriptor: BleakGATTDescriptor, **_: Any) -> bytearray:
        return bytearray(await self._do(self._open().read_value(descriptor.handle)))

    async def write_gatt_char(self, characteristic: BleakGATTCharacteristic, data: SizedBuffer, response: bool) -> None:
        await self._do(self._open().write_value(characteristic.handle, bytes(data), with_response=response))

    async def write_gatt_descriptor(self, descriptor: BleakGATTDescriptor, data: SizedBuffer) -> None:
        await self._do(self._open().write_value(descriptor.handle, bytes(data), with_response=True))

    async def start_notify(self, characteristic: BleakGATTCharacteristic, callback: NotifyCallback, **_: Any) -> None:
        item = characteristic.obj
        if item.get_descriptor(gatt.GATT_CLIENT_CHARACTERISTIC_CONFIGURATION_DESCRIPTOR) is None:
            raise BleakError(f"{characteristic.uuid} has no client characteristic configuration descriptor")
        await self._do(self._open().subscribe(item, callback))

    async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
        await self._do(self._open().unsubscribe(characteristic.obj))
