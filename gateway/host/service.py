"""Speak with the service manager that started us (the notification protocol of systemd): ready, still alive, reloading,
stopping. Nothing happens where there is none."""

from __future__ import annotations

import contextlib
import os
import socket
import time


def is_service() -> bool:
    """Whether a service manager wants to be told."""
    return bool(os.environ.get("NOTIFY_SOCKET"))


def notify(*lines: str) -> None:
    """Tell it, such as ``READY=1``. A manager that does not listen costs nothing."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address or not hasattr(socket, "AF_UNIX"):
        return
    place = "\0" + address[1:] if address.startswith("@") else address
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.setblocking(False)
        manager.sendto("\n".join(lines).encode(), place)


def reloading() -> None:
    """Tell that the reload that was asked for has begun; ``READY=1`` then ends it."""
    notify("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")
