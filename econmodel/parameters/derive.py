"""The language of ``derive``: how one input is computed from others and from the tables of evidence.

An expression is read once into a tree and evaluated on numbers or on draws. Nothing is executed: the grammar is closed.

=================  ==============================================================================================
numbers            ``0.13``, ``562.2``, ``1e-3``
``NAME``           an input, such as ``c_ward_day``
``TABLE[row].col`` a cell of a table input, its row told by the first column: ``capital[Installation].cost``
``LIST.NAME``      a price of another country's list, as typed there: ``US.c_coil``
operators          ``+ - * / ^ ( )``
functions          ln exp sqrt logit expit mean gmean min max; ``rate(p, years)``, ``prob(r, years)``
``pick``           ``pick(SETTING, a, b)``: one expression for each choice of a setting, in the order of its choices
look-ups           see :mod:`econmodel.parameters.lookups`; what stands between their brackets is a key, not an input; a
                   word of it that is a setting stands for its choice
=================  ==============================================================================================

At most 500 characters, nested at most 20 deep.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from functools import cached_property
from typing import Any, NoReturn

import numpy as np

from econmodel.errors import ParameterError
from econmodel.parameters.lookups import LIST, LOOKUPS, Call
from econmodel.records import record
from econmodel.wording import nearest

Number = Any  # a float, or an array of draws
Tree = float | tuple[Any, ...]
LONGEST, DEEPEST, PICK = 500, 20, "pick"
GRAMMAR = "use numbers, input names, + - * / ^ ( ), ln exp sqrt logit expit mean gmean min max rate prob pick, and look-ups"
_TOKEN = re.compile(r"\s*(?:(?P<number>(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)|(?P<name>[A-Za-z_]\w*)|(?P<sign>[-+*/^()\[\],.]))")


def _mean(*numbers: Number) -> Number:
    return sum(numbers) / len(numbers)


OPERATIONS: dict[str, Callable[..., Number]] = {
    "+": lambda a, b: a + b,
    "-": lambda a, b: a - b,
    "*": lambda a, b: a * b,
    "/": np.divide,
    "^": lambda a, b: np.power(np.asarray(a, dtype=float), b),
    "negative": lambda a: -a,
    "ln": np.log,
    "exp": np.exp,
    "sqrt": np.sqrt,
    "logit": lambda p: np.log(p) - np.log1p(-np.asarray(p)),
    "expit": lambda x: 1 / (1 + np.exp(-np.asarray(x))),
    "rate": lambda p, years: -np.log1p(-np.asarray(p)) / years,
    "prob": lambda r, years: -np.expm1(-np.asarray(r) * years),
    "mean": _mean,
    "gmean": lambda *numbers: np.exp(_mean(*map(np.log, numbers))),
    "min": lambda *numbers: np.minimum.reduce(np.broadcast_arrays(*numbers)),
    "max": lambda *numbers: np.maximum.reduce(np.broadcast_arrays(*numbers)),
}
ARGUMENTS = {**dict.fromkeys(("ln", "exp", "sqrt", "logit", "expit"), 1), "rate": 2, "prob": 2}
FUNCTIONS = (*ARGUMENTS, "mean", "gmean", "min", "max")


@record
class Scope:
    """Where an expression finds its values: of an input, a cell of a table input, a look-up; and which of so many choices holds."""

    value: Callable[[str], Number]
    cell: Callable[[str, str, str], float]
    look_up: Callable[[Call], float]
    choice: Callable[[str, int], int]


@record
class Expression:
    """An expression as typed in a field of an input, with the tree read from it."""

    text: str
    where: str
    tree: Tree
    field: str = "derive"

    @cached_property
    def parents(self) -> tuple[str, ...]:
        """Inputs it reads, each once, in the order met."""
        return tuple(dict.fromkeys(node[1] for node in _nodes(self.tree) if node[0] in ("input", "cell")))

    @cached_property
    def calls(self) -> tuple[Call, ...]:
        """Look-ups it makes, each once, in the order met."""
        return tuple(dict.fromkeys(node[1] for node in _nodes(self.tree) if node[0] == "look up"))

    @cached_property
    def words(self) -> frozenset[str]:
        """Settings it picks by, and every word of its look-ups, which may be settings."""
        picked = (node[1] for node in _nodes(self.tree) if node[0] == PICK)
        return frozenset((*picked, *(word for call in self.calls for key in call[1:] for word in key.split())))

    def compute(self, scope: Scope) -> Number:
        """Evaluate on numbers or draws.

        Raises
        ------
        ParameterError
            The result is no finite number, as a logarithm of 0 gives; names the expression and where it stands.
        """
        with np.errstate(all="ignore"):
            found = _evaluate(self.tree, scope)
        if not np.all(np.isfinite(found)):
            what = f"{self.field} = {self.text!r} gives {found}: must be a finite number"
            raise ParameterError(what, where=self.where, fix="check its logarithms, roots and divisions")
        return found if isinstance(found, np.ndarray) and found.ndim else float(found)


def parse_expression(text: object, where: object, field: str = "derive") -> Expression:
    """Read an expression.

    Parameters
    ----------
    text
        As typed.
    where
        File and line, as messages show it.
    field
        Field it stands in.

    Raises
    ------
    ParameterError
        It is no text, too long, nested too deep, or outside the grammar; names the place in it.

    Examples
    --------
    >>> expression = parse_expression("1.4 * c_bleed_survived + cpi(us_medical, 2018, 2024)", "x.toml, line 3")
    >>> expression.parents, expression.calls
    (('c_bleed_survived',), (('cpi', 'us_medical', '2018', '2024'),))
    """
    if not isinstance(text, str) or not text.strip() or len(text) > LONGEST:
        shown = f"{len(text)} characters" if isinstance(text, str) and text.strip() else repr(text)
        what = f"{field} = {shown}: must be an expression in quotes, of at most {LONGEST} characters"
        raise ParameterError(what, where=str(where), fix='for example derive = "1.4 * c_bleed_survived"')
    text = " ".join(text.split())
    return Expression(text, str(where), _Reader(text, str(where), field).whole(), field)


def _nodes(tree: Tree) -> Iterator[tuple[Any, ...]]:
    if isinstance(tree, tuple):
        yield tree
        if tree[0] not in ("input", "cell", "look up"):
            for branch in tree[1:]:
                yield from _nodes(branch)


def _evaluate(tree: Tree, scope: Scope) -> Number:
    if not isinstance(tree, tuple):
        return tree
    match tree:
        case ("input", name):
            return scope.value(name)
        case ("cell", table, row, column):
            return scope.cell(table, row, column)
        case ("look up", call):
            return scope.look_up(call)
        case ("pick", name, *branches):
            return _evaluate(branches[scope.choice(name, len(branches))], scope)
    return OPERATIONS[tree[0]](*(_evaluate(branch, scope) for branch in tree[1:]))


class _Reader:
    """Recursive descent: sum, product, sign, power, atom."""

    def __init__(self, text: str, where: str, field: str) -> None:
        self.text, self.where, self.field = text, where, field
        self.at = self.depth = 0

    def whole(self) -> Tree:
        tree = self._sum()
        if self.at < len(self.text.rstrip()):
            self._refuse("ends before this")
        return tree

    def _refuse(self, rule: str, fix: str = "") -> NoReturn:
        place = self.text[self.at :].strip()[:20]
        what = f"{self.field} = {self.text!r}: {rule}" + (f", at {place!r}" if place else ", at its end")
        raise ParameterError(what, where=self.where, fix=fix or GRAMMAR)

    def _peek(self) -> tuple[str, str]:
        """Kind and text of the next token, without taking it; both empty at the end or before a strange character."""
        found = _TOKEN.match(self.text, self.at)
        return (str(found.lastgroup), found[found.lastgroup or 0]) if found else ("", "")

    def _take(self, *wanted: str) -> str:
        """Take the next token if it is one of some signs; empty if it is not."""
        kind, token = self._peek()
        if kind != "sign" or token not in wanted:
            return ""
        self.at = self.text.index(token, self.at) + len(token)
        return token

    def _need(self, sign: str) -> None:
        if not self._take(sign):
            self._refuse(f"needs {sign!r}")

    def _key(self, ends: str) -> str:
        """Take the text up to one of some signs, which stays."""
        end = next((i for i in range(self.at, len(self.text)) if self.text[i] in ends), len(self.text))
        key, self.at = self.text[self.at : end].strip(" '\""), end
        return key if key else self._refuse("needs a key")

    def _sum(self) -> Tree:
        self.depth += 1
        if self.depth > DEEPEST:
            self._refuse(f"is nested more than {DEEPEST} deep", "name a part of it as an input of its own")
        tree = self._product()
        while sign := self._take("+", "-"):
            tree = (sign, tree, self._product())
        self.depth -= 1
        return tree

    def _product(self) -> Tree:
        tree = self._signed()
        while sign := self._take("*", "/"):
            tree = (sign, tree, self._signed())
        return tree

    def _signed(self) -> Tree:
        minus = 0
        while sign := self._take("-", "+"):
            minus += sign == "-"
        tree = self._power()
        return ("negative", tree) if minus % 2 else tree

    def _power(self) -> Tree:
        base = self._atom()
        if not self._take("^"):
            return base
        self.depth += 1
        if self.depth > DEEPEST:
            self._refuse(f"is nested more than {DEEPEST} deep", "name a part of it as an input of its own")
        tree = ("^", base, self._signed())
        self.depth -= 1
        return tree

    def _atom(self) -> Tree:
        if self._take("("):
            tree = self._sum()
            self._need(")")
            return tree
        kind, token = self._peek()
        if kind not in ("number", "name"):
            self._refuse("needs a number, a name or a bracket")
        start = self.at
        self.at = self.text.index(token, self.at) + len(token)
        if kind == "name":
            return self._named(token, start)
        number = float(token)
        return number if math.isfinite(number) else self._refuse("has a number too large")

    def _named(self, name: str, start: int) -> Tree:
        if self._take("("):
            if name == PICK:
                setting = self._name()
                self._need(",")
                return (PICK, setting, *self._arguments())
            return self._look_up(name) if name in LOOKUPS else self._call(name, start)
        if self._take("["):
            row = self._key("]")
            self._need("]")
            self._need(".")
            return ("cell", name, row, self._name())
        return ("look up", (LIST, name, self._name())) if self._take(".") else ("input", name)

    def _name(self) -> str:
        kind, token = self._peek()
        if kind != "name":
            self._refuse("needs a name")
        self.at = self.text.index(token, self.at) + len(token)
        return token

    def _look_up(self, name: str) -> Tree:
        keys = [self._key(",)")]
        while self._take(","):
            keys.append(self._key(",)"))
        self._need(")")
        self._check_count(name, len(keys), len(LOOKUPS[name].arguments))
        return ("look up", (name, *keys))

    def _call(self, name: str, start: int) -> Tree:
        if name not in FUNCTIONS:
            self.at = start
            self._refuse(f"knows no function {name!r}", nearest(name, (*FUNCTIONS, *LOOKUPS)))
        arguments = self._arguments()
        self._check_count(name, len(arguments), ARGUMENTS.get(name, len(arguments)))
        return (name, *arguments)

    def _arguments(self) -> list[Tree]:
        arguments = [self._sum()]
        while self._take(","):
            arguments.append(self._sum())
        self._need(")")
        return arguments

    def _check_count(self, name: str, given: int, wanted: int) -> None:
        if given != wanted:
            self._refuse(f"{name} takes {wanted} arguments, not {given}")
