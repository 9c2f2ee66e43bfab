"""Where the plugins and run files that come with the product lie: inside the installed package, or at
the top of a source checkout."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parents[1]


def folder(name: str) -> Path:
    """The shipped folder ``name`` ("plugins" or "configs")."""
    installed = _PACKAGE / "shipped" / name
    return installed if installed.is_dir() else _PACKAGE.parent / name
