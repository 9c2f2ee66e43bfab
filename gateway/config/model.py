"""A run file, proven: what the rest of the product works with. Times are nanoseconds, shares are from 0 to 1,
values are in their field's unit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Literal

from gateway.config.broker import MqttConfig
from gateway.model.figures import Requirement
from gateway.model.radios import RadioName
from gateway.model.security import Pairing
from gateway.plugin import Plugin
from gateway.plugin.layout.kind import Value
from gateway.plugin.procedure import Procedure


@dataclass(frozen=True, slots=True)
class SensorUse:
    """How a sensor is set; ``period_ns`` None leaves the node's own pace."""

    on: bool
    period_ns: int | None


@dataclass(frozen=True, slots=True)
class ProcedureUse:
    """A procedure that is carried out once a node is set up, and every so long from then on, None for only then."""

    procedure: Procedure
    arguments: Mapping[str, Value]
    every_ns: int | None


@dataclass(frozen=True, slots=True)
class NodeConfig:
    """One node of a run.

    Attributes:
        find_name, find_address: what is looked for on the air; an address in capitals.
        sensors: how each declared sensor is set; sensors that the run file leaves out are not touched.
        poll_ns: how often a channel is read, for the channels that are read.
        silent_after_ns: how long nothing may come before the link is probed and torn down.
        pairing: what to pair with, None where the node asks for nothing.
        passkey: the file that holds the passkey, None where it comes from elsewhere.
        set: other fields to write, by characteristic, each in its unit.
        procedures: what to carry out once it is set up, in this order.
    """

    name: str
    plugin: Plugin
    find_name: str | None
    find_address: str | None
    sensors: Mapping[str, SensorUse]
    poll_ns: Mapping[str, int]
    silent_after_ns: int
    pairing: Pairing | None = None
    passkey: Path | None = None
    set: Mapping[str, Mapping[str, Value]] = field(default_factory=dict)
    procedures: tuple[ProcedureUse, ...] = ()


@dataclass(frozen=True, slots=True)
class AirConfig:
    """The virtual air, or the links that a controller is to make: connection interval, supervision timeout, peripheral
    latency in connection events (on a virtual air without effect), PHY in Mbit/s; share of packets lost."""

    interval_ns: int = 15_000_000
    supervision_ns: int = 2_000_000_000
    mbit: int = 1
    packet_errors: float = 0.0
    seed: int = 1
    latency: int = 0


@dataclass(frozen=True, slots=True)
class SweepConfig:
    """The settings of the link that a sweep tries, and for how long each."""

    length_ns: int
    settings: tuple[AirConfig, ...]


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


SIMULATED_PASSKEY = 123456
FIRMWARE_FAULTS = {
    "starts-otherwise": "sensors start on that should start off, and vice versa",
    "never-off": "a sensor that is switched off keeps sending",
    "never-on": "a sensor that is switched on sends nothing",
    "rounds-periods": "a period near the shortest becomes twice the shortest",
    "accepts-out-of-range": "a period or an on/off value outside its limits is accepted",
    "accepts-any-length": "a write of the wrong length is acknowledged",
    "changes-though-refused": "a setting changes although the write is refused",
    "paces-only-on-switching": "a period written while the sensor sends takes effect only when it is switched on again",
    "reads-otherwise": "a read returns a different value from the one sent",
    "forgets-otherwise": "settings that should survive a reconnect are lost, and vice versa",
    "paces-others": "setting the period of one sensor sets it for all the others too",
    "switches-others-on": "switching one sensor on switches all the others on too",
    "starts-when-paced": "a sensor that is off starts sending when its period is set",
    "slows-beside-another": "sensors that are on at the same time send half as often",
    "answers-nothing": "a procedure is carried out, and no answer comes",
    "answers-unsubscribed": "a procedure is taken though nobody is subscribed to its answer",
    "takes-any-opcode": "an opcode that is not declared is answered with success",
    "takes-two-procedures": "a procedure is taken while another is in progress",
    "counts-otherwise": "one more stored value is counted than is sent",
    "off-takes-all": "switching one sensor off switches all the others off too",
}


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
        firmware: what it does wrong when it is set, of `FIRMWARE_FAULTS`.
    """

    lose: float = 0.0
    slow: float = 1.0
    drop_link_ns: int | None = None
    wrong_length_every: int | None = None
    freeze: str | None = None
    jump_sequence_every: int | None = None
    firmware: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TwinConfig:
    """A simulated node: its address, signals by ``channel.field``, constants by characteristic, faults, and its passkey
    where its plugin asks for an authenticated link."""

    address: str
    signals: Mapping[str, Signal] = field(default_factory=dict)
    constants: Mapping[str, Mapping[str, Fraction]] = field(default_factory=dict)
    faults: Faults = Faults()
    passkey: int = SIMULATED_PASSKEY


@dataclass(frozen=True, slots=True)
class RunConfig:
    """A run file, proven."""

    path: Path
    text: str
    title: str
    length_ns: int | None
    radio: RadioName
    nodes: Mapping[str, NodeConfig]
    air: AirConfig
    twins: Mapping[str, TwinConfig]
    requirements: tuple[Requirement, ...]
    mqtt: MqttConfig | None = None
    transport: str = ""
    snoop: Path | None = None
    sweep: SweepConfig | None = None
    sign: Path | None = None
