"""Signatures over a run's seal: by openssl's keys, held by openssl's own verification, and found out where they lie."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from gateway.app.logs import damage
from gateway.host.keys import fingerprint, load_key, load_public_key
from gateway.log.merge import merge
from gateway.log.signature import sign_run
from gateway.model.errors import InputError
from tests.cli.test_cli import gattest
from tests.log.test_seal import filled
from tests.support import needs_program, open_database

pytestmark = needs_program("openssl")


def openssl(*arguments: str | Path) -> None:
    subprocess.run(["openssl", *map(str, arguments)], check=True, capture_output=True)


@pytest.fixture
def key(tmp_path: Path) -> Path:
    path = tmp_path / "bench.pem"
    openssl("genpkey", "-algorithm", "ed25519", "-out", path)
    path.chmod(0o600)
    openssl("pkey", "-in", path, "-pubout", "-out", tmp_path / "bench.pub")
    return path


def signed(tmp_path: Path, key: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, str]:
    log = filled(tmp_path / "x.db", monkeypatch)
    return log, sign_run(log, 1, load_key(key))


def test_a_signed_run_is_that_of_its_key_and_of_no_other(
    tmp_path: Path, key: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log, head = signed(tmp_path, key, monkeypatch)
    found = damage(log, tmp_path / "bench.pub")
    assert found.problems == [] and [one.good for one in found.seals[0].signatures] == [True]
    assert found.seals[0].signatures[0].key == fingerprint(load_public_key(tmp_path / "bench.pub"))
    openssl("genpkey", "-algorithm", "ed25519", "-out", tmp_path / "other.pem")
    openssl("pkey", "-in", tmp_path / "other.pem", "-pubout", "-out", tmp_path / "other.pub")
    assert "is not signed by" in damage(log, tmp_path / "other.pub").problems[0]
    assert head == found.seals[0].head


def test_openssl_holds_the_signature_for_good(tmp_path: Path, key: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another program, with the bytes that are said to be signed."""
    log, head = signed(tmp_path, key, monkeypatch)
    with open_database(log) as connection:
        signature, t_ns = connection.execute("SELECT signature, t_ns FROM signature").fetchone()
        (uid,) = connection.execute("SELECT uid FROM run").fetchone()
    (tmp_path / "told").write_bytes(f"gattest seal\n{uid}\n{head}\n{t_ns}".encode())
    (tmp_path / "sig").write_bytes(signature)
    public = [
        "-pubin",
        "-inkey",
        tmp_path / "bench.pub",
        "-rawin",
        "-in",
        tmp_path / "told",
        "-sigfile",
        tmp_path / "sig",
    ]
    openssl("pkeyutl", "-verify", *public)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("UPDATE signature SET signature = zeroblob(64)", "is not that of its key"),
        ("UPDATE signature SET public_key = zeroblob(32)", "is not that of its key"),
        ("UPDATE signature SET public_key = 'x'", "is not that of its key"),
        ("UPDATE signature SET t_ns = 1", "is not that of its key"),
        ("UPDATE signature SET head = 'ab'", "over a seal that the log does not hold"),
    ],
)
def test_a_signature_that_was_changed_is_found(
    change: str, told: str, tmp_path: Path, key: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log, _ = signed(tmp_path, key, monkeypatch)
    with open_database(log) as connection:
        connection.execute(change)
    assert any(told in problem for problem in damage(log).problems)


def test_a_signature_goes_along_when_logs_are_merged(
    tmp_path: Path, key: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log, _ = signed(tmp_path, key, monkeypatch)
    merge([log], tmp_path / "all.db", lambda *_: None)
    assert damage(tmp_path / "all.db", tmp_path / "bench.pub").problems == []


def test_keys_that_can_not_sign_are_told(tmp_path: Path) -> None:
    openssl("genpkey", "-algorithm", "x25519", "-out", tmp_path / "x.pem")
    for path, told in (
        (tmp_path / "x.pem", "another kind"),
        (tmp_path / "none", "can't be read"),
        (Path("README.md"), "no private key"),
    ):
        with pytest.raises(InputError, match=told):
            load_key(path)


def test_the_head_is_a_digest_that_a_time_stamp_request_takes(
    tmp_path: Path, key: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """RFC 3161, by openssl, as README says."""
    _, head = signed(tmp_path, key, monkeypatch)
    openssl("ts", "-query", "-sha256", "-digest", head, "-cert", "-out", tmp_path / "head.tsq")
    assert (tmp_path / "head.tsq").read_bytes()[:1] == b"\x30"  # a DER sequence


def test_a_run_is_signed_when_it_ends_and_show_says_by_whom(tmp_path: Path, key: Path) -> None:
    text = Path("configs/demo.toml").read_text("utf-8").replace('length = "20 s"', 'length = "2 s"\nsign = "bench.pem"')
    (tmp_path / "run.toml").write_text(text)
    done = gattest("run", "run.toml", "--into", "x.db", cwd=tmp_path)
    assert done.returncode in (1, 3), done.stderr
    shown = gattest("show", "x.db", "--verify", "--signer", "bench.pub", cwd=tmp_path)
    assert shown.returncode == 0 and "signed 20" in shown.stdout, shown.stdout + shown.stderr
