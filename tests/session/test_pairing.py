"""Nodes that ask for an encrypted link: paired once, encrypted with the bond ever after, by a real Security Manager on
both sides (LE Secure Connections)."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from bleak.backends.device import BLEDevice
from bleak.exc import BleakError

from gateway.app.verify.audit import audit
from gateway.app.verify.exercise import Exercised, exercise
from gateway.config import RunConfig
from gateway.host.passkey import PASSKEY, with_passkey
from gateway.model.errors import InputError, ProblemsError
from gateway.model.events import Encrypted, EventKind
from gateway.model.radios import RadioName
from gateway.model.records import Outcome
from gateway.model.security import Pairing, Security
from gateway.plugin import load_plugin
from gateway.radio.stack import StackClient
from gateway.radio.virtual import VirtualRadio
from gateway.verify.exercise import plan_for
from tests.support import (
    Bench,
    events,
    on_virtual_time,
    open_database,
    plugin_folder,
    run_bench,
    run_file,
    virtual_clock,
)

PLUGIN = """[plugin]
kind = "vault"
title = "A node of a loan crate that asks for a protected link"
security = "{security}"
[characteristic.climate]
uuid = "5b0a3f10-71c4-4f0e-8a5d-1d9c64a0e001"
service = "5b0a3f10-71c4-4f0e-8a5d-1d9c64a0e000"
properties = ["read", "notify"]
fields = [{{ name = "sequence", type = "uint16", role = "sequence" }}]
[characteristic.setup]
uuid = "5b0a3f10-71c4-4f0e-8a5d-1d9c64a0e002"
service = "5b0a3f10-71c4-4f0e-8a5d-1d9c64a0e000"
properties = ["read", "write"]
fields = [{{ name = "enable", type = "boolean" }}, {{ rfu = 7 }}]
[sensor.climate]
data = "climate"
enable = {{ characteristic = "setup", field = "enable" }}
"""
RUN = """[run]
title = "Pairing"
radio = "virtual"
[node.a]
plugin = "vault"
find = {{ name = "A" }}
sensor = {{ climate = {{}} }}
silent_after = "1 min"
{node}
[twin.a]
{twin}
"""


def vault(folder: Path, security: str = "authenticated", node: str = "", twin: str = "") -> RunConfig:
    plugin_folder(folder, PLUGIN.format(security=security), "vault")
    return run_file(folder, RUN.format(node=node, twin=twin).replace('"Pairing"', '"Pairing"\nplugins = ["plugins"]'))


def rows(log: Path, sql: str) -> list[tuple[object, ...]]:
    with open_database(log) as connection:
        return connection.execute(sql).fetchall()


def encrypted(log: Path) -> list[Encrypted]:
    return [e.detail for e in events(log, EventKind.ENCRYPTED) if isinstance(e.detail, Encrypted)]


@pytest.mark.parametrize("security", ["encrypted", "authenticated"])
def test_a_node_is_paired_once_and_its_bond_used_on_later_links(tmp_path: Path, security: str) -> None:
    config = vault(tmp_path, security, twin='faults = { drop_link_every = "20 s" }')
    run_bench(config, tmp_path / "a.db", 70)
    links = encrypted(tmp_path / "a.db")
    assert [link.paired for link in links][:3] == [True, False, False]
    assert {link.security for link in links} == {security}
    assert len(rows(tmp_path / "a.db", "SELECT * FROM vault_climate")) > 40


def test_a_wrong_passkey_makes_a_node_unfit_after_three_links_and_says_what_to_check(tmp_path: Path) -> None:
    (tmp_path / "a.passkey").write_text("111111\n")
    config = vault(tmp_path, node='passkey = "a.passkey"', twin='passkey = "222222"')
    node = config.nodes["a"]
    found = with_passkey("a", node.pairing, node.passkey)
    object.__setattr__(node, "pairing", found)
    run_bench(config, tmp_path / "a.db", 60)
    (unfit,) = events(tmp_path / "a.db", EventKind.UNFIT)
    assert "check the passkey" in str(unfit.facts["reason"])
    assert "111111" not in (tmp_path / "a.db").read_bytes().decode("latin-1")


def test_a_node_that_lost_its_bond_is_paired_again(tmp_path: Path) -> None:
    config = vault(tmp_path, twin='faults = { drop_link_every = "20 s" }')

    async def script(bench: Bench) -> None:
        await asyncio.sleep(15)
        store = bench.twins["a"].device.keystore
        assert store is not None
        await store.delete_all()

    run_bench(config, tmp_path / "a.db", 60, script)
    assert [link.paired for link in encrypted(tmp_path / "a.db")][:2] == [True, True]
    assert any("bond" in str(e.facts["reason"]) for e in events(tmp_path / "a.db", EventKind.CONNECT_FAILED))


def test_a_node_that_asks_for_pairing_which_its_plugin_does_not_declare_says_so(tmp_path: Path) -> None:
    config = vault(tmp_path)
    node = config.nodes["a"]
    object.__setattr__(node, "pairing", None)
    run_bench(config, tmp_path / "a.db", 20)
    (refused,) = {str(e.facts.get("refused")) for e in events(tmp_path / "a.db", EventKind.SETTING_DIFFERS)}
    assert "(ATT error 0x05)" in refused and "declares security" in refused


def test_audit_and_exercise_pair_too(tmp_path: Path) -> None:
    plugin = load_plugin(plugin_folder(tmp_path, PLUGIN.format(security="authenticated"), "vault"))
    (audited,), _ = on_virtual_time(lambda: audit("A", plugin, RadioName.VIRTUAL, 2.0))
    assert audited.outcome is Outcome.PASS, audited

    async def tried() -> Exercised:
        plan = plan_for(plugin, ())
        clock = virtual_clock(asyncio.get_running_loop())
        return await exercise("A", plugin, RadioName.VIRTUAL, plan, tmp_path / "e.db", 60, False, clock=clock)

    done = on_virtual_time(tried)
    assert {one.outcome for one in done.tried} == {Outcome.PASS}, done


def test_a_passkey_comes_from_a_file_or_the_environment_and_is_never_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = Pairing(Security.AUTHENTICATED)
    (tmp_path / "key").write_text(" 012345\n")
    found = with_passkey("a", asked, tmp_path / "key")
    assert found is not None and found.passkey == 12345 and "12345" not in repr(found)
    monkeypatch.setenv(PASSKEY, "000007")
    assert with_passkey("a", asked) == Pairing(Security.AUTHENTICATED, 7)
    for wrong in ("12345", "1234567", "12345a", ""):
        monkeypatch.setenv(PASSKEY, wrong)
        with pytest.raises(InputError, match="six digits") as error:
            with_passkey("a", asked)
        assert not wrong or wrong not in str(error.value)
    monkeypatch.delenv(PASSKEY)
    with pytest.raises(InputError, match="passkey is not known"):
        with_passkey("a", asked)
    assert with_passkey("a", Pairing(Security.ENCRYPTED)) == Pairing(Security.ENCRYPTED)


@pytest.mark.parametrize(
    ("security", "node", "told"),
    [
        ("encrypted", 'passkey = "a.passkey"', "does not ask for an authenticated link"),
        ("authenticated", 'passkey = "nowhere"', "there is no file"),
    ],
)
def test_a_passkey_that_is_of_no_use_is_a_problem(tmp_path: Path, security: str, node: str, told: str) -> None:
    (tmp_path / "a.passkey").write_text("111111\n")
    with pytest.raises(ProblemsError, match=told):
        vault(tmp_path, security, node=node)


def test_a_bond_that_the_system_holds_and_the_node_has_lost_is_given_up_after_three_links(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """BlueZ can't connect to such a node: with 5.66 on kernel 6.1, connecting got no answer."""
    bonds = {"A"}
    connect = StackClient.connect

    async def refused(self: StackClient, pair: bool, **more: object) -> None:
        if bonds:
            raise BleakError("le-connection-abort-by-local")
        await connect(self, pair, **more)

    async def bonded(self: VirtualRadio, device: BLEDevice) -> bool:
        return bool(bonds)

    async def forget(self: VirtualRadio, device: BLEDevice) -> None:
        bonds.clear()

    monkeypatch.setattr(StackClient, "connect", refused)
    monkeypatch.setattr(VirtualRadio, "bonded", bonded)
    monkeypatch.setattr(VirtualRadio, "forget", forget)
    run_bench(vault(tmp_path), tmp_path / "a.db", 90)
    (forgotten,) = events(tmp_path / "a.db", EventKind.FORGOTTEN)
    assert "may have lost its bond" in str(forgotten.facts["reason"])
    assert len(events(tmp_path / "a.db", EventKind.CONNECT_FAILED)) == 3
    assert [link.paired for link in encrypted(tmp_path / "a.db")] == [True]


def test_a_controller_that_holds_no_more_links_is_named_as_a_possible_cause(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    config = vault(tmp_path, "encrypted")

    async def full(self: StackClient, pair: bool, **more: object) -> None:
        raise BleakError("connecting failed")

    async def script(bench: Bench) -> None:
        bench.supervisor._seeker.linked |= {f"C2:00:00:00:01:0{n}": config.nodes["a"] for n in range(5)}

    monkeypatch.setattr(StackClient, "connect", full)
    run_bench(config, tmp_path / "a.db", 20, script)
    told = events(tmp_path / "a.db", EventKind.CONNECT_FAILED)[0]
    assert "5 links are held already" in str(told.facts["reason"])


def test_two_nodes_with_passkeys_of_their_own_are_each_paired_with_theirs(tmp_path: Path) -> None:
    plugin_folder(tmp_path, PLUGIN.format(security="authenticated"), "vault")
    second = '[node.b]\nplugin = "vault"\nfind = { name = "B" }\nsensor = { climate = {} }\n'
    text = RUN.format(node="", twin='passkey = "111111"\n[twin.b]\npasskey = "222222"') + second
    config = run_file(tmp_path, text.replace('"Pairing"', '"Pairing"\nplugins = ["plugins"]'))
    run_bench(config, tmp_path / "a.db", 20)
    assert {e.node for e in events(tmp_path / "a.db", EventKind.ENCRYPTED)} == {"a", "b"}
    assert not events(tmp_path / "a.db", EventKind.CONNECT_FAILED)
