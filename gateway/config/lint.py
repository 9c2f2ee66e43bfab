"""What a plugin or a run file may say, but seldom means: warnings of `check`, each with what to do about it."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from itertools import combinations

from gateway.config.model import NodeConfig, RunConfig
from gateway.model.airtime import DATA_OCTETS, exchange_us
from gateway.model.errors import Problem
from gateway.model.figures import LINK, figures_of
from gateway.model.radios import RadioName
from gateway.model.utc import duration_text
from gateway.plugin import Plugin, Sensor
from gateway.plugin.layout.model import Field, Layout
from gateway.plugin.model import ADVERTISEMENT_BYTES, FLAGS_BYTES
from gateway.plugin.standard.adopted import adopted_layout

DEFAULT_ATT_MTU = 23  # Core Specification, Vol 3, Part F, 3.2.8
SHORTEST_INTERVAL_NS = 7_500_000  # of a connection: Core Specification, Vol 6, Part B, 4.5.1
_SHARES = ("loss", "loss_estimated", "no_reading")
_OPEN = 0.025  # what a bound of 95 % leaves open on either side: with none of n wrong it is 1 - 0.025**(1/n)
_LEEWAY = 1.01  # a node's clock may be off by as much before its period contradicts a rate
_NOTIFICATION_OCTETS = 7  # L2CAP header 4 (Vol 3, Part A, 3.1), opcode 1 and handle 2 (Vol 3, Part F, 3.4.7.1)


def plugin_doubts(plugin: Plugin) -> Iterator[Problem]:
    """Adopted characteristics declared otherwise, and values too long for the default ATT_MTU."""

    def doubt(name: str, found: str, expected: str) -> Problem:
        return Problem(str(plugin.path / "plugin.toml"), f"characteristic.{name}", found, expected, fatal=False)

    for item in plugin.characteristics.values():
        standard = adopted_layout(item.uuid)
        if standard is not None and _facts(standard) != _facts(item.layout):
            yield doubt(
                item.name,
                f"differs from the adopted definition of {item.title}",
                "remove its fields, or use a UUID of your own",
            )
        size = item.layout.head + item.layout.behind + (item.layout.samples.size if item.layout.samples else 0)
        if item.broadcast is not None and (whole := FLAGS_BYTES + item.broadcast.room(size)) > ADVERTISEMENT_BYTES:
            yield doubt(
                item.name,
                f"takes {whole} bytes of an advertisement with what stands in front of it",
                f"at most {ADVERTISEMENT_BYTES}, or extended advertising, which not every receiver hears",
            )
        if item.pushed and size > DEFAULT_ATT_MTU - 3:
            yield doubt(
                item.name,
                f"takes {size} bytes, but a notification at the default ATT_MTU of {DEFAULT_ATT_MTU} holds "
                f"{DEFAULT_ATT_MTU - 3}",
                "make sure that a larger ATT_MTU is negotiated, and that the node copes if it is not",
            )

    yield from _sensor_doubts(plugin)


def _sensor_doubts(plugin: Plugin) -> Iterator[Problem]:
    """Sensors that can't be set apart, and channels that nothing is declared to set."""
    file, sensors = str(plugin.path / "plugin.toml"), list(plugin.sensors.values())
    for first, second in combinations(sensors, 2):
        if first.enable is not None and (first.enable, first.on, first.off) == (second.enable, second.on, second.off):
            yield Problem(
                file,
                f"sensor.{second.name}.enable",
                f"switched by {first.enable.characteristic}.{first.enable.field.name} with the values that switch "
                f"{first.name}",
                "a field or values of its own, unless both are meant to be switched together",
                fatal=False,
            )
    answers = {procedure.answer for procedure in plugin.procedures.values()}
    for name in plugin.channels:
        item = plugin.characteristics[name]
        own = adopted_layout(item.uuid) is None  # the subscription alone switches an adopted one
        if own and item.pushed and item.step is None and name not in {sensor.data for sensor in sensors} | answers:
            yield Problem(
                file,
                f"characteristic.{name}",
                "is sent by the node, and no sensor says what switches or paces it",
                f'[sensor.{name}] with data = "{name}"; simulated nodes send a value a second',
                fatal=False,
            )


def _facts(layout: Layout) -> list[tuple[object, ...]]:
    return [
        (field.type, field.bits, field.bit, field.order, field.scale, field.unit.dimension, field.reserved)
        for field, _ in layout.all_fields()
    ]


def run_doubts(config: RunConfig) -> Iterator[Problem]:
    """Periods that outrun the connection or the radio, counters that wrap inside a gap that is allowed, requirements
    that can't be met or measured."""
    interval_ns = config.air.interval_ns if config.radio == RadioName.VIRTUAL else SHORTEST_INTERVAL_NS
    mbit = config.air.mbit if config.radio == RadioName.VIRTUAL else 1
    taken = 0.0
    for node in config.nodes.values():
        for sensor, period_ns in _paced(node):
            place = f"node.{node.name}.sensor.{sensor.name}"
            taken += _exchange_ns(node, sensor, period_ns, mbit) / period_ns
            if period_ns < interval_ns:
                yield Problem(
                    str(config.path),
                    place,
                    f"a value every {_ms(period_ns)}, but connection events are at least {_ms(interval_ns)} apart",
                    "several values will arrive at a time; make sure that the node can queue them",
                    fatal=False,
                )
            yield from _wrap_doubts(config, node, sensor, period_ns, place)
            yield from _contradictions(config, node, sensor, period_ns)
        yield from _too_short(config, node)
    yield from _secrets(config)
    yield from _unmeasurable(config)
    yield from _one_sided(config)
    if taken > 1:
        yield Problem(
            str(config.path),
            "node",
            f"the notifications of all nodes take {taken:.0%} of the airtime of one radio on LE {mbit}M",
            "use longer periods, or spread the nodes over several radios",
            fatal=False,
        )


def _secrets(config: RunConfig) -> Iterator[Problem]:
    """Files of secrets that others on this machine can read, and a password that would cross the network readably."""
    held = [(f"node.{node.name}.passkey", node.passkey) for node in config.nodes.values()]
    held += [("run.sign", config.sign)]
    mqtt = config.mqtt
    if mqtt is not None:
        held += [("mqtt.credentials", mqtt.credentials), ("mqtt.key", mqtt.key), ("mqtt.sign", mqtt.sign)]
        near = mqtt.host in ("localhost", "::1") or mqtt.host.startswith("127.")
        if mqtt.credentials is not None and not mqtt.tls and not near:
            yield Problem(
                str(config.path),
                "mqtt.credentials",
                f"the password goes to {mqtt.host} without TLS, readable on the way",
                "tls = true",
                fatal=False,
            )
    for place, path in held:
        if path is None or os.name != "posix":
            continue
        try:
            others = path.stat().st_mode & 0o077
        except OSError:
            continue
        if others:
            yield Problem(
                str(config.path), place, f"{path} can be read or written by others", f"chmod 600 {path}", fatal=False
            )


def _one_sided(config: RunConfig) -> Iterator[Problem]:
    """Limits on one side only of a figure that may be too far out on either: a drift of -5 is below a limit of 0.1."""
    for rule in config.requirements:
        figure = figures_of(rule.subject)[rule.figure]
        if figure.better == "zero" and (rule.low is None) is not (rule.high is None):
            side = "max" if rule.low is None else "min"
            yield Problem(
                str(config.path),
                f"spec.{rule.whom}.{rule.subject}.{rule.figure}",
                f"has {side} only, and whatever is far out on the other side passes",
                "min and max, or abs",
                fatal=False,
            )


def _unmeasurable(config: RunConfig) -> Iterator[Problem]:
    """Requirements on what only a setting of the run file would show."""
    needed = {"period": ("period", "has no period set"), "off": ("on = false", "is never switched off")}
    for rule in config.requirements:
        for node in config.nodes.values():
            alone = not node.plugin.served and rule.subject == LINK and rule.figure != "signal_weakest"
            if alone and rule.whom in (node.name, node.plugin.kind):
                yield Problem(
                    str(config.path),
                    f"spec.{rule.whom}.{LINK}.{rule.figure}",
                    f"{node.name} only advertises and is never connected to, so this will stay inconclusive",
                    "remove the requirement",
                    fatal=False,
                )
        setting = figures_of(rule.subject)[rule.figure].needs.setting
        if not setting:
            continue
        key, found = needed[setting]
        for node in config.nodes.values():
            if rule.whom not in (node.name, node.plugin.kind):
                continue
            uses = [use for name, use in node.sensors.items() if node.plugin.sensors[name].data == rule.subject]
            if not any(use.period_ns if setting == "period" else not use.on for use in uses):
                yield Problem(
                    str(config.path),
                    f"spec.{rule.whom}.{rule.subject}.{rule.figure}",
                    f"the sensor of {node.name} {found}, so this will stay inconclusive",
                    f"set {key} in node.{node.name}.sensor, or remove the requirement",
                    fatal=False,
                )


def _contradictions(config: RunConfig, node: NodeConfig, sensor: Sensor, period_ns: int) -> Iterator[Problem]:
    """Requirements that no node can meet that keeps the period it is set to."""
    period_s = period_ns / 1e9
    for rule in config.requirements:
        if rule.whom not in (node.name, node.plugin.kind) or rule.subject != sensor.data:
            continue
        what = ""
        if rule.figure in ("gap_median", "gap_p99", "gap_longest") and rule.high is not None:
            what = f"at most {duration_text(rule.high)}" if rule.high < period_s else ""
        elif rule.figure in ("rate", "rate_whole_run"):
            if rule.low is not None and rule.low > _LEEWAY / period_s:
                what = f"at least {rule.low:g} /s"
            elif rule.figure == "rate" and rule.high is not None and rule.high < 1 / (_LEEWAY * period_s):
                what = f"at most {rule.high:g} /s"
        if what:
            yield Problem(
                str(config.path),
                f"spec.{rule.whom}.{rule.subject}.{rule.figure}",
                f"{what} required, but {node.name} is set to a value every {_ms(period_ns)}",
                "correct one of the two",
                fatal=False,
            )


def _too_short(config: RunConfig, node: NodeConfig) -> Iterator[Problem]:
    """Shares that a run of this length can't show to be kept, even if nothing goes wrong in it."""
    periods_ns = {sensor.data: period_ns for sensor, period_ns in _paced(node)} | dict(node.poll_ns)
    for rule in config.requirements:
        period_ns = periods_ns.get(rule.subject)
        mine = rule.whom in (node.name, node.plugin.kind)
        if not mine or period_ns is None or config.length_ns is None or rule.figure not in _SHARES:
            continue
        if rule.high is None or not 0 < rule.high < 100:
            continue
        needed = math.ceil(math.log(_OPEN) / math.log1p(-rule.high / 100))
        if (given := config.length_ns // period_ns) < needed:
            yield Problem(
                str(config.path),
                f"spec.{rule.whom}.{rule.subject}.{rule.figure}",
                f"at most {rule.high:g} % takes {needed:,} values to show, if all is well; {node.name} gives {given:,} "
                f"in {duration_text(config.length_ns / 1e9)} at one every {_ms(period_ns)}",
                f"a run of {duration_text(_rounded_s(needed * period_ns / 1e9))}; until then it is inconclusive",
                fatal=False,
            )


def _rounded_s(seconds: float) -> int:
    """Up to whole minutes, or hours where it is many."""
    unit = 60 if seconds < 6 * 3600 else 3600
    return math.ceil(seconds / unit) * unit


def _paced(node: NodeConfig) -> Iterator[tuple[Sensor, int]]:
    """The sensors that push values, each with the time between two of them, nanoseconds."""
    for name, use in node.sensors.items():
        sensor = node.plugin.sensors[name]
        period_ns = use.period_ns or sensor.default_period_ns
        pushed = node.plugin.characteristics[sensor.data].pushed and sensor.data not in node.poll_ns
        if use.on and period_ns and pushed:
            yield sensor, period_ns


def _exchange_ns(node: NodeConfig, sensor: Sensor, period_ns: int, mbit: int) -> float:
    """Time that one value of a sensor takes of its radio: the node's packets, each with an empty one before it."""
    layout = node.plugin.characteristics[sensor.data].layout
    octets = _NOTIFICATION_OCTETS + layout.head + layout.behind
    if (group := layout.samples) is not None:
        count = group.count if isinstance(group.count, int) else max(period_ns // (group.every_ns or period_ns), 1)
        octets += count * group.size
    whole, rest = divmod(octets, DATA_OCTETS)
    return 1e3 * (whole * exchange_us(0, DATA_OCTETS, mbit) + (exchange_us(0, rest, mbit) if rest else 0))


def _wrap_doubts(config: RunConfig, node: NodeConfig, sensor: Sensor, period_ns: int, place: str) -> Iterator[Problem]:
    counter: Field | None = node.plugin.characteristics[sensor.data].layout.with_role("sequence")
    if counter is None:
        return
    allowed_ns, why = node.silent_after_ns, "silent_after"
    for rule in config.requirements:
        ours = rule.whom in (node.name, node.plugin.kind)
        if ours and (rule.subject, rule.figure) == (sensor.data, "gap_longest") and rule.high:
            allowed_ns, why = min((round(rule.high * 1e9), "the spec's gap_longest"), (allowed_ns, why))
    turn_ns = period_ns << counter.bits
    if turn_ns <= allowed_ns:
        yield Problem(
            str(config.path),
            place,
            f"{counter.name} has {counter.bits} bits and wraps every {duration_text(turn_ns / 1e9)}, while a gap may "
            f"last {duration_text(allowed_ns / 1e9)} ({why})",
            "the loss of a full counter cycle would go unnoticed; use a wider counter, longer period or shorter gap",
            fatal=False,
        )


def _ms(t_ns: int) -> str:
    return f"{t_ns / 1e6:g} ms"
