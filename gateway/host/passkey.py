"""Where the passkey of a node comes from: a file, the environment, or whoever sits at the terminal. It stands in no run
file, log or message."""

from __future__ import annotations

import os
import re
import sys
from getpass import getpass
from pathlib import Path

from gateway.model.errors import InputError
from gateway.model.security import Pairing, Security

PASSKEY = "GATTEST_PASSKEY"
_WANTED = "six digits"  # Core Specification, Vol 3, Part H, 2.3.5.3


def with_passkey(who: str, pairing: Pairing | None, file: Path | None = None) -> Pairing | None:
    """What to pair with, its passkey included where one is needed.

    Args:
        who: whose it is, for messages and for the question at the terminal.
        file: where it stands; None for the environment or the terminal.

    Raises:
        InputError: there is none, or what there is isn't one.
    """
    if pairing is None or pairing.security is not Security.AUTHENTICATED or pairing.passkey is not None:
        return pairing
    if file is not None:
        try:
            return Pairing(pairing.security, _number(file.read_text("utf-8"), str(file)))
        except (OSError, UnicodeDecodeError) as error:
            why = error.strerror if isinstance(error, OSError) else "it is not text"
            raise InputError(f"{file} can't be read: {why}; expected the passkey of {who}, {_WANTED}") from None
    if PASSKEY in os.environ:
        return Pairing(pairing.security, _number(os.environ[PASSKEY], PASSKEY))
    if sys.stdin.isatty() and sys.stderr.isatty():
        return Pairing(pairing.security, _number(getpass(f"passkey of {who}: ", sys.stderr), "the passkey"))
    raise InputError(
        f"{who} asks for an authenticated link, and its passkey is not known; name a file that holds it as passkey "
        f"under its node in the run file, or set {PASSKEY}"
    )


def _number(text: str, where: str) -> int:
    if not re.fullmatch(r"[0-9]{6}", text.strip()):
        raise InputError(f"{where} does not hold a passkey; expected {_WANTED} and nothing else")
    return int(text)
