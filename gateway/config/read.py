"""From a run file to a proven `RunConfig`. Reading one proves it against the plugins it names and reports
every problem in one pass."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from fractions import Fraction
from pathlib import Path

from gateway.config.broker import check_gather, read_mqtt
from gateway.config.model import NodeConfig, ProcedureUse, RunConfig, SensorUse, TwinConfig
from gateway.config.problems import Problems
from gateway.config.shape import NodeShape, RunFileShape, SensorUseShape, TwinShape
from gateway.config.simulate import read_air, read_sweep, read_twin
from gateway.host.keys import load_key
from gateway.host.toml import read_toml, shape
from gateway.model.errors import InputError, Problem, ProblemsError, UnitError
from gateway.model.figures import ALL, LINK, Requirement
from gateway.model.radios import RadioName
from gateway.model.security import Pairing, Security
from gateway.model.utc import duration_text
from gateway.plugin import Plugin, SpecShape, find_plugin, load_plugin, period_fits, read_spec
from gateway.plugin.layout.kind import Value
from gateway.plugin.layout.model import Field
from gateway.plugin.layout.written import field_value, wanted_value
from gateway.plugin.procedure import OPCODE

SHORTEST_POLL_NS = 10_000_000
_NAME = re.compile(r"[a-z][a-z0-9-]{0,39}")


class _Reader(Problems):
    """Turns the file's shape into a `RunConfig`."""

    def __init__(self, path: Path, text: str, file: RunFileShape) -> None:
        super().__init__(path)
        self.text = text
        self.file = file
        self.kinds: dict[str, str] = {}

    def plugin(self, place: str, name: str) -> Plugin | None:
        try:
            beside = self.path.parent / name
            folders = [self.path.parent / folder for folder in self.file.run.plugins]
            return load_plugin(beside) if (beside / "plugin.toml").is_file() else find_plugin(name, folders)
        except ProblemsError as error:
            self.problems += [problem for problem in error.problems if problem not in self.problems]
        except InputError as error:
            self.report_problem(place, str(error))
        return None

    def node(self, name: str, decl: NodeShape) -> NodeConfig | None:
        place = f"node.{name}"
        if name == ALL:
            self.report_problem(place, f"name {name!r}", "another name: in a spec it stands for every node")
        if not _NAME.fullmatch(name):
            self.report_problem(place, f"name {name!r}", "lower-case letters, digits and -, at most 40")
        if (decl.find.name is None) == (decl.find.address is None):
            self.report_problem(f"{place}.find", "neither or both of name and address", "exactly one of them")
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
        if not plugin.served and "silent_after" in decl.model_fields_set:
            self.report_problem(
                f"{place}.silent_after", f"{plugin.kind} only advertises and is never connected to", "no silent_after"
            )
        if silent_ns <= fastest_ns:
            self.report_problem(
                f"{place}.silent_after",
                f"{decl.silent_after} is not longer than {duration_text(fastest_ns / 1e9)}, "
                "the shortest time between two values",
                "several times that, or a working link will be dropped",
            )
        address = decl.find.address.upper() if decl.find.address else None
        pairing, passkey = plugin.pairing, self.path.parent / decl.passkey if decl.passkey is not None else None
        if passkey is not None and plugin.security is not Security.AUTHENTICATED:
            self.report_problem(
                f"{place}.passkey",
                f"{plugin.kind} does not ask for an authenticated link",
                'security = "authenticated" under [plugin], or no passkey',
            )
        elif passkey is not None and not passkey.is_file():
            self.report_problem(
                f"{place}.passkey", f"there is no file {passkey}", "a file that holds six digits, beside the run file"
            )
        elif passkey is None and pairing is not None and self.file.run.radio is RadioName.VIRTUAL:
            pairing = Pairing(pairing.security, int(self.file.twin.get(name, TwinShape()).passkey))
        written = self.settings(f"{place}.set", plugin, decl, sensors)
        procedures = tuple(self.procedures(f"{place}.procedure", plugin, decl))
        return NodeConfig(
            name, plugin, decl.find.name, address, sensors, polls, silent_ns, pairing, passkey, written, procedures
        )

    def procedures(self, place: str, plugin: Plugin, decl: NodeShape) -> Iterator[ProcedureUse]:
        for name, use in decl.procedure.items():
            if (procedure := plugin.procedures.get(name)) is None:
                known = ", ".join(plugin.procedures) or "none"
                self.report_problem(f"{place}.{name}", f"{plugin.kind} has no procedure {name!r}", f"one of {known}")
                continue
            fields = {field.name: field for field in procedure.layout.fields if field.name != OPCODE}
            arguments: dict[str, Value] = {}
            for key, value in use.arguments.items():
                where = f"{place}.{name}.arguments.{key}"
                if key not in fields:
                    expected = f"one of {', '.join(fields) or 'none'}"
                    self.report_problem(where, f"{name} has no argument {key!r}", expected)
                    continue
                try:
                    arguments[key] = field_value(fields[key], value)
                except (ValueError, UnitError) as error:
                    told = str(error) if repr(value) in str(error) else f"{value!r}: {error}"
                    self.report_problem(where, told, wanted_value(fields[key]))
            every_ns = self.duration(f"{place}.{name}.every", use.every) if use.every is not None else None
            yield ProcedureUse(procedure, arguments, every_ns)

    def sensor(self, place: str, plugin: Plugin, name: str, use: SensorUseShape) -> SensorUse | None:
        sensor = plugin.sensors.get(name)
        if sensor is None:
            self.report_problem(
                place,
                f"{plugin.kind} has no sensor {name!r}",
                f"one of {', '.join(plugin.sensors) or 'none'}",
            )
            return None
        if not use.on and sensor.enable is None:
            self.report_problem(
                f"{place}.on",
                "this sensor can't be switched off",
                f"declare enable in {plugin.kind}, or remove the line",
            )
        period_ns = None
        if use.period is not None:
            period_ns = self.duration(f"{place}.period", use.period, 0)
            setting = sensor.period
            if setting is None:
                self.report_problem(
                    f"{place}.period",
                    "the period of this sensor can't be set",
                    f"declare period in {plugin.kind}, or remove the line",
                )
            elif period_ns and not period_fits(setting.field, period_ns):
                self.report_problem(
                    f"{place}.period",
                    f"{use.period} is outside what {name} can be set to",
                    self.span(setting.field),
                )
        return SensorUse(use.on, period_ns or None)

    def settings(
        self, place: str, plugin: Plugin, decl: NodeShape, sensors: Mapping[str, SensorUse]
    ) -> dict[str, dict[str, Value]]:
        """What is to be written besides switching and pacing sensors."""
        found: dict[str, dict[str, Value]] = {}
        paced = [plugin.sensors[name].pace(use.period_ns) for name, use in sensors.items() if use.period_ns is not None]
        taken = {
            (name, key)
            for values in (*(plugin.sensors[name].switch(use.on) for name, use in sensors.items()), *paced)
            for name, fields in values.items()
            for key in fields
        }
        for name, fields in decl.set.items():
            if name not in plugin.settings:
                expected = (
                    f"one of {', '.join(sorted(plugin.settings)) or 'none: nothing of it can be written and read'}"
                )
                self.report_problem(f"{place}.{name}", f"{plugin.kind} has no setting {name!r}", expected)
                continue
            known = {field.name: field for field in plugin.characteristics[name].layout.fields}
            for key, value in fields.items():
                where = f"{place}.{name}.{key}"
                if key not in known:
                    self.report_problem(where, f"{name} has no field {key!r}", f"one of {', '.join(known)}")
                elif (name, key) in taken:
                    self.report_problem(where, "is set with its sensor already", "one of the two")
                else:
                    try:
                        found.setdefault(name, {})[key] = field_value(known[key], value)
                    except (ValueError, UnitError) as error:
                        told = str(error) if repr(value) in str(error) else f"{value!r}: {error}"
                        self.report_problem(where, told, wanted_value(known[key]))
        return found

    @staticmethod
    def span(field: Field) -> str:
        low, high = field.low, field.high
        step = f" in steps of {float(Fraction(field.scale.num, field.scale.den)):g}" if field.scale else ""
        if low is None or high is None:
            return f"{field.bits} bits{step}"
        return f"{low:g} to {high:g} {field.unit.symbol}{step}"

    def polls(self, place: str, plugin: Plugin, decl: NodeShape) -> dict[str, int]:
        polls = {}
        for channel, text in decl.poll.items():
            where = f"{place}.poll.{channel}"
            if channel not in plugin.channels:
                self.report_problem(
                    where, f"{plugin.kind} has no channel {channel!r}", f"one of {', '.join(plugin.channels)}"
                )
            elif "read" not in plugin.characteristics[channel].properties:
                self.report_problem(
                    where,
                    "this channel can't be read",
                    "add the property read to the plugin, or remove the line",
                )
            else:
                polls[channel] = self.duration(where, text)
                if polls[channel] < SHORTEST_POLL_NS:
                    self.report_problem(where, text, "at least 10 ms: a read takes two connection events")
        for channel in plugin.channels:
            item = plugin.characteristics[channel]
            if not (item.pushed or item.within or item.broadcast) and channel not in decl.poll:
                self.report_problem(
                    f"{place}.poll",
                    f"{channel} can only be polled, but no polling period is set",
                    f'add poll.{channel} = "10 s"',
                )
        return polls

    def requirements(self, nodes: Mapping[str, NodeConfig]) -> tuple[Requirement, ...]:
        """What the plugins require, then what the file requires of all, of a kind, of a node: the later replaces the
        earlier where it is of the same figure."""
        kinds = {node.plugin.kind: node.plugin for node in nodes.values()}
        made: dict[tuple[str, str, str], Requirement] = {}

        def add(rules: Iterable[Requirement]) -> None:
            made.update({rule[:3]: rule for rule in rules})

        for plugin in kinds.values():
            add(rule for rule in plugin.requirements if self.switched_on(plugin, rule.subject))
        for whom in sorted(self.file.spec, key=lambda whom: (whom in nodes, whom != ALL)):
            spec = self.file.spec[whom]
            if whom == ALL:
                for plugin in kinds.values():
                    add(self.spec(whom, plugin, {s: b for s, b in spec.items() if s in (LINK, *plugin.channels)}))
                self.strange_subjects(spec, kinds.values())
            elif whom in kinds and whom in nodes:
                self.report_problem(f"spec.{whom}", "is both a kind and a node", "another name for the node")
            elif whom in kinds:
                add(self.spec(whom, kinds[whom], spec))
            elif whom in nodes:
                add(rule._replace(whom=whom) for rule in self.spec(whom, nodes[whom].plugin, spec))
            elif len(nodes) == len(self.file.node):  # otherwise the plugin's own problem has been told
                names = ", ".join([ALL, *kinds, *nodes])
                self.report_problem(
                    f"spec.{whom}", f"no node of this run is a {whom} or has that name", f"one of {names}"
                )
        return tuple(made.values())

    def strange_subjects(self, spec: SpecShape, plugins: Iterable[Plugin]) -> None:
        known = [LINK, *dict.fromkeys(channel for plugin in plugins for channel in plugin.channels)]
        for subject in spec:
            if subject not in known:
                self.report_problem(f"spec.{ALL}.{subject}", f"no node has a channel {subject!r}", ", ".join(known))

    def spec(self, whom: str, plugin: Plugin, spec: SpecShape) -> list[Requirement]:
        """The requirements of one table of the file, for every node of a kind."""

        def report_problem(place: str, found: str, expected: str) -> None:
            self.report_problem(f"spec.{whom}.{place}", found, expected)

        rules = list(read_spec(spec, plugin.kind, plugin.characteristics, plugin.channels, report_problem))
        for rule in rules:
            if not self.switched_on(plugin, rule.subject) and rule.figure != "while_off":
                report_problem(
                    f"{rule.subject}.{rule.figure}",
                    f"the sensor of {rule.subject} is never switched on",
                    "set it for each node: sensor.NAME = {}",
                )
        return rules

    def switched_on(self, plugin: Plugin, subject: str) -> bool:
        """Whether every node of this kind sets the sensor of a channel, where it has one that can be switched."""
        channel = subject.partition(".")[0]
        users = [decl for name, decl in self.file.node.items() if self.kinds.get(name) == plugin.kind]
        sensors = [s.name for s in plugin.sensors.values() if s.data == channel and s.enable is not None]
        return all(name in decl.sensor for decl in users for name in sensors)

    def read(self) -> RunConfig:
        file = self.file
        made = {name: self.node(name, decl) for name, decl in file.node.items()}
        nodes = {name: node for name, node in made.items() if node is not None}
        self.kinds = {name: node.plugin.kind for name, node in nodes.items()}
        twins = {}
        for index, name in enumerate(
            dict.fromkeys([*file.node, *file.twin]) if file.run.radio == RadioName.VIRTUAL else file.twin
        ):
            twin = self.twin(index, name, nodes.get(name))
            if twin is not None:
                twins[name] = twin
        self.check_unique(nodes, twins)
        length = file.run.length
        config = RunConfig(
            self.path,
            self.text,
            file.run.title,
            self.duration("run.length", length) if length else None,
            file.run.radio,
            nodes,
            read_air(self, file.air, file.run.seed),
            twins,
            self.requirements(nodes),
            read_mqtt(self, file.mqtt) if file.mqtt is not None else None,
            file.run.transport or "",
            self.path.parent / file.run.snoop if file.run.snoop else None,
            read_sweep(self, file.sweep, file.air, file.run.seed) if file.sweep is not None else None,
            self.path.parent / file.run.sign if file.run.sign else None,
        )
        self.check_run(config)
        if file.gather is not None:
            check_gather(self, file.gather)
        if self.problems:
            raise ProblemsError(self.problems)
        return config

    def check_unique(self, nodes: Mapping[str, NodeConfig], twins: Mapping[str, TwinConfig]) -> None:
        """That no two nodes are found by the same name or address."""
        sought = [(node.find_name, node.find_address) for node in nodes.values()]
        for name, node in nodes.items():
            if sought.count((node.find_name, node.find_address)) > 1:
                self.report_problem(
                    f"node.{name}.find", "another node has the same name or address", "a unique one for each node"
                )
        addresses = [twin.address for twin in twins.values()]
        if len(set(addresses)) < len(addresses):
            self.report_problem("twin", "two simulated nodes share an address", "give each its own")

    def check_run(self, config: RunConfig) -> None:
        """The key a run is signed with, and what only some radios can do."""
        file = self.file
        if config.sign is not None:
            try:
                load_key(config.sign)
            except InputError as error:
                self.report_problem("run.sign", str(error), "an Ed25519 key")
        own = file.run.radio == RadioName.HCI
        if own and not file.run.transport:
            self.report_problem("run.transport", "missing", "how the controller is reached, such as usb:0")
        if file.sweep is not None and file.run.radio == RadioName.SYSTEM:
            self.report_problem(
                "sweep", "the system's radio lets nobody set its links", 'radio = "hci" or radio = "virtual"'
            )
        for key, value in (("transport", file.run.transport), ("snoop", file.run.snoop)):
            if value is not None and not own:
                self.report_problem(f"run.{key}", f"is not used by the {file.run.radio} radio", 'radio = "hci"')

    def twin(self, index: int, name: str, node: NodeConfig | None) -> TwinConfig | None:
        if name not in self.file.node:
            self.report_problem(f"twin.{name}", f"there is no node {name!r}", f"one of {', '.join(self.file.node)}")
        if node is None:
            return None
        return read_twin(self, index, name, self.file.twin.get(name, TwinShape()), node)


def load_run(path: Path, radio: RadioName | None = None) -> RunConfig:
    """Read and prove a run file.

    Args:
        path: the file; relative paths in it count from its folder.
        radio: used instead of the one it names.

    Raises:
        ProblemsError: everything that is wrong with it or with its plugins.
    """
    text, content = read_toml(path)
    if "run" not in content and "plugin" in content:
        raise ProblemsError([Problem(str(path), "", "is a plugin", "a run file, with tables [run] and [node.NAME]")])
    file = shape(RunFileShape, content, str(path))
    if radio is not None:
        file.run.radio = radio
    return _Reader(path, text, file).read()
