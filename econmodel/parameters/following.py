"""Inputs that follow what they are derived from.

A derived input keeps its typed value, to the bit, while nothing it is computed from has moved. Once a parent or a table has,
its value is ``typed x computed now / computed when typed``: rounding and judgement in the typed value are kept as a
ratio. An input that was itself set carries no derivation any more, so it stays. Its distribution keeps its relative
spread; a distribution whose own numbers are derived is computed anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import EconModelError, ParameterError, join_faults
from econmodel.parameters.derive import Expression, Scope
from econmodel.parameters.distributions import fit, fixed, rescale
from econmodel.parameters.lookups import Call, chosen, table_of
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.parsing import collect, parse_value, widened
from econmodel.parameters.schema import BOUNDS, Parameter, Range, unit_kind
from econmodel.wording import nearest

Draws = dict[str, NDArray[np.float64]]
SAME = 1e-9


def settle(parameters: ParameterSet) -> ParameterSet:
    """Let every derived input follow, and check those typed since this was last done.

    Raises
    ------
    EconModelError
        All faults: a parent that is no number of the case, a circle, a typed value that its derivation does not give, a
        value that a moved parent brings outside the bounds of its unit.
    """
    inputs, faults = dict(parameters.parameters), list[EconModelError]()
    now = replace(parameters, parameters=inputs)
    for name in _order(inputs, faults):
        inputs[name] = collect(faults, _settled, inputs[name], now) or inputs[name]
    if faults:
        raise join_faults(faults)
    return now


def computed(p: Parameter, parameters: ParameterSet) -> float | None:
    """What an input's expression gives in a case; None for one without."""
    return None if p.derive is None else float(p.derive.compute(_scope(parameters, parameters.tables.now)))


def follow_draws(parameters: ParameterSet, values: Draws) -> Draws:
    """Let the inputs that say ``follows_draws`` follow their parents' draws, each (draw,); the others keep their own.

    Such an input is its own draw times what its expression gives on the draws over what it gives on the base values.
    """
    following = [name for name in _order(parameters.parameters, []) if parameters[name].follows_draws]
    if not following:
        return values
    drawn = dict(values)

    def value(name: str) -> Any:
        return drawn[name] if name in drawn else parameters.number(name)

    scope = _scope(parameters, parameters.tables.now)
    for name in following:
        p = parameters[name]
        assert p.derive is not None
        drawn[name] = drawn[name] * (p.derive.compute(replace(scope, value=value)) / p.derive.compute(scope))
    return drawn


def as_chosen(call: Call, parameters: ParameterSet) -> Call:
    """Look-up under the choices of a case."""

    def word(key: str) -> str:
        p = parameters.parameters.get(key)
        return str(p.value) if p and p.choices else key

    return chosen(call, word)


def _scope(parameters: ParameterSet, look_up: Any) -> Scope:
    def cell(table: str, row: str, column: str) -> float:
        for cells in parameters.rows(table):
            if str(next(iter(cells.values()))) == row and isinstance(cells.get(column), int | float):
                return float(cells[column])
        what = f"{table}[{row}].{column} is no number of the case"
        rows = [str(next(iter(cells.values()))) for cells in parameters.rows(table)]
        raise ParameterError(what, fix=nearest(row, rows) if row not in rows else "name a column that holds numbers")

    def choice(name: str, branches: int) -> int:
        known = parameters[name].choices
        if len(known) != branches or parameters.text(name) not in known:
            what = f"pick({name}, ...) has {branches} expressions: {name} must be a setting with so many choices, and be one of them"
            raise ParameterError(what, where=str(parameters[name].where), fix=f"its choices are {', '.join(known) or 'none'}")
        return known.index(parameters.text(name))

    return Scope(parameters.number, cell, lambda call: look_up(as_chosen(call, parameters)), choice)


def _settled(p: Parameter, now: ParameterSet) -> Parameter:
    typed, scope = p.as_typed or p, _scope(now, now.tables.now)
    if expression := typed.derive:
        value = _compute(typed, expression, scope)
        if typed.computed is None:
            typed = replace(typed, computed=_when_typed(typed, expression, now, value))
            _check_reproduced(typed, expression)
        p = typed if value == typed.computed else _moved(typed, expression, value)
    if p.spread is None:
        return p
    spec = {key: _compute(p, entry, scope) if isinstance(entry, Expression) else entry for key, entry in p.spread.items()}
    if spec.get("se") == 0:
        return replace(p, distribution=fixed(float(p.value or 0.0), "its standard error comes to 0"))
    return replace(p, distribution=_named(p, fit, spec, p.value))


def _compute(p: Parameter, expression: Expression, scope: Scope) -> float:
    return float(_named(p, expression.compute, scope))


def _named(p: Parameter, call: Any, *args: Any) -> Any:
    """Call, naming the input and its place in any fault."""
    try:
        return call(*args)
    except EconModelError as fault:
        what, place = f"{p.name}: {fault.what}", str(p.where)
        raise ParameterError(what, where=place if fault.where in ("", place) else f"{place}; {fault.where}", fix=fault.fix) from None


def _when_typed(p: Parameter, expression: Expression, now: ParameterSet, value: float) -> float:
    """What an expression gave when its value was typed.

    In the base case inputs were as typed and tables as shipped. A later file was written on the case it is laid on, and on
    the tables as they are, or as shipped where its value says so.
    """
    if p.changed_by and _is_reproduced(p, value):
        return value
    known = now if p.changed_by else replace(now, parameters={n: q.as_typed or q for n, q in now.parameters.items()})
    shipped = _compute(p, expression, _scope(known, now.tables.shipped))
    return shipped if not p.changed_by or _is_reproduced(p, shipped) else value


def _is_reproduced(p: Parameter, value: float) -> bool:
    assert isinstance(p.value, float)
    allowed = p.rounded_to / 2 * (1 + SAME) if p.rounded_to else SAME * abs(p.value)
    return abs(p.value - value) <= allowed


def _check_reproduced(p: Parameter, expression: Expression) -> None:
    assert isinstance(p.value, float)
    assert p.computed is not None
    if not p.judgement and not _is_reproduced(p, p.computed):
        rule = f"rounded to {p.rounded_to:g}" if p.rounded_to else "not rounded"
        what = f"{p.name} = {p.value:g}: its derivation {expression.text!r} gives {p.computed:.6g} ({rule})"
        fix = 'correct one of them, or declare rounded_to = ..., or say judgement = "why another value is used"'
        raise ParameterError(what, where=str(p.where), fix=fix)
    if p.computed == 0 and p.value != 0:
        what = f"{p.name} = {p.value:g}: its derivation gives 0, so that nothing can follow in proportion"
        raise ParameterError(what, where=str(p.where), fix='say derive_not = "why nothing computes"')


def _moved(typed: Parameter, expression: Expression, now: float) -> Parameter:
    """Give the input at its running value, with spread and range in proportion."""
    assert isinstance(typed.value, float)
    assert typed.computed is not None
    ratio = now / typed.computed if typed.computed else 1.0
    names = (*expression.parents, *dict.fromkeys(map(table_of, expression.calls)))
    origin = f"its derivation from {', '.join(names)}"
    try:
        value = parse_value(typed.name, typed.value * ratio if typed.computed else now, typed.unit, typed.where)
    except ParameterError as fault:
        what = f"{fault.what} (by {origin})"
        raise ParameterError(what, where=fault.where, fix=f"set {typed.name} itself, or check what it is derived from") from None
    assert isinstance(value, float)
    return replace(
        typed,
        value=value,
        distribution=rescale(typed.distribution, value),
        range=_in_proportion(typed.range, ratio, value, typed.unit),
        changed_by=origin,
        reason=expression.text,
        base_value=typed.value,
        as_typed=typed,
    )


def _in_proportion(spread: Range | None, ratio: float, value: float, unit: str) -> Range | None:
    """Range moved with the value; where that would leave the bounds of the unit, the old one widened."""
    if spread is None:
        return None
    low, high = sorted((spread.low * ratio, spread.high * ratio))
    least, most = BOUNDS.get(unit_kind(unit), (-np.inf, np.inf))
    inside = least <= low <= value <= high <= most
    return Range(low, high, f"{spread.basis}, moved with the value") if inside else widened(spread, value)


def _order(inputs: Mapping[str, Parameter], faults: list[EconModelError]) -> list[str]:
    """Derived inputs, parents before children; a circle or an unknown parent becomes a fault and is left out."""
    order: list[str] = []
    trail, done = list[str](), set[str]()

    def visit(name: str) -> None:
        if name in done:
            return
        if name in trail:
            what = f"derivations go in a circle: {' from '.join([*trail[trail.index(name) :], name])}"
            faults.append(ParameterError(what, where=str(inputs[name].where), fix="type one of them without derive"))
            return
        trail.append(name)
        for parent in parents_of(inputs[name]):
            if _known(name, parent, inputs, faults):
                visit(parent)
        done.add(trail.pop())
        if expressions_of(inputs[name]):
            order.append(name)

    for name, p in inputs.items():
        if p.derive or p.spread:
            visit(name)
    return [] if faults else order


def _known(name: str, parent: str, inputs: Mapping[str, Parameter], faults: list[EconModelError]) -> bool:
    if parent in inputs:
        return True
    for expression in expressions_of(inputs[name]):
        if parent in expression.parents:
            otherwise = "" if expression.field == "derive" else "give a plain number, or an expression of inputs"
            what = f"{name}: {expression.field} = {expression.text!r} names {parent!r}, which is no number and no input"
            faults.append(ParameterError(what, where=expression.where, fix=nearest(parent, inputs, otherwise)))
    return False


def expressions_of(p: Parameter) -> list[Expression]:
    """Expressions of an input: of its value, and of the numbers of its distribution."""
    return [entry for entry in (p.derive, *(p.spread or {}).values()) if isinstance(entry, Expression)]


def parents_of(p: Parameter) -> tuple[str, ...]:
    """Inputs that an input is derived from, each once."""
    return tuple(dict.fromkeys(name for expression in expressions_of(p) for name in expression.parents))
