"""Publishing over a real broker: nothing is lost and nothing is left doubled, whatever happens to broker, network and
gateway, and every trouble is told in words."""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import sqlite3
import subprocess
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from gateway.app.run import Finished, run
from gateway.config import BrokerFile, MqttConfig
from gateway.host.clock import Clock
from gateway.log.outbox import Outbox
from gateway.log.reader import Log
from gateway.log.writer import LogWriter
from gateway.model.errors import BrokerError, InputError, LogFileError
from gateway.mqtt.gather.receive import Gatherer
from gateway.mqtt.gather.store import LogStore
from gateway.mqtt.link import Broker, credentials
from gateway.mqtt.publish.drain import forward_log
from gateway.mqtt.publish.forward import Forwarder
from gateway.mqtt.publish.process import sending
from gateway.report.live import RunView
from tests.broker import Mosquitto, Proxy, feeding, free_port, mqtt
from tests.feed import facts, fill
from tests.support import needs_program, open_database, run_file, wait_for

pytestmark = [needs_program("mosquitto"), needs_program("mosquitto_sub")]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as running:
        yield running


class Gathering:
    """A gatherer in a thread of its own."""

    def __init__(
        self, config: MqttConfig, log: Path, name: str = "gatherer", keys: Mapping[str, Path] | None = None
    ) -> None:
        self._keys = keys or {}
        self._store = LogStore(log)
        self._config, self._name = config, name
        self.gatherer: Gatherer | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread = threading.Thread(target=lambda: asyncio.run(self._run()), daemon=True)

    async def _run(self) -> None:
        self._loop, self._task = asyncio.get_running_loop(), asyncio.current_task()
        file = BrokerFile(self._config, "g", None, self._keys)
        self.gatherer = Gatherer(file, self._store, False, self._name)
        with contextlib.suppress(asyncio.CancelledError):
            await self.gatherer.run()

    def __enter__(self) -> Gathering:
        self._thread.start()
        wait_for(lambda: self.gatherer is not None and not self.gatherer.progress.trouble)
        return self

    def __exit__(self, *_: object) -> None:
        assert self._loop is not None and self._task is not None
        self._loop.call_soon_threadsafe(self._task.cancel)
        self._thread.join(10)
        self._store.close()


def held(log: Path) -> dict[str, dict[tuple[str, str], list[tuple[int, bytes]]]]:
    """Everything that a log holds: times and raw bytes by run, node and channel, in order."""
    found: dict[str, dict[tuple[str, str], list[tuple[int, bytes]]]] = {}
    with Log(log) as opened:
        for number in opened.run_ids():
            info = opened.run(number)
            own = found.setdefault(info.uid, defaultdict(list))
            for node in info.nodes:
                for channel in node.channels:
                    for chunk in opened.rows(info, node, channel.relation, "t_ns, raw"):
                        own[node.name, channel.name] += chunk
    return {uid: {key: rows for key, rows in own.items() if rows} for uid, own in found.items() if any(own.values())}


def count(log: Path) -> int:
    """Frames in a log, which may not be one yet."""
    try:
        return sum(len(rows) for own in held(log).values() for rows in own.values())
    except LogFileError:
        return 0


def fed(log: Path, per_s: float = 2000, seconds: float = 0.5) -> None:
    """A log as a run leaves it."""
    clock = Clock()
    writer = LogWriter(log, facts(clock))
    fill(writer, clock, per_s, seconds)
    writer.close(clock.now_ns(), "duration reached")


def forwarded(config: MqttConfig, log: Path) -> int:
    return asyncio.run(forward_log(config, log, {}, lambda _: None))


def test_what_is_gathered_is_what_was_logged(tmp_path: Path, broker: Mosquitto) -> None:
    with Gathering(mqtt(broker.port), tmp_path / "g.db"):
        with feeding(tmp_path / "log.db", broker.port, 2000, "2") as process:
            assert process.wait(30) == 0
        wait_for(lambda: count(tmp_path / "g.db") == count(tmp_path / "log.db"))
    assert held(tmp_path / "g.db") == held(tmp_path / "log.db")
    with Log(tmp_path / "g.db") as log:
        info = log.run()
        assert (info.title, info.ended_how) == ("Fed", "duration reached")
        assert [event.kind for event in log.events(info)].count("ready") == 2


@pytest.mark.parametrize("form", ["json", "cbor"])
def test_what_was_logged_before_is_sent_too_and_only_once(tmp_path: Path, broker: Mosquitto, form: str) -> None:
    fed(tmp_path / "log.db")
    fed(tmp_path / "log.db")
    config = mqtt(broker.port, form=form)
    with Gathering(config, tmp_path / "g.db") as gathering:
        assert forwarded(config, tmp_path / "log.db") == count(tmp_path / "log.db")
        assert forwarded(config, tmp_path / "log.db") == 0
        wait_for(lambda: count(tmp_path / "g.db") == count(tmp_path / "log.db"))
        assert gathering.gatherer is not None and gathering.gatherer.progress.duplicates == 0
    assert held(tmp_path / "g.db") == held(tmp_path / "log.db")


def test_another_broker_gets_everything_as_well(tmp_path: Path, broker: Mosquitto) -> None:
    fed(tmp_path / "log.db")
    assert forwarded(mqtt(broker.port), tmp_path / "log.db") == count(tmp_path / "log.db")
    assert forwarded(mqtt(broker.port, prefix="other"), tmp_path / "log.db") == count(tmp_path / "log.db")


def resolved(pack: list[dict[str, Any]]) -> list[tuple[str, float, str, Any]]:
    """An independent reading of a pack: RFC 8428, section 4.6, in plain floats."""
    base: dict[str, Any] = {}
    out = []
    for record in pack:
        base |= {key: record[key] for key in ("bn", "bt", "bu", "bv") if key in record}
        name = base.get("bn", "") + record.get("n", "")
        t = base.get("bt", 0) + record.get("t", 0)
        value = next(record[key] for key in ("v", "vs", "vb", "vd") if key in record)
        out.append((name, t, record.get("u", base.get("bu", "")), value))
    return out


def test_an_independent_subscriber_reads_the_values_of_the_log(tmp_path: Path, broker: Mosquitto) -> None:
    fed(tmp_path / "log.db", 400)
    command = [
        "mosquitto_sub",
        "-p",
        str(broker.port),
        "-q",
        "1",
        "-t",
        "gattest/bench/+/climate/#",
        "-W",
        "6",
        "-V",
        "5",
    ]
    with subprocess.Popen([*command, "-F", "%t %C %E %p"], stdout=subprocess.PIPE, text=True) as sub:
        time.sleep(0.5)
        forwarded(mqtt(broker.port), tmp_path / "log.db")
        lines = sub.communicate()[0].splitlines()
    seen: dict[str, list[float]] = defaultdict(list)
    times: dict[str, list[float]] = defaultdict(list)
    for line in lines:
        topic, form, expiry, payload = line.split(" ", 3)
        assert form == "application/senml+json" and 0 < int(expiry) <= 1_000_000 and topic.endswith("/earlier")
        for name, t, unit, value in resolved(json.loads(payload)):
            if name.endswith(":pressure"):
                assert unit == "Pa"
                seen[name.split(":")[1]].append(value)
                times[name.split(":")[1]].append(t)
    with open_database(tmp_path / "log.db") as log:
        for node, values in seen.items():
            rows = log.execute(
                "SELECT pressure_hPa, t_ns FROM feed_climate JOIN node ON node.id = node WHERE name = ? ORDER BY feed_climate.id",
                (node,),
            ).fetchall()
            assert values == pytest.approx([100 * row[0] for row in rows])
            assert times[node] == pytest.approx([row[1] / 1e9 for row in rows], abs=1e-6)
    assert set(seen) == {"crate-a", "crate-b"}


def test_states_runs_and_the_end_are_retained_and_a_killed_gateway_leaves_its_will(
    tmp_path: Path, broker: Mosquitto
) -> None:
    def retained() -> dict[str, Any]:
        told = subprocess.run(
            ["mosquitto_sub", "-p", str(broker.port), "-t", "gattest/#", "--retained-only", "-W", "1", "-v"],
            capture_output=True, text=True, check=False,
        ).stdout  # fmt: skip
        return {line.split(" ", 1)[0]: json.loads(line.split(" ", 1)[1]) for line in told.splitlines()}

    with feeding(tmp_path / "log.db", broker.port) as process:
        wait_for(lambda: retained().get("gattest/bench/crate-a/node-state", {}).get("state") == "connected")
        assert retained()["gattest/bench/gateway"]["state"] == "running"
        process.kill()
        wait_for(lambda: retained()["gattest/bench/gateway"]["state"] == "gone")
    forwarded(mqtt(broker.port), tmp_path / "log.db")
    told = retained()
    assert told["gattest/bench/gateway"]["state"] == "ended"
    runs = [value for topic, value in told.items() if "/run-" in topic]
    assert [run["title"] for run in runs] == ["Fed"] and "feed" in runs[0]["plugins"]


# Faults


def test_a_broker_that_is_away_costs_nothing(tmp_path: Path) -> None:
    port = free_port()
    with sending(mqtt(port), tmp_path / "log.db") as beside:
        assert beside is not None
        fed(tmp_path / "log.db")
        wait_for(lambda: "no answer from" in beside.line)
        with Mosquitto(tmp_path, port=port) as running, Gathering(mqtt(running.port), tmp_path / "g.db"):
            wait_for(lambda: count(tmp_path / "g.db") == count(tmp_path / "log.db"))
            beside.end()
    assert held(tmp_path / "g.db") == held(tmp_path / "log.db")


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_a_broker_that_is_killed_and_comes_back_loses_nothing(tmp_path: Path, how: signal.Signals) -> None:
    with Mosquitto(tmp_path) as broker, Gathering(mqtt(broker.port), tmp_path / "g.db"):
        with feeding(tmp_path / "log.db", broker.port, 2000, "6") as process:
            wait_for(lambda: count(tmp_path / "g.db") > 500)
            for _ in range(2):
                broker.stop(how)
                time.sleep(0.3)
                broker.start()
                time.sleep(1.0)
            assert process.wait(40) == 0
        forwarded(mqtt(broker.port), tmp_path / "log.db")  # what a farewell had no time for
        wait_for(lambda: count(tmp_path / "g.db") == count(tmp_path / "log.db"))
    assert held(tmp_path / "g.db") == held(tmp_path / "log.db")


def test_a_network_that_is_cut_or_swallows_everything_loses_nothing(tmp_path: Path, broker: Mosquitto) -> None:
    proxy = Proxy(broker.port)
    try:
        with Gathering(mqtt(broker.port), tmp_path / "g.db"):
            with feeding(tmp_path / "log.db", proxy.port, 2000, "6") as process:
                wait_for(lambda: count(tmp_path / "g.db") > 500)
                for _ in range(3):
                    proxy.cut()
                    time.sleep(0.7)
                proxy.swallow = True
                time.sleep(0.5)
                proxy.cut()
                proxy.swallow = False
                assert process.wait(40) == 0
            forwarded(mqtt(broker.port), tmp_path / "log.db")
            wait_for(lambda: count(tmp_path / "g.db") == count(tmp_path / "log.db"))
    finally:
        proxy.close()
    assert held(tmp_path / "g.db") == held(tmp_path / "log.db")


def test_a_gateway_killed_again_and_again_loses_nothing_and_what_comes_twice_is_dropped(
    tmp_path: Path, broker: Mosquitto
) -> None:
    with Gathering(mqtt(broker.port), tmp_path / "g.db") as gathering:
        for number in range(7):
            before = count(tmp_path / "log.db")
            with feeding(tmp_path / "log.db", broker.port) as process:
                wait_for(lambda before=before: count(tmp_path / "log.db") > before)  # type: ignore[misc]
                time.sleep(0.2 + number % 5 / 4)
                process.kill()
                process.wait()
        wait_for(lambda: forwards(mqtt(broker.port), tmp_path / "log.db"))
        wait_for(lambda: count(tmp_path / "g.db") == count(tmp_path / "log.db"))
        assert gathering.gatherer is not None
    assert held(tmp_path / "g.db") == held(tmp_path / "log.db")
    assert len(held(tmp_path / "log.db")) == 7


def forwards(config: MqttConfig, log: Path) -> bool:
    """Whether what is left could be sent: the process that sent it beside a killed one may take a moment to end."""
    forwarded(config, log)
    return True


def test_two_gateways_of_one_client_id_get_through(tmp_path: Path, broker: Mosquitto) -> None:
    """The broker ends the connection of the one each time the other comes."""
    with Gathering(mqtt(broker.port), tmp_path / "g.db"):
        with (
            feeding(tmp_path / "a.db", broker.port, 500, "5", "rack-a", "same") as first,
            feeding(tmp_path / "b.db", broker.port, 500, "5", "rack-b", "same") as second,
        ):
            assert first.wait(60) == 0 and second.wait(60) == 0
        for name in ("rack-a", "rack-b"):
            forwarded(mqtt(broker.port, gateway=name), tmp_path / f"{name[-1]}.db")
        wait_for(lambda: count(tmp_path / "g.db") == count(tmp_path / "a.db") + count(tmp_path / "b.db"))
    assert held(tmp_path / "g.db") == held(tmp_path / "a.db") | held(tmp_path / "b.db")


def test_two_gateways_of_one_client_id_are_told_so(tmp_path: Path, broker: Mosquitto) -> None:
    with contextlib.ExitStack() as stack:
        both = [
            stack.enter_context(sending(mqtt(broker.port, gateway=name, client_id="same"), tmp_path / f"{name}.db"))
            for name in ("a", "b")
        ]
        for name in ("a", "b"):
            fed(tmp_path / f"{name}.db", 100, 0.1)
        wait_for(lambda: any(one is not None and "the id 'same'" in one.line for one in both))


def test_credentials_that_are_rejected_are_told_and_mended_ones_are_used(tmp_path: Path) -> None:
    passwords = tmp_path / "passwords"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), "rack", "right"], check=True)
    passwords.chmod(0o644)
    (tmp_path / "good").write_text("rack\nright\n")
    (tmp_path / "bad").write_text("rack\nwrong\n")
    fed(tmp_path / "log.db")
    with Mosquitto(tmp_path, f"password_file {passwords}") as broker:
        with sending(mqtt(broker.port, credentials=tmp_path / "bad"), tmp_path / "log.db") as beside:
            assert beside is not None
            wait_for(lambda: "rejects the credentials" in beside.line)
            assert "wrong" not in beside.line and "right" not in beside.line

        config = mqtt(broker.port, credentials=tmp_path / "good")
        assert forwarded(config, tmp_path / "log.db") == count(tmp_path / "log.db")


def test_credentials_come_from_the_environment_or_from_two_lines(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GATTEST_MQTT_USER", "rack")
    monkeypatch.setenv("GATTEST_MQTT_PASSWORD", "secret")
    assert credentials(None) == ("rack", "secret")
    (tmp_path / "one").write_text("rack\n")
    with pytest.raises(InputError, match="the password on the second"):
        credentials(tmp_path / "one")


def certificates(folder: Path) -> None:
    """An authority, a certificate of it for this machine, and another authority, made by openssl."""

    def openssl(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], check=True, cwd=folder, capture_output=True)

    for name in ("ca", "other"):
        openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", f"{name}.key", "-out", f"{name}.pem", "-days", "2", "-subj", f"/CN=Test {name}")  # fmt: skip
    (folder / "san").write_text("subjectAltName=IP:127.0.0.1\n")
    openssl(
        "req", "-newkey", "rsa:2048", "-nodes", "-keyout", "broker.key", "-out", "broker.csr", "-subj", "/CN=broker"
    )
    openssl("x509", "-req", "-in", "broker.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-out", "broker.pem", "-days", "2", "-extfile", "san")  # fmt: skip
    for file in folder.iterdir():
        file.chmod(0o644)


@needs_program("openssl")
def test_a_certificate_of_another_authority_is_refused_and_the_right_one_taken(tmp_path: Path) -> None:
    folder = tmp_path / "tls"
    folder.mkdir()
    certificates(folder)
    fed(tmp_path / "log.db")
    lines = (f"cafile {folder}/ca.pem", f"certfile {folder}/broker.pem", f"keyfile {folder}/broker.key")
    with Mosquitto(tmp_path, *lines) as broker:
        with sending(mqtt(broker.port, tls=True, ca=folder / "other.pem"), tmp_path / "log.db") as beside:
            assert beside is not None
            wait_for(lambda: "certificate that is not trusted" in beside.line)

        config = mqtt(broker.port, tls=True, ca=folder / "ca.pem")
        assert forwarded(config, tmp_path / "log.db") == count(tmp_path / "log.db")


class SmallBroker:
    """A server that speaks just enough of MQTT to refuse: connections of version 5, or what is published."""

    def __init__(self, refuse_version: bool = False, refuse_packs: int = 0) -> None:
        self.refuse_version, self.refuse_packs = refuse_version, refuse_packs
        self.topics: list[str] = []
        self.versions: list[int] = []
        self.port = 0

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        version = 0
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                (head,) = await reader.readexactly(1)
                length, shift = 0, 0
                while True:
                    (digit,) = await reader.readexactly(1)
                    length |= (digit & 0x7F) << shift
                    shift += 7
                    if digit < 0x80:
                        break
                body = await reader.readexactly(length)
                if head >> 4 == 1:
                    version = body[6]
                    self.versions.append(version)
                    if version == 5 and self.refuse_version:
                        writer.write(bytes([0x20, 3, 0, 0x84, 0]))
                        await writer.drain()
                        break
                    writer.write(bytes([0x20, 3, 0, 0, 0]) if version == 5 else bytes([0x20, 2, 0, 0]))
                elif head >> 4 == 3:
                    size = int.from_bytes(body[:2], "big")
                    topic = body[2 : 2 + size].decode()
                    mid = body[2 + size : 4 + size]
                    refused = topic.endswith(("climate/earlier", "knock/earlier")) and self.refuse_packs > 0
                    self.refuse_packs -= refused
                    if not refused:
                        self.topics.append(topic)
                    writer.write(
                        bytes([0x40, 4, *mid, 0x97 if refused else 0, 0]) if version == 5 else bytes([0x40, 2, *mid])
                    )
                elif head >> 4 == 12:
                    writer.write(bytes([0xD0, 0]))
                elif head >> 4 == 14:
                    break
        writer.close()


def against(server: SmallBroker, log: Path, done: Callable[[Forwarder], bool] = lambda _: False) -> Forwarder:
    """Send a log to a small broker, until all is sent or ``done``."""

    async def run() -> Forwarder:
        listening = await asyncio.start_server(server.serve, "127.0.0.1", 0)
        forwarder = Forwarder(mqtt(listening.sockets[0].getsockname()[1]), log)
        forwarder.end()
        async with asyncio.timeout(30):
            await forwarder.run()
        listening.close()
        return forwarder

    return asyncio.run(run())


def test_a_broker_of_version_3_1_1_is_spoken_to_in_its_own(tmp_path: Path) -> None:
    fed(tmp_path / "log.db", 200)
    server = SmallBroker(refuse_version=True)
    assert against(server, tmp_path / "log.db").progress.frames == count(tmp_path / "log.db")
    assert server.versions == [5, 4]


def test_a_broker_that_dies_before_it_answers_is_tried_again_at_once() -> None:
    async def die(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)
        writer.transport.abort()

    async def run() -> None:
        listening = await asyncio.start_server(die, "127.0.0.1", 0)
        async with asyncio.timeout(5):
            with pytest.raises(BrokerError, match="before it answered"):
                async with Broker(mqtt(listening.sockets[0].getsockname()[1])).connected():
                    pass
        listening.close()

    asyncio.run(run())


def test_a_refusal_is_no_acknowledgement(tmp_path: Path) -> None:
    """As of a broker whose disk or quota is full: MQTT 5.0, 3.4.2.1, reason code 0x97."""
    fed(tmp_path / "log.db", 200)
    server = SmallBroker(refuse_packs=3)
    forwarder = against(server, tmp_path / "log.db")
    packs = [topic for topic in server.topics if topic.endswith("/earlier")]
    assert server.refuse_packs == 0 and len(packs) >= 4 and forwarder.progress.behind == 0
    with Outbox(tmp_path / "log.db", forwarder._config.name) as outbox:
        assert outbox.gaps("frame", count(tmp_path / "log.db")) == []


def test_what_is_missed_does_not_hold_up_what_comes(tmp_path: Path, broker: Mosquitto) -> None:
    """While a hundred thousand frames are sent later than they came, those that come arrive within a second."""
    clock = Clock()
    writer = LogWriter(tmp_path / "log.db", facts(clock))
    fill(writer, clock, 100_000, 1.0)
    late: list[float] = []
    stop = threading.Event()

    def listen() -> None:
        with subprocess.Popen(
            ["mosquitto_sub", "-p", str(broker.port), "-t", "gattest/bench/+/knock"], stdout=subprocess.PIPE, text=True
        ) as sub:
            threading.Thread(target=lambda: (stop.wait(), sub.kill()), daemon=True).start()
            for line in sub.stdout or ():
                now = time.time()
                late.extend(now - r[1] for r in resolved(json.loads(line)) if r[0].endswith(":frame"))

    listener = threading.Thread(target=listen, daemon=True)
    listener.start()
    with sending(mqtt(broker.port, backfill=10_000.0), tmp_path / "log.db") as beside:
        assert beside is not None
        wait_for(lambda: beside.progress.connected)
        fill(writer, clock, 200, 4.0)
        assert beside.progress.behind > 1_000  # it is still at it
        writer.close(clock.now_ns(), "test")
        beside.kill()
    stop.set()
    listener.join(5)
    assert len(late) > 200 and max(late) < 1.0


def test_a_log_that_can_t_be_noted_in_is_sent_all_the_same(tmp_path: Path, broker: Mosquitto) -> None:
    """As with a full disk here: what was taken is not written down, and sent again the next time."""
    fed(tmp_path / "log.db")
    with Gathering(mqtt(broker.port), tmp_path / "g.db") as gathering:
        blocker = sqlite3.connect(tmp_path / "log.db", isolation_level=None)
        blocker.execute("BEGIN IMMEDIATE")
        assert forwarded(mqtt(broker.port), tmp_path / "log.db") == count(tmp_path / "log.db")
        blocker.execute("ROLLBACK")
        blocker.close()
        assert forwarded(mqtt(broker.port), tmp_path / "log.db") == count(tmp_path / "log.db")
        wait_for(
            lambda: (
                gathering.gatherer is not None and gathering.gatherer.progress.duplicates == count(tmp_path / "log.db")
            )
        )
    assert held(tmp_path / "g.db") == held(tmp_path / "log.db")


def test_publishing_ends_with_a_run_that_is_killed(tmp_path: Path, broker: Mosquitto) -> None:
    with feeding(tmp_path / "log.db", broker.port) as process:
        wait_for(lambda: children(process.pid) != [])
        (child,) = children(process.pid)
        process.kill()
        process.wait()
        wait_for(lambda: not Path(f"/proc/{child}").exists() or "Z" in Path(f"/proc/{child}/stat").read_text())


def test_sending_that_dies_is_started_again_and_nothing_is_lost(tmp_path: Path, broker: Mosquitto) -> None:
    fed(tmp_path / "log.db")
    with (
        Gathering(mqtt(broker.port), tmp_path / "g.db"),
        sending(mqtt(broker.port), tmp_path / "log.db") as beside,
    ):
        assert beside is not None
        for restarts in (1, 2):
            beside._process.kill()
            beside._process.wait()
            wait_for(lambda: not beside.progress.connected)
            now_s = 1000.0 * restarts
            beside.tend(now_s)
            beside.tend(now_s + 0.5)  # too soon
            assert beside._process.poll() is not None
            beside.tend(now_s + 2 * restarts)
            assert beside._process.poll() is None
        wait_for(lambda: beside.progress.connected)
        assert "restarted 2 times" in beside.line
        wait_for(lambda: count(tmp_path / "g.db") == count(tmp_path / "log.db"))
        beside.tend(9000.0)
        assert "restarted 2 times" in beside.line  # what lives is let live


def children(pid: int) -> list[int]:
    path = Path(f"/proc/{pid}/task/{pid}/children")
    return [int(one) for one in path.read_text().split()] if path.exists() else []


def test_what_is_taken_while_it_is_written_down_is_written_down_next(tmp_path: Path) -> None:
    fed(tmp_path / "log.db", 100, 0.1)
    with Outbox(tmp_path / "log.db", "b") as outbox:
        outbox.take("frame", 1, 5)
        real = outbox._connection

        class Slow:
            def __getattr__(self, name: str) -> Any:
                return getattr(real, name)

            def executemany(self, sql: str, rows: Any) -> None:
                real.executemany(sql, rows)
                outbox.take("frame", 6, 9)  # meanwhile, by the loop

        outbox._connection = Slow()  # type: ignore[assignment]
        assert outbox.note()
        outbox._connection = real
    with Outbox(tmp_path / "log.db", "b") as outbox:
        assert outbox.gaps("frame", 9) == []


def test_a_log_is_one_file_once_its_run_has_ended(tmp_path: Path, broker: Mosquitto) -> None:
    with feeding(tmp_path / "log.db", broker.port, 500, "1") as process:
        assert process.wait(30) == 0
    assert not (tmp_path / "log.db-wal").exists()
    assert count(tmp_path / "log.db") > 400


def test_a_broker_that_takes_only_small_messages_is_sent_small_ones(tmp_path: Path) -> None:
    fed(tmp_path / "log.db")
    with Mosquitto(tmp_path, "max_packet_size 4000") as broker, Gathering(mqtt(broker.port), tmp_path / "g.db"):
        assert forwarded(mqtt(broker.port), tmp_path / "log.db") == count(tmp_path / "log.db")
        wait_for(lambda: count(tmp_path / "g.db") == count(tmp_path / "log.db"))
    assert held(tmp_path / "g.db") == held(tmp_path / "log.db")


def test_a_slow_link_carries_what_it_can_and_live_values_first(tmp_path: Path, broker: Mosquitto) -> None:
    """At 150 kB/s and with megabytes missed, what comes is seconds late at most."""
    clock = Clock()
    writer = LogWriter(tmp_path / "log.db", facts(clock))
    fill(writer, clock, 50_000, 0.5)
    proxy = Proxy(broker.port)
    proxy.bytes_per_s = 150_000
    try:
        with Gathering(mqtt(broker.port), tmp_path / "g.db"), sending(mqtt(proxy.port), tmp_path / "log.db") as beside:
            assert beside is not None
            wait_for(lambda: beside.progress.connected)
            before = count(tmp_path / "log.db")
            fill(writer, clock, 50, 4.0)
            wait_for(lambda: count(tmp_path / "log.db") > before + 150)
            with Log(tmp_path / "log.db") as log:
                newest = max(own[-1][0] for own in next(iter(held(tmp_path / "log.db").values())).values())
            wait_for(
                lambda: any(
                    row[0] >= newest - 3_000_000_000
                    for own in held_or_none(tmp_path / "g.db").values()
                    for row in own[-200:]
                ),
                5,
            )
            assert beside.progress.frames > 100 and not beside.progress.trouble
            assert beside.progress.behind > 1000  # and it is still at it
            writer.close(clock.now_ns(), "test")
    finally:
        proxy.close()
    del log


def held_or_none(log: Path) -> dict[tuple[str, str], list[tuple[int, bytes]]]:
    try:
        return next(iter(held(log).values()), {})
    except LogFileError:
        return {}


def test_a_run_that_made_no_log_leaves_none(tmp_path: Path) -> None:
    with sending(mqtt(free_port()), tmp_path / "log.db"):
        pass
    assert list(tmp_path.iterdir()) == []


def test_a_sending_that_could_not_begin_says_why_in_the_end(tmp_path: Path, broker: Mosquitto) -> None:
    (tmp_path / "one").write_text("rack\n")
    with sending(mqtt(broker.port, credentials=tmp_path / "one"), tmp_path / "log.db") as beside:
        assert beside is not None
        fed(tmp_path / "log.db", 100, 0.1)
        beside.end()
        assert not beside.progress.done and "the password on the second" in beside.line


def test_a_run_file_s_client_id_is_used_by_each_in_its_own_way(tmp_path: Path, broker: Mosquitto) -> None:
    config = mqtt(broker.port, client_id="bench")
    with Gathering(config, tmp_path / "g.db"):
        with sending(config, tmp_path / "log.db") as beside:
            assert beside is not None
            fed(tmp_path / "log.db")
            beside.end()
            assert beside.progress.done
        wait_for(lambda: count(tmp_path / "g.db") == count(tmp_path / "log.db"))


RUN = """
[run]
title = "t"
radio = "virtual"
seed = 1
[mqtt]
host = "127.0.0.1"
port = PORT
pack_age = "100 ms"
[node.a]
plugin = "loan-crate"
find = { name = "A" }
"""


def a_run_that_is_published(
    log: Path, port: int, seconds: float, on_view: Callable[[RunView], None], on_judged: Callable[[Finished], None]
) -> Finished:
    config = run_file(log.parent, RUN.replace("PORT", str(port)))
    return asyncio.run(run(config, log, round(seconds * 1e9), on_view, on_judged=on_judged))


def test_a_log_that_is_made_anew_elsewhere_is_published_from_there(
    tmp_path: Path, broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gateway.log.batch.CHECKPOINT_S", 0.1)
    log = tmp_path / "x.db"

    def delete(view: RunView) -> None:
        if view.elapsed_s > 1.5 and log.exists():
            log.unlink()

    with Gathering(mqtt(broker.port), tmp_path / "g.db"):
        done = a_run_that_is_published(log, broker.port, 4, delete, lambda _: None)
        assert done.log != log and done.log.exists() and not done.unsent, done.sending
        wait_for(lambda: held(tmp_path / "g.db") == held(done.log))


def test_what_had_to_go_into_a_second_log_is_published_too(
    tmp_path: Path, broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, seconds in (("batch._RETRY_S", 0.01), ("batch.PATIENCE_AT_END_S", 0.2), ("opening.BUSY_S", 0.05)):
        monkeypatch.setattr(f"gateway.log.{name}", seconds)
    spare = tmp_path / "spare"
    spare.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(spare))
    log = tmp_path / "x.db"
    locked: list[sqlite3.Connection] = []

    def lock(view: RunView) -> None:
        if view.elapsed_s > 1.5 and not locked:
            locked.append(sqlite3.connect(log, isolation_level=None, check_same_thread=False))
            locked[0].execute("BEGIN IMMEDIATE")

    with Gathering(mqtt(broker.port), tmp_path / "g.db"):
        done = a_run_that_is_published(log, broker.port, 3, lock, lambda _: locked[0].close())
        (rest,) = spare.glob("x-rest-*.db")
        assert done.result.rest == rest and not done.unsent, done.sending
        wait_for(lambda: held(tmp_path / "g.db") == held(log) | held(rest))
        assert len(held(rest)) == 1 and count(rest) > 0
