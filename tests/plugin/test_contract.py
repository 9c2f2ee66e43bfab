"""What a plugin declares, as others read it: compilers judge the C, and its bytes are those of the Python codec."""

from __future__ import annotations

import json
import math
import operator
import struct
import subprocess
from fractions import Fraction
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.capture.text import TextCapture
from gateway.model.errors import DecodeError, InputError
from gateway.model.records import Frame
from gateway.plugin import Characteristic, Plugin, find_plugin, load_plugin
from gateway.plugin.contract import c_files, markdown, schema
from gateway.plugin.contract.schema import example
from gateway.plugin.contract.vectors import vectors
from gateway.plugin.layout.codec import OUTSIDE
from gateway.plugin.layout.model import Layout
from tests.plugin.test_layout import layouts
from tests.plugin.test_messages import talker
from tests.support import needs_program, own_plugin

GCC = ["gcc", "-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-Wconversion", "-fsanitize=undefined,address"]
GXX = ["g++", "-x", "c++", "-std=c++17", "-Wall", "-Wextra", "-Werror", "-pedantic", "-c", "-o", "/dev/null"]
KINDS = ["loan-crate", "bore-gauge", "crate-journal", "bore-station"]
RICH = """
byte_order = "big"
fields = [
  { name = "class", type = "uint4" }, { name = "odd", type = "sint12", lsb = "1/16 K", unit = "K" },
  { name = "flag", type = "boolean" }, { rfu = 7 },
  { name = "big", type = "sint64", when = "flag" }, { name = "half", type = "float16", when = "not flag" },
  { name = "tag", type = "uint8[3]" }, { name = "n", type = "uint8" },
  { name = "steps", type = "gray12" }, { name = "shift", type = "smag12", lsb = "0.5 V" },
  { name = "digits", type = "bcd16" }, { name = "when", type = "datetime" },
]
samples = { count = "n", fields = [{ name = "x", type = "sint24", lsb = "0.001 V" }, { name = "m", type = "medfloat16" }] }
"""


def run(*command: str | Path) -> str:
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def written(plugin: Plugin, folder: Path) -> tuple[str, list[Path]]:
    """The name of the files, and the C ones among them."""
    folder.mkdir(exist_ok=True)
    for name, text in c_files(plugin).items():
        (folder / name).write_text(text, encoding="utf-8")
    return plugin.kind.replace("-", "_"), sorted(folder.glob("*.c"))


ENDS = """
fields = [
  { name = "flag", type = "boolean" }, { name = "fine", type = "boolean" }, { rfu = 6 },
  { name = "mass", type = "uint16", lsb = "0.001 kg", when = "flag and not fine" },
  { name = "volume", type = "uint24", lsb = "0.001 liter", when = "flag and fine" },
  { name = "crc", type = "uint16", when = "more" },
]
"""


GRID = """
fields = [
  { name = "kind", type = "uint8" },
  { name = "rows", type = "uint4" },
  { name = "columns", type = "uint4" },
  { name = "first", type = "uint8", when = "kind & 0x0F >= 2" },
]
samples = { count = "rows * columns", at = "rows + 3", fields = [{ name = "x", type = "sint16", lsb = "0.5 mm" }] }
"""
CHECKED = """
fields = [{ name = "a", type = "uint12" }, { name = "b", type = "sint4" }]
samples = { fields = [{ name = "x", type = "uint8" }] }
check = { crc = { width = 12, poly = 0x80F, init = 0x123, refin = true, refout = false, xorout = 0x5 }, byte_order = "big", first = 1 }
"""
SUMMED = 'fields = [{ name = "a", type = "uint24" }]\ncheck = { sum = 16, negated = true }\n'
XORED = 'fields = [{ name = "a", type = "uint24" }]\ncheck = { xor = true }\n'


def all_plugins(folder: Path) -> list[Plugin]:
    return [
        *(own_plugin(folder / name, text) for name, text in (("crc", CHECKED), ("sum", SUMMED), ("xor", XORED))),
        *(find_plugin(kind) for kind in KINDS),
        talker(folder / "messages"),
        own_plugin(folder / "rich", RICH),
        own_plugin(folder / "ends", ENDS),
        own_plugin(folder / "grid", GRID),
    ]


@needs_program("gcc")
def test_gcc_takes_the_c_and_its_vectors_hold(tmp_path: Path) -> None:
    for plugin in all_plugins(tmp_path):
        name, sources = written(plugin, tmp_path / plugin.kind)
        program = tmp_path / f"{name}-check"
        run(*GCC, f"-D{name.upper()}_MAIN", *map(str, sources), "-o", str(program))
        assert run(program) == "0 test vectors failed\n"


@needs_program("g++")
def test_gxx_takes_it_as_cpp17(tmp_path: Path) -> None:
    for plugin in all_plugins(tmp_path):
        for source in written(plugin, tmp_path / plugin.kind)[1]:
            run(*GXX, str(source))


NARROW = """
fields = [
  { name = "mode", type = "uint2" }, { name = "on", type = "boolean" }, { name = "low", type = "sint5" },
  { name = "weight", type = "sint24" }, { name = "n", type = "uint4" }, { rfu = 4 },
]
samples = { count = "n", fields = [{ name = "x", type = "uint12" }, { rfu = 4 }] }
"""


@needs_program("gcc")
@pytest.mark.parametrize(
    ("change", "result"),
    [
        ("", "OK"),
        ("value.mode = 7;", "RANGE"),
        ("value.on = 4;", "RANGE"),
        ("value.low = 16;", "RANGE"),
        ("value.low = -17;", "RANGE"),
        ("value.weight = 8388608;", "RANGE"),
        ("value.weight = -8388608;", "OK"),
        ("value.n = 5;", "COUNT"),
        ("value.sample_count = 2;", "COUNT"),
        ("value.sample[1].x = 4096;", "RANGE"),
        ("room = 5;", "NO_ROOM"),
    ],
)
def test_the_c_refuses_what_does_not_fit_and_says_why(tmp_path: Path, change: str, result: str) -> None:
    name, sources = written(own_plugin(tmp_path, NARROW), tmp_path / "c")
    program = f"""
#include "{name}.h"
#include <string.h>
int main(void)
{{
    struct own_c value;
    uint8_t out[64];
    size_t room = sizeof out, length = 99;
    memset(&value, 0, sizeof value);
    value.n = 3;
    value.sample_count = 3;
    {change}
    const enum own_result result = own_c_pack(&value, out, room, &length);
    return result == OWN_{result} && length == (result == OWN_OK ? 11u : 0u) ? 0 : 1;
}}
"""
    (tmp_path / "main.c").write_text(program)
    built = [str(path) for path in sources if not path.name.endswith("check.c")]
    run(*GCC, "-I", str(tmp_path / "c"), *built, str(tmp_path / "main.c"), "-o", str(tmp_path / "main"))
    run(str(tmp_path / "main"))


def harness(item: Characteristic, own: str) -> str:
    """A program that reads payloads in hex, a line each, and writes what unpacks and packs again."""
    return f"""
#include "own.h"
#include <stdio.h>
#include <string.h>
int main(void)
{{
    static char line[4096];
    while (fgets(line, sizeof line, stdin)) {{
        static uint8_t in[2048], out[2048];
        struct {own} value;
        size_t n = 0;
        unsigned byte;
        while (sscanf(line + 2 * n, "%2x", &byte) == 1) {{ in[n++] = (uint8_t)byte; }}
        size_t size = 0;
        if ({own}_unpack(&value, in, n) != OWN_OK) {{ printf("no\\n"); continue; }}
        if ({own}_pack(&value, out, sizeof out, &size) != OWN_OK) {{ printf("refused\\n"); continue; }}
        for (size_t i = 0; i < size; i++) {{ printf("%02x", out[i]); }}
        printf("\\n");
    }}
    return 0;
}}
"""


def again(layout: Layout, item: Characteristic, raw: bytes) -> str:
    """What Python makes of a payload and its own transmitted numbers: reserved bits are zero."""
    from gateway.plugin.layout.codec import fit

    try:
        held = fit(layout, raw, "x")
    except DecodeError:
        return "no"
    out = bytearray(len(raw))

    def copy(fields: Any, start: int) -> None:
        for field in fields:
            for i in range(field.bits):
                at = start * 8 + field.bit + i
                # bits count from bit 0 in a little-endian field, from bit 7 in a big-endian one
                mask = 1 << at % 8 if field.order == "little" else 0x80 >> at % 8
                out[at // 8] |= raw[at // 8] & mask

    for block, start in held.blocks:
        copy(block.fields, start)
    if layout.samples is not None:
        for number in range(held.count):
            copy(layout.samples.fields, held.rest + number * layout.samples.size)
    if layout.tail is not None:
        out[held.rest :] = raw[held.rest :]
    return out.hex()


@needs_program("gcc")
@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(layouts(), st.data())
def test_the_bytes_are_those_of_the_python_codec_for_any_layout(
    tmp_path_factory: pytest.TempPathFactory, layout: Layout, data: st.DataObject
) -> None:
    """Thousands of payloads of layouts that Hypothesis makes: what C unpacks and packs again is what Python does."""
    folder = tmp_path_factory.mktemp("c")
    service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
    item = Characteristic("c", "c", service.replace("0010", "0011", 1), service, frozenset({"notify"}), layout)
    plugin = Plugin("own", "own", folder, "", {"c": item}, {}, {})
    _, sources = written(plugin, folder / "out")
    (folder / "out" / "main.c").write_text(harness(item, "own_c"))
    program = folder / "program"
    run(
        *GCC[:-2],
        "-fsanitize=undefined",
        "-I",
        str(folder / "out"),
        *map(str, sources),
        str(folder / "out" / "main.c"),
        "-o",
        str(program),
    )
    size = layout.samples.size if layout.samples else 1
    lengths = sorted(
        {n for base in (0, layout.head, *(b.size for b in layout.blocks)) for n in (base, base + size, base + 2 * size)}
    )
    rng = data.draw(st.randoms(use_true_random=False))
    payloads = [rng.randbytes(rng.choice(lengths) + rng.choice((0, 0, 0, 1))) for _ in range(400)]
    lines = "".join(raw.hex() + "\n" for raw in payloads)
    done = subprocess.run([program], input=lines, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0 and not done.stderr, done.stderr
    got = done.stdout.splitlines()
    for raw, line in zip(payloads, got, strict=True):
        expected = again(layout, item, raw)
        if line == "no" and expected != "no":  # more samples than a characteristic's 512 bytes hold
            assert len(raw) > 500
            continue
        assert line == expected, raw.hex()


@needs_program("gcc")
def test_scaling_is_that_of_the_units(tmp_path: Path) -> None:
    """Against exact fractions: every LSB here, in thousandths of its unit, halves to even."""
    plugin = find_plugin("loan-crate")
    written(plugin, tmp_path)
    cases = []
    for item in plugin.characteristics.values():
        for field, _ in item.layout.all_fields():
            if field.scale is not None and field.bits <= 32:
                low, high = field.raw_range
                for raw in {low, high, 0, 1, high // 2, high // 3, low // 3}:
                    value = Fraction(raw * field.scale.num + field.scale.add, field.scale.den)
                    cases.append((raw, field.scale, round(value * 1000)))
    calls = "".join(
        f'    printf("%lld %lld\\n", (long long)loan_crate_value({raw}, {s.num}, {s.add}, {s.den}, 1000), '
        f"(long long)loan_crate_raw({value}, {s.num}, {s.add}, {s.den}, 1000));\n"
        for raw, s, value in cases
    )
    (tmp_path / "main.c").write_text(
        f'#include "loan_crate.h"\n#include <stdio.h>\nint main(void)\n{{\n{calls}    return 0;\n}}\n'
    )
    run(*GCC, *map(str, sorted(tmp_path.glob("*.c"))), "-o", str(tmp_path / "program"))
    for line, (_, scale, value) in zip(run(tmp_path / "program").splitlines(), cases, strict=True):
        back = scale.invert(Fraction(value, 1000))
        assert line.split() == [str(value), str(back)]


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_plugin_gives_the_same_text(kind: str) -> None:
    plugin, again_ = find_plugin(kind), find_plugin(kind)
    assert c_files(plugin) == c_files(again_)
    assert (markdown(plugin), schema(plugin)) == (markdown(again_), schema(again_))


@pytest.mark.parametrize("kind", KINDS)
def test_the_table_tells_every_characteristic_and_field(kind: str) -> None:
    plugin = find_plugin(kind)
    text = markdown(plugin)
    for item in plugin.characteristics.values():
        assert f"## {item.name}\n" in text and item.uuid in text
        for field, _ in item.layout.all_fields():
            assert f"| {field.name}" in text
    rows = [line for line in text.splitlines() if line.startswith("|")]
    assert all(line.endswith("|") for line in rows)


@pytest.mark.parametrize("kind", KINDS)
def test_examples_have_the_shape_that_their_schema_lays_down(kind: str) -> None:
    document = json.loads(schema(find_plugin(kind)))
    for item in document["characteristics"].values():
        shape = item["value"]
        for one in item["examples"]:
            assert set(one["value"]) <= set(shape["properties"])
            assert set(shape["required"]) <= set(one["value"])


def read_by(layout: dict[str, Any], raw: bytes) -> dict[str, Any]:
    """What an app reads, with nothing but the JSON at hand: written for this test, from the words of the contract."""

    def raw_of(field: dict[str, Any], part: bytes) -> int:
        if field["byte_order"] == "little":
            return int.from_bytes(part, "little") >> field["bit"] & (1 << field["bits"]) - 1
        return int.from_bytes(part, "big") >> (8 * len(part) - field["bit"] - field["bits"]) & (1 << field["bits"]) - 1

    def holds(one: dict[str, Any], raws: dict[str, int]) -> bool:
        try:
            number = eval(one["value"], {}, raws)  # noqa: S307  arithmetic of our own making
        except NameError:  # a field that is absent
            return False
        tests = {"==": operator.eq, "!=": operator.ne, "<=": operator.le, ">=": operator.ge}
        return bool(tests[one["test"]](number, one["number"]))

    def value_of(field: dict[str, Any], part: bytes) -> Any:
        number, kind, bits = raw_of(field, part), field["type"], field["bits"]
        if kind.startswith("sint") and number >> (bits - 1):
            number -= 1 << bits
        if str(number) in field["no_reading"]:
            return None
        if field["names"]:
            return field["names"].get(str(number), f"unnamed {number}")
        if kind.startswith("float"):
            real = struct.unpack({16: "<e", 32: "<f", 64: "<d"}[bits], number.to_bytes(bits // 8, "little"))[0]
            return real if math.isfinite(real) else None
        if (scale := field["scale"]) is not None:
            return (number * scale["num"] + scale["add"]) / scale["den"]
        return number

    found: dict[str, Any] = {}
    raws: dict[str, int] = {}
    at = 0
    if (check := layout["check"]) is not None:
        raw = raw[: -check["bytes"]]
    for block in layout["blocks"]:
        when = block["only_where"]
        if when is not None:
            there = all(holds(one, raws) for one in when["all"])
            if not there or (when["value_goes_on"] and at == len(raw)):
                continue
        part, at = raw[at : at + block["bytes"]], at + block["bytes"]
        for field in block["fields"]:
            found[field["name"]], raws[field["name"]] = value_of(field, part), raw_of(field, part)
    if (group := layout["samples"]) is not None:
        found["samples"] = []
        at = at if group["at"] is None else eval(group["at"], {}, raws)  # noqa: S307
        while at < len(raw):
            part, at = raw[at : at + group["bytes"]], at + group["bytes"]
            found["samples"].append({field["name"]: value_of(field, part) for field in group["fields"]})
    if (tail := layout["tail"]) is not None:
        found[tail["name"]] = raw[at:].hex() if tail["type"] == "bytes" else raw[at:].decode()
    return found


def alike(a: Any, b: Any) -> bool:
    """Whether two decoded values are the same, floats to 12 digits."""
    if isinstance(a, dict):
        return a.keys() == b.keys() and all(alike(a[key], b[key]) for key in a)
    if isinstance(a, list):
        return len(a) == len(b) and all(map(alike, a, b))
    if isinstance(a, float) and isinstance(b, int | float):
        return bool(a == pytest.approx(b, rel=1e-12, nan_ok=True))
    return bool(a == b)


@pytest.mark.parametrize("kind", [*KINDS, "ends", "grid"])
def test_a_reader_that_knows_nothing_but_the_json_decodes_every_recorded_stream(kind: str, tmp_path: Path) -> None:
    plugin = find_plugin(kind) if kind in KINDS else own_plugin(tmp_path, {"ends": ENDS, "grid": GRID}[kind])
    document = json.loads(schema(plugin))["characteristics"]
    payloads = [(item.name, vector.raw) for item in plugin.characteristics.values() for vector in vectors(item)]
    for capture in (plugin.path / "streams").glob("*.capture"):
        with TextCapture(capture) as text:
            payloads += [(one.channel, one.raw) for one in text.records() if isinstance(one, Frame)]
    assert len(payloads) > (30 if kind in KINDS else 5)
    read = 0
    for name, raw in payloads:
        try:
            expected = example(plugin.characteristics[name], raw)
        except DecodeError:
            continue
        found = read_by(document[name]["layout"], raw)
        assert alike(found, expected), (name, raw)
        read += 1
    assert read > (30 if kind in KINDS else 5)


@pytest.mark.parametrize("kind", KINDS)
def test_examples_are_valid_by_jsonschema_and_within_the_limits(kind: str) -> None:
    """The package jsonschema, from the registry, as the referee of draft 2020-12."""
    plugin = find_plugin(kind)
    for name, item in json.loads(schema(plugin))["characteristics"].items():
        jsonschema.Draft202012Validator.check_schema(item["value"])
        for one in item["examples"]:
            jsonschema.validate(one["value"], item["value"])
            readings = plugin.characteristics[name].codec.read(bytes.fromhex(one["bytes"]))
            assert not [r for r in readings if r.reason == OUTSIDE], (name, one)


def test_the_table_has_what_it_takes_to_write_app_and_firmware(tmp_path: Path) -> None:
    text = markdown(find_plugin("bore-gauge"))
    assert "Little-endian." in text and "after power-up" in text and "Out of Range (0xFF)" in text
    assert "`pressure` in hPa is not sent but worked out: `(zero + gain * n)" in text
    assert "calibration.zero" in text and "(read from the node)" in text
    narrow = markdown(own_plugin(tmp_path, NARROW))
    assert "| 4 | 4 to 7 | reserved | 4 bits | sent as 0, to be ignored |" in narrow
    assert "| 5 + 2i to 6 + 2i | 0 to 11 | x (in each sample of 2 bytes: n times) |" in narrow


def test_sensors_are_in_the_header() -> None:
    """The loan crate's climate period: LSB 50 ms, 50 ms to 10 min, 1 s by default."""
    text = c_files(find_plugin("loan-crate"))["loan_crate.h"]
    for line in (
        "#define LOAN_CRATE_SENSOR_CLIMATE_ON 0x1u",
        "#define LOAN_CRATE_SENSOR_CLIMATE_PERIOD_SHORTEST 0x1u",
        "#define LOAN_CRATE_SENSOR_CLIMATE_PERIOD_LONGEST 0x2EE0u",
        "#define LOAN_CRATE_SENSOR_CLIMATE_PERIOD_DEFAULT 0x14u",
        "#define LOAN_CRATE_UUID_BATTERY { 0x19, 0x2A }",
        "#define LOAN_CRATE_CLIMATE_TEMPERATURE_IS_NOT_KNOWN (-32768)",
    ):
        assert line in text, line


def test_names_of_c_and_hostile_titles_do_no_harm(tmp_path: Path) -> None:
    plugin = own_plugin(tmp_path, RICH.replace('"class"', '"int"') + 'title = "x */ int evil; /* \\\\ ??/"\n')
    header = c_files(plugin)["own.h"]
    assert "int_;" in header
    assert "/* x * / int evil; / * / ? ?/: notify" in header  # one comment from end to end


def test_vectors_hold_what_they_say(tmp_path: Path) -> None:
    for plugin in all_plugins(tmp_path):
        for item in plugin.characteristics.values():
            made = vectors(item)
            assert made and len({vector.raw for vector in made}) == len(made)
            for vector in made:
                assert example(item, vector.raw) is not None


def test_numbers_stand_in_the_table_as_they_go_over_the_air_and_one_byte_is_one(tmp_path: Path) -> None:
    text = markdown(find_plugin("loan-crate"))
    assert "0x8000: not known" in text and "-0x" not in text
    assert "1 byte." in text and "1 bytes" not in text.lower()


OWN_UUID = 'uuid = "b1c700{:02}-5d1e-4c1b-9a77-2f0d3c6e0001"\nservice = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"\nproperties = ["notify"]\n'
ODD_NAMES = {
    "a characteristic called result": '[characteristic.result]\n{}fields = [{{ name = "a", type = "uint8" }}]\n',
    "macros and words of other modes": "[characteristic.c]\n{}fields = ["
    + ", ".join(
        f'{{{{ name = "{n}", type = "uint8" }}}}'
        for n in ("unix", "linux", "typeof", "uint8_t", "size_t", "errno", "concept")
    )
    + "]\n",
    "nothing but reserved bits": "[characteristic.c]\n{}fields = [{{ rfu = 8 }}]\n",
    "helpers": '[characteristic.c]\n{}fields = [{{ name = "sum_of", type = "uint8" }}, {{ name = "xor_of", type = "uint8" }}]\n',
    "one name in two optional ends": '[characteristic.c]\n{}fields = [{{ name = "flag", type = "uint8" }}, '
    '{{ name = "x", type = "uint8", when = "flag == 1 and more" }}, {{ name = "x", type = "uint8", when = "flag == 2 and more" }}]\n',
    "a comment's end": '[characteristic.a]\n{}fields = []\nunpack = {{ by = "text", separator = "*/", columns = 1 }}\n'
    '[characteristic.i]\nwithin = "a"\nfields = [{{ name = "t", type = "float64" }}]\n',
    "macros of sizes": '[characteristic.bytes]\n{}fields = [{{ name = "a", type = "uint8", limits = ["1", "3"] }}]\n'
    '[characteristic.a_lowest]\n{}fields = [{{ name = "a", type = "uint16" }}]\n',
}


@needs_program("gcc")
@needs_program("g++")
@pytest.mark.parametrize("case", ODD_NAMES)
def test_odd_names_are_compiled_in_every_mode(tmp_path: Path, case: str) -> None:
    text = ODD_NAMES[case].format(*(OWN_UUID.format(number) for number in (11, 12)))
    folder = tmp_path / "own"
    folder.mkdir()
    (folder / "plugin.toml").write_text(f'[plugin]\nkind = "own"\ntitle = "Own"\n{text}')
    _, sources = written(load_plugin(folder), tmp_path / "out")
    for compiler in (
        ("gcc", "-std=c99", "-pedantic"),
        ("gcc",),
        ("g++", "-x", "c++", "-std=c++17"),
        ("g++", "-x", "c++"),
    ):
        run(
            *compiler,
            "-Wall",
            "-Wextra",
            "-Werror",
            "-DOWN_MAIN",
            "-I",
            tmp_path / "out",
            *sources,
            "-o",
            tmp_path / "x",
        )
    run(tmp_path / "x")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[characteristic.c]\n{}fields = [{{ name = \"int\", type = \"uint8\" }}, {{ name = \"int_\", type = \"uint8\" }}]\n", "int_"),
        ("[characteristic.a]\n{}fields = []\nunpack = {{ by = \"delimiter\", coding = \"COBS\" }}\n[characteristic.i]\nwithin = \"a\"\n"
         "fields = [{{ name = \"t\", type = \"utf8s\" }}]\n[characteristic.a_cutting]\n{}fields = [{{ name = \"a\", type = \"uint8\" }}]\n",
         "own_a_cutting"),
    ],
)  # fmt: skip
def test_what_would_have_one_name_in_c_is_told(tmp_path: Path, text: str, told: str) -> None:
    folder = tmp_path / "own"
    folder.mkdir()
    filled = text.format(*(OWN_UUID.format(number) for number in (11, 12)))
    (folder / "plugin.toml").write_text(f'[plugin]\nkind = "own"\ntitle = "Own"\n{filled}')
    with pytest.raises(InputError, match=f"would stand twice in C: {told}"):
        c_files(load_plugin(folder))


@needs_program("gcc")
def test_one_name_for_numbers_of_different_types_holds_either(tmp_path: Path) -> None:
    fields = """fields = [
  { name = "flag", type = "uint8" },
  { name = "x", type = "uint8", lsb = "1 K", when = "flag == 1" },
  { name = "x", type = "sint16", lsb = "0.1 K", when = "flag == 2" },
]
"""
    _, sources = written(own_plugin(tmp_path, fields), tmp_path / "out")
    (tmp_path / "main.c").write_text(
        """#include "own.h"
int main(void)
{
    const uint8_t in[3] = {2, 0x2E, 0xF6};
    uint8_t out[3];
    size_t length = 0;
    struct own_c value;
    if (own_c_unpack(&value, in, 3) != OWN_OK || value.x != -2514) { return 1; }
    if (own_c_pack(&value, out, 3, &length) != OWN_OK || length != 3 || out[2] != 0xF6) { return 2; }
    value.flag = 1;
    return own_c_pack(&value, out, 3, &length) == OWN_RANGE ? 0 : 3;
}
"""
    )
    run(*GCC, "-I", tmp_path / "out", *sources, tmp_path / "main.c", "-o", tmp_path / "x")
    run(tmp_path / "x")


@needs_program("gcc")
def test_a_message_longer_than_any_value_has_room_in_its_struct(tmp_path: Path) -> None:
    inner = (
        '[characteristic.inner]\nwithin = "c"\nfields = []\nsamples = { fields = [{ name = "x", type = "sint32" }] }\n'
    )
    text = 'fields = []\nunpack = { by = "delimiter", coding = "COBS", largest = 4000 }\n' + inner
    written(own_plugin(tmp_path, text), tmp_path / "out")
    assert "} sample[1000];" in (tmp_path / "out" / "own.h").read_text()
