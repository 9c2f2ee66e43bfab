"""A run as a service: the unit file that systemd reads."""

from __future__ import annotations

import re
from pathlib import Path

from gateway.model.errors import InputError

_USER = re.compile(r"[a-z_][a-z0-9_-]{0,30}")  # as Debian's adduser takes them by default
_UNIT = """\
# Runs {run}. To use it:
#   save this as /etc/systemd/system/NAME.service, then
#   systemctl daemon-reload && systemctl enable --now NAME
# After adding nodes to the run file: systemctl reload NAME
# Exit codes: 0 pass, 1 fail and 3 inconclusive end a run normally; 2 is bad input or no adapter, and is retried.

[Unit]
Description={title}
After=bluetooth.target network-online.target
Wants=bluetooth.target network-online.target

[Service]
Type=notify
User={user}
WorkingDirectory={folder}
ExecStart={program} run {run} --into {log} --health {health} --resume
ExecReload=/bin/kill -HUP $MAINPID
# User and password of a broker, as GATTEST_MQTT_USER=... and GATTEST_MQTT_PASSWORD=...
EnvironmentFile=-/etc/gattest/credentials
WatchdogSec=30
TimeoutStartSec=60
TimeoutStopSec=120
KillMode=mixed
SuccessExitStatus=1 3
Restart=on-failure
RestartSec=30
NoNewPrivileges=yes
ProtectSystem=full

[Install]
WantedBy=multi-user.target
"""


def unit_file(title: str, program: Path, run: Path, log: Path, user: str) -> str:
    """The unit.

    Paths are absolute; systemd's own signs in them are written so that it takes them as they are.

    Raises:
        InputError: the user is no user name.
    """
    if not _USER.fullmatch(user):
        raise InputError(f"--user {user!r} is not a user name; lower-case letters, digits, - and _, at most 31")
    return _UNIT.format(
        title=" ".join(title.replace("%", "%%").split()),
        user=user,
        folder=str(log.parent).replace("%", "%%"),
        program=_word(program),
        run=_word(run),
        log=_word(log),
        health=_word(log.with_suffix(".health.json")),
    )


def _word(path: Path) -> str:
    """A path as one word of a command line of a unit."""
    text = str(path).replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{text}"' if any(sign in text for sign in " \t'\";") else text
