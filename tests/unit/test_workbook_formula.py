"""A formula and its value: text that reads as the arithmetic it came from, and the value of the same functions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from econmodel.arrays import choose
from econmodel.economics.comparison import icer, ratio
from econmodel.model.hazards import per_unit_rate, waning
from econmodel.reporting.workbook.formula import ROW, Formula, as_text, number_text, quoted

A, B = Formula("A1", 2.0), Formula("B1", 3.0)


@pytest.mark.parametrize(
    ("formula", "text", "value"),
    [
        (A + B * 2, "A1+B1*2", 8.0),
        ((A + B) * 2, "(A1+B1)*2", 10.0),
        (A - (B - A), "A1-(B1-A1)", 1.0),
        (A / (B / A), "A1/(B1/A1)", 2.0 / 1.5),
        (1.0 / (A * B), "1/(A1*B1)", 1 / 6),
        (A - (-B), "A1+B1", 5.0),
        (A + -(A * B), "A1-A1*B1", -4.0),
        (-(A**B), "-(A1^B1)", -8.0),
        (A**-B, "A1^(-B1)", 0.125),
        ((-A) ** 2, "(-A1)^2", 4.0),
        (-np.expm1(A / -12), "1-EXP(A1/-12)", -math.expm1(-1 / 6)),
        (np.log1p(-(A / 4)), "LN(1-A1/4)", math.log1p(-0.5)),
        (np.exp(A * (1 / 12)), "EXP(A1*(1/12))", math.exp(1 / 6)),
        (np.clip(A - B, 0.0, 1.0), "MIN(MAX(A1-B1,0),1)", 0.0),
        (np.where(A > 1, B, 0.5), "IF(A1>1,B1,0.5)", 3.0),
        (np.divide(A, B, out=np.zeros_like(A), where=B > 5), "IF(B1>5,A1/B1,0)", 0.0),
        ((A > 1) & (B <= 3), "AND(A1>1,B1<=3)", True),
    ],
)
def test_operators_write_what_they_work_out(formula: Formula, text: str, value: float) -> None:
    """Brackets stand where a spreadsheet needs them, and nowhere else; the value is that of the same operation."""
    assert formula.text == text
    assert formula.value == value


def test_plain_numbers_fold() -> None:
    """Nothing is multiplied by 1; what is multiplied by 0, on either side, is a plain 0."""
    assert A * 1.0 is A
    assert np.ones((1, 1)) * A is A
    assert A + 0.0 is A
    assert A * 0.0 == 0.0
    assert 0.0 * A == 0.0
    assert sum([A, B]).text == "A1+B1"  # type: ignore[union-attr]


def test_numbers_are_read_back_to_the_bit() -> None:
    """A reciprocal shows as one; every number keeps its bits."""
    assert number_text(1 / 12) == "1/12"
    assert number_text(-1 / 12) == "-1/12"
    assert number_text(0.1) == "0.1"
    assert number_text(1e300) == "1E+300"
    assert float(number_text(0.1 + 0.2)) == 0.1 + 0.2


def test_text_of_users_stays_a_string() -> None:
    """Quotation marks are doubled, and characters that mark rows cannot come in with a text."""
    assert as_text('a"b') == '"a""b"'
    assert quoted(f"a{ROW}b") == '"ab"'
    assert (Formula("s", "x") == 'x"').text == 's="x"""'


def test_a_column_has_a_value_by_row() -> None:
    """A formula over rows keeps an array, and combines with one cell."""
    years = Formula(f"A{ROW}", np.array([1.0, 2.0, 3.0]))
    found = waning(years - 1, Formula("full", 1.0), Formula("gone", 3.0))  # type: ignore[arg-type]
    assert found.value.tolist() == waning(np.arange(3), np.array(1.0), np.array(3.0)).tolist()
    assert ROW in found.text


def test_the_models_own_functions_run_on_cells() -> None:
    """What the engine declares gives a formula with the engine's value, limits included."""
    chance, none = per_unit_rate(Formula("R", 0.4))  # type: ignore[arg-type]
    expected = per_unit_rate(np.array(0.4))
    assert (chance.value, none.value) == (float(expected[0]), float(expected[1]))
    assert per_unit_rate(Formula("R", 0.0))[0].value == 1 / 12  # type: ignore[arg-type]
    value, status = icer(Formula("C", 1000.0), Formula("E", -0.1))  # type: ignore[arg-type]
    assert (value.value, status.value) == ("", "dominated")  # type: ignore[union-attr, attr-defined]
    assert ratio(Formula("C", 1.0), Formula("R", 0.0)).value == ""  # type: ignore[arg-type, union-attr]


def test_sums_over_a_range_need_no_array_formula() -> None:
    """A plain range is summed; anything worked out over a range goes through SUMPRODUCT, which every program evaluates."""
    shares, rates = Formula("A1:A2", np.array([0.25, 0.75])), Formula("B1:B2", np.array([1.0, 3.0]))
    assert (shares.sum().text, shares.sum().value) == ("SUM(A1:A2)", 1.0)
    assert ((shares * rates).sum().text, (shares * rates).sum().value) == ("SUMPRODUCT(A1:A2*B1:B2)", 2.5)
    assert np.exp(shares).sum().text == "SUMPRODUCT(EXP(A1:A2))"


def test_what_is_no_formula_is_told() -> None:
    """A formula cannot turn into an array or decide a branch in silence, and a plain condition chooses at once."""
    with pytest.raises(TypeError, match="no array"):
        np.asarray(A)
    with pytest.raises(TypeError, match="neither true nor false"):
        bool(A > 1)
    assert choose(True, lambda: A, lambda: 1 / 0) is A
