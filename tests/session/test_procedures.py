"""Procedures of a control point over the virtual air, and the Record Access Control Point of the GATT services declared as
one (GATT Specification Supplement, Record Access Control Point; opcodes and codes from memory of it)."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.model.errors import ProblemsError
from gateway.model.events import EventKind
from gateway.plugin.load import load_plugin_text
from tests.support import events, figures, plugin_folder, run_bench, run_file

RECORDS = """
[plugin]
kind = "recorder"
title = "Record access as the GATT services have it"
[characteristic.measurement]
uuid = "b1c70011-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
fields = [{ name = "sequence", type = "uint16", role = "sequence" }]
[characteristic.response]
uuid = "0x2A52"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["write", "indicate"]
message = 6
fields = [
  { name = "opcode",   type = "uint8" },
  { name = "operator", type = "uint8" },
  { name = "request",  type = "uint8" },
  { name = "result",   type = "uint8", names = { 1 = "success", 2 = "op code not supported", 6 = "no records found" } },
]
[characteristic.number]
uuid = "0x2A52"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["write", "indicate"]
message = 5
fields = [
  { name = "opcode",   type = "uint8" },
  { name = "operator", type = "uint8" },
  { name = "records",  type = "uint16" },
]
[procedure.report]
write = "response"
opcode = 1
arguments = [{ name = "operator", type = "uint8", names = { 1 = "all records", 5 = "first record" }, default = "all records" }]
answer = "response"
request = "request"
result = "result"
unknown = 2
sends = "measurement"
[procedure.count]
write = "response"
opcode = 4
arguments = [{ name = "operator", type = "uint8", default = 1 }]
answer = "number"
counts = "measurement"
count = "records"
[procedure.delete]
write = "response"
opcode = 2
arguments = [{ name = "operator", type = "uint8", default = 1 }]
answer = "response"
request = "request"
result = "result"
clears = "measurement"
"""
RUN = """
[run]
title = "t"
radio = "virtual"
[node.a]
plugin = "recorder"
find = { name = "A" }
procedure = { report = { every = "5 s" }, delete = { every = "5 s" } }
"""


def test_record_access_is_written_and_answered_as_the_gatt_services_have_it() -> None:
    plugin = load_plugin_text(RECORDS, "plugin.toml")
    report = plugin.procedures["report"]
    assert report.written({}) == b"\x01\x01" and report.written({"operator": "first record"}) == b"\x01\x05"
    response = plugin.characteristics["response"].codec
    told = {r.name: r.value for r in response.read(b"\x06\x00\x01\x01")}
    assert told["result"] == "success" and report.answers(response.parse(b"\x06\x00\x01\x01")[0])
    assert not report.answers(response.parse(b"\x06\x00\x02\x01")[0])
    assert plugin.named("response", b"\x05\x00\x07\x00") == "number"
    assert plugin.characteristics["number"].codec.parse(b"\x05\x00\x07\x00")[0]["records"] == 7


def ran(folder: Path, more: str = "", seconds: float = 21.0) -> Path:
    plugin_folder(folder, RECORDS, "recorder")
    run_bench(
        run_file(folder, RUN.replace('title = "t"', 'title = "t"\nplugins = ["plugins"]') + more),
        folder / "x.db",
        seconds,
    )
    return folder / "x.db"


def test_stored_values_are_counted_sent_and_deleted_again_and_again(tmp_path: Path) -> None:
    log = ran(tmp_path)
    done = [event.facts for event in events(log, EventKind.PROCEDURE)]
    reports = [one["values"] for one in done if one["procedure"] == "report"]
    assert len(reports) == 5 and all(isinstance(n, int) and 4 <= n <= 6 for n in reports[1:])  # a value a second
    assert {one["result"] for one in done} == {"success"}
    found = figures(log)
    assert found["a", "measurement", "loss"].value == 0
    assert found["a", "link", "procedures_failed"].value == 0 and found["a", "link", "procedures_failed"].n == len(done)


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        ("counts-otherwise", "stored values came, count told of"),
        ("answers-nothing", "procedure count: no answer within 30 s"),
    ],
)
def test_a_procedure_that_goes_wrong_is_an_event_and_a_figure(tmp_path: Path, fault: str, told: str) -> None:
    log = ran(tmp_path, f'[twin.a]\nfaults = {{ firmware = ["{fault}"] }}\n', 45.0)
    failed = events(log, EventKind.PROCEDURE_FAILED)
    assert failed and told in str(failed[0].facts["reason"])
    assert (figures(log)["a", "link", "procedures_failed"].value or 0) >= 1


def test_a_link_that_is_lost_meanwhile_begins_them_anew(tmp_path: Path) -> None:
    log = ran(tmp_path, '[twin.a]\nfaults = { drop_link_every = "3 s" }\n', 20.0)
    assert len(events(log, EventKind.LOST)) >= 3
    assert len([e for e in events(log, EventKind.PROCEDURE) if e.facts["procedure"] == "report"]) >= 3


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("write = 'measurement'\nopcode = 1", "a declared characteristic that can be written"),
        ("write = 'response'\nopcode = 1", "1, which report has"),
        ("write = 'response'\nopcode = 9\nanswer = 'nobody'", "'nobody'"),
        ("write = 'response'\nopcode = 9\nanswer = 'response'\nresult = 'nose'", "an integer field of the answer"),
        ("write = 'response'\nopcode = 9\ncounts = 'measurement'", "one of counts and count"),
        ("write = 'response'\nopcode = 9\ntimeout = 'soon'", "a time such as '30 s'"),
        ("write = 'response'\nopcode = 9\nanswer = 'response'\nresult = 'result'\nsuccess = 999", "999; 0 to 255"),
        ("write = 'response'\nopcode = 9\nanswer = 'response'\nresult = 'result'\nunknown = 1", "1, which is success"),
        ("write = 'response'\nopcode = 9\narguments = [{ name = 'x', type = 'utf8s' }]", "a field of variable width"),
    ],
)
def test_what_is_wrong_with_a_procedure_is_told(written: str, told: str) -> None:
    with pytest.raises(ProblemsError) as caught:
        load_plugin_text(RECORDS + "[procedure.more]\n" + written, "plugin.toml")
    assert told in str(caught.value)


@pytest.mark.parametrize(
    ("use", "told"),
    [
        ("nothing = {}", "recorder has no procedure 'nothing'"),
        ('report = { arguments = { operator = "most" } }', "operator: 'most'"),
        ("report = { arguments = { nose = 1 } }", "report has no argument 'nose'"),
        ('report = { every = "now and then" }', "every"),
    ],
)
def test_what_is_wrong_with_its_use_is_told(tmp_path: Path, use: str, told: str) -> None:
    plugin_folder(tmp_path, RECORDS, "recorder")
    text = RUN.replace('report = { every = "5 s" }, delete = { every = "5 s" }', use)
    with pytest.raises(ProblemsError) as caught:
        run_file(tmp_path, text.replace('title = "t"', 'title = "t"\nplugins = ["plugins"]'))
    assert told in str(caught.value)
