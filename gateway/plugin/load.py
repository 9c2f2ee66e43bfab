"""Load and prove plugin files. A plugin is data: loading one runs no code of its author's. Every problem of the
file is reported in one pass."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from gateway.energy import read_profile
from gateway.host.toml import parse_toml, read_toml, shape
from gateway.model.errors import InputError, Problem, ProblemsError, UnitError
from gateway.model.units import PLAIN, parse_duration_ns, parse_quantity, parse_unit
from gateway.plugin.characteristic import Characteristics, check_columns, read_uuid
from gateway.plugin.command import read_procedure
from gateway.plugin.layout.formula import Formula
from gateway.plugin.layout.line import NAME
from gateway.plugin.layout.presence import ReportProblem
from gateway.plugin.model import (
    Advertising,
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
    DerivedShape,
    EnableShape,
    PeriodShape,
    PluginFileShape,
    SensorShape,
)

KIND = re.compile(r"[a-z][a-z0-9-]{0,39}")
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
        services = [read_uuid(uuid, f"services[{i}]", report_problem) for i, uuid in enumerate(decl.services)]
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
        table = Characteristics(self.kind, self.path.parent, self.report_problem).read(file)
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
            check_columns(item, self.report_problem(f"characteristic.{item.name}"))
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
