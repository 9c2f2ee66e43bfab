"""One node's life: seek, link, set up, listen until the link is lost or silent for too long, and again,
with growing pauses where it keeps failing. All that happens goes to the sink, stamped where it happens."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Awaitable, Callable
from dataclasses import replace
from functools import partial
from typing import Any, TypeVar

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.device import BLEDevice

from gateway.config import NodeConfig
from gateway.host.clock import Clock
from gateway.model import events
from gateway.model.errors import GoneError, NodeError, RadioError
from gateway.model.gatt import FoundTable
from gateway.model.link import LinkState, State
from gateway.model.records import Frame, Sink
from gateway.plugin import Plugin
from gateway.radio import Radio
from gateway.session.deadline import disconnect, request, within
from gateway.session.discover import forget, structure
from gateway.session.pair import encrypt
from gateway.session.procedure import Answers, perform
from gateway.session.seek import Seeker, Sighting
from gateway.session.setup import check_descriptors, read_identity, resolve, wanted_channels, write_settings

CONNECT_S = 20.0
PROBE_S = 5.0
NOT_FOUND_EVERY_S = 30.0
SIGNAL_EVERY_S = 30.0
BACKOFF_FIRST_S = 0.5
BACKOFF_MOST_S = 30.0
UNFIT_AFTER = 3  # links in a row that lack the same: a system may show half a table, or one of yesterday
FEW = 5  # links that every controller holds: what some dongles are known for
BOND_LINKS = 3  # in a row that fail, until a bond counts as lost
UNKNOWN_REASON = "no reason reported by the system"
T = TypeVar("T")


class _Link:
    """One link; callbacks that carry an earlier one are late."""

    def __init__(self, plugin: Plugin) -> None:
        self.answers = Answers(plugin)
        self.lost = asyncio.Event()
        self.lost_ns: int | None = None
        self.last_ns = 0
        self.why = ""


class NodeSession:
    """Keeps one node listened to.

    Args:
        node: what to do with it.
        radio: where clients come from.
        seeker: finds it.
        gate: held while connecting.
        sink: takes frames and events.
        clock: stamps them.
        chance: jitter of the pauses.
        on_link: called when the node was connected to (True), and when its link ended.
    """

    def __init__(
        self,
        node: NodeConfig,
        radio: Radio,
        seeker: Seeker,
        gate: asyncio.Lock,
        sink: Sink,
        clock: Clock,
        chance: random.Random,
        on_link: Callable[[bool], None] | None = None,
    ) -> None:
        self.node = node
        self.state = LinkState()
        self.late_callbacks = 0
        self.unfit = ""
        self._radio, self._seeker, self._gate = radio, seeker, gate
        self._sink, self._clock, self._chance = sink, clock, chance
        self._on_link = on_link or (lambda _: None)
        self._link: _Link | None = None
        self._found: dict[str, Any] = {}
        self._address = ""
        self._refusals = 0  # links in a row that a node which is bonded did not take
        self._stale = ""  # why the table that the system shows is to be forgotten
        self._forgot = False  # the system was asked to forget the table, and none has matched since

    async def run(self) -> None:
        """Live until cancelled, or until the node turns out to be unfit for its plugin."""
        failures = lacking = 0
        before = ""
        try:
            while True:
                try:
                    await self._once()
                    failures = lacking = 0
                except NodeError as error:
                    failures, lacking = failures + 1, lacking + 1 if str(error) == before else 1
                    before = str(error)
                    if lacking == UNFIT_AFTER:
                        self.unfit = before
                        self._tell(events.Unfit(reason=before))
                        return
                    self._tell(events.ConnectFailed(state=self.state.state.value, reason=before))
                except Exception as error:  # one node's surprise must not end the run of the others
                    failures += 1
                    reason = str(error) if isinstance(error, RadioError) else f"unexpected: {error!r}"
                    self._tell(events.ConnectFailed(state=self.state.state.value, reason=reason))
                most = min(BACKOFF_MOST_S, BACKOFF_FIRST_S * 2 ** min(failures, 10))
                await asyncio.sleep(self._chance.uniform(BACKOFF_FIRST_S / 2, most))
        finally:
            if self.late_callbacks:
                self._tell(events.LateCallbacks(count=self.late_callbacks))
            if not self.unfit:
                self.state = replace(self.state, state=State.ENDED)

    def _tell(self, detail: events.Detail, t_ns: int | None = None) -> None:
        event = events.LinkEvent(self._clock.now_ns() if t_ns is None else t_ns, self.node.name, detail)
        self.state = self.state.after(event)
        self._sink.event(event)

    async def _once(self) -> None:
        """One link, from seeking to its loss.

        Raises:
            NodeError: the node can't be used as declared.
            RadioError: it could not be linked or set up.
        """
        if self.state.state is State.WAITING:
            self.state = replace(self.state, state=State.SEARCHING)
        sighting = await self._find()
        self._tell_address(sighting.device.address)
        self._tell(events.Found(address=self._address, name=sighting.name, rssi_dbm=sighting.rssi_dbm))
        link = _Link(self.node.plugin)
        client = self._radio.client(sighting.device, partial(self._ended, link), self.node.pairing)
        try:
            async with self._gate:
                await self._connect(client, link, sighting.device)
                self._tell(self._radio.link_facts(client))
                if (pairing := self.node.pairing) is not None:  # one at a time: a system asks one agent for passkeys
                    self._tell(await encrypt(self._radio, client, sighting.device, pairing, link.lost))
            self._link, self._seeker.linked[self._address] = link, self.node
            self._on_link(True)
            await self._set_up(client, link, sighting.device)
            self._ready()
            await self._listen(client, link)
            self._loss(link, self._radio.loss_reason(client))
        finally:
            self._seeker.linked.pop(self._address, None)
            self._on_link(False)
            if link.lost.is_set():
                self._link = None
            if trouble := await disconnect(client):  # meanwhile values may still come
                self._tell(events.RadioTrouble(reason=trouble))
            self._link = None
            if self._stale:  # removed while it is connected, BlueZ shows no services ever after
                why, self._stale = self._stale, ""
                await forget(self._radio, sighting.device)
                self._tell(events.Forgotten(address=self._address, reason=why))

    async def _connect(self, client: BleakClient, link: _Link, device: BLEDevice) -> None:
        """Connect; a node that was paired and has lost its bond can't be connected to until the system forgets it too.

        Raises:
            RadioError: it did not connect.
        """
        try:
            await within(CONNECT_S, "connecting", client.connect(), link.lost)
            self._refusals = 0
        except RadioError as error:
            self._refusals += self.node.pairing is not None and await self._radio.bonded(device)
            if self._refusals == BOND_LINKS:
                self._refusals = 0
                self._stale = f"{BOND_LINKS} links in a row failed though it is paired; it may have lost its bond"
            held = len(self._seeker.linked)
            hints = ["the passkey may be wrong"] if self.node.pairing is not None and not self._refusals else []
            if self.node.pairing is None and link.lost.is_set():
                hints.append("where the node asks for pairing, its plugin has to declare security")
            hints += [f"{held} links are held already, and some controllers hold only {held}"] if held >= FEW else []
            raise RadioError("; ".join([str(error), *hints])) from error

    def _tell_address(self, address: str) -> None:
        if self._address not in ("", address):
            may = "it may be a resolvable private address, which changes by itself; or this is another node"
            random = address[:1] in "4567" and address[2:3] == ":"  # its two most significant bits are 01
            note = may if random else "this may be another node of the same name"
            name = self.node.find_name or ""
            self._tell(events.AddressDiffers(name=name, before=self._address, found=address, note=note))
        self._address = address

    def _doubt(self, device: BLEDevice, why: str) -> None:
        """A table contradicts the plugin: once until one fits, have the system forget it.

        Raises:
            RadioError: it remembers tables, and is to look again.
        """
        if not self._forgot and self._radio.remembers(device):
            self._forgot, self._stale = True, why
            raise RadioError(f"{why}; looking again at what the node itself has")

    async def _find(self) -> Sighting:
        while True:
            try:
                async with asyncio.timeout(NOT_FOUND_EVERY_S):
                    return await self._seeker.find(self.node)
            except TimeoutError:
                self._tell(events.NotFound(sought=self.node.find_name or self.node.find_address or ""))

    def _ended(self, link: _Link) -> None:
        """The stack says that a link ended."""
        if link.lost_ns is None:
            link.lost_ns = self._clock.now_ns()
            link.lost.set()

    def _ready(self) -> None:
        now_ns = self._clock.now_ns()
        if self._link is not None:
            self._link.last_ns = now_ns
        lost_ns = self.state.away_ns
        self._tell(events.Ready(), now_ns)
        if lost_ns is not None:
            self._tell(events.Reconnected(after_s=(now_ns - lost_ns) / 1e9), now_ns)

    def _loss(self, link: _Link, reason: str) -> None:
        self._tell(events.Lost(reason=link.why or reason or UNKNOWN_REASON), link.lost_ns)

    async def _set_up(self, client: BleakClient, link: _Link, device: BLEDevice) -> None:
        found = FoundTable(self.node.name, mtu=self._radio.att_mtu(client))
        structure(client, found)
        if not found.services:
            raise RadioError("the system reports no services")
        if (facts := found.facts()) != self._found:  # once a run, and again after an update of the firmware
            self._found = facts
            self._tell(events.TableFound.of(facts))
        try:
            table = resolve(client, self.node)
        except NodeError as error:
            self._doubt(device, str(error))
            raise

        def do(what: str, work: Awaitable[T]) -> Awaitable[T]:
            return request(what, work, link.lost)

        if said := await read_identity(client, do):
            self._tell(events.Identity(more=said))
        for name in self.node.plugin.constants:
            raw = bytes(await do(f"reading {name}", client.read_gatt_char(table[name])))
            self._sink.frame(Frame(self._clock.now_ns(), self.node.name, name, raw))
            self._tell(events.ConstantRead(characteristic=name, raw=raw.hex()))
        differ = await check_descriptors(self.node, table, do, client)
        if differ:
            self._doubt(device, f"{differ[0].characteristic}: {differ[0].found}")
        self._forgot = bool(differ)
        for one in differ:
            self._tell(one)
        await write_settings(client, self.node, table, do, self._tell, self._clock.now_ns)
        subscribed: set[str] = set()
        for name in wanted_channels(self.node)[0]:
            uuid = self.node.plugin.characteristics[name].uuid
            if uuid not in subscribed:  # several messages come by one subscription
                await do(f"subscribing to {name}", client.start_notify(table[name], self._receiver(link, name)))
            subscribed.add(uuid)
            way = "notify" if "notify" in table[name].properties else "indicate"
            self._tell(events.Subscribed(channel=name, way=way))
        self._table = table

    def _receiver(self, link: _Link, channel: str) -> Callable[[BleakGATTCharacteristic, bytearray], None]:
        """The callback for one channel: stamp, queue, return."""
        now_ns, push, name = self._clock.now_ns, self._sink.frame, self.node.name
        plugin = self.node.plugin
        several = plugin.characteristics[channel].layout.message is not None

        def received(_: BleakGATTCharacteristic, data: bytearray) -> None:
            if link is not self._link:
                self.late_callbacks += 1
                return
            link.last_ns = t_ns = now_ns()
            raw = bytes(data)
            came = plugin.named(channel, raw) if several else channel
            push(Frame(t_ns, name, came, raw))
            link.answers.take(came, raw)

        return received

    async def _listen(self, client: BleakClient, link: _Link) -> None:
        """Poll and watch until the link is lost or given up."""
        tasks: list[asyncio.Task[Any]] = []
        async with asyncio.TaskGroup() as group:
            for name in wanted_channels(self.node)[1]:
                tasks.append(group.create_task(self._poll(client, link, name), name=f"{self.node.name} poll {name}"))
            tasks.append(group.create_task(self._watch(client, link), name=f"{self.node.name} watch"))
            tasks.append(group.create_task(self._sample_signal(client, link), name=f"{self.node.name} signal"))
            if self.node.procedures:
                tasks.append(group.create_task(self._perform(client, link), name=f"{self.node.name} procedures"))
            await link.lost.wait()
            for task in tasks:
                task.cancel()

    async def _perform(self, client: BleakClient, link: _Link) -> None:
        """Carry out the procedures in their order, one at a time as a control point wants it, and again when due."""
        loop = asyncio.get_running_loop()

        async def write(name: str, raw: bytes) -> None:
            target = self._table[name]
            response = "write" in target.properties
            await request(f"writing {name}", client.write_gatt_char(target, raw, response=response), link.lost)

        due = [(loop.time(), place, use) for place, use in enumerate(self.node.procedures)]
        while due:
            when, place, use = min(due, key=lambda one: one[:2])
            await asyncio.sleep(when - loop.time())
            due.remove((when, place, use))
            try:
                told = await perform(
                    self.node.plugin, use.procedure, use.arguments, link.answers, write, link.lost, self._clock.now_ns
                )
            except RadioError:
                return  # the link was lost; they begin anew with the next
            self._tell(told)
            if use.every_ns is not None:
                due.append((max(when + use.every_ns / 1e9, loop.time()), place, use))

    async def _poll(self, client: BleakClient, link: _Link, channel: str) -> None:
        """Read a channel on its period; a read that fails is an event."""
        loop = asyncio.get_running_loop()
        received = self._receiver(link, channel)
        target, period_s = self._table[channel], self.node.poll_ns[channel] / 1e9
        due = loop.time()
        while True:
            try:
                received(target, await request(f"reading {channel}", client.read_gatt_char(target), link.lost))
            except RadioError as error:
                if isinstance(error, GoneError):
                    link.why = str(error)
                    self._ended(link)
                    return
                self._tell(events.PollFailed(channel=channel, reason=str(error)))
            due = max(due + period_s, loop.time())
            await asyncio.sleep(due - loop.time())

    async def _sample_signal(self, client: BleakClient, link: _Link) -> None:
        """Tell the signal strength of the link now and then, where the radio knows it."""
        while True:
            try:
                found = await request("reading the signal strength", self._radio.signal_dbm(client), link.lost)
            except RadioError:
                return  # a controller that does not answer this once won't later
            if found is None:
                return
            self._tell(events.SignalStrength(rssi_dbm=found))
            await asyncio.sleep(SIGNAL_EVERY_S)

    async def _probe(self, client: BleakClient, link: _Link) -> str:
        """What a silent node answers to a read."""
        subscribed = {self._table[name].handle for name in wanted_channels(self.node)[0]}
        every = client.services.characteristics.values()  # BlueZ passes a read of a subscribed one on as a notification
        readable = next((c for c in every if c.handle not in subscribed and "read" in c.properties), None)
        if readable is None:
            return "nothing to probe with: all that can be read is subscribed"
        try:
            await within(PROBE_S, "probing", client.read_gatt_char(readable), link.lost)
        except RadioError as error:
            return str(error)
        return "it responds to a read"

    async def _watch(self, client: BleakClient, link: _Link) -> None:
        """Give up a link that is up but silent for longer than it may be."""
        allowed_ns = self.node.silent_after_ns
        while True:
            heard_ns = link.last_ns
            quiet_ns = self._clock.now_ns() - heard_ns
            if quiet_ns < allowed_ns:
                await asyncio.sleep(max((allowed_ns - quiet_ns) / 1e9, 0.01))
                continue
            answer = await self._probe(client, link)
            if link.last_ns == heard_ns:
                break
        if not link.lost.is_set():
            self._tell(events.Silent(silent_s=quiet_ns / 1e9, probe=answer))
            link.why = f"silent for {quiet_ns / 1e9:.1f} s, link dropped ({answer})"
            link.lost_ns = heard_ns  # its last sign of life; the event above has the time it was given up
            link.lost.set()
