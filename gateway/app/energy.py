"""How long a cell lasts by a log, and by what if; whether a board can work before there is one; what a measured current
holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from gateway.analysis.measure import NodeSurvey, energy
from gateway.analysis.measure.link import link_history
from gateway.analysis.measure.statistics import plugin_of
from gateway.energy import (
    EnergyShape,
    Life,
    Load,
    Profile,
    SensorLoad,
    cells,
    drawn,
    first_order,
    life_of,
    read_profile,
)
from gateway.energy.board import Finding, Meant, Sending, findings
from gateway.energy.cell import Cell, read_cells
from gateway.energy.trial import Setting, Tried, settings_of, tried
from gateway.energy.waveform import Measured, Recording, measure
from gateway.host.toml import read_toml, shape
from gateway.log.info import RunInfo
from gateway.log.reader import Log
from gateway.model.errors import InputError, Problem, ProblemsError
from gateway.plugin import Plugin, find_plugin
from gateway.report.energy import against_plot, parts_plot
from gateway.report.plots import Plot

DRAWS = 4000
_TRIED_DRAWS = 1000
_INTERVALS = ("7.5 ms", "15 ms", "30 ms", "50 ms", "100 ms", "200 ms", "500 ms", "1 s", "2 s", "4 s")


@dataclass(frozen=True, slots=True)
class NodeLife:
    """How long the cell of a node lasts.

    Attributes:
        load: what it did.
        carried: share of the variance of the life that each number of the profile carries, largest first.
        level: what its own battery level says, None where it tells none.
        tried: what came of other settings.
        choices: for each setting that was tried its values.
    """

    node: str
    profile: Profile
    load: Load
    life: Life
    carried: Mapping[str, float]
    level: energy.Level | None
    tried: Sequence[Tried]
    choices: Sequence[Sequence[Setting]]


def profile_file(path: Path, table: Mapping[str, Cell] | None = None) -> Profile:
    """The energy profile in a file, under ``[energy]``.

    Raises:
        ProblemsError: everything that is wrong with it.
    """
    problems: list[Problem] = []

    def report_problem(place: str, found: str, expected: str) -> None:
        problems.append(Problem(str(path), f"energy.{place}", found, expected))

    content = read_toml(path)[1]
    if set(content) != {"energy"}:
        raise ProblemsError([Problem(str(path), "", f"holds {', '.join(content) or 'nothing'}", "one table, [energy]")])
    made = read_profile(shape(EnergyShape, content["energy"], str(path)), report_problem, table)
    if problems:
        raise ProblemsError(problems)
    return made


def lifetime(
    log: Path,
    profile: Path | None = None,
    settings: Sequence[str] = (),
    grid: bool = False,
    run: int | None = None,
    nodes: Sequence[str] = (),
    table: Path | None = None,
    seed: int = 1,
) -> list[NodeLife]:
    """How long the cell of each node lasts by what it did in a run, and what if.

    Args:
        profile: the energy profile; by default that of the plugin.
        settings: what to try, each ``name=value,value``.
        grid: all combinations of them instead of one at a time.
        table: cells, in place of the product's.
        seed: of the draws.

    Raises:
        InputError: no profile, or a setting that can't be tried.
        LogFileError: the log can't be used.
        ProblemsError: the profile is wrong.
    """
    known = cells() if table is None else read_cells(table)
    given = profile_file(profile, known) if profile is not None else None
    found: list[NodeLife] = []
    with Log(log) as opened, opened.damage_reported():
        info = opened.run(run)
        texts = opened.plugin_texts(info)
        for node in info.chosen(nodes, ()):
            plugin = plugin_of(node.kind, texts.get(node.kind, ""))
            own = given or (plugin.energy if plugin is not None else None)
            if plugin is None or own is None:
                raise InputError(f"{node.name}: {node.kind} declares no [energy]; give a profile with --profile")
            if unknown := sorted(set(own.sensors) - set(plugin.sensors)):
                raise InputError(f"the profile has sensors that {node.kind} has not: {', '.join(unknown)}")
            history = link_history(opened.events(info, node), info.started_ns, info.end_ns, info.paused_ns, info.stalls)
            load = energy.load_of(opened, info, node, history, plugin, None)
            if plugin.advertising is None or plugin.advertising.interval_s is None:
                load = replace(load, advertising_s=own.advertising_s)
            choices = [settings_of(text, own, load, known) for text in settings]
            life = life_of(own, load, drawn(own, DRAWS, seed))
            made, did = own, load
            carried = first_order(own, lambda draws, p=made, one=did: life_of(p, one, draws).days, seed=seed)  # type: ignore[misc]
            rows = list(tried(own, load, choices, grid, _TRIED_DRAWS, seed)) if choices else []
            level = energy.level_of(opened, info, node)
            found.append(NodeLife(node.name, own, load, life, carried, level, rows, choices))
    return found


def energy_plots(log: Log, run: RunInfo, survey: NodeSurvey) -> list[Plot]:
    """What the cell of a node is used for, and how long it lasts at other connection intervals; none where its plugin
    declares no energy profile."""
    node = survey.node
    plugin = plugin_of(node.kind, log.plugin_texts(run).get(node.kind, ""))
    if plugin is None or plugin.energy is None:
        return []
    own = plugin.energy
    load = energy.load_of(log, run, node, survey.history, plugin, None)
    rows = list(
        tried(
            own, load, [settings_of(f"interval={','.join(_INTERVALS)}", own, load, {})], grid=False, count=_TRIED_DRAWS
        )
    )
    numbers = [row.load.interval_s * 1e3 for row in rows]
    life = life_of(own, load, drawn(own, DRAWS))
    return [parts_plot(node.name, life), against_plot(node.name, "connection interval", rows, numbers, "ms")]


@dataclass(frozen=True, slots=True)
class Planned:
    """A board that is planned: what was looked at, and how long its cell would last."""

    plugin: str
    findings: Sequence[Finding]
    life: Life
    load: Load
    profile: Profile

    @property
    def works(self) -> bool:
        """Whether nothing fails."""
        return all(one.verdict != "fails" for one in self.findings)


def plan(
    plugin: str,
    profile: Path | None,
    periods_s: Mapping[str, float],
    interval_s: float,
    latency: int = 0,
    supervision_s: float = 4.0,
    mbit: int = 1,
    att_mtu: int = 247,
    distance_m: float = 5.0,
    place: str = "residential",
    absence_s: float = 3600.0,
    table: Path | None = None,
    seed: int = 1,
) -> Planned:
    """Whether a board can work as its plugin declares it, and how long its cell would last.

    Args:
        plugin: its kind, or its folder.
        profile: the energy profile; by default that of the plugin.
        periods_s: of sensors, in seconds; of others the default that is declared, or a second.
        att_mtu: that is counted on; the rest as in `gateway.energy.board.Meant`.

    Raises:
        InputError: no profile, or a sensor that there is none of.
        ProblemsError: the profile or the plugin is wrong.
    """
    made = find_plugin(plugin)
    own = profile_file(profile, None if table is None else read_cells(table)) if profile is not None else made.energy
    if own is None:
        raise InputError(f"{made.kind} declares no [energy]; give a profile with --profile")
    if unknown := sorted((set(periods_s) | set(own.sensors)) - set(made.sensors)):
        raise InputError(f"{made.kind} has no sensor {', '.join(unknown)}; it has {', '.join(made.sensors) or 'none'}")
    sendings = tuple(_sendings(made, periods_s))
    meant = Meant(interval_s, latency, supervision_s, mbit, att_mtu, distance_m, place, absence_s, sendings)
    load = _planned_load(made, meant, own)
    return Planned(made.kind, tuple(findings(own, meant)), life_of(own, load, drawn(own, DRAWS, seed)), load, own)


def _sendings(plugin: Plugin, periods_s: Mapping[str, float]) -> list[Sending]:
    made = []
    for sensor in plugin.sensors.values():
        item = plugin.characteristics[sensor.data]
        layout = item.layout
        size = layout.head + layout.behind
        period_s = periods_s.get(sensor.name, (sensor.default_period_ns or 10**9) / 1e9)
        if (group := layout.samples) is not None:  # as many as its period makes
            many = group.count if isinstance(group.count, int) else 1
            if group.every_ns and not isinstance(group.count, int):
                many = max(round(period_s * 1e9 / group.every_ns), 1)
            size += many * group.size
        measured_s = group.every_ns / 1e9 if group is not None and group.every_ns else period_s
        made.append(Sending(sensor.data, sensor.name, period_s, size, plugin.on_air(sensor.data).stores, measured_s))
    return made


def _planned_load(plugin: Plugin, meant: Meant, profile: Profile) -> Load:
    packets = sum(-(-(one.octets + 7) // 251) / one.period_s for one in meant.sendings)
    octets = sum((one.octets + 7) / one.period_s for one in meant.sendings)
    advertising = plugin.advertising.interval_s if plugin.advertising is not None else None
    return Load(
        connected=1.0,
        interval_s=meant.interval_s,
        latency=meant.latency,
        mbit=meant.mbit,
        packets_per_s=packets,
        events_with_data_per_s=min(sum(1 / one.period_s for one in meant.sendings), 1 / meant.interval_s),
        octets=min(octets / packets, 251.0) if packets else 0.0,
        values_per_s=sum(1 / one.period_s for one in meant.sendings),
        advertising_s=advertising or profile.advertising_s,
        sensors={one.sensor: SensorLoad(_measurements(plugin, one)) for one in meant.sendings},
    )


def _measurements(plugin: Plugin, one: Sending) -> float:
    group = plugin.characteristics[one.channel].layout.samples
    if group is not None and group.every_ns:
        return 1e9 / group.every_ns
    return 1 / one.period_s


def charge(
    recording: Path,
    rate_hz: float | None = None,
    full_scale_a: float | None = None,
    column: str | None = None,
    apart_s: float = 0.5e-3,
) -> Measured:
    """What a measured current holds: its baseline, and the charge of each event above it.

    Args:
        rate_hz: samples a second, where the file does not tell.
        full_scale_a: amperes at full scale of a WAV file, or for each unit of a column that has none.
        column: which column or channel.
        apart_s: two events closer than that are one.

    Raises:
        InputError: it can't be read.
    """
    return measure(Recording(recording, rate_hz, full_scale_a, column), apart_s)
