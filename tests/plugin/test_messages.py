"""Several messages on one characteristic, told apart by a byte: each a channel of its own, with its own rate and loss."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from gateway.app.replay import replay
from gateway.app.verify.audit import audit
from gateway.model.errors import DecodeError, ProblemsError
from gateway.model.radios import RadioName
from gateway.model.records import Outcome
from gateway.plugin import Plugin, load_plugin
from gateway.plugin.layout.columns import decode_columns
from tests.capture.test_foreign import TimedSnooper
from tests.support import Bench, figures, plugin_folder, run_bench, run_file

HEAD = """
[plugin]
kind = "talker"
title = "Invented: says two things by one characteristic"
"""
STATUS = """
[characteristic.status]
uuid = "b1c70021-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70020-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
message = 1
fields = [
  { name = "kind", type = "uint8" },
  { name = "sequence", type = "uint8", role = "sequence" },
  { name = "charge", type = "uint8", lsb = "1 percent" },
]
"""
WAVE = """
[characteristic.wave]
uuid = "b1c70021-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70020-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
message = 7
fields = [
  { name = "kind", type = "uint8" },
  { name = "sequence", type = "uint16", role = "sequence" },
  { name = "level", type = "sint16", lsb = "1 mm", each = 3 },
]
check = { crc = "CRC-16/KERMIT" }
"""
PACED = """
[characteristic.pace]
uuid = "b1c70022-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70020-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["read", "write"]
fields = [{ name = "status", type = "uint8", lsb = "100 ms" }, { name = "wave", type = "uint8", lsb = "100 ms" }]
[sensor.status]
data = "status"
period = { characteristic = "pace", field = "status", default = "2 s" }
[sensor.wave]
data = "wave"
period = { characteristic = "pace", field = "wave", default = "0.5 s" }
"""
RUN = """
[run]
title = "t"
radio = "virtual"
plugins = ["plugins"]
[node.a]
plugin = "talker"
find = { name = "A" }
sensor = { status = {}, wave = {} }
"""


def talker(folder: Path) -> Plugin:
    return load_plugin(plugin_folder(folder, HEAD + STATUS + WAVE + PACED, "talker"))


def test_each_message_has_a_layout_and_refuses_the_other(tmp_path: Path) -> None:
    plugin = talker(tmp_path)
    status, wave = plugin.characteristics["status"], plugin.characteristics["wave"]
    raw = status.codec.build({"kind": 0, "sequence": 3, "charge": 80})
    assert raw == bytes([1, 3, 80])
    other = wave.codec.build({"kind": 0, "sequence": 3, "level_0": 1, "level_1": 2, "level_2": 3})
    assert other[0] == 7
    with pytest.raises(DecodeError, match="message 0x07"):
        status.codec.read(other[:3])
    assert set(decode_columns(status.layout, [raw, other, raw]).faults) == {1}
    assert plugin.named("status", other) == "wave" and plugin.named("wave", raw) == "status"
    assert plugin.named("status", bytes([9, 9])) == "status"  # none of them: kept where it came, with its reason


def test_the_byte_that_tells_messages_apart_is_not_taken_for_reserved_bits(tmp_path: Path) -> None:
    hidden = HEAD + STATUS.replace('{ name = "kind", type = "uint8" }', "{ rfu = 8 }")
    status = load_plugin(plugin_folder(tmp_path, hidden)).characteristics["status"].codec
    assert status.reserved_bits(status.build({"sequence": 1, "charge": 50})) == {}


def test_each_message_of_a_node_has_its_own_rate_and_loss_live_and_in_a_capture(tmp_path: Path) -> None:
    plugin = talker(tmp_path)
    snoop = tmp_path / "phone.btsnoop"
    with snoop.open("wb") as file:

        async def script(bench: Bench) -> None:
            bench.radio.host.host.snooper = TimedSnooper(file)

        run_bench(run_file(tmp_path, RUN), tmp_path / "x.db", 60, script)
    live = figures(tmp_path / "x.db")
    assert live["a", "status", "rate"].value == pytest.approx(0.5, rel=0.05)
    assert live["a", "wave", "rate"].value == pytest.approx(2, rel=0.05)
    for channel in ("status", "wave"):
        assert live["a", channel, "loss"].value == 0 and live["a", channel, "decode_errors"].value == 0
    replay(snoop, tmp_path / "y.db", plugin)
    (node,) = {key[0] for key in figures(tmp_path / "y.db")}
    seen = figures(tmp_path / "y.db")
    for channel in ("status", "wave"):
        assert seen[node, channel, "rate"].n == pytest.approx(live["a", channel, "rate"].n, abs=2)
        assert seen[node, channel, "decode_errors"].value == 0


@pytest.mark.parametrize(
    ("plugin", "told"),
    [
        (STATUS + WAVE.replace("message = 7", "message = 1"), "a number of its own"),
        (STATUS + WAVE.replace("message = 7", "message = 7\nmessage_at = 1"), "a number of its own, one byte"),
        (STATUS + WAVE.replace("message = 7\n", ""), "UUIDs are unique, or each with its message"),
        (STATUS + WAVE.replace('["notify"]', '["indicate"]'), "the same for all messages"),
        (STATUS.replace('["notify"]', '["read"]'), "message for what notifies or indicates"),
        (STATUS.replace("message = 1", "message = 1\nmessage_at = 3"), "not one that every value has"),
    ],
)
def test_messages_that_can_not_be_told_apart_are_refused(tmp_path: Path, plugin: str, told: str) -> None:
    with pytest.raises(ProblemsError, match=told):
        load_plugin(plugin_folder(tmp_path, HEAD + plugin, "talker"))


def test_an_audit_holds_each_message_against_its_own_layout(tmp_path: Path) -> None:
    plugin = talker(tmp_path)
    audits, _ = asyncio.run(audit("TALKER", plugin, RadioName.VIRTUAL, 3.0))
    assert [one.outcome for one in audits] == [Outcome.PASS]
