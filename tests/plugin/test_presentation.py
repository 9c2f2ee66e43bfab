"""Presentation formats of nodes against layouts (GATT Specification Supplement, 0x2904; Assigned Numbers)."""

from __future__ import annotations

import pytest

from gateway.app.check import find_characteristic
from gateway.plugin.standard.assigned import presentation_format, presentation_problem, valid_range
from tests.plugin.test_layout import layout

TEMPERATURE = find_characteristic("adopted", "2A6E").layout.fields[0]


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        ("0efe2f27010000", ""),
        ("0eff2f27010000", "exponent -1"),
        ("06fe2f27010000", "format 0x06, the layout's sint16 is 0x0E"),
        ("0efe2427010000", "unit pressure (pascal)"),
        ("0efeffff010000", "not assigned"),
        ("0efe2f27", "4 bytes"),
        ("0efe0027010000", ""),  # unitless says nothing
    ],
)
def test_a_contradiction_is_named(raw: str, told: str) -> None:
    problem = presentation_problem(TEMPERATURE, bytes.fromhex(raw))
    assert (told in problem) and bool(told) == bool(problem)


@pytest.mark.parametrize(
    "field",
    [
        {"type": "uint16", "lsb": "0.01 percent"},
        {"type": "uint24", "lsb": "1 Pa"},
        {"type": "uint8", "lsb": "100 V"},
        {"type": "sint32", "lsb": "1e-7 degree"},
        {"type": "float32", "unit": "lux"},
        {"type": "boolean"},
    ],
)
def test_what_we_write_we_agree_with(field: dict[str, str]) -> None:
    rest = [{"rfu": 7}] if field["type"] == "boolean" else []
    made = layout({"name": "a", **field}, *rest).fields[0]
    written = presentation_format(made)
    assert written is not None and presentation_problem(made, written) == ""


@pytest.mark.parametrize(
    "field", [{"lsb": "1/16 g_0"}, {"lsb": "0.5 s"}, {"lsb": "1 K", "offset": "200 K"}, {"lsb": "1 foot"}]
)
def test_what_the_descriptor_cannot_express_is_left_out(field: dict[str, str]) -> None:
    made = layout({"name": "a", "type": "uint8", **field}).fields[0]
    assert presentation_format(made) is None or field == {"lsb": "1 foot"}


def test_the_valid_range_holds_both_limits_as_transmitted() -> None:
    """-40 to 85 degC at 0.1 degC is 70FE 5203: the published example."""
    made = layout({"name": "t", "type": "sint16", "lsb": "0.1 degC", "limits": ["-40 degC", "85 degC"]}).fields[0]
    assert valid_range(made) == bytes.fromhex("70fe5203")
