"""Where plugins lie: beside a run file, in the working folder, in installed packages, and with the product."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from importlib.metadata import entry_points
from importlib.util import find_spec
from pathlib import Path

from gateway.host import shipped
from gateway.model.errors import InputError
from gateway.plugin.load import load_plugin
from gateway.plugin.model import Plugin

ENTRY_POINTS = "gattest.plugins"  # each names an installed package whose folder holds plugin folders


def _installed() -> Iterator[Path]:
    """Folders of installed packages that offer plugins; a top-level package is found without being run."""
    for point in entry_points(group=ENTRY_POINTS):
        spec = find_spec(point.value) if "." not in point.value else None
        yield from map(Path, (spec.submodule_search_locations or ()) if spec else ())


def plugin_folders(extra: Sequence[Path] = ()) -> dict[str, Path]:
    """Folders that hold a plugin.toml, by folder name; ``extra`` goes before the shipped ones."""
    found: dict[str, Path] = {}
    for place in (*extra, Path("plugins"), *_installed(), shipped.folder("plugins")):
        if place.is_dir():
            for file in sorted(place.glob("*/plugin.toml")):
                found.setdefault(file.parent.name, file.parent)
    return found


def find_plugin(name: str, extra: Sequence[Path] = ()) -> Plugin:
    """Load a plugin by the name of its folder, or by its path.

    Raises:
        InputError: there is none of that name.
        ProblemsError: everything that is wrong with it.
    """
    path = Path(name)
    if (path / "plugin.toml").is_file() or path.suffix == ".toml":
        return load_plugin(path)
    known = plugin_folders(extra)
    if name not in known:
        raise InputError(
            f"plugin {name!r} not found; known: {', '.join(sorted(known)) or 'none'}; or give the path of its folder"
        )
    return load_plugin(known[name])
