"""The lines of a layout as they are written in a plugin file: keys and types of values, nothing proven yet. The text
below a key is what the reference page says of it."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict
from pydantic import Field as Declared

from gateway.model.figures import Role
from gateway.plugin.layout.kind import MAX_VALUE_BYTES
from gateway.plugin.layout.model import Order


class FieldDecl(BaseModel):
    """One line of a plugin's ``fields``, as written."""

    model_config = ConfigDict(extra="forbid", strict=True, use_attribute_docstrings=True)

    name: str = ""
    """Lower-case letters, digits and `_`; unique, unless their conditions exclude each other."""
    type: str = ""
    """Its type, see Types below."""
    rfu: Annotated[int, Declared(ge=1, le=MAX_VALUE_BYTES * 8)] | None = None
    """Number of bits reserved for future use; replaces all other keys except `at` and `when`. `audit` and `decode` tell
    of any that are set."""
    when: str | None = None
    """Present only if earlier integers say so: `"flag"`, `"not flag"`, `"message == 2"`, `"flags & 0x03 != 2"`,
    `"2 * rows + 1 > 4"`, or several joined by `and`; at the end of a value also `"more"`: if the value goes on."""
    at: Annotated[int, Declared(ge=0)] | Annotated[list[int], Declared(min_length=2, max_length=2)] | None = None
    """First byte, or `[byte, bit]`, if it does not follow the previous field."""
    byte_order: Order | None = None
    """If it differs from the characteristic's."""
    lsb: str | None = None
    """Weight of one count with its unit: `"0.01 degC"`, `"1/16 g_0"`, `"2**-6 V"`."""
    offset: str | None = None
    """Added to the scaled value."""
    unit: str | None = None
    """Unit the value is shown and stored in, if it is not the unit of `lsb`."""
    limits: Annotated[list[str], Declared(min_length=2, max_length=2)] | None = None
    """Lowest and highest allowed value; values beyond them are counted as outside limits."""
    role: Role | None = None
    """`sequence` counts values, so that loss can be measured; `node time` is the node's clock; `battery` its charge. In
    samples, `sample time` tells when each was taken in relation to the others of its value: a step back by more than
    half of what it counts is a wrap, so that older ones stand in front; the newest is as old as the notification."""
    epoch: str | None = None
    """Of a time of day what its zero is, such as `"1970-01-01"` or `"2000-01-01"`, in UTC; a run file can then set it
    to `"now"`, which is written on each connecting."""
    reserved: dict[str, str] = {}
    """Transmitted values that mean "no reading", with the reason: `{ 0x8000 = "not known" }`."""
    names: dict[str, str] = {}
    """Names for transmitted values: `{ 0 = "closed", 1 = "open" }`."""
    each: Annotated[int, Declared(ge=2, le=MAX_VALUE_BYTES)] | Annotated[list[str], Declared(min_length=2)] | None = (
        None
    )
    """Stands for as many fields in a row, such as bands or cells: a number, and they are called `NAME_0`, `NAME_1` and
    so on, or a list of what follows `NAME_` in each."""
    default: bool | int | float | str | None = None
    """Of a setting its value after power-up: a name, a number, or a quantity with its unit; 0 if missing."""


class CrcDecl(BaseModel):
    """A CRC by its parameters, as written."""

    model_config = ConfigDict(extra="forbid", strict=True, use_attribute_docstrings=True)

    width: Annotated[int, Declared(ge=1, le=64)]
    """Bits; it takes whole bytes."""
    poly: Annotated[int, Declared(ge=1)]
    """Polynomial, without its highest bit."""
    init: Annotated[int, Declared(ge=0)] = 0
    """What the register begins with."""
    refin: bool = False
    """Whether bytes go in lowest bit first."""
    refout: bool = False
    """Whether the register is turned around in the end."""
    xorout: Annotated[int, Declared(ge=0)] = 0
    """What is applied to it in the end."""


class CheckDecl(BaseModel):
    """A checksum at the end of a value, as written."""

    model_config = ConfigDict(extra="forbid", strict=True, use_attribute_docstrings=True)

    crc: str | CrcDecl | None = None
    """A CRC by its name in catalogues, such as `"CRC-16/KERMIT"`, or by its parameters, see below."""
    sum: Annotated[int, Declared(ge=8, le=64)] | None = None
    """Instead: the sum of the bytes, in so many bits."""
    xor: bool = False
    """Instead: the exclusive or of the bytes, one byte."""
    negated: bool = False
    """Of a sum: its two's complement, so that all bytes add up to zero."""
    first: Annotated[int, Declared(ge=0, le=MAX_VALUE_BYTES)] = 0
    """The first byte that it covers; it covers all from there up to itself."""
    byte_order: Order | None = None
    """Byte order of the checksum, if it differs from the characteristic's."""


class SamplesDecl(BaseModel):
    """Several samples in one value, as written."""

    model_config = ConfigDict(extra="forbid", strict=True, use_attribute_docstrings=True)

    every: str | None = None
    """Time between two samples; the last one is taken to be as old as the notification."""
    count: Annotated[int, Declared(ge=1, le=MAX_VALUE_BYTES)] | str | None = None
    """How many, or what that follows from: an earlier field that is always there, or arithmetic such as
    `"rows * columns"` or `"size // 2 - 1"`; by default, as many as fill the value."""
    at: str | None = None
    """At which byte they begin, if not right behind the other fields: the same."""
    fields: list[FieldDecl]
    """Fields of one sample, each of fixed width."""
