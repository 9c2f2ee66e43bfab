"""Many values at once. Payloads of one length are laid side by side and each field is cut out of all of
them in a few numpy operations, so that a live run, a replay and a re-decode cost well under a microsecond
a value. Gives exactly what `codec` gives, and a test holds it to that."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from gateway.layout.codec import length_reason
from gateway.layout.model import Field, Layout

Column = npt.NDArray[Any]
_EXACT_BITS = 53  # integers up to here are exact in a float64
_TAIL = bytes(8)  # room for a wide read at the last payload's end


@dataclass(frozen=True, slots=True)
class Cut:
    """One field of n payloads: values of shape (n,), and where there is none, or None for everywhere one."""

    values: Column
    missing: npt.NDArray[np.bool_] | None

    def to_list(self) -> list[Any]:
        """Python values with None for no reading."""
        values: list[Any] = self.values.tolist()
        if self.missing is not None and self.missing.any():
            for position in np.flatnonzero(self.missing).tolist():
                values[position] = None
        return values

    def floats(self) -> npt.NDArray[np.float64]:
        """Values as float64 with NaN for no reading (named values are all NaN)."""
        if self.values.dtype == object and any(isinstance(value, str) for value in self.values[:1]):
            return np.full(len(self.values), np.nan)
        values = self.values.astype(np.float64)
        if self.missing is not None:
            values[self.missing] = np.nan
        return values


@dataclass(frozen=True, slots=True)
class Block:
    """The decoded payloads of one length.

    Attributes:
        positions: their indices among the payloads given, shape (n,).
        count: samples in each.
        fields: a cut of n for each field of the value.
        samples: a cut of n * count for each field of a sample, payload after payload; none where count is 0.
    """

    positions: npt.NDArray[np.intp]
    count: int
    fields: Mapping[str, Cut]
    samples: Mapping[str, Cut]


@dataclass(frozen=True, slots=True)
class Decoded:
    """What became of the payloads given: blocks, and the reason for each that did not fit."""

    blocks: tuple[Block, ...]
    faults: Mapping[int, str]


def decode_columns(layout: Layout, payloads: Sequence[bytes]) -> Decoded:
    """Decode many payloads; never raises, whatever the bytes."""
    blocks: list[Block] = []
    faults: dict[int, str] = {}
    for length, positions in _by_length(payloads):
        count = layout.sample_count(length)
        if count is None:
            reason = length_reason(layout, length)
            faults.update((int(position), reason) for position in positions)
            continue
        same = len(positions) == len(payloads)
        joined = b"".join(payloads if same else [payloads[i] for i in positions.tolist()]) + _TAIL
        n = len(positions)
        fields = {field.name: _cut(field, joined, 0, (n,), (length,)) for field in layout.fields}
        samples = {}
        if layout.samples and count:
            size = layout.samples.size
            samples = {
                field.name: _cut(field, joined, layout.head, (n, count), (length, size))
                for field in layout.samples.fields
            }
        blocks.append(Block(positions, count, fields, samples))
    return Decoded(tuple(blocks), faults)


def _by_length(payloads: Sequence[bytes]) -> Iterator[tuple[int, npt.NDArray[np.intp]]]:
    lengths = np.fromiter(map(len, payloads), np.intp, len(payloads))
    for length in np.unique(lengths).tolist():
        yield length, np.flatnonzero(lengths == length)


def _cut(field: Field, joined: bytes, base: int, shape: tuple[int, ...], strides: tuple[int, ...]) -> Cut:
    raw = _raw(field, joined, base, shape, strides).reshape(-1)
    missing: npt.NDArray[np.bool_] | None = None
    if field.reserved:
        missing = np.isin(raw, np.array(list(field.reserved), dtype=raw.dtype))
    if field.names is not None:
        return Cut(_named(field.names, raw), missing)
    if field.kind == "float":
        finite = np.isfinite(raw)
        return Cut(raw.astype(np.float64), None if finite.all() else ~finite)
    return Cut(_scaled(field, raw), missing)


def _raw(field: Field, joined: bytes, base: int, shape: tuple[int, ...], strides: tuple[int, ...]) -> Column:
    """The transmitted numbers as int64, uint64 or a float."""
    order = "<" if field.order == "little" else ">"
    first, inner = divmod(field.bit, 8)

    def view(code: str, offset: int = 0) -> Column:
        return np.ndarray(shape, order + code, joined, base + first + offset, strides)

    if field.kind == "float":
        return view(f"f{field.bits // 8}")
    if inner == 0 and field.bits in (8, 16, 32, 64):
        whole = view(f"{'i' if field.kind == 'sint' else 'u'}{field.bits // 8}")
        return whole.astype(np.uint64 if field.kind == "uint" and field.bits == 64 else np.int64)
    end = inner + field.bits
    width = next((w for w in (8, 16, 32, 64) if w >= end), 64)
    word = view(f"u{width // 8}").astype(np.uint64)
    if field.order == "little":
        word = word >> np.uint64(inner)
        if end > 64:
            word |= view("u1", 8).astype(np.uint64) << np.uint64(64 - inner)
    elif end > 64:
        word = word << np.uint64(end - 64) | view("u1", 8).astype(np.uint64) >> np.uint64(72 - end)
    else:
        word = word >> np.uint64(width - end)
    word &= np.uint64((1 << field.bits) - 1)
    if field.kind == "sint":
        sign = np.uint64(1 << (field.bits - 1))
        return ((word ^ sign) - sign).view(np.int64)
    return word if field.bits == 64 else word.view(np.int64)


def _scaled(field: Field, raw: Column) -> Column:
    """Scale as `Scale.apply` does: exact integers, then one correctly rounded division."""
    scale = field.scale
    if scale is None or (scale.num, scale.add, scale.den) == (1, 0, 1):
        return raw
    widest = max(field.bits + scale.num.bit_length(), scale.add.bit_length()) + 1
    if widest <= _EXACT_BITS and scale.den.bit_length() <= _EXACT_BITS:
        top = raw * np.int64(scale.num) + np.int64(scale.add) if scale.add or scale.num != 1 else raw
        return top if scale.den == 1 else top / np.float64(scale.den)
    exact = [scale.apply(number) for number in raw.tolist()]
    return np.array(exact, dtype=object if scale.den == 1 else np.float64)


def _named(names: Mapping[int, str], raw: Column) -> Column:
    values, inverse = np.unique(raw, return_inverse=True)
    texts = np.array([names.get(number, f"unnamed {number}") for number in values.tolist()], dtype=object)
    return texts[inverse]
