"""All types that a field can have. A new one is a class in a module beside this, and an entry in `TYPES`."""

from __future__ import annotations

from gateway.plugin.layout.integers import Boolean, Decimal, Gray, Signed, SignMagnitude, Unsigned
from gateway.plugin.layout.kind import FieldType
from gateway.plugin.layout.reals import Float, MedFloat, TimeExponential
from gateway.plugin.layout.texts import Bytes, DateTime, Text

UINT, SINT, BOOLEAN = Unsigned(), Signed(), Boolean()
TYPES: tuple[FieldType, ...] = (
    BOOLEAN,
    UINT,
    SINT,
    Float(),
    MedFloat(),
    TimeExponential(),
    SignMagnitude(),
    Gray(),
    Decimal(),
    DateTime(),
    Bytes(),
    Text(),
)


def type_labelled(label: str) -> tuple[FieldType, int] | None:
    """The type that logs and tables call so, with its bits; None for what is no field's, such as ``derived``."""
    name, bits = label.rstrip("0123456789"), label.lstrip("abcdefghijklmnopqrstuvwxyz")
    return next(
        ((kind, int(bits or {"boolean": 1, "datetime": 56}.get(kind.name, 0))) for kind in TYPES if kind.name == name),
        None,
    )


def type_of(text: str) -> tuple[FieldType, int] | None:
    """The type that a plugin's author wrote, with its bits; None where there is none such."""
    for kind in TYPES:
        if (found := kind.pattern.fullmatch(text)) is not None and (bits := kind.bits(found)) is not None:
            return kind, bits
    return None
