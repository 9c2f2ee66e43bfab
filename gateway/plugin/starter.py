"""A starting plugin for an engineer's own node: short, commented, and good as it stands."""

from __future__ import annotations

from pathlib import Path
from uuid import uuid4

from gateway.host.files import refuse_existing
from gateway.model.errors import InputError
from gateway.plugin.load import KIND

_PLUGIN = """\
# What one kind of node looks like over the air. Check it with:  gattest check {folder}

[plugin]
kind  = "{kind}"
title = "Describe this node here"

# One table for each characteristic, one line for each field, in the order of the bytes. UUIDs are your own
# (these are random) or the 16-bit UUID of an adopted Bluetooth characteristic.
[characteristic.data]
uuid       = "{uuid_data}"
service    = "{uuid_service}"
properties = ["read", "notify"]
fields = [
  # a counter that increments with each value and wraps around; loss is measured with it
  {{ name = "sequence", type = "uint8", role = "sequence" }},
  # two's complement, one count is 0.01 degC, 0x8000 means that there is no reading
  {{ name = "temperature", type = "sint16", lsb = "0.01 degC", reserved = {{ 0x8000 = "not known" }} }},
  # fields narrower than a byte share it, from bit 0 upwards; the remaining bits are reserved
  {{ name = "state", type = "uint2", names = {{ 0 = "resting", 1 = "measuring", 2 = "fault" }} }},
  {{ name = "with_light", type = "boolean" }},
  {{ rfu = 5 }},
  # present only if the flag above is set
  {{ name = "light", type = "uint16", lsb = "1 lux", when = "with_light" }},
]

# Written to switch the sensor and to set its period.
[characteristic.settings]
uuid       = "{uuid_settings}"
service    = "{uuid_service}"
properties = ["read", "write"]
fields = [
  {{ name = "enabled", type = "uint8" }},
  {{ name = "period", type = "uint16", lsb = "0.1 s", limits = ["0.1 s", "10 min"] }},
]

[sensor.main]
data   = "data"
enable = {{ characteristic = "settings", field = "enabled", on = 1, off = 0 }}
period = {{ characteristic = "settings", field = "period", default = "1 s" }}

[characteristic.battery]
uuid       = "0x2A19"
service    = "0x180F"
properties = ["read"]
"""
_CAPTURE = """\
# gattest capture 1
# plugin: {kind}
# origin: invented
2026-01-01T00:00:00Z node-1 data 01 6009 01
2026-01-01T00:00:01Z node-1 data 02 0080 05 f401
"""
_EXPECTED = """\
# What each line of first.capture must decode to.

[[frame]]
line        = 4
sequence    = 1
temperature = "24 degC"
state       = "measuring"
with_light  = 0

[[frame]]
line        = 5
sequence    = 2
temperature = "no reading"
state       = "measuring"
with_light  = 1
light       = "500 lux"
"""


def write_plugin(kind: str, into: Path, force: bool = False) -> Path:
    """Write a starting plugin and its recorded stream into the folder ``into/kind``.

    Args:
        force: overwrite what is there of these files.

    Raises:
        InputError: the name can't be a kind, one of the files exists, or it can't be written.
    """
    if not KIND.fullmatch(kind):
        raise InputError(f"{kind!r} can't be a kind of node: lower-case letters, digits and -, at most 40")
    folder = into / kind
    uuids = {f"uuid_{name}": str(uuid4()) for name in ("service", "data", "settings")}
    files = {
        folder / "plugin.toml": _PLUGIN.format(kind=kind, folder=folder.as_posix(), **uuids),
        folder / "streams" / "first.capture": _CAPTURE.format(kind=kind),
        folder / "streams" / "first.expected.toml": _EXPECTED,
    }
    for path in files:
        refuse_existing(path, force)
    try:
        for path, text in files.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, "utf-8")
    except OSError as error:
        raise InputError(f"{folder} can't be written: {error.strerror}; choose another folder with --into") from None
    return folder
