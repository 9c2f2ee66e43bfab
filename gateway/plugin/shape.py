"""A plugin file as it is written: tables and keys, types of values, nothing proven yet."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict
from pydantic import Field as Declared

from gateway.layout.declare import FieldDecl, SamplesDecl
from gateway.layout.model import Order
from gateway.plugin.model import Property

_STRICT = ConfigDict(extra="forbid", strict=True)


class HeadShape(BaseModel):
    model_config = _STRICT
    kind: str
    title: str


class CharacteristicShape(BaseModel):
    model_config = _STRICT
    uuid: str
    service: str
    properties: Annotated[list[Property], Declared(min_length=1)]
    title: str = ""
    byte_order: Order = "little"
    length: int | None = None
    fields: list[FieldDecl] = []
    samples: SamplesDecl | None = None


class EnableShape(BaseModel):
    model_config = _STRICT
    characteristic: str
    field: str | None = None
    on: int = 1
    off: int = 0


class PeriodShape(BaseModel):
    model_config = _STRICT
    characteristic: str
    field: str | None = None
    default: str


class SensorShape(BaseModel):
    model_config = _STRICT
    data: str
    enable: EnableShape | None = None
    period: PeriodShape | None = None


class ConstantShape(BaseModel):
    model_config = _STRICT
    characteristic: str


class DerivedShape(BaseModel):
    model_config = _STRICT
    unit: str
    inputs: dict[str, str]
    formula: str
    over_samples: Literal["max", "min", "mean"] | None = None


class FileShape(BaseModel):
    model_config = _STRICT
    plugin: HeadShape
    characteristic: dict[str, CharacteristicShape]
    sensor: dict[str, SensorShape] = {}
    constant: dict[str, ConstantShape] = {}
    derived: dict[str, DerivedShape] = {}
