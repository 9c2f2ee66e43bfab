"""A plugin file as it is written: tables and keys, types of values, nothing proven yet. The text below a key is what
the reference page says of it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Discriminator, Tag
from pydantic import Field as Declared

from gateway.plugin.layout.declare import FieldDecl, SamplesDecl
from gateway.plugin.layout.model import Order
from gateway.plugin.model import Property

_STRICT = ConfigDict(extra="forbid", strict=True, use_attribute_docstrings=True)


class HeadShape(BaseModel):
    model_config = _STRICT
    kind: str
    """Names this kind of node in run files and in the log: lower-case letters, digits and `-`."""
    title: str
    """One line for people."""


class CharacteristicShape(BaseModel):
    model_config = _STRICT
    uuid: str
    """128 bits, or the 16-bit number of an adopted one such as `"0x2A19"`, which then needs no fields."""
    service: str
    """UUID of the service it belongs to."""
    properties: Annotated[list[Property], Declared(min_length=1)]
    """What the node offers; a run subscribes to what notifies or indicates, and reads what the run file polls."""
    title: str = ""
    """One line for people."""
    description: str | None = None
    """What its User Description descriptor (0x2901) is to say; compared on connecting."""
    byte_order: Order = "little"
    """Of all its fields that do not say otherwise."""
    length: int | None = None
    """Bytes of a value, where you want the sum of the fields checked against it."""
    fields: list[FieldDecl] = []
    """In the order of the bytes, below."""
    samples: SamplesDecl | None = None
    """Fields that repeat after the others, below."""


class EnableShape(BaseModel):
    model_config = _STRICT
    characteristic: str
    """The writable characteristic."""
    field: str | None = None
    """The field in it, where it has several."""
    on: int = 1
    """Integer to transmit for on."""
    off: int = 0
    """Integer to transmit for off."""
    default: Literal["off", "on"] = "off"
    """How the node starts after power-up."""


class PeriodShape(BaseModel):
    model_config = _STRICT
    characteristic: str
    """The writable characteristic; the field's unit is a time and its limits are the shortest and longest period."""
    field: str | None = None
    """The field in it, where it has several."""
    default: str
    """The node's own pace before anybody writes one."""


class SensorShape(BaseModel):
    model_config = _STRICT
    data: str
    """The characteristic its values come in."""
    enable: EnableShape | None = None
    """What switches it; without, it is always on."""
    period: PeriodShape | None = None
    """What paces it; without, it has its own pace."""
    after_reconnect: Literal["kept", "default"] | None = None
    """What becomes of its settings when the link ends and comes again; `gattest exercise` tries what is declared."""
    takes_effect: str | None = None
    """Within which time a period written while values come is kept; a period of either pace and 1 s by default."""
    pace_tolerance: str = "5 percent"
    """How far the mean time between two values may lie from the period written."""


class ConstantShape(BaseModel):
    model_config = _STRICT
    characteristic: str
    """A readable characteristic: read once after connecting, its fields then serve formulas as `NAME.field`."""


class DerivedShape(BaseModel):
    model_config = _STRICT
    unit: str
    """Of the result."""
    inputs: dict[str, str]
    """Each name that the formula uses: `"characteristic.field in unit"`, or `"constant.field in unit"`."""
    formula: str
    """Arithmetic, below."""
    over_samples: Literal["max", "min", "mean"] | None = None
    """Makes one value of those of all samples of a notification."""


class AdvertisingShape(BaseModel):
    model_config = _STRICT
    name: str | None = None
    """How the name that is advertised begins."""
    services: list[str] = []
    """UUIDs of the services that are advertised."""
    interval: str | None = None
    """Time between two advertising events, such as `"100 ms"`."""


class BoundShape(BaseModel):
    model_config = _STRICT
    min: str | int | None = None
    """Lowest value that passes, with its unit."""
    max: str | int | None = None
    """Highest value that passes, with its unit."""


def _form(value: object) -> str:
    """Whether a table under a subject bounds a figure or is that of a field; names that `toml.shape` leaves out."""
    return "[field]" if isinstance(value, dict) and value and not {"min", "max"} & value.keys() else "[bound]"


SpecShape = dict[
    str,
    dict[
        str,
        Annotated[
            Annotated[BoundShape, Tag("[bound]")] | Annotated[dict[str, BoundShape], Tag("[field]")],
            Discriminator(_form),
        ],
    ],
]


class FileShape(BaseModel):
    model_config = _STRICT
    plugin: HeadShape
    characteristic: dict[str, CharacteristicShape]
    sensor: dict[str, SensorShape] = {}
    constant: dict[str, ConstantShape] = {}
    derived: dict[str, DerivedShape] = {}
    advertising: AdvertisingShape | None = None
    spec: SpecShape = {}
