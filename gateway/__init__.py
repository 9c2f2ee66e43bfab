"""Verify prototype Bluetooth LE sensor nodes against their written spec.

One function for each thing the tool does, the same that the commands call. Those that use a radio or a broker are
coroutines: await them in a notebook, or give them to ``asyncio.run``. Errors are those of `gateway.model.errors`, all
of them subclasses of `GattestError` with a text that is ready to show.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from gateway.model.errors import GattestError, InputError
from gateway.model.version import __version__

if TYPE_CHECKING:
    from gateway.app.broker import fetch, forward, gather, retry
    from gateway.app.check import check, decode, decode_columns
    from gateway.app.contract import contract, write_contract
    from gateway.app.draft import draft
    from gateway.app.energy import charge, lifetime, plan
    from gateway.app.extract import extract
    from gateway.app.judge import agree, compare, figures, judge
    from gateway.app.logs import contents, damage, export, merge, newest, redecode, table
    from gateway.app.record import record
    from gateway.app.replay import replay
    from gateway.app.report import review
    from gateway.app.run import cut_off_run, run
    from gateway.app.scan import scan
    from gateway.app.serve import serve
    from gateway.app.sweep import sweep
    from gateway.app.verify.audit import audit
    from gateway.app.verify.exercise import exercise
    from gateway.config import load_broker, load_run
    from gateway.plugin import find_plugin, load_plugin

__all__ = [
    "GattestError",
    "InputError",
    "__version__",
    "agree",
    "audit",
    "charge",
    "check",
    "compare",
    "contents",
    "contract",
    "cut_off_run",
    "damage",
    "decode",
    "decode_columns",
    "draft",
    "exercise",
    "export",
    "extract",
    "fetch",
    "figures",
    "find_plugin",
    "forward",
    "gather",
    "judge",
    "lifetime",
    "load_broker",
    "load_plugin",
    "load_run",
    "merge",
    "newest",
    "plan",
    "record",
    "redecode",
    "replay",
    "retry",
    "review",
    "run",
    "scan",
    "serve",
    "sweep",
    "table",
    "write_contract",
]
_HOMES = {
    "gateway.app.broker": ("fetch", "forward", "gather", "retry"),
    "gateway.app.check": ("check", "decode", "decode_columns"),
    "gateway.app.contract": ("contract", "write_contract"),
    "gateway.app.draft": ("draft",),
    "gateway.app.energy": ("charge", "lifetime", "plan"),
    "gateway.app.extract": ("extract",),
    "gateway.app.judge": ("agree", "compare", "figures", "judge"),
    "gateway.app.logs": ("contents", "damage", "export", "merge", "newest", "redecode", "table"),
    "gateway.app.record": ("record",),
    "gateway.app.replay": ("replay",),
    "gateway.app.report": ("review",),
    "gateway.app.run": ("cut_off_run", "run"),
    "gateway.app.scan": ("scan",),
    "gateway.app.serve": ("serve",),
    "gateway.app.sweep": ("sweep",),
    "gateway.app.verify.audit": ("audit",),
    "gateway.app.verify.exercise": ("exercise",),
    "gateway.config": ("load_broker", "load_run"),
    "gateway.plugin": ("find_plugin", "load_plugin"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    """Import what is asked for when it is asked for: a command that needs one part does not wait for the others."""
    if name not in _HOME_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOME_OF[name]), name)


def __dir__() -> list[str]:
    return __all__
