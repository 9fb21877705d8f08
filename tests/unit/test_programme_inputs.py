"""Programme inputs: every bad value is one clear message; the base file reads."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from econmodel.errors import EconModelError
from econmodel.model.inputs import base_values
from econmodel.parameters.loading import load_base_case, load_case
from econmodel.programme.input_tables import Site, check_sites
from econmodel.programme.inputs import ProgrammeInputs, input_kinds, read_inputs


@pytest.fixture(scope="module")
def values() -> dict[str, Any]:
    parameters = load_base_case("us")
    plain = {name: p.value if p.table is None else list(p.table) for name, p in parameters.parameters.items()}
    return {**plain, **base_values(parameters)}


def test_base_case_reads(values: dict[str, Any]) -> None:
    """The base case gives about a dozen eligible patients a year through the funnel."""
    inputs = ProgrammeInputs.from_values(values)
    assert inputs.eligible_per_year[0] == pytest.approx(700 * 0.1 * 0.4 * 0.6 * 0.65 + 2 - 1)
    assert inputs.n_months == 60


def test_read_inputs_equals_from_values(values: dict[str, Any]) -> None:
    """Reading a case and reading plain values give the same inputs."""
    parameters = load_base_case("us")
    one, other = read_inputs(parameters, base_values(parameters)), ProgrammeInputs.from_values(values)
    assert repr(one) == repr(other)


def test_sites_refer_all_who_are_referred_in() -> None:
    """Another number of patients referred in than the sites' own together is refused, with both."""
    with pytest.raises(EconModelError, match="refer 3 patients a year together, but n_referred_in = 2"):
        check_sites((Site("North", 3.0, 0.5, 1.0, 100.0),), 2.0)
    check_sites((Site("North", 1.5, 0.5, 1.0, 100.0), Site("South", 0.5, 0.5, 1.0, 100.0)), 2.0)


def test_draws_are_kept(values: dict[str, Any]) -> None:
    """An array of draws stays an array; a length cannot be one."""
    inputs = ProgrammeInputs.from_values(values | {"share_suitable": np.array([0.5, 0.6])})
    assert inputs.eligible_per_year.shape == (2,)
    with pytest.raises(EconModelError, match=r"n_budget_years.*whole number"):
        ProgrammeInputs.from_values(values | {"n_budget_years": np.array([3.0, 5.0])})


PAYERS = [{"name": "A", "share": 0.6}, {"name": "B", "share": 0.4}]
CONTRACT = {"payer": "A", "scope": ["bleeds"], "plan": 1e6, "variable": 0.5}
SITE = {"name": "North", "patients": 2, "bleeds_at_home": 0.5, "current_care_at_home": 1.0, "transfer_payment": 100}
ITEM = {"item": "Scope", "cost": 80_000, "month": 0, "share": 0.05, "life_years": 6, "salvage": 0}
FIXED = {"name": "Nurse", "amount": 40_000, "every": "year"}
LOAN = {"name": "Bank", "amount": 40_000, "month": 0, "rate": 0.05, "term_months": 48}
PATH = {"input": "c_coil", "year": 2025, "value": 300.0}
OF_A = {"input": "payers", "payer": "A", "year": 2025, "value": 0.7}
BROKEN: list[tuple[dict[str, Any], str]] = [
    ({"paths": [PATH | {"year": 2040}]}, "paths, c_coil: 2040 lies outside the budget of 5 years from 2024"),
    (
        {"paths": [PATH | {"input": "r_escalator_pay", "year": 2024}]},
        "of 5 years from 2024, and an escalator rises from its second year on",
    ),
    ({"paths": [PATH | {"input": "hr_glue"}]}, "paths: 'hr_glue' cannot have a path"),
    ({"paths": [PATH, PATH]}, "paths: year 'c_coil, 2025' stands twice"),
    ({"paths": [PATH | {"value": -1.0}]}, "paths, c_coil: value = -1.0 must be a number >= 0"),
    ({"paths": [OF_A], "payers": PAYERS, "payer_terms": []}, "paths, payers in 2025: shares sum to 1.1, must be 1"),
    ({"paths": [OF_A | {"payer": "C"}], "payers": PAYERS, "payer_terms": []}, "paths: unknown payer 'C'"),
    ({"paths": [PATH | {"payer": "A"}]}, "a payer where the input is 'payers', there alone"),
    ({"n_endoscoped": -1.0}, "n_endoscoped = -1: the volume is negative"),
    ({"n_backlog": -2.0}, "n_backlog = -2: the volume is negative"),
    ({"c_training": -5.0}, "c_training = -5: the value is negative"),
    ({"n_treated_elsewhere": 100.0}, "more are treated elsewhere than are found"),
    ({"share_suitable": 1.2}, "share_suitable = 1.2: must be between 0 and 1"),
    ({"share_suitable": float("nan")}, "must be a finite number"),
    ({"n_session_slots": "many"}, "must be a finite number"),
    ({"discount_finance": -1.5}, "must be above -1"),
    ({"n_budget_years": 0}, "n_budget_years = 0: must be a whole number >= 1"),
    ({"n_backlog_quarters": 1.5}, "whole number"),
    ({"cash_basis": "constant"}, "cash_basis = 'constant': must be nominal or real"),
    ({"finance_rate_basis": "real"}, "finance_rate_basis = 'real' but escalator_basis = 'nominal': nominal and real must not"),
    ({"n_radiology_slots": -1.0}, "n_radiology_slots = -1: the volume is negative"),
    ({"n_spare_surveillance": -4.0}, "n_spare_surveillance = -4: the value is negative"),
    ({"n_surveillance_per_block": 0.0}, "n_surveillance_per_block = 0: must be > 0"),
    ({"n_sessions_per_block": 0.0}, "n_sessions_per_block = 0: must be > 0"),
    ({"first_year": 2023}, "first_year = 2023: lies before the year of the prices, 2024"),
    ({"first_month": 13}, "first_month = 13: must be a month, 1 to 12, or 0"),
    ({"ramp": [{"quarter": 1, "share": 1.25}]}, "quarter 1 has 125% of capacity, must not exceed 100%"),
    ({"ramp": [{"quarter": 2, "share": 0.25}]}, "must be 1, 2, 3"),
    ({"ramp": []}, "must be 1, 2, 3"),
    ({"payers": [{"name": "A", "share": 0.6}, {"name": "B", "share": 0.3}]}, "payers: shares sum to 0.9, must be 1"),
    ({"payers": [{"name": "A", "share": 0.5}, {"name": "A", "share": 0.5}]}, "payer 'A' stands twice"),
    ({"payers": [{"name": "A", "share": 1.0, "denials": 0.1}]}, "unknown field 'denials'"),
    ({"payers": [{"name": "A", "share": 1.0, "paid_at_margin": 2.0}]}, "paid_at_margin = 2.0 must be a number between"),
    ({"payers": PAYERS, "payer_terms": [{"payer": "C", "activity": "bleeds"}]}, "unknown payer 'C'"),
    ({"payers": PAYERS, "payer_terms": [], "contracts": [CONTRACT | {"payer": "C"}]}, "contracts: unknown payer 'C'"),
    ({"payers": PAYERS, "payer_terms": [], "contracts": [CONTRACT | {"scope": "bleed"}]}, "'bleed' in its scope"),
    ({"payers": PAYERS, "payer_terms": [], "contracts": [CONTRACT | {"plan": [1e6, 1e6]}]}, "has 2 values, the budget 5 years"),
    ({"payers": PAYERS, "payer_terms": [], "contracts": [CONTRACT | {"cap": 0.9}]}, "cap = 0.9 must be a number >= 1"),
    ({"payers": PAYERS, "payer_terms": [], "contracts": [CONTRACT, CONTRACT]}, "payer 'A' stands twice"),
    (
        {"payers": PAYERS, "payer_terms": [{"payer": "A", "activity": "bleed_fatal", "paid_at_margin": 0.2}], "contracts": [CONTRACT]},
        "'A' has 'bleed_fatal' in its scope and a paid_at_margin",
    ),
    ({"sites": [SITE | {"bleeds_at_home": 1.2}]}, "sites, 'North': bleeds_at_home = 1.2 must be a number between 0 and 1"),
    ({"sites": [SITE, SITE]}, "site 'North' stands twice"),
    ({"sites": [SITE | {"payers": [{"name": "A", "share": 0.5}]}]}, "sites, 'North', its payers: shares sum to 0.5, must be 1"),
    (
        {"sites": [SITE | {"prices": [{"activity": "bleed", "payment": 1}]}]},
        "sites, 'North': its prices name 'bleed', no priced activity",
    ),
    ({"sites": [SITE | {"prices": [{"activity": "coil", "cost": 1}]}]}, "sites, 'North', its prices: unknown field 'cost' in a row"),
    ({"sites": [SITE | {"prices": [{"activity": "coil", "payment": -1}]}]}, "its price of 'coil': payment = -1 must be a number >= 0"),
    ({"sites": [SITE | {"prices": [{"activity": "coil"}]}]}, "its price of 'coil' is neither a payment nor a unit cost"),
    ({"sites": [SITE | {"prices": 3}]}, "sites, 'North': prices = 3 must be a list of rows"),
    ({"share_physician_employed": 0.5}, "fees count, but not what the physicians cost"),
    ({"share_physician_employed": 0.5, "fixed_costs": [FIXED]}, "fees count, but not what the physicians cost"),
    ({"fixed_costs": [FIXED | {"physician": "yes"}]}, "fixed_costs: physician = 'yes' must be true or false"),
    ({"proposed_mix": [{"strategy": "glue", "share": 0.7}]}, "proposed_mix: shares sum to 0.7, must be 1"),
    ({"current_mix": [{"strategy": "watch", "share": 1.2}]}, "share = 1.2 must be a number between 0 and 1"),
    ({"current_mix": [{"strategy": "watch"}]}, "lacks the field 'share'"),
    ({"capital": [ITEM | {"replace_after_years": 8}]}, "life 6 years is shorter than the gap to replacement, 8 years"),
    ({"capital": [ITEM | {"life_years": 0}]}, "life_years = 0 must be > 0"),
    ({"capital": [ITEM | {"salvage": 90_000}]}, "salvage 90000 exceeds cost 80000"),
    ({"capital": [ITEM | {"age_years": 6}]}, "has reached its replacement"),
    ({"capital": [ITEM | {"month": 0.5}]}, "must be a whole number"),
    ({"capital": [ITEM, {"item": "Scope", "basis": "lease", "monthly": 900, "term_months": 60}]}, "is had in two ways"),
    ({"capital": [{"item": "Scope", "basis": "lease", "monthly": 900}]}, "lacks the field 'term_months'"),
    (
        {"capital": [{"item": "Scope", "basis": "lease", "monthly": 900, "term_months": 60, "cost": 5e4}]},
        "capital, 'Scope': basis = 'lease' with cost: lease and purchase of the same item",
    ),
    ({"capital": [ITEM | {"basis": "purchase", "monthly": 900}]}, "basis = 'purchase' with monthly: lease and purchase of the same"),
    ({"capital": [{"item": "Scope", "basis": "rent", "monthly": 900}]}, "basis = 'rent' must be one of existing, purchase, lease"),
    ({"capital": [ITEM], "capital_basis": "lease"}, "the row has no monthly and term_months"),
    ({"loans": [LOAN | {"month": 61}]}, "month 61 lies outside the budget of 60 months"),
    ({"loans": [LOAN | {"term_months": 0}]}, "term_months = 0 must be > 0"),
    ({"fixed_costs": [FIXED | {"month": 24, "until": 12}]}, "until is not before month"),
    ({"fixed_costs": [FIXED | {"until": 61}]}, "month 61 lies outside the budget of 60 months"),
    ({"fixed_costs": [FIXED, FIXED]}, "cost 'Nurse' stands twice"),
    ({"fixed_costs": [FIXED | {"every": "week"}]}, "every = 'week' must be one of year, once"),
    ({"fixed_costs": [FIXED | {"index": "wages"}]}, "index = 'wages' must be one of pay"),
]


@pytest.mark.parametrize(("changes", "message"), BROKEN, ids=[m for _, m in BROKEN])
def test_bad_input_is_one_message(values: dict[str, Any], changes: dict[str, Any], message: str) -> None:
    """A bad value is refused with one message that names it and gives a fix."""
    with pytest.raises(EconModelError) as caught:
        ProgrammeInputs.from_values(values | changes)
    assert message in str(caught.value)
    assert caught.value.fix
    assert str(caught.value).count("Error:") == 1


def test_employed_physicians_may_be_a_fixed_cost(values: dict[str, Any]) -> None:
    """A fixed cost marked so stands for what they cost."""
    marked = {"share_physician_employed": 0.5, "fixed_costs": [FIXED | {"physician": True}]}
    assert ProgrammeInputs.from_values(values | marked).fixed_costs[0].physician


def test_all_faults_are_listed(values: dict[str, Any]) -> None:
    """Several faults are told together."""
    with pytest.raises(EconModelError) as caught:
        ProgrammeInputs.from_values(values | {"n_endoscoped": -1.0, "share_tax": 2.0})
    assert "n_endoscoped" in str(caught.value)
    assert "share_tax" in str(caught.value)


@pytest.mark.parametrize("name", sorted(input_kinds()))
def test_every_input_is_needed(values: dict[str, Any], name: str) -> None:
    """A missing input is named, never defaulted."""
    with pytest.raises(EconModelError, match=f"{name!r} is missing"):
        ProgrammeInputs.from_values({k: v for k, v in values.items() if k != name})


def test_a_real_rate_of_the_country_with_nominal_escalators_is_refused() -> None:
    """England is real throughout; a site that states its rises as nominal is told where it did so."""
    parameters = load_case(None, (), ["price_list=uk", "escalator_basis=nominal"]).parameters
    with pytest.raises(EconModelError, match="nominal and real must not be mixed") as caught:
        read_inputs(parameters, base_values(parameters))
    assert "--set escalator_basis" in str(caught.value)
    assert str(caught.value).count("Error:") == 1


@pytest.mark.parametrize("country", ["uk", "IN", "DE", "US", "MX"])
def test_rate_and_escalators_come_together(country: str) -> None:
    """Whatever the country, its finance rate and its escalators are stated alike."""
    parameters = load_base_case(country)
    inputs = read_inputs(parameters, base_values(parameters))
    assert inputs.finance_rate_basis == inputs.escalator_basis
    assert (inputs.finance_rate_basis == "real") is (country not in ("US", "MX"))
