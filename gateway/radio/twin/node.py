"""A simulated node: the GATT table of its plugin served by bumble's server, sensors
that obey their enable and period settings, and faults on demand."""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections import deque
from collections.abc import Mapping
from functools import partial
from typing import Any

from bumble import att, core
from bumble.core import UUID, AdvertisingData
from bumble.device import (
    AdvertisingEventProperties,
    AdvertisingParameters,
    AdvertisingSet,
    AdvertisingType,
    Connection,
    Device,
)
from bumble.gatt import GATT_CLIENT_CHARACTERISTIC_CONFIGURATION_DESCRIPTOR, CharacteristicValue, Descriptor, Service
from bumble.gatt import Characteristic as Served
from bumble.hci import HCI_LE_Set_Advertising_Data_Command

from gateway.config import TwinConfig
from gateway.model.errors import AdapterError, EncodeError, InputError
from gateway.model.security import Pairing, Security
from gateway.plugin import Characteristic, Plugin, Sensor
from gateway.plugin.layout.kind import MAX_VALUE_BYTES, Value
from gateway.plugin.layout.model import Field
from gateway.plugin.model import ADVERTISEMENT_BYTES, EXTENDED_BYTES, FLAGS_BYTES, Broadcast
from gateway.plugin.standard.adopted import BASE_UUID, short_number
from gateway.plugin.standard.assigned import (
    PRESENTATION_FORMAT,
    USER_DESCRIPTION,
    VALID_RANGE,
    presentation_format,
    valid_range,
)
from gateway.radio.pairing import Delegate, pairing_config
from gateway.radio.twin.commands import Commands
from gateway.radio.twin.settings import Pace, Settings, in_field
from gateway.radio.twin.signal import Source, fitted, make_source, resting_value

_ADVERTISING_INTERVAL_MS = 100.0
_WAITING_PACKETS = 8  # notifications a small firmware keeps waiting before it drops one
_JUMP = 10  # values skipped by the sequence fault
_DEVICE_INFORMATION = BASE_UUID.format(0x180A)
_PERMISSIONS = Served.READABLE | Served.WRITEABLE
_REQUIRED = {
    None: Served.Permissions(0),
    Security.ENCRYPTED: Served.READ_REQUIRES_ENCRYPTION | Served.WRITE_REQUIRES_ENCRYPTION,
    Security.AUTHENTICATED: Served.READ_REQUIRES_AUTHENTICATION | Served.WRITE_REQUIRES_AUTHENTICATION,
}
_PROPERTIES = {
    "read": Served.Properties.READ,
    "write": Served.Properties.WRITE,
    "write-without-response": Served.Properties.WRITE_WITHOUT_RESPONSE,
    "notify": Served.Properties.NOTIFY,
    "indicate": Served.Properties.INDICATE,
}


class Twin:
    """A simulated node.

    Args:
        plugin: what it is.
        name: the local name it advertises.
        config: address, signals, constants and faults.
        device: its bumble host, powered off, on whatever controller.
        seed: of its noise and of its losses.

    Raises:
        InputError: a signal's csv file can't be used.
    """

    def __init__(self, plugin: Plugin, name: str, config: TwinConfig, device: Device, seed: int) -> None:
        self.plugin = plugin
        self.name = name
        self.device = device
        self._config = config
        self._faults = config.faults
        self._chance = random.Random(f"{seed} {config.address}")  # noqa: S311  repeatable, not secret
        self._sources: dict[str, Source] = {key: make_source(s, self._chance) for key, s in config.signals.items()}
        self._frozen: Value = None
        self._counts = dict.fromkeys(plugin.characteristics, 0)
        self._sequence = dict.fromkeys(plugin.characteristics, 0)
        self._sent = dict.fromkeys(plugin.characteristics, 0)  # values that carried messages
        self._settings = Settings(plugin, config.faults.firmware)
        sent = [name for name in plugin.channels if plugin.on_air(name).pushed or plugin.on_air(name).broadcast]
        unset = [name for name in sent if plugin.characteristics[name].step is None]
        sensed = {sensor.data for sensor in plugin.sensors.values()} | {p.answer for p in plugin.procedures.values()}
        # what no sensor is declared for goes on at a pace of its own
        free = {name: Pace(Sensor.free(name)) for name in unset if name not in sensed}
        self._paces = self._settings.paces | free
        self._commands = Commands(plugin, config.faults.firmware, self._listener, partial(self._push, wait=True))
        self._served: dict[str, Served[bytes]] = {}
        self.extended = False
        self._set: AdvertisingSet | None = None
        self._broadcast: dict[Broadcast, tuple[Any, bytes]] = {}
        self._advertised: dict[Broadcast, asyncio.Lock] = {}
        self._link: Connection | None = None
        self._linked, self._gone = asyncio.Event(), asyncio.Event()
        self._start = 0.0
        self._build()
        self._prove()

    def _prove(self) -> None:
        """See that its values can be made, and what it advertises has room.

        Raises:
            InputError: they can't; the text says of which channel.
        """
        broadcast: dict[Broadcast, int] = {}
        before = self._chance.getstate()
        for name in [pace.sensor.data for pace in self._paces.values()]:
            item = self.plugin.characteristics[name]
            try:
                size = len(self._payload(item, advance=False))
            except EncodeError as error:
                told = f"the simulated node {self.name} can't send {name}: {error}"
                raise InputError(f"{told}; give its fields signals that fit, [twin.NODE.signal.{name}]") from None
            if item.broadcast is not None:
                broadcast[item.broadcast] = max(broadcast.get(item.broadcast, 0), size)
        self._chance.setstate(before)
        self._frozen = None
        whole = FLAGS_BYTES + 2 + len(self.name.encode()) + sum(part.room(size) for part, size in broadcast.items())
        self.extended = bool(broadcast) and whole > ADVERTISEMENT_BYTES
        if broadcast and whole > EXTENDED_BYTES:
            raise InputError(
                f"the simulated node {self.name} can't advertise: flags, name and values take {whole} bytes, and an "
                f"extended advertisement of one packet has {EXTENDED_BYTES}; shorten its name, or its values"
            )

    @property
    def _now(self) -> float:
        return asyncio.get_running_loop().time() - self._start

    # The GATT table

    def _build(self) -> None:
        services: dict[str, list[Served[bytes]]] = {}
        by_uuid: dict[str, Served[bytes]] = {}
        for item in self.plugin.served.values():
            if item.uuid in by_uuid:  # another message of the same characteristic
                self._served[item.name] = by_uuid[item.uuid]
                continue
            properties = Served.Properties(0)
            for name in item.properties:
                properties |= _PROPERTIES[name]
            text = item.title if item.description is None else item.description
            descriptors = [Descriptor(UUID.from_16_bits(USER_DESCRIPTION), Descriptor.READABLE, text.encode())]
            lone = item.layout.fields[0] if len(item.layout.fields) == 1 and not item.layout.samples else None
            if lone is not None and (form := presentation_format(lone)) is not None:
                descriptors.append(Descriptor(UUID.from_16_bits(PRESENTATION_FORMAT), Descriptor.READABLE, form))
            if lone is not None and (ends := valid_range(lone)) is not None:
                descriptors.append(Descriptor(UUID.from_16_bits(VALID_RANGE), Descriptor.READABLE, ends))
            served: Served[bytes] = Served(
                _uuid(item.uuid),
                properties,
                _PERMISSIONS | _REQUIRED[self.plugin.security],
                CharacteristicValue(read=self._reader(item), write=self._writer(item)),
                descriptors,
            )
            served.on(served.EVENT_SUBSCRIPTION, self._wake)
            self._served[item.name] = by_uuid[item.uuid] = served
            services.setdefault(item.service, []).append(served)
        if _DEVICE_INFORMATION not in services:  # a simulated node says that it is one
            said = Served(UUID.from_16_bits(0x2A26), Served.Properties.READ, Served.READABLE, b"simulated")
            services[_DEVICE_INFORMATION] = [said]
        for uuid, served_items in services.items():
            self.device.add_service(Service(_uuid(uuid), served_items))
        for item in by_uuid.values():
            configuration = item.get_descriptor(GATT_CLIENT_CHARACTERISTIC_CONFIGURATION_DESCRIPTOR)
            if configuration is not None:
                configuration.permissions |= _REQUIRED[self.plugin.security]
        key = self._config.passkey if self.plugin.security is Security.AUTHENTICATED else None
        pairing = Pairing(Security.ENCRYPTED, key)
        self.device.pairing_config_factory = lambda _: pairing_config(pairing, Delegate.DISPLAY_OUTPUT_ONLY)
        self.device.on("connection", self._connected)

    def _reader(self, item: Characteristic) -> Any:
        def read(_: Connection) -> bytes:
            if item.name in self._settings:
                return self._settings.read(item)
            if not item.pushed:
                return self._shortened(item, self._payload(item, advance=True))
            raw = self._payload(item, advance=False)
            return bytes(byte ^ 0x55 for byte in raw) if "reads-otherwise" in self._faults.firmware else raw

        return read

    def _writer(self, item: Characteristic) -> Any:
        def write(_: Connection, raw: bytes) -> None:
            if self._commands.at(item):
                self._commands.write(item, bytes(raw))
                return
            self._settings.write(item, bytes(raw))

        return write

    # Values

    def _payload(self, item: Characteristic, advance: bool) -> bytes:
        """The value now; ``advance`` counts it as a new one."""
        count = self._counts[item.name]
        if advance:
            self._counts[item.name] += 1
            self._sequence[item.name] += 1
            every = self._faults.jump_sequence_every
            if every and self._counts[item.name] % every == 0:
                self._sequence[item.name] += _JUMP
        now = self._now
        constants = self._config.constants.get(item.name, {})
        values = {f.name: constants.get(f.name, self._value(item, f, now, count)) for f in item.layout.fields}
        group = item.layout.samples
        if group is None:
            return item.codec.build(values)
        if (at := group.at) is not None:
            free = [
                f for f in item.layout.fields if f.name in at.fields and f"{item.name}.{f.name}" not in self._sources
            ]
            values |= {f.name: f.shown(at.reaching(item.layout.head)) for f in free}
        n = self._sample_count(item, values)
        if n * group.size > MAX_VALUE_BYTES:
            raise EncodeError(f"{n} samples of {group.size} bytes, and a value holds {MAX_VALUE_BYTES}")
        every_s = (group.every_ns or 0) / 1e9
        if (stamp := group.stamp) is not None:  # spread over the period
            every_s = (self._paces[item.name].period_s if item.name in self._paces else 1) / max(n, 1)
        samples = [
            {f.name: self._value(item, f, now - (n - 1 - i) * every_s, count * n + i) for f in group.fields}
            for i in range(n)
        ]
        if stamp is not None:
            for i, sample in enumerate(samples):
                sample[stamp.name] = in_field(stamp, int(i * every_s * 1e9))
        return item.codec.build(values, samples)

    def _sample_count(self, item: Characteristic, values: Mapping[str, Value]) -> int:
        """As many as the value announces, or else as the period and the room in a notification allow."""
        group = item.layout.samples
        if group is None:
            return 0
        if group.count is not None:
            if isinstance(group.count, int):
                return group.count
            numbers = {
                f.name: f.type.encode(f, values[f.name]) for f in item.layout.fields if f.name in item.layout.keys
            }
            return max(item.layout.counted({n: raw for n, raw in numbers.items() if isinstance(raw, int)}) or 0, 0)
        pace = next((pace for pace in self._paces.values() if pace.sensor.data == item.name), None)
        wanted = round(pace.period_s * 1e9 / group.every_ns) if pace and group.every_ns else 1
        room = self._room - item.layout.head - item.layout.behind
        return int(max(1, min(wanted, room // group.size)))

    def _value(self, item: Characteristic, field: Field, now: float, count: int) -> Value:
        key = f"{item.name}.{field.name}"
        if field.role == "sequence":
            return self._sequence[item.name] & (1 << field.bits) - 1
        if field.role == "node time":
            return in_field(field, int(max(now, 0) * 1e9))
        source = self._sources.get(key)
        value = fitted(field, source(now, count) if source else resting_value(field))
        if key == self._faults.freeze:
            self._frozen = value if self._frozen is None else self._frozen
            return self._frozen
        return value

    # Life

    def _connected(self, link: Connection) -> None:
        self._link = link
        self._gone.clear()
        self._linked.set()
        link.on("disconnection", self._lost)

    def _lost(self, _: int) -> None:
        self._link = None
        self._settings.link_ended()
        self._commands.link_ended()
        self._linked.clear()
        self._gone.set()
        self._wake()

    def _wake(self, *_: object) -> None:
        """Somebody came, went, subscribed or unsubscribed."""
        for pace in self._paces.values():
            pace.changed.set()

    async def run(self) -> None:
        """Live on the air until cancelled."""
        self._start = asyncio.get_running_loop().time()
        await self.device.power_on()
        await self._begin_to_advertise()
        async with asyncio.TaskGroup() as group:
            for pace in self._paces.values():
                if (own := self.plugin.on_air(pace.sensor.data)).pushed or own.broadcast:
                    group.create_task(self._sense(pace), name=f"{self.name} {pace.sensor.name}")
            if self.plugin.procedures:
                group.create_task(self._commands.run(), name=f"{self.name} control points")
            if self._faults.drop_link_ns is not None:
                group.create_task(self._drop_links(self._faults.drop_link_ns / 1e9), name=f"{self.name} dropping links")

    async def _begin_to_advertise(self) -> None:
        served, every_ms = bool(self.plugin.served), _ADVERTISING_INTERVAL_MS
        if self.extended and not self.device.supports_le_extended_advertising:
            raise AdapterError(
                f"{self.name} advertises more than {ADVERTISEMENT_BYTES} bytes, and this controller has no extended "
                "advertising; use one of Bluetooth 5, or shorten the name or the values"
            )
        if self.extended:
            self._set = await self.device.create_advertising_set(
                AdvertisingParameters(
                    AdvertisingEventProperties(is_connectable=served),
                    primary_advertising_interval_min=every_ms,
                    primary_advertising_interval_max=every_ms,
                ),
                random_address=self.device.random_address,
                advertising_data=self._advertisement(),
                auto_restart=True,
            )
            return
        self.device.advertising_data = self._advertisement()
        await self.device.start_advertising(
            AdvertisingType.UNDIRECTED_CONNECTABLE_SCANNABLE if served else AdvertisingType.UNDIRECTED,
            auto_restart=True,
            advertising_interval_min=every_ms,
            advertising_interval_max=every_ms,
        )
        self._set = self.device.legacy_advertising_set  # None with a controller that has no sets

    def _advertisement(self) -> bytes:
        """Flags, name, what is broadcast and, where it fits, the first own service."""
        parts = [(AdvertisingData.FLAGS, b"\x06"), (AdvertisingData.COMPLETE_LOCAL_NAME, self.name.encode())]
        parts += self._broadcast.values()
        own = next((UUID(c.service) for c in self.plugin.served.values() if not c.service.startswith("0000")), None)
        whole = [*parts, (AdvertisingData.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS, bytes(own))] if own else parts
        nameless = [part for part in parts if part[0] is not AdvertisingData.COMPLETE_LOCAL_NAME]
        most = EXTENDED_BYTES if self.extended else ADVERTISEMENT_BYTES
        fitting = (data for one in (whole, parts, nameless) if len(data := bytes(AdvertisingData(one))) <= most)
        return next(fitting, b"")

    async def _sense(self, pace: Pace) -> None:
        """Produce this sensor's values on its period for as long as it is on and somebody listens."""
        loop = asyncio.get_running_loop()
        item = self.plugin.characteristics[pace.sensor.data]
        stored: deque[bytes] = deque(maxlen=item.stores)
        due = loop.time()
        while True:
            if stored and pace.on and self._listener(item):
                await self._push(item, stored.popleft(), wait=True)
                continue
            keeps = item.stores or item.name in self._commands.kept
            active = pace.on and (keeps or self._listener(item))
            period = self._settings.period_of(pace) * self._faults.slow
            due = max(due + period, loop.time())
            try:
                async with asyncio.timeout_at(due if active else None):
                    await pace.changed.wait()
                pace.changed.clear()
                due = loop.time()
            except TimeoutError:
                if pace.on and (keeps or self._listener(item)):
                    try:
                        payload = self._payload(item, advance=True)
                    except EncodeError:  # its signals do not fit at this moment: a value that is not sent
                        continue
                    if (kept := self._commands.kept.get(item.name)) is not None:  # until it is asked for
                        kept.append(payload)
                        continue
                    for value in self._packed(item, payload):
                        if self._listener(item):
                            await self._push(self.plugin.on_air(item.name), value)
                        else:
                            stored.append(value)

    def _listener(self, item: Characteristic) -> bool:
        own = self.plugin.on_air(item.name)
        subscribers = self.device.gatt_server.subscribers.get(self._link, {})
        return own.broadcast is not None or any(subscribers.get(self._served[own.name].handle, b""))

    async def _push(self, item: Characteristic, payload: bytes, wait: bool = False) -> None:
        """Send a value; where too many are on their way it is dropped, unless it can ``wait``."""
        payload = self._shortened(item, payload)
        if self._faults.lose and self._chance.random() < self._faults.lose:
            return
        if item.broadcast is not None:
            alone = item.layout.message is None and item.step is None
            await self._advertise(item.broadcast, payload, alone)
            return
        queue = self.device.host.le_acl_packet_queue
        if wait and self._link is not None and queue is not None and queue.pending >= _WAITING_PACKETS:
            with contextlib.suppress(ValueError):  # nothing was sent on this link yet
                await queue.drain(self._link.handle)
        if self._link is None or (queue is not None and queue.pending >= _WAITING_PACKETS):
            return
        if "notify" in item.properties:
            await self.device.notify_subscriber(self._link, self._served[item.name], payload)
        else:
            with contextlib.suppress(TimeoutError, core.TimeoutError):  # nobody confirmed: the link is on its way out
                await self.device.indicate_subscriber(self._link, self._served[item.name], payload)

    async def _advertise(self, part: Broadcast, payload: bytes, alone: bool) -> None:
        """Have the advertisements carry a value from now on; where other messages come in the same part of them, for
        long enough to be heard before the next."""
        if part.company is not None:
            kind = AdvertisingData.MANUFACTURER_SPECIFIC_DATA
        else:
            short = len(part.head) == 2  # bytes of a UUID that Bluetooth has assigned
            kind = AdvertisingData.SERVICE_DATA_16_BIT_UUID if short else AdvertisingData.SERVICE_DATA_128_BIT_UUID
        async with self._advertised.setdefault(part, asyncio.Lock()):
            self._broadcast[part] = kind, part.head + payload
            self.device.advertising_data = data = self._advertisement()
            if self._set is not None:
                await self._set.set_advertising_data(data)
            else:
                await self.device.send_sync_command(HCI_LE_Set_Advertising_Data_Command(advertising_data=data))
            task = asyncio.current_task()
            if task is not None and task.cancelling():  # before Python 3.12 an answer that comes at once hides that
                raise asyncio.CancelledError
            if not alone:
                await asyncio.sleep(2 * _ADVERTISING_INTERVAL_MS / 1e3)

    def _packed(self, item: Characteristic, payload: bytes) -> list[bytes]:
        """The values that carry a message, by all steps that unpack it."""
        values = [payload]
        for outer in self.plugin.carriers(item.name):
            if outer.step is not None:
                packed: list[bytes] = []
                for one in values:
                    packed += outer.step.pack(one, self._room, self._sent[outer.name] + len(packed))
                self._sent[outer.name] += len(packed)
                values = packed
        return values

    @property
    def _room(self) -> int:
        """Bytes of a notification."""
        return int(self._link.att_mtu if self._link else att.ATT_DEFAULT_MTU) - 3

    def _shortened(self, item: Characteristic, payload: bytes) -> bytes:
        """The payload, a byte short when that fault is due."""
        every = self._faults.wrong_length_every
        return payload[:-1] if every and self._counts[item.name] % every == 0 else payload

    async def _drop_links(self, after_s: float) -> None:
        """End each link this long after it was made."""
        while True:
            await self._linked.wait()
            link = self._link
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(after_s):
                    await self._gone.wait()
            if link is not None and link == self._link:
                await link.disconnect()


def _uuid(text: str) -> UUID:
    """Two bytes where Bluetooth has assigned the number, as a node sends it."""
    number = short_number(text)
    return UUID(text) if number is None else UUID.from_16_bits(number)
