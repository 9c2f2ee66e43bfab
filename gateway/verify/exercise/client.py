"""What a step does to a node: write a setting, read it back, listen. Everything written stands in the log as a
setting event, everything heard as a frame, so that the figures of the log are those of the exercise."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Awaitable, Mapping
from contextlib import asynccontextmanager
from functools import partial
from typing import TypeVar

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic

from gateway.host.clock import Clock
from gateway.model import events
from gateway.model.errors import DecodeError, NodeError, PayloadError, RadioError, RefusedError
from gateway.model.records import Frame, Sink
from gateway.model.security import Pairing
from gateway.plugin import Plugin, Sensor, Values
from gateway.plugin.layout.kind import Value
from gateway.plugin.unpack import Unpacking
from gateway.radio import Radio
from gateway.session.deadline import REQUEST_S, disconnect, within
from gateway.session.discover import CONNECT_S, forget, look_for
from gateway.session.node import UNKNOWN_REASON
from gateway.session.pair import encrypt
from gateway.session.procedure import Answers

T = TypeVar("T")
_SOUGHT_S = 15.0
_INTERVAL_S = 0.03  # between connection events, where the system does not tell


class NodeClient:
    """A link to the node under exercise.

    Attributes:
        heard: for each channel the values that came on this link, with their arrival in nanoseconds UTC.
    """

    def __init__(self, who: str, plugin: Plugin, client: BleakClient, lost: asyncio.Event, sink: Sink, clock: Clock):
        self.plugin = plugin
        self.lost = lost
        self.heard: dict[str, list[tuple[int, bytes]]] = {name: [] for name in plugin.channels}
        self._who, self._client, self._sink, self._clock = who, client, sink, clock
        self.answers = Answers(plugin)
        self._came = asyncio.Event()
        self._unpacking = Unpacking()
        self._targets: dict[str, BleakGATTCharacteristic] = {}
        self._off: set[str] = set()  # sensors known to be switched off
        self._written = {name: started(plugin, name) for name in plugin.settings}  # of those that can't be read
        self.paces_s: dict[str, float] = {}  # periods last written
        self.interval_s = _INTERVAL_S
        self.echoes_reads = False  # the system passes a read on as a notification
        self._read: tuple[str, list[tuple[int, bytes]]] | None = None  # what comes of a channel while it is being read

    def now_ns(self) -> int:
        """The time that arrivals are stamped with."""
        return self._clock.now_ns()

    def tell(self, detail: events.Detail) -> None:
        """Put an event of the node into the log."""
        self._sink.event(events.LinkEvent(self.now_ns(), self._who, detail))

    async def do(self, what: str, work: Awaitable[T], seconds: float = REQUEST_S) -> T:
        """Await one request.

        Raises:
            RefusedError: the node answered with an ATT error.
            RadioError: it did not answer, or the link was lost.
        """
        return await within(seconds, what, work, self.lost)

    async def prepare(self) -> None:
        """Find what the plugin declares, and subscribe to what the sensors send.

        Raises:
            NodeError: the node lacks something that the plugin declares.
            RadioError: the link was lost.
        """
        found = {(c.service_uuid, c.uuid): c for c in self._client.services.characteristics.values()}
        for name, item in self.plugin.served.items():
            if (target := found.get((item.service, item.uuid))) is not None:
                self._targets[name] = target
        on_air = [self.plugin.on_air(sensor.data) for sensor in self.plugin.sensors.values()]
        on_air += [self.plugin.on_air(p.answer) for p in self.plugin.procedures.values() if p.answer]
        sent = [item.name for item in on_air if item.pushed]
        missing = [name for name in (*self.plugin.settings, *sent) if name not in self._targets]
        if missing:
            raise NodeError(
                f"{self._who} does not match its plugin {self.plugin.kind}: it has no {', '.join(missing)}; "
                "gattest audit shows what differs"
            )
        for name in {self.plugin.characteristics[name].uuid: name for name in reversed(sent)}.values():
            await self.do(
                f"subscribing to {name}", self._client.start_notify(self._targets[name], self._receiver(name))
            )
        self.tell(events.Ready())

    def _receiver(self, channel: str) -> partial[None]:
        return partial(self._received, channel)

    def _received(self, channel: str, _: BleakGATTCharacteristic, data: bytearray) -> None:
        t_ns, raw = self.now_ns(), bytes(data)
        channel = self.plugin.named(channel, raw)
        if self._read is not None and self._read[0] == channel:
            self._read[1].append((t_ns, raw))
        else:
            self._take(channel, t_ns, raw)

    def _take(self, channel: str, t_ns: int, raw: bytes) -> None:
        self.heard[channel].append((t_ns, raw))
        if channel in self.plugin.steps:
            messages, _ = self._unpacking.take(self._who, self.plugin, channel, [(len(self.heard[channel]), t_ns, raw)])
            for name, ones in messages.items():
                self.heard[name] += [(one.t_ns, one.raw) for one in ones]
        self._sink.frame(Frame(t_ns, self._who, channel, raw))
        self.answers.take(channel, raw)
        self._came.set()

    # Reading and writing

    def readable(self, name: str) -> bool:
        """Whether a declared characteristic can be read."""
        return "read" in self.plugin.characteristics[name].properties and name in self._targets

    async def read(self, name: str) -> bytes:
        """The bytes of a characteristic.

        Raises:
            RadioError: as `do`.
        """
        reading = self._client.read_gatt_char(self._targets[name])
        if not self.echoes_reads or name not in self.heard:
            return bytes(await self.do(f"reading {name}", reading))
        came: list[tuple[int, bytes]] = []
        self._read = name, came
        raw = None
        try:
            raw = bytes(await self.do(f"reading {name}", reading))
            return raw
        finally:
            self._read = None
            echo = next((place for place, (_, one) in enumerate(came) if one == raw), None)
            for place, (t_ns, one) in enumerate(came):
                if place != echo:
                    self._take(name, t_ns, one)

    async def snapshot(self) -> dict[str, bytes]:
        """The bytes of every readable setting and constant."""
        found = {}
        for name in (*sorted(self.plugin.settings), *self.plugin.constants):
            if self.readable(name):
                with contextlib.suppress(RefusedError):  # it was told to be readable, which the audit tells
                    found[name] = await self.read(name)
        return found

    async def before(self, name: str) -> bytes:
        """How a setting stands: as it reads, or as it was last written or is to start where it can't be read.

        Raises:
            RadioError: as `do`.
        """
        return await self.read(name) if self.readable(name) else self._written[name]

    async def write(self, name: str, raw: bytes) -> str:
        """Write bytes; the ATT error that the node answered, "" where it took them."""
        item = self.plugin.characteristics[name]
        acknowledged = "write" in item.properties
        try:
            await self.do(
                f"writing {name}", self._client.write_gatt_char(self._targets[name], raw, response=acknowledged)
            )
        except RefusedError as error:
            self.tell(
                events.SettingDiffers(characteristic=name, written=raw.hex(), on={}, period_s={}, refused=str(error))
            )
            return str(error)
        if item.settles_ns:
            await self.do("settling", asyncio.sleep(item.settles_ns / 1e9), item.settles_ns / 1e9 + REQUEST_S)
        meaning = self.plugin.meaning(name, raw)
        self.tell(events.SettingWritten(characteristic=name, written=raw.hex(), **meaning._asdict()))
        self._written[name] = raw
        return ""

    async def command(self, name: str, raw: bytes) -> None:
        """Write to a control point.

        Raises:
            RefusedError: the node answered with an ATT error.
            RadioError: as `do`.
        """
        acknowledged = "write" in self.plugin.characteristics[name].properties
        work = self._client.write_gatt_char(self._targets[name], raw, response=acknowledged)
        await self.do(f"writing {name}", work)

    @asynccontextmanager
    async def unsubscribed(self, channel: str) -> AsyncIterator[None]:
        """For a while nobody listens to a channel.

        Raises:
            RadioError: as `do`.
        """
        name = self.plugin.on_air(channel).name
        await self.do(f"unsubscribing from {name}", self._client.stop_notify(self._targets[name]))
        try:
            yield
        finally:
            again = self._client.start_notify(self._targets[name], self._receiver(name))
            await self.do(f"subscribing to {name}", again)

    async def set(self, sensor: Sensor, on: bool | None = None, period_s: float | None = None) -> str:
        """Pace a sensor, then switch it; what is wrong with how the node took it, "" for nothing.

        Raises:
            RadioError: as `do`.
        """
        if period_s is not None and sensor.period is not None:
            if wrong := await self._put(sensor.pace(round(period_s * 1e9))):
                return wrong
            self.paces_s[sensor.name] = period_s
        if on is not None and sensor.enable is not None:
            self._off.discard(sensor.name)
            wrong = await self._put(sensor.switch(on))
            if not on and not wrong:
                self._off.add(sensor.name)
            return wrong
        return ""

    async def quiet(self, *but: str) -> None:
        """Switch every sensor off that is not known to be, except those named.

        Raises:
            RadioError: as `do`.
        """
        for sensor in self.plugin.sensors.values():
            if sensor.name not in but and sensor.name not in self._off:
                await self.set(sensor, on=False)

    async def _put(self, values: Values) -> str:
        """Write these fields; what is wrong with how the node took them, "" for nothing."""
        for name, fields in values.items():
            try:
                raw = self.plugin.characteristics[name].codec.patch(await self.before(name), fields)
            except PayloadError as error:
                return str(error)
            if refused := await self.write(name, raw):
                return f"refused: {refused}"
            if self.readable(name) and self._differs(name, raw, back := await self.read(name), fields):
                return f"{name} was written {raw.hex()} and reads {back.hex() or 'nothing'}"
        return ""

    def _differs(self, name: str, written: bytes, back: bytes, fields: Mapping[str, Value]) -> bool:
        """Whether these fields read back otherwise; what became of the others in the record is told by other steps."""
        codec = self.plugin.characteristics[name].codec
        try:
            sent, read = codec.parse(written)[0], codec.parse(back)[0]
        except DecodeError:
            return written != back
        return any(repr(sent[field]) != repr(read[field]) for field in fields)

    # Listening

    async def listen(self, seconds: float) -> int:
        """Wait; when that began.

        Raises:
            RadioError: the link was lost.
        """
        begun_ns = self.now_ns()
        await self.do("listening", asyncio.sleep(seconds), seconds + REQUEST_S)
        return begun_ns

    async def wait_for(self, channel: str, count: int, seconds: float) -> list[tuple[int, bytes]]:
        """The next ``count`` values of a channel, or those that come within ``seconds``.

        Raises:
            RadioError: the link was lost.
        """
        first = len(self.heard[channel])

        async def enough() -> None:
            while len(self.heard[channel]) < first + count:
                self._came.clear()
                await self._came.wait()

        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self.do("listening", enough(), seconds + REQUEST_S)
        return self.heard[channel][first : first + count]

    def since(self, channel: str, t_ns: int) -> list[tuple[int, bytes]]:
        """What came of a channel from a time on."""
        return [one for one in self.heard[channel] if one[0] >= t_ns]


def started(plugin: Plugin, name: str) -> bytes:
    """A setting as it is declared to be after power-up."""
    return plugin.characteristics[name].codec.build(plugin.started(name))


@asynccontextmanager
async def link(
    who: str, plugin: Plugin, pairing: Pairing | None, radio: Radio, sink: Sink, clock: Clock
) -> AsyncIterator[NodeClient]:
    """Find the node, link it, and let it go in the end.

    Args:
        pairing: what to pair with, None where the node asks for nothing.

    Raises:
        AdapterError: Bluetooth can't be used.
        NodeError: it lacks something that the plugin declares.
        RadioError: it was not heard, or did not let itself be linked.
    """
    try:
        async with _linked(who, plugin, pairing, radio, sink, clock, doubted=True) as node:
            yield node
        return
    except _StaleTableError as stale:
        device, why = stale.args
        await forget(radio, device)
        sink.event(events.LinkEvent(clock.now_ns(), who, events.Forgotten(address=device.address, reason=why)))
    async with _linked(who, plugin, pairing, radio, sink, clock) as node:
        yield node


class _StaleTableError(Exception):
    """A table that lacks something and may be one of yesterday: the device, and what it lacks."""


@asynccontextmanager
async def _linked(
    who: str,
    plugin: Plugin,
    pairing: Pairing | None,
    radio: Radio,
    sink: Sink,
    clock: Clock,
    doubted: bool = False,
) -> AsyncIterator[NodeClient]:
    device, _ = await look_for(radio, who, _SOUGHT_S, until_heard=True)
    if device is None:
        raise RadioError(f"no advertisement from {who} within {_SOUGHT_S:g} s")
    lost = asyncio.Event()
    client = radio.client(device, lost.set, pairing)
    node = NodeClient(who, plugin, client, lost, sink, clock)
    try:
        await within(CONNECT_S, "connecting", client.connect(), lost)
        facts = radio.link_facts(client)
        node.tell(facts)
        if pairing is not None:
            node.tell(await encrypt(radio, client, device, pairing, lost))
        node.echoes_reads = radio.echoes_reads(client)
        if facts.connection_interval_ms is not None:
            node.interval_s = facts.connection_interval_ms / 1000
        try:
            await node.prepare()
        except NodeError as error:
            if doubted and radio.remembers(device):
                raise _StaleTableError(device, str(error)) from None
            raise
        yield node
    finally:
        if lost.is_set():
            node.tell(events.Lost(reason=radio.loss_reason(client) or UNKNOWN_REASON))
        else:
            node.tell(events.Disconnected())
        if trouble := await disconnect(client):
            node.tell(events.RadioTrouble(reason=trouble))
