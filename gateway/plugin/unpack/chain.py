"""All steps of a plugin's nodes, with what each has in hand. A message may hold messages itself."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import Protocol

from gateway.plugin.unpack.model import Held, Messages, Opened, Step


class Unpackable(Protocol):
    """What is needed of a plugin."""

    @property
    def steps(self) -> Mapping[str, Step]:
        """By the characteristic whose values it takes."""

    def inner(self, outer: str) -> tuple[int, Mapping[int, str]] | str:
        """Which byte of a message in a characteristic tells what it is, with the characteristic by its number; or the
        only one that it can be."""


class Unpacking:
    """What the steps of some nodes have in hand. A copy of it, made before a batch, takes its place where the batch is
    not kept."""

    def __init__(self) -> None:
        self._held: dict[tuple[Hashable, str], Held] = {}

    def take(
        self, node: Hashable, plugin: Unpackable, outer: str, frames: Sequence[tuple[int, int, bytes]]
    ) -> tuple[dict[str, Messages], dict[int, str]]:
        """Take values of a characteristic.

        Args:
            frames: id, t_ns and bytes of each, in the order they came.

        Returns:
            Messages by the characteristic they are, and why frames did not become part of one, by their id.
        """
        step, opened = plugin.steps[outer], Opened()
        held = self._held.setdefault((node, outer), Held())
        for frame, t_ns, raw in frames:
            step.take(held, frame, t_ns, raw, opened)
        found: dict[str, Messages] = {}
        inside = plugin.inner(outer)
        if isinstance(inside, str):
            if opened.messages:
                found[inside] = opened.messages
        else:
            self._sort(*inside, opened, found)
        for name in [name for name in found if name in plugin.steps]:
            # a message of several frames stands for the last of them: what is wrong with it is told there
            own = found[name]
            inner, wrong = self.take(node, plugin, name, list(zip(own.last, own.t_ns, own.raw, strict=True)))
            for deeper, messages in inner.items():
                found.setdefault(deeper, Messages()).extend(messages)
            for frame, why in wrong.items():
                opened.faults.setdefault(frame, why)
        return found, opened.faults

    @staticmethod
    def _sort(at: int, names: Mapping[int, str], opened: Opened, found: dict[str, Messages]) -> None:
        places: dict[int | None, list[int]] = {}
        for place, raw in enumerate(opened.messages.raw):
            places.setdefault(raw[at] if len(raw) > at else None, []).append(place)
        for number, own in places.items():
            name = names.get(number) if number is not None else None
            if name is None:
                for message in opened.messages.chosen(own):
                    opened.faults.setdefault(message.last, f"a message that no layout is for: {message.raw[:8].hex()}…")
            else:
                found[name] = opened.messages if len(places) == 1 else opened.messages.chosen(own)

    def copy(self) -> Unpacking:
        """As it is now."""
        fresh = Unpacking()
        fresh._held = {key: held.copy() for key, held in self._held.items()}
        return fresh
