"""Load and prove plugin files. A plugin is data: loading one runs no code of its author's. Every problem of the
file is reported in one pass."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any
from uuid import UUID

from gateway.energy import read_profile
from gateway.host.toml import parse_toml, read_toml, shape
from gateway.model.errors import InputError, Problem, ProblemsError, UnitError
from gateway.model.figures import LINK
from gateway.model.units import PLAIN, parse_duration_ns, parse_quantity, parse_unit
from gateway.plugin.command import read_procedure
from gateway.plugin.layout.declare import NAME, read_layout
from gateway.plugin.layout.formula import Formula
from gateway.plugin.layout.model import Layout, Message
from gateway.plugin.layout.presence import ReportProblem
from gateway.plugin.layout.shape import FieldDecl
from gateway.plugin.model import (
    Advertising,
    Broadcast,
    Characteristic,
    Derived,
    Input,
    Plugin,
    Sensor,
    Setting,
    period_fits,
)
from gateway.plugin.procedure import Procedure
from gateway.plugin.require import read_spec
from gateway.plugin.shape import (
    AdvertisingShape,
    CharacteristicShape,
    DerivedShape,
    EnableShape,
    PeriodShape,
    PluginFileShape,
    SensorShape,
)
from gateway.plugin.standard.adopted import BASE_UUID, adopted
from gateway.plugin.unpack import Step, read_unpack
from gateway.plugin.unpack.model import CONTENT
from gateway.plugin.unpack.numbers import Text
from gateway.plugin.unpack.sealed import Sealed

LONGEST_ADVERTISED = 245  # 255 of extended advertising in one PDU, without flags, length, type and UUID; from memory
KIND = re.compile(r"[a-z][a-z0-9-]{0,39}")
RESERVED_RELATIONS = {"former_plugin", "event_utc"}  # of the log's own tables those that kind_name could be
_INPUT = re.compile(r"(?P<owner>[a-z][a-z0-9_]*)\.(?P<field>[a-z][a-z0-9_]*)(?:\s+in\s+(?P<unit>.+))?")


class _Loader:
    """Builds a plugin from its file's shape, gathering problems as it goes."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.kind = ""
        self.problems: list[Problem] = []

    def report_problem(self, prefix: str) -> ReportProblem:
        def report_problem(place: str, found: str, expected: str) -> None:
            where = f"{prefix}.{place}" if place else prefix
            self.problems.append(Problem(str(self.path), where, found, expected))

        return report_problem

    def characteristic(self, name: str, decl: CharacteristicShape) -> Characteristic:
        report_problem = self.report_problem(f"characteristic.{name}")
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
        relation = f"{self.kind}_{name}".replace("-", "_")
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
        service = _uuid(decl.service_data, "service_data", report_problem) if decl.service_data is not None else ""
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
            return (_uuid(decl.uuid, "uuid", report_problem) if decl.uuid else ""), (
                _uuid(decl.service, "service", report_problem) if decl.service else ""
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
        report_problem = self.report_problem(f"characteristic.{name}.unpack")
        if layout.tail is None or layout.tail.name != CONTENT or decl.samples is not None:
            report_problem("", "samples, or a field that takes all that is left", "only fields in front of the content")
            return None
        step = read_unpack(decl.unpack, layout, decl.byte_order, report_problem)
        return step.beside(self.path.parent) if isinstance(step, Sealed) else step

    def setting(
        self, place: str, decl: EnableShape | PeriodShape, table: Mapping[str, Characteristic]
    ) -> Setting | None:
        report_problem = self.report_problem(place)
        owner = table.get(decl.characteristic)
        if owner is None:
            report_problem(
                "characteristic",
                f"no characteristic named {decl.characteristic!r}",
                f"one of {', '.join(table)}",
            )
            return None
        if not owner.properties & {"write", "write-without-response"}:
            report_problem("characteristic", f"{owner.name} can't be written", "add the property write")
        fields = {field.name: field for field in owner.layout.fields}
        wanted = decl.field if decl.field is not None else next(iter(fields), "")
        if owner.layout.conditional or owner.layout.samples or owner.layout.tail:
            report_problem(
                "characteristic", f"{owner.name} has a variable layout", "settings need fields that are always present"
            )
            return None
        if wanted not in fields or (decl.field is None and len(fields) != 1):
            report_problem(
                "field", f"{owner.name} has the fields {', '.join(fields) or 'none'}", "name the one to write"
            )
            return None
        return Setting(owner.name, fields[wanted])

    def sensor(self, name: str, decl: SensorShape, table: Mapping[str, Characteristic]) -> Sensor | None:
        place = f"sensor.{name}"
        report_problem = self.report_problem(place)
        if decl.data not in table:
            report_problem("data", f"no characteristic named {decl.data!r}", f"one of {', '.join(table)}")
            return None
        enable = self.setting(f"{place}.enable", decl.enable, table) if decl.enable else None
        on, off = (decl.enable.on, decl.enable.off) if decl.enable else (1, 0)
        if enable is not None:
            low, high = enable.field.raw_range
            if on == off or not (low <= on <= high and low <= off <= high):
                report_problem("enable", f"on = {on}, off = {off}", f"two different integers from {low} to {high}")
        period = self.setting(f"{place}.period", decl.period, table) if decl.period else None
        default_ns = None
        if decl.period is not None and period is not None:
            try:
                default_ns = parse_duration_ns(decl.period.default)
                if period.field.unit.to(parse_unit("s")) and not period_fits(period.field, default_ns):
                    report_problem("period.default", decl.period.default, "a period inside the field's limits")
            except UnitError as error:
                report_problem("period", str(error), "a time")
        effect_ns, tolerance = None, 0.0
        try:
            effect_ns = parse_duration_ns(decl.takes_effect) if decl.takes_effect is not None else None
        except UnitError as error:
            report_problem("takes_effect", str(error), "a time such as '2 s'")
        try:
            tolerance = float(parse_quantity(decl.pace_tolerance).span_in(PLAIN))
        except UnitError as error:
            report_problem("pace_tolerance", str(error), "a share such as '5 percent'")
        if not 0 < tolerance <= 0.5:
            report_problem("pace_tolerance", decl.pace_tolerance, "more than 0 and at most 50 percent")
        return Sensor(
            name,
            decl.data,
            enable,
            on,
            off,
            period,
            default_ns,
            decl.enable is not None and decl.enable.default == "on",
            None if decl.after_reconnect is None else decl.after_reconnect == "kept",
            effect_ns,
            tolerance,
        )

    def input(
        self, place: str, text: str, table: Mapping[str, Characteristic], constants: Mapping[str, str]
    ) -> tuple[Input, str] | None:
        """One input of a formula and the characteristic it comes from."""
        report_problem = self.report_problem(place)
        found = _INPUT.fullmatch(text)
        if found is None:
            report_problem("", f"{text!r}", "written as 'characteristic.field in unit'")
            return None
        constant = constants.get(found["owner"])
        owner = table.get(constant or found["owner"])
        fields = {field.name: field for field, _ in owner.layout.all_fields()} if owner else {}
        field = fields.get(found["field"])
        if owner is None or field is None:
            known = ", ".join(fields) or "none"
            report_problem("", f"there is no {found['owner']}.{found['field']}", f"fields: {known}")
            return None
        try:
            gain, zero = field.unit.to(parse_unit(found["unit"] or ""))
        except UnitError as error:
            report_problem(
                "", f"{text!r}: {error}", f"a unit of the dimension of {field.unit.symbol or 'a plain number'}"
            )
            return None
        return Input(field.name, constant, float(gain), float(zero)), owner.name

    def derived(
        self, name: str, decl: DerivedShape, table: Mapping[str, Characteristic], constants: Mapping[str, str]
    ) -> tuple[str, Derived] | None:
        report_problem = self.report_problem(f"derived.{name}")
        if not NAME.fullmatch(name):
            report_problem("", f"name {name!r}", "lower-case letters, digits and _")
        inputs = {}
        owners: set[str] = set()
        for key, text in decl.inputs.items():
            if (made := self.input(f"derived.{name}.inputs.{key}", text, table, constants)) is not None:
                inputs[key], owner = made
                owners |= {owner} if inputs[key].constant is None else set()
        try:
            formula = Formula(decl.formula, decl.inputs)
            unit = parse_unit(decl.unit)
        except InputError as error:
            report_problem("formula" if not isinstance(error, UnitError) else "unit", str(error), "")
            return None
        for key in sorted(set(decl.inputs) - formula.used):
            report_problem(f"inputs.{key}", "is not used by the formula", "remove it")
        samples = table[min(owners)].layout.samples if owners else None
        repeated = {field.name for field in samples.fields} if samples else set()
        per_sample = any(source.constant is None and source.field in repeated for source in inputs.values())
        if len(owners) != 1:
            report_problem(
                "inputs",
                f"values of {len(owners)} characteristics",
                "the fields of exactly one, and any constants",
            )
            return None
        if decl.over_samples is not None and not per_sample:
            report_problem("over_samples", "none of the inputs is a field of samples", "remove it")
        return owners.pop(), Derived(name, unit, formula, inputs, per_sample, decl.over_samples)

    def procedures(self, file: PluginFileShape, table: Mapping[str, Characteristic]) -> dict[str, Procedure]:
        made = {
            name: read_procedure(name, decl, table, self.report_problem(f"procedure.{name}"))
            for name, decl in file.procedure.items()
        }
        found = {name: one for name, one in made.items() if one is not None}
        taken: dict[tuple[str, int], str] = {}
        for name, one in found.items():
            if (earlier := taken.setdefault((one.target, one.opcode), name)) != name:
                report_problem = self.report_problem(f"procedure.{name}")
                report_problem("opcode", f"{one.opcode}, which {earlier} has", "an opcode of its own")
        return found

    def advertising(self, decl: AdvertisingShape | None) -> Advertising | None:
        if decl is None:
            return None
        report_problem, interval_s = self.report_problem("advertising"), None
        services = [_uuid(uuid, f"services[{i}]", report_problem) for i, uuid in enumerate(decl.services)]
        if decl.interval is not None:
            try:
                interval_s = parse_duration_ns(decl.interval) / 1e9
            except UnitError as error:
                report_problem("interval", str(error), "a time")
        if interval_s is not None and not 0.02 <= interval_s <= 10_485.76:
            report_problem("interval", str(decl.interval), "20 ms to 10485.76 s (Vol 6, Part B, 4.4.2.2.1)")
        return Advertising(decl.name, tuple(services), interval_s)

    def load(self, text: str, content: dict[str, Any]) -> Plugin:
        if "plugin" not in content and {"run", "node"} & content.keys():
            raise ProblemsError([Problem(str(self.path), "", "is a run file", "a plugin, with a table [plugin]")])
        file = shape(PluginFileShape, content, str(self.path))
        self.kind = file.plugin.kind
        if not KIND.fullmatch(file.plugin.kind):
            self.report_problem("plugin")(
                "kind", f"{file.plugin.kind!r}", "lower-case letters, digits and -, at most 40"
            )
        table = self.characteristics(file)
        sensors = {name: self.sensor(name, decl, table) for name, decl in file.sensor.items()}
        constants = self.constants(file, table)
        formulas = {} if self.problems else file.derived  # they would only say the same again
        for name, formula in formulas.items():
            if (made := self.derived(name, formula, table, constants)) is not None:
                owner_name, derived = made
                owner = table[owner_name]
                if derived.column in {field.column for field, _ in owner.layout.all_fields()}:
                    self.report_problem(f"derived.{name}")(
                        "", f"{owner_name} has a field of that name and unit", "another name"
                    )
                table[owner_name] = replace(owner, derived=(*owner.derived, derived))
        for item in table.values():
            _check_columns(item, self.report_problem(f"characteristic.{item.name}"))
        plugin = Plugin(
            file.plugin.kind,
            file.plugin.title,
            self.path.parent,
            text,
            table,
            {name: sensor for name, sensor in sensors.items() if sensor is not None},
            constants,
            security=file.plugin.security,
            procedures=self.procedures(file, table),
            energy=None if file.energy is None else read_profile(file.energy, self.report_problem("energy")),
        )
        for name in file.energy.sensor if file.energy is not None else ():
            if name not in plugin.sensors:
                expected = f"one of {', '.join(plugin.sensors) or 'none'}"
                self.report_problem(f"energy.sensor.{name}")("", "the plugin has no such sensor", expected)
        for sensor in plugin.sensors.values():
            if sensor.data not in plugin.channels:
                self.report_problem(f"sensor.{sensor.name}")(
                    "data", f"{sensor.data!r} is a setting or a constant", "a characteristic that carries values"
                )
        told = self.report_problem("spec")
        wrong = bool(self.problems)  # then what a requirement is of may be missing for that

        def of_spec(place: str, found: str, expected: str) -> None:
            if not (wrong and found.startswith("there is no")):
                told(place, found, expected)

        rules = read_spec(file.spec, plugin.kind, table, plugin.channels, of_spec)
        plugin = replace(plugin, requirements=tuple(rules), advertising=self.advertising(file.advertising))
        if self.problems:
            raise ProblemsError(self.problems)
        return plugin

    def characteristics(self, file: PluginFileShape) -> dict[str, Characteristic]:
        table = {name: self.characteristic(name, decl) for name, decl in file.characteristic.items()}
        for item in table.values():
            self._check_within(item, table)
            place = item.uuid or item.within or item.broadcast
            same = [other for other in table.values() if (other.uuid or other.within or other.broadcast) == place]
            if len(same) == 1:
                continue
            report_problem = self.report_problem(f"characteristic.{item.name}")
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
        report_problem = self.report_problem(f"characteristic.{item.name}")
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

    def constants(self, file: PluginFileShape, table: Mapping[str, Characteristic]) -> dict[str, str]:
        """The characteristic that each constant is read from, by the constant's name."""
        found: dict[str, str] = {}
        for name, constant in file.constant.items():
            owner = table.get(constant.characteristic)
            if owner is None or "read" not in owner.properties:
                self.report_problem(f"constant.{name}")(
                    "characteristic",
                    f"{constant.characteristic!r}",
                    "a declared characteristic that can be read",
                )
            else:
                found[name] = owner.name
        return found


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


def _check_columns(item: Characteristic, report_problem: ReportProblem) -> None:
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


def _uuid(text: str, place: str, report_problem: ReportProblem) -> str:
    if re.fullmatch(r"0[xX][0-9a-fA-F]{4}", text):
        return BASE_UUID.format(int(text, 16))
    try:
        return str(UUID(text))
    except ValueError:
        report_problem(place, f"{text!r}", "a 128-bit UUID, or a 16-bit number such as 0x2A19")
        return text


def load_plugin(path: Path) -> Plugin:
    """Load the plugin in folder ``path`` (or its plugin.toml).

    Raises:
        ProblemsError: everything that is wrong with it.
    """
    file = path / "plugin.toml" if path.is_dir() else path
    return _Loader(file).load(*read_toml(file))


def load_plugin_text(text: str, where: str) -> Plugin:
    """A plugin from its text, ``where`` it is said to come from.

    Raises:
        ProblemsError: everything that is wrong with it.
    """
    return _Loader(Path(where)).load(text, parse_toml(text, where))
