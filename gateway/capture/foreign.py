"""A capture that another tool made, as records: what was heard of attributes is placed on the nodes and channels
that plugins declare, what happened to links becomes events."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from gateway.capture.advertised import advertiser, fitting, misfit, parts_of
from gateway.capture.att import CCCD, Advertised, Happened, Heard, How, Scanning, ServerTable
from gateway.capture.handles import guess
from gateway.capture.hci import Directory
from gateway.capture.links import heard_in
from gateway.capture.record import Header, Record, Trouble
from gateway.model import events
from gateway.model.events import LinkEvent
from gateway.model.link import LinkState
from gateway.model.records import Frame
from gateway.plugin import Characteristic, Plugin
from gateway.plugin.hearing import HEARD_EVERY_S, Hearing
from gateway.plugin.standard.adopted import short_number
from gateway.plugin.standard.assigned import IDENTITY, identity_text

_MOST_ADDRESSES = 10_000
_LINKED = events.Connected | events.Lost | events.Disconnected
_PUSHED = (How.NOTIFIED, How.INDICATED)
_CONFIGURATIONS = {bytes([bits, 0]) for bits in range(4)}  # off, notify, indicate, both: Vol 3, Part G, 3.3.3.3
_MOST_READ = 50  # of a channel that sends nothing, until it counts as polled
_MOST_UNKNOWN, _MOST_SAMPLES, _MOST_WAYS = 32, 8, 1000
_MOST_NAMELESS, _MOST_WAITING = 1000, 200  # addresses whose name may yet come, and advertisements of each
_NAMELESS = "advertisement of an address whose name is not in the capture"
_GONE_NS = 600_000_000_000  # after which a stranger is told of no scan any more: phones change their addresses
_MOST_HELD = 1000  # events of an address that may yet turn out to be a node


@dataclass(slots=True)
class _Node:
    """An address, and what it turned out to be."""

    address: str
    name: str = ""
    plugin: Plugin | None = None
    items: Mapping[str, Characteristic] = field(default_factory=dict)
    held: list[Heard | Happened] = field(default_factory=list)
    pushed: set[str] = field(default_factory=set)  # channels that were subscribed to, or sent something
    polled: set[str] = field(default_factory=set)  # those that were read so often that they count as polled
    read: dict[str, list[Heard]] = field(default_factory=dict)  # values of others, until it turns out what they are
    sending: dict[str, str] = field(default_factory=dict)  # channels by UUID, of a link that is up and set up
    unknown: dict[int, list[bytes]] = field(default_factory=dict)  # values of handles that were not discovered
    link: LinkState = field(default_factory=LinkState)
    hearing: Hearing | None = None  # where it advertises values

    def named(self, name: str, raw: bytes) -> str:
        """The channel of a value that came by this name, where that carries several messages."""
        return name if self.plugin is None else self.plugin.named(name, raw)

    def event(self, t_ns: int, detail: events.Detail) -> LinkEvent:
        """Something that happened to it, from which its link follows."""
        event = LinkEvent(t_ns, self.name, detail)
        self.link = self.link.after(event)
        if self.link.up_ns is None:
            self.sending.clear()
        return event


class ForeignCapture:
    """A pcap, pcapng or snoop file, read packet by packet in constant memory.

    Args:
        path: the file.
        plugins: what its nodes may be; a node is of the first that declares a characteristic heard of it. One
            that Bluetooth has adopted tells nothing where the plugin declares some of its own as well.
        nodes: names of nodes by address (capitals) or advertised name; others go by their address.
        handles: for links whose discovery is not in the capture: characteristic names of the plugins, or UUIDs,
            by attribute handle.
        keys: long term keys of links that are encrypted.

    Attributes:
        header: filled as nodes turn up.
        trouble: what could not be read or placed, once the records have been read.
        ended: always None.
    """

    def __init__(
        self,
        path: Path,
        plugins: Sequence[Plugin],
        nodes: Mapping[str, str],
        handles: Mapping[int, str],
        keys: tuple[bytes, ...] = (),
    ) -> None:
        self.path = path
        self.trouble = Trouble()
        self.ended: tuple[int, str] | None = None
        self._kinds: dict[str, str] = {}
        self.header = Header("recorded", "", path.name, self._kinds)
        self._plugins = [(plugin, {item.uuid: item for item in plugin.served.values()}) for plugin in plugins]
        self._names = nodes
        self._known = ServerTable(values=dict(handles))
        self._directory = Directory(keys=keys)
        self._nodes: dict[str, _Node] = {}
        self._advertisers = [plugin for plugin in plugins if plugin.broadcasts]
        self._hearings: dict[str, Hearing] = {}  # by node, which may go by several addresses one after another
        self._heard_ns: dict[str, int] = {}  # when a stranger was heard last
        self._waiting: dict[str, list[Advertised]] = {}  # of addresses whose name is not known yet
        self._strangers: dict[str, None] = {}  # addresses of which it is not known what they are
        self._scanning_ns: int | None = None  # since when advertisements are heard
        self._told_ns = 0  # when it was told last how they were heard

    def records(self) -> Iterator[Record]:
        """Its records, in the order of the file.

        Raises:
            InputError: it can't be opened, or is of a link type that is not read.
        """
        nodes, last_ns = self._nodes, 0
        for item in heard_in(self.path, self._directory, self.trouble):
            last_ns = item.t_ns
            if type(item) is Heard and item.how in _PUSHED and (node := nodes.get(item.server)) is not None:
                name = node.sending.get(item.uuid)  # all but the first few, so by a short way
                if name is not None:
                    yield Frame(item.t_ns, node.name, name, item.raw)
                    continue
            if isinstance(item, Scanning | Advertised):
                yield from self._heard(item) if self._advertisers else ()
            else:
                yield from self._place(item)
        yield from self._tell_heard(last_ns)
        for waiting in self._waiting.values():
            for one in waiting:
                self.trouble.note(_NAMELESS, one.t_ns)
        for node in self._nodes.values():
            for name, values in node.read.items():
                yield from (Frame(one.t_ns, node.name, node.named(name, one.raw), one.raw) for one in values)
            for held in node.held:
                if isinstance(held, Heard):
                    self.trouble.note(f"value of {node.address}, which has no known plugin", held.t_ns)

    def _heard(self, item: Scanning | Advertised) -> Iterator[Record]:
        """What was advertised, and while it would have been heard."""
        if isinstance(item, Scanning):
            self._scanning_ns = item.t_ns if item.on else None
            for own, hearing in self._hearings.items():
                if item.t_ns - self._heard_ns.get(own, item.t_ns) < _GONE_NS:
                    yield from hearing.scanning(item.on, item.t_ns)
            return
        name = self._directory.names.get(item.server, "")
        node = self._nodes.get(item.server)
        items = [item]
        if node is None or node.plugin is None:
            items = [*self._waiting.pop(item.server, []), item]
            found = next(
                (one for each in items if (one := advertiser(each, name, self._advertisers, self._names))), None
            )
            if found is None:
                self._wait(item, name, items)
                return
            node = self._node(item.server)
            yield from self._is(node, found)
        if (listened := node.hearing) is not None:
            for each in items:
                yield from self._take(listened, node.name, each, name)
        self._told_ns = self._told_ns or item.t_ns
        if item.t_ns - self._told_ns >= HEARD_EVERY_S * 1e9:
            yield from self._tell_heard(item.t_ns)

    def _take(self, hearing: Hearing, own: str, item: Advertised, name: str) -> Iterator[Record]:
        if not self._names:
            if item.t_ns - self._heard_ns.get(own, item.t_ns) >= _GONE_NS and self._scanning_ns is not None:
                yield from hearing.scanning(True, item.t_ns)  # it was gone, and nothing was told of it meanwhile
            self._heard_ns[own] = item.t_ns
        if hearing.listening:
            yield from hearing.take(item.t_ns, item.server, name, item.rssi_dbm, parts_of(item.data))

    def _wait(self, item: Advertised, name: str, items: list[Advertised]) -> None:
        """Keep what may turn out to be of a node that is known by its name, until its address has told that."""
        if not self._names:
            if told := misfit(item, self._advertisers):
                self.trouble.note(told, item.t_ns)
        elif not name and next(fitting(items[0], self._advertisers), None) is not None:
            if len(items) > _MOST_WAITING or len(self._waiting) >= _MOST_NAMELESS:
                self.trouble.note(_NAMELESS, items.pop().t_ns)
            if items:
                self._waiting[item.server] = items

    def _tell_heard(self, t_ns: int) -> Iterator[Record]:
        self._told_ns = t_ns
        for hearing in self._hearings.values():
            yield from hearing.heard(t_ns)

    def _node(self, address: str) -> _Node:
        node = self._nodes.get(address)
        if node is None and len(self._nodes) >= _MOST_ADDRESSES:
            oldest = next(iter(self._strangers), next(iter(self._nodes)))
            self._nodes.pop(oldest)
            self._strangers.pop(oldest, None)
        if node is None:
            node = self._nodes[address] = _Node(address)
            self._strangers[address] = None
        return node

    def _place(self, item: Heard | Happened) -> Iterator[Record]:
        if isinstance(item, Heard) and item.how is How.READ_REFUSED:
            return
        node = self._node(item.server)
        if isinstance(item, Heard):
            yield from self._value(node, item)
        elif node.plugin is not None:
            yield node.event(item.t_ns, item.detail)
            if node.hearing is not None and isinstance(item.detail, _LINKED):
                yield from node.hearing.linked(isinstance(item.detail, events.Connected), item.t_ns)
        else:
            self._hold(node, item)

    def _hold(self, node: _Node, item: Heard | Happened) -> None:
        """Keep what comes before it is known what a node is."""
        if len(node.held) < _MOST_HELD:
            node.held.append(item)
        elif isinstance(item, Heard):
            self.trouble.note(f"value of {node.address}, which has no known plugin", item.t_ns)

    def _value(self, node: _Node, heard: Heard) -> Iterator[Record]:
        uuid = heard.uuid or self._known.values.get(heard.handle, "")
        below = self._known.values.get(heard.handle - 1, "")
        if not uuid and below and heard.how is How.WRITTEN and heard.raw in _CONFIGURATIONS:
            uuid, heard = CCCD, heard._replace(owner=below)  # right behind a value that was named
        if uuid == CCCD:
            yield from self._subscription(node, heard)
            return
        if not uuid:
            self._keep_unknown(node, heard)
            self.trouble.note(
                f"value of handle 0x{heard.handle:04X} of {node.address}, whose discovery is not in the capture "
                "(name it with --handles)",
                heard.t_ns,
            )
            return
        yield from self._met(node, uuid)
        item = node.items.get(uuid)
        if item is None and heard.how is How.READ and (name := IDENTITY.get(short_number(uuid) or 0)) is not None:
            if node.plugin is None:
                self._hold(node, heard)
            else:
                yield node.event(heard.t_ns, events.Identity(more={name: identity_text(heard.raw)}))
            return
        if node.plugin is None and any(uuid in items for _, items in self._plugins):
            self._hold(node, heard)
            return
        if node.plugin is None or item is None:
            if short_number(uuid) is None or not 0x2900 <= (short_number(uuid) or 0) < 0x2A00:  # not a descriptor
                self.trouble.note(f"value of {_short(uuid)}, which no known plugin declares", heard.t_ns)
            return
        if heard.how in (How.WRITTEN, How.REFUSED):
            yield self._written(node, node.plugin, item.name, heard)
            return
        if item.name in node.plugin.settings:
            return
        if item.pushed and heard.how is How.READ and item.name not in node.polled:
            yield from self._read(node, item.name, heard)
            return
        if heard.how is not How.READ:
            yield from self._is_pushed(node, item.name)
        if item.name in node.plugin.constants:
            yield node.event(heard.t_ns, events.ConstantRead(characteristic=item.name, raw=heard.raw.hex()))
        elif node.link.up_ns is None:
            yield from self._ready(node, heard.t_ns)
        elif heard.how in _PUSHED and heard.uuid and item.layout.message is None:
            node.sending[heard.uuid] = item.name
        yield Frame(heard.t_ns, node.name, node.named(item.name, heard.raw), heard.raw)

    def _read(self, node: _Node, name: str, heard: Heard) -> Iterator[Record]:
        """A read of a channel that can send by itself: beside what it sends it is an event, where it sends nothing the
        channel is polled."""
        if node.link.up_ns is None:
            yield from self._ready(node, heard.t_ns)
        if name in node.pushed:
            yield node.event(heard.t_ns, events.ValueRead(channel=name, raw=heard.raw.hex()))
            return
        kept = node.read.setdefault(name, [])
        kept.append(heard)
        if len(kept) >= _MOST_READ:
            node.polled.add(name)
            yield from (Frame(one.t_ns, node.name, node.named(name, one.raw), one.raw) for one in node.read.pop(name))

    @staticmethod
    def _is_pushed(node: _Node, name: str) -> Iterator[Record]:
        """A channel sends by itself: what was read of it before is none of that."""
        node.pushed.add(name)
        for heard in node.read.pop(name, ()):
            yield node.event(heard.t_ns, events.ValueRead(channel=name, raw=heard.raw.hex()))

    @staticmethod
    def _keep_unknown(node: _Node, heard: Heard) -> None:
        if heard.how in _PUSHED and (heard.handle in node.unknown or len(node.unknown) < _MOST_UNKNOWN):
            kept = node.unknown.setdefault(heard.handle, [])
            if len(kept) < _MOST_SAMPLES:
                kept.append(heard.raw)

    def guesses(self) -> Iterator[str]:
        """Which characteristics may stand behind handles that were not discovered, as lines of a file of handles: those
        that notify or indicate in the order in which a plugin declares them, where the lengths of all values fit. A
        guess, to be looked at by whoever knows the node.
        """
        for node in self._nodes.values():
            for plugin, _ in self._plugins if node.unknown else ():
                sent = [item for item in plugin.served.values() if item.pushed]
                for handle, names in guess(node.unknown, sent).items():
                    yield f'0x{handle:04X} = "{names[0]}"' + "".join(f"  # or {name}" for name in names[1:])

    @staticmethod
    def _written(node: _Node, plugin: Plugin, name: str, heard: Heard) -> LinkEvent:
        if heard.how is How.REFUSED:
            refused = events.SettingDiffers(
                characteristic=name, written=heard.raw.hex(), on={}, period_s={}, refused=heard.reason
            )
            return node.event(heard.t_ns, refused)
        meaning = plugin.meaning(name, heard.raw)
        return node.event(
            heard.t_ns, events.SettingWritten(characteristic=name, written=heard.raw.hex(), **meaning._asdict())
        )

    def _subscription(self, node: _Node, heard: Heard) -> Iterator[Record]:
        """A client configuration that was written: the first one that switches something on makes the node ready."""
        yield from self._met(node, heard.owner)
        item = node.items.get(heard.owner)
        if node.plugin is None and any(heard.owner in items for _, items in self._plugins):
            self._hold(node, heard)
        if heard.how is How.REFUSED:
            self.trouble.note(f"subscription refused with {heard.reason}", heard.t_ns)
        if item is None or heard.how is not How.WRITTEN or not heard.raw or not heard.raw[0] & 3:
            return
        way = "notify" if heard.raw[0] & 1 else "indicate"
        yield node.event(heard.t_ns, events.Subscribed(channel=item.name, way=way))
        yield from self._is_pushed(node, item.name)
        if node.link.up_ns is None:
            yield from self._ready(node, heard.t_ns)

    @staticmethod
    def _ready(node: _Node, t_ns: int) -> Iterator[Record]:
        lost_ns = node.link.away_ns
        yield node.event(t_ns, events.Ready())
        if lost_ns is not None:
            yield node.event(t_ns, events.Reconnected(after_s=(t_ns - lost_ns) / 1e9))

    def _met(self, node: _Node, uuid: str) -> Iterator[Record]:
        """The first characteristic that a plugin declares tells what a node is; then what was held comes."""
        if node.plugin is not None:
            return
        for plugin, items in self._plugins:
            if uuid in items and (short_number(uuid) is None or all(short_number(own) for own in items)):
                yield from self._is(node, plugin)
                return

    def _is(self, node: _Node, plugin: Plugin) -> Iterator[Record]:
        """It turned out what a node is."""
        self._strangers.pop(node.address, None)
        node.plugin, node.items = plugin, {item.uuid: item for item in plugin.served.values()}
        advertised = self._directory.names.get(node.address, "")
        node.name = self._names.get(node.address) or self._names.get(advertised) or node.address
        self._kinds[node.name] = plugin.kind
        if plugin.broadcasts and (node.name in self._hearings or len(self._hearings) < _MOST_ADDRESSES):
            node.hearing = self._hearings.setdefault(node.name, Hearing(node.name, plugin))
            if self._scanning_ns is not None:
                yield from node.hearing.scanning(True, self._scanning_ns)
        elif plugin.broadcasts:
            self.trouble.note(f"values of addresses beyond the first {_MOST_ADDRESSES} that advertise", node.address)
        held, node.held = node.held, []
        for item in held:
            yield from self._place(item)


def _short(uuid: str) -> str:
    number = short_number(uuid)
    return uuid if number is None else f"0x{number:04X}"
