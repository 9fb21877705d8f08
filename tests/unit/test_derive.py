"""The language of ``derive``: what it computes, what it refuses, and that nothing outside its grammar runs."""

from __future__ import annotations

import math

import numpy as np
import pytest

from econmodel.errors import ParameterError
from econmodel.parameters.derive import Scope, parse_expression

PLACE = "site.toml, line 7, [override.c_coil]"
INPUTS = {"a": 2.0, "b": 3.0, "p": 0.2, "draws": np.array([1.0, 4.0])}
SCOPE = Scope(INPUTS.__getitem__, lambda table, row, column: 5.0, lambda call: 7.0, lambda name, branches: 1)


def value(text: str) -> float:
    return parse_expression(text, PLACE).compute(SCOPE)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1 + 2 * 3", 7.0),
        ("(1 + 2) * 3", 9.0),
        ("5 - 3 - 1", 1.0),
        ("8 / 4 / 2", 1.0),
        ("-2 ^ 2", -4.0),
        ("2 ^ 3 ^ 2", 512.0),
        ("2 ^ -1", 0.5),
        ("a * -b", -6.0),
        ("- -a", 2.0),
        (".5 + 1e-3", 0.501),
        ("ln(exp(2))", 2.0),
        ("sqrt(1.58 * 1)", math.sqrt(1.58)),
        ("expit(logit(p))", 0.2),
        ("mean(1, 2, 6)", 3.0),
        ("gmean(2, 8)", 4.0),
        ("min(3, a, b) + max(3, a, b)", 5.0),
        ("rate(0.351, 35 / 12)", -math.log(0.649) / (35 / 12)),
        ("prob(rate(p, 3), 1)", 1 - 0.8 ** (1 / 3)),
        ("payers[Private insurance].share * 2", 10.0),
        ("US.c_coil * ppp(US, GB, 2024)", 49.0),
        ("cpi(uk_health, 2016/17, 2023/24)", 7.0),
    ],
)
def test_values(text: str, expected: float) -> None:
    """Operators bind as in algebra, powers to the right; functions give their closed forms."""
    assert value(text) == pytest.approx(expected, rel=1e-15)


def test_draws_are_computed_at_once() -> None:
    """An expression runs on draws as on numbers, one value a draw."""
    assert value("max(a, draws) ^ 2 / 2").tolist() == [2.0, 8.0]  # type: ignore[attr-defined]


def test_parents_and_look_ups_are_told_once_each() -> None:
    """What stands between the brackets of a look-up is a key, not an input."""
    found = parse_expression("a * c_ward_day + a + payers[Medicare].share + cohort(kim1997, cumulative_risk at 1)", PLACE)
    assert found.parents == ("a", "c_ward_day", "payers")
    assert found.calls == (("cohort", "kim1997", "cumulative_risk at 1"),)


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("", "must be an expression"),
        (3, "must be an expression"),
        ("1" * 501, "501 characters"),
        ("1 +", "at its end"),
        ("1 2", "at '2'"),
        ("2 ** 3", r"at '\*3'|at '\* 3'"),
        ("a; b", "at '; b'"),
        ("a.b.c", r"at '.c'"),
        ("a['x'].y.z", "at '.z'"),
        ("__import__('os').system('true')", "no function '__import__'"),
        ("open('f')", "no function 'open'"),
        ("lambda: 1", "at ': 1'"),
        ("a if b else p", "at 'if b else p'"),
        ("sqr(2)", "no function 'sqr'"),
        ("rate(0.1)", "rate takes 2 arguments, not 1"),
        ("cpi(us_medical)", "cpi takes 3 arguments, not 1"),
        ("mean()", "needs a number"),
        ("(" * 21 + "1" + ")" * 21, "more than 20 deep"),
        ("2^" * 21 + "1", "more than 20 deep"),
        ("9e999", "too large"),
    ],
)
def test_refusals(text: object, rule: str) -> None:
    """Outside the grammar nothing is read, and the message names file and line."""
    with pytest.raises(ParameterError, match=rule) as fault:
        parse_expression(text, PLACE)
    assert fault.value.where == PLACE
    assert fault.value.fix


def test_twenty_deep_and_five_hundred_characters_are_read() -> None:
    """The limits themselves are allowed."""
    assert value("(" * 19 + "1" + ")" * 19) == 1.0
    assert value("1+" * 249 + "10") == 259.0


@pytest.mark.parametrize(
    "text", ["ln(0)", "1 / 0", "sqrt(-1)", "(-1) ^ 0.5", "rate(1, 2)", "logit(1)", "exp(1e9)", "0 / 0", "10 ^ 400"]
)
def test_no_finite_number_is_refused(text: str) -> None:
    """A logarithm of nothing and its like are named, not carried on."""
    with pytest.raises(ParameterError, match="finite number") as fault:
        value(text)
    assert PLACE in str(fault.value)
