"""One connection to a broker: MQTT 5, or 3.1.1 where it speaks nothing newer; TLS; credentials from the environment or
a file; and every way it can fail, in words for the one who has to act."""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import secrets
import ssl
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
from aiomqtt import MqttError, ProtocolVersion, Will
from aiomqtt.exceptions import MqttConnectError
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from gateway.config import MqttConfig
from gateway.host.keys import load_key
from gateway.model.errors import BrokerError, GattestError, InputError
from gateway.mqtt.signed import signature

KEEP_ALIVE_S = 15
ANSWER_S = 60.0
IN_FLIGHT = 20
_WIDE, _NARROW = 128 * 1024, 64 * 1024  # bytes
_AROUND = 600  # bytes that stand around a payload: topic and properties
_MOST_BYTES = 1 << 20  # of a payload, where a broker does not tell
RECEIVED = 500  # messages that a broker may send before the first of them is acknowledged
_PAUSE_FIRST_S, _PAUSE_MOST_S = 0.5, 30.0
_STEADY_S = 10.0  # a connection that lasted so long begins the pauses anew
USER, PASSWORD = "GATTEST_MQTT_USER", "GATTEST_MQTT_PASSWORD"
_NO_SUCH_VERSION = {0x01, 0x84}
_REJECTED = {0x04, 0x05, 0x86, 0x87}
_TAKEN_OVER = 0x8E
_TOO_LARGE = 0x95
_NO_REASON = 0x80


class SendWindow:
    """How much may be under way to the broker at once. A link that is slow is not given more than it carries in the
    time in which a broker must be heard of."""

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes, self._bytes, self._messages = most_bytes, 0, 0
        self._changed = asyncio.Event()

    async def send(self, sends: Iterable[tuple[int, Callable[[], Awaitable[None]]]]) -> None:
        """Send all, begun in their order; each with its size in bytes.

        Raises:
            BrokerError, MqttError: of the first that failed.
        """
        try:
            async with asyncio.TaskGroup() as group:
                for size, send in sends:
                    while self._messages and (self._bytes + size > self._most_bytes or self._messages >= IN_FLIGHT):
                        self._changed.clear()
                        await self._changed.wait()
                    self._bytes += size
                    self._messages += 1
                    group.create_task(self._one(size, send))
        except* (MqttError, BrokerError) as failed:
            raise first_of(failed) from None

    async def _one(self, size: int, send: Callable[[], Awaitable[None]]) -> None:
        try:
            await send()
        finally:
            self._bytes -= size
            self._messages -= 1
            self._changed.set()


def first_of(group: BaseExceptionGroup[BaseException]) -> BaseException:
    """The first error in a group of them."""
    found: BaseException = group
    while isinstance(found, BaseExceptionGroup):
        found = found.exceptions[0]
    return found


class Link(aiomqtt.Client):
    """A connection that tells when it is gone, and does not take a refusal for an acknowledgement.

    Attributes:
        most_bytes: of a message, as far as the broker tells.
        wide, narrow: what may be under way: of what comes, and of what was missed.
    """

    def __init__(
        self,
        *positional: Any,
        most_bytes: int,
        manual: bool = False,
        key: Ed25519PrivateKey | None = None,
        **named: Any,
    ) -> None:
        super().__init__(*positional, **named)
        self._key = key
        self.pending_calls_threshold = 10 * IN_FLIGHT
        self.modern = named.get("protocol") is ProtocolVersion.V5
        self.refusal = ""
        self.most_bytes = most_bytes
        self.wide, self.narrow = SendWindow(_WIDE), SendWindow(_NARROW)
        if manual:
            self._client.manual_ack_set(True)

    def _on_connect(self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None) -> None:
        told = getattr(properties, "MaximumPacketSize", None)
        if isinstance(told, int):
            self.most_bytes = min(self.most_bytes, max(told - _AROUND, 1))
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_disconnect(self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None) -> None:
        if not self._connected.done():  # a broker that dies before it answers would be waited for all of the time-out
            self._connected.set_exception(MqttError("the broker closed the connection before it answered"))
        super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _on_publish(self, client: Any, userdata: Any, mid: int, reason_code: Any, properties: Any) -> None:
        if reason_code.is_failure:
            self.refusal = str(reason_code)
        super()._on_publish(client, userdata, mid, reason_code, properties)

    async def gone(self) -> None:
        """Wait until the connection ends.

        Raises:
            MqttError: always, when it does.
        """
        await asyncio.shield(self._disconnected)
        raise MqttError("the broker closed the connection")

    def acknowledge(self, message: aiomqtt.Message) -> None:
        """Tell the broker that a message is safe, on a connection that acknowledges by hand."""
        self._client.ack(message.mid, message.qos)

    async def send(
        self, topic: str, payload: bytes, qos: int, retain: bool = False, form: str = "", expiry_s: int = 0
    ) -> None:
        """Publish, and wait for the acknowledgement.

        Args:
            form: the content type, told where the broker speaks MQTT 5.
            expiry_s: how long the broker may keep it for those who are away, 0 for ever; with MQTT 5.

        Raises:
            BrokerError: the broker refused it.
            MqttError: the connection ended.
        """
        told: dict[str, Any] = {"ContentType": form or None, "MessageExpiryInterval": expiry_s or None}
        if self._key is not None:
            if not self.modern:
                raise BrokerError("the broker does not speak MQTT 5, in which messages can be signed; remove sign")
            told["UserProperty"] = [signature(self._key, topic, payload)]
        given = {key: value for key, value in told.items() if value is not None}
        properties = _properties(PacketTypes.PUBLISH, given) if self.modern and given else None
        await self.publish(topic, payload, qos, retain, properties, timeout=ANSWER_S)
        if self.refusal:
            why, self.refusal = self.refusal, ""
            raise BrokerError(f"the broker rejected a message: {why}; it will be sent again later")


class Broker:
    """A broker that is connected to again and again.

    Args:
        config: where and how.
        will: what the broker tells of us when we are gone.
        manual: whether messages are acknowledged by hand.
        session_s: how long the broker keeps our subscriptions while we are away, 0 for not at all.
        name: what we call ourselves behind what the run file says; made up for each process where neither is given.

    Raises:
        InputError: certificates or credentials can't be used.
    """

    def __init__(
        self,
        config: MqttConfig,
        will: tuple[str, bytes] | None = None,
        manual: bool = False,
        session_s: int = 0,
        name: str = "",
    ) -> None:
        self._config, self._will, self._manual, self._session_s = config, will, manual, session_s
        self._context = _tls(config)
        self._user, self._password = credentials(config.credentials)
        self._key = load_key(config.sign) if config.sign is not None else None
        self._protocol = ProtocolVersion.V5
        self._most_bytes = _MOST_BYTES
        self._id = "-".join(part for part in (config.client_id, name) if part) or f"gattest-{secrets.token_hex(6)}"

    async def use(self, work: Callable[[Link], Awaitable[None]], report: Callable[[str], None]) -> None:
        """Connect and work, again and again with growing pauses, until the work is done.

        Args:
            work: what to do with a connection; it may be broken off by any error of ours but `InputError`.
            report: called with what went wrong, and with "" once a connection is there.

        Raises:
            InputError: of the work.
        """
        pause_s = _PAUSE_FIRST_S
        while True:
            begun_s = time.monotonic()
            try:
                async with self.connected() as link:
                    report("")
                    await work(link)
                    return
            except InputError:
                raise
            except GattestError as error:
                report(str(error))
            if time.monotonic() - begun_s > _STEADY_S:
                pause_s = _PAUSE_FIRST_S
            await asyncio.sleep(random.uniform(pause_s / 2, pause_s))  # noqa: S311  jitter
            pause_s = min(pause_s * 2, _PAUSE_MOST_S)

    @asynccontextmanager
    async def connected(self) -> AsyncIterator[Link]:
        """A connection.

        Raises:
            BrokerError: it could not be made, or ended.
        """
        link = self._link()
        try:
            try:
                await link.__aenter__()
            except MqttConnectError as error:
                if self._protocol is not ProtocolVersion.V5 or _code(error) not in _NO_SUCH_VERSION:
                    raise
                self._protocol = ProtocolVersion.V311
                link = self._link()
                await link.__aenter__()
        except MqttError as error:
            raise BrokerError(self._why(error)) from error
        try:
            yield link
        except MqttError as error:
            raise BrokerError(self._why(error)) from error
        finally:
            with contextlib.suppress(MqttError):  # it is gone already, which whoever used it has been told
                await link.__aexit__(None, None, None)

    def _link(self) -> Link:
        modern = self._protocol is ProtocolVersion.V5
        kept: dict[str, Any] = {"clean_start": True} if modern else {"clean_session": True}
        if self._session_s:
            kept = {"clean_start": False} if modern else {"clean_session": False}
            if modern:
                told = {"SessionExpiryInterval": self._session_s, "ReceiveMaximum": RECEIVED}
                kept["properties"] = _properties(PacketTypes.CONNECT, told)
        return Link(
            self._config.host,
            self._config.port,
            username=self._user,
            password=self._password,
            identifier=self._id,
            protocol=self._protocol,
            will=Will(*self._will, qos=1, retain=True) if self._will else None,
            timeout=ANSWER_S,
            keepalive=KEEP_ALIVE_S,
            tls_context=self._context,
            max_inflight_messages=IN_FLIGHT,
            manual=self._manual,
            most_bytes=self._most_bytes,
            key=self._key,
            **kept,
        )

    def _why(self, error: MqttError) -> str:
        where, code = f"{self._config.host}:{self._config.port}", _code(error)
        if code in _REJECTED:
            return f"{where} rejects the credentials ({error}); set {USER} and {PASSWORD}, or the credentials file"
        if code == _TOO_LARGE:
            self._most_bytes = max(self._most_bytes // 2, _AROUND)
            return f"{where} does not accept messages this large; they are now limited to {self._most_bytes} bytes"
        if code == _TAKEN_OVER:
            return f"{where}: another client also uses the id {self._id!r}; give each gateway its own client_id"
        if code == _NO_REASON:  # not every broker tells that somebody took the connection over
            return f"{where} closed the connection; if this repeats, check that no other client has the id {self._id!r}"
        text = str(error) or type(error).__name__
        if "CERTIFICATE_VERIFY_FAILED" in text:
            return f"{where} presents a certificate that is not trusted ({text}); check ca, and the name in host"
        if "refused" in text.lower() and "Errno" in text:
            return f"no answer from {where} ({text}); check that the broker is running and the port is right"
        return f"{where}: {text}"


def _properties(packet: int, told: Mapping[str, Any]) -> Properties:
    properties = Properties(packet)  # type: ignore[no-untyped-call]
    for key, value in told.items():
        setattr(properties, key, value)
    return properties


def _code(error: MqttError) -> int | None:
    """The reason code that a broker gave, None for an error without one."""
    cause: BaseException | None = error
    while cause is not None:
        rc = getattr(cause, "rc", None)
        value = getattr(rc, "value", rc)
        if isinstance(value, int):
            return value
        cause = cause.__cause__
    return None


def _tls(config: MqttConfig) -> ssl.SSLContext | None:
    if not config.tls:
        return None
    try:
        context = ssl.create_default_context(cafile=str(config.ca) if config.ca else None)
        if config.certificate is not None and config.key is not None:
            context.load_cert_chain(config.certificate, config.key)
    except (OSError, ssl.SSLError) as error:
        raise InputError(f"the certificates of [mqtt] can't be used: {error}; they must be PEM files") from None
    return context


def credentials(path: Path | None) -> tuple[str | None, str | None]:
    """User and password, from a file of two lines or from the environment; None where there are none.

    Raises:
        InputError: the file can't be read, or does not hold two lines.
    """
    if path is None:
        return os.environ.get(USER), os.environ.get(PASSWORD)
    try:
        lines = path.read_text("utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path} can't be read: {error}") from None
    if len(lines) < 2 or not lines[0]:
        raise InputError(
            f"{path} holds {len(lines)} lines; expected the user on the first and the password on the second"
        )
    return lines[0], lines[1]
