"""A small arithmetic language for values worked out from others, such as a calibrated pressure or a dew
point. A formula is text in a plugin file; it is read into an expression tree, every node of which must be on
the list below, and becomes nested plain functions over numpy arrays. Nothing of it is executed as code.

It knows numbers, the declared input names, + - * / **, the comparisons < <= > >= == != (1 where true, 0
where not), parentheses and the functions in `FUNCTIONS`; angles are in radians. Where arithmetic has no answer
(division by zero, the logarithm of a negative number, overflow) the result is NaN, which the log keeps as
"no value"."""

from __future__ import annotations

import ast
from collections.abc import Callable, Collection, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from gateway.model.errors import InputError

Numbers = npt.NDArray[np.float64] | np.float64
Environment = Mapping[str, Any]
Evaluate = Callable[[Environment], Any]

MAX_TEXT = 1000  # characters; also keeps the tree shallow enough to walk
MAX_DEPTH = 40
_MOST = 64  # arguments


def _poly(x: Any, *coefficients: Any) -> Any:
    """c0 + c1 x + c2 x**2 + …, by Horner's rule."""
    result: Any = np.float64(0)
    for coefficient in reversed(coefficients):
        result = result * x + coefficient
    return result


def _table(x: Any, *points: Any) -> Any:
    """Linear interpolation between the points x0, y0, x1, y1, …; NaN beyond the first and the last."""
    return np.interp(x, points[0::2], points[1::2], left=np.nan, right=np.nan)


# name: (fewest arguments, most, function, what it gives)
FUNCTIONS: dict[str, tuple[int, int, Callable[..., Any], str]] = {
    "sqrt": (1, 1, np.sqrt, "square root"),
    "exp": (1, 1, np.exp, "e to the power of x"),
    "ln": (1, 1, np.log, "natural logarithm"),
    "log10": (1, 1, np.log10, "logarithm to base 10"),
    "abs": (1, 1, np.abs, "absolute value"),
    "sin": (1, 1, np.sin, "sine of radians"),
    "cos": (1, 1, np.cos, "cosine of radians"),
    "tan": (1, 1, np.tan, "tangent of radians"),
    "asin": (1, 1, np.arcsin, "arc sine in radians"),
    "acos": (1, 1, np.arccos, "arc cosine in radians"),
    "atan": (1, 1, np.arctan, "arc tangent in radians"),
    "atan2": (2, 2, np.arctan2, "`atan2(y, x)`: angle in radians, in all four quadrants"),
    "min": (2, _MOST, lambda *values: np.minimum.reduce(np.broadcast_arrays(*values)), "the smallest"),
    "max": (2, _MOST, lambda *values: np.maximum.reduce(np.broadcast_arrays(*values)), "the largest"),
    "where": (
        3,
        3,
        lambda test, yes, no: np.where(np.isnan(test), np.nan, np.where(test != 0, yes, no)),
        "`where(test, yes, no)`",
    ),
    "poly": (2, _MOST, _poly, "`poly(x, c0, c1, c2, …)`: c0 + c1 x + c2 x² + …"),
    "table": (
        5,
        _MOST,
        _table,
        "`table(x, x0, y0, x1, y1, …)`: linear interpolation between points, no value outside them",
    ),
}
_BINARY: dict[type[ast.operator], Callable[..., Any]] = {
    ast.Add: np.add,
    ast.Sub: np.subtract,
    ast.Mult: np.multiply,
    ast.Div: np.divide,
    ast.Pow: np.power,
}
_COMPARE: dict[type[ast.cmpop], Callable[..., Any]] = {
    ast.Lt: np.less,
    ast.LtE: np.less_equal,
    ast.Gt: np.greater,
    ast.GtE: np.greater_equal,
    ast.Eq: np.equal,
    ast.NotEq: np.not_equal,
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
            raise InputError(f"the formula is {len(text)} characters long; at most {MAX_TEXT} are allowed")
        try:
            tree = ast.parse(text.strip(), mode="eval")
        except (SyntaxError, ValueError, RecursionError, MemoryError) as error:
            raise InputError(f"the formula {text!r} can't be read: {getattr(error, 'msg', error)}") from None
        self.text = text
        self.used: set[str] = set()
        self._inputs = set(inputs)
        self._evaluate = self._build(tree.body, 0)

    def __call__(self, values: Environment) -> Numbers:
        """Evaluate over float64 scalars or arrays of one shape; NaN where there is no answer."""
        with np.errstate(all="ignore"):
            result = np.asarray(self._evaluate(values), dtype=np.float64)
            finite: Numbers = np.where(np.isfinite(result), result, np.nan)
        return finite if result.ndim else np.float64(finite)

    def _build(self, node: ast.expr, depth: int) -> Evaluate:
        if depth > MAX_DEPTH:
            raise InputError(f"the formula nests deeper than {MAX_DEPTH}")
        match node:
            case ast.Constant(value=value) if isinstance(value, int | float) and not isinstance(value, bool):
                constant = _number(value)
                return lambda values: constant
            case ast.Name(id=name):
                return self._input(name)
            case ast.UnaryOp(op=ast.USub(), operand=operand):
                inner = self._build(operand, depth + 1)
                return lambda values: np.negative(inner(values))
            case ast.BinOp(left=left, op=op, right=right) if type(op) in _BINARY:
                return self._pair(_BINARY[type(op)], left, right, depth)
            case ast.Compare(left=left, ops=[test], comparators=[right]) if type(test) in _COMPARE:
                return self._comparison(_COMPARE[type(test)], left, right, depth)
            case ast.Call(func=ast.Name(id=name), args=args, keywords=[]) if name in FUNCTIONS:
                return self._call(name, args, depth)
            case _:
                raise InputError(
                    f"the formula holds {ast.unparse(node)!r}, which is not supported: use numbers, inputs, "
                    f"+ - * / **, comparisons of two values, and {', '.join(sorted(FUNCTIONS))}"
                )

    def _input(self, name: str) -> Evaluate:
        if name not in self._inputs:
            known = ", ".join(sorted(self._inputs)) or "none"
            raise InputError(f"the formula uses {name!r}; declared inputs are {known}")
        self.used.add(name)
        return lambda values: values[name]

    def _pair(self, work: Callable[..., Any], left: ast.expr, right: ast.expr, depth: int) -> Evaluate:
        a, b = self._build(left, depth + 1), self._build(right, depth + 1)
        return lambda values: work(a(values), b(values))

    def _comparison(self, test: Callable[..., Any], left: ast.expr, right: ast.expr, depth: int) -> Evaluate:
        """1, 0, or NaN where a side has no value."""
        a, b = self._build(left, depth + 1), self._build(right, depth + 1)

        def compare(values: Environment) -> Any:
            x, y = a(values), b(values)
            return np.where(np.isnan(x) | np.isnan(y), np.nan, test(x, y).astype(np.float64))

        return compare

    def _call(self, name: str, args: list[ast.expr], depth: int) -> Evaluate:
        fewest, most, function, _ = FUNCTIONS[name]
        if not fewest <= len(args) <= most:
            wanted = str(fewest) if fewest == most else f"{fewest} to {most}"
            raise InputError(f"the formula gives {name} {len(args)} arguments; it takes {wanted}")
        if name == "table":
            _check_table(args)
        parts = [self._build(arg, depth + 1) for arg in args]
        return lambda values: function(*(part(values) for part in parts))


def _check_table(args: list[ast.expr]) -> None:
    """A table is numbers in pairs, the first of each pair rising."""
    try:
        points = [float(ast.literal_eval(arg)) for arg in args[1:]]
    except (ValueError, TypeError, SyntaxError):
        raise InputError("the formula's table may contain only numbers") from None
    rising = all(a < b for a, b in zip(points[0::2], points[2::2], strict=False))
    if len(points) % 2 or not rising:
        raise InputError("the formula's table needs pairs x, y with x increasing: table(v, x0, y0, x1, y1, …)")


def _number(value: int | float) -> np.float64:
    try:
        return np.float64(value)
    except OverflowError:
        raise InputError("the formula holds a number too large to compute with") from None
