"""Sensor Measurement Lists against RFC 8428 and RFC 8798: worked examples resolve to the published records, names of
units are registered ones, and packs of ours keep the rules and give the values of the log by an independent reading."""

from __future__ import annotations

import base64
import json
import math
import re
import struct
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.host.clock import Clock
from gateway.log.store import RunFacts
from gateway.log.tail import Stretch, Tail
from gateway.log.writer import LogWriter
from gateway.model.errors import InputError
from gateway.model.records import Frame
from gateway.model.units import parse_quantity, parse_unit
from gateway.mqtt.senml.naming import REGISTERED, Sent, sent_as
from gateway.mqtt.senml.resolve import CBOR, JSON, read_pack
from gateway.mqtt.senml.write import Form, base_name, packs
from gateway.plugin import find_plugin
from gateway.plugin.standard.assigned import assigned_units
from tests.support import own_plugin

# RFC 8428, section 5.1, and what section 4.6 makes of it; 5.1.4 is the published resolution of 5.1.3, the others follow
# from the rules. Written down from memory of the RFC, and compared with the text of its last draft.
DEVICE = "urn:dev:ow:10e2073a01080063"
EXAMPLES: dict[str, tuple[list[dict[str, Any]], list[tuple[str, float, str, Any]]]] = {
    "5.1.1 single data point": ([{"n": DEVICE, "u": "Cel", "v": 23.1}], [(DEVICE, 0, "Cel", 23.1)]),
    "5.1.2 multiple data points": (
        [{"bn": f"{DEVICE}:", "n": "voltage", "u": "V", "v": 120.1}, {"n": "current", "u": "A", "v": 1.2}],
        [(f"{DEVICE}:voltage", 0, "V", 120.1), (f"{DEVICE}:current", 0, "A", 1.2)],
    ),
    "5.1.2 with base time and unit": (
        [
            {"bn": f"{DEVICE}:", "bt": 1.276020076001e09, "bu": "A", "bver": 5, "n": "voltage", "u": "V", "v": 120.1},
            *({"n": "current", "t": t, "v": v} for t, v in zip(range(-5, 0), (1.2, 1.3, 1.4, 1.5, 1.6), strict=True)),
            {"n": "current", "v": 1.7},
        ],
        [
            (f"{DEVICE}:voltage", 1276020076.001, "V", 120.1),
            *((f"{DEVICE}:current", 1276020076.001 + t, "A", v) for t, v in zip(range(-5, 1), (1.2, 1.3, 1.4, 1.5, 1.6, 1.7), strict=True)),
        ],
    ),
    "5.1.3 and 5.1.4 multiple measurements": (
        [
            {"bn": DEVICE, "bt": 1.320067464e09, "bu": "%RH", "v": 20},
            {"u": "lon", "v": 24.30621}, {"u": "lat", "v": 60.07965}, {"t": 60, "v": 20.3},
            {"u": "lon", "t": 60, "v": 24.30622}, {"u": "lat", "t": 60, "v": 60.07965}, {"t": 120, "v": 20.7},
            {"u": "lon", "t": 120, "v": 24.30623}, {"u": "lat", "t": 120, "v": 60.07966},
            {"u": "%EL", "t": 150, "v": 98}, {"t": 180, "v": 21.2},
            {"u": "lon", "t": 180, "v": 24.30628}, {"u": "lat", "t": 180, "v": 60.07967},
        ],
        [
            (DEVICE, 1.320067464e09, "%RH", 20), (DEVICE, 1.320067464e09, "lon", 24.30621),
            (DEVICE, 1.320067464e09, "lat", 60.07965), (DEVICE, 1.320067524e09, "%RH", 20.3),
            (DEVICE, 1.320067524e09, "lon", 24.30622), (DEVICE, 1.320067524e09, "lat", 60.07965),
            (DEVICE, 1.320067584e09, "%RH", 20.7), (DEVICE, 1.320067584e09, "lon", 24.30623),
            (DEVICE, 1.320067584e09, "lat", 60.07966), (DEVICE, 1.320067614e09, "%EL", 98),
            (DEVICE, 1.320067644e09, "%RH", 21.2), (DEVICE, 1.320067644e09, "lon", 24.30628),
            (DEVICE, 1.320067644e09, "lat", 60.07967),
        ],
    ),
    "5.1.5 multiple data types": (
        [
            {"bn": f"{DEVICE}:", "n": "temp", "u": "Cel", "v": 23.1}, {"n": "label", "vs": "Machine Room"},
            {"n": "open", "vb": False}, {"n": "nfc-reader", "vd": "aGkgCg"},
        ],
        [
            (f"{DEVICE}:temp", 0, "Cel", 23.1), (f"{DEVICE}:label", 0, "", "Machine Room"),
            (f"{DEVICE}:open", 0, "", False), (f"{DEVICE}:nfc-reader", 0, "", b"hi \n"),
        ],
    ),
    "5.1.6 collection of resources": (
        [
            {"bn": "2001:db8::2/", "bt": 1.320078429e09, "n": "temperature", "u": "Cel", "v": 25.2},
            {"n": "humidity", "u": "%RH", "v": 30}, {"bn": "2001:db8::1/", "n": "temperature", "u": "Cel", "v": 12.3},
            {"n": "humidity", "u": "%RH", "v": 67},
        ],
        [
            ("2001:db8::2/temperature", 1.320078429e09, "Cel", 25.2), ("2001:db8::2/humidity", 1.320078429e09, "%RH", 30),
            ("2001:db8::1/temperature", 1.320078429e09, "Cel", 12.3), ("2001:db8::1/humidity", 1.320078429e09, "%RH", 67),
        ],
    ),
}  # fmt: skip
CBOR_LABELS = {"bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6, "n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4, "s": 5, "t": 6, "ut": 7, "vd": 8}  # fmt: skip  # RFC 8428, table 4


@pytest.mark.parametrize("name", EXAMPLES)
@pytest.mark.parametrize("form", [JSON, CBOR])
def test_worked_examples_of_the_rfc_resolve_to_what_is_published(name: str, form: str) -> None:
    pack, wanted = EXAMPLES[name]
    if form == JSON:
        raw = json.dumps(pack).encode()
    else:
        plain = [
            {key: base64.urlsafe_b64decode(value + "==") if key == "vd" else value for key, value in r.items()}
            for r in pack
        ]
        raw = cbor2.dumps([{CBOR_LABELS[key]: value for key, value in record.items()} for record in plain])
    found = [
        (r.name, float(r.t), r.unit, float(r.value) if isinstance(r.value, Decimal) else r.value)
        for r in read_pack(raw, form)
    ]
    assert found == [(n, pytest.approx(t, abs=1e-6), u, v) for n, t, u, v in wanted]


def test_sums_and_base_values_add_up() -> None:
    raw = json.dumps([{"bn": "a", "bv": 10, "bs": 100, "v": 1, "s": 2}, {"n": "b"}]).encode()
    first, second = read_pack(raw, JSON)
    assert (first.value, first.sum, second.value) == (11, 102, 10)


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        (b"{}", "list of records"),
        (b"[1]", "expected a table"),
        (b"[{}", "not application/senml"),
        (b'[{"n":"a","v":1,"vs":"x"}]', "2 values"),
        (b'[{"n":"a"}]', "0 values"),
        (b'[{"n":"-a","v":1}]', "4.5.1"),
        (b'[{"n":"a b","v":1}]', "4.5.1"),
        (b'[{"v":1}]', "4.5.1"),
        (b'[{"n":"a","v":"1"}]', "expected a number"),
        (b'[{"n":"a","v":true}]', "expected a number"),
        (b'[{"n":"a","v":NaN}]', "finite|expected a number"),
        (b'[{"n":"a","v":1e999999}]', "finite"),
        (b'[{"n":"a","vb":1}]', "vb is"),
        (b'[{"n":"a","vd":"***"}]', "base64"),
        (b'[{"n":"a","v":1,"odd_":2}]', "must be understood"),
        (b'[{"bver":11,"n":"a","v":1}]', "version 11"),
        (b"[" * 100_000, "not application/senml"),
    ],
)
def test_what_is_no_pack_is_refused_with_the_place(raw: bytes, why: str) -> None:
    with pytest.raises(InputError, match=why):
        read_pack(raw, JSON)


@given(st.binary(max_size=200))
def test_no_bytes_do_more_than_be_refused(raw: bytes) -> None:
    for form in (JSON, CBOR):
        try:
            read_pack(raw, form)
        except InputError:
            pass


def test_labels_that_the_rfc_does_not_know_are_kept_aside() -> None:
    (record,) = read_pack(b'[{"n":"a","v":1,"colour":"red"}]', JSON)
    assert record.more == {"colour": "red"}


# RFC 8428, section 12.1, and RFC 8798, section 2, from memory and compared with their last drafts
PRIMARY = {"m", "kg", "g", "s", "A", "K", "cd", "mol", "Hz", "rad", "sr", "N", "Pa", "J", "W", "C", "V", "F", "Ohm", "S", "Wb", "T", "H", "Cel", "lm", "lx", "Bq", "Gy", "Sv", "kat", "m2", "m3", "l", "m/s", "m/s2", "m3/s", "l/s", "W/m2", "cd/m2", "bit", "bit/s", "lat", "lon", "pH", "dB", "dBW", "Bspl", "count", "/", "%", "%RH", "%EL", "EL", "1/s", "1/min", "beat/min", "beats", "S/m", "B", "VA", "VAs", "var", "vars", "J/m", "kg/m3", "deg", "NTU"}  # fmt: skip
SECONDARY = [  # RFC 8798, table 2: name, primary, scale, offset; ours
    ("ms", "s", "1/1000", 0, "ms"), ("min", "s", "60", 0, "min"), ("h", "s", "3600", 0, "h"), ("kW", "W", "1000", 0, "kW"),
    ("kVA", "VA", "1000", 0, "kilovolt_ampere"), ("Ah", "C", "3600", 0, "ampere_hour"), ("Wh", "J", "3600", 0, "watt_hour"),
    ("kWh", "J", "3600000", 0, "kWh"), ("mV", "V", "1/1000", 0, "mV"),
    ("mA", "A", "1/1000", 0, "mA"), ("dBm", "dBW", "1", -30, "dBm"), ("ug/m3", "kg/m3", "1/1000000000", 0, "microgram/m**3"),
    ("mm/h", "m/s", "1/3600000", 0, "mm/h"), ("ppm", "/", "1/1000000", 0, "ppm"), ("hPa", "Pa", "100", 0, "hPa"),
    ("mm", "m", "1/1000", 0, "mm"), ("km/h", "m/s", "5/18", 0, "km/h"), ("cm", "m", "1/100", 0, "cm"), ("km", "m", "1000", 0, "km"),
]  # fmt: skip


def test_units_that_are_sent_are_primary_ones_of_the_registry() -> None:
    assert set(REGISTERED) | {"/", "%RH", "%EL", "dBW"} <= PRIMARY
    for ours in REGISTERED.values():
        parse_unit(ours)


@pytest.mark.parametrize(("name", "primary", "scale", "offset", "ours"), SECONDARY)
def test_secondary_units_are_sent_in_the_primary_one_by_the_registry_s_scale(
    name: str, primary: str, scale: str, offset: float, ours: str
) -> None:
    sent = sent_as("x", ours, None, "x")
    assert (sent.unit, sent.gain, sent.zero) == (primary, pytest.approx(float(Fraction(scale)), rel=1e-12), offset)


@pytest.mark.parametrize(
    ("name", "symbol", "role", "unit", "example", "value"),
    [
        ("temperature", "degC", None, "Cel", "21.5", 21.5),
        ("temperature", "degF", None, "Cel", "212", 100.0),
        ("temperature", "K", None, "K", "293.15", 293.15),
        ("humidity", "percent", None, "%RH", "40", 40.0),
        ("level", "percent", "battery", "%EL", "98", 98.0),
        ("duty", "percent", None, "/", "50", 0.5),
        ("x", "g_0", None, "m/s2", "1", 9.80665),
        ("turns", "rpm", None, "1/s", "90", 1.5),
        ("heart", "bpm", None, "1/s", "120", 2.0),
        ("count", "", None, "", "7", 7.0),
    ],
)
def test_values_are_sent_in_the_unit_the_registry_has(
    name: str, symbol: str, role: str | None, unit: str, example: str, value: float
) -> None:
    sent = sent_as(name, symbol, role, name)
    assert sent.unit == unit
    assert float(parse_quantity(example).value) * sent.gain + sent.zero == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("symbol", ["N*m", "J/m**3", "W/steradian", "rad/s", "W/m**2/steradian", "lumen*h"])
def test_a_unit_of_another_quantity_with_the_same_dimension_stands_in_the_name(symbol: str) -> None:
    """A torque is no energy, an energy density no pressure, an angular velocity no event rate."""
    assert sent_as("x", symbol, None, "x_own") == Sent("x_own", "")


@pytest.mark.parametrize(
    ("name", "symbol", "unit", "gain"),
    [
        ("x", "kilovolt_ampere", "VA", 1000.0),
        ("x", "kilovolt_ampere*h", "VAs", 3.6e6),
        ("x", "var", "var", 1.0),
        ("x", "kilovar*h", "vars", 3.6e6),
        ("x", "volt*ampere", "", 1.0),
        ("latitude", "deg", "lat", 1.0),
        ("longitude", "rad", "lon", 180 / math.pi),
        ("x", "deg", "deg", 1.0),
        ("x", "ppb", "/", 1e-9),
        ("x", "milligram/deciliter", "kg/m3", 0.01),
    ],
)
def test_units_that_rfc_8798_adds_are_sent_by_their_names(name: str, symbol: str, unit: str, gain: float) -> None:
    sent = sent_as(name, symbol, None, "column")
    assert (sent.unit, sent.gain) == (unit, pytest.approx(gain, rel=1e-9))


def test_every_assigned_unit_is_sent_in_a_unit_of_the_registry_or_by_name() -> None:
    assert len(assigned_units()) > 100
    for known in assigned_units().values():
        sent = sent_as("x", known.symbol, None, "x_own")
        assert sent.unit in PRIMARY | {""}
        assert sent.unit or sent.name == ("x_own" if known.symbol else "x")


def test_a_unit_that_the_registry_does_not_have_stands_in_the_name() -> None:
    sent = sent_as("drift", "1/K", None, "drift_1_per_K")
    assert (sent.name, sent.unit, sent.gain) == ("drift_1_per_K", "", 1.0)


@given(st.text(min_size=1), st.text(min_size=1))
def test_names_hold_only_what_the_rfc_allows(host: str, node: str) -> None:
    assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", base_name(host, node, "c"))


def stretches(path: Path) -> list[Stretch]:
    with Tail(path) as tail:
        head, _ = tail.heads()
        return list(tail.stretches(1, head))


def logged(path: Path, plugin: Any, raws: dict[str, list[bytes]]) -> None:
    clock = Clock()
    writer = LogWriter(path, RunFacts("t", clock.now_ns(), None, "virtual", "", "", {"n": (plugin, "n")}))
    for channel, own in raws.items():
        for raw in own:
            writer.frame(Frame(clock.now_ns(), "n", channel, raw))
    writer.close(clock.now_ns(), "test")


def valid(pack: list[dict[str, Any]]) -> None:
    """The rules of RFC 8428, sections 4 and 12.2, and of its CDDL in section 11."""
    types: dict[str, Any] = {"bn": str, "bt": (int, float), "n": str, "u": str, "v": (int, float), "vs": str, "vb": bool, "vd": str, "t": (int, float)}  # fmt: skip
    for record in pack:
        assert set(record) <= set(types) and all(isinstance(value, types[key]) for key, value in record.items())
        assert sum(key in record for key in ("v", "vs", "vb", "vd")) == 1
        assert record.get("u", "m") in PRIMARY
        if "v" in record:
            assert not isinstance(record["v"], bool) and math.isfinite(record["v"])


@pytest.mark.parametrize("form", ["json", "cbor"])
def test_packs_of_every_type_keep_the_rules_and_give_the_values_back(tmp_path: Path, form: Form) -> None:
    plugin = own_plugin(
        tmp_path,
        'fields = [{ name = "frame", type = "uint8" }, { name = "wet", type = "boolean" }, { name = "lid", type = "boolean", names = { 0 = "shut", 1 = "open" } }, { rfu = 6 }, { name = "state", type = "uint8", names = { 0 = "a \\"b\\" %s", 1 = "ü" } }, '
        '{ name = "t", type = "sint16", lsb = "0.01 degC", reserved = { 0x8000 = "not known" } }, { name = "f", type = "float32", unit = "1/K" }, { name = "rest", type = "uint8[]" }]',
    )
    raws = [
        struct.pack("<BBBhf", 7, 1, 0, 2150, 0.5) + b"\xff\x00",
        struct.pack("<BBBhf", 8, 0, 1, -32768, math.inf),
        struct.pack("<BBBhf", 9, 0, 9, 1, 1e38) + bytes(3),
        b"\x01",
    ]
    logged(tmp_path / "log.db", plugin, {"c": raws})
    (stretch,) = stretches(tmp_path / "log.db")
    ((raw, frames, records),) = packs(stretch, "rack 3", form, 100)
    found = read_pack(raw, JSON if form == "json" else CBOR)
    assert frames == 4 and records == len(found)
    by_frame: list[dict[str, Any]] = []
    for record in found:
        name = record.name.removeprefix("rack_3:n:c:")
        if name == "frame":
            by_frame.append({"t_ns": int(record.t * 10**9)})
        if by_frame:
            by_frame[-1][name] = record.value
    assert [one["raw"] for one in by_frame] == raws
    assert [one["t_ns"] for one in by_frame] == [row[1] for row in stretch.rows]
    first, second, third, fourth = by_frame
    assert first | {"t_ns": 0} == {
        "frame": 1, "t_ns": 0, "raw": raws[0], "frame_value": 7, "wet": True, "lid": "shut", "state": 'a "b" %s',
        "t": pytest.approx(Decimal("21.5")), "f_1_per_K": Decimal("0.5"), "rest": b"\xff\x00",
    }  # fmt: skip
    assert "t" not in second and "f_1_per_K" not in second and second["state"] == "ü"
    assert third["state"] == "unnamed 9"
    assert set(fourth) == {"frame", "t_ns", "raw", "fault"} and "1 byte" in str(fourth["fault"])
    if form == "json":
        valid(json.loads(raw))


def test_samples_have_times_of_their_own(tmp_path: Path) -> None:
    plugin = find_plugin("loan-crate")
    logged(tmp_path / "log.db", plugin, {"shock": [bytes([3]) + bytes.fromhex("8000008000 4000800000")]})
    (stretch,) = stretches(tmp_path / "log.db")
    ((raw, _, _),) = packs(stretch, "rack", "json", 100)
    valid(json.loads(raw))
    x = [record for record in read_pack(raw, JSON) if record.name.endswith(":x")]
    assert [float(record.value) for record in x] == [pytest.approx(9.80665), pytest.approx(4.903325)]  # type: ignore[arg-type]
    assert x[1].t - x[0].t == Decimal("0.01") and x[1].unit == "m/s2"
    assert int(x[1].t * 10**9) == stretch.rows[0][1]


@given(st.lists(st.binary(min_size=9, max_size=9), min_size=1, max_size=20))
def test_any_values_are_read_back_as_they_are_in_the_log(raws: list[bytes]) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        logged(Path(folder) / "log.db", find_plugin("loan-crate"), {"climate": raws})
        (stretch,) = stretches(Path(folder) / "log.db")
    (json_pack,) = [read_pack(raw, JSON) for raw, _, _ in packs(stretch, "h", "json", 100)]
    (cbor_pack,) = [read_pack(raw, CBOR) for raw, _, _ in packs(stretch, "h", "cbor", 100)]
    assert [(r.name, r.t, r.unit, r.value) for r in json_pack] == [(r.name, r.t, r.unit, r.value) for r in cbor_pack]
    temperatures = [float(r.value) for r in json_pack if r.name.endswith(":temperature")]  # type: ignore[arg-type]
    meant = [struct.unpack_from("<h", raw, 2)[0] for raw in raws]
    assert temperatures == [number / 100 for number in meant if number != -0x8000]
