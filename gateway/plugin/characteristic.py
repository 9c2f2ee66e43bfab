"""The characteristics of a plugin file, proven: each with its layout and how messages in it are unpacked, and all of
them against each other, as they share UUIDs, parts of an advertisement, and the columns of a log."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from uuid import UUID

from gateway.model.errors import UnitError
from gateway.model.figures import LINK
from gateway.model.units import parse_duration_ns
from gateway.plugin.layout.declare import read_layout
from gateway.plugin.layout.line import NAME
from gateway.plugin.layout.model import Layout, Message
from gateway.plugin.layout.presence import ReportProblem
from gateway.plugin.layout.shape import FieldDecl
from gateway.plugin.model import Broadcast, Characteristic
from gateway.plugin.shape import CharacteristicShape, PluginFileShape
from gateway.plugin.standard.adopted import BASE_UUID, adopted
from gateway.plugin.unpack import Step, read_unpack
from gateway.plugin.unpack.model import CONTENT
from gateway.plugin.unpack.numbers import Text
from gateway.plugin.unpack.sealed import Sealed

LONGEST_ADVERTISED = 245  # 255 of extended advertising in one PDU, without flags, length, type and UUID; from memory
RESERVED_RELATIONS = {"former_plugin", "event_utc"}  # of the log's own tables those that kind_name could be


class Characteristics:
    """Reads the characteristics of one plugin file.

    Args:
        kind: of the plugin.
        folder: where it is, for files that stand beside it.
        report: gives what takes the problems below a place.
    """

    def __init__(self, kind: str, folder: Path, report: Callable[[str], ReportProblem]) -> None:
        self._kind, self._folder, self._report = kind, folder, report

    def read(self, file: PluginFileShape) -> dict[str, Characteristic]:
        """All of them by name, held against each other."""
        table = {name: self._characteristic(name, decl) for name, decl in file.characteristic.items()}
        for item in table.values():
            self._check_within(item, table)
            place = item.uuid or item.within or item.broadcast
            same = [other for other in table.values() if (other.uuid or other.within or other.broadcast) == place]
            if len(same) == 1:
                continue
            report_problem = self._report(f"characteristic.{item.name}")
            messages = [other.layout.message for other in same]
            if None in messages:
                report_problem(
                    "uuid" if item.uuid else "within",
                    f"{item.broadcast.text if item.broadcast else item.uuid or item.within} is used twice",
                    "UUIDs are unique, or each with its message",
                )
            elif len({message.at for message in messages if message}) > 1 or len(set(messages)) < len(messages):
                report_problem("message", "is that of another one, or in another byte", "a number of its own, one byte")
            elif len({(other.service, other.properties) for other in same}) > 1:
                report_problem("properties", "differ, or the service does", "the same for all messages")
        return table

    def _check_within(self, item: Characteristic, table: Mapping[str, Characteristic]) -> None:
        """What it comes in is there and is unpacked, and nothing comes in itself."""
        report_problem = self._report(f"characteristic.{item.name}")
        outer, passed = item, {item.name}
        while outer.within:
            if outer.within not in table or table[outer.within].step is None:
                known = ", ".join(name for name, one in table.items() if one.step is not None) or "none is declared"
                if outer is item:
                    report_problem("within", f"{outer.within!r}", f"a characteristic with unpack: {known}")
                return
            outer = table[outer.within]
            if outer.name in passed:
                report_problem(
                    "within", f"comes in itself, by {' and '.join(sorted(passed))}", "what is on the air last"
                )
                return
            passed.add(outer.name)
        outer_step = table[item.within].step if item.within else None
        if isinstance(outer_step, Text):
            size, needed = item.layout.head + item.layout.behind, outer_step.layout.head + 8 * outer_step.count
            if size != needed or item.layout.samples is not None or item.layout.tail is not None:
                numbers = f"{outer_step.count} numbers, each a float64: {needed} bytes"
                report_problem("fields", f"{item.layout.expected_length}", f"what {item.within} unpacks, {numbers}")
        if item.step is not None and not any(one.within == item.name for one in table.values()):
            report_problem("unpack", "no message is declared", f"a characteristic with within = {item.name!r}")

    def _characteristic(self, name: str, decl: CharacteristicShape) -> Characteristic:
        report_problem = self._report(f"characteristic.{name}")
        if not NAME.fullmatch(name):
            report_problem("", f"name {name!r}", "lower-case letters, digits and _")
        uuid, service = self._place_of(decl, report_problem)
        known = adopted().get(uuid)
        fields, samples = decl.fields, decl.samples
        if known and not fields and samples is None:
            fields, samples = known.fields, known.samples
        if decl.unpack is not None:
            fields = [*fields, FieldDecl(name=CONTENT, type="uint8[]")]
        layout = read_layout(fields, samples, decl.byte_order, decl.length, report_problem, decl.check)
        if name == LINK or name.endswith(("_sample", "_utc")):
            report_problem(
                "", f"name {name!r}", f"not {LINK}, and not ending in _sample or _utc, which the log uses itself"
            )
        relation = f"{self._kind}_{name}".replace("-", "_")
        if relation in RESERVED_RELATIONS or relation.startswith("sqlite_"):
            report_problem(
                "", f"its table in the log would be {relation!r}", "another name: the log itself uses that one"
            )
        if decl.message is not None:
            layout = replace(layout, message=Message(decl.message_at, decl.message))
            first = layout.blocks[0] if layout.blocks else None
            if first is None or first.when is not None or decl.message_at >= first.size:
                report_problem(
                    "message_at", f"byte {decl.message_at} is not one that every value has", "one of the first"
                )
            pushed = {"notify", "indicate"} & set(decl.properties)
            if decl.within is None and decl.company is None and decl.service_data is None and not pushed:
                report_problem(
                    "message", "a characteristic that is only read", "message for what notifies or indicates"
                )
        if decl.stores and not ({"notify", "indicate"} & set(decl.properties) and _ordered(layout)):
            report_problem(
                "stores",
                "its values are not pushed, or carry neither a sequence counter nor a node time",
                'notify or indicate, and a field with the role "sequence" or "node time"',
            )
        title = decl.title or (known.name if known else name)
        return Characteristic(
            name,
            title,
            uuid,
            service,
            frozenset(decl.properties),
            layout,
            decl.description,
            stores=decl.stores or 0,
            settles_ns=_settles_ns(decl, report_problem),
            step=self._step(name, decl, layout),
            within=decl.within or "",
            broadcast=self._broadcast(decl, layout, report_problem),
        )

    @staticmethod
    def _broadcast(decl: CharacteristicShape, layout: Layout, report_problem: ReportProblem) -> Broadcast | None:
        """Which part of an advertisement it is, where it is one."""
        if decl.company is None and decl.service_data is None:
            return None
        if decl.company is not None and decl.service_data is not None:
            report_problem("service_data", "beside company", "one of them")
        if decl.within is not None:
            report_problem("within", "what is advertised, within another", "one of them")
        size = layout.head + layout.behind
        if size > LONGEST_ADVERTISED:
            report_problem("fields", f"{size} bytes", f"an advertisement holds at most {LONGEST_ADVERTISED}")
        service = read_uuid(decl.service_data, "service_data", report_problem) if decl.service_data is not None else ""
        return Broadcast(decl.company, service)

    @staticmethod
    def _place_of(decl: CharacteristicShape, report_problem: ReportProblem) -> tuple[str, str]:
        """UUIDs of a characteristic and of its service; of a message that comes in another, none."""
        given = {"uuid": decl.uuid, "service": decl.service, "properties": decl.properties}
        advertised = decl.company is not None or decl.service_data is not None
        if decl.within is None and not advertised:
            for key in (key for key, value in given.items() if not value):
                expected = (
                    "given, or within, where it is a message in another characteristic, or company or service_data"
                )
                report_problem(key, "missing", f"{expected}, where it is advertised")
            return (read_uuid(decl.uuid, "uuid", report_problem) if decl.uuid else ""), (
                read_uuid(decl.service, "service", report_problem) if decl.service else ""
            )
        if extra := [key for key, value in given.items() if value]:
            what, expected = "a message in another", "those of the outer one only"
            if advertised:
                what, expected = "what is advertised", "none, as it is in no GATT table"
            report_problem("within" if decl.within else "", f"{' and '.join(extra)} of {what}", expected)
        if decl.stores is not None:
            report_problem("stores", "what is not subscribed to", "stores at what is subscribed to")
        return "", ""

    def _step(self, name: str, decl: CharacteristicShape, layout: Layout) -> Step | None:
        """How messages are unpacked from its values."""
        if decl.unpack is None:
            return None
        report_problem = self._report(f"characteristic.{name}.unpack")
        if layout.tail is None or layout.tail.name != CONTENT or decl.samples is not None:
            report_problem("", "samples, or a field that takes all that is left", "only fields in front of the content")
            return None
        step = read_unpack(decl.unpack, layout, decl.byte_order, report_problem)
        return step.beside(self._folder) if isinstance(step, Sealed) else step


def _settles_ns(decl: CharacteristicShape, report_problem: ReportProblem) -> int:
    if decl.settles is None:
        return 0
    if not {"write", "write-without-response"} & set(decl.properties):
        report_problem("settles", "it can't be written", "settles for a setting")
    try:
        return parse_duration_ns(decl.settles)
    except UnitError as error:
        report_problem("settles", str(error), "a time such as '500 ms'")
        return 0


def _ordered(layout: Layout) -> bool:
    return layout.with_role("sequence") is not None or layout.with_role("node time") is not None


def check_columns(item: Characteristic, report_problem: ReportProblem) -> None:
    """Fields and derived values become columns of the log beside its own; SQL does not tell capitals apart."""
    head = [f.column for f in item.layout.fields] + [d.column for d in item.derived if not d.in_samples]
    inner = [f.column for f in item.layout.samples.fields] if item.layout.samples else []
    inner += [d.column for d in item.derived if d.in_samples]
    for columns, own in ((head, {"id", "node", "t_ns", "raw", "fault"}), (inner, {"frame", "position"})):
        folded = [column.lower() for column in columns]
        for column in sorted(set(folded)):
            if column in own:
                report_problem("fields", f"{column!r} is a column that the log itself uses", "another name")
            elif folded.count(column) > 1:
                report_problem(
                    "fields", f"{folded.count(column)} values would share the log's column {column!r}", "distinct names"
                )


def read_uuid(text: str, place: str, report_problem: ReportProblem) -> str:
    """A UUID as it is written, of 128 bits in lower case."""
    if re.fullmatch(r"0[xX][0-9a-fA-F]{4}", text):
        return BASE_UUID.format(int(text, 16))
    try:
        return str(UUID(text))
    except ValueError:
        report_problem(place, f"{text!r}", "a 128-bit UUID, or a 16-bit number such as 0x2A19")
        return text
