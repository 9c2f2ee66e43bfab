"""The cases: each is a run in the guest with one fault, on nodes that note every value they sent."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import json
import re
import time
from collections import Counter
from collections.abc import Iterator
from typing import Any

from gateway.host.shipped import folder
from gateway.plugin import load_plugin
from tests.bluez.rig import HERE, Event, LogFile, Node, Rig, Stay, say, until

CASES: dict[str, Any] = {}
NOT_BY_ITSELF = {"block", "bond_lost"}  # after the first the guest's adapter stays off; the second ends its kernel
SHORT = ("scan", "drop", "killed", "advertised")  # what the project's own check runs
NOISE = (
    "Traceback",
    "never retrieved",
    "was destroyed",
    "Warning",
    "WARNING",
    "never awaited",
    "Unclosed",
    "Exception ignored",
)


def case(work: Any) -> Any:
    CASES[work.__name__] = work
    return work


class Case:
    """What a case has at hand: the rig, a run of gattest, and what it found."""

    def __init__(self, rig: Rig, name: str) -> None:
        self.rig, self.name = rig, name
        self.wrong: list[str] = []
        self.run: Stay | None = None
        self.count = 0
        self.began = 0.0

    def note(self, *what: object) -> None:
        say("     ", *what)

    def want(self, holds: Any, what: str) -> None:
        if not holds:
            self.wrong.append(what)
            say("      NOT:", what)

    def node(self, key: str, **options: Any) -> Node:
        return self.rig.node(key, **options)

    async def readies(self, key: str, log: str = "log.db") -> list[float]:
        """When a node was ready, seconds of this machine's monotonic time."""
        now = time.monotonic()
        rc, out = await self.rig.sh(f"python3 /mnt/share/guest/readies.py /var/w/{log}")
        return [now - ago for name, ago in json.loads(out) if name == key] if rc == 0 else []

    async def start(
        self,
        *keys: str,
        toml: str = "two.toml",
        length: str = "10 min",
        wait: float = 60,
        log: str = "log.db",
        sub: tuple[str, str] | None = None,
        env: str = "",
    ) -> None:
        """gattest runs, and the nodes are streaming."""
        text = (HERE / toml).read_text()
        if sub:
            assert sub[0] in text
            text = text.replace(*sub)
        (self.rig.work / "run.toml").write_text(text)
        self.count += 1
        self.began = time.monotonic()
        self.run = await self.rig.stay(
            f"{self.name}-{self.count}",
            f"{env} gattest run /mnt/share/run.toml --for '{length}' --into /var/w/{log} --health /var/w/health.json".strip()
            if not env
            else f"env {env} gattest run /mnt/share/run.toml --for '{length}' --into /var/w/{log} --health /var/w/health.json",
        )
        if keys:
            try:
                async with asyncio.timeout(wait):
                    for key in keys:
                        while not await self.streaming(key, log):
                            if self.run.over.done():
                                raise TimeoutError("ended")
                            await asyncio.sleep(0.25)
                self.note(f"streaming {time.monotonic() - self.began:.1f} s after the start of gattest")
            except TimeoutError:
                self.want(
                    False,
                    f"all nodes stream within {wait} s: { {k: len(self.rig.nodes[k].sent) for k in keys} }; {await self.states()}",
                )

    async def streaming(self, key: str, log: str) -> bool:
        """Whether a node streams to the gattest that was started last, not to a link left by the one before."""
        if len(self.rig.nodes[key].sent_since(self.began)) < 8:
            return False
        return any(t > self.began for t in await self.readies(key, log))

    async def health(self) -> dict[str, Any]:
        rc, out = await self.rig.sh("cat /var/w/health.json")
        return json.loads(out) if rc == 0 else {}

    async def states(self) -> dict[str, str]:
        return {k: v["state"] for k, v in (await self.health()).get("nodes", {}).items()}

    async def back(self, node: Node, since: float, wait: float) -> float | None:
        """Seconds from ``since`` until gattest has a link made after it set up, and the node streams on it."""
        key = next(k for k, n in self.rig.nodes.items() if n is node)
        while time.monotonic() < since + wait and not self.run.over.done():
            ups = [t for t, what in node.links if what == "up" and t > since - 1]
            if ups and node.links[-1][1] == "up" and len(node.sent_since(ups[-1])) >= 4:
                ready = [t for t in await self.readies(key) if t > since]
                if ready:
                    return ready[-1] - since
            await asyncio.sleep(0.25)
        return None

    async def all_back(self, since: float, wait: float, what: str) -> None:
        """See that every node streams again within ``wait`` seconds after something."""
        for key, node in self.rig.nodes.items():
            took = await self.back(node, since, wait)
            self.note(f"{key} streams again {took and round(took, 2)} s after {what}")
            self.want(took, f"{key} streams again within {wait:g} s")

    async def end(self, how: str | None = "INT", wait: float = 60) -> tuple[int, LogFile, list[Event]]:
        """End the run; its exit code, log and events."""
        assert self.run
        began = time.monotonic()
        if how:
            await self.rig.kill(self.run, how)
        try:
            rc = await asyncio.wait_for(asyncio.shield(self.run.over), wait)
        except TimeoutError:
            self.want(False, f"gattest ends within {wait} s of SIG{how}")
            await self.rig.kill(self.run, "KILL")
            rc = await self.run.over
        took = time.monotonic() - began
        await self.rig.sh(
            f"cp /var/w/log.db /mnt/share/out/{self.name}.db; cp /var/w/log.db-wal /mnt/share/out/{self.name}.db-wal; true"
        )
        self.note(f"ended by {how}: rc {rc} after {took:.1f} s")
        noise = [line for line in self.run.text.splitlines() if any(one in line for one in NOISE)]
        if noise:
            self.note("NOISE:", len(noise), *noise[:4])
        log = LogFile(self.rig.out / f"{self.name}.db")
        for key in self.rig.nodes:
            for channel in ("climate", "shock", "light"):
                run = log.db.execute("SELECT max(id) FROM run").fetchone()[0]
                sent, came, extra = self.agree(log, key, channel, run)
                if extra and self.name not in ("same_name",):
                    self.want(
                        False,
                        f"{channel} of {key}: {came} values came of {sent} sent, {extra} of them doubled or never sent",
                    )
        events = log.events(log.db.execute("SELECT max(id) FROM run").fetchone()[0])
        return rc, log, events

    def tell(
        self,
        events: list[Event],
        since: float | None = None,
        but: tuple[str, ...] = ("setting written", "subscribed", "identity read", "table found"),
    ) -> None:
        first = events[0].t if events else 0
        for e in events:
            if e.kind not in but:
                text = json.dumps(e.detail)
                say(f"        {e.t - first:7.2f} {e.node or '-':8} {e.kind:16} {text[:260]}")

    def agree(self, log: LogFile, key: str, channel: str, run: int = 1) -> tuple[int, int, int]:
        """Values that the node sent while gattest was ready, those that came, and those that differ."""
        sent = [raw for _, name, raw in self.rig.sent[key] if name == channel]
        came = [raw for _, raw in log.frames(key, channel, run)]
        extra = Counter(came) - Counter(sent)
        return len(sent), len(came), sum(extra.values())


async def clock(c: Case, pid: int, seconds: float) -> float:
    """Share of a core that a process takes."""

    async def ticks() -> tuple[int, float]:
        _, out = await c.rig.sh(f"cat /proc/{pid}/stat /proc/uptime")
        stat, up = out.strip().splitlines()
        f = stat.rsplit(")", 1)[1].split()
        return int(f[11]) + int(f[12]), float(up.split()[0])

    try:
        a, t0 = await ticks()
        await asyncio.sleep(seconds)
        b, t1 = await ticks()
    except (IndexError, ValueError):
        return -1  # it has ended
    return (b - a) / 100 / (t1 - t0)


@case
async def scan(c: Case) -> None:
    """gattest scan lists the nodes."""
    c.node("crate-a"), c.node("crate-b")
    rc, out = await c.rig.sh("gattest scan --seconds 15", 90)
    for line in out.splitlines():
        c.note(line)
    c.want(rc == 0, f"exit 0, not {rc}")
    c.want("CRATE-A" in out and "C2:10:00:00:00:0B" in out, "both nodes are listed")


@case
async def stream(c: Case) -> None:
    """Two nodes for 45 s: linked, set up, read back, streamed, judged; what came is what was sent."""
    c.node("crate-a"), c.node("crate-b")
    monitor = await c.rig.stay(
        "dbus-monitor",
        "dbus-monitor --system --pcap interface=org.freedesktop.DBus.ObjectManager interface=org.freedesktop.DBus.Properties",
    )
    await c.start("crate-a", "crate-b", length="45 s")
    await c.rig.kill(monitor)
    c.note("CPU share while listening to two:", f"{await clock(c, c.run.pid, 10):.2f}")
    rc, log, events = await c.end(None, 120)
    c.tell(events)
    for line in c.run.text.splitlines():
        if not re.match(r"\d\d:\d\d:\d\d of", line):
            c.note(line)
    c.want(rc == 0, f"exit 0, not {rc}")
    for key in ("crate-a", "crate-b"):
        for channel in ("climate", "shock", "light"):
            sent, came, extra = c.agree(log, key, channel)
            c.note(f"{key} {channel}: {sent} sent, {came} came, {extra} that were not sent")
            c.want(extra == 0, "nothing came that was not sent")
            c.want(came >= sent - 20, f"{channel} of {key} is whole")
        frames = log.frames(key, "shock")
        c.note(f"{key}: lengths of shock values", Counter(len(raw) for _, raw in frames))
    mtu = {e.detail.get("att_mtu_bytes") for e in events if e.kind == "table found"}
    c.want(mtu != {23}, f"the ATT MTU that is told is the true one, not {mtu}")
    c.want(len([e for e in events if e.kind == "table found"]) == 2, "the table is told once a node")
    c.want("Warning" not in c.run.text, "no warnings on the terminal")
    c.want("late callback" not in [e.kind for e in events], "an orderly end has no late callbacks")
    c.want(set((await c.states()).values()) == {"ended"}, f"the health file says ended, not {await c.states()}")


@case
async def audit(c: Case) -> None:
    """gattest audit of a sound node passes."""
    c.node("crate-a")
    rc, out = await c.rig.sh("gattest audit CRATE-A --plugin loan-crate --seconds 3", 120)
    for line in out.splitlines():
        c.note(line)
    c.want(rc == 0, f"exit 0, not {rc}")
    c.want(not any(one in out for one in NOISE), "no warnings on the terminal")


@case
async def audit_loud(c: Case) -> None:
    """gattest audit of a node that sends values of 31 bytes: the link's ATT_MTU is 517, and they fit it."""
    config = c.rig.config.twins["crate-a"]
    c.node(
        "crate-a",
        twin=dataclasses.replace(config, faults=dataclasses.replace(config.faults, firmware=("starts-otherwise",))),
    )
    rc, out = await c.rig.sh("gattest audit CRATE-A --plugin loan-crate --seconds 5", 120)
    for line in out.splitlines():
        c.note(line)
    c.want(rc == 0, f"exit 0, not {rc}")
    c.want("ATT_MTU" not in out, "nothing is said against their length")


@case
async def exercise(c: Case) -> None:
    """gattest exercise of a sound node's climate sensor passes."""
    c.node("crate-a")
    rc, out = await c.rig.sh(
        "cd /var/w; gattest exercise CRATE-A --plugin loan-crate --only climate --patience '20 s' --into /var/w/log.db",
        500,
    )
    for line in out.splitlines():
        c.note(line)
    c.want(rc in (0, 3), f"exit 0 or 3, not {rc}")
    c.want("FAIL" not in out, "no step fails")


@case
async def table_race(c: Case) -> None:
    """Links to a node that BlueZ does not know yet, with bleak as it is, while another streams: its table is whole each
    time, though BlueZ at times tells that the services are resolved before it tells the services."""
    c.node("crate-a"), c.node("crate-b")
    await c.start(env="BLEAK=plain")
    for n in range(8):
        key = "crate-ab"[:6] + "ab"[n % 2]
        t = time.monotonic()
        want = n // 2 + 1
        while len(await c.readies(key)) < want and time.monotonic() < t + 40 and not c.run.over.done():
            await asyncio.sleep(0.3)
        if len(await c.readies(key)) < want:
            c.want(False, f"{key} is ready within 40 s, round {n}: {await c.states()}")
            break
        c.note(n, key, f"ready after {time.monotonic() - t:.1f} s")
        await c.rig.sh(f"timeout 10 bluetoothctl remove {c.rig.config.twins[key].address}")
    rc, log, events = await c.end()
    c.note(
        Counter(
            (e.node, e.kind) for e in events if e.kind in ("table found", "ready", "lost", "unfit", "connect failed")
        )
    )
    c.tell([e for e in events if e.kind in ("unfit", "connect failed")])
    c.want(not [e for e in events if e.kind == "unfit"], "no sound node is held for unfit")
    for key in ("crate-a", "crate-b"):
        tables = [e for e in events if e.kind == "table found" and e.node == key]
        c.want(len(tables) <= 1, f"the table of {key} is told once, not {len(tables)} times")


@case
async def leak(c: Case) -> None:
    """Ten losses: what they leave behind of sockets, D-Bus names, memory."""
    a = c.node("crate-a")
    await c.start("crate-a")

    async def count() -> tuple[int, int, int]:
        _, out = await c.rig.sh(
            f"ls -l /proc/{c.run.pid}/fd | grep -c socket; dbus-send --system --print-reply --dest=org.freedesktop.DBus / org.freedesktop.DBus.ListNames | grep -c ':1'; grep VmRSS /proc/{c.run.pid}/status | tr -dc 0-9"
        )
        return tuple(int(one) for one in out.split())  # type: ignore[return-value]

    before = await count()
    for n in range(10):
        t = time.monotonic()
        await a.drop()
        took = await c.back(a, t, 40)
        await asyncio.sleep(2)
        c.note(n, took and round(took, 2), await count())
        c.want(took, "it comes back")
        if not took:
            break
    after = await count()
    c.note("sockets, D-Bus names, kB:", before, "->", after)
    c.want(after[0] <= before[0] + 1, f"no sockets are left behind: {before[0]} -> {after[0]}")
    rc, log, events = await c.end()
    c.note(
        [round(e.detail["after_s"], 2) for e in events if e.kind == "reconnected"],
        "late",
        [e.detail for e in events if e.kind == "late callback"],
    )
    c.note("tables told:", Counter(e.node for e in events if e.kind == "table found"))


@case
async def mute(c: Case) -> None:
    """A node that stays linked and answers reads, but sends nothing any more: it is given up after silent_after (8 s)."""
    a = c.node("crate-a")
    await c.start("crate-a", sub=('poll         = { battery = "5 s" }', ""))
    push = a._push

    async def nothing(*_: Any) -> None:
        return None

    a._push = nothing
    _t, links = time.monotonic(), len(a.links)
    await asyncio.sleep(30)
    c.note("30 s after it fell mute", await c.states(), "links since", a.links[links:])
    c.want(len(a.links) > links, "the silent link is given up within 30 s")
    a._push = push
    await asyncio.sleep(8)
    rc, log, events = await c.end()
    c.tell(events)
    c.want(any(e.kind == "silent" for e in events), "silence is told")
    c.note(
        "values heard while it sent nothing:",
        sum(1 for x, _ in log.frames("crate-a", "climate")),
        "of",
        sum(1 for _, n, _ in a.sent if n == "climate"),
    )


@case
async def drop(c: Case) -> None:
    """A node ends its link; it is linked again."""
    c.node("crate-a"), c.node("crate-b")
    await c.start("crate-a", "crate-b")
    a, b = c.rig.nodes["crate-a"], c.rig.nodes["crate-b"]
    t, before = time.monotonic(), len(b.sent)
    await a.drop()
    took = await c.back(a, t, 60)
    c.note(
        f"streams again {took and round(took, 2)} s after it ended its link; the other sent {len(b.sent) - before} meanwhile"
    )
    c.want(took, "it streams again within 60 s")
    await asyncio.sleep(3)
    rc, log, events = await c.end()
    c.tell(events)
    c.want([e.kind for e in events if e.node == "crate-a"].count("lost") == 1, "one loss is told")
    c.want(not [e for e in events if e.node == "crate-b" and e.kind == "lost"], "the other is not lost")
    c.note("tables told:", Counter(e.node for e in events if e.kind == "table found"))


@case
async def vanish(c: Case) -> None:
    """A node is out of range for 8 s; its link dies of the supervision timeout; it is linked again."""
    a = c.node("crate-a")
    await c.start("crate-a", sub=("[node.crate-b]", "[node.crate-b]"))
    a.vanish()
    await asyncio.sleep(8)
    t1 = time.monotonic()
    a.vanish(False)
    took = await c.back(a, t1, 90)
    c.note(f"streams again {took and round(took, 2)} s after it was in range again")
    c.want(took, "it streams again within 90 s")
    c.note(await c.states())
    rc, log, events = await c.end()
    c.tell(events)
    c.want([e.kind for e in events if e.node == "crate-a"].count("lost") == 1, "one loss is told")


@case
async def vanish_for_good(c: Case) -> None:
    """One of two nodes never comes back: the run goes on with the other."""
    c.node("crate-a"), c.node("crate-b")
    await c.start("crate-a", "crate-b", length="100 s")
    a, b = c.rig.nodes["crate-a"], c.rig.nodes["crate-b"]
    a.vanish()
    await asyncio.sleep(45)
    before = len(b.sent)
    c.note("after 45 s", await c.states())
    await asyncio.sleep(5)
    c.note("CPU share while one is sought:", f"{await clock(c, c.run.pid, 8):.2f}")
    c.want(len(b.sent) > before + 20, f"the other streams on: {len(b.sent) - before} in 5 s")
    rc, log, events = await c.end(None, 150)
    c.tell(events)
    c.want(rc == 1, f"exit 1, not {rc}")
    c.want(any(e.kind == "not found" for e in events), "told that it is not found")


@case
async def power(c: Case) -> None:
    """The adapter is switched off for 6 s, and on."""
    c.node("crate-a"), c.node("crate-b")
    await c.start("crate-a", "crate-b")
    c.note(await c.rig.power(False))
    await asyncio.sleep(6)
    c.note("while off", await c.states())
    c.note((await c.rig.power(True))[0])
    t = time.monotonic()
    await c.all_back(t, 90, "the adapter is on")
    rc, log, events = await c.end()
    c.tell(events)


@case
async def block(c: Case) -> None:
    """The adapter is blocked as by a hand on the laptop's radio switch for 6 s; unblocked, BlueZ may leave it off."""
    c.node("crate-a")
    await c.start("crate-a")
    c.note(
        await c.rig.sh(
            "for r in /sys/class/rfkill/rfkill*; do echo 1 >$r/soft; done; cat /sys/class/rfkill/rfkill*/name; ls /sys/class/rfkill"
        )
    )
    await asyncio.sleep(6)
    c.note("while blocked", await c.states())
    c.note(await c.rig.sh("for r in /sys/class/rfkill/rfkill*; do echo 0 >$r/soft; done"))
    t = time.monotonic()
    took = await c.back(c.rig.nodes["crate-a"], t, 30)
    c.note("unblocked, streams again after", took)
    if took is None:
        c.note((await c.rig.sh("bluetoothctl show | grep Power"))[1])
        await c.rig.power(True)
        t = time.monotonic()
        took = await c.back(c.rig.nodes["crate-a"], t, 60)
        c.note("switched on by hand, streams again after", took)
    c.want(took, "it streams again")
    rc, log, events = await c.end()
    c.tell(events)


@case
async def dongle(c: Case) -> None:
    """The dongle is pulled for 8 s and put back."""
    c.node("crate-a"), c.node("crate-b")
    await c.start("crate-a", "crate-b")
    await c.rig.pull()
    await asyncio.sleep(8)
    c.note("while out", await c.states())
    await c.rig.plug()
    t = time.monotonic()
    await asyncio.sleep(2)
    c.note((await c.rig.sh("ls /sys/class/bluetooth; timeout 10 bluetoothctl show | grep -i power"))[1])
    first = await c.back(c.rig.nodes["crate-a"], t, 25)
    if first is None:
        c.note(
            "not yet after 25 s:", (await c.rig.sh("timeout 10 bluetoothctl show | grep -i power"))[1], await c.states()
        )
        await c.rig.power(True)
    await c.all_back(t, 90, "the dongle is back")
    rc, log, events = await c.end()
    c.tell(events)


@case
async def daemon_restart(c: Case) -> None:
    """bluetoothd is stopped for 5 s, and started."""
    c.node("crate-a"), c.node("crate-b")
    await c.start("crate-a", "crate-b")
    await c.rig.daemon_off()
    await asyncio.sleep(5)
    c.note("while stopped", await c.states())
    await c.rig.daemon_on()
    t = time.monotonic()
    await asyncio.sleep(1)
    await c.rig.power(True)
    await c.all_back(t, 90, "bluetoothd is back")
    rc, log, events = await c.end()
    c.tell(events)


@case
async def daemon_killed(c: Case) -> None:
    """bluetoothd is killed with SIGKILL and started 2 s later: nobody tells that the link is gone."""
    c.node("crate-a"), c.node("crate-b")
    await c.start("crate-a", "crate-b")
    await c.rig.daemon_off("KILL")
    await asyncio.sleep(2)
    await c.rig.daemon_on()
    t = time.monotonic()
    await asyncio.sleep(1)
    await c.rig.power(True)
    for key, node in c.rig.nodes.items():
        took = await c.back(node, t, 120)
        c.note(f"{key} streams again {took and round(took, 2)} s after bluetoothd is back", node.links[-3:])
        c.want(took, f"{key} streams again within 120 s")
    await asyncio.sleep(5)
    rc, log, events = await c.end()
    c.tell(events)
    c.note("late:", [e.detail for e in events if e.kind == "late callback"])


@case
async def bus_gone(c: Case) -> None:
    """D-Bus is killed with SIGKILL; 3 s later it and bluetoothd are started."""
    c.node("crate-a"), c.node("crate-b")
    await c.start("crate-a", "crate-b")
    await c.rig.kill(c.rig.bus, "KILL")
    await asyncio.sleep(3)
    c.note("while gone", await c.states(), "bluetoothd", c.rig.daemon.over)
    await c.rig.daemon_off("KILL")
    await c.rig.bus_on()
    await c.rig.daemon_on()
    t = time.monotonic()
    await asyncio.sleep(1)
    await c.rig.power(True)
    await c.all_back(t, 120, "D-Bus and bluetoothd are back")
    c.note("state", await c.states(), "run over", c.run.over)
    c.note("CPU share after that:", f"{await clock(c, c.run.pid, 6):.2f}" if not c.run.over.done() else "-")
    rc, log, events = await c.end()
    c.tell(events)


@case
async def killed(c: Case) -> None:
    """gattest is killed with SIGKILL and started again into the same log."""
    c.node("crate-a"), c.node("crate-b")
    await c.start("crate-a", "crate-b")
    await c.rig.kill(c.run, "KILL")
    await c.run.over
    await asyncio.sleep(1)
    c.note(
        "BlueZ after that:",
        (await c.rig.sh("for d in 0A 0B; do bluetoothctl info C2:10:00:00:00:$d | grep Connected; done"))[1].split(),
    )
    c.note({k: n.links[-2:] for k, n in c.rig.nodes.items()})
    await c.start("crate-a", "crate-b", wait=90)
    await asyncio.sleep(3)
    rc, log, events = await c.end()
    c.tell(events)
    runs = log.db.execute("SELECT id, ended_how FROM run").fetchall()
    c.note("runs", runs)
    c.want(len(runs) == 2, "two runs in the log")
    rc, out = await c.rig.sh(
        "gattest show /var/w/log.db --verify | tail -5; gattest judge /var/w/log.db --run 1 | tail -4", 120
    )
    c.note(rc, out)


@case
async def same_name(c: Case) -> None:
    """Two nodes advertise the same name: neither may get the other's place without a word."""
    a = c.node("crate-a")
    other = c.rig.node("crate-b", name="CRATE-A", plugin=c.rig.config.nodes["crate-a"].plugin)
    await c.start()
    await until(lambda: a.sent or other.sent, 60)
    await asyncio.sleep(4)
    c.note("links", a.links, other.links)
    linked, free = (a, other) if a.linked else (other, a)
    await linked.drop()
    await asyncio.sleep(15)
    c.note("links after the linked one ended its link", a.links, other.links)
    rc, log, events = await c.end()
    c.tell(events)
    addresses = [e.detail["address"] for e in events if e.kind == "found"]
    c.note("addresses", addresses)
    c.want(
        len(set(addresses)) == 1
        or any("same name" in json.dumps(e.detail) or "another address" in json.dumps(e.detail) for e in events),
        f"a change of address is told: {addresses}",
    )


@case
async def gap(c: Case) -> None:
    """A node that, after a loss, does not advertise for 100 s."""
    c.node("crate-a")
    await c.start("crate-a", length="5 min")
    a = c.rig.nodes["crate-a"]
    a.vanish()
    await asyncio.sleep(100)
    c.note("after 100 s", await c.states())
    a.vanish(False)
    t = time.monotonic()
    took = await c.back(a, t, 60)
    c.note(f"streams again {took and round(took, 2)} s after it advertises again")
    c.want(took and took < 30, "it streams again within 30 s")
    rc, log, events = await c.end()
    c.tell(events)


@case
async def slow_advertising(c: Case) -> None:
    """A node that advertises for 1 s in every 20 s."""
    a = c.node("crate-a")

    async def sleepy() -> None:
        while True:
            await asyncio.sleep(1)
            if not a.linked:
                a.vanish()
                await asyncio.sleep(19)
                a.vanish(False)

    blink = asyncio.ensure_future(sleepy())
    try:
        await c.start("crate-a", wait=120)
        rc, log, events = await c.end()
        c.tell(events)
    finally:
        blink.cancel()


@case
async def encrypted(c: Case) -> None:
    """A value that may only be read on an encrypted link, and a plugin that declares nothing: the reason names pairing."""
    from bumble.gatt import Characteristic as Served

    a = c.node("crate-a")
    a._served["battery"].permissions |= Served.READ_REQUIRES_ENCRYPTION
    await c.start()
    await asyncio.sleep(30)
    _, _, events = await c.end()
    reasons = [str(e.detail.get("reason")) for e in events if e.kind in ("poll failed", "connect failed")]
    c.note(reasons[:2])  # BlueZ reads a battery level by itself, and the link ends where nobody pairs
    c.want(any("pairing" in one for one in reasons), "a link that fails names pairing")


@contextlib.contextmanager
def protected(c: Case) -> Iterator[Node]:
    """A node that asks for an authenticated link, with its plugin beside the run file."""
    text = (folder("plugins") / "loan-crate" / "plugin.toml").read_text()
    place = c.rig.work / "loan-crate"  # beside the run file, so that it is taken before the one that is shipped
    place.mkdir(exist_ok=True)
    (place / "plugin.toml").write_text(text.replace("[plugin]", '[plugin]\nsecurity = "authenticated"', 1))
    try:
        yield c.node("crate-a", plugin=load_plugin(place))
    finally:
        (place / "plugin.toml").unlink()


PAIRING = ("link encrypted", "connect failed", "table forgotten", "unfit")


@case
async def paired(c: Case) -> None:
    """A node that asks for an authenticated link: paired by its passkey, encrypted with the bond after a loss and for
    the next run, which has another passkey; without a bond that passkey is named as a possible cause."""
    with protected(c) as a:
        await c.start("crate-a", env="GATTEST_PASSKEY=123456")
        t = time.monotonic()
        await a.drop()
        took = await c.back(a, t, 60)
        c.want(took, "it streams again after a loss")
        _, _, events = await c.end()
        c.tell([e for e in events if e.kind in PAIRING])
        links = [e.detail for e in events if e.kind == "link encrypted"]
        c.want([one.get("paired") for one in links][:2] == [True, False], f"paired once, then the bond: {links}")
        await c.start("crate-a", env="GATTEST_PASSKEY=000000")  # nobody asks for it
        _, _, events = await c.end()
        c.want(not [e for e in events if e.kind == "unfit"], "a bond needs no passkey")
        await c.rig.sh(f"timeout 10 bluetoothctl remove {c.rig.config.twins['crate-a'].address}")
        await c.start(env="GATTEST_PASSKEY=654321", length="60 s")
        await asyncio.sleep(50)
        _, _, events = await c.end()
        c.tell([e for e in events if e.kind in PAIRING])
        failed = [str(e.detail.get("reason")) for e in events if e.kind in ("unfit", "connect failed")]
        c.want(any("passkey" in one for one in failed), f"a wrong passkey is named as a possible cause: {failed}")
        c.want(not [e for e in events if e.kind == "ready"], "a wrong passkey gives no link")


@case
async def bond_lost(c: Case) -> None:
    """A node that has lost its bond, as after new firmware, is paired again."""
    with protected(c) as a:
        await c.start("crate-a", env="GATTEST_PASSKEY=123456")
        await a.device.keystore.delete_all()
        t = time.monotonic()
        await a.drop()
        took = await c.back(a, t, 200)
        c.want(took, "a node that has lost its bond is paired again")
        _, _, events = await c.end()
        c.tell([e for e in events if e.kind in PAIRING])


EXTRA = """
[characteristic.extra]
uuid       = "b1c700f1-5d1e-4c1b-9a77-2f0d3c6e0001"
service    = "b1c700f0-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["read"]
fields     = [{ name = "extra", type = "uint8" }]

"""


def changed(c: Case, how: str) -> Any:
    """The plugin as a new firmware has it: a service more in front, or two characteristics swapped."""
    text = (folder("plugins") / "loan-crate" / "plugin.toml").read_text()
    if how == "swapped":  # climate and light change places
        one, two = "db149e47-14be-49ab-b93f-e42eabd2d9f2", "1aa615a9-4b6a-4551-a061-ae14a1dbf721"
        text = text.replace(one, "XX").replace(two, one).replace("XX", two)
    else:
        first, rest = text.split("[characteristic.climate]", 1)
        text = f"{first}{EXTRA}[characteristic.climate]{rest}"
    place = c.rig.work / f"plugin-{how}"
    place.mkdir(exist_ok=True)
    (place / "plugin.toml").write_text(text)
    return load_plugin(place)


async def reflashed(c: Case, how: str, **options: Any) -> None:
    a = c.node("crate-a", **options)
    await c.start("crate-a")
    t = time.monotonic()
    await a.die()
    await asyncio.sleep(4)
    new = c.node("crate-a", plugin=changed(c, how), **options)
    served = {s.handle: k for k, s in new._served.items()}
    c.note("handles of the new firmware:", served)
    took = await c.back(new, t, 60)
    c.note(f"streams again {took and round(took, 2)} s after the reset", await c.states(), "links", new.links)
    await asyncio.sleep(5)
    rc, log, events = await c.end()
    c.tell(events)
    tables = [e for e in events if e.kind == "table found"]
    for e in tables:
        c.note(
            "table told:",
            {
                one["handle"]: one["uuid"][4:8]
                for s in e.detail["services"]
                for one in sorted(s["characteristics"], key=lambda o: o["handle"])
            },
        )
    differs = [e for e in events if e.kind == "setting differs"]
    c.note(
        "settings written after:",
        [
            (e.detail["characteristic"], e.detail["written"])
            for e in events
            if e.kind == "setting written" and e.t > tables[-1].t
        ],
        "differs",
        [e.detail for e in differs],
    )
    c.note("what the node has:", {k: (p.on, p.period_s) for k, p in new._paces.items()})
    if how == "shifted":
        c.want(took, "it streams again within 60 s")
    else:
        c.want(len(tables) > 1 or differs, "the swapped characteristics are noticed")


@case
async def shifted_unsaid(c: Case) -> None:
    """New firmware with another service in front, no Database Hash and no Service Changed."""
    await reflashed(c, "shifted", gatt_service_enabled=False)


@case
async def reflash_audit(c: Case) -> None:
    """gattest audit before and after new firmware without a word to BlueZ, and once more after BlueZ was told to forget."""
    a = c.node("crate-a", gatt_service_enabled=False)
    rc, out = await c.rig.sh("gattest audit CRATE-A --plugin loan-crate --seconds 1", 120)
    c.note("before:", rc, out.splitlines()[-1:])
    await a.die()
    await asyncio.sleep(2)
    c.node("crate-a", plugin=changed(c, "shifted"), gatt_service_enabled=False)
    rc, out = await c.rig.sh("gattest audit CRATE-A --plugin loan-crate --seconds 1", 120)
    for line in out.splitlines()[:6] + out.splitlines()[-1:]:
        c.note("after:", rc, line)
    c.want(
        "declared, but not there" not in out
        and "no characteristic" not in out
        and rc in (0, 1)
        and "10 attributes" not in out,
        "the table of the new firmware is seen",
    )
    await c.rig.sh("timeout 10 bluetoothctl remove C2:10:00:00:00:0A")
    rc2, out2 = await c.rig.sh("gattest audit CRATE-A --plugin loan-crate --seconds 1", 120)
    for line in out2.splitlines()[:6] + out2.splitlines()[-1:]:
        c.note("forgotten:", rc2, line)
    c.want(
        out.splitlines()[-1] == out2.splitlines()[-1], "the audit says the same whether BlueZ remembers the node or not"
    )


@case
async def shifted(c: Case) -> None:
    """New firmware with another service in front, with a Database Hash."""
    await reflashed(c, "shifted")


@case
async def swapped(c: Case) -> None:
    """New firmware with two UUIDs swapped in the same handles, with a Database Hash."""
    await reflashed(c, "swapped")


@case
async def ends(c: Case) -> None:
    """SIGTERM and SIGINT while listening, while seeking, and while there is no adapter; the health file after each."""
    for how in ("TERM", "INT"):
        c.node("crate-a")
        await c.start("crate-a")
        rc, log, events = await c.end(how)
        c.note(how, "while listening: rc", rc, await c.states())
        c.want(set((await c.states()).values()) == {"ended"}, f"the health file says ended, not {await c.states()}")
        await c.rig.clear()
    a = c.node("crate-a")
    await c.start()
    await until(lambda: a.linked, 40)
    rc, log, events = await c.end("TERM")
    c.tell(events)
    c.note("TERM while linking: rc", rc, await c.states())
    await asyncio.sleep(1)
    c.want(not a.linked, "no link is left behind")
    await c.rig.clear()
    await c.start()
    await asyncio.sleep(12)
    c.note("seeking", await c.states(), "CPU share:", f"{await clock(c, c.run.pid, 6):.2f}")
    rc, log, events = await c.end("TERM")
    c.note("TERM while seeking: rc", rc, await c.states(), c.run.text.splitlines()[-1:])
    await c.start()
    await asyncio.sleep(12)
    await c.rig.power(False)
    await asyncio.sleep(8)
    c.note("no adapter", await c.states(), "CPU share:", f"{await clock(c, c.run.pid, 6):.2f}")
    rc, log, events = await c.end("TERM")
    c.tell(events)
    c.note("TERM with the adapter off: rc", rc)
    await c.rig.power(True)


TAG = """
[plugin]
kind  = "shelf-tag"
title = "Tells the climate of a shelf, and is never connected to (invented)"

[characteristic.climate]
company = 0xFFFF
fields = [
  { name = "sequence", type = "uint8", role = "sequence" },
  { name = "temperature", type = "sint16", lsb = "0.01 degC" },
]
"""


@case
async def advertised(c: Case) -> None:
    """A node that only advertises, beside one that is connected: each value that BlueZ passes on is one that was
    advertised, few are missed, and the scan goes on while the other is linked."""
    place = c.rig.work / "plugins" / "shelf-tag"
    place.mkdir(parents=True, exist_ok=True)
    (place / "plugin.toml").write_text(TAG)
    tag = c.node("crate-a", plugin=load_plugin(place))
    c.node("crate-b")
    await c.start("crate-b", toml="tag.toml")
    began = time.time()
    await asyncio.sleep(30)
    sent = len([one for one in tag.sent if one[0] > time.monotonic() - 30])
    rc, log, events = await c.end()
    c.tell(events)
    came = [raw for t, raw in log.frames("crate-a", "climate", relation="shelf_tag_climate") if t > began]
    made = {raw for _, _, raw in tag.sent}
    c.note(f"{len(came)} values came of {sent} advertised while crate-b was linked, {len(set(came))} of them different")
    c.want(set(came) <= made, "every value that came was advertised")
    c.want(len(set(came)) >= 0.9 * sent, "nine of ten values are heard")
    c.want(len(came) <= 1.05 * len(set(came)), "a value comes once")
    heard = [e.detail for e in events if e.kind == "advertisements heard"]
    c.want(heard and all(-127 < one["rssi_dbm"] < 20 for one in heard), f"how strong they were is told: {heard}")
    c.want(not [e for e in events if e.node == "crate-a" and e.kind == "connected"], "the tag is never connected to")


@case
async def no_bluetooth(c: Case) -> None:
    """What run, scan and audit say where there is no adapter, it is off, there is no bluetoothd, there is no D-Bus."""
    (c.rig.work / "run.toml").write_text((HERE / "two.toml").read_text())
    commands = (
        "gattest run /mnt/share/run.toml --for '5 s' --into /var/w/x.db",
        "gattest scan --seconds 2",
        "gattest audit CRATE-A --plugin loan-crate",
        "gattest exercise CRATE-A --plugin loan-crate --only light --into /var/w/y.db",
    )

    async def try_all(where: str, some: tuple[str, ...] = commands) -> None:
        for command in some:
            began = time.monotonic()
            rc, out = await c.rig.sh(command, 90)
            c.note(
                f"{where}: {' '.join(command.split()[:2])} -> rc {rc} in {time.monotonic() - began:.1f} s:",
                out.strip()[-400:],
            )
            c.want(rc == 2, f"{where}: {command}: exit 2, not {rc}")
            c.want("Traceback" not in out, f"{where}: {command}: no traceback")

    await c.rig.power(False)
    await try_all("off")
    await c.rig.power(True)
    await c.rig.pull()
    await asyncio.sleep(2)
    await try_all("no adapter", commands[:3])
    await c.rig.plug()
    await asyncio.sleep(2)
    await c.rig.daemon_off()
    await try_all("no bluetoothd", commands[:3])
    await c.rig.kill(c.rig.bus, "KILL")
    await asyncio.sleep(1)
    await try_all("no D-Bus", commands[:3])
    await c.rig.bus_on()
    await c.rig.daemon_on()
