"""A guest with the real Linux Bluetooth stack (kernel, bluetoothd, D-Bus, bleak), and around it, in this process, an air
with simulated nodes: the guest's adapter is a controller on that air, reached through a virtio port."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import shutil
import sqlite3
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bumble import hci
from bumble.transport.common import StreamPacketSink, StreamPacketSource

from gateway.config import RunConfig, load_run
from gateway.radio.air import Air, AirController
from gateway.radio.twin import Twin
from gateway.radio.virtual import make_host

HERE = Path(__file__).parent
T0 = time.monotonic()


def say(*what: object) -> None:
    print(f"[{time.monotonic() - T0:7.2f}]", *what, flush=True)


class Adapter(AirController):
    """What the guest's kernel takes for its Bluetooth adapter."""

    def __init__(self, air: Air) -> None:
        super().__init__("adapter", air)
        self._public_address = hci.Address("02:00:00:00:00:01", hci.Address.PUBLIC_DEVICE_ADDRESS)
        self.plugged = False
        self.sink: Any = None

    async def connect(self, path: Path) -> None:
        transport, source = await asyncio.get_running_loop().create_unix_connection(StreamPacketSource, str(path))
        source.set_packet_sink(self)
        sink = StreamPacketSink(transport)
        adapter = self

        class Out:
            def on_packet(self, packet: bytes) -> None:
                if adapter.plugged:
                    sink.on_packet(packet)

        self.host = Out()

    def on_hci_reset_command(self, command: Any) -> Any:
        self.pending_le_connection = None
        self.le_scan_enable = False
        return super().on_hci_reset_command(command)


class Node(Twin):
    """A simulated node that notes what it sent, and when links came and went."""

    def __init__(self, rig: Rig, plugin: Any, name: str, config: Any, **options: Any) -> None:
        device, self.controller = make_host(rig.air, name, config.address, **options)
        super().__init__(plugin, name, config, device, 7)
        self.rig = rig
        self.sent: list[tuple[float, str, bytes]] = []
        self.links: list[tuple[float, str]] = []
        self.life: asyncio.Task[None] | None = None
        notify = device.notify_subscriber

        async def noted(link: Any, item: Any, value: bytes) -> None:
            channel = next(key for key, one in self._served.items() if one is item)
            self.sent.append((time.monotonic(), channel, bytes(value)))
            await notify(link, item, value)

        device.notify_subscriber = noted

    async def _advertise(self, part: Any, payload: bytes, alone: bool) -> None:
        self.sent.append((time.monotonic(), "advertised", payload))
        await super()._advertise(part, payload, alone)

    def _connected(self, link: Any) -> None:
        self.links.append((time.monotonic(), "up"))
        super()._connected(link)

    def _lost(self, reason: int) -> None:
        self.links.append((time.monotonic(), f"down 0x{reason:02X}"))
        super()._lost(reason)

    def wake(self) -> None:
        self.life = asyncio.ensure_future(self.run())

    async def drop(self) -> None:
        """End the link as firmware does."""
        if self._link is not None:
            await self._link.disconnect()

    def vanish(self, away: bool = True) -> None:
        self.rig.air.silence(self.controller, away)

    async def die(self) -> None:
        """Take the battery out for good; another may then come with its address."""
        self.vanish()
        if self.life:
            self.life.cancel()
            with contextlib.suppress(asyncio.CancelledError, Exception):
                await self.life
        self.controller.le_legacy_advertiser.stop()
        for link in [
            k for k in self.rig.air.links if self.controller in (k.central.controller, k.peripheral.controller)
        ]:
            await asyncio.sleep(0)
            link.die()
        await asyncio.sleep(0.1)
        self.rig.air.remove_controller(self.controller)

    @property
    def linked(self) -> bool:
        return self._link is not None

    def sent_since(self, t: float) -> list[tuple[float, str, bytes]]:
        return [one for one in self.sent if one[0] >= t]


@dataclass
class Stay:
    """A command that runs in the guest beside others."""

    name: str
    pid: int
    over: asyncio.Future[int]
    log: Path

    @property
    def text(self) -> str:
        return self.log.read_text(errors="replace")


class Rig:
    """The guest, its adapter, the air, and the nodes on it."""

    def __init__(self, images: Path, work: Path) -> None:
        self.images, self.work = images, work
        self.out = work / "out"
        self.nodes: dict[str, Node] = {}
        self.sent: dict[str, list[tuple[float, str, bytes]]] = {}
        self._asked: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._stays: dict[int, Stay] = {}
        self._numbers = itertools.count(1)
        self.up: asyncio.Future[float]
        self.daemon: Stay | None = None
        self.bus: Stay | None = None
        self.dongle: Stay | None = None

    async def start(self, runfile: Path) -> None:
        shutil.rmtree(self.work, ignore_errors=True)
        self.out.mkdir(parents=True)
        shutil.copytree(HERE / "guest", self.work / "guest")
        self.config: RunConfig = load_run(runfile, "virtual")
        self.air = Air(self.config.air)
        self.adapter = Adapter(self.air)
        self.up = asyncio.get_running_loop().create_future()
        i, w = self.images, self.work
        self.qemu = await asyncio.create_subprocess_exec(
            "qemu-system-x86_64",
            "-M",
            "q35",
            "-accel",
            "tcg,thread=multi",
            "-cpu",
            "max",
            "-smp",
            "2",
            "-m",
            "1024",
            "-nodefaults",
            "-display",
            "none",
            "-no-reboot",
            "-serial",
            f"file:{w}/out/console.log",
            "-kernel",
            f"{i}/vmlinuz",
            "-initrd",
            f"{i}/initrd.gz",
            "-append",
            "console=ttyS0 quiet panic=-1 mitigations=off tsc=unstable",
            "-drive",
            f"file={i}/root.img,if=virtio,format=raw,snapshot=on",
            "-drive",
            f"file={i}/site.img,if=virtio,format=raw,snapshot=on",
            "-device",
            "virtio-rng-pci",
            "-device",
            "virtio-serial-pci",
            "-virtfs",
            f"local,path={w},mount_tag=share,security_model=none,multidevs=remap",
            "-chardev",
            f"socket,id=hci,path={w}/hci.sock,server=on,wait=off",
            "-device",
            "virtserialport,chardev=hci,name=hci",
            "-chardev",
            f"socket,id=control,path={w}/control.sock,server=on,wait=off",
            "-device",
            "virtserialport,chardev=control,name=control",
            stdin=asyncio.subprocess.DEVNULL,
            stdout=(w / "out" / "qemu.log").open("wb"),
            stderr=asyncio.subprocess.STDOUT,
        )
        for _ in range(100):
            if (w / "hci.sock").exists() and (w / "control.sock").exists():
                break
            await asyncio.sleep(0.1)
        await self.adapter.connect(w / "hci.sock")
        reader, self._writer = await asyncio.open_unix_connection(str(w / "control.sock"), limit=1 << 24)
        self._listening = asyncio.ensure_future(self._listen(reader))
        say(f"guest is up after {await asyncio.wait_for(self.up, 180):.1f} s of its own time")
        await self.sh("cp /mnt/share/guest/gattest /usr/bin/gattest; chmod +x /usr/bin/gattest; mkdir -p /var/w")
        await self.bus_on()
        await self.daemon_on()

    async def _listen(self, reader: asyncio.StreamReader) -> None:
        while line := await reader.readline():
            told = json.loads(line)
            if "up" in told:
                self.up.set_result(told["up"])
            elif "ended" in told:
                stay = self._stays[told["ended"]]
                if not stay.over.done():
                    stay.over.set_result(told["rc"])
            elif (asked := self._asked.pop(told["id"], None)) and not asked.done():
                asked.set_result(told)

    async def _ask(self, wait_s: float, **what: Any) -> dict[str, Any]:
        number = next(self._numbers)
        future = self._asked[number] = asyncio.get_running_loop().create_future()
        self._writer.write(json.dumps({"id": number, **what}).encode() + b"\n")
        return await asyncio.wait_for(future, wait_s)

    async def sh(self, command: str, timeout: float = 60) -> tuple[int, str]:
        told = await self._ask(timeout + 10, sh=command, timeout=timeout)
        return told["rc"], told["out"]

    async def stay(self, name: str, command: str) -> Stay:
        number = next(self._numbers)
        future = self._asked[number] = asyncio.get_running_loop().create_future()
        over: asyncio.Future[int] = asyncio.get_running_loop().create_future()

        def keep(done: asyncio.Future[dict[str, Any]]) -> None:
            stay = Stay(name, done.result()["pid"], over, self.out / f"{name}.log")
            self._stays[stay.pid] = stay

        future.add_done_callback(keep)
        self._writer.write(json.dumps({"id": number, "sh": command, "stay": name}).encode() + b"\n")
        told = await asyncio.wait_for(future, 30)
        await asyncio.sleep(0)
        return self._stays[told["pid"]]

    async def kill(self, stay: Stay, number: str = "TERM") -> None:
        await self.sh(f"kill -{number} {stay.pid}")

    async def bus_on(self) -> None:
        await self.sh("rm -f /run/dbus/pid /run/dbus/system_bus_socket")
        self.bus = await self.stay(f"dbus-{next(self._numbers)}", "dbus-daemon --system --nofork --nopidfile")
        for _ in range(100):
            if (await self.sh("test -S /run/dbus/system_bus_socket"))[0] == 0:
                return
        raise TimeoutError("no D-Bus")

    async def daemon_on(self, options: str = "-d") -> None:
        self.daemon = await self.stay(
            f"bluetoothd-{next(self._numbers)}", f"/usr/libexec/bluetooth/bluetoothd -n {options}"
        )
        for _ in range(100):
            rc, out = await self.sh(
                "dbus-send --system --print-reply --dest=org.freedesktop.DBus / org.freedesktop.DBus.NameHasOwner string:org.bluez | grep -q true"
            )
            if rc == 0:
                return
            await asyncio.sleep(0.2)
        raise TimeoutError("no bluetoothd")

    async def daemon_off(self, number: str = "TERM") -> None:
        if self.daemon and not self.daemon.over.done():
            await self.kill(self.daemon, number)
            await asyncio.wait_for(self.daemon.over, 30)

    async def plug(self) -> None:
        self.adapter.plugged = True
        self.air.silence(self.adapter, False)
        self.dongle = await self.stay(f"dongle-{next(self._numbers)}", "python3 /mnt/share/guest/dongle.py")

    async def pull(self) -> None:
        assert self.dongle
        self.adapter.plugged = False
        await self.kill(self.dongle, "KILL")
        self.air.silence(self.adapter, True)
        self.adapter.le_scan_enable, self.adapter.pending_le_connection = False, None

    async def power(self, on: bool) -> tuple[int, str]:
        return await self.sh(f"timeout 20 bluetoothctl power {'on' if on else 'off'}", 30)

    async def ready(self) -> None:
        """An adapter that is there and on, and nothing remembered."""
        if self.bus is None or self.bus.over.done():
            await self.bus_on()
        if self.daemon is None or self.daemon.over.done():
            await self.daemon_on()
        if self.dongle is None or self.dongle.over.done():
            await self.plug()
        for _ in range(60):
            rc, out = await self.sh("timeout 10 bluetoothctl show", 20)
            if "Powered: yes" in out:
                return
            if "Powered: no" in out:
                await self.power(True)
            await asyncio.sleep(0.5)
        raise TimeoutError(f"no adapter: {out}")

    def node(self, key: str, **options: Any) -> Node:
        """A node of the run file, on the air."""
        of = self.config.nodes[key]
        node = Node(
            self,
            options.pop("plugin", of.plugin),
            options.pop("name", of.find_name),
            options.pop("twin", self.config.twins[key]),
            **options,
        )
        node.sent = self.sent.setdefault(key, [])  # of all the firmwares of a case
        self.nodes[key] = node
        node.wake()
        return node

    async def clear(self) -> None:
        for node in list(self.nodes.values()):
            await node.die()
        self.nodes.clear()
        self.sent.clear()
        # BlueZ is to know nothing of the case before
        await self.sh(
            "for d in $(timeout 10 bluetoothctl devices | awk '{print $2}'); do timeout 10 bluetoothctl remove $d; done; rm -rf /var/w/*; true",
            90,
        )

    async def end(self) -> None:
        with contextlib.suppress(Exception):
            self._writer.write(b'{"end": true}\n')
            await asyncio.wait_for(self.qemu.wait(), 20)
        if self.qemu.returncode is None:
            self.qemu.kill()


@dataclass
class Event:
    t: float
    node: str | None
    kind: str
    detail: dict[str, Any] = field(default_factory=dict)


class LogFile:
    """What a log holds, copied from the guest."""

    def __init__(self, path: Path) -> None:
        self.db = sqlite3.connect(path)

    def events(self, run: int = 1, node: str | None = None) -> list[Event]:
        rows = self.db.execute(
            "SELECT event.t_ns / 1e9, node.name, event.kind, detail FROM event LEFT JOIN node ON node.id = event.node WHERE event.run = ? ORDER BY event.t_ns, event.id",
            (run,),
        )
        return [e for e in (Event(t, n, k, json.loads(d)) for t, n, k, d in rows) if node is None or e.node == node]

    def frames(self, node: str, channel: str, run: int = 1, relation: str = "") -> list[tuple[float, bytes]]:
        rows = self.db.execute(
            f"SELECT f.t_ns / 1e9, f.raw FROM {relation or f'loan_crate_{channel}'} f JOIN node n ON n.id = f.node WHERE n.name = ? AND n.run = ? ORDER BY f.t_ns",
            (node, run),
        )
        return list(rows)


async def until(what: Callable[[], Any], seconds: float, every: float = 0.1) -> float:
    """Wait until something holds; how long that took.

    Raises:
        TimeoutError: it did not come to hold.
    """
    began = time.monotonic()
    while not what():
        if time.monotonic() - began > seconds:
            raise TimeoutError(f"not within {seconds} s")
        await asyncio.sleep(every)
    return time.monotonic() - began
