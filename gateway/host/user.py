"""Who runs this, for what is written down about who did what."""

from __future__ import annotations

import getpass
import os
import platform


def user_name() -> str:
    """The user's name, by number where the system has no name for it."""
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return str(os.getuid()) if hasattr(os, "getuid") else "unknown"


def who() -> str:
    """The user and the machine."""
    return f"{user_name()}@{platform.node()}"
