"""Time stamps of a seal (RFC 3161), from an authority that openssl plays, as an answer that stands beside the log."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from gateway.app.logs import damage
from gateway.model.errors import InputError
from tests.cli.test_cli import gattest
from tests.log.test_seal import filled
from tests.log.test_signature import openssl
from tests.support import needs_program

pytestmark = needs_program("openssl")

CONFIG = """
[req]
distinguished_name = name
[name]
[root]
basicConstraints = critical, CA:true
keyUsage = critical, keyCertSign
subjectKeyIdentifier = hash
[stamps]
basicConstraints = critical, CA:false
keyUsage = critical, digitalSignature
extendedKeyUsage = critical, timeStamping
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid
[tsa]
default_tsa = own
[own]
serial = SERIAL
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256
"""


class Authority:
    """An invented time stamp authority in a folder."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self.folder, self.chain, self._config = folder, folder / "chain.pem", folder / "openssl.cnf"
        self._config.write_text(CONFIG.replace("SERIAL", str(folder / "serial")))
        (folder / "serial").write_text("01\n")
        self._certified("root", "root", ("-signkey", folder / "root.key"))
        self._certified("tsa", "stamps", ("-CA", folder / "root.pem", "-CAkey", folder / "root.key", "-CAcreateserial"))
        self.chain.write_bytes((folder / "root.pem").read_bytes())

    def _certified(self, name: str, section: str, by: tuple[str | Path, ...]) -> None:
        own = self.folder / name
        openssl("genpkey", "-algorithm", "EC", "-pkeyopt", "ec_paramgen_curve:P-256", "-out", f"{own}.key")
        openssl(
            "req",
            "-new",
            "-key",
            f"{own}.key",
            "-subj",
            f"/CN=invented {name}",
            "-config",
            self._config,
            "-out",
            f"{own}.csr",
        )
        extensions = ("-extfile", self._config, "-extensions", section)
        openssl("x509", "-req", "-in", f"{own}.csr", "-days", "9", *by, *extensions, "-out", f"{own}.pem")

    def stamp(self, head: str, answer: Path) -> None:
        """Answer a request for a head, as README says how to make it."""
        request = self.folder / "head.tsq"
        openssl("ts", "-query", "-sha256", "-digest", head, "-cert", "-out", request)
        signer = ("-signer", self.folder / "tsa.pem", "-inkey", self.folder / "tsa.key", "-section", "own")
        openssl("ts", "-reply", "-config", self._config, "-queryfile", request, *signer, "-out", answer)


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path / "authority")


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return filled(tmp_path / "x.db", monkeypatch)


def test_a_stamp_beside_the_log_is_read_and_held_against_the_authority(log: Path, authority: Authority) -> None:
    head = damage(log).seals[0].head
    answer = log.with_name("x.db.tsr")
    authority.stamp(head, answer)
    openssl("ts", "-verify", "-digest", head, "-in", answer, "-CAfile", authority.chain)  # openssl itself
    told = damage(log)
    assert told.problems == [] and [(one.head, one.good) for one in told.stamps] == [(head, None)]
    told = damage(log, authority=authority.chain)
    assert told.problems == [] and [(one.head, one.good) for one in told.stamps] == [(head, True)]
    shown = gattest("show", "x.db", "--verify", "--authority", authority.chain, cwd=log.parent)
    assert shown.returncode == 0 and f"x.db.tsr: {head[:16]}… was there at 20" in shown.stdout, shown.stderr


def test_stamps_of_another_log_are_not_this_ones_and_certificates_may_stand_twice(
    log: Path, authority: Authority, tmp_path: Path
) -> None:
    authority.stamp("ab" * 32, tmp_path / "x.db2.tsr")
    (tmp_path / "x.db.old").write_bytes(b"another log")
    authority.stamp("cd" * 32, tmp_path / "x.db.old.tsr")
    assert damage(log).problems == [] and list(damage(log).stamps) == []
    authority.stamp(damage(log).seals[0].head, tmp_path / "x.db.2.tsr")
    twice = tmp_path / "twice.pem"
    twice.write_text(authority.chain.read_text() * 2)
    assert damage(log, authority=twice).problems == [] and len(damage(log).stamps) == 1


def test_what_another_authority_stamped_or_nobody_is_found(log: Path, authority: Authority, tmp_path: Path) -> None:
    head = damage(log).seals[0].head
    missing = f"run 1: its newest head has no time stamp of the authority in {authority.chain}"
    assert damage(log, authority=authority.chain).problems == [missing]
    Authority(tmp_path / "other").stamp(head, log.with_name("x.db.2.tsr"))
    problems = damage(log, authority=authority.chain).problems
    assert problems[0].startswith("x.db.2.tsr is not the authority's") and problems[1:] == [missing]


def test_a_stamp_of_something_else_or_none_at_all_is_told(log: Path, authority: Authority) -> None:
    authority.stamp("ab" * 32, log.with_name("x.db.tsr"))
    log.with_name("x.db.b.tsr").write_bytes(b"nothing")
    log.with_name("x.db.c.tsr").mkdir()
    assert sorted(damage(log).problems) == [
        "x.db.b.tsr is no answer of a time stamp authority (RFC 3161), or one that refuses",
        "x.db.c.tsr can't be read: Is a directory",
        f"x.db.tsr stamps {'ab' * 32}, which is no head of a seal in the log",
    ]


def test_a_changed_answer_is_not_the_authoritys(log: Path, authority: Authority) -> None:
    answer = log.with_name("x.db.tsr")
    authority.stamp(damage(log).seals[0].head, answer)
    raw = bytearray(answer.read_bytes())
    place = raw.index(b"\x18\x0f20") + 4  # the year of a GeneralizedTime
    raw[place : place + 2] = b"19"
    answer.write_bytes(bytes(raw))
    assert damage(log).stamps[0].utc.startswith("2019")
    assert any("is not the authority's" in line for line in damage(log, authority=authority.chain).problems)


@pytest.mark.parametrize(
    ("content", "told"),
    [(None, "can't be read"), (b"x", "holds no certificates in PEM"), ("tsa.pem", "holds no root certificate")],
)
def test_certificates_that_can_not_be_used_are_told(
    log: Path, authority: Authority, content: bytes | str | None, told: str
) -> None:
    path = log.with_name("chain.pem")
    if isinstance(content, str):
        path = authority.folder / content
    elif content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError, match=told):
        damage(log, authority=path)


def test_without_the_library_a_stamp_is_told_as_not_checked(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log.with_name("x.db.tsr").write_bytes(b"")
    monkeypatch.setitem(sys.modules, "rfc3161_client", None)
    assert damage(log).problems == [] and "pip install 'gattest[stamps]'" in damage(log).unchecked[0]
    with pytest.raises(InputError, match="need rfc3161-client"):
        damage(log, authority=log)
