"""The simulated part of a run file: the virtual air, and how each simulated node behaves."""

from __future__ import annotations

import re
from fractions import Fraction

from gateway.config.model import FIRMWARE_FAULTS, AirConfig, Faults, NodeConfig, Signal, SweepConfig, TwinConfig
from gateway.config.problems import Problems
from gateway.config.shape import AirShape, FaultShape, SignalShape, SweepShape, TwinShape
from gateway.model.units import PLAIN, Unit, parse_quantity, parse_unit
from gateway.plugin import Plugin
from gateway.plugin.layout.model import Field

_ADDRESS = re.compile(r"[0-9A-F]{2}(:[0-9A-F]{2}){5}")


def read_twin(g: Problems, index: int, name: str, decl: TwinShape, node: NodeConfig) -> TwinConfig:
    """A simulated node; ``index`` makes an address for one that names none."""
    place = f"twin.{name}"
    address = (decl.address or node.find_address or f"C2:00:00:00:00:{index + 1:02X}").upper()
    if not _ADDRESS.fullmatch(address) or int(address[:2], 16) < 0xC0:
        g.report_problem(
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
                g.report_problem(
                    where,
                    f"{node.plugin.kind} has no field {channel}.{key}",
                    f"fields: {', '.join(known) or 'none'}",
                )
            else:
                signals[f"{channel}.{key}"] = _signal(g, where, signal, known[key])
    return TwinConfig(
        address,
        signals,
        _constants(g, place, decl, node.plugin),
        _faults(g, f"{place}.faults", decl.faults, node.plugin),
        int(decl.passkey),
    )


def _constants(g: Problems, place: str, decl: TwinShape, plugin: Plugin) -> dict[str, dict[str, Fraction]]:
    table: dict[str, dict[str, Fraction]] = {}
    for named, values in decl.constant.items():
        owner = plugin.constant_names.get(named, named)  # a constant, or the characteristic that it is read from
        known = {f.name: f for f in plugin.characteristics[owner].layout.fields} if owner in plugin.constants else {}
        for key, text in values.items():
            where = f"{place}.constant.{named}.{key}"
            if key not in known:
                g.report_problem(
                    where,
                    f"{plugin.kind} has no constant {named}.{key}",
                    f"fields: {', '.join(known) or 'none'}",
                )
                continue
            value = g.exact(where, text, known[key].unit)
            try:
                known[key].type.encode(known[key], value)
            except (ValueError, OverflowError) as error:
                g.report_problem(where, f"{text!r}: {error}", "a value that the constant's field can carry")
            table.setdefault(owner, {})[key] = value
    return table


def _signal(g: Problems, place: str, decl: SignalShape, field: Field) -> Signal:
    kinds = [kind for kind in ("constant", "ramp", "sine", "csv") if getattr(decl, kind) is not None]
    if len(kinds) != 1:
        g.report_problem(place, f"{len(kinds)} kinds of signal", "exactly one of constant, ramp, sine and csv")
        return Signal("constant")
    unit = field.unit
    noise = (
        g.tried(f"{place}.noise", lambda: float(parse_quantity(decl.noise or "0").span_in(unit)), 0.0)
        if decl.noise
        else 0.0
    )
    if decl.constant is not None:
        if field.names and decl.constant in field.names.values():
            return Signal("constant", decl.constant)
        return Signal("constant", g.number(place, decl.constant, unit), noise=noise)
    if decl.csv is not None:
        return _csv(g, place, decl, unit, noise)
    shape_of = decl.ramp or decl.sine or []
    level = g.number(f"{place}[0]", shape_of[0], unit)
    period = g.duration(f"{place}[2]", shape_of[2])
    if decl.ramp is not None:
        return Signal("ramp", level, g.number(f"{place}[1]", shape_of[1], unit), period, noise)
    span = g.tried(f"{place}[1]", lambda: float(parse_quantity(shape_of[1]).span_in(unit)), 0.0)
    return Signal("sine", level, span, period, noise)


def _csv(g: Problems, place: str, decl: SignalShape, unit: Unit, noise: float) -> Signal:
    path = g.path.parent / (decl.csv or "")
    if not path.is_file():
        g.report_problem(f"{place}.csv", f"there is no file {path}", "a path relative to the run file")
    if decl.column is None or decl.unit is None:
        g.report_problem(place, "csv without column and unit", "specify the column and the unit of its values")
        return Signal("constant")
    gain, zero = g.tried(f"{place}.unit", lambda: parse_unit(decl.unit or "").to(unit), (Fraction(1), Fraction(0)))
    return Signal("csv", noise=noise, path=path, column=decl.column, gain=float(gain), zero=float(zero))


def _faults(g: Problems, place: str, decl: FaultShape, plugin: Plugin) -> Faults:
    slow = g.number(f"{place}.slow", decl.slow, PLAIN, 1.0) if decl.slow else 1.0
    if not 0.1 <= slow <= 100:
        g.report_problem(f"{place}.slow", f"{decl.slow!r}", "a factor from 0.1 to 100")
    drop = decl.drop_link_every
    if decl.freeze is not None:
        channel, _, key = decl.freeze.partition(".")
        layout = plugin.characteristics[channel].layout if channel in plugin.characteristics else None
        if key not in ({f.name for f, _ in layout.all_fields()} if layout else set()):
            g.report_problem(f"{place}.freeze", f"{plugin.kind} has no field {decl.freeze}", "written as channel.field")
    for name in decl.firmware:
        if name not in FIRMWARE_FAULTS:
            g.report_problem(f"{place}.firmware", f"{name!r}", f"one of {', '.join(FIRMWARE_FAULTS)}")
    return Faults(
        g.share(f"{place}.lose", decl.lose),
        slow,
        g.duration(f"{place}.drop_link_every", drop) if drop else None,
        decl.wrong_length_every,
        decl.freeze,
        decl.jump_sequence_every,
        tuple(decl.firmware),
    )


def read_sweep(g: Problems, decl: SweepShape, air: AirShape, seed: int) -> SweepConfig:
    """The settings of a sweep: each interval on each PHY; what it does not name stays as under ``[air]``."""
    if not decl.interval and not decl.phy:
        g.report_problem("sweep", "neither interval nor phy", 'what to try, such as interval = ["15 ms", "30 ms"]')
    settings = [
        read_air(g, air.model_copy(update={"interval": interval, "phy": phy}), seed, "sweep")
        for phy in decl.phy or [air.phy]
        for interval in decl.interval or [air.interval]
    ]
    return SweepConfig(g.duration("sweep.length", decl.length), tuple(dict.fromkeys(settings)))


def read_air(g: Problems, decl: AirShape, seed: int, place: str = "air") -> AirConfig:
    """The virtual air, or the links of a controller; ``place`` is where the file has them."""
    interval = g.duration(f"{place}.interval", decl.interval, 15_000_000)
    timeout = g.duration("air.supervision_timeout", decl.supervision_timeout, 2_000_000_000)
    if not 7_500_000 <= interval <= 4_000_000_000 or interval % 1_250_000:
        g.report_problem(
            f"{place}.interval",
            decl.interval,
            "7.5 ms to 4 s in steps of 1.25 ms (Core Specification, Vol 6, Part B, 4.5.1)",
        )
    if not 100_000_000 <= timeout <= 32_000_000_000 or timeout <= 2 * interval * (1 + decl.latency):
        g.report_problem(
            "air.supervision_timeout",
            f"{decl.supervision_timeout} with {decl.interval} and a latency of {decl.latency}",
            "100 ms to 32 s, and more than 2 x (1 + latency) intervals (Core Specification, Vol 6, Part B, 4.5.2)",
        )
    errors = g.share("air.packet_errors", decl.packet_errors)
    return AirConfig(interval, timeout, int(decl.phy[0]), errors, seed, decl.latency)
