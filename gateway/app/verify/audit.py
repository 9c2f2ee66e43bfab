"""Audit a node: find its table on the air, in a capture or in a log, and hold it against its plugin."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from pathlib import Path

from gateway.app.verify.air import air, pairing_with
from gateway.capture.cipher import read_keys
from gateway.capture.discovery import tables_in
from gateway.capture.record import Trouble
from gateway.capture.text import TextCapture
from gateway.log.reader import Log
from gateway.model.errors import InputError
from gateway.model.events import EventKind, LinkEvent, Subscribed
from gateway.model.gatt import FoundCharacteristic, FoundTable
from gateway.model.radios import RadioName
from gateway.model.records import Frame
from gateway.plugin import Plugin
from gateway.session.discover import discover, forget, look_for
from gateway.verify.audit import Audit, audit_table

_VALUES_OF_A_LOG = 200
_SUFFIXES = {".db", ".pcap", ".pcapng", ".btsnoop", ".capture", ".gz", ".zst"}


async def audit(
    who: str,
    plugin: Plugin | None = None,
    radio: RadioName = RadioName.SYSTEM,
    seconds: float = 5.0,
    node: str | None = None,
    ltk: Path | None = None,
) -> tuple[list[Audit], list[str]]:
    """Audit a node on the air, or the nodes of a capture or a log; and what could not be read, a line each.

    Args:
        who: a node's name or address, or the path of a file.
        plugin: what it is declared to be, None to check the rules of Bluetooth alone.
        radio: where a node is looked for.
        seconds: how long to listen on the air.
        node: of a file only this one.
        ltk: a file of long term keys, for links in a capture that are encrypted.

    Raises:
        AdapterError: Bluetooth can't be used.
        InputError: the file can't be read, or holds no table of a node.
    """
    if plugin is not None and not plugin.served:
        raise InputError(f"{plugin.kind} only advertises: it has no GATT table to audit; judge its values in a run")
    found = await asyncio.to_thread(audit_file, Path(who), plugin, node, ltk)
    if found is not None:
        return found
    if node is not None:
        raise InputError(f"--node applies to a capture or a log, but there is no file {who}")
    return [await audit_live(who, plugin, radio, seconds)], []


def audit_file(
    path: Path, plugin: Plugin | None, node: str | None, ltk: Path | None = None
) -> tuple[list[Audit], list[str]] | None:
    """Audit the nodes of a capture or a log, and what could not be read of it; None where there is no such file.

    Raises:
        InputError: the file can't be read, or holds no table of such a node.
    """
    found = tables_of(path, node, plugin, ltk)
    return None if found is None else ([audit_table(table, plugin) for table in found[0]], found[1])


def tables_of(
    path: Path, node: str | None, plugin: Plugin | None = None, ltk: Path | None = None, advertisers: bool = False
) -> tuple[list[FoundTable], list[str]] | None:
    """The tables of the nodes of a capture or a log, and what could not be read; None where there is no such file.

    Args:
        node: only the node of this name or address.
        plugin: what they are declared to be, so that others are passed over and values find their characteristics.
        advertisers: of a foreign capture also nodes that only advertised values, without services.

    Raises:
        InputError: the file can't be read, or holds no table of such a node.
    """
    if not path.is_file():
        if path.suffix.lower() in _SUFFIXES or (len(path.parts) > 1 and path.parent.is_dir()):
            raise InputError(f"{path}: there is no such file; check the path, or give the name or address of a node")
        return None
    with path.open("rb") as file:
        beginning = file.read(16)
    if beginning == b"SQLite format 3\0":
        return _of_log(path, node), []
    if beginning.startswith(b"# gattest") or path.suffix in (".gz", ".zst"):
        return _of_text(path, plugin, node), []
    return _of_capture(path, plugin, node, read_keys(ltk) if ltk is not None else (), advertisers)


async def audit_live(
    who: str, plugin: Plugin | None, radio: RadioName, seconds: float, served: Plugin | None = None
) -> Audit:
    """Audit a node on the air.

    Args:
        who: its name or address.
        radio: which; on the virtual air a simulated node of the plugin is there to be audited.
        seconds: how long to listen, first to what it advertises, then to what it sends.
        served: what the simulated node is made from instead of the plugin.

    Raises:
        AdapterError: Bluetooth can't be used.
        InputError: a virtual air without a plugin.
    """
    return audit_table(await live_table(who, served or plugin, radio, seconds), plugin)


async def live_table(who: str, served: Plugin | None, radio: RadioName, seconds: float) -> FoundTable:
    """The table of a node on the air; arguments and errors are those of `audit_live`."""
    pairing = pairing_with(who, served, radio)
    async with air(who, served, radio) as opened:
        device, heard = await look_for(opened, who, seconds)
        if device is not None and opened.remembers(device):  # what the node has, not what the system remembers
            await forget(opened, device)
            device, heard = await look_for(opened, who, seconds)
        if device is None:
            table = FoundTable(who, unseen=[f"the whole table: no advertisement from {who} within {seconds:g} s"])
        else:
            table = await discover(opened, device, who, seconds, pairing)
            table.advertised = heard
        return table


def _of_capture(
    path: Path, plugin: Plugin | None, who: str | None, keys: tuple[bytes, ...], advertisers: bool
) -> tuple[list[FoundTable], list[str]]:
    """Of nodes whose discovery is in a foreign capture, and of those that only advertised."""
    trouble = Trouble()
    tables = [table for table in tables_in(path, trouble, keys) if advertisers or table.services]
    if plugin is not None:  # a phone is a server, too
        own = {item.uuid for item in plugin.served.values()}
        tables = [table for table in tables if own & {item.uuid for _, item in table.characteristics}] or tables
    chosen = [table for table in tables if who in (None, table.who)]
    if not chosen:
        names = ", ".join(table.who for table in tables) or "none"
        raise InputError(f"{path} contains no discovery of {who or 'any node'}; it has {names}")
    return chosen, list(trouble.lines())


def _of_text(path: Path, plugin: Plugin | None, who: str | None) -> list[FoundTable]:
    """Of the nodes of a capture of gattest's own: what was found on connecting, and what came."""
    tables: dict[str, FoundTable] = {}
    ways: dict[str, dict[str, str]] = {}
    heard: dict[tuple[str, str], list[bytes]] = {}
    with TextCapture(path) as capture:
        for record in capture.records():
            if isinstance(record, Frame):
                kept = heard.setdefault((record.node, record.channel), [])
                if len(kept) < _VALUES_OF_A_LOG:
                    kept.append(record.raw)
            elif record.kind is EventKind.SUBSCRIBED and record.node is not None:
                ways.setdefault(record.node, {}).update(_ways([record]))
            elif record.kind is EventKind.TABLE and record.node is not None and who in (None, record.node):
                try:
                    tables[record.node] = FoundTable.of_facts(record.node, record.facts)
                except (LookupError, TypeError, ValueError):
                    capture.trouble.note("unreadable GATT table", f"of {record.node}")
    if not tables:
        raise InputError(
            f"{path} contains no GATT table of {who or 'a node'}; use a capture that begins before the link, "
            "recorded or extracted by this version"
        )
    declared = plugin.served.values() if plugin is not None else ()
    for node, table in tables.items():
        table.unseen.append("descriptors and settings (a run does not read them)")
        for own in declared:
            found = next((item for _, item in table.characteristics if item.uuid == own.uuid), None)
            if found is not None:
                _came(found, ways.get(node, {}).get(own.name), heard.get((node, own.name), []))
    return list(tables.values())


def _ways(happened: Iterable[LinkEvent]) -> dict[str, str]:
    """How the values of each channel that was subscribed to came; all others were read."""
    return {e.detail.channel: e.detail.way for e in happened if isinstance(e.detail, Subscribed)}


def _came(item: FoundCharacteristic, way: str | None, raws: Iterable[bytes]) -> None:
    if way is None:
        item.read += raws
    else:
        item.pushed += [(way == "notify", raw) for raw in raws]


def _of_log(path: Path, who: str | None) -> list[FoundTable]:
    """Of the nodes of a log's newest run: what was found on connecting, and what came."""
    tables = []
    with Log(path) as log, log.damage_reported():
        run = log.run()
        for node in run.chosen([who] if who else [], []):
            happened = list(log.events(run, node))
            found = [event.facts for event in happened if event.kind is EventKind.TABLE]
            if not found:
                continue
            ways = _ways(happened)
            table = FoundTable.of_facts(node.name, found[-1])
            table.unseen.append("descriptors and settings (a run does not read them)")
            by_uuid = {item.uuid: item for _, item in table.characteristics}
            for channel in node.channels:
                item = by_uuid.get(log.uuid_of(channel))
                newest = log.newest(run, channel.relation, "raw", node.name, _VALUES_OF_A_LOG)
                if item is not None:
                    _came(item, ways.get(channel.name), [bytes.fromhex(raw) for (raw,) in reversed(newest)])
            tables.append(table)
    if not tables:
        raise InputError(
            f"{path} contains no GATT table: its nodes were never connected to, or it is of an earlier version"
        )
    return tables
