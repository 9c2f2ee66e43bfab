"""A plugin file as it is written: tables and keys, types of values, nothing proven yet. The text below a key is what
the reference page says of it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Discriminator, Strict, Tag
from pydantic import Field as Declared

from gateway.energy import EnergyShape
from gateway.model.security import Security
from gateway.plugin.layout.kind import MAX_VALUE_BYTES
from gateway.plugin.layout.model import Order
from gateway.plugin.layout.shape import CheckDecl, FieldDecl, SamplesDecl
from gateway.plugin.model import Property
from gateway.plugin.unpack import UnpackDecl

_STRICT = ConfigDict(extra="forbid", strict=True, use_attribute_docstrings=True)


class HeadShape(BaseModel):
    model_config = _STRICT
    kind: str
    """Name of this kind of node in run files and in the log: lower-case letters, digits and `-`."""
    title: str
    """One-line description."""
    security: Annotated[Security | None, Strict(False)] = None
    """What its characteristics ask of a link before they can be used; a run pairs with the node then."""


class CharacteristicShape(BaseModel):
    model_config = _STRICT
    uuid: str = ""
    """128 bits, or the 16-bit UUID of an adopted one such as `"0x2A19"`, which then needs no fields. It, the service
    and the properties are required, unless `within`, `company` or `service_data` is given."""
    service: str = ""
    """UUID of the service it belongs to."""
    properties: list[Property] = []
    """What the node offers; a run subscribes to what notifies or indicates, and reads what the run file polls."""
    company: Annotated[int, Declared(ge=0, le=0xFFFF)] | None = None
    """Of what is advertised, in place of all that: the company identifier in front of its manufacturer data, 0xFFFF for
    tests (Assigned Numbers, 7). A run then listens to advertisements; a node that only advertises is never connected
    to. A counter with the role `sequence` tells a new value from one that is advertised again. What takes more than the
    31 bytes of a legacy advertisement, simulated nodes advertise in an extended one."""
    service_data: str | None = None
    """Instead: the UUID of the service in front of its service data."""
    unpack: UnpackDecl | None = None
    """How the messages in its values are unpacked, see below. Its fields are then those in front of the content; each
    message is declared as a characteristic of its own, with `within`, and is a channel of its own."""
    within: str | None = None
    """Of a message that is unpacked: the characteristic it comes in. Where that carries several, `message` tells them
    apart."""
    title: str = ""
    """One-line description."""
    description: str | None = None
    """Expected text of its User Description descriptor (0x2901); checked on connecting."""
    message: Annotated[int, Declared(ge=0, le=255)] | None = None
    """Where one characteristic carries several messages, each is declared by itself with the same UUID: the number in
    the byte that tells them apart. Each is then a channel of its own, with its own rate and loss."""
    message_at: Annotated[int, Declared(ge=0, le=MAX_VALUE_BYTES)] = 0
    """Which byte that is; it has to be a field of every one of them."""
    stores: Annotated[int, Declared(ge=1)] | None = None
    """How many values it keeps while nobody is subscribed, to send them, oldest first, once somebody is; its counter or
    node time then tells when each was sampled, and only live values count for rates and gaps."""
    settles: str | None = None
    """Of a setting: how long after a write it may take until it reads as written; it is read back after that."""
    byte_order: Order = "little"
    """Byte order of all fields that do not set their own."""
    length: int | None = None
    """Length of a value in bytes, to check the sum of the fields against."""
    fields: list[FieldDecl] = []
    """Its fields in the order of the bytes, see below."""
    samples: SamplesDecl | None = None
    """Fields that repeat after the others, see below."""
    check: CheckDecl | None = None
    """A checksum behind all that, see below; a value whose checksum differs is kept and counted, and not decoded."""


class EnableShape(BaseModel):
    model_config = _STRICT
    characteristic: str
    """The writable characteristic."""
    field: str | None = None
    """The field in it, if it has several."""
    on: int = 1
    """Integer to write for on."""
    off: int = 0
    """Integer to write for off."""
    default: Literal["off", "on"] = "off"
    """State after power-up."""


class PeriodShape(BaseModel):
    model_config = _STRICT
    characteristic: str
    """The writable characteristic; the field's unit is a time and its limits are the shortest and longest period."""
    field: str | None = None
    """The field in it, if it has several."""
    default: str
    """Period after power-up, before one is written."""


class SensorShape(BaseModel):
    model_config = _STRICT
    data: str
    """The characteristic that carries its values."""
    enable: EnableShape | None = None
    """How it is switched; if missing, it is always on."""
    period: PeriodShape | None = None
    """How its period is set; if missing, the node sets its own."""
    after_reconnect: Literal["kept", "default"] | None = None
    """Whether its settings survive a reconnect; `gattest exercise` tests what is declared."""
    takes_effect: str | None = None
    """How soon a period written while it sends takes effect; the longer of the two periods plus 1 s by default."""
    pace_tolerance: str = "5 percent"
    """How far the mean time between two values may deviate from the period written."""


class ConstantShape(BaseModel):
    model_config = _STRICT
    characteristic: str
    """A readable characteristic, read once after connecting; formulas can use its fields as `NAME.field`."""


class DerivedShape(BaseModel):
    model_config = _STRICT
    unit: str
    """Unit of the result."""
    inputs: dict[str, str]
    """Each name used in the formula: `"characteristic.field in unit"`, or `"constant.field in unit"`."""
    formula: str
    """Arithmetic expression, see Formulas below."""
    over_samples: Literal["max", "min", "mean"] | None = None
    """Combines all samples of a notification into one value."""


class ProcedureShape(BaseModel):
    model_config = _STRICT
    title: str = ""
    """One-line description."""
    write: str
    """The characteristic that is written."""
    opcode: Annotated[int, Declared(ge=0, le=255)]
    """The first byte that is written."""
    arguments: list[FieldDecl] = []
    """What is written behind it, each with its `default`."""
    answer: str | None = None
    """The channel that the answer comes in; without it the write itself is all."""
    request: str | None = None
    """The field of the answer that repeats the opcode."""
    result: str | None = None
    """The field of the answer that tells how it went."""
    success: int = 1
    """The integer in it that means success."""
    unknown: int | None = None
    """The integer in it for an opcode that the node does not know, if it does not answer with an ATT error."""
    timeout: str = "30 s"
    """Within which the answer comes."""
    sends: str | None = None
    """The channel whose stored values come before the answer."""
    counts: str | None = None
    """The channel whose stored values it counts: a download is held against that."""
    count: str | None = None
    """The field of the answer with their number."""
    clears: str | None = None
    """The channel whose stored values it deletes."""


class AdvertisingShape(BaseModel):
    model_config = _STRICT
    name: str | None = None
    """Start of the advertised name."""
    services: list[str] = []
    """UUIDs of the advertised services."""
    interval: str | None = None
    """Advertising interval, such as `"100 ms"`."""


class BoundShape(BaseModel):
    model_config = _STRICT
    min: str | int | float | None = None
    """Lowest value that passes, with its unit."""
    max: str | int | float | None = None
    """Highest value that passes, with its unit."""
    abs: str | int | float | None = None
    """In place of both: how far from zero, to either side, still passes."""
    decision: str | None = None
    """Decision rule: `guard` (by default) decides where the whole 95 % interval lies on one side of the limit, `simple`
    by the figure itself, and a share such as `"5 percent"` wherever a node just at the limit would be passed or failed
    in no more of its runs."""


def _form(value: object) -> str:
    """Whether a table under a subject bounds a figure or is that of a field; names that `toml.shape` leaves out."""
    return (
        "[field]"
        if isinstance(value, dict) and value and not BoundShape.model_fields.keys() & value.keys()
        else "[bound]"
    )


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


class PluginFileShape(BaseModel):
    model_config = _STRICT
    plugin: HeadShape
    characteristic: dict[str, CharacteristicShape]
    sensor: dict[str, SensorShape] = {}
    procedure: dict[str, ProcedureShape] = {}
    constant: dict[str, ConstantShape] = {}
    derived: dict[str, DerivedShape] = {}
    advertising: AdvertisingShape | None = None
    energy: EnergyShape | None = None
    spec: SpecShape = {}
