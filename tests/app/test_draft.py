"""A plugin drafted from what was seen: the real capture of a phone that discovers a node, and a simulated node."""

from __future__ import annotations

import asyncio
import tomllib
from functools import partial
from pathlib import Path

import pytest

from gateway.app.check import check
from gateway.app.draft import draft
from gateway.app.verify.audit import live_table
from gateway.model.errors import InputError
from gateway.model.gatt import Advertised, FoundCharacteristic, FoundDescriptor, FoundService, FoundTable
from gateway.model.radios import RadioName
from gateway.plugin import Plugin, find_plugin, load_plugin, load_plugin_text
from gateway.plugin.draft import draft_plugin
from gateway.plugin.model import Broadcast
from gateway.plugin.standard.adopted import BASE_UUID
from tests.capture.test_advertised import ADDRESS, OTHER, advertised, sniffed
from tests.session.test_broadcast import CELL, TAG
from tests.support import plugin_folder, run_bench, run_file

CAPTURE = Path(__file__).parents[1] / "truth" / "le_discovery_and_pairing.pcap"
OWN = "9fb93534-081c-4253-b1e2-73a87984a8{:02x}"


def test_a_capture_of_others_gives_a_plugin_that_passes_check(tmp_path: Path) -> None:
    path = asyncio.run(draft("found-node", str(CAPTURE), tmp_path))
    (result,) = check(path.parent)
    assert not [one for one in result.problems if one.fatal]
    plugin = load_plugin(path.parent)
    assert len(plugin.characteristics) == 17  # those of six services but for Generic Access and Generic Attribute
    assert "f000ffc1-0451-4000-b000-000000000000" in {one.uuid for one in plugin.characteristics.values()}


def test_a_log_gives_the_characteristics_that_its_nodes_have(tmp_path: Path) -> None:
    text = '[run]\ntitle = "t"\nradio = "virtual"\n[node.a]\nplugin = "loan-crate"\nfind = { name = "A" }\n'
    run_bench(run_file(tmp_path, text + 'sensor = { climate = { period = "1 s" } }\n'), tmp_path / "x.db", 20)
    path = asyncio.run(draft("again", str(tmp_path / "x.db"), tmp_path))
    drafted, true = load_plugin(path.parent), find_plugin("loan-crate")
    declared = {(one.uuid, one.service) for one in true.characteristics.values()}
    assert declared <= {(one.uuid, one.service) for one in drafted.characteristics.values()}
    seen = path.read_text()
    assert "of 9 bytes" in seen and "byte 0: counts up by one" in seen and "byte 1: always 00" in seen


def table(values: list[bytes], *descriptors: FoundDescriptor) -> FoundTable:
    item = FoundCharacteristic(11, OWN.format(1), frozenset({"read", "notify"}), 10, list(descriptors), values)
    return FoundTable("n", [FoundService(OWN.format(0), 9, 20, True, [], [item])])


def test_what_descriptors_say_becomes_name_type_lsb_and_unit() -> None:
    """Presentation format 0x2904: sint16, exponent -2, degree Celsius (Assigned Numbers 2.4.1 and 3.5)."""
    described = FoundDescriptor(12, BASE_UUID.format(0x2901), b"Water level")
    formatted = FoundDescriptor(13, BASE_UUID.format(0x2904), bytes.fromhex("0efe2f27010000"))
    text = draft_plugin("own", table([b"\x6e\x09"], described, formatted), "here")
    (field,) = tomllib.loads(text)["characteristic"]["water_level"]["fields"]
    assert field == {"name": "water_level", "type": "sint16", "lsb": "1e-2 degC"}
    assert load_plugin_text(text, "draft").characteristics["water_level"].codec.read(b"\x6e\x09")[0].value == 24.14


def test_bytes_that_nothing_describes_are_told_of_and_not_guessed_at() -> None:
    values = [bytes([n, 0xAA, (n * 37) & 0xFF]) for n in range(250, 260) if n < 256] + [b"\x00\xaa\x01"]
    text = draft_plugin("own", table(values), "here")
    assert "# values seen: 7 of 3 bytes" in text
    assert "#   byte 0: counts up by one" in text and "#   byte 1: always aa" in text and "byte 2" not in text
    assert tomllib.loads(text)["characteristic"]["handle_000b"]["fields"] == [{"name": "value", "type": "uint8[]"}]


@pytest.mark.parametrize("hostile", ['"\nkind = "x', "Ä ö", "", "a" * 300, "link", "1 2"])
def test_whatever_a_node_calls_its_values_the_plugin_can_be_read(hostile: str) -> None:
    said = FoundDescriptor(12, BASE_UUID.format(0x2901), hostile.encode())
    assert load_plugin_text(draft_plugin("own", table([b"\x01"], said), "here"), "draft").kind == "own"


def test_a_plugin_that_is_there_is_kept_and_a_file_with_several_nodes_asks_which(tmp_path: Path) -> None:
    asyncio.run(draft("found-node", str(CAPTURE), tmp_path))
    with pytest.raises(InputError, match="exists; nothing was written"):
        asyncio.run(draft("found-node", str(CAPTURE), tmp_path))
    with pytest.raises(InputError, match="contains no discovery of X"):
        asyncio.run(draft("other", str(CAPTURE), tmp_path, node="X"))


def test_a_sniffers_file_of_a_node_that_only_advertises_gives_what_it_advertises(tmp_path: Path) -> None:
    packets = [(n / 10, advertised(n // 2, name="TAG")) for n in range(20)]
    packets += [(2 + n / 10, advertised(10 + n // 2, address=OTHER, name="TAG")) for n in range(20)]  # the same node
    path = asyncio.run(draft("tag", str(sniffed(tmp_path / "x.pcap", packets)), tmp_path))
    (result,) = check(path.parent)
    assert not [one for one in result.problems if one.fatal]
    assert load_plugin(path.parent).broadcasts == {
        Broadcast(0xFFFF, ""): "company_ffff",
        Broadcast(None, BASE_UUID.format(0x180F)): "advertised_180f",
    }
    seen = path.read_text()
    assert "# values seen: 20 of 3 bytes" in seen and "byte 0: counts up by one" in seen and "# values seen: 1 of 1 byte" in seen  # fmt: skip


def test_of_several_that_advertise_one_is_asked_for(tmp_path: Path) -> None:
    file = str(sniffed(tmp_path / "x.pcap", [(n, advertised(n, address=one)) for n in (1, 2) for one in (ADDRESS, OTHER)]))  # fmt: skip
    with pytest.raises(InputError, match=f"shows the values of {ADDRESS}, {OTHER}; one node is needed"):
        asyncio.run(draft("tag", file, tmp_path))
    assert "of 3 bytes" in asyncio.run(draft("tag", file, tmp_path, node=OTHER)).read_text()


def test_a_node_on_the_air_that_only_advertises_gives_what_it_advertises(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:  # fmt: skip
    plugin = load_plugin(plugin_folder(tmp_path, TAG + CELL, "shelf-tag"))
    monkeypatch.setattr("gateway.app.draft.live_table", partial(_live, plugin))
    text = asyncio.run(draft("tag", "TAG", tmp_path, radio=RadioName.VIRTUAL, seconds=3)).read_text()
    assert "company = 0x" in text and "of 3 bytes" in text


async def _live(plugin: Plugin, who: str, served: Plugin | None, radio: RadioName, seconds: float) -> FoundTable:
    """The table of a simulated node of a plugin."""
    return await live_table(who, plugin, radio, seconds)


def test_what_a_served_node_without_a_name_advertises_is_drafted_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A capture tells its table and what its address advertised apart."""
    beside = FoundTable("n", advertised=Advertised("", [], values={0xFFFF: [b"\x01\x02"]}))
    monkeypatch.setattr("gateway.app.draft.tables_of", lambda *_, **__: ([table([b"\x01"]), beside], []))
    plugin = load_plugin(asyncio.run(draft("own", "x.pcap", tmp_path)).parent)
    assert len(plugin.served) == 1 and plugin.broadcasts == {Broadcast(0xFFFF, ""): "company_ffff"}
