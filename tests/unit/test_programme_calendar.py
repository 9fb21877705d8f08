"""Years by name, and prices carried to the first of them, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from econmodel.errors import ParameterError
from econmodel.model.inputs import base_values
from econmodel.parameters.loading import load_base_case
from econmodel.programme.calendar import index_part, year_names
from econmodel.programme.inputs import ProgrammeInputs, read_inputs
from econmodel.programme.money.finance import real_rate
from econmodel.programme.money.levels import price_indices

ESCALATORS = {"r_escalator_pay": 0.03, "r_escalator_devices": 0.02, "r_escalator_tariff": 0.01}


@pytest.fixture(scope="module")
def base() -> ProgrammeInputs:
    parameters = load_base_case("us")
    return read_inputs(parameters, base_values(parameters)).changed(n_budget_years=3, r_inflation=0.025, **ESCALATORS)


def test_prices_are_carried_by_the_index_and_then_by_their_own_rise(base: ProgrammeInputs) -> None:
    """Prices of 2022 for 2026: the index from 2022 to 2024, two rises of one's own; year 1 rises no further, year 3 twice."""
    found = price_indices(base.changed(price_year="2022", first_year=2026))
    published = 562.2 / 546.6
    for index, rise in ((found.pay, 0.03), (found.devices, 0.02), (found.tariff, 0.01)):
        year_1 = published * (1 + rise) ** 2
        np.testing.assert_allclose(index[0], [year_1, year_1, year_1 * (1 + rise), year_1 * (1 + rise) ** 2])


def test_the_index_goes_no_further_than_the_first_year(base: ProgrammeInputs) -> None:
    """Prices of 2010 for 2012 take the index alone; of 2026, a year past it, their own rise alone."""
    assert index_part(base.changed(price_year="2010", first_year=2012)) == (pytest.approx(414.9 / 388.4), 0)
    assert index_part(base.changed(price_year="2026/27", first_year=2027)) == (1.0, 1)
    with pytest.raises(ParameterError, match="begins in 2010"):
        index_part(base.changed(price_year="2009", first_year=2027))


def test_without_a_first_year_nothing_is_carried(base: ProgrammeInputs) -> None:
    """The price year is year 1."""
    np.testing.assert_allclose(price_indices(base).pay[0], [1.0, 1.0, 1.03, 1.03**2])
    assert year_names(base)[1:] == ("Year 1", "Year 2", "Year 3")


def test_a_carry_is_nominal_whatever_the_escalators_are(base: ProgrammeInputs) -> None:
    """Stated as real, the same rises carry prices the same way."""
    real = {name: real_rate(rise, 0.025) for name, rise in ESCALATORS.items()}
    stated = base.changed(escalator_basis="real", first_year=2027, **real)
    np.testing.assert_allclose(price_indices(stated).mixed, price_indices(base.changed(first_year=2027)).mixed, rtol=1e-12)


@pytest.mark.parametrize(
    ("country", "month", "name"),
    [("US", 0, "2027/28"), ("GB", 4, "2027/28"), ("GB", 10, "Oct 2027 to Sep 2028"), ("GB", 1, "2027"), ("DE", 0, "2027")],
)
def test_years_by_name(base: ProgrammeInputs, country: str, month: int, name: str) -> None:
    """A financial year of the country by its name, other twelve months by their months."""
    assert year_names(base.changed(price_list=country, first_year=2027, first_month=month))[1] == name
