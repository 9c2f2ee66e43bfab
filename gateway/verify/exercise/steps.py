"""Carry out one step on a linked node and say what was seen. Each act brings the node into a state of its own first,
so that steps do not depend on what was done before them."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable, Sequence
from statistics import fmean
from typing import Any

from gateway.model.errors import DecodeError
from gateway.model.records import Outcome
from gateway.model.utc import duration_text
from gateway.plugin import Characteristic, Sensor, period_ns_of
from gateway.plugin.layout.model import Field
from gateway.verify.exercise.client import NodeClient
from gateway.verify.exercise.command import COMMANDS, Seen
from gateway.verify.exercise.plan import (
    Step,
    StepKind,
    TriedWrite,
    effect_s,
    intervals_for,
    listening_s,
    periods_of,
    shared,
    silence_s,
    working_s,
)

_IN_FLIGHT_S = 0.3  # values that were on their way when a sensor was switched off
_NEARLY_ALL = 0.8  # share of the values of a pace that must come
_VALUES = 5  # seen before a read, to know what they vary by
_ALIKE = 0.01  # share of a field's limits by which a read may differ all the same


def _judged(wrong: str, found: str) -> Seen:
    return Seen(Outcome.FAIL, wrong) if wrong else Seen(Outcome.PASS, found)


async def act(step: Step, node: NodeClient) -> Seen:
    """Carry out a step.

    Raises:
        RadioError: the link was lost, or the node did not answer; the step can be tried again.
    """
    if step.kind in COMMANDS:
        return await COMMANDS[step.kind](node, node.plugin.procedures[step.sensor])
    if step.write is not None:
        return await (_sets if step.kind is StepKind.SETS else _refuses)(step.write, node)
    return await _ACTS[step.kind](step, node, node.plugin.sensors[step.sensor])


async def _starts(step: Step, node: NodeClient, sensor: Sensor) -> Seen:
    wrong: list[str] = []
    found: list[str] = []
    if sensor.enable is not None and node.readable(sensor.enable.characteristic):
        number = (await _fields(node, sensor.enable.characteristic))[sensor.enable.field.name]
        word = {sensor.on: "on", sensor.off: "off"}.get(int(number), f"{number}, neither on nor off")
        (found if word == ("on" if sensor.starts_on else "off") else wrong).append(word)
    period = sensor.period
    if period is not None and sensor.default_period_ns is not None and node.readable(period.characteristic):
        number = (await _fields(node, period.characteristic))[period.field.name]
        meant = period.encode(period.time(sensor.default_period_ns))
        good = number == meant or (isinstance(number, float) and math.isclose(number, float(meant), rel_tol=1e-6))
        shown = duration_text(period_ns_of(period.field, number) / 1e9)
        (found if good else wrong).append(f"a period of {shown}")
    if wrong:
        said = " and ".join(wrong)
        return Seen(Outcome.FAIL, f"reads {said} (if it was changed before: power-cycle it and run the exercise again)")
    return Seen(Outcome.PASS, f"reads {' and '.join(found)}")


async def _fields(node: NodeClient, name: str) -> dict[str, Any]:
    """The transmitted numbers of a setting.

    Raises:
        DecodeError: it reads as something that is no such setting.
    """
    return node.plugin.characteristics[name].codec.parse(await node.read(name))[0]


async def _sends(step: Step, node: NodeClient, sensor: Sensor) -> Seen:
    await node.quiet()
    wrong = await node.set(sensor, True, step.periods_s[0])
    values = await node.wait_for(sensor.data, 2, silence_s(step.periods_s[0]))
    codec = node.plugin.characteristics[sensor.data].codec
    for _, raw in values:
        try:
            codec.parse(raw)
        except DecodeError as error:
            return Seen(Outcome.FAIL, f"{raw.hex()}: {error}")
    if not values:
        return Seen(Outcome.FAIL, f"no values within {duration_text(silence_s(step.periods_s[0]))}")
    return _judged(wrong, f"{len(values)} values")


async def _silent(step: Step, node: NodeClient, sensor: Sensor) -> Seen:
    await node.quiet(sensor.name)
    await node.set(sensor, True, step.periods_s[0])
    await node.wait_for(sensor.data, 1, step.periods_s[0] * 2)
    wrong = await node.set(sensor, on=False)
    return _judged(wrong or await _talk(node, sensor, silence_s(step.periods_s[0])), "no values received")


async def _talk(node: NodeClient, sensor: Sensor, seconds: float) -> str:
    """What a sensor that was just switched off sends all the same, "" for nothing."""
    await node.listen(_IN_FLIGHT_S)
    begun_ns = await node.listen(seconds)
    count = len(node.since(sensor.data, begun_ns))
    return f"{count} values from {sensor.name} in {duration_text(seconds)} after it was switched off" if count else ""


async def _takes(step: Step, node: NodeClient, sensor: Sensor) -> Seen:
    await node.quiet()
    wrong = await node.set(sensor, period_s=step.periods_s[0])
    readable = sensor.period is not None and node.readable(sensor.period.characteristic)
    return _judged(wrong, "read back as written" if readable else "accepted; it can't be read back")


async def _keeps(step: Step, node: NodeClient, sensor: Sensor) -> Seen:
    await node.quiet()
    if wrong := await _begin(node, sensor, step.periods_s[0]):
        return Seen(Outcome.FAIL, wrong)
    return await _pace(node, sensor, step.periods_s[0])


async def _begin(node: NodeClient, sensor: Sensor, period_s: float) -> str:
    """Let a sensor send at a pace; one that can't be switched off is given the time it needs to take it up."""
    before_s = node.paces_s.get(sensor.name, (sensor.default_period_ns or 0) / 1e9)
    wrong = await node.set(sensor, True, period_s)
    if sensor.enable is None and sensor.period is not None and not wrong:
        await node.listen(effect_s(sensor, before_s, period_s))
    return wrong


async def _pace(node: NodeClient, sensor: Sensor, period_s: float) -> Seen:
    """Listen to a sensor until its pace shows."""
    count = intervals_for(period_s) + 1
    values = await node.wait_for(sensor.data, count, listening_s(period_s))
    return _paced(node, sensor, period_s, values)


def _paced(node: NodeClient, sensor: Sensor, period_s: float, values: Sequence[tuple[int, bytes]]) -> Seen:
    wanted = intervals_for(period_s) + 1
    if sensor.period is None:  # how often it is to send is declared nowhere
        return _judged("" if values else f"no values from {sensor.name}", f"{len(values)} values from {sensor.name}")
    if len(values) < max(3, _NEARLY_ALL * wanted):
        count = f"{len(values)} of {wanted} values" if values else "no values"
        return Seen(Outcome.FAIL, f"{count} from {sensor.name} in {duration_text(listening_s(period_s))}")
    intervals = len(values) - 1
    mean_s = (values[-1][0] - values[0][0]) / 1e9 / intervals
    # the first and the last may each wait for a connection event
    allowed_s = sensor.tolerance * period_s + 2 * node.interval_s / intervals
    outcome = Outcome.PASS if abs(mean_s - period_s) <= allowed_s else Outcome.FAIL
    return Seen(outcome, f"{sensor.name}: a mean of {1000 * mean_s:.4g} ms over {intervals} intervals")


async def _sets(write: TriedWrite, node: NodeClient) -> Seen:
    await node.quiet()
    item = node.plugin.characteristics[write.characteristic]
    before = await node.before(item.name)
    wanted = _bytes_of(item, write, before)
    answer = await node.write(item.name, wanted)
    found = await node.read(item.name)
    await node.write(item.name, before)
    differs = f"reads {found.hex()}, written was {wanted.hex()}" if found != wanted else ""
    return _judged(answer or differs, "as written")


async def _refuses(bad: TriedWrite, node: NodeClient) -> Seen:
    await node.quiet()
    item = node.plugin.characteristics[bad.characteristic]
    readable = node.readable(item.name)
    before = await node.before(item.name)
    answer = await node.write(item.name, _bytes_of(item, bad, before))
    after = await node.read(item.name) if readable else before
    if after != before or not answer:
        await node.write(item.name, before)
    if not answer and not readable and "write" not in item.properties:
        return Seen(Outcome.INCONCLUSIVE, "a write without response is not answered, and its effect can't be read")
    changed = f"; it read {before.hex()} before, now {after.hex()}" if after != before else ""
    if not answer and "write" in item.properties:
        return Seen(Outcome.FAIL, f"the write was accepted{changed}")
    return _judged(f"{answer or 'not refused'}{changed}" if changed else "", answer or "nothing changed")


def _bytes_of(item: Characteristic, write: TriedWrite, before: bytes) -> bytes:
    if write.field is None:
        return (before + bytes(write.number))[: write.number]
    shown = write.field.scale.apply(write.number) if write.field.scale else write.number
    return item.codec.patch(before, {write.field.name: shown})


async def _changes(step: Step, node: NodeClient, sensor: Sensor) -> Seen:
    before_s, after_s = step.periods_s
    await node.quiet()
    await _begin(node, sensor, before_s)
    await node.wait_for(sensor.data, 2, 3 * before_s)
    if wrong := await node.set(sensor, period_s=after_s):
        return Seen(Outcome.FAIL, wrong)
    await node.listen(effect_s(sensor, before_s, after_s))
    return await _pace(node, sensor, after_s)


async def _reads(step: Step, node: NodeClient, sensor: Sensor) -> Seen:
    await node.quiet(sensor.name)
    await node.set(sensor, True, step.periods_s[0])
    values = await node.wait_for(sensor.data, _VALUES, (_VALUES + 1) * step.periods_s[0] + _IN_FLIGHT_S)
    raw = await node.read(sensor.data)
    values += await node.wait_for(sensor.data, 1, 2 * step.periods_s[0])
    item = node.plugin.characteristics[sensor.data]
    try:
        sent = [item.codec.parse(one)[0] for _, one in values]
        read = item.codec.parse(raw)[0]
    except DecodeError as error:
        return Seen(Outcome.FAIL, str(error))
    if len(sent) < 2:
        return Seen(Outcome.INCONCLUSIVE, f"{len(sent)} values received to compare with")
    apart = [text for field in item.layout.fields if (text := _apart(field, read, sent))]
    return _judged("; ".join(apart), f"read {raw.hex()}, consistent with {len(sent)} values sent")


def _apart(field: Field, read: dict[str, Any], sent: Sequence[dict[str, Any]]) -> str:
    """How a field that was read differs from those sent, "" where it does not. The room allowed is common practice:
    what the values vary by, and a hundredth of the limits."""
    values = [one[field.name] for one in sent if field.name in one]
    if field.role in ("sequence", "node time") or not values or field.name not in read:
        return ""
    own = read[field.name]
    if field.names is not None or not all(isinstance(one, int | float) for one in (own, *values)):
        return (
            "" if own in values else f"{field.name} reads {own}, sent were {', '.join(map(str, sorted(set(values))))}"
        )
    room = max(values) - min(values) + 2
    if field.scale is not None and field.low is not None and field.high is not None:
        room += _ALIKE * abs((field.high - field.low) * field.scale.den / field.scale.num)
    if min(values) - room <= own <= max(values) + room:
        return ""
    shown = [field.scale.apply(one) if field.scale else one for one in (own, fmean(values))]  # type: ignore[arg-type]
    return f"{field.name} reads {shown[0]:g} {field.unit.symbol}, but sent were about {shown[1]:g}"


async def _leaves(step: Step, node: NodeClient, sensor: Sensor) -> Seen:
    all_ = node.plugin.sensors.values()
    others = [one for one in all_ if one is not sensor and one.enable and not shared(sensor, one)]
    for other in others:  # at paces at which it would soon show that one is on
        await node.set(other, False, working_s(other))
    work_s = working_s(sensor)
    await node.set(sensor, period_s=work_s)
    await node.set(sensor, on=False)
    await node.listen(_IN_FLIGHT_S)
    others_s = silence_s(max((working_s(other) or 0 for other in others), default=0))
    quiet_ns = await node.listen(max(silence_s(work_s or 0), others_s))
    silent = [other for other in (sensor, *others) if other.enable and not node.since(other.data, quiet_ns)]
    before = await node.snapshot()
    begun_ns = node.now_ns()
    other_s = next((period_s for period_s in reversed(periods_of(sensor)) if period_s != work_s), work_s)
    for period_s in (other_s, work_s):  # a period that it has already may not count as paced
        await node.set(sensor, period_s=period_s)
    await node.listen(silence_s(work_s or 0))
    wrong = (
        ["it starts sending when its period is set, although it is off"]
        if sensor in silent and node.since(sensor.data, begun_ns)
        else []
    )
    await node.set(sensor, on=True)
    await node.listen(others_s)
    await node.set(sensor, False, step.periods_s[0] if step.periods_s else None)
    after = await node.snapshot()
    own = {(s.characteristic, s.field.name) for s in (sensor.enable, sensor.period) if s is not None}
    wrong += [
        f"{name} reads {after[name].hex()}, before {before[name].hex()}"
        for name in before.keys() & after.keys()
        if _part(node.plugin.characteristics[name], before[name], own, inside=False)
        != _part(node.plugin.characteristics[name], after[name], own, inside=False)
    ]
    wrong += [f"{one.name} sends" for one in silent if one is not sensor and node.since(one.data, begun_ns)]
    return _judged("; ".join(wrong), f"{len(before)} settings and constants read as before")


def _part(item: Characteristic, raw: bytes, own: set[tuple[str, str]], inside: bool) -> object:
    """What a characteristic says that is of these fields, or is not; all of it where it does not decode."""
    try:
        fields = item.codec.parse(raw)[0]
    except DecodeError:
        return raw
    return {name: repr(value) for name, value in fields.items() if ((item.name, name) in own) is inside}


async def before_new_link(step: Step, node: NodeClient) -> dict[str, bytes]:
    """Set what a new link is to find kept or forgotten; how it then reads."""
    sensor = node.plugin.sensors[step.sensor]
    await node.quiet()
    await node.set(sensor, not sensor.starts_on, step.periods_s[0] if step.periods_s else None)
    return await node.snapshot()


async def after_new_link(step: Step, node: NodeClient, before: dict[str, bytes]) -> Seen:
    """Hold the settings against what is declared of them."""
    sensor = node.plugin.sensors[step.sensor]
    if not sensor.kept:
        seen = await _starts(step, node, sensor)
        return Seen(seen.outcome, seen.found.partition(" (")[0])
    after = await node.snapshot()
    own = {(s.characteristic, s.field.name) for s in (sensor.enable, sensor.period) if s is not None}
    names = {name for name, _ in own} & before.keys() & after.keys()
    wrong = [
        f"{name} reads {after[name].hex()}, before {before[name].hex()}"
        for name in sorted(names)
        if _part(node.plugin.characteristics[name], before[name], own, inside=True)
        != _part(node.plugin.characteristics[name], after[name], own, inside=True)
    ]
    return _judged("; ".join(wrong), "reads as before")


async def _both(step: Step, node: NodeClient, sensor: Sensor) -> Seen:
    other = node.plugin.sensors[step.other]
    await _switch_both_on(step, node, sensor, other)
    pairs = sorted(zip((sensor, other), step.periods_s, strict=True), key=lambda pair: -listening_s(pair[1]))
    begun_ns = node.now_ns()
    seen = []
    for one, period_s in pairs:  # while the slower is listened to, the faster comes too
        count = intervals_for(period_s) + 1
        values = node.since(one.data, begun_ns)
        if len(values) < count:
            values += await node.wait_for(one.data, count - len(values), listening_s(period_s))
        seen.append(_paced(node, one, period_s, values[:count]))
    outcome = Outcome.FAIL if any(one.outcome is Outcome.FAIL for one in seen) else Outcome.PASS
    return Seen(outcome, ", ".join(one.found for one in seen))


async def _switch_both_on(step: Step, node: NodeClient, sensor: Sensor, other: Sensor) -> None:
    await node.quiet()
    await _begin(node, sensor, step.periods_s[0])
    await _begin(node, other, step.periods_s[1])
    await node.wait_for(sensor.data, 1, 2 * step.periods_s[0])


async def _other_off(step: Step, node: NodeClient, sensor: Sensor) -> Seen:
    other = node.plugin.sensors[step.other]
    await _switch_both_on(step, node, sensor, other)
    await node.set(other, on=False)
    await node.listen(_IN_FLIGHT_S)
    begun_ns = node.now_ns()
    seen = await _pace(node, sensor, step.periods_s[0])
    left_s = silence_s(step.periods_s[1]) - (node.now_ns() - begun_ns) / 1e9
    if left_s > 0:
        await node.listen(left_s)
    if count := len(node.since(other.data, begun_ns)):
        return Seen(Outcome.FAIL, f"{count} values from {other.name} after it was switched off; {seen.found}")
    return seen


async def _other_paced(step: Step, node: NodeClient, sensor: Sensor) -> Seen:
    other = node.plugin.sensors[step.other]
    await _switch_both_on(step, node, sensor, other)
    await node.set(other, period_s=step.periods_s[2])
    return await _pace(node, sensor, step.periods_s[0])


_ACTS: dict[StepKind, Callable[[Step, NodeClient, Sensor], Awaitable[Seen]]] = {
    StepKind.STARTS: _starts,
    StepKind.SENDS: _sends,
    StepKind.SILENT: _silent,
    StepKind.TAKES: _takes,
    StepKind.KEEPS: _keeps,
    StepKind.CHANGES: _changes,
    StepKind.READS: _reads,
    StepKind.LEAVES: _leaves,
    StepKind.BOTH: _both,
    StepKind.OTHER_OFF: _other_off,
    StepKind.OTHER_PACED: _other_paced,
}
