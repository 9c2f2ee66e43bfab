"""One kind of node, proven: its characteristics, sensors, constants and derived values."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import Literal, NamedTuple
from uuid import UUID

from gateway.energy import Profile
from gateway.model.errors import DecodeError
from gateway.model.figures import Requirement
from gateway.model.security import Pairing, Security
from gateway.model.units import Unit, parse_unit
from gateway.plugin.layout.codec import Codec
from gateway.plugin.layout.formula import Formula
from gateway.plugin.layout.kind import Value
from gateway.plugin.layout.model import Field, Layout
from gateway.plugin.procedure import Procedure
from gateway.plugin.unpack import Step

Values = Mapping[str, Mapping[str, Value]]  # by characteristic, by field, in the field's unit
_NANOSECOND = parse_unit("ns")
Property = Literal["read", "write", "write-without-response", "notify", "indicate"]


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


ADVERTISEMENT_BYTES = 31  # Core Specification, Vol 6, Part B, 2.3.1.1
EXTENDED_BYTES = 245  # of an extended one in one packet, beside address and set: 2.3.4
FLAGS_BYTES = 3  # with length and type in front
_BASE = "-0000-1000-8000-00805f9b34fb"


class Broadcast(NamedTuple):
    """Which part of an advertisement: the manufacturer data of a company, or the service data of a service (UUID)."""

    company: int | None
    service: str

    @property
    def text(self) -> str:
        """In words."""
        if self.company is None:
            return f"service data of {self.service}"
        return f"manufacturer data of company 0x{self.company:04X}"

    @property
    def head(self) -> bytes:
        """What stands in front of its values: the company, or the UUID, of two bytes where Bluetooth assigned it."""
        if self.company is not None:
            return self.company.to_bytes(2, "little")
        short = self.service.startswith("0000") and self.service.endswith(_BASE)
        return bytes.fromhex(self.service[4:8])[::-1] if short else UUID(self.service).bytes[::-1]

    def room(self, size: int) -> int:
        """Bytes that a value of ``size`` bytes takes of an advertisement, with all that stands in front of it."""
        return 2 + len(self.head) + size


@dataclass(frozen=True)
class Characteristic:
    """A characteristic as declared; UUIDs are 128-bit in lower case.

    Attributes:
        description: what its User Description descriptor is to say, None where that is left open.
        stores: how many values it keeps while nobody is subscribed, 0 for none.
        settles_ns: how long after a write it may take until it reads as written.
        step: how messages in its values are unpacked, None where they hold none.
        within: of such a message, the characteristic it comes in; it has no UUID and no properties of its own.
        broadcast: of what is advertised, the part of an advertisement that it is; it is in no GATT table.
    """

    name: str
    title: str
    uuid: str
    service: str
    properties: frozenset[Property]
    layout: Layout
    description: str | None = None
    derived: tuple[Derived, ...] = ()
    stores: int = 0
    settles_ns: int = 0
    step: Step | None = None
    within: str = ""
    broadcast: Broadcast | None = None

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

    def encode(self, value: Value) -> int | float:
        """The transmitted number for a value in the field's unit.

        Raises:
            ValueError: the field can't carry it; the text says why.
        """
        raw = self.field.type.encode(self.field, value)
        if isinstance(raw, bytes):
            raise ValueError("a setting is a number")
        return raw

    def shown(self, raw: int | float) -> int | float:
        """The value that a transmitted number stands for, in the field's unit."""
        return self.field.scale.apply(int(raw)) if self.field.scale else raw

    def time(self, period_ns: int) -> Fraction:
        """A length of time in the field's unit."""
        gain, zero = _NANOSECOND.to(self.field.unit)
        return period_ns * gain + zero


@dataclass(frozen=True, slots=True)
class Sensor:
    """What is switched and paced on its own.

    Attributes:
        data: the characteristic its values come in.
        enable: the setting that switches it, with the transmitted integers for on and off.
        period: the setting that paces it.
        default_period_ns: its pace when nobody wrote any.
        starts_on: whether it is on after power-up.
        kept: whether its settings outlast a link, None where that is left open.
        effect_ns: within which time a new period is kept, None where that is left open.
        tolerance: share that the mean time between values may lie off the period.
    """

    name: str
    data: str
    enable: Setting | None
    on: int
    off: int
    period: Setting | None
    default_period_ns: int | None
    starts_on: bool = False
    kept: bool | None = None
    effect_ns: int | None = None
    tolerance: float = 0.05

    @classmethod
    def free(cls, channel: str) -> Sensor:
        """One that can't be set: it is always on, at a pace of its own."""
        return cls(channel, channel, None, 1, 0, None, None)

    @property
    def settings(self) -> tuple[Setting, ...]:
        """What switches and paces it."""
        return tuple(one for one in (self.enable, self.period) if one is not None)

    def switch(self, on: bool) -> Values:
        """What to write to switch it; nothing where that can't be done."""
        if self.enable is None:
            return {}
        value = self.enable.shown(self.on if on else self.off)
        return {self.enable.characteristic: {self.enable.field.name: value}}

    def pace(self, period_ns: int) -> Values:
        """What to write to pace it; nothing where that can't be done."""
        if self.period is None:
            return {}
        return {self.period.characteristic: {self.period.field.name: self.period.time(period_ns)}}


@dataclass(frozen=True, slots=True)
class Advertising:
    """What a node is to advertise: how its name begins, UUIDs of services, interval; None where that is left open."""

    name: str | None
    services: tuple[str, ...]
    interval_s: float | None


@dataclass(frozen=True)
class Plugin:
    """One kind of node, proven.

    Attributes:
        constant_names: the characteristic that each constant is read from, by the constant's name.
    """

    kind: str
    title: str
    path: Path
    text: str
    characteristics: Mapping[str, Characteristic]
    sensors: Mapping[str, Sensor]
    constant_names: Mapping[str, str]
    requirements: tuple[Requirement, ...] = ()
    advertising: Advertising | None = None
    security: Security | None = None
    procedures: Mapping[str, Procedure] = dataclass_field(default_factory=dict)
    energy: Profile | None = None

    @cached_property
    def constants(self) -> tuple[str, ...]:
        """Names of the characteristics that constants are read from."""
        return tuple(dict.fromkeys(self.constant_names.values()))

    @property
    def pairing(self) -> Pairing | None:
        """What to pair a node with, its passkey not known yet; None where it asks for none."""
        return None if self.security is None else Pairing(self.security)

    @cached_property
    def settings(self) -> frozenset[str]:
        """Names of the characteristics that hold settings: those that switch or pace sensors, and others that can be
        written and read, and do not send by themselves."""
        others = (
            name
            for name, item in self.characteristics.items()
            if not item.pushed and "read" in item.properties and item.properties & {"write", "write-without-response"}
        )
        sensed = (one.characteristic for sensor in self.sensors.values() for one in sensor.settings)
        commanded = {one.target for one in self.procedures.values()}
        return frozenset((*sensed, *others)) - set(self.constants) - commanded

    @cached_property
    def channels(self) -> tuple[str, ...]:
        """Names of the characteristics that carry measured values: not settings or constants, nor what is only
        written."""
        other = self.settings | set(self.constants)
        return tuple(
            name
            for name, item in self.characteristics.items()
            if name not in other and (item.within or item.broadcast or item.properties & {"read", "notify", "indicate"})
        )

    def named(self, name: str, raw: bytes) -> str:
        """The channel of a value that came by this name: where its characteristic carries several messages, that of the
        message; where it is none of them, as it came."""
        own = self.characteristics[name]
        if own.layout.message is None or not own.layout.is_other(raw):
            return name
        return self._messages.get((own.uuid or own.broadcast, raw[own.layout.message.at]), name)

    @cached_property
    def _messages(self) -> dict[tuple[str | Broadcast | None, int], str]:
        every = (item for item in self.characteristics.values() if not item.within)
        return {(c.uuid or c.broadcast, c.layout.message.number): c.name for c in every if c.layout.message}

    @cached_property
    def served(self) -> Mapping[str, Characteristic]:
        """What stands in the node's GATT table: all but messages that come in others, and what is advertised."""
        return {name: item for name, item in self.characteristics.items() if not item.within and not item.broadcast}

    @cached_property
    def broadcasts(self) -> Mapping[Broadcast, str]:
        """What is advertised: the channel of each part of an advertisement, of several messages in one that of the
        first."""
        found: dict[Broadcast, str] = {}
        for item in self.characteristics.values():
            if item.broadcast is not None:
                found.setdefault(item.broadcast, item.name)
        return found

    @cached_property
    def steps(self) -> Mapping[str, Step]:
        """How messages are unpacked, by the characteristic they come in."""
        return {name: item.step for name, item in self.characteristics.items() if item.step is not None}

    @cached_property
    def _inner(self) -> Mapping[str, tuple[int, dict[int, str]] | str]:
        found: dict[str, tuple[int, dict[int, str]] | str] = {}
        for item in self.characteristics.values():
            if item.within and (message := item.layout.message) is not None:
                known = found.setdefault(item.within, (message.at, {}))
                if not isinstance(known, str):
                    known[1][message.number] = item.name
            elif item.within:
                found[item.within] = item.name
        return found

    def inner(self, outer: str) -> tuple[int, Mapping[int, str]] | str:
        """Which byte of a message in a characteristic tells what it is, with the characteristic by its number; or the
        only one that it can be."""
        return self._inner[outer]

    def on_air(self, name: str) -> Characteristic:
        """The characteristic of the GATT table that the values of a channel come in."""
        return next(reversed([self.characteristics[name], *self.carriers(name)]))

    def carriers(self, name: str) -> Iterator[Characteristic]:
        """The characteristics that a message comes in, from the innermost to the one on the air."""
        while outer := self.characteristics[name].within:
            name = outer
            yield self.characteristics[name]

    def enciphered(self, name: str) -> bool:
        """Whether a value, or a message in it, is encrypted."""
        within = [own for own in self.characteristics if name in (own, *(one.name for one in self.carriers(own)))]
        return any(step.keyed for own in within if (step := self.characteristics[own].step) is not None)

    def behind_key(self, name: str) -> bool:
        """Whether a message comes out of something that is encrypted."""
        return any(carrier.step is not None and carrier.step.keyed for carrier in self.carriers(name))

    def lacks(self, name: str) -> str:
        """Why what a message comes in can't be unpacked on this machine, "" where it can."""
        steps = (carrier.step for carrier in self.carriers(name))
        return next((step.lacks for step in steps if step is not None and step.lacks), "")

    def started(self, name: str) -> dict[str, Value]:
        """The fields of a setting as they are declared to be after power-up; zero where nothing is said."""
        fields = self.characteristics[name].layout.fields
        values: dict[str, Value] = {f.name: _zero(f) if f.default is None else f.default for f in fields}
        for sensor in self.sensors.values():
            values |= sensor.switch(sensor.starts_on).get(name, {})
            if sensor.default_period_ns is not None:
                values |= sensor.pace(sensor.default_period_ns).get(name, {})
        return values

    def meaning(self, name: str, raw: bytes) -> Meaning:
        """What the bytes of a setting say, and mean for the channels whose sensors they set."""
        on: dict[str, bool] = {}
        period_s: dict[str, float] = {}
        try:
            numbers, _ = self.characteristics[name].codec.parse(raw)
        except DecodeError:
            return Meaning(on, period_s, {})
        for sensor in self.sensors.values():
            if sensor.enable is not None and sensor.enable.characteristic == name:
                number = numbers[sensor.enable.field.name]
                on |= {sensor.data: number == sensor.on} if number in (sensor.on, sensor.off) else {}
            if sensor.period is not None and sensor.period.characteristic == name:
                period_s[sensor.data] = period_ns_of(sensor.period.field, numbers[sensor.period.field.name]) / 1e9
        shown = {r.name: r.value for r in self.characteristics[name].codec.read(raw) if r.value is not None}
        return Meaning(on, period_s, shown)


def _zero(field: Field) -> Value:
    if field.type.textual:
        return field.type.example(field, 0)
    return 0 if field.low is None or field.low <= 0 else field.low


class Meaning(NamedTuple):
    """What a setting says: which sensors are on and their periods in seconds, by their channels; its fields."""

    on: dict[str, bool]
    period_s: dict[str, float]
    values: dict[str, int | float | str]


def period_ns_of(field: Field, raw: float) -> int:
    """The time that a transmitted setting stands for, nanoseconds."""
    gain, zero = field.unit.to(parse_unit("s"))
    value = field.scale.apply(int(raw)) if field.scale else raw
    return round((value * float(gain) + float(zero)) * 1e9)


def period_fits(field: Field, period_ns: int) -> bool:
    """Whether a setting of time can carry just this period, to the nanosecond, within its limits and its range."""
    gain, zero = parse_unit("ns").to(field.unit)
    value = period_ns * gain + zero
    shown = float(value)  # limits are the nearest floats, too
    if field.scale is not None:
        raw, (low, high) = field.scale.invert(value), field.raw_range
        if not low <= raw <= high or abs(period_ns_of(field, raw) - period_ns) > 1:
            return False
        shown = float(field.scale.apply(raw))
    return not ((field.low is not None and shown < field.low) or (field.high is not None and shown > field.high))
