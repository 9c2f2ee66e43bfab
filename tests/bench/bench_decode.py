"""How fast payloads become values, against code written by hand for one layout.

    python tests/bench/bench_decode.py

The layout is 16 bytes: a counter, scaled 16-bit values, a 24-bit integer, four flag bits beside a 12-bit value,
an 11 and 5 bit pair, and a 32-bit time. Ratios are medians over interleaved rounds of one run.
"""

from __future__ import annotations

import os
import statistics
import struct
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from gateway.plugin.layout.codec import Codec
from gateway.plugin.layout.columns import decode_columns
from gateway.plugin.layout.declare import FieldDecl, SamplesDecl, read_layout
from gateway.plugin.layout.model import Layout

FIELDS: list[dict[str, Any]] = [
    {"name": "sequence", "type": "uint8"},
    {"name": "temperature", "type": "sint16", "lsb": "0.01 degC"},
    {"name": "humidity", "type": "uint16", "lsb": "0.01 percent"},
    {"name": "pressure", "type": "uint24", "lsb": "0.1 Pa", "unit": "hPa"},
    {"name": "open", "type": "boolean"},
    {"name": "moving", "type": "boolean"},
    {"name": "charging", "type": "boolean"},
    {"name": "fault", "type": "boolean"},
    {"name": "light", "type": "uint12"},
    {"name": "level", "type": "uint11"},
    {"name": "state", "type": "uint5"},
    {"name": "seconds", "type": "uint32", "lsb": "1 s"},
]
HEART: list[dict[str, Any]] = [
    {"name": "wide", "type": "boolean"},
    {"name": "contact", "type": "uint2"},
    {"name": "with_energy", "type": "boolean"},
    {"name": "with_rr", "type": "boolean"},
    {"rfu": 3},
    {"name": "rate", "type": "uint8", "lsb": "1 bpm", "when": "not wide"},
    {"name": "rate", "type": "uint16", "lsb": "1 bpm", "when": "wide"},
    {"name": "energy", "type": "uint16", "lsb": "1 kJ", "when": "with_energy"},
]


def layout(fields: list[dict[str, Any]], samples: dict[str, Any] | None = None) -> Layout:
    problems: list[str] = []
    made = read_layout(
        [FieldDecl(**field) for field in fields],
        SamplesDecl(**samples) if samples else None,
        "little",
        None,
        lambda *text: problems.append(str(text)),
    )
    assert not problems, problems
    return made


HAND = struct.Struct("<BhHHBHHI")


def by_hand(payloads: list[bytes]) -> list[tuple[Any, ...]]:
    unpack = HAND.unpack
    rows = []
    for raw in payloads:
        a, t, h, p0, p1, bits, pair, s = unpack(raw)
        rows.append(
            (a, t / 100, h / 100, (p0 | p1 << 16) / 1000, bits & 1, bits >> 1 & 1, bits >> 2 & 1, bits >> 3 & 1,
             bits >> 4, pair & 0x7FF, pair >> 11, s)
        )  # fmt: skip
    return rows


def rows_of(made: Layout, payloads: list[bytes]) -> list[tuple[Any, ...]]:
    return list(zip(*(cut.to_list() for cut in decode_columns(made, payloads).parts[0].fields.values()), strict=True))


DTYPE = np.dtype(
    {
        "names": ["a", "t", "h", "p", "bits", "pair", "s"],
        "formats": ["u1", "<i2", "<u2", "<u4", "<u2", "<u2", "<u4"],
        "offsets": [0, 1, 3, 5, 8, 10, 12],
        "itemsize": 16,
    }
)


def numpy_by_hand(payloads: list[bytes]) -> list[Any]:
    v = np.frombuffer(b"".join(payloads), DTYPE)
    bits, pair = v["bits"], v["pair"]
    return [
        v["a"], v["t"] / 100, v["h"] / 100, (v["p"] & 0xFFFFFF) / 1000, bits & 1, bits >> 1 & 1, bits >> 2 & 1,
        bits >> 3 & 1, bits >> 4, pair & 0x7FF, pair >> 11, v["s"],
    ]  # fmt: skip


def compare(what: str, ours: Callable[[], Any], base: Callable[[], Any], n: int, name: str) -> None:
    ratios, rates = [], []
    for _ in range(9):
        took = []
        for work in (ours, base):
            begun = time.perf_counter()
            work()
            took.append(time.perf_counter() - begun)
        rates.append((n / took[0], n / took[1]))
        ratios.append(took[1] / took[0])
    a, b = (statistics.median(column) for column in zip(*rates, strict=True))
    print(f"{what}: {a / 1e6:.2f} M/s; {name} {b / 1e6:.2f} M/s; ratio {statistics.median(ratios):.2f}")


def main() -> None:
    made = layout(FIELDS)
    assert made.head == 16
    payloads = [os.urandom(16) for _ in range(100_000)]
    batch = payloads[:5000]
    assert rows_of(made, batch) == by_hand(batch)
    compare("live rows, batches of 5,000", lambda: rows_of(made, batch), lambda: by_hand(batch), 5000, "struct by hand")
    small = payloads[:100]
    compare("live rows, batches of 100", lambda: rows_of(made, small), lambda: by_hand(small), 100, "struct by hand")
    compare(
        "columns of 100,000",
        lambda: decode_columns(made, payloads),
        lambda: numpy_by_hand(payloads),
        100_000,
        "numpy by hand",
    )
    codec = Codec(made, "bench")
    few = payloads[:2000]
    compare(
        "one by one through construct",
        lambda: [codec.parse(p) for p in few],
        lambda: by_hand(few),
        2000,
        "struct by hand",
    )
    heart = layout(HEART, {"fields": [{"name": "rr", "type": "uint16", "lsb": "1/1024 s"}]})
    beats = [bytes.fromhex(raw) for raw in ("1e640500000266 02", "0064", "10640002", "01640000020003")] * 25_000
    compare(
        "conditional columns of 100,000",
        lambda: decode_columns(heart, beats),
        lambda: b"".join(beats),
        100_000,
        "joining the bytes",
    )


if __name__ == "__main__":
    main()
