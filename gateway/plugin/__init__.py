"""Plugins: what one kind of node looks like over the air. Found, loaded and proven here; the rest of the product
works with `Plugin` and never looks at the file again."""

from gateway.plugin.find import find_plugin, plugin_folders
from gateway.plugin.load import KIND, load_plugin, load_plugin_text
from gateway.plugin.model import (
    Characteristic,
    Derived,
    Input,
    Plugin,
    Property,
    Sensor,
    Setting,
    Values,
    period_fits,
    period_ns_of,
)
from gateway.plugin.require import read_spec
from gateway.plugin.shape import SpecShape

__all__ = [
    "KIND",
    "Characteristic",
    "Derived",
    "Input",
    "Plugin",
    "Property",
    "Sensor",
    "Setting",
    "SpecShape",
    "Values",
    "find_plugin",
    "load_plugin",
    "load_plugin_text",
    "period_fits",
    "period_ns_of",
    "plugin_folders",
    "read_spec",
]
