"""The adopted characteristics and the assigned numbers against the SIG's own descriptions (GATT Specification
Supplement and Assigned Numbers, as the package bluetooth-sig carries them; transcribed from 0.6.0). Where ours differ, the reason is
named here."""

from __future__ import annotations

import re
from fractions import Fraction

import pytest

from gateway.model.errors import UnitError
from gateway.model.units import parse_unit
from gateway.plugin.layout.model import Field
from gateway.plugin.standard.adopted import BASE_UUID, adopted, adopted_layout
from gateway.plugin.standard.assigned import assigned_units
from tests.plugin.sig import SigField, characteristics, folder, read_yaml, unit_names

# Ours say more than the description's structure does: nested records spelt out, a unit chosen by a flag as two fields,
# parts of a byte named. Their bytes are held against published vectors in test_adopted.py.
SPELT_OUT = {0x2A18, 0x2A34, 0x2A35, 0x2A36, 0x2A37, 0x2A5B, 0x2A63, 0x2A67, 0x2A9D, 0x2AA8, 0x2AAA}
NOT_DECLARED = {  # why an adopted characteristic is not in the table
    0x2A2A: "a list of another standard",
    0x2A52: "a control point, whose operand depends on its operation",
    0x2A55: "a control point",
    0x2A64: "a rest of one or another kind",
    0x2A66: "a control point",
    0x2A6B: "a control point",
    0x2AA7: "records of their own lengths",
    0x2AAC: "a control point",
    0x2ABF: "a UUID of either length",
    0x2B34: "records under conditions",
    0x2B36: "another characteristic inside",
    0x2B46: "a list of numbers",
    0x2B4D: "chosen by a selector",
    0x2BFF: "texts one behind the other",
    0x2C27: "presence told in words",
    0x2C29: "records under conditions",
}
FLAWS = {  # of the description, each with what is meant
    (0x2BE0, "lsb"): "its binary exponent has the wrong sign: the resolution beside it is 1/64 V",
    (0x2B8D, "limits"): "its limits are those of the cosine in percent of one",
    (0x2A78, "unit"): "the unit is called by a name that Assigned Numbers does not have; its resolution is 1 mm",
    (0x2A85, "unit"): "a year and a day of a date are no spans of time",
    (0x2A86, "unit"): "a year and a day of a date are no spans of time",
}
DESCRIBED = sorted(set(characteristics()) - set(NOT_DECLARED))


def fields_of(number: int) -> list[tuple[SigField, Field]]:
    """The described fields beside ours, flags left out on both sides."""
    layout = adopted_layout(BASE_UUID.format(number))
    assert layout is not None
    theirs = [one for one in characteristics()[number].fields if not one.type.startswith("boolean[")]
    ours = [one for one, _ in layout.all_fields() if one.type.name != "boolean"]
    masks = [one for one in characteristics()[number].fields if one.type.startswith("boolean[")]
    widths = [int(re.findall(r"\d+", one.type)[0]) for one in masks]
    plain = [one for one in ours if not (one.type.name == "uint" and one.bits in widths and _mask(one, masks))]
    assert len(plain) == len(theirs), f"{[one.name for one in theirs]}, ours {[one.name for one in plain]}"
    return list(zip(theirs, plain, strict=True))


def _mask(own: Field, masks: list[SigField]) -> bool:
    """Whether a field is one of described bits, kept whole."""
    wanted = {re.sub(r"[^a-z0-9]+", "_", one.name.lower()).strip("_") for one in masks}
    return own.name in wanted


def type_of(theirs: SigField) -> str:
    if "textsuperscript" in theirs.text and "1.1" in theirs.text:
        return "timeexp8"
    text = re.sub(r"^int", "sint", theirs.type)
    return "text" if text.startswith("utf8s") else {"uint64": "bytes64"}.get(text, text)


def test_every_described_characteristic_is_declared_or_named_with_the_reason() -> None:
    ours = {int(uuid[4:8], 16) for uuid in adopted()}
    assert set(characteristics()) - ours == set(NOT_DECLARED)
    assert len(ours & set(characteristics())) >= 250


@pytest.mark.parametrize("number", DESCRIBED, ids=lambda n: f"0x{n:04X}")
def test_its_name_is_the_assigned_one(number: int) -> None:
    name, own = characteristics()[number].name, adopted()[BASE_UUID.format(number)].name
    assert re.sub(r"\W|textsubscript", "", own).lower() == re.sub(r"\W|textsubscript", "", name).lower()


@pytest.mark.parametrize("number", [n for n in DESCRIBED if n not in SPELT_OUT], ids=lambda n: f"0x{n:04X}")
def test_its_fields_have_the_described_order_type_scaling_unit_limits_and_special_values(number: int) -> None:
    for theirs, own in fields_of(number):
        label = own.type.label(own.bits)
        assert label == type_of(theirs), own.name
        if label == "timeexp8":
            continue
        unit = parse_unit(assigned_units()[unit_names()[theirs.unit]].symbol) if theirs.unit in unit_names() else None
        if unit is not None and (number, "unit") not in FLAWS and not own.type.textual:
            assert unit.dimension == own.unit.dimension, own.name
        if theirs.lsb is not None and (number, "lsb") not in FLAWS:
            wanted = theirs.lsb
            try:
                wanted *= unit.to(own.unit)[0] if unit is not None else 1
            except UnitError:
                assert (number, "unit") in FLAWS
                continue
            if (number, "unit") not in FLAWS:
                assert (Fraction(own.scale.num, own.scale.den) if own.scale else 1) == wanted, own.name
        known = (
            {raw & (1 << own.bits) - 1 for raw in (*(own.reserved or {}), *(own.names or {}))} if own.bits else set()
        )
        assert set(theirs.specials) <= known, own.name
        if (
            theirs.lsb is not None
            and theirs.low is not None
            and own.low is not None
            and (number, "limits") not in FLAWS
        ):
            assert (own.low, own.high) == pytest.approx((theirs.low, theirs.high), rel=1e-6), own.name


def test_every_assigned_unit_is_known_by_its_number() -> None:
    base = folder()
    described = {int(row["uuid"]) for row in read_yaml(base / "assigned_numbers" / "uuids" / "units.yaml")["uuids"]}
    assert set(assigned_units()) == described


def test_a_span_of_time_is_that_of_the_description() -> None:
    """1.1^(N-64) s, N from 0x01 to 0xFD; 0x00 is 0 s, 0xFE the total life of the device, 0xFF not known."""
    layout = adopted_layout(BASE_UUID.format(0x2B13))
    assert layout is not None
    (field,) = layout.fields
    for raw, value in ((0, 0.0), (64, 1.0), (1, 1.1**-63), (0xFD, 1.1**189)):
        assert field.type.read(field, raw)[1] == pytest.approx(value)
        assert field.type.encode(field, value) == raw
    assert [field.type.read(field, raw)[1:] for raw in (0xFE, 0xFF)] == [
        (None, "the total life of the device"),
        (None, "not known"),
    ]
    (described,) = characteristics()[0x2B13].fields
    assert described.high == pytest.approx(1.1**189, rel=1e-3)
