"""A formula and its value: what the model's own arithmetic gives when it runs on cells instead of arrays.

Operators and NumPy functions on a :class:`Formula` write spreadsheet text and work out the value at the same time, by
the same function. So a declaration of the model (``rate * share``, ``np.where(total > 0, ...)``) gives both the engine's
arrays and the workbook's cells, and each cell is stored with the value the engine's arithmetic has for it.

A formula may stand for a whole column: a mark in its text is then replaced by a row number in each row, and its value
is an array over the rows. Plain numbers fold: nothing is multiplied by 1, and what is multiplied by 0 is 0.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.lib.mixins import NDArrayOperatorsMixin

ROW, BEFORE, SHIFTED, FIRST, LAST, NEXT = (chr(code) for code in range(1, 7))
COMPARE, ADD, MULTIPLY, SIGN, POWER, ATOM = range(6)
OPERATORS: dict[np.ufunc, tuple[str, int]] = {
    np.add: ("+", ADD),
    np.subtract: ("-", ADD),
    np.multiply: ("*", MULTIPLY),
    np.divide: ("/", MULTIPLY),
    np.power: ("^", POWER),
    np.equal: ("=", COMPARE),
    np.not_equal: ("<>", COMPARE),
    np.less: ("<", COMPARE),
    np.less_equal: ("<=", COMPARE),
    np.greater: (">", COMPARE),
    np.greater_equal: (">=", COMPARE),
}
FUNCTIONS: dict[np.ufunc, str] = {
    np.exp: "EXP",
    np.log: "LN",
    np.sqrt: "SQRT",
    np.absolute: "ABS",
    np.minimum: "MIN",
    np.maximum: "MAX",
    np.bitwise_and: "AND",
    np.bitwise_or: "OR",
}


class Formula(NDArrayOperatorsMixin):
    """Text of a formula without its equals sign, how tightly it binds, and its value.

    Parameters
    ----------
    text
        What a cell holds after the equals sign.
    value
        Its value: a number, a text, or an array over the rows (or, last, over the cells of a range).
    rank
        Rank of its outermost operator, for the brackets it may need.
    """

    __slots__ = ("rank", "text", "value")
    ndim = 0

    def __init__(self, text: str, value: Any, rank: int = ATOM) -> None:
        self.text, self.value, self.rank = text, value, rank

    def __repr__(self) -> str:
        return f"Formula({self.text!r}, {self.value!r})"

    def __array__(self, *_: object, **__: object) -> Any:
        what = f"a formula is no array: {self.text}"
        raise TypeError(what)

    def __bool__(self) -> bool:
        what = f"a formula is neither true nor false before it is worked out: {self.text}"
        raise TypeError(what)

    def __getitem__(self, _: object) -> Formula:
        """Axes that make arrays fit each other mean nothing to a cell."""
        return self

    def min(self, **_: object) -> float:
        """The least it may become is not known: a typed input may make any rate nil."""
        return 0.0

    def sum(self, **_: object) -> Formula:
        """Sum over the cells of the ranges in it."""
        plain = self.rank == ATOM and "(" not in self.text
        return call("SUM" if plain else "SUMPRODUCT", np.sum(self.value, axis=-1), self)

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *inputs: Any, out: Any = None, where: Any = True, **_: object) -> Any:
        if method != "__call__":
            return NotImplemented
        with np.errstate(all="ignore"):
            value = ufunc(*map(value_of if any(isinstance(x, str) for x in inputs) else number_of, inputs))
        found = _written(ufunc, [_constant(x) for x in inputs], value)
        return found if where is True else choose(where, found, out[0])

    def __array_function__(self, function: Callable[..., Any], _: object, args: tuple[Any, ...], kwargs: dict[str, Any]) -> Any:
        return ARRAY_FUNCTIONS[function](*args, **kwargs) if function in ARRAY_FUNCTIONS else NotImplemented


def value_of(x: Any) -> Any:
    """Value of a formula; a constant is its own."""
    return x.value if isinstance(x, Formula) else x


def number_of(x: Any) -> Any:
    """Value of a formula as numbers: an empty cell or a text is none."""
    value = value_of(x)
    if np.asarray(value).dtype.kind not in "OU":
        return value
    found = np.array([np.nan if isinstance(one, str) else one for one in np.ravel(np.asarray(value, dtype=object))], dtype=float)
    return found if np.ndim(value) else found[0]


def call(name: str, value: Any, *arguments: Any) -> Formula:
    """Write a call of a spreadsheet function."""
    return Formula(f"{name}({','.join(as_text(a) for a in arguments)})", value)


def as_text(x: Any, rank: int = COMPARE) -> str:
    """Text of an operand, in brackets where it binds less tightly than ``rank``."""
    if isinstance(x, Formula):
        return x.text if x.rank >= rank else f"({x.text})"
    if isinstance(x, str):
        return quoted(x)
    text = number_text(float(x))
    return f"({text})" if ("/" in text and rank > MULTIPLY) or (text[0] == "-" and rank > SIGN) else text


def quoted(text: str) -> str:
    """Text as a string inside a formula: quotation marks doubled, control characters (marks of rows) left out."""
    return '"' + "".join(c for c in text if c >= " ").replace('"', '""') + '"'


def number_text(x: float) -> str:
    """Write a number so that it is read back to the bit, a twelfth as ``1/12``."""
    if abs(x) < 1e15 and x == int(x):
        return str(int(x))
    over = round(1 / x) if abs(x) < 1 else 0
    return f"{'-' if x < 0 else ''}1/{abs(over)}" if over and 1 / over == x and len(repr(x)) > 8 else repr(x).replace("e", "E")


def choose(condition: Any, yes: Any, no: Any) -> Any:
    """Write a choice; at once where the condition is already known. None is an empty cell."""
    if not isinstance(condition, Formula):
        return yes if condition else no
    yes, no = ("" if x is None else _constant(x) for x in (yes, no))
    values = [value_of(yes), value_of(no)]
    if any(np.asarray(v).dtype.kind in "UO" for v in values):
        values = [np.asarray(v, dtype=object) for v in values]
    return call("IF", np.where(condition.value, *values)[()], condition, yes, no)


def _constant(x: Any) -> Any:
    """Take a number out of an array that holds just one."""
    return x.item() if isinstance(x, np.ndarray | np.generic) and x.size == 1 else x


def _written(ufunc: np.ufunc, inputs: list[Any], value: Any) -> Any:
    match ufunc:
        case np.negative:
            return _negative(inputs[0], value)
        case np.log1p:
            return call("LN", value, 1.0 + inputs[0])
        case np.expm1:
            return Formula(f"EXP({as_text(inputs[0])})-1", value, ADD)
    if ufunc in FUNCTIONS:
        return call(FUNCTIONS[ufunc], value, *inputs)
    folded = _folded(ufunc, *inputs)
    return _operation(ufunc, inputs[0], inputs[1], value) if folded is None else folded


def _folded(ufunc: np.ufunc, left: Any, right: Any) -> Any:
    """What remains of an operation on a plain 0 or 1; None where it stays."""
    zero_left, zero_right = _is(left, 0), _is(right, 0)
    match ufunc:
        case np.add if zero_left or zero_right:
            return right if zero_left else left
        case np.subtract if zero_right:
            return left
        case np.multiply if zero_left or zero_right:
            return 0.0
        case np.multiply if _is(left, 1) or _is(right, 1):
            return right if _is(left, 1) else left
        case np.divide if zero_left or _is(right, 1):
            return 0.0 if zero_left else left
    return None


def _is(x: Any, number: float) -> bool:
    return isinstance(x, int | float) and x == number


def _operation(ufunc: np.ufunc, left: Any, right: Any, value: Any) -> Formula:
    symbol, rank = OPERATORS[ufunc]
    after = as_text(right, rank + 1)
    if rank == ADD and after.startswith("-"):
        symbol, after = ("-" if symbol == "+" else "+"), after[1:]
    return Formula(f"{as_text(left, rank)}{symbol}{after}", value, rank)


def _negative(x: Formula, value: Any) -> Formula:
    if x.text.startswith("EXP(") and x.text.endswith(")-1") and x.rank == ADD and x.text.count("EXP(") == 1:
        return Formula(f"1-{x.text[:-2]}", value, ADD)
    return Formula(f"-{as_text(x, MULTIPLY if x.rank != POWER else ATOM)}", value, MULTIPLY if x.rank == MULTIPLY else SIGN)


ARRAY_FUNCTIONS: dict[Callable[..., Any], Callable[..., Any]] = {
    np.where: choose,
    np.clip: lambda x, low, high: np.minimum(np.maximum(x, low), high),
    np.zeros_like: lambda *_, **__: 0.0,
    np.full_like: lambda _, value, **__: value,
    np.size: lambda *_: 1,
}
