"""A small arithmetic language for values worked out from others, such as a calibrated pressure. A
formula is text in a plugin file; it is read into an expression tree, every node of which must be on the
list below, and becomes nested plain functions over numpy arrays. Nothing of it is ever executed as code.

It knows + - * / **, parentheses, numbers, the declared input names and the functions in `FUNCTIONS`.
Where arithmetic has no answer (division by zero, the logarithm of a negative number, overflow) the
result is NaN, which the log keeps as "no value"."""

from __future__ import annotations

import ast
from collections.abc import Callable, Collection, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from gateway.errors import InputError

Numbers = npt.NDArray[np.float64] | np.float64
Environment = Mapping[str, Any]
Evaluate = Callable[[Environment], Numbers]

MAX_TEXT = 500  # characters; also keeps the tree shallow enough to walk
MAX_DEPTH = 40

FUNCTIONS: dict[str, tuple[int, Callable[..., Any]]] = {
    "sqrt": (1, np.sqrt),
    "exp": (1, np.exp),
    "ln": (1, np.log),
    "log10": (1, np.log10),
    "abs": (1, np.abs),
    "min": (2, np.minimum),
    "max": (2, np.maximum),
}
_BINARY: dict[type[ast.operator], Callable[..., Any]] = {
    ast.Add: np.add,
    ast.Sub: np.subtract,
    ast.Mult: np.multiply,
    ast.Div: np.divide,
    ast.Pow: np.power,
}


class Formula:
    """A formula over named inputs.

    Args:
        text: the formula.
        inputs: the names it may use.

    Raises:
        InputError: something in it is not of the language; the text says what and where.
    """

    def __init__(self, text: str, inputs: Collection[str]) -> None:
        if len(text) > MAX_TEXT:
            raise InputError(f"the formula is {len(text)} characters long, at most {MAX_TEXT} are read")
        try:
            tree = ast.parse(text.strip(), mode="eval")
        except (SyntaxError, ValueError, RecursionError, MemoryError) as error:
            raise InputError(f"the formula {text!r} can't be read: {getattr(error, 'msg', error)}") from None
        self.text = text
        self.used: set[str] = set()
        self._evaluate = self._build(tree.body, set(inputs), 0)

    def __call__(self, values: Environment) -> Numbers:
        """Evaluate over float64 scalars or arrays of one shape; NaN where there is no answer."""
        with np.errstate(all="ignore"):
            result = self._evaluate(values)
            return np.where(np.isfinite(result), result, np.nan) if np.ndim(result) else self._scalar(result)

    @staticmethod
    def _scalar(result: Any) -> np.float64:
        return np.float64(result) if np.isfinite(result) else np.float64("nan")

    def _build(self, node: ast.expr, inputs: set[str], depth: int) -> Evaluate:
        if depth > MAX_DEPTH:
            raise InputError(f"the formula nests deeper than {MAX_DEPTH}")
        match node:
            case ast.Constant(value=value) if isinstance(value, int | float) and not isinstance(value, bool):
                constant = self._number(value)
                return lambda values: constant
            case ast.Name(id=name):
                if name not in inputs:
                    raise InputError(
                        f"the formula uses {name!r}; declared inputs are {', '.join(sorted(inputs)) or 'none'}"
                    )
                self.used.add(name)
                return lambda values: values[name]
            case ast.UnaryOp(op=ast.USub(), operand=operand):
                inner = self._build(operand, inputs, depth + 1)
                return lambda values: np.negative(inner(values))
            case ast.BinOp(left=left, op=op, right=right) if type(op) in _BINARY:
                work = _BINARY[type(op)]
                a, b = self._build(left, inputs, depth + 1), self._build(right, inputs, depth + 1)
                return lambda values: work(a(values), b(values))
            case ast.Call(func=ast.Name(id=name), args=args, keywords=[]) if name in FUNCTIONS:
                count, function = FUNCTIONS[name]
                if len(args) != count:
                    raise InputError(f"the formula gives {name} {len(args)} arguments, it takes {count}")
                parts = [self._build(arg, inputs, depth + 1) for arg in args]
                return lambda values: function(*(part(values) for part in parts))
            case _:
                raise InputError(
                    f"the formula holds {ast.unparse(node)!r}, which is not of its language: "
                    f"numbers, inputs, + - * / **, and {', '.join(sorted(FUNCTIONS))}"
                )

    @staticmethod
    def _number(value: int | float) -> np.float64:
        try:
            return np.float64(value)
        except OverflowError:
            raise InputError("the formula holds a number too large to compute with") from None
