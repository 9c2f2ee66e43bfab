"""Send a log to a broker. What comes to the log is sent within the age of a pack; what the broker missed is sent
beside it, oldest first and no faster than allowed, on topics of its own, so that each topic stays in order. Every frame
is sent at least once: what was sent and not acknowledged when a connection ended is sent again, and a consumer tells it
by run and frame."""

from __future__ import annotations

import asyncio
import json
import sqlite3
import time
from collections import defaultdict
from collections.abc import AsyncIterator, Coroutine
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from aiomqtt import MqttError

from gateway.config import MqttConfig
from gateway.log.outbox import Outbox, Stream
from gateway.log.tail import Stretch, Tail
from gateway.model.errors import BrokerError
from gateway.model.events import EventKind, LinkEvent
from gateway.model.link import LinkState
from gateway.mqtt.link import Broker, Link, first_of
from gateway.mqtt.senml.resolve import CBOR, JSON
from gateway.mqtt.senml.write import packs
from gateway.mqtt.topics import EARLIER, EVENTS, GATEWAY, RUN, RUN_EVENTS, STATE, VERDICTS, below

BLOCK = 5_000  # frames read and sent at a time
EVENTS_AT_A_TIME = 500
LOOK_AGAIN_S = 0.5
NOTE_EVERY_S = 0.5
_SOON_S = 1.0  # within which a block is to be acknowledged
_FEWEST = 100
_FACTS_KEPT = 10  # times as long as packs, which are of no use without


@dataclass(slots=True)
class Progress:
    """How the sending goes; ``trouble`` is "" while the broker takes what it is sent,
    ``done`` once all was sent and the end was asked for."""

    connected: bool = False
    trouble: str = "not connected yet"
    frames: int = 0
    records: int = 0
    behind: int = 0
    done: bool = False


@dataclass(slots=True)
class _Asked:
    """What was asked of a forwarder meanwhile."""

    ending: asyncio.Event = field(default_factory=asyncio.Event)
    verdicts: list[tuple[str, list[dict[str, Any]]]] = field(default_factory=list)


class Forwarder:
    """Sends one log to one broker.

    Args:
        config: the broker.
        log: the file; it may come into being later.
        role: what tells this client from others of the same run file.

    Raises:
        InputError: certificates or credentials can't be used.
    """

    def __init__(self, config: MqttConfig, log: Path, role: str = "") -> None:
        self.progress = Progress()
        self._config, self._log = config, log
        will = json.dumps({"state": "gone"}).encode()
        self._broker = Broker(config, (below(config, GATEWAY), will), name=role)
        self._asked = _Asked()
        self._form = JSON if config.form == "json" else CBOR
        self._links: dict[str, LinkState] = defaultdict(LinkState)
        self._last_note_s = 0.0

    def end(self) -> None:
        """Ask for the end: once all that the log holds is sent."""
        self._asked.ending.set()

    def verdicts(self, node: str, verdicts: list[dict[str, Any]]) -> None:
        """Send a node's verdicts, before the end."""
        self._asked.verdicts.append((node, verdicts))

    async def run(self) -> None:
        """Send until the end was asked for and everything is sent."""
        async with self._open() as (live, earlier, outbox):

            def report(trouble: str) -> None:
                self.progress.connected, self.progress.trouble = not trouble, trouble
                self._behind(earlier, outbox)

            await self._broker.use(lambda link: self._session(link, live, earlier, outbox), report)

    @asynccontextmanager
    async def _open(self) -> AsyncIterator[tuple[Tail, Tail, Outbox]]:
        """The log, once it is there."""
        while True:
            async with AsyncExitStack() as stack:
                try:
                    there = Tail(self._log)  # never makes the file
                    with there:
                        there.heads()
                    outbox = stack.enter_context(Outbox(self._log, self._config.name))  # closed last, and tidies up
                    live, earlier = (stack.enter_context(Tail(self._log)) for _ in range(2))
                    live.heads()
                except sqlite3.Error:
                    pass  # not there yet, or just being made
                else:
                    yield live, earlier, outbox
                    return
            if self._asked.ending.is_set():
                raise BrokerError(f"{self._log} was not created; nothing was sent")
            await asyncio.sleep(LOOK_AGAIN_S)

    def _behind(self, tail: Tail, outbox: Outbox) -> None:
        try:
            head, _ = tail.heads()
        except sqlite3.Error:
            return
        self.progress.behind = sum(last - first + 1 for first, last in outbox.gaps("frame", head))

    # One connection

    async def _session(self, link: Link, live: Tail, earlier: Tail, outbox: Outbox) -> None:
        """Send until all is sent and the end was asked for.

        Raises:
            BrokerError, MqttError: the connection ended, or the broker refused something.
        """
        await self._tell_state(link, "running")
        head, last_event = await asyncio.to_thread(live.heads)
        frame = self._first_missed(live, outbox, "frame", head)
        await self._tell_runs(link, live, frame, self._first_missed(live, outbox, "event", last_event))
        try:
            async with asyncio.TaskGroup() as group:
                watch = group.create_task(link.gone(), name="watching the connection")
                work = [
                    group.create_task(self._live(link, live, outbox, head), name="what comes"),
                    group.create_task(self._earlier(link, earlier, outbox, head), name="what was missed"),
                ]
                await asyncio.wait(work)
                watch.cancel()
        except* (MqttError, BrokerError) as group_of:
            raise first_of(group_of) from None
        except* sqlite3.Error as group_of:
            raise BrokerError(f"{self._log} can't be read: {first_of(group_of)}; retrying") from None
        self._behind(live, outbox)
        for node, verdicts in self._asked.verdicts:
            await link.send(below(self._config, node, VERDICTS), json.dumps(verdicts).encode(), 1, retain=True)
        await self._tell_state(link, "ended")
        self.progress.done = True

    @staticmethod
    def _first_missed(tail: Tail, outbox: Outbox, stream: Stream, head: int) -> int:
        """The first record that the broker has not taken; one beyond all where it has all."""
        gaps = outbox.gaps(stream, head)
        first = tail.following(stream, gaps[0][0]) if gaps else None
        return first if first is not None else 1 << 62

    async def _tell_state(self, link: Link, state: str) -> None:
        told = {"state": state, "utc": datetime.now(UTC).isoformat(timespec="seconds"), "log": self._log.name}
        await link.send(below(self._config, GATEWAY), json.dumps(told).encode(), 1, retain=True)

    async def _tell_runs(self, link: Link, tail: Tail, frame: int, event: int) -> None:
        """Send what a consumer needs to know of the runs that hold these or later records, and of the newest."""
        for facts in await asyncio.to_thread(tail.runs, frame, event):
            topic, raw = below(self._config, RUN + facts["run"]), json.dumps(facts).encode()
            await link.send(topic, raw, 1, True, "application/json", self._expiry_s(_FACTS_KEPT))

    def _expiry_s(self, times: int = 1) -> int:
        """How long a broker may keep a message."""
        return max(1, min(times * self._config.keep_ns // 1_000_000_000, 2**32 - 1))

    async def _live(self, link: Link, tail: Tail, outbox: Outbox, at: int) -> None:
        """Send frames beyond ``at`` as they come, and all events."""
        known = await asyncio.to_thread(tail.changes)
        while True:
            ending = self._asked.ending.is_set()  # asked before looking: what is seen then is all there is
            head, last_event = await asyncio.to_thread(tail.heads)
            if (changes := await asyncio.to_thread(tail.changes)) != known:
                await self._tell_runs(link, tail, at + 1, 1 << 62)
                known = changes
            for first in range(at + 1, head + 1, BLOCK):
                await self._block(link, tail, outbox, first, min(first + BLOCK - 1, head), live=True)
            at = max(at, head)
            await self._events(link, tail, outbox, last_event)
            self.progress.behind = sum(last - first + 1 for first, last in outbox.gaps("frame", at))
            await self._note(outbox)
            if ending:
                return
            try:
                async with asyncio.timeout(self._config.pack_age_ns / 1e9):
                    await self._asked.ending.wait()
            except TimeoutError:
                pass

    async def _earlier(self, link: Link, tail: Tail, outbox: Outbox, head: int) -> None:
        """Send what the broker has not taken up to ``head``, oldest first, at the rate that is allowed."""
        await asyncio.to_thread(tail.heads)
        size = BLOCK
        for first, last in outbox.gaps("frame", head):
            async for start in self._there(tail, outbox, "frame", first, last):
                end, begun_s = min(start + size - 1, last), time.monotonic()
                await self._block(link, tail, outbox, start, end, live=False)
                await self._note(outbox)
                spent_s = time.monotonic() - begun_s
                # what a slow link takes long for is taken in smaller parts: less is sent again when it breaks
                size = min(size * 2, BLOCK) if spent_s < _SOON_S else max(size // 2, _FEWEST)
                await asyncio.sleep(max((end - start + 1) / self._config.backfill - spent_s, 0))

    async def _there(self, tail: Tail, outbox: Outbox, stream: Stream, first: int, last: int) -> AsyncIterator[int]:
        """Where in a gap the next records stand, until all of it is taken; gathered logs have wide spaces."""
        while True:
            start = await asyncio.to_thread(tail.following, stream, first)
            if start is None or start > last:
                outbox.take(stream, first, last)
                return
            if start > first:
                outbox.take(stream, first, start - 1)
            yield start
            first = next((low for low, high in outbox.gaps(stream, last) if high >= start), last + 1)
            if first > last:
                return

    async def _block(self, link: Link, tail: Tail, outbox: Outbox, first: int, last: int, live: bool) -> None:
        """Send the frames of a range; they count as taken once every pack is acknowledged."""
        made = await asyncio.to_thread(self._packs, tail, first, last, link.most_bytes)
        expiry_s = self._expiry_s()

        def send(node: str, channel: str, raw: bytes) -> Coroutine[Any, Any, None]:
            return link.send(self._topic(node, channel, live), raw, self._config.qos, False, self._form, expiry_s)

        window = link.wide if live else link.narrow  # so that what was missed never fills the way of what comes
        await window.send((len(raw), partial(send, node, channel, raw)) for node, channel, raw, _, _ in made)
        outbox.take("frame", first, last)
        self.progress.frames += sum(frames for *_, frames, _ in made)
        self.progress.records += sum(records for *_, records in made)

    def _topic(self, node: str, channel: str, live: bool) -> str:
        return below(self._config, node, channel, *([] if live else [EARLIER]))

    def _packs(self, tail: Tail, first: int, last: int, most_bytes: int) -> list[tuple[str, str, bytes, int, int]]:
        return [
            (stretch.node, stretch.relation.channel, *pack)
            for stretch in tail.stretches(first, last)
            for pack in packs(
                stretch, self._config.gateway, self._config.form, _frames_of(stretch, self._config.pack), most_bytes
            )
        ]

    async def _events(self, link: Link, tail: Tail, outbox: Outbox, head: int) -> None:
        """Send the events that are new, each node's on its topic, and what it is doing since."""
        for first, last in outbox.gaps("event", head):
            async for start in self._there(tail, outbox, "event", first, last):
                end = min(start + EVENTS_AT_A_TIME - 1, last)
                by_node: dict[str | None, list[dict[str, Any]]] = {}
                for event in await asyncio.to_thread(tail.events, start, end):
                    by_node.setdefault(event["node"], []).append(event)
                for node, events in by_node.items():
                    topic = below(self._config, node, EVENTS) if node else below(self._config, RUN_EVENTS)
                    await link.send(topic, json.dumps(events).encode(), 1, False, "application/json")
                    if node and (told := self._state_after(node, events)):
                        await link.send(below(self._config, node, STATE), json.dumps(told).encode(), 1, retain=True)
                outbox.take("event", start, end)

    def _state_after(self, node: str, events: list[dict[str, Any]]) -> dict[str, Any]:
        """What a node is doing after these events; {} where they change nothing."""
        told: dict[str, Any] = {}
        for event in events:
            before = self._links[node]
            happened = LinkEvent.of(event["t_ns"], node, EventKind(event["kind"]), event["detail"])
            self._links[node] = after = before.after(happened)
            if after is not before:
                told = {"state": after.state, "t_ns": event["t_ns"], "run": event["run"]}
        return told

    async def _note(self, outbox: Outbox) -> None:
        if time.monotonic() - self._last_note_s >= NOTE_EVERY_S:
            self._last_note_s = time.monotonic()
            await asyncio.to_thread(outbox.note)


def _frames_of(stretch: Stretch, most: int) -> int:
    """How many frames of a stretch a pack holds, so that it stays well below what brokers take."""
    samples = max((len(own) for own in stretch.samples.values()), default=0)
    records = 2 + len(stretch.relation.fields) + samples * len(stretch.relation.sample_fields)
    return max(1, min(most, 3000 // records))
