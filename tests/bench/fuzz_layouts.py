"""A million random payloads into every shipped and adopted layout: values or a fault, never an exception, and one
payload in five hundred compared with single decoding. Run by hand: python tests/bench/fuzz_layouts.py [PAYLOADS]"""

from __future__ import annotations

import math
import sys
import time

import numpy as np

from gateway.model.errors import DecodeError
from gateway.plugin import find_plugin
from gateway.plugin.layout.codec import Codec
from gateway.plugin.layout.columns import decode_columns
from gateway.plugin.layout.model import Layout
from gateway.plugin.standard.adopted import adopted, adopted_layout

CHUNK, COMPARED = 50_000, 500


def payloads(layout: Layout, chance: np.random.Generator) -> list[bytes]:
    """Random bytes; half of them of a length that can fit."""
    most = layout.head + (4 * layout.samples.size if layout.samples else 0) + (6 if layout.tail else 0)
    lengths = np.where(chance.random(CHUNK) < 0.5, most, chance.integers(0, most + 4, CHUNK))
    ends = np.cumsum(lengths)
    data = chance.bytes(int(ends[-1]))
    return [data[end - length : end] for end, length in zip(ends.tolist(), lengths.tolist(), strict=True)]


def compare(codec: Codec, raws: list[bytes]) -> None:
    decoded = decode_columns(codec.layout, raws)
    for part in decoded.parts:
        columns = {name: cut.to_list() for name, cut in part.fields.items()}
        for row, position in enumerate(part.positions.tolist()):
            if position % COMPARED == 0:
                wanted = {r.name: r.value for r in codec.read(raws[position]) if "[" not in r.name}
                got = {name: column[row] for name, column in columns.items()}
                assert all(
                    got[k] == v or (isinstance(v, float) and math.isclose(got[k], v)) for k, v in wanted.items()
                ), (raws[position].hex(), got, wanted)
    for position in list(decoded.faults)[::COMPARED]:
        try:
            codec.read(raws[position])
        except DecodeError:
            continue
        raise AssertionError(raws[position].hex())


def main() -> None:
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    layouts = {known.name: adopted_layout(uuid) for uuid, known in adopted().items()}
    for kind in ("loan-crate", "bore-gauge"):
        layouts |= {f"{kind}.{name}": item.layout for name, item in find_plugin(kind).characteristics.items()}
    chance = np.random.default_rng(1)
    started = time.perf_counter()
    for layout in layouts.values():
        if layout is not None:
            codec = Codec(layout, "fuzzed")
            for _ in range(wanted // CHUNK):
                compare(codec, payloads(layout, chance))
    print(
        f"{wanted:,} payloads into each of {len(layouts)} layouts in {time.perf_counter() - started:.0f} s: none raised"
    )


if __name__ == "__main__":
    main()
