"""Take what gateways send. A message is acknowledged once what it says is safe, and the broker keeps what comes while
this is away, so that nothing is lost on the way; what comes twice is dropped by its run and its number. What comes
before anything is known of its run is kept as it came until then."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from aiomqtt import Message

from gateway.config import BrokerFile
from gateway.host.keys import load_public_key
from gateway.model.errors import InputError, StoreError, UnknownRunError
from gateway.mqtt.gather.store import Store
from gateway.mqtt.gather.unpack import Events, Facts, Frames, unpack
from gateway.mqtt.link import Broker, Link
from gateway.mqtt.senml.resolve import CBOR, JSON
from gateway.mqtt.signed import refusal
from gateway.mqtt.topics import EARLIER, GATEWAY

SESSION_S = 7 * 86400  # how long the broker keeps what comes while we are away
MOST_AT_A_TIME = 500
_LIST = 4  # the first three bits of a list in CBOR (RFC 8949, section 3.1), which no JSON begins with
_DATA = (
    ValueError,
    TypeError,
    LookupError,
    AttributeError,
    ArithmeticError,
    RecursionError,
    MemoryError,
)  # of a hostile message
_ODD = "?"  # what messages are kept under that could not be placed
_MOST_REASONS, _OTHER = 200, "other messages"
_SUBSCRIBING = "not subscribed yet"


@dataclass(slots=True)
class Gathered:
    """How the gathering goes; ``skipped`` counts messages by why they could not be read, ``conflicts`` all frames that
    the store has kept aside because they came again with other bytes or at another time."""

    trouble: str = "not connected yet"
    messages: int = 0
    frames: int = 0
    duplicates: int = 0
    events: int = 0
    conflicts: int = 0
    skipped: Counter[str] = field(default_factory=Counter)

    def add(self, other: Gathered) -> None:
        """Count what another counted."""
        self.messages += other.messages
        self.frames += other.frames
        self.duplicates += other.duplicates
        self.events += other.events
        self.skipped += other.skipped


class Gatherer:
    """Receives from one broker into one store.

    Args:
        file: the broker, and the group that shares what comes.
        store: takes it.
        shared: whether several gatherers of the group split what comes (MQTT 5).
        name: tells this gatherer from others at the broker, and is the same when it comes back.

    Raises:
        InputError: certificates, credentials or keys can't be used.
    """

    def __init__(self, file: BrokerFile, store: Store, shared: bool, name: str) -> None:
        self.progress = Gathered()
        self._config, self._store, self._shared, self._group = file.mqtt, store, shared, file.group
        self._keys = {name: load_public_key(path) for name, path in file.keys.items()}
        self._broker = Broker(file.mqtt, manual=True, session_s=SESSION_S, name=name)
        self._one_at_a_time = threading.Lock()

    async def run(self) -> None:
        """Receive until cancelled."""

        def report(trouble: str) -> None:
            self.progress.trouble = trouble or _SUBSCRIBING

        await self._broker.use(self._session, report)

    def say_of_pieces(self, ended: bool) -> None:
        """Note with frames why they did not become part of a message. Where the store does not take it now, it is done
        the next time.

        Args:
            ended: only in runs that have ended.
        """
        with contextlib.suppress(StoreError), self._batch():
            self._store.say_of_pieces(ended)

    @contextlib.contextmanager
    def _batch(self) -> Iterator[None]:
        """A batch of the store's; all of what is done in it is kept, or nothing."""
        with self._one_at_a_time:
            self._store.begin()
            try:
                yield
                self._store.commit()
            except BaseException:
                self._store.abandon()
                raise

    async def _session(self, link: Link) -> None:
        """Subscribe and take what comes.

        Raises:
            BrokerError, MqttError: the connection ended.
            StoreError: the store took no more.
        """
        share = f"$share/{self._group}/" if self._shared and link.modern else ""
        prefix = self._config.prefix
        await link.subscribe(f"{prefix}/+/+", 1)
        for topic in (f"{prefix}/+/+/+", f"{prefix}/+/+/+/{EARLIER}"):
            await link.subscribe(share + topic, 1)
        self.progress.trouble = ""
        messages = link.messages
        while True:
            batch = [await anext(messages)]
            while len(messages) and len(batch) < MOST_AT_A_TIME:
                batch.append(await anext(messages))
            genuine = [one for one in batch if self._is_genuine(one)]
            await asyncio.to_thread(self._take, [(str(one.topic), _bytes(one)) for one in genuine])
            for message in batch:
                link.acknowledge(message)

    def _is_genuine(self, message: Message) -> bool:
        """Whether a message is its gateway's; one that is not is counted, and nothing of it is kept."""
        gateway, _, rest = str(message.topic).removeprefix(f"{self._config.prefix}/").partition("/")
        if not self._keys or rest == GATEWAY:  # the broker's own word on a gateway that is gone; nothing is taken of it
            return True
        why = refusal(self._keys, gateway, str(message.topic), _bytes(message), message.properties)
        if why:
            reason = _plain(why) if len(self.progress.skipped) < _MOST_REASONS else _OTHER
            self.progress.skipped[reason] += 1
        return not why

    def retry(self) -> None:
        """Place once more what was kept aside because it could not be placed, such as by a version that did not know
        it; what still can't be is kept aside again.

        Raises:
            StoreError: the store did not take it; all stays as it was.
        """
        count = Gathered()
        with self._batch():
            messages = self._store.kept(_ODD)
            for topic, payload in messages:
                self._place(topic, payload, count)
        count.messages = len(messages)
        self.progress.add(count)

    def _take(self, batch: list[tuple[str, bytes]]) -> None:
        """Put a batch into the store.

        Raises:
            StoreError: it did not take it; nothing of it is kept.
        """
        count = Gathered()
        with self._batch():
            for topic, payload in batch:
                self._place(topic, payload, count)
            self.progress.conflicts = self._store.conflicts()
        count.messages = len(batch)
        self.progress.add(count)

    def _place(self, topic: str, payload: bytes, count: Gathered) -> None:
        """Put one message where it belongs; one that can't be is kept aside, whole, and counted."""
        own = Gathered()
        self._store.mark()
        try:
            try:
                self._put(topic, payload, own)
            except UnknownRunError as error:
                self._store.keep(str(error), topic, payload)
            self._store.keep_it()
        except (InputError, *_DATA) as error:
            self._store.take_back()
            with contextlib.suppress(InputError):  # there is no room: it is counted below all the same
                self._store.keep(_ODD, topic, payload)
            own = Gathered()
            why = _plain(f"{topic}: {error if isinstance(error, InputError) else repr(error)}")
            own.skipped[why if len(self.progress.skipped) < _MOST_REASONS else _OTHER] += 1
        count.add(own)

    def _put(self, topic: str, payload: bytes, count: Gathered) -> None:
        form = CBOR if payload[:1] and payload[0] >> 5 == _LIST else JSON
        found = unpack(topic, self._config.prefix, payload, form)
        if isinstance(found, Facts):
            self._store.facts(found)
            for kept_topic, kept in self._store.kept(str(found.facts["run"])):
                self._place(kept_topic, kept, count)
        elif isinstance(found, Frames):
            new = self._store.frames(found)
            count.frames += new
            count.duplicates += len(found.frames) - new
        elif isinstance(found, Events):
            count.events += self._store.events(found)


def _plain(text: str) -> str:
    """A text of others as a terminal may show it."""
    return "".join(letter if letter.isprintable() else "\ufffd" for letter in text[:300])


def _bytes(message: Message) -> bytes:
    return bytes(message.payload) if isinstance(message.payload, bytes | bytearray) else b""
