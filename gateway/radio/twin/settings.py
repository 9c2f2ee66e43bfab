"""What a simulated node can be set to: its sensors switched and paced by writes, refused where a declared limit is
broken, and every way a firmware can get that wrong, on demand."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Collection, Mapping
from dataclasses import replace
from fractions import Fraction
from typing import Any

from bumble import att

from gateway.model.errors import DecodeError
from gateway.model.units import parse_unit
from gateway.plugin import Characteristic, Plugin, Sensor, period_fits, period_ns_of
from gateway.plugin.layout.kind import Value
from gateway.plugin.layout.model import Field
from gateway.radio.twin.signal import fitted

_SECOND = parse_unit("s")
_SETTLED = 0.8  # of the time that a setting may take until it reads as written


class Pace:
    """A sensor's state: whether it is on, its period, and a flag raised when either changes."""

    def __init__(self, sensor: Sensor) -> None:
        self.sensor = sensor
        self.on = sensor.enable is None or sensor.starts_on
        self.period_s = (sensor.default_period_ns or 1_000_000_000) / 1e9
        self.waiting_s: float | None = None  # a period that is kept only once it is switched on again
        self.changed = asyncio.Event()


class Settings:
    """The writable part of a simulated node.

    Args:
        plugin: what it is.
        wrong: what its firmware does wrong, of `config.FIRMWARE_FAULTS`.
    """

    def __init__(self, plugin: Plugin, wrong: Collection[str]) -> None:
        self._plugin, self._wrong = plugin, frozenset(wrong)
        self.paces: dict[str, Pace] = {}
        self._values: dict[str, dict[str, Value]] = {}
        self._written_s: dict[str, float] = {}  # when, by the loop's time
        self._before: dict[str, bytes] = {}  # what a setting that takes a while to settle read before
        self._power_up()

    def __contains__(self, characteristic: str) -> bool:
        return characteristic in self._values

    def _power_up(self) -> None:
        sensors = self._plugin.sensors.values()
        if "starts-otherwise" in self._wrong:
            sensors = [replace(sensor, starts_on=not sensor.starts_on) for sensor in sensors]  # type: ignore[assignment]
        for sensor in sensors:
            self.paces[sensor.name] = Pace(sensor)
        self._values = {name: self._first(name) for name in self._plugin.settings}

    def _start(self, sensor: Sensor) -> None:
        """Set one sensor as after power-up."""
        pace, fresh = self.paces[sensor.name], Pace(self.paces[sensor.name].sensor)
        pace.on, pace.period_s, pace.waiting_s = fresh.on, fresh.period_s, None
        pace.changed.set()
        for setting in (sensor.enable, sensor.period):
            if setting is not None:
                own = self._first(setting.characteristic)
                self._values[setting.characteristic][setting.field.name] = own[setting.field.name]

    def link_ended(self) -> None:
        """Forget what was written, where that is declared or what the firmware does wrong."""
        for sensor in self._plugin.sensors.values():
            if (sensor.kept is False) is not ("forgets-otherwise" in self._wrong):
                self._start(sensor)

    def read(self, item: Characteristic) -> bytes:
        """The bytes of a setting."""
        now_s = asyncio.get_running_loop().time()
        passed_s = now_s - self._written_s.get(item.name, now_s)  # it stands still until it is set
        if item.name in self._before and passed_s < _SETTLED * item.settles_ns / 1e9:
            return self._before[item.name]
        clocks = {
            field.name: _gone_on(field, self._values[item.name][field.name], passed_s)
            for field in item.layout.fields
            if field.epoch_ns is not None
        }
        return item.codec.build(self._values[item.name] | clocks)

    def write(self, item: Characteristic, raw: bytes) -> None:
        """Take a written value.

        Raises:
            att.ATT_Error: it does not fit or is beyond a limit. Error codes: Core Specification, Vol 3, Part F,
                3.4.1.1, and its Supplement for those from 0xE0 on.
        """
        try:
            values, _ = item.codec.parse(raw)
        except DecodeError:
            if "accepts-any-length" not in self._wrong:
                raise att.ATT_Error(att.ATT_INVALID_ATTRIBUTE_LENGTH_ERROR) from None
            return
        before, _ = item.codec.parse(self.read(item))
        fields = {field.name: field for field in item.layout.fields}
        meant = {key: field.scale.apply(values[key]) if field.scale else values[key] for key, field in fields.items()}
        for pace in self.paces.values():
            if (code := _refusal(pace.sensor, item.name, values)) is not None:
                if "changes-though-refused" in self._wrong:
                    self._values[item.name] = meant
                if "accepts-out-of-range" not in self._wrong:
                    raise att.ATT_Error(code)
        sensed = {(s.characteristic, s.field.name) for p in self.paces.values() for s in p.sensor.settings}
        for key, field in fields.items():
            if (item.name, key) not in sensed and (code := _beyond(field, values[key], meant[key])) is not None:
                raise att.ATT_Error(code)
        if item.settles_ns:
            self._before[item.name] = self.read(item)
        self._values[item.name] = meant
        self._written_s[item.name] = asyncio.get_running_loop().time()
        for pace in self.paces.values():
            self._apply(pace, item.name, before, values)

    def _apply(self, pace: Pace, name: str, before: Mapping[str, Any], values: Mapping[str, Any]) -> None:
        """Take what a write changes of one sensor; the record may hold others, which it leaves as they are."""
        enable, period = pace.sensor.enable, pace.sensor.period
        if enable and enable.characteristic == name:
            asked = values[enable.field.name] == pace.sensor.on
            if asked != pace.on or values[enable.field.name] != before[enable.field.name]:
                self._switch(pace, asked)
        if period and period.characteristic == name and values[period.field.name] != before[period.field.name]:
            self._take_period(pace, period_ns_of(period.field, values[period.field.name]) / 1e9)

    def _switch(self, pace: Pace, asked: bool) -> None:
        was_on = pace.on
        pace.on = (asked and "never-on" not in self._wrong) or (not asked and "never-off" in self._wrong)
        if asked and pace.waiting_s is not None:
            pace.period_s, pace.waiting_s = pace.waiting_s, None
        for wrong, state in (("switches-others-on", True), ("off-takes-all", False)):
            if wrong in self._wrong and asked is state:
                for other in self.paces.values():
                    other.on = state
                    other.changed.set()
        if pace.on != was_on:
            pace.changed.set()

    def _take_period(self, pace: Pace, period_s: float) -> None:
        period = pace.sensor.period
        if "rounds-periods" in self._wrong and period and period.field.low is not None:
            gain, zero = period.field.unit.to(_SECOND)
            shortest_s = float(period.field.low * gain + zero)
            if period_s < 1.5 * shortest_s:
                period_s = 2 * shortest_s
                self._values[period.characteristic][period.field.name] = period.time(round(period_s * 1e9))
        if "paces-others" in self._wrong:
            for other in self.paces.values():
                if other is not pace and (own := other.sensor.period) is not None:
                    wanted = float(own.time(round(period_s * 1e9)))
                    low, high = (end if end is not None else wanted for end in (own.field.low, own.field.high))
                    value = fitted(own.field, min(max(wanted, low), high))
                    self._values[own.characteristic][own.field.name] = value
                    other.period_s = period_ns_of(own.field, own.encode(value)) / 1e9
                    other.changed.set()
        if "paces-only-on-switching" in self._wrong and pace.on:
            pace.waiting_s = period_s
            return
        pace.period_s, pace.waiting_s = period_s, None
        pace.on = pace.on or "starts-when-paced" in self._wrong
        pace.changed.set()

    def period_of(self, pace: Pace) -> float:
        """The period it keeps now, seconds."""
        beside = sum(other.on for other in self.paces.values()) > 1
        return pace.period_s * (2 if beside and "slows-beside-another" in self._wrong else 1)

    def _first(self, name: str) -> dict[str, Value]:
        """The fields of a setting after power-up, as the firmware has it."""
        values = self._plugin.started(name)
        for pace in self.paces.values():
            values |= pace.sensor.switch(pace.on).get(name, {})
        return values


def _gone_on(field: Field, value: Value, passed_s: float) -> Value:
    """What a time of day is so long after it was written."""
    if isinstance(value, str) or value is None:
        return value
    gain, _ = _SECOND.to(field.unit)
    later = value + Fraction(passed_s) * gain
    if field.scale is None:
        return later
    low, high = field.raw_range
    return field.shown((field.scale.invert(Fraction(later)) - low) % (high - low + 1) + low)  # it wraps


def _refusal(sensor: Sensor, name: str, values: Mapping[str, Any]) -> int | None:
    """The error code for what this sensor can't be set to, None for what it can."""
    enable, period = sensor.enable, sensor.period
    if enable and enable.characteristic == name and values[enable.field.name] not in (sensor.on, sensor.off):
        return int(att.ErrorCode.VALUE_NOT_ALLOWED)
    if (
        period
        and period.characteristic == name
        and not period_fits(period.field, period_ns_of(period.field, values[period.field.name]))
    ):
        return int(att.ErrorCode.OUT_OF_RANGE)
    return None


def _beyond(field: Field, raw: Any, value: Value) -> int | None:
    """The error code for what a field of no sensor can't be set to, None for what it can."""
    if field.names and raw not in field.names and raw not in (field.reserved or {}):
        return int(att.ErrorCode.VALUE_NOT_ALLOWED)
    low, high = (-math.inf if field.low is None else field.low), (math.inf if field.high is None else field.high)
    if isinstance(value, int | float) and not low <= value <= high:
        return int(att.ErrorCode.OUT_OF_RANGE)
    return None


def in_field(field: Field, nanoseconds: int) -> Value:
    """A length of time in the field's unit, wrapped to what it can carry."""
    gain, _ = _SECOND.to(field.unit)
    value = nanoseconds * gain / 1_000_000_000
    if field.scale is None:
        return float(value)
    return field.scale.apply(field.scale.invert(value) & (1 << field.bits) - 1)
