"""What is to be tried on a node, worked out from its plugin alone: a list of steps, each with what it expects and how
long it may take, so that all of it can be read before anything is written."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from itertools import combinations, islice

from gateway.model.errors import DecodeError, InputError
from gateway.model.units import parse_unit, unit_text
from gateway.model.utc import duration_text
from gateway.plugin import Characteristic, Plugin, Sensor, Setting, period_fits, period_ns_of
from gateway.plugin.layout.model import Field
from gateway.plugin.procedure import Procedure

SHORTEST_LISTENING_S = 1.0
_STEADY_S = 10.0  # how long a pace is listened to, where that holds values enough
_FEWEST, _MOST = 3, 20  # times between two values that make a pace
_UNPACED_S = 2.0  # how long a value is waited for from a sensor whose pace is not declared
_BETWEEN = 3  # periods tried between the shortest and the longest
_REFUSED = "an ATT error, and the setting unchanged"
_REQUESTS_S = 0.5  # what a few requests take


class StepKind(StrEnum):
    """What a step tries."""

    STARTS = "starts as declared"
    SENDS = "sends when on"
    SILENT = "is silent when off"
    TAKES = "accepts a period"
    KEEPS = "keeps a period"
    REFUSES = "refuses"
    SETS = "can be set to"
    CHANGES = "changes its period while sending"
    READS = "reads what it sends"
    LEAVES = "does not affect the others"
    RETURNS = "settings after a reconnect"
    BOTH = "both keep their periods"
    OTHER_OFF = "keeps sending when the other is switched off"
    OTHER_PACED = "keeps its period when the other's is changed"
    ANSWERS = "is answered"
    UNKNOWN = "an opcode that is not declared"
    TOO_LONG = "a byte too many"
    UNHEARD = "while nobody is subscribed to its answer"
    BUSY = "while another is in progress"


@dataclass(frozen=True, slots=True)
class TriedWrite:
    """A write that is to be taken or refused: a number for a field, or, without one, so many bytes."""

    characteristic: str
    field: Field | None
    number: int


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to try.

    Attributes:
        kind: what.
        sensor: on which; of a pair the one that is to be undisturbed. For a setting of no sensor its characteristic.
        other: the other of a pair, "" for a sensor alone.
        periods_s: the periods it is about, in order.
        write: the write that is tried.
        label: what tells it from others of its kind, "" where there is one.
        expected: what is to happen.
        seconds: how long it takes at most, if the node does what it should.
        unseen: its values are advertised, and a node that is connected need not advertise.
    """

    kind: StepKind
    sensor: str
    expected: str
    seconds: float
    other: str = ""
    periods_s: tuple[float, ...] = ()
    write: TriedWrite | None = None
    label: str = ""
    unseen: bool = False

    @property
    def name(self) -> str:
        """Unique in a plan."""
        who = f"{self.sensor} with {self.other}" if self.other else self.sensor
        return f"{who}: {self.kind}{' ' + self.label if self.label else ''}"

    def rests_on(self, earlier: Step) -> bool:
        """Whether this one says nothing where the other did not pass."""
        own = earlier.sensor == self.sensor
        match self.kind, earlier.kind:
            case (StepKind.SILENT | StepKind.CHANGES | StepKind.READS, StepKind.SENDS):
                return own
            case (StepKind.KEEPS, StepKind.SENDS | StepKind.TAKES):
                return own and earlier.label in ("", self.label)
            case (StepKind.BOTH, StepKind.SENDS | StepKind.LEAVES):
                return earlier.sensor in (self.sensor, self.other)
            case (StepKind.OTHER_OFF | StepKind.OTHER_PACED, StepKind.BOTH):
                return {earlier.sensor, earlier.other} == {self.sensor, self.other}
            case (StepKind.OTHER_OFF, StepKind.SILENT):
                return earlier.sensor == self.other
            case _:
                return False


def intervals_for(period_s_: float) -> int:
    """How many times between two values show a pace."""
    return max(_FEWEST, min(_MOST, int(_STEADY_S / period_s_)))


def listening_s(period_s_: float) -> float:
    """How long to listen for a pace, with room for what comes late."""
    return (intervals_for(period_s_) + 1) * period_s_ * 1.1 + SHORTEST_LISTENING_S


def effect_s(sensor: Sensor, before_s: float, after_s: float) -> float:
    """How long a new period may take to be kept."""
    return sensor.effect_ns / 1e9 if sensor.effect_ns is not None else max(before_s, after_s) + 1


def silence_s(period_s_: float) -> float:
    """How long nothing may come from a sensor that is off."""
    return max(SHORTEST_LISTENING_S, 2.5 * period_s_)


def plan_for(plugin: Plugin, only: Collection[str] = ()) -> list[Step]:
    """The steps for a kind of node: each sensor alone, then every pair.

    Args:
        only: names of the sensors and procedures to try, and of characteristics whose other settings to try; all where
            none is named.

    Raises:
        InputError: the plugin has no such sensor or setting, or none that can be set.
    """
    for name in only:
        if name not in plugin.sensors and name not in plugin.settings and name not in plugin.procedures:
            known = ", ".join(dict.fromkeys((*plugin.sensors, *sorted(plugin.settings), *plugin.procedures))) or "none"
            raise InputError(f"{plugin.kind} has no sensor, setting or procedure {name!r}; it has {known}")
    chosen = [sensor for sensor in plugin.sensors.values() if not only or sensor.name in only]
    steps = [step for sensor in chosen for step in _starts(plugin, sensor)]  # before anything is written
    steps += [step for sensor in chosen for step in _alone(plugin, sensor)]
    paced = [s for s in chosen if plugin.on_air(s.data).pushed and working_s(s) is not None]
    for first, second in combinations(paced, 2):
        if not shared(first, second):
            steps += _beside(first, second)
    steps += [step for one in plugin.procedures.values() if not only or one.name in only for step in _commanded(one)]
    steps += [step for step in _refused_commands(plugin) if not only or step.sensor in only]
    settings = [name for name in sorted(plugin.settings) if not only or name in only]
    steps += [step for name in settings for step in _settings(plugin, name)]
    if not steps:
        raise InputError(
            f"{plugin.kind} declares no sensor that can be switched or paced, and no other setting: nothing to exercise"
        )
    return steps


def shared(first: Sensor, second: Sensor) -> bool:
    """Whether two sensors can't be told or set apart."""
    return first.data == second.data or any(
        one is not None and one in (second.enable, second.period) for one in (first.enable, first.period)
    )


def periods_of(sensor: Sensor) -> tuple[float, ...]:
    """The periods to try, seconds, shortest first: the ends of the limits, the default, three between by equal ratios;
    each as the nearest integer transmits it."""
    if sensor.period is None:
        return ()
    field, found = sensor.period.field, set()
    gain, zero = field.unit.to(parse_unit("s"))
    low, high = field.raw_range
    ends = [period_ns_of(field, raw) / 1e9 for raw in (low, high)] if field.scale else [0.0, 0.0]
    shortest = float(field.low * gain + zero) if field.low is not None else min(ends)
    longest = float(field.high * gain + zero) if field.high is not None else max(ends)
    shortest = shortest or (longest / (high - low) if field.scale else 0)  # no period is zero
    if not 0 < shortest <= longest:
        return ()
    wanted = [shortest * (longest / shortest) ** (i / (_BETWEEN + 1)) for i in range(_BETWEEN + 2)]
    if sensor.default_period_ns is not None:
        wanted.append(sensor.default_period_ns / 1e9)
    for seconds in wanted:
        raw = _raw_of(sensor.period, seconds)
        if isinstance(raw, int):  # the nearest number may lie just outside a limit that stands between two
            near = [one for one in (raw, raw + 1, raw - 1) if _allowed(field, one)]
            found |= {period_ns_of(field, one) / 1e9 for one in near[:1]}
        elif isinstance(raw, float):
            found.add(period_ns_of(field, raw) / 1e9)
    return tuple(sorted(found))


def _allowed(field: Field, raw: int) -> bool:
    """Whether a number is a period that a node is to take."""
    return raw not in (field.reserved or {}) and period_fits(field, period_ns_of(field, raw))


def working_s(sensor: Sensor) -> float | None:
    """A period that shows soon whether it is kept: the default where that is short enough, else the shortest."""
    if sensor.period is None:
        return _UNPACED_S if sensor.enable is not None else None
    default_s = (sensor.default_period_ns or 0) / 1e9
    if 0 < default_s <= _STEADY_S / _FEWEST:
        return default_s
    return min(periods_of(sensor), default=None)


def _raw_of(period: Setting, seconds: float) -> int | float | None:
    try:
        return period.encode(period.time(round(seconds * 1e9)))
    except ValueError:
        return None


def _readable(plugin: Plugin, sensor: Sensor) -> list[Setting]:
    """The settings of a sensor that can be read."""
    settings = [setting for setting in (sensor.enable, sensor.period) if setting is not None]
    return [one for one in settings if "read" in plugin.characteristics[one.characteristic].properties]


def _start_text(sensor: Sensor, readable: Collection[Setting]) -> str:
    """How a sensor is to read after power-up."""
    says = []
    if sensor.enable in readable:
        says.append("on" if sensor.starts_on else "off")
    if sensor.period in readable and sensor.default_period_ns is not None:
        says.append(f"a period of {duration_text(sensor.default_period_ns / 1e9)}")
    return " and ".join(says)


def _commanded(procedure: Procedure) -> Iterator[Step]:
    """What is to come of a procedure; one that deletes what is stored is left to the run file that asks for it."""
    timeout_s = procedure.timeout_ns / 1e9
    if not procedure.clears and procedure.answer:
        good = "with success" if procedure.result else "in time"
        counted = ", after as many values as are counted" if procedure.sends else ""
        yield Step(StepKind.ANSWERS, procedure.name, f"an answer {good}{counted}", timeout_s)
    expected = "an ATT error, or an answer without success"
    yield Step(StepKind.TOO_LONG, procedure.name, expected, _REQUESTS_S)


def _refused_commands(plugin: Plugin) -> Iterator[Step]:
    """What each control point is to refuse, tried with one of its procedures, and none that deletes."""
    tried: set[str] = set()
    for procedure in plugin.procedures.values():
        uuid = plugin.characteristics[procedure.target].uuid
        if uuid in tried or procedure.clears or not procedure.answer:
            continue
        tried.add(uuid)
        yield Step(StepKind.UNKNOWN, procedure.name, "an ATT error, or an answer without success", _REQUESTS_S)
        yield Step(StepKind.UNHEARD, procedure.name, "ATT error 0xFD", _REQUESTS_S)
        slow = next((one for one in plugin.procedures.values() if one.sends and one.target == procedure.target), None)
        if slow is not None:
            yield Step(
                StepKind.BUSY, slow.name, "ATT error 0xFE, or taken once the first is done", slow.timeout_ns / 1e9
            )


def _starts(plugin: Plugin, sensor: Sensor) -> Iterator[Step]:
    if says := _start_text(sensor, _readable(plugin, sensor)):
        yield Step(StepKind.STARTS, sensor.name, f"reads {says}, after power-up", _REQUESTS_S)


def _alone(plugin: Plugin, sensor: Sensor) -> Iterator[Step]:
    data = plugin.characteristics[sensor.data]
    pushed = plugin.on_air(sensor.data).pushed
    work_s = working_s(sensor) if pushed else None
    readable = _readable(plugin, sensor)
    name = sensor.name
    if plugin.on_air(sensor.data).broadcast is not None:
        yield Step(StepKind.SENDS, name, "values that decode", _REQUESTS_S, unseen=True)
    if work_s is not None:
        yield Step(StepKind.SENDS, name, "values that decode", silence_s(work_s), periods_s=(work_s,))
        if sensor.enable is not None:
            expected = f"no values for {duration_text(silence_s(work_s))}"
            yield Step(StepKind.SILENT, name, expected, work_s + silence_s(work_s), periods_s=(work_s,))
    for seconds in periods_of(sensor):
        shown = duration_text(seconds)
        back = ", read back as written" if sensor.period in readable else ""
        yield Step(StepKind.TAKES, name, f"accepted{back}", _REQUESTS_S, periods_s=(seconds,), label=shown)
        if pushed:
            yield Step(
                StepKind.KEEPS, name, _mean(sensor, seconds), listening_s(seconds), periods_s=(seconds,), label=shown
            )
    for setting in dict.fromkeys(s.characteristic for s in (sensor.enable, sensor.period) if s is not None):
        yield from _refused(plugin.characteristics[setting], sensor)
    if work_s is not None and (periods := periods_of(sensor)):
        far_s = next((p for p in periods if p >= 2 * work_s), periods[0])
        for before_s, after_s in ((work_s, far_s), (far_s, work_s)) if far_s != work_s else ():
            within_s = effect_s(sensor, before_s, after_s)
            yield Step(
                StepKind.CHANGES,
                name,
                f"{_mean(sensor, after_s)}, after at most {duration_text(within_s)}",
                2 * before_s + within_s + listening_s(after_s),
                periods_s=(before_s, after_s),
                label=f"{duration_text(before_s)} to {duration_text(after_s)}",
            )
    if work_s is not None and "read" in data.properties:
        expected = "a read within the range of the values sent before and after, allowing for their variation"
        yield Step(StepKind.READS, name, expected, 6 * work_s + 1, periods_s=(work_s,))
    if len(plugin.settings) > 1 or len(plugin.sensors) > 1:
        expected = "every other setting and constant reads as before, and no sensor that is off sends"
        others = [working_s(one) or 0 for one in plugin.sensors.values() if one is not sensor]
        seconds = 2 * silence_s(max([work_s or 0, *others])) + silence_s(work_s or 0) + _REQUESTS_S
        yield Step(StepKind.LEAVES, name, expected, seconds, periods_s=periods_of(sensor)[-1:])
    default_s = (sensor.default_period_ns or 0) / 1e9
    away = tuple(one for one in periods_of(sensor) if one != default_s)[:1]
    if sensor.kept is not None and readable and (away or sensor.enable is not None):
        expected = "settings read as they were written" if sensor.kept else "settings read as after power-up"
        yield Step(StepKind.RETURNS, name, expected, 10.0, periods_s=away)


def _settings(plugin: Plugin, name: str) -> Iterator[Step]:
    """What a setting of no sensor is to take and to refuse, field by field: its names, its limits, and what is next to
    them."""
    item = plugin.characteristics[name]
    if "read" not in item.properties:
        return  # what came of a write could not be seen
    taken = {(one.characteristic, one.field.name) for sensor in plugin.sensors.values() for one in sensor.settings}
    for field in item.layout.fields:
        if field.epoch_ns is not None:  # a clock goes on, and need not read back as it was written
            continue
        if (name, field.name) in taken or not field.type.integer or field.role is not None or item.layout.conditional:
            continue
        lowest, highest = field.raw_range
        known = {*(field.names or ()), *(field.reserved or ())}
        if field.names:
            good = sorted(field.names)
            bad = list(islice((n for n in range(lowest, highest + 1) if n not in known), 1))
        elif field.low is not None and field.high is not None:
            ends = [
                field.scale.invert(Fraction(str(end))) if field.scale else round(end) for end in (field.low, field.high)
            ]
            good = sorted({min(max(end, lowest), highest) for end in ends})
            bad = [one for one in (good[0] - 1, good[-1] + 1) if lowest <= one <= highest and one not in known]
        else:
            continue
        for number in good:
            write, label = TriedWrite(name, field, number), f"{field.name} {_shown(field, number)}"
            yield Step(StepKind.SETS, name, "accepted, read back as written", _REQUESTS_S, write=write, label=label)
        for number in bad:
            write, label = TriedWrite(name, field, number), f"{field.name} {_shown(field, number)}"
            yield Step(StepKind.REFUSES, name, _REFUSED, _REQUESTS_S, write=write, label=label)


def _shown(field: Field, number: int) -> str:
    if field.names:
        return field.names.get(number, str(number))
    value = field.scale.apply(number) if field.scale else number
    return f"{value:g} {unit_text(field.unit.symbol)}".rstrip()


def _refused(item: Characteristic, sensor: Sensor) -> Iterator[Step]:
    """Writes that a sound node answers with an ATT error: beyond the limits, and of a wrong length."""
    enable, period = sensor.enable, sensor.period
    bad: dict[str, TriedWrite] = {}
    if period is not None and period.characteristic == item.name and (periods := periods_of(sensor)):
        low, high = period.field.raw_range
        ends = ((periods[0], -1, period.field.low), (periods[-1], 1, period.field.high))
        for seconds, side, limit in ends:
            raw = _raw_of(period, seconds)
            reserved = period.field.reserved or {}
            beyond = limit is not None and isinstance(raw, int) and raw + side not in reserved
            if beyond and isinstance(raw, int) and low <= raw + side <= high:
                label = f"a period of {duration_text(period_ns_of(period.field, raw + side) / 1e9)}"
                bad[label] = TriedWrite(item.name, period.field, raw + side)
    if enable is not None and enable.characteristic == item.name and enable.field.names is None:
        low, high = enable.field.raw_range
        neither = next((n for n in range(low, min(high, low + 3) + 1) if n not in (sensor.on, sensor.off)), None)
        if neither is not None:
            bad[f"{neither} for on or off"] = TriedWrite(item.name, enable.field, neither)
    size = item.layout.head + item.layout.behind
    for length in (0, size - 1, size + 1):
        try:
            item.codec.parse(bytes(length))
        except DecodeError:
            bad[f"{length} byte{'s' if length != 1 else ''} for {item.name}"] = TriedWrite(item.name, None, length)
    for label, write in bad.items():
        yield Step(
            StepKind.REFUSES,
            sensor.name,
            _REFUSED,
            _REQUESTS_S,
            write=write,
            label=label,
        )


def _beside(first: Sensor, second: Sensor) -> Iterator[Step]:
    periods = {sensor.name: working_s(sensor) or 1.0 for sensor in (first, second)}
    longest_s = max(listening_s(p) for p in periods.values())
    both = tuple(periods.values())
    expected = f"{_every(first, both[0])}, {_every(second, both[1])}"
    yield Step(StepKind.BOTH, first.name, expected, longest_s + max(both), second.name, both)
    for sensor, other in ((first, second), (second, first)):
        own_s, other_s = periods[sensor.name], periods[other.name]
        keeps = _every(sensor, own_s)
        listen_s = max(listening_s(own_s), silence_s(other_s)) + max(both)
        if other.enable is not None:
            expected = f"{keeps}, nothing from {other.name}"
            yield Step(StepKind.OTHER_OFF, sensor.name, expected, listen_s, other.name, (own_s, other_s))
        ends = [p for p in periods_of(other) if p != other_s]
        if ends:
            yield Step(StepKind.OTHER_PACED, sensor.name, keeps, listen_s, other.name, (own_s, other_s, ends[0]))


def _mean(sensor: Sensor, seconds: float) -> str:
    return f"a mean of {duration_text(seconds)} within {100 * sensor.tolerance:g} %"


def _every(sensor: Sensor, seconds: float) -> str:
    if sensor.period is None:
        return f"values from {sensor.name}"
    return f"{sensor.name} every {duration_text(seconds)} within {100 * sensor.tolerance:g} %"
