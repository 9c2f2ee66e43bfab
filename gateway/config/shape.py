"""A run file as it is written: tables and keys, types of values, nothing proven yet."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Strict
from pydantic import Field as Declared

from gateway.config.broker import GatherShape, MqttShape
from gateway.config.model import SIMULATED_PASSKEY
from gateway.model.radios import RadioName
from gateway.plugin import SpecShape

_STRICT = ConfigDict(extra="forbid", strict=True)


class RunShape(BaseModel):
    model_config = _STRICT
    title: str
    length: str | None = None
    radio: Annotated[RadioName, Strict(False)] = RadioName.SYSTEM
    transport: str | None = None
    snoop: str | None = None
    sign: str | None = None
    plugins: list[str] = []
    seed: int = 1


class FindShape(BaseModel):
    model_config = _STRICT
    name: str | None = None
    address: str | None = None


class SensorUseShape(BaseModel):
    model_config = _STRICT
    on: bool = True
    period: str | None = None


class ProcedureUseShape(BaseModel):
    model_config = _STRICT
    every: str | None = None
    arguments: dict[str, bool | int | float | str] = {}


class NodeShape(BaseModel):
    model_config = _STRICT
    plugin: str
    find: FindShape
    silent_after: str = "30 s"
    passkey: str | None = None
    sensor: dict[str, SensorUseShape] = {}
    poll: dict[str, str] = {}
    set: dict[str, dict[str, bool | int | float | str]] = {}
    procedure: dict[str, ProcedureUseShape] = {}


class AirShape(BaseModel):
    model_config = _STRICT
    interval: str = "15 ms"
    supervision_timeout: str = "2 s"
    latency: Annotated[int, Declared(ge=0, le=499)] = 0
    phy: Literal["1M", "2M"] = "1M"
    packet_errors: str = "0 percent"


class SweepShape(BaseModel):
    model_config = _STRICT
    length: str
    interval: list[str] = []
    phy: list[Literal["1M", "2M"]] = []


class SignalShape(BaseModel):
    model_config = _STRICT
    constant: str | None = None
    ramp: Annotated[list[str], Declared(min_length=3, max_length=3)] | None = None
    sine: Annotated[list[str], Declared(min_length=3, max_length=3)] | None = None
    noise: str | None = None
    csv: str | None = None
    column: str | None = None
    unit: str | None = None


class FaultShape(BaseModel):
    model_config = _STRICT
    lose: str | None = None
    slow: str | None = None
    drop_link_every: str | None = None
    wrong_length_every: Annotated[int, Declared(ge=1)] | None = None
    freeze: str | None = None
    jump_sequence_every: Annotated[int, Declared(ge=1)] | None = None
    firmware: list[str] = []


class TwinShape(BaseModel):
    model_config = _STRICT
    address: str | None = None
    passkey: Annotated[str, Declared(pattern="^[0-9]{6}$")] = f"{SIMULATED_PASSKEY:06d}"
    signal: dict[str, dict[str, SignalShape]] = {}
    constant: dict[str, dict[str, str]] = {}
    faults: FaultShape = FaultShape()


class RunFileShape(BaseModel):
    model_config = _STRICT
    run: RunShape
    node: Annotated[dict[str, NodeShape], Declared(min_length=1)]
    air: AirShape = AirShape()
    sweep: SweepShape | None = None
    twin: dict[str, TwinShape] = {}
    spec: dict[str, SpecShape] = {}
    mqtt: MqttShape | None = None
    gather: GatherShape | None = None
    report: dict[str, str | int | float] = {}
