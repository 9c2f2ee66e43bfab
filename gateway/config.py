"""Run files: which nodes, how they are set up, what is required of them, and, for a virtual run, how the
simulated nodes behave. Reading one proves it against the plugins it names and reports every problem in
one pass."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Literal, TypeVar

from pydantic import BaseModel, ConfigDict
from pydantic import Field as Declared

from gateway.errors import InputError, Problem, ProblemsError, UnitError
from gateway.layout.codec import encode
from gateway.layout.model import Field
from gateway.plugin import Plugin, find_plugin, within
from gateway.spec import LINK, figures_of
from gateway.toml import read_toml, shape
from gateway.units import PLAIN, Unit, parse_duration_ns, parse_quantity, parse_unit

T = TypeVar("T")
_STRICT = ConfigDict(extra="forbid", strict=True)
_NAME = re.compile(r"[a-z][a-z0-9-]{0,39}")
_ADDRESS = re.compile(r"[0-9A-F]{2}(:[0-9A-F]{2}){5}")


class _Run(BaseModel):
    model_config = _STRICT
    title: str
    length: str | None = None
    radio: Literal["system", "virtual"] = "system"
    plugins: list[str] = []
    seed: int = 1


class _Find(BaseModel):
    model_config = _STRICT
    name: str | None = None
    address: str | None = None


class _SensorUse(BaseModel):
    model_config = _STRICT
    on: bool = True
    period: str | None = None


class _Node(BaseModel):
    model_config = _STRICT
    plugin: str
    find: _Find
    silent_after: str = "30 s"
    sensor: dict[str, _SensorUse] = {}
    poll: dict[str, str] = {}


class _Air(BaseModel):
    model_config = _STRICT
    interval: str = "15 ms"
    supervision_timeout: str = "2 s"
    phy: Literal["1M", "2M"] = "1M"
    packet_errors: str = "0 percent"


class _Signal(BaseModel):
    model_config = _STRICT
    constant: str | None = None
    ramp: Annotated[list[str], Declared(min_length=3, max_length=3)] | None = None
    sine: Annotated[list[str], Declared(min_length=3, max_length=3)] | None = None
    noise: str | None = None
    csv: str | None = None
    column: str | None = None
    unit: str | None = None


class _Fault(BaseModel):
    model_config = _STRICT
    lose: str | None = None
    slow: str | None = None
    drop_link_every: str | None = None
    wrong_length_every: Annotated[int, Declared(ge=1)] | None = None
    freeze: str | None = None
    jump_sequence_every: Annotated[int, Declared(ge=1)] | None = None


class _Twin(BaseModel):
    model_config = _STRICT
    address: str | None = None
    signal: dict[str, dict[str, _Signal]] = {}
    constant: dict[str, dict[str, str]] = {}
    faults: _Fault = _Fault()


class _Bound(BaseModel):
    model_config = _STRICT
    min: str | int | None = None
    max: str | int | None = None


class _File(BaseModel):
    model_config = _STRICT
    run: _Run
    node: Annotated[dict[str, _Node], Declared(min_length=1)]
    air: _Air = _Air()
    twin: dict[str, _Twin] = {}
    spec: dict[str, dict[str, dict[str, _Bound]]] = {}


@dataclass(frozen=True, slots=True)
class SensorUse:
    """How a sensor is set; ``period_ns`` None leaves the node's own pace."""

    on: bool
    period_ns: int | None


@dataclass(frozen=True, slots=True)
class NodeConfig:
    """One node of a run.

    Attributes:
        find_name, find_address: what is looked for on the air; an address in capitals.
        sensors: how each declared sensor is set; sensors that the run file leaves out are not touched.
        poll_ns: how often a channel is read, for the channels that are read.
        silent_after_ns: how long nothing may come before the link is probed and torn down.
    """

    name: str
    plugin: Plugin
    find_name: str | None
    find_address: str | None
    sensors: Mapping[str, SensorUse]
    poll_ns: Mapping[str, int]
    silent_after_ns: int


@dataclass(frozen=True, slots=True)
class AirConfig:
    """The virtual air: connection interval and supervision timeout, PHY in Mbit/s, share of packets lost."""

    interval_ns: int = 15_000_000
    supervision_ns: int = 2_000_000_000
    mbit: int = 1
    packet_errors: float = 0.0
    seed: int = 1


@dataclass(frozen=True, slots=True)
class Signal:
    """What a field of a simulated node does over time; all numbers in the field's unit.

    Attributes:
        kind: constant (level), ramp (from level to span in period_ns, again and again), sine (level,
            amplitude span, period_ns) or csv (a column of a file).
        noise: standard deviation added.
    """

    kind: Literal["constant", "ramp", "sine", "csv"]
    level: float | str = 0.0
    span: float = 0.0
    period_ns: int = 1
    noise: float = 0.0
    path: Path | None = None
    column: str = ""
    gain: float = 1.0
    zero: float = 0.0


@dataclass(frozen=True, slots=True)
class Faults:
    """What a simulated node does wrong.

    Attributes:
        lose: share of its notifications never sent.
        slow: factor on every period.
        drop_link_ns: it ends the link this long after each set-up.
        wrong_length_every: each nth payload is a byte short.
        freeze: ``channel.field`` that keeps its first value.
        jump_sequence_every: each nth value the sequence counter skips ten.
    """

    lose: float = 0.0
    slow: float = 1.0
    drop_link_ns: int | None = None
    wrong_length_every: int | None = None
    freeze: str | None = None
    jump_sequence_every: int | None = None


@dataclass(frozen=True, slots=True)
class TwinConfig:
    """A simulated node: its address, signals by ``channel.field``, constants by characteristic, faults."""

    address: str
    signals: Mapping[str, Signal] = field(default_factory=dict)
    constants: Mapping[str, Mapping[str, Fraction]] = field(default_factory=dict)
    faults: Faults = Faults()


@dataclass(frozen=True, slots=True)
class Requirement:
    """A bound on a figure of one channel (or the link) of every node of a kind; bounds in the figure's unit."""

    kind: str
    subject: str
    figure: str
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class RunConfig:
    """A run file, proven."""

    path: Path
    text: str
    title: str
    length_ns: int | None
    radio: Literal["system", "virtual"]
    nodes: Mapping[str, NodeConfig]
    air: AirConfig
    twins: Mapping[str, TwinConfig]
    requirements: tuple[Requirement, ...]


class _Reader:
    """Turns the file's shape into a `RunConfig`, gathering problems."""

    def __init__(self, path: Path, text: str, file: _File) -> None:
        self.path = path
        self.text = text
        self.file = file
        self.problems: list[Problem] = []

    def complain(self, place: str, found: str, expected: str = "") -> None:
        self.problems.append(Problem(str(self.path), place, found, expected))

    def tried(self, place: str, work: Callable[[], T], default: T) -> T:
        try:
            return work()
        except UnitError as error:
            self.complain(place, str(error))
            return default

    def exact(self, place: str, text: str, unit: Unit, default: Fraction = Fraction(0)) -> Fraction:
        return self.tried(place, lambda: parse_quantity(text).in_unit(unit), default)

    def number(self, place: str, text: str, unit: Unit, default: float = 0.0) -> float:
        return float(self.exact(place, text, unit, Fraction(default)))

    def duration(self, place: str, text: str, default: int = 1) -> int:
        return self.tried(place, lambda: parse_duration_ns(text), default)

    def share(self, place: str, text: str | None) -> float:
        value = self.number(place, text, PLAIN) if text is not None else 0.0
        if not 0 <= value <= 1:
            self.complain(place, f"{text!r}", "a share from '0 percent' to '100 percent'")
        return value

    def plugin(self, place: str, name: str) -> Plugin | None:
        try:
            return find_plugin(name, [self.path.parent / folder for folder in self.file.run.plugins])
        except ProblemsError as error:
            self.problems += [problem for problem in error.problems if problem not in self.problems]
        except InputError as error:
            self.complain(place, str(error))
        return None

    def node(self, name: str, decl: _Node) -> NodeConfig | None:
        place = f"node.{name}"
        if not _NAME.fullmatch(name):
            self.complain(place, f"name {name!r}", "lower-case letters, digits and -, at most 40")
        if (decl.find.name is None) == (decl.find.address is None):
            self.complain(f"{place}.find", "neither or both of name and address", "exactly one of them")
        plugin = self.plugin(f"{place}.plugin", decl.plugin)
        if plugin is None:
            return None
        sensors = {}
        for key, use in decl.sensor.items():
            if (made := self.sensor(f"{place}.sensor.{key}", plugin, key, use)) is not None:
                sensors[key] = made
        polls = self.polls(place, plugin, decl)
        silent_ns = self.duration(f"{place}.silent_after", decl.silent_after)
        paces = [
            use.period_ns or plugin.sensors[key].default_period_ns
            for key, use in sensors.items()
            if use.on and plugin.characteristics[plugin.sensors[key].data].pushed
        ]
        fastest_ns = min([pace for pace in paces if pace] + list(polls.values()), default=0)
        if silent_ns <= fastest_ns:
            self.complain(
                f"{place}.silent_after",
                f"{decl.silent_after} is not longer than {fastest_ns / 1e9:g} s, the shortest time between two values",
                "several times that, or the link will be given up while all is well",
            )
        address = decl.find.address.upper() if decl.find.address else None
        return NodeConfig(name, plugin, decl.find.name, address, sensors, polls, silent_ns)

    def sensor(self, place: str, plugin: Plugin, name: str, use: _SensorUse) -> SensorUse | None:
        sensor = plugin.sensors.get(name)
        if sensor is None:
            self.complain(
                place,
                f"{plugin.kind} has no sensor {name!r}",
                f"one of {', '.join(plugin.sensors) or 'none'}",
            )
            return None
        if not use.on and sensor.enable is None:
            self.complain(
                f"{place}.on",
                "this sensor can't be switched off",
                f"declare enable in {plugin.kind}, or remove the line",
            )
        period_ns = None
        if use.period is not None:
            period_ns = self.duration(f"{place}.period", use.period, 0)
            setting = sensor.period
            if setting is None:
                self.complain(
                    f"{place}.period",
                    "this sensor can't be paced",
                    f"declare period in {plugin.kind}, or remove the line",
                )
            elif period_ns and not within(setting.field, period_ns):
                self.complain(
                    f"{place}.period",
                    f"{use.period} is outside what {name} can be set to",
                    self.span(setting.field),
                )
        return SensorUse(use.on, period_ns or None)

    @staticmethod
    def span(field: Field) -> str:
        low, high = field.low, field.high
        return (
            f"{low:g} to {high:g} {field.unit.symbol}" if low is not None and high is not None else f"{field.bits} bits"
        )

    def polls(self, place: str, plugin: Plugin, decl: _Node) -> dict[str, int]:
        polls = {}
        for channel, text in decl.poll.items():
            where = f"{place}.poll.{channel}"
            if channel not in plugin.channels:
                self.complain(
                    where, f"{plugin.kind} has no channel {channel!r}", f"one of {', '.join(plugin.channels)}"
                )
            elif "read" not in plugin.characteristics[channel].properties:
                self.complain(
                    where,
                    "this channel can't be read",
                    "add the property read to the plugin, or remove the line",
                )
            else:
                polls[channel] = self.duration(where, text)
        for channel in plugin.channels:
            if not plugin.characteristics[channel].pushed and channel not in decl.poll:
                self.complain(
                    f"{place}.poll",
                    f"{channel} is only read, and nothing says how often",
                    f'add poll.{channel} = "10 s"',
                )
        return polls

    def twin(self, index: int, name: str, decl: _Twin, node: NodeConfig | None) -> TwinConfig | None:
        place = f"twin.{name}"
        if node is None:
            if name not in self.file.node:
                self.complain(place, f"there is no node {name!r}", f"one of {', '.join(self.file.node)}")
            return None
        address = (decl.address or node.find_address or f"C2:00:00:00:00:{index + 1:02X}").upper()
        if not _ADDRESS.fullmatch(address) or int(address[:2], 16) < 0xC0:
            self.complain(
                f"{place}.address",
                f"{address!r}",
                "a static random address, C0:… to FF:… (Core Specification, Vol 6, Part B, 1.3.2.1)",
            )
        signals = {}
        for channel, fields in decl.signal.items():
            layout = node.plugin.characteristics[channel].layout if channel in node.plugin.characteristics else None
            known = {field.name: field for field, _ in layout.all_fields()} if layout else {}
            for key, signal in fields.items():
                where = f"{place}.signal.{channel}.{key}"
                if key not in known:
                    self.complain(
                        where,
                        f"{node.plugin.kind} has no field {channel}.{key}",
                        f"fields: {', '.join(known) or 'none'}",
                    )
                else:
                    signals[f"{channel}.{key}"] = self.signal(where, signal, known[key])
        return TwinConfig(
            address,
            signals,
            self.constants(place, decl, node.plugin),
            self.faults(f"{place}.faults", decl.faults, node.plugin),
        )

    def constants(self, place: str, decl: _Twin, plugin: Plugin) -> dict[str, dict[str, Fraction]]:
        table: dict[str, dict[str, Fraction]] = {}
        for owner, values in decl.constant.items():
            known = (
                {f.name: f for f in plugin.characteristics[owner].layout.fields} if owner in plugin.constants else {}
            )
            for key, text in values.items():
                where = f"{place}.constant.{owner}.{key}"
                if key not in known:
                    self.complain(
                        where,
                        f"{plugin.kind} has no constant {owner}.{key}",
                        f"fields: {', '.join(known) or 'none'}",
                    )
                    continue
                value = self.exact(where, text, known[key].unit)
                try:
                    encode(known[key], value)
                except (ValueError, OverflowError) as error:
                    self.complain(where, f"{text!r}: {error}", "a value that the constant's field can carry")
                table.setdefault(owner, {})[key] = value
        return table

    def signal(self, place: str, decl: _Signal, field: Field) -> Signal:
        kinds = [kind for kind in ("constant", "ramp", "sine", "csv") if getattr(decl, kind) is not None]
        if len(kinds) != 1:
            self.complain(place, f"{len(kinds)} kinds of signal", "exactly one of constant, ramp, sine and csv")
            return Signal("constant")
        unit = field.unit
        noise = (
            self.tried(f"{place}.noise", lambda: float(parse_quantity(decl.noise or "0").span_in(unit)), 0.0)
            if decl.noise
            else 0.0
        )
        if decl.constant is not None:
            if field.names and decl.constant in field.names.values():
                return Signal("constant", decl.constant)
            return Signal("constant", self.number(place, decl.constant, unit), noise=noise)
        if decl.csv is not None:
            return self.csv(place, decl, unit, noise)
        shape_of = decl.ramp or decl.sine or []
        level = self.number(f"{place}[0]", shape_of[0], unit)
        period = self.duration(f"{place}[2]", shape_of[2])
        if decl.ramp is not None:
            return Signal("ramp", level, self.number(f"{place}[1]", shape_of[1], unit), period, noise)
        span = self.tried(f"{place}[1]", lambda: float(parse_quantity(shape_of[1]).span_in(unit)), 0.0)
        return Signal("sine", level, span, period, noise)

    def csv(self, place: str, decl: _Signal, unit: Unit, noise: float) -> Signal:
        path = self.path.parent / (decl.csv or "")
        if not path.is_file():
            self.complain(f"{place}.csv", f"there is no file {path}", "a path beside the run file")
        if decl.column is None or decl.unit is None:
            self.complain(place, "csv without column and unit", "name the column and the unit its numbers are in")
            return Signal("constant")
        gain, zero = self.tried(
            f"{place}.unit", lambda: parse_unit(decl.unit or "").to(unit), (Fraction(1), Fraction(0))
        )
        return Signal("csv", noise=noise, path=path, column=decl.column, gain=float(gain), zero=float(zero))

    def faults(self, place: str, decl: _Fault, plugin: Plugin) -> Faults:
        slow = self.number(f"{place}.slow", decl.slow, PLAIN, 1.0) if decl.slow else 1.0
        if not 0.1 <= slow <= 100:
            self.complain(f"{place}.slow", f"{decl.slow!r}", "a factor from 0.1 to 100")
        drop = decl.drop_link_every
        if decl.freeze is not None:
            channel, _, key = decl.freeze.partition(".")
            layout = plugin.characteristics[channel].layout if channel in plugin.characteristics else None
            if key not in ({f.name for f, _ in layout.all_fields()} if layout else set()):
                self.complain(
                    f"{place}.freeze", f"{plugin.kind} has no field {decl.freeze}", "written as channel.field"
                )
        return Faults(
            self.share(f"{place}.lose", decl.lose),
            slow,
            self.duration(f"{place}.drop_link_every", drop) if drop else None,
            decl.wrong_length_every,
            decl.freeze,
            decl.jump_sequence_every,
        )

    def air(self) -> AirConfig:
        decl = self.file.air
        interval = self.duration("air.interval", decl.interval, 15_000_000)
        timeout = self.duration("air.supervision_timeout", decl.supervision_timeout, 2_000_000_000)
        if not 7_500_000 <= interval <= 4_000_000_000 or interval % 1_250_000:
            self.complain(
                "air.interval",
                decl.interval,
                "7.5 ms to 4 s in steps of 1.25 ms (Core Specification, Vol 6, Part B, 4.5.1)",
            )
        if not 100_000_000 <= timeout <= 32_000_000_000 or timeout <= 2 * interval:
            self.complain(
                "air.supervision_timeout",
                decl.supervision_timeout,
                "100 ms to 32 s, and more than two intervals",
            )
        errors = self.share("air.packet_errors", decl.packet_errors)
        return AirConfig(interval, timeout, int(decl.phy[0]), errors, self.file.run.seed)

    def requirements(self, nodes: Mapping[str, NodeConfig]) -> tuple[Requirement, ...]:
        kinds = {node.plugin.kind: node.plugin for node in nodes.values()}
        made: list[Requirement] = []
        for kind, subjects in self.file.spec.items():
            plugin = kinds.get(kind)
            if plugin is None:
                if len(nodes) == len(self.file.node):  # otherwise the plugin's own problem has been told
                    self.complain(f"spec.{kind}", f"no node of this run is a {kind}", f"one of {', '.join(kinds)}")
                continue
            for subject, bounds in subjects.items():
                if subject != LINK and subject not in plugin.channels:
                    self.complain(
                        f"spec.{kind}.{subject}",
                        f"{kind} has no channel {subject!r}",
                        f"{LINK}, {', '.join(plugin.channels)}",
                    )
                    continue
                for name, bound in bounds.items():
                    place = f"spec.{kind}.{subject}.{name}"
                    if (one := self.requirement(place, plugin, subject, name, bound)) is not None:
                        made.append(one)
        return tuple(made)

    def requirement(self, place: str, plugin: Plugin, subject: str, name: str, bound: _Bound) -> Requirement | None:
        figure = figures_of(subject).get(name)
        if figure is None:
            self.complain(place, "is not a figure that can be required", f"one of {', '.join(figures_of(subject))}")
            return None
        if bound.min is None and bound.max is None:
            self.complain(place, "no bound", 'give min, max or both, such as { max = "300 ms" }')
            return None
        if name in ("loss", "duplicates") and plugin.characteristics[subject].layout.with_role("sequence") is None:
            self.complain(
                place,
                f"{subject} has no field with the role sequence",
                "remove it, or declare the counter in the plugin",
            )
            return None
        unit = parse_unit(figure.unit)
        ends: list[float | None] = []
        for key, text in (("min", bound.min), ("max", bound.max)):
            if isinstance(text, int) and figure.unit:
                self.complain(f"{place}.{key}", f"{text} has no unit", f"a quantity in {figure.unit}")
            ends.append(None if text is None else self.number(f"{place}.{key}", str(text), unit))
        low, high = ends
        if low is not None and high is not None and low > high:
            self.complain(place, f"min {bound.min} is above max {bound.max}", "min at most max")
        return Requirement(plugin.kind, subject, name, low, high)

    def read(self) -> RunConfig:
        file = self.file
        made = {name: self.node(name, decl) for name, decl in file.node.items()}
        nodes = {name: node for name, node in made.items() if node is not None}
        twins = {}
        for index, name in enumerate(
            dict.fromkeys([*file.node, *file.twin]) if file.run.radio == "virtual" else file.twin
        ):
            twin = self.twin(index, name, file.twin.get(name, _Twin()), nodes.get(name))
            if twin is not None:
                twins[name] = twin
        sought = [(node.find_name, node.find_address) for node in nodes.values()]
        for name, node in nodes.items():
            if sought.count((node.find_name, node.find_address)) > 1:
                self.complain(
                    f"node.{name}.find", "another node is sought by the same", "each node its own name or address"
                )
        addresses = [twin.address for twin in twins.values()]
        if len(set(addresses)) < len(addresses):
            self.complain("twin", "two simulated nodes share an address", "give each its own")
        length = file.run.length
        config = RunConfig(
            self.path,
            self.text,
            file.run.title,
            self.duration("run.length", length) if length else None,
            file.run.radio,
            nodes,
            self.air(),
            twins,
            self.requirements(nodes),
        )
        if self.problems:
            raise ProblemsError(self.problems)
        return config


def load_run(path: Path, radio: Literal["system", "virtual"] | None = None) -> RunConfig:
    """Read and prove a run file.

    Args:
        path: the file; relative paths in it count from its folder.
        radio: used instead of the one it names.

    Raises:
        ProblemsError: everything that is wrong with it or with its plugins.
    """
    text, content = read_toml(path)
    file = shape(_File, content, str(path))
    if radio is not None:
        file.run.radio = radio
    return _Reader(path, text, file).read()
