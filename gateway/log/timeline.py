"""Which constants of a node held for which of its frames."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Hashable, Iterator, Sequence

from gateway.model.errors import DecodeError
from gateway.plugin.derive import as_constants
from gateway.plugin.layout.codec import Codec

Held = dict[str, dict[str, float]]


class Timeline:
    """The constants of each node, from which frame on they held."""

    def __init__(self) -> None:
        self._nodes: dict[Hashable, list[tuple[int, Held]]] = {}

    def add(self, node: Hashable, frame: int, channel: str, raw: bytes, codec: Codec) -> None:
        """What was read. What does not decode changes nothing."""
        try:
            values = as_constants(codec.read(raw))
        except DecodeError:
            return
        known = self._nodes.setdefault(node, [])
        at = bisect_left(known, frame, key=lambda one: one[0])
        last = known[at - 1][1] if at else {}
        if last.get(channel) != values:
            known.insert(at, (frame, {**last, channel: values}))
            for number in range(at + 1, len(known)):  # what was read later and came earlier
                held = known[number][1]
                known[number] = (known[number][0], {channel: values, **held})

    def first(self, node: Hashable) -> int | None:
        """The frame from which on it is known what holds."""
        known = self._nodes.get(node)
        return known[0][0] if known else None

    def anew(self) -> Timeline:
        """A timeline of what holds now, from the first frame on: for a file whose frames are numbered anew."""
        fresh = Timeline()
        fresh._nodes = {node: [(0, known[-1][1])] for node, known in self._nodes.items() if known}
        return fresh

    def parts(self, node: Hashable, ids: Sequence[int]) -> Iterator[tuple[slice, Held]]:
        """Stretches of rising frame ids with what held for each; before the first reading, that one holds."""
        known = self._nodes.get(node, [])
        if not known:
            yield slice(0, len(ids)), {}
            return
        start = 0
        for number, (_, held) in enumerate(known, 1):
            end = bisect_left(ids, known[number][0]) if number < len(known) else len(ids)
            if end > start:
                yield slice(start, end), held
                start = end
