"""Simulated nodes put together: made from a plugin, on a virtual radio beside whatever else is there, or on the air
through a controller."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

from gateway.config import RunConfig, TwinConfig
from gateway.plugin import Plugin
from gateway.radio import Radio

if TYPE_CHECKING:
    from gateway.radio.twin import Twin
    from gateway.radio.virtual import VirtualRadio


def make_twin(radio: VirtualRadio, plugin: Plugin, name: str, config: TwinConfig, seed: int) -> Twin:
    """A simulated node on a virtual air, not yet started.

    Args:
        name: what it advertises.
        seed: of its noise and of its losses.
    """
    from gateway.radio.twin import Twin
    from gateway.radio.virtual import make_host

    device, controller = make_host(radio.air, name, config.address)
    twin = Twin(plugin, name, config, device, seed)
    if twin.extended:
        controller.extend()
    return twin


def make_twins(config: RunConfig, radio: Radio, but: Collection[str] = ()) -> dict[str, Twin]:
    """The simulated nodes of a run file except those named, not yet started; none but on a virtual air."""
    if not config.twins:
        return {}
    from gateway.radio.virtual import VirtualRadio

    if not isinstance(radio, VirtualRadio):
        return {}
    return {
        name: make_twin(radio, node.plugin, node.find_name or node.name.upper(), config.twins[name], config.air.seed)
        for name, node in config.nodes.items()
        if name not in but
    }
