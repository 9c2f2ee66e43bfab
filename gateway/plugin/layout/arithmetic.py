"""Integers that follow from earlier fields of a value: how many samples there are, at which byte they begin, whether a
field is there. Written as arithmetic, read into a tree of which every node must be on the list below, and worked out
for one value, for columns of them, and in C; nothing of it is executed as code. Fields that count stand for their
transmitted integers."""

from __future__ import annotations

import ast
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from gateway.model.errors import InputError

MAX_TEXT = 200
MAX_DEPTH = 10
LARGEST = 1 << 53  # nothing on the way may be larger, so that 64-bit integers hold it everywhere
_SIGNS: dict[type[ast.operator], str] = {
    ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.FloorDiv: "//", ast.Mod: "%", ast.BitAnd: "&", ast.RShift: ">>",
}  # fmt: skip
_PARTS: dict[str, Callable[[Any, Any], Any]] = {
    "+": lambda a, b: a + b,
    "-": lambda a, b: a - b,
    "*": lambda a, b: a * b,
    "//": lambda a, b: a // b,
    "%": lambda a, b: a % b,
    "&": lambda a, b: a & b,
    ">>": lambda a, b: a >> b,
}
WORDS = "earlier integer fields, whole numbers, + - * // % & >> and parentheses"
_Tree = str | int | tuple[str, Any, Any]


@dataclass(frozen=True, slots=True, repr=False)
class Arithmetic:
    """An integer that follows from earlier fields.

    Attributes:
        text: as it is written, in one way of writing it.
        fields: the names of the fields in it.
        low, high: between which it lies.
    """

    text: str
    fields: frozenset[str]
    low: int
    high: int
    tree: _Tree

    def __repr__(self) -> str:
        return repr(self.text)  # what a log knows a layout by

    def of(self, known: Mapping[str, Any]) -> Any:
        """The integer, or a column of them, by the transmitted integers of earlier fields; None where one of these is
        absent."""
        if any(known.get(name) is None for name in self.fields):
            return None
        return _of(self.tree, known)

    def reaching(self, least: int) -> int:
        """The smallest number that, in every field of it, gives at least ``least``; 0 where no small one does."""
        return next((n for n in range(1 << 10) if self.of(dict.fromkeys(self.fields, n)) >= least), 0)

    def in_c(self, member: Callable[[str], str]) -> str:
        """An expression of the type int64_t; ``member`` gives that of a field's number."""
        return _in_c(self.tree, member)


def read_arithmetic(text: str, ranges: Mapping[str, tuple[int, int]]) -> Arithmetic:
    """Read and prove what is written.

    Args:
        text: such as ``3 * rows + 1``.
        ranges: smallest and largest transmitted integer of each field that it may use.

    Raises:
        InputError: something in it is not of the language, or may grow too large; the text says what.
    """
    try:
        node = ast.parse(text.strip(), mode="eval").body if len(text) <= MAX_TEXT else None
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        node = None
    if node is None:
        raise InputError(f"{text[:MAX_TEXT]!r} can't be read: write it with {WORDS}")
    fields: set[str] = set()
    tree, low, high = _build(node, ranges, fields, 0)
    return Arithmetic(ast.unparse(node), frozenset(fields), low, high, tree)


def _build(
    node: ast.expr, ranges: Mapping[str, tuple[int, int]], fields: set[str], depth: int
) -> tuple[_Tree, int, int]:
    """The tree of an expression, and between which it lies."""
    if depth > MAX_DEPTH:
        raise InputError(f"it nests deeper than {MAX_DEPTH}")
    match node:
        case ast.Constant(value=int(number)) if not isinstance(number, bool) and number <= LARGEST:
            return number, number, number
        case ast.Name(id=name) if name in ranges:
            fields.add(name)
            return name, *ranges[name]
        case ast.Name(id=name):
            raise InputError(f"{name!r} is not an earlier integer field: {', '.join(ranges) or 'there is none'}")
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _SIGNS:
            sign = _SIGNS[type(op)]
            a, b = _build(left, ranges, fields, depth + 1), _build(right, ranges, fields, depth + 1)
            low, high = _range(sign, a[1:], b[1:], ast.unparse(node))
            if (largest := max(abs(end) for end in (low, high, *a[1:], *b[1:]))) > LARGEST:
                raise InputError(f"{ast.unparse(node)!r} may reckon with numbers up to {largest}; at most 2**53")
            return (sign, a[0], b[0]), low, high
        case _:
            raise InputError(f"{ast.unparse(node)!r} is not supported: use {WORDS}")


def _range(sign: str, a: tuple[int, int], b: tuple[int, int], text: str) -> tuple[int, int]:
    """Between which the result lies."""
    if sign in "+-*":
        ends = [_PARTS[sign](x, y) for x in a for y in b]
        return min(ends), max(ends)
    if a[0] < 0 or b[0] < (1 if sign in ("//", "%") else 0) or b[0] != b[1]:
        behind = "a number" if sign in ("&", ">>") else "a number that is not zero"
        raise InputError(f"{text}: {sign} takes what can't be negative, and {behind} behind it")
    if sign == ">>" and b[1] > 63:
        raise InputError(f"{text}: more than 63 bits")
    if sign in ("//", ">>"):
        return _PARTS[sign](a[0], b[0]), _PARTS[sign](a[1], b[0])
    return 0, min(a[1], b[1] - (sign == "%"))


def _of(tree: _Tree, known: Mapping[str, Any]) -> Any:
    if isinstance(tree, str):
        return known[tree]
    if isinstance(tree, int):
        return tree
    return _PARTS[tree[0]](_of(tree[1], known), _of(tree[2], known))


def _in_c(tree: _Tree, member: Callable[[str], str]) -> str:
    if isinstance(tree, str):
        return f"(int64_t){member(tree)}"
    if isinstance(tree, int):
        return f"INT64_C({tree})"
    sign = "/" if tree[0] == "//" else tree[0]
    return f"({_in_c(tree[1], member)} {sign} {_in_c(tree[2], member)})"
