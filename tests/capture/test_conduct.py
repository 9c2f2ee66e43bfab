"""Servers that break a rule of the Attribute Protocol on a bearer that was seen whole: each rule broken once, and sound
exchanges. PDUs as in the Core Specification, Vol 3, Part F, 3.4."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.app.verify.audit import audit_file
from gateway.capture.att import Bearer, ServerTable
from gateway.capture.discovery import tables_in
from gateway.capture.record import Trouble
from gateway.model.records import Outcome
from tests.capture.test_foreign import snooped  # noqa: F401  a fixture
from tests.support import run_bench, run_file

CLIENT, SERVER = 0, 1
MTU = [(CLIENT, "02 1700"), (SERVER, "03 f700")]
READ = (CLIENT, "0a 0300")
SERVICES = (CLIENT, "10 0100 ffff 0028")


def breaches(*pdus: tuple[int, str] | tuple[int, str, float]) -> list[tuple[str, str]]:
    """What the server is found to do wrong; PDUs as (sender, hex, seconds)."""
    bearer = Bearer(("client", "server"), (ServerTable(), ServerTable()), Trouble())
    bearer.watch()
    for number, (sender, text, *at) in enumerate(pdus):
        list(bearer.take(round((at[0] if at else number * 0.05) * 1e9), sender, bytes.fromhex(text)))  # type: ignore[call-overload]
    assert bearer.tables[CLIENT].breaches == []
    return bearer.tables[SERVER].breaches or []


@pytest.mark.parametrize(
    ("pdus", "found"),
    [
        ([READ, (SERVER, "13")], "response 0x13 to request 0x0A"),
        ([READ, (SERVER, "0b 01"), (SERVER, "0b 01")], "without a request"),
        ([READ, (SERVER, "01 12 0300 0a")], "an error for request 0x12 while 0x0A was pending"),
        ([(*READ, 0.0), (SERVER, "0b 01", 31.0)], "not answered within 30 s"),
        ([(*READ, 0.0), (SERVER, "1b 0300 01", 40.0)], "not answered within 30 s"),
        ([*MTU, READ, (SERVER, "0b" + "00" * 23)], "PDU 0x0B of 24 bytes"),
        ([*MTU, (SERVER, "1b 0300" + "00" * 21)], "PDU 0x1B of 24 bytes"),
        ([SERVICES, (SERVER, "11 06 0600 0900 0018 0100 0500 0118")], "handles 0x0006, 0x0001"),
        ([SERVICES, (SERVER, "11 06 0100 0500 0018 0100 0500 0118")], "handles 0x0001, 0x0001"),
        ([(CLIENT, "10 0600 ffff 0028"), (SERVER, "11 06 0100 0500 0018")], "handles 0x0001 to 0x0001"),
        ([(CLIENT, "04 0500 0600"), (SERVER, "05 01 0500 0229 0700 0129")], "handles 0x0005 to 0x0007"),
        ([(CLIENT, "08 0100 0500 0328"), (SERVER, "09 07")], "without an attribute"),
        ([(SERVER, "1d 0300 01"), (SERVER, "1d 0300 02")], "before the previous one was confirmed"),
    ],
)  # fmt: skip
def test_each_rule_broken_once_is_found_and_nothing_else(pdus: list[tuple[int, str]], found: str) -> None:
    (breach,) = breaches(*pdus)
    assert found in breach[0] and "3." in breach[1]


@pytest.mark.parametrize(
    "pdus",
    [
        [*MTU, READ, (SERVER, "0b" + "00" * 22), (SERVER, "1b 0300" + "00" * 20)],
        [READ, (SERVER, "01 0a 0300 05")],
        [
            SERVICES,
            (SERVER, "11 06 0100 0500 0018 0600 0900 0118"),
            (CLIENT, "10 0a00 ffff 0028"),
            (SERVER, "01 10 0a00 0a"),
        ],
        [(CLIENT, "06 0100 ffff 0028 0f18"), (SERVER, "07 0600 0900")],
        [(SERVER, "1d 0300 01"), (CLIENT, "1e"), (SERVER, "1d 0300 02")],
        [(SERVER, "0b 01"), READ, (SERVER, "0b 01")],
        [READ, (SERVER, "1b 0400 07"), (SERVER, "0b 01"), (CLIENT, "52 0300 01")],
        [(*READ, 0.0), (SERVER, "0b 01", 29.0)],
    ],
)
def test_sound_exchanges_break_nothing(pdus: list[tuple[int, str]]) -> None:
    assert breaches(*pdus) == []


def test_bumbles_server_keeps_the_protocol(snooped: tuple[Path, Path]) -> None:  # noqa: F811
    tables = [table for table in tables_in(snooped[1], Trouble()) if table.services]
    assert tables and all(table.breaches == [] for table in tables)


def test_a_capture_of_our_own_is_audited_by_the_tables_in_it(tmp_path: Path) -> None:
    from gateway.app.extract import records_of
    from gateway.capture import write_capture
    from gateway.log.reader import Log
    from gateway.plugin import find_plugin

    run_bench(
        run_file(tmp_path, '[run]\ntitle = "t"\nradio = "virtual"\n[node.crate-a]\nplugin = "loan-crate"\nfind = { name = "CRATE-A" }\nsensor = { climate = { period = "100 ms" } }\n'),
        tmp_path / "log.db",
        10,
    )  # fmt: skip
    with Log(tmp_path / "log.db") as log:
        header, records = records_of(log, log.run(), (), (), None, None)
        write_capture(tmp_path / "run.capture", header, list(records), None)
    plugin = find_plugin("loan-crate")
    found = audit_file(tmp_path / "run.capture", plugin, None)
    assert found is not None
    ((audit,), _) = found
    assert audit.outcome is Outcome.INCONCLUSIVE and audit.attributes > 20  # descriptors are not in it
    assert not [one for one in audit.checked if one.outcome is Outcome.FAIL]
