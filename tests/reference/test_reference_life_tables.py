"""Published life tables through the engine: a cohort that dies at the table's probabilities."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from integration import accumulate

from econmodel.errors import ParameterError
from econmodel.model.cohort import run_matrices
from econmodel.model.inputs import background_rates
from econmodel.parameters.loading import read_life_table

DATA = Path(__file__).parent / "data"


def alive(q, from_age=0):
    """Survivors at each birthday, everyone dead after the last age."""
    q = np.append(np.asarray(q)[from_age:-1], 1.0)
    matrices = np.array([[[1 - x, x], [0.0, 1.0]] for x in q])
    return run_matrices(matrices, np.array([1.0, 0.0]))[:, 0]


def expectation(q, age):
    return float(accumulate(alive(q, age)))


def test_social_security_table_1970():
    """Printed ex at six ages of both sexes, from qx alone.

    Source: Social Security Administration, Actuarial Study 116, table 6; half the last printed digit, but 0.015 at age
    0, where the printed table spreads infant deaths unevenly over the year. As e0 uses every qx, it confirms them all.
    """
    table = pd.read_csv(DATA / "life_table_us_ssa_1970.csv")
    printed = pd.read_csv(DATA / "life_table_us_ssa_1970_published.csv")
    assert len(printed) == 12
    for row in printed.itertuples():
        q = table.loc[table.sex == row.sex, "qx"].to_numpy()
        assert expectation(q, row.age) == pytest.approx(row.ex, abs=0.015 if row.age == 0 else 0.0051)
        assert q[row.age] == row.qx
        wrong = np.where(np.arange(len(q)) == 70, 1.5 * q, q)
        assert expectation(wrong, row.age) != pytest.approx(row.ex, abs=0.1)


@pytest.mark.parametrize(("name", "sex", "age", "published"), [("us_2013", "male", 0, 76.4), ("us_2013", "female", 0, 81.2)])
def test_vital_statistics_2013(name, sex, age, published):
    """Life expectancy at birth in the United States, 2013: 76.4 and 81.2 (NVSR vol 66 no 3; half the last digit)."""
    q = read_life_table(name)[sex]
    assert expectation(q, age) == pytest.approx(published, abs=0.05)
    assert expectation(0.9 * q, age) != pytest.approx(published, abs=0.5)


@pytest.mark.parametrize(
    ("sex", "at"),
    [
        ("male", {0: 76.15, 40: 38.54, 60: 21.51, 65: 17.81, 80: 8.24, 100: 2.11}),
        ("female", {0: 80.97, 40: 42.41, 60: 24.48, 65: 20.36, 80: 9.63, 100: 2.42}),
    ],
)
def test_social_security_table_2015(sex, at):
    """Expectations of the 2015 period table (computed from an open copy of it, half the last digit)."""
    q = read_life_table("us_2015")[sex]
    assert [expectation(q, age) for age in at] == pytest.approx(list(at.values()), abs=0.006)
    assert expectation(q, 65) != pytest.approx(at[60], abs=1)


@pytest.mark.parametrize(("sex", "e0", "e65"), [("male", 75.96, 16.05), ("female", 80.59, 19.14)])
def test_english_table(sex, e0, e65):
    """English life table 16, 2000-02: expectations of an open copy (computed, within 0.02)."""
    q = read_life_table("england_wales_2000_02")[sex]
    assert [expectation(q, 0), expectation(q, 65)] == pytest.approx([e0, e65], abs=0.02)


@pytest.mark.parametrize("sex", ["male", "female"])
def test_cohort_aged_sixty(sex):
    """A cohort aged 60 in 2015 with background death only: by three rules, plain and at 3.5% (computed, 1e-6)."""
    expected = json.loads((DATA / "life_table_cohort_age60.json").read_text(encoding="utf-8"))[sex]
    left = alive(read_life_table("us_2015")[sex], 60)
    assert accumulate(left) == pytest.approx(expected["trapezoid_LE"], abs=1e-6)
    assert accumulate(left, timing="end") == pytest.approx(expected["end_of_cycle_LE"], abs=1e-6)
    assert accumulate(left, timing="start") == pytest.approx(expected["start_of_cycle_LE"], abs=1e-6)
    assert accumulate(left, rate=0.035) == pytest.approx(expected["discounted_3p5_trapezoid"], abs=1e-6)
    assert accumulate(left, rate=0.035) != pytest.approx(expected["discounted_3p5_mid"], abs=1e-3)


def test_background_rates_mix_the_sexes_on_the_probability():
    """The rate of a mixed cohort is -ln(1 - mean q), not the mean of the two rates."""
    table = read_life_table("us_2013")
    q = 0.65 * table["male"][60:70] + 0.35 * table["female"][60:70]
    found = background_rates("us_2013", np.array([0.35]), 60, 10)
    np.testing.assert_allclose(found[0], -np.log(1 - q), rtol=1e-13)
    mean_rate = -0.65 * np.log(1 - table["male"][60:70]) - 0.35 * np.log(1 - table["female"][60:70])
    assert np.abs(found[0] - mean_rate).max() > 1e-7


def test_a_table_too_short_is_refused():
    """Ages beyond the table are an error, not a guess."""
    with pytest.raises(ParameterError, match="ends before age 119"):
        background_rates("us_2013", np.array([0.35]), 60, 60)
