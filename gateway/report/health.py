"""What each node of a run is doing, in a file that is replaced every few seconds: for whatever watches machines."""

from __future__ import annotations

import contextlib
import json
import os
from datetime import UTC, datetime
from pathlib import Path

from gateway.model.link import State
from gateway.model.utc import utc_text
from gateway.report.live import RunView

EVERY_S = 2.0


def may_replace(path: Path) -> bool:
    """Whether there is no such file, or one that a run before wrote."""
    try:
        text = path.read_text("utf-8")
        told = json.loads(text) if text.strip() else {"nodes": {}}
    except FileNotFoundError:
        return True
    except (OSError, ValueError):
        return False
    return isinstance(told, dict) and "nodes" in told


class Health:
    """Writes the file, whole or not at all; a disk that refuses costs nothing but its freshness.

    Args:
        path: the file; its time tells how fresh it is, and so does ``utc`` in it.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._next_s = 0.0

    def __call__(self, view: RunView) -> None:
        over = all(node.link.state in (State.ENDED, State.UNFIT) for node in view.nodes)
        if view.elapsed_s < self._next_s and not over:
            return
        self._next_s = view.elapsed_s + EVERY_S
        told = {
            "utc": datetime.now(UTC).isoformat(timespec="seconds"),
            "title": view.title,
            "elapsed_s": round(view.elapsed_s, 1),
            "length_s": view.length_s,
            "log": str(view.status.path),
            "values": view.status.frames,
            "dropped": view.status.dropped,
            "seal": view.status.seal or None,
            "trouble": view.status.failed or view.status.trouble,
            "broker": view.sending,
            "verdicts": None
            if view.so_far is None
            else {
                "after_s": round(view.so_far.at_s, 1),
                "requirements": [
                    dict(zip(("node", "of", "figure", "outcome"), one, strict=True)) for one in view.so_far.verdicts
                ],
            },
            "nodes": {
                node.name: {
                    "state": node.link.state,
                    "disconnects": node.link.disconnects,
                    "unfit": node.unfit,
                    "channels": {
                        channel: {
                            "values": status.frames,
                            "bad": status.faults,
                            "newest_utc": utc_text(status.t_ns) if status.t_ns else None,
                        }
                        for (owner, channel), status in view.status.channels.items()
                        if owner == node.name
                    },
                }
                for node in view.nodes
            },
        }
        new = self._path.with_name(self._path.name + ".new")
        with contextlib.suppress(OSError):
            new.write_text(json.dumps(told, indent=1, ensure_ascii=False) + "\n", "utf-8")
            os.replace(new, self._path)  # noqa: PTH105  atomic by name
