"""The `[mqtt]` part of a run file: which broker, how it is reached, and how values are packed for it."""

from __future__ import annotations

import platform
import re
from collections.abc import Mapping
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict
from pydantic import Field as Declared

from gateway.config.problems import Problems
from gateway.host.toml import read_toml, shape
from gateway.model.errors import ProblemsError
from gateway.model.units import parse_unit

_STRICT = ConfigDict(extra="forbid", strict=True)
_LEVEL = re.compile(r"[^+#/\x00-\x1f]+")
_FEWEST_FRAMES_PER_S = 10.0


class MqttShape(BaseModel):
    model_config = _STRICT
    host: str
    port: Annotated[int, Declared(ge=1, le=65535)] | None = None
    tls: bool = False
    ca: str | None = None
    certificate: str | None = None
    key: str | None = None
    credentials: str | None = None
    client_id: str | None = None
    prefix: str = "gattest"
    gateway: str | None = None
    qos: Annotated[int, Declared(ge=0, le=1)] = 1
    form: Literal["json", "cbor"] = "json"
    pack: Annotated[int, Declared(ge=1, le=10_000)] = 200
    pack_age: str = "100 ms"
    backfill: str = "40000 /s"
    keep: str = "7 days"
    sign: str | None = None


class GatherShape(BaseModel):
    model_config = _STRICT
    group: str = "gattest"
    postgres: str | None = None
    keys: dict[str, str] = {}


class BrokerFileShape(BaseModel):
    model_config = ConfigDict(strict=True)  # the rest of a run file is not looked at
    mqtt: MqttShape
    gather: GatherShape = GatherShape()


@dataclass(frozen=True, slots=True)
class MqttConfig:
    """A broker and what it is sent.

    Attributes:
        ca, certificate, key: PEM files; None for the system's authorities, and for no certificate of our own.
        credentials: a file of two lines, user and password; None for the environment.
        client_id: None for one made up for each process.
        prefix: what every topic begins with.
        gateway: the level after it, which tells gateways apart.
        pack: frames a pack holds at most.
        pack_age_ns: how long a frame waits for others.
        backfill: frames a second that are sent besides those that come.
        keep_ns: how long the broker may keep a pack for a consumer that is away (MQTT 5).
        sign: an Ed25519 key (PEM) by which every message is signed (MQTT 5); None for not signed.
    """

    host: str
    port: int
    tls: bool
    ca: Path | None
    certificate: Path | None
    key: Path | None
    credentials: Path | None
    client_id: str | None
    prefix: str
    gateway: str
    qos: int
    form: Literal["json", "cbor"]
    pack: int
    pack_age_ns: int
    backfill: float
    keep_ns: int
    sign: Path | None = None

    @property
    def name(self) -> str:
        """What the log calls this broker."""
        return f"{self.host}:{self.port}/{self.prefix}/{self.gateway}"


@dataclass(frozen=True, slots=True)
class BrokerFile:
    """What `gather` and `forward` need of a run file.

    Attributes:
        group: gatherers of one name share what comes between them.
        postgres: a PostgreSQL address such as ``postgresql://host/name``, None to gather into a log.
        keys: by the name of a gateway the public key (PEM) that its messages must be signed with; where there are any,
            nobody else is listened to.
    """

    mqtt: MqttConfig
    group: str
    postgres: str | None
    keys: Mapping[str, Path] = dataclass_field(default_factory=dict)


def load_broker(path: Path) -> BrokerFile:
    """Read the broker of a run file.

    Raises:
        ProblemsError: everything that is wrong with it.
    """
    _, content = read_toml(path)
    file = shape(BrokerFileShape, content, str(path))
    g = Problems(path)
    config = read_mqtt(g, file.mqtt)
    check_gather(g, file.gather)
    if g.problems:
        raise ProblemsError(g.problems)
    keys = {name: path.parent / key for name, key in file.gather.keys.items()}
    return BrokerFile(config, file.gather.group, file.gather.postgres, keys)


def check_gather(g: Problems, decl: GatherShape) -> None:
    """See that what gathers can be meant, and holds no secret: a run file is kept in every log, and published."""
    if not re.fullmatch(r"[^+#/\x00-\x1f]+", decl.group):
        g.report_problem("gather.group", f"{decl.group!r}", "a name without +, # and /")
    for name, key in decl.keys.items():
        if not (g.path.parent / key).is_file():
            g.report_problem(f"gather.keys.{name}", f"there is no file {g.path.parent / key}", "a public key in PEM")
    address = decl.postgres or ""
    if re.search(r"password\s*=|//[^/@]*:[^/@]*@", address):
        g.report_problem(
            "gather.postgres", "a password", "none here: libpq takes it from PGPASSWORD or its password file"
        )


def read_mqtt(g: Problems, decl: MqttShape) -> MqttConfig:
    """The broker of a run file; paths are beside it."""
    labels = decl.host.rstrip(".").split(".")
    if "@" in decl.host or "//" in decl.host:
        g.report_problem("mqtt.host", "an address with a user or a scheme", "the bare host; credentials in a file")
    elif len(decl.host) > 253 or not all(0 < len(label) <= 63 and label.isprintable() for label in labels):
        g.report_problem("mqtt.host", f"{decl.host!r}", "the host name or address of a broker")
    folder = g.path.parent
    paths: dict[str, Path | None] = {}
    for key in ("ca", "certificate", "key", "credentials", "sign"):
        text = getattr(decl, key)
        paths[key] = folder / text if text is not None else None
        if (path := paths[key]) is not None and not path.is_file():
            g.report_problem(f"mqtt.{key}", f"there is no file {path}", "a path relative to the run file")
    if (decl.certificate is None) != (decl.key is None):
        g.report_problem("mqtt.certificate", "a certificate without its key, or a key without its certificate", "both")
    tls = decl.tls or decl.ca is not None or decl.certificate is not None
    gateway = decl.gateway if decl.gateway is not None else re.sub(r"[+#/\s]", "-", platform.node()) or "gateway"
    for key, text, levels in (("prefix", decl.prefix, decl.prefix.split("/")), ("gateway", gateway, [gateway])):
        if text.startswith("$") or len(text) > 200 or not all(_LEVEL.fullmatch(level) for level in levels):
            g.report_problem(f"mqtt.{key}", f"{text!r}", "topic levels without + and #, not empty, not starting with $")
    backfill = g.number("mqtt.backfill", decl.backfill, parse_unit("1/s"), 1.0)
    if not _FEWEST_FRAMES_PER_S <= backfill <= 1e7:
        g.report_problem("mqtt.backfill", f"{decl.backfill!r}", "frames per second, from '10 /s' to '1e7 /s'")
    age_ns, keep_ns = g.duration("mqtt.pack_age", decl.pack_age), g.duration("mqtt.keep", decl.keep)
    if not 10_000_000 <= age_ns <= 3_600_000_000_000:
        g.report_problem("mqtt.pack_age", f"{decl.pack_age!r}", "10 ms to 1 h")
    port = decl.port if decl.port is not None else (8883 if tls else 1883)
    return MqttConfig(
        decl.host,
        port,
        tls,
        paths["ca"],
        paths["certificate"],
        paths["key"],
        paths["credentials"],
        decl.client_id,
        decl.prefix,
        gateway,
        decl.qos,
        decl.form,
        decl.pack,
        age_ns,
        backfill,
        keep_ns,
        paths["sign"],
    )
