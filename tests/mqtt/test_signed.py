"""Signed messages, through a real broker: those of the keys that are known are taken, and nobody else's."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from gateway.config import BrokerFile, load_broker
from gateway.mqtt.signed import refusal, signature
from tests.broker import Mosquitto, mqtt
from tests.mqtt.test_publish import Gathering, broker, count, fed, forwarded
from tests.support import needs_program, wait_for

__all__ = ["broker"]
pytestmark = [needs_program("mosquitto"), needs_program("openssl")]


def keys(folder: Path, name: str) -> tuple[Path, Path]:
    private, public = folder / f"{name}.pem", folder / f"{name}.pub"
    for command in (
        ("genpkey", "-algorithm", "ed25519", "-out", private),
        ("pkey", "-in", private, "-pubout", "-out", public),
    ):
        subprocess.run(["openssl", *map(str, command)], check=True, capture_output=True)
    return private, public


def test_only_messages_signed_by_the_key_of_their_gateway_are_gathered(tmp_path: Path, broker: Mosquitto) -> None:
    (mine, public), (other, _) = keys(tmp_path, "mine"), keys(tmp_path, "other")
    for name in ("a", "b", "c", "d"):
        fed(tmp_path / f"{name}.db")
    with Gathering(mqtt(broker.port), tmp_path / "g.db", keys={"bench": public}) as gathering:
        forwarded(mqtt(broker.port, sign=mine), tmp_path / "a.db")
        forwarded(mqtt(broker.port), tmp_path / "b.db")
        forwarded(mqtt(broker.port, sign=other), tmp_path / "c.db")
        forwarded(mqtt(broker.port, gateway="stranger", sign=mine), tmp_path / "d.db")
        assert gathering.gatherer is not None
        skipped = gathering.gatherer.progress.skipped
        told = {
            "a message of 'bench' that is not signed",
            "a message that is not signed by the key of 'bench'",
            "gateway 'stranger' has no key here",
        }
        wait_for(lambda: told <= set(skipped) and count(tmp_path / "g.db") == count(tmp_path / "a.db"))
    assert count(tmp_path / "g.db") == count(tmp_path / "a.db")


def test_a_signature_holds_for_one_topic_and_one_payload() -> None:
    class Properties:
        UserProperty: list[tuple[str, str]]

    key, told = Ed25519PrivateKey.generate(), Properties()
    known = {"bench": key.public_key()}
    told.UserProperty = [signature(key, "p/bench/a/b", b"payload")]
    assert refusal(known, "bench", "p/bench/a/b", b"payload", told) == ""
    for topic, payload in (("p/bench/a/c", b"payload"), ("p/bench/a/b", b"Payload")):
        assert refusal(known, "bench", topic, payload, told)
    told.UserProperty = [("signature", "%%%")]
    assert refusal(known, "bench", "p/bench/a/b", b"payload", told)


def test_a_key_that_is_missing_is_told_with_its_place(tmp_path: Path) -> None:
    (tmp_path / "run.toml").write_text(
        '[mqtt]\nhost = "localhost"\nsign = "a.pem"\n[gather]\nkeys = { bench = "b.pub" }\n'
    )
    with pytest.raises(Exception, match=r"(?s)mqtt.sign: there is no file.*gather.keys.bench: there is no file"):
        load_broker(tmp_path / "run.toml")


def test_keys_stand_beside_the_run_file(tmp_path: Path) -> None:
    _, public = keys(tmp_path, "rack")
    (tmp_path / "run.toml").write_text('[mqtt]\nhost = "localhost"\n[gather]\nkeys = { rack-1 = "rack.pub" }\n')
    file: BrokerFile = load_broker(tmp_path / "run.toml")
    assert file.keys == {"rack-1": public}
