"""Find, load and prove plugin folders. A plugin is data: loading one runs no code of its author's.
What comes out has been checked through and through, and every problem of the file is reported in one
pass; the rest of the product works with `Plugin` and never looks at the file again."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Annotated, Literal
from uuid import UUID

from pydantic import BaseModel, ConfigDict
from pydantic import Field as Declared

from gateway import shipped
from gateway.errors import InputError, Problem, ProblemsError, UnitError
from gateway.layout.adopted import BASE_UUID, adopted
from gateway.layout.codec import Codec
from gateway.layout.declare import NAME, Complain, FieldDecl, SamplesDecl, read_layout
from gateway.layout.formula import Formula
from gateway.layout.model import Field, Layout, Order
from gateway.spec import LINK
from gateway.toml import read_toml, shape
from gateway.units import Unit, parse_duration_ns, parse_unit

Property = Literal["read", "write", "write-without-response", "notify", "indicate"]
KIND = re.compile(r"[a-z][a-z0-9-]{0,39}")
_STRICT = ConfigDict(extra="forbid", strict=True)
_INPUT = re.compile(r"(?P<owner>[a-z][a-z0-9_]*)\.(?P<field>[a-z][a-z0-9_]*)(?:\s+in\s+(?P<unit>.+))?")


class _Head(BaseModel):
    model_config = _STRICT
    kind: str
    title: str


class _Characteristic(BaseModel):
    model_config = _STRICT
    uuid: str
    service: str
    properties: Annotated[list[Property], Declared(min_length=1)]
    title: str = ""
    byte_order: Order = "little"
    length: int | None = None
    fields: list[FieldDecl] = []
    samples: SamplesDecl | None = None


class _Enable(BaseModel):
    model_config = _STRICT
    characteristic: str
    field: str | None = None
    on: int = 1
    off: int = 0


class _Period(BaseModel):
    model_config = _STRICT
    characteristic: str
    field: str | None = None
    default: str


class _Sensor(BaseModel):
    model_config = _STRICT
    data: str
    enable: _Enable | None = None
    period: _Period | None = None


class _Constant(BaseModel):
    model_config = _STRICT
    characteristic: str


class _Derived(BaseModel):
    model_config = _STRICT
    unit: str
    inputs: dict[str, str]
    formula: str
    over_samples: Literal["max", "min", "mean"] | None = None


class _File(BaseModel):
    model_config = _STRICT
    plugin: _Head
    characteristic: dict[str, _Characteristic]
    sensor: dict[str, _Sensor] = {}
    constant: dict[str, _Constant] = {}
    derived: dict[str, _Derived] = {}


@dataclass(frozen=True, slots=True)
class Input:
    """One input of a formula: a field of the value, or of a constant, converted to the unit wanted.

    Attributes:
        constant: the constant's characteristic, None for a field of the value itself.
        gain, zero: wanted = value * gain + zero.
    """

    field: str
    constant: str | None
    gain: float
    zero: float


@dataclass(frozen=True, slots=True)
class Derived:
    """A value worked out from others.

    Attributes:
        per_sample: its inputs are fields of the samples, so that there is one for each sample.
        over_samples: what is made of those, where it is one for the whole value.
    """

    name: str
    unit: Unit
    formula: Formula
    inputs: Mapping[str, Input]
    per_sample: bool
    over_samples: Literal["max", "min", "mean"] | None = None

    @property
    def in_samples(self) -> bool:
        """Whether it stands beside the samples rather than beside the fields of the value."""
        return self.per_sample and self.over_samples is None

    @property
    def column(self) -> str:
        """Its name with its unit, as a column of the log."""
        return f"{self.name}_{self.unit.column_suffix}" if self.unit.symbol else self.name


@dataclass(frozen=True)
class Characteristic:
    """A characteristic as declared; UUIDs are 128-bit in lower case."""

    name: str
    title: str
    uuid: str
    service: str
    properties: frozenset[Property]
    layout: Layout
    derived: tuple[Derived, ...] = ()

    @cached_property
    def codec(self) -> Codec:
        """Reads and builds its values."""
        return Codec(self.layout, self.name)

    @property
    def pushed(self) -> bool:
        """Whether the node sends it by itself (notify or indicate)."""
        return bool(self.properties & {"notify", "indicate"})


@dataclass(frozen=True, slots=True)
class Setting:
    """One field of a writable characteristic that switches or paces a sensor."""

    characteristic: str
    field: Field


@dataclass(frozen=True, slots=True)
class Sensor:
    """What is switched and paced on its own.

    Attributes:
        data: the characteristic its values come in.
        enable: the setting that switches it, with the transmitted integers for on and off.
        period: the setting that paces it.
        default_period_ns: its pace when nobody wrote any.
    """

    name: str
    data: str
    enable: Setting | None
    on: int
    off: int
    period: Setting | None
    default_period_ns: int | None


@dataclass(frozen=True)
class Plugin:
    """One kind of node, proven."""

    kind: str
    title: str
    path: Path
    text: str
    characteristics: Mapping[str, Characteristic]
    sensors: Mapping[str, Sensor]
    constants: tuple[str, ...]

    @cached_property
    def settings(self) -> frozenset[str]:
        """Names of the characteristics that hold settings."""
        return frozenset(
            setting.characteristic
            for sensor in self.sensors.values()
            for setting in (sensor.enable, sensor.period)
            if setting is not None
        )

    @cached_property
    def channels(self) -> tuple[str, ...]:
        """Names of the characteristics that carry measured values."""
        return tuple(name for name in self.characteristics if name not in self.settings | set(self.constants))


class _Loader:
    """Builds a plugin from its file's shape, gathering problems as it goes."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.problems: list[Problem] = []

    def complain(self, prefix: str) -> Complain:
        def complain(place: str, found: str, expected: str) -> None:
            where = f"{prefix}.{place}" if place else prefix
            self.problems.append(Problem(str(self.path), where, found, expected))

        return complain

    def characteristic(self, name: str, decl: _Characteristic) -> Characteristic:
        complain = self.complain(f"characteristic.{name}")
        if not NAME.fullmatch(name):
            complain("", f"name {name!r}", "lower-case letters, digits and _")
        uuid = _uuid(decl.uuid, "uuid", complain)
        known = adopted().get(uuid)
        fields, samples = decl.fields, decl.samples
        if known and not fields and samples is None:
            fields, samples = known.fields, known.samples
        layout = read_layout(fields, samples, decl.byte_order, decl.length, complain)
        if name == LINK or name.endswith(("_sample", "_utc")):
            complain("", f"name {name!r}", f"not {LINK}, and not ending in _sample or _utc, which the log uses itself")
        title = decl.title or (known.name if known else name)
        return Characteristic(
            name, title, uuid, _uuid(decl.service, "service", complain), frozenset(decl.properties), layout
        )

    def setting(self, place: str, decl: _Enable | _Period, table: Mapping[str, Characteristic]) -> Setting | None:
        complain = self.complain(place)
        owner = table.get(decl.characteristic)
        if owner is None:
            complain(
                "characteristic",
                f"no characteristic named {decl.characteristic!r}",
                f"one of {', '.join(table)}",
            )
            return None
        if not owner.properties & {"write", "write-without-response"}:
            complain("characteristic", f"{owner.name} can't be written", "add the property write")
        fields = {field.name: field for field in owner.layout.fields}
        wanted = decl.field if decl.field is not None else next(iter(fields), "")
        if owner.layout.conditional or owner.layout.samples or owner.layout.tail:
            complain(
                "characteristic", f"{owner.name} has no fixed shape", "settings stand in fields that are always there"
            )
            return None
        if wanted not in fields or (decl.field is None and len(fields) != 1):
            complain("field", f"{owner.name} has the fields {', '.join(fields) or 'none'}", "name the one to write")
            return None
        return Setting(owner.name, fields[wanted])

    def sensor(self, name: str, decl: _Sensor, table: Mapping[str, Characteristic]) -> Sensor | None:
        place = f"sensor.{name}"
        complain = self.complain(place)
        if decl.data not in table:
            complain("data", f"no characteristic named {decl.data!r}", f"one of {', '.join(table)}")
            return None
        enable = self.setting(f"{place}.enable", decl.enable, table) if decl.enable else None
        on, off = (decl.enable.on, decl.enable.off) if decl.enable else (1, 0)
        if enable is not None:
            low, high = enable.field.raw_range
            if on == off or not (low <= on <= high and low <= off <= high):
                complain("enable", f"on = {on}, off = {off}", f"two different integers from {low} to {high}")
        period = self.setting(f"{place}.period", decl.period, table) if decl.period else None
        default_ns = None
        if decl.period is not None and period is not None:
            try:
                default_ns = parse_duration_ns(decl.period.default)
                if period.field.unit.to(parse_unit("s")) and not within(period.field, default_ns):
                    complain("period.default", decl.period.default, "a period inside the field's limits")
            except UnitError as error:
                complain("period", str(error), "a time")
        return Sensor(name, decl.data, enable, on, off, period, default_ns)

    def derived(
        self, name: str, decl: _Derived, table: Mapping[str, Characteristic], constants: Mapping[str, str]
    ) -> tuple[str, Derived] | None:
        complain = self.complain(f"derived.{name}")
        if not NAME.fullmatch(name):
            complain("", f"name {name!r}", "lower-case letters, digits and _")
        owners: set[str] = set()
        inputs: dict[str, Input] = {}
        per_sample = False
        for key, text in decl.inputs.items():
            found = _INPUT.fullmatch(text)
            if found is None:
                complain(f"inputs.{key}", f"{text!r}", "written as 'characteristic.field in unit'")
                continue
            constant = constants.get(found["owner"])
            owner = table.get(constant or found["owner"])
            fields = {field.name: (field, inner) for field, inner in owner.layout.all_fields()} if owner else {}
            if owner is None or found["field"] not in fields:
                complain(
                    f"inputs.{key}",
                    f"there is no {found['owner']}.{found['field']}",
                    f"fields: {', '.join(fields) or 'none'}",
                )
                continue
            field, inner = fields[found["field"]]
            try:
                gain, zero = field.unit.to(parse_unit(found["unit"] or ""))
            except UnitError as error:
                complain(
                    f"inputs.{key}",
                    f"{text!r}: {error}",
                    f"a unit of the dimension of {field.unit.symbol or 'a plain number'}",
                )
                continue
            inputs[key] = Input(field.name, constant, float(gain), float(zero))
            if constant is None:
                owners.add(owner.name)
                per_sample = per_sample or inner
        try:
            formula = Formula(decl.formula, decl.inputs)
            unit = parse_unit(decl.unit)
        except InputError as error:
            complain("formula" if not isinstance(error, UnitError) else "unit", str(error), "")
            return None
        for key in sorted(set(decl.inputs) - formula.used):
            complain(f"inputs.{key}", "is not used by the formula", "remove it")
        if len(owners) != 1:
            complain(
                "inputs",
                f"values of {len(owners)} characteristics",
                "the fields of exactly one, and any constants",
            )
            return None
        if decl.over_samples is not None and not per_sample:
            complain("over_samples", "no input is a field of samples", "remove it")
        return owners.pop(), Derived(name, unit, formula, inputs, per_sample, decl.over_samples)

    def load(self) -> Plugin:
        text, content = read_toml(self.path)
        file = shape(_File, content, str(self.path))
        if not KIND.fullmatch(file.plugin.kind):
            self.complain("plugin")("kind", f"{file.plugin.kind!r}", "lower-case letters, digits and -, at most 40")
        table = {name: self.characteristic(name, decl) for name, decl in file.characteristic.items()}
        uuids = [item.uuid for item in table.values()]
        for item in table.values():
            if uuids.count(item.uuid) > 1:
                self.complain(f"characteristic.{item.name}")("uuid", f"{item.uuid} is used twice", "UUIDs are unique")
        sensors = {name: self.sensor(name, decl, table) for name, decl in file.sensor.items()}
        constants: dict[str, str] = {}
        for name, constant in file.constant.items():
            owner = table.get(constant.characteristic)
            if owner is None or "read" not in owner.properties:
                self.complain(f"constant.{name}")(
                    "characteristic",
                    f"{constant.characteristic!r}",
                    "a declared characteristic that can be read",
                )
            else:
                constants[name] = owner.name
        for name, formula in file.derived.items():
            if (made := self.derived(name, formula, table, constants)) is not None:
                owner_name, derived = made
                owner = table[owner_name]
                if derived.column in {field.column for field, _ in owner.layout.all_fields()}:
                    self.complain(f"derived.{name}")(
                        "", f"{owner_name} has a field of that name and unit", "another name"
                    )
                table[owner_name] = replace(owner, derived=(*owner.derived, derived))
        for item in table.values():
            _check_columns(item, self.complain(f"characteristic.{item.name}"))
        if self.problems:
            raise ProblemsError(self.problems)
        return Plugin(
            file.plugin.kind,
            file.plugin.title,
            self.path.parent,
            text,
            table,
            {name: sensor for name, sensor in sensors.items() if sensor is not None},
            tuple(dict.fromkeys(constants.values())),
        )


def _check_columns(item: Characteristic, complain: Complain) -> None:
    """Fields and derived values become columns of the log beside its own; SQL does not tell capitals apart."""
    head = [f.column for f in item.layout.fields] + [d.column for d in item.derived if not d.in_samples]
    inner = [f.column for f in item.layout.samples.fields] if item.layout.samples else []
    inner += [d.column for d in item.derived if d.in_samples]
    for columns, own in ((head, {"id", "node", "t_ns", "raw", "fault"}), (inner, {"frame", "position"})):
        folded = [column.lower() for column in columns]
        for column in sorted(set(folded)):
            if column in own:
                complain("fields", f"{column!r} is a column that the log has of its own", "another name")
            elif folded.count(column) > 1:
                complain(
                    "fields", f"{folded.count(column)} values would share the log's column {column!r}", "other names"
                )


def within(field: Field, period_ns: int) -> bool:
    """Whether a setting of time can carry this period within its limits and its range."""
    gain, zero = parse_unit("ns").to(field.unit)
    value = period_ns * gain + zero
    if (field.low is not None and value < field.low) or (field.high is not None and value > field.high):
        return False
    low, high = field.raw_range
    return field.scale is None or low <= field.scale.invert(value) <= high


def _uuid(text: str, place: str, complain: Complain) -> str:
    if re.fullmatch(r"0[xX][0-9a-fA-F]{4}", text):
        return BASE_UUID.format(int(text, 16))
    try:
        return str(UUID(text))
    except ValueError:
        complain(place, f"{text!r}", "a 128-bit UUID, or a 16-bit number such as 0x2A19")
        return text


def load_plugin(path: Path) -> Plugin:
    """Load the plugin in folder ``path`` (or its plugin.toml).

    Raises:
        ProblemsError: everything that is wrong with it.
    """
    return _Loader(path / "plugin.toml" if path.is_dir() else path).load()


def plugin_folders(extra: Sequence[Path] = ()) -> dict[str, Path]:
    """Folders that hold a plugin.toml, by folder name; ``extra`` goes before the shipped ones."""
    found: dict[str, Path] = {}
    for place in (*extra, Path("plugins"), shipped.folder("plugins")):
        if place.is_dir():
            for file in sorted(place.glob("*/plugin.toml")):
                found.setdefault(file.parent.name, file.parent)
    return found


def find_plugin(name: str, extra: Sequence[Path] = ()) -> Plugin:
    """Load a plugin by the name of its folder, or by its path.

    Raises:
        InputError: there is none of that name.
        ProblemsError: everything that is wrong with it.
    """
    path = Path(name)
    if (path / "plugin.toml").is_file() or path.suffix == ".toml":
        return load_plugin(path)
    known = plugin_folders(extra)
    if name not in known:
        raise InputError(
            f"plugin {name!r} not found; known are {', '.join(sorted(known)) or 'none'}; or give the path of its folder"
        )
    return load_plugin(known[name])
