"""All steps of a plugin's nodes, with what each has in hand. A message may hold messages itself."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import Protocol

from gateway.plugin.unpack.model import Held, Opened, Step, Whole


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
    ) -> tuple[dict[str, list[Whole]], dict[int, str]]:
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
        found: dict[str, list[Whole]] = {}
        inside = plugin.inner(outer)
        if isinstance(inside, str):
            if opened.messages:
                found[inside] = opened.messages
        else:
            self._sort(*inside, opened, found)
        for name in [name for name in found if name in plugin.steps]:
            # a message of several frames stands for the last of them: what is wrong with it is told there
            inner, wrong = self.take(node, plugin, name, [(m.last, m.t_ns, m.raw) for m in found[name]])
            for deeper, messages in inner.items():
                found.setdefault(deeper, []).extend(messages)
            for frame, why in wrong.items():
                opened.faults.setdefault(frame, why)
        return found, opened.faults

    @staticmethod
    def _sort(at: int, names: Mapping[int, str], opened: Opened, found: dict[str, list[Whole]]) -> None:
        sorted_by = {number: found.setdefault(name, []) for number, name in names.items()}
        for message in opened.messages:
            raw = message[1]
            if len(raw) > at and (ones := sorted_by.get(raw[at])) is not None:
                ones.append(message)
            else:
                opened.faults.setdefault(message.last, f"a message that no layout is for: {raw[:8].hex()}…")
        for name in [name for name, ones in found.items() if not ones]:
            del found[name]

    def copy(self) -> Unpacking:
        """As it is now."""
        fresh = Unpacking()
        fresh._held = {key: held.copy() for key, held in self._held.items()}
        return fresh
