"""How what a plugin names is called and written in C: identifiers, comments, constants, types, and how many samples a
struct has room for."""

from __future__ import annotations

import re
from uuid import UUID

from gateway.plugin.layout.model import Field, Layout
from gateway.plugin.standard.adopted import short_number

LONGEST_VALUE = 512  # bytes: Core Specification, Vol 3, Part F, 3.2.9
# Words that C99 or C++17 keep for themselves, and those of our own structs.
_KEPT = frozenset(
    """
    alignas alignof and and_eq asm auto bitand bitor bool break case catch char class compl const const_cast
    constexpr continue decltype default delete do double dynamic_cast else enum explicit export extern false
    float for friend goto if inline int long mutable namespace new noexcept not not_eq nullptr operator or or_eq
    private protected public register reinterpret_cast restrict return sample sample_count short signed sizeof
    static static_assert static_cast struct switch tail tail_length template this thread_local throw true try
    typedef typeid typename union unsigned using virtual void volatile wchar_t while xor xor_eq
    """.split()  # noqa: SIM905  a list of words to be read
)


def identifier(name: str) -> str:
    """A field's name as C may have it."""
    return f"{name}_" if name in _KEPT else name


def comment(text: str) -> str:
    """Text as a C comment may hold it."""
    return re.sub(r"\s+", " ", text).replace("*/", "* /").replace("/*", "/ *").replace("\\", "/").replace("??", "? ?")


def word(text: str) -> str:
    """Text as a part of a macro's name."""
    return re.sub(r"[^A-Z0-9]+", "_", text.upper()).strip("_") or "UNNAMED"


def uuid_bytes(uuid: str) -> str:
    """A UUID as it goes over the air, the last byte of its text first."""
    number = short_number(uuid)
    raw = number.to_bytes(2, "little") if number is not None else UUID(uuid).bytes[::-1]
    return "{ " + ", ".join(f"0x{byte:02X}" for byte in raw) + " }"


def type_of(field: Field) -> str:
    """The type of a field's transmitted number."""
    bits = next(size for size in (8, 16, 32, 64) if field.bits <= size)
    return f"{'int' if field.type.signed else 'uint'}{bits}_t"


def constant(value: int, field: Field) -> str:
    """A constant of a field's type; the lowest of 64 bits can't be written as one number."""
    if not field.type.signed:
        return f"UINT64_C(0x{value:X})" if field.bits > 32 else f"0x{value:X}u"
    if value == -(1 << 63):
        return f"(-INT64_C({-value - 1}) - 1)"
    return f"INT64_C({value})" if field.bits > 31 else f"({value})"


def capacity(layout: Layout) -> int:
    """How many samples a struct must have room for."""
    group = layout.samples
    if group is None:
        return 0
    if isinstance(group.count, int):
        return group.count
    fixed = sum(block.size for block in layout.blocks if block.when is None)
    most = max((LONGEST_VALUE - fixed) // group.size, 1)
    if group.count is not None:
        counter = next(field for field in layout.fields if field.name == group.count)
        most = min(most, counter.raw_range[1])
    return max(most, 1)


def longest(layout: Layout) -> int:
    """The most bytes that a value can take."""
    if layout.tail is not None:
        return max(LONGEST_VALUE, layout.head)
    return layout.head + capacity(layout) * (layout.samples.size if layout.samples else 0)
