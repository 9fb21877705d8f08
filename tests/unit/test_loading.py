"""Loading: base case, price lists, cases and life tables."""

import numpy as np
import pytest

from econmodel.errors import ParameterError
from econmodel.package import params_folder
from econmodel.parameters import demo_file, load_case
from econmodel.parameters.catalogue import COUNTRY_INPUTS, NOT_IN_EVERY_LIST, OPTIONAL_COUNTRY_INPUTS, PRICES
from econmodel.parameters.loading import load_base_case, read_life_table
from econmodel.parameters.price_list import country_code
from econmodel.parameters.schema import money_parts


def test_one_price_list_is_loaded():
    """Prices come from the list chosen, and from no other, all in its currency."""
    for chosen, own, other, currency in (("us", "US", "GB", "USD"), ("uk", "GB", "US", "GBP"), ("GB", "GB", "US", "GBP")):
        inputs = load_base_case(chosen).parameters.values()
        assert not [p.name for p in inputs if p.where.file.endswith((f"{other}.csv", f"{other}.toml"))]
        listed = [p for p in inputs if p.where.file.endswith((f"{own}.csv", f"{own}.toml"))]
        assert set(PRICES) - NOT_IN_EVERY_LIST | set(COUNTRY_INPUTS) <= {p.name for p in listed}
        assert {money_parts(p.unit)[0] for p in listed if money_parts(p.unit)} == {currency}


def test_a_price_list_is_complete_by_itself():
    """Choosing a list chooses every amount, the threshold and the programme's included, and invents none."""
    case = load_case(None, (), ["price_list=uk"])
    assert (case.parameters.text("currency"), case.is_demo) == ("GBP", False)
    amounts = {name: p for name, p in case.parameters.parameters.items() if money_parts(p.unit)}
    assert {"willingness_to_pay", "c_coordinator", "payment_professional_session", "capital"} <= set(amounts)
    assert {money_parts(p.unit)[0] for p in amounts.values()} == {"GBP"}
    assert {p.where.file for p in amounts.values()} == {"params/prices/GB.csv", "params/countries/GB.toml"}


def test_a_country_brings_its_conventions():
    """The price list alone brings life table, discount rates and finance rates, as base values of no site."""
    found = load_case(None, (), ["price_list=uk"]).parameters
    conventions = {
        "life_table": "england_wales_2000_02",
        "discount_costs": 0.035,
        "discount_outcomes": 0.035,
        "discount_finance": 0.035,
        "finance_rate_basis": "real",
        "escalator_basis": "real",
        "r_escalator_pay": 0.01,
        "r_capital_charge": 0.035,
        "share_device_tax": 0.2,
    }
    assert {name: found[name].value for name in conventions} == conventions
    assert {found[name].where.file for name in conventions} == {"params/countries/GB.toml"}
    assert {found[name].changed_by for name in conventions} == {""}
    assert found.titles == ()
    assert load_base_case("us")["life_table"].value == "us_2013"


def test_a_file_goes_before_its_country(site):
    """What a hospital says itself stands over the convention of its country."""
    own = site(IN_POUNDS + '[override.discount_costs]\nvalue = 0.015\nreason = "special case"\n')
    found = load_case(own).parameters["discount_costs"]
    assert (found.value, found.base_value, found.changed_by) == (0.015, 0.035, "Site")


SITE = 'title = "Site"\nrationale = "r"\n'
IN_POUNDS = '[override.price_list]\nvalue = "uk"\nreason = "country"\n'
COIL = '[override.c_coil]\nvalue = 200\nreason = "procurement"\n'


@pytest.fixture
def site(tmp_path):
    """Write an override file, one more each time."""

    def write(body):
        path = tmp_path / f"site_{len(list(tmp_path.iterdir()))}.toml"
        path.write_text(SITE + body, encoding="utf-8")
        return path

    return write


def test_money_without_a_unit_is_in_the_currency_of_its_file(site):
    """A file that chooses the list, or comes after one that does, means its amounts in that list's currency."""
    for files in ([site(IN_POUNDS + COIL)], [site(IN_POUNDS), site(COIL)]):
        coil = load_case(None, files).parameters["c_coil"]
        assert (coil.value, coil.unit) == (200.0, "GBP/coil")
    assert load_case(None, [site(COIL)], ["price_list=us"]).parameters["c_coil"].unit == "USD/coil"
    stated = site(COIL + 'unit = "GBP/coil"\n')
    assert load_case(None, [stated], ["price_list=uk"]).parameters["c_coil"].value == 200.0


def test_dollars_in_a_case_in_pounds_are_refused(site):
    """An amount that says dollars beside the list in pounds is refused where it stands."""
    with pytest.raises(ParameterError, match="c_coil is in USD but the price list is in GBP") as fault:
        load_case(site(IN_POUNDS + COIL + 'unit = "USD/coil"\n'))
    assert "line 6" in fault.value.where
    assert "value in GBP" in fault.value.fix


@pytest.mark.parametrize(("name", "other", "own", "currency"), [("demo", "uk", "USD", "GBP"), ("demo_uk", "us", "GBP", "USD")])
def test_a_hospital_is_not_moved_to_another_currency(name, other, own, currency):
    """A hospital with prices of its own keeps its price list: its numbers are not taken for another money."""
    file = params_folder() / "hospitals" / f"{name}.toml"
    with pytest.raises(ParameterError, match=f"c_coil and .* more amounts are in {own}.* is in {currency}") as fault:
        load_case(file, (), [f"price_list={other}"])
    assert f"params/hospitals/{name}.toml, line" in fault.value.where
    assert f'price_list = "{country_code(other)}"' in fault.value.fix


def test_a_list_chosen_after_the_amounts_is_refused(site):
    """The order decides what the amounts mean: the base case's currency unless a list was chosen by then."""
    with pytest.raises(ParameterError, match="c_coil is in USD, the currency of the file"):
        load_case(None, [site(COIL), site(IN_POUNDS)])


def test_a_price_list_that_is_no_text(site):
    """A number for the list is told as any other list that does not exist."""
    with pytest.raises(ParameterError, match="GB, US"):
        load_case(site(IN_POUNDS.replace('"uk"', "3")))


def test_both_price_lists_have_the_same_names():
    """A site that changes country meets the same inputs, but for prices that others replace and the groups a country pays by."""
    us, uk = (set(load_base_case(code).parameters) for code in ("us", "uk"))
    assert us ^ uk <= NOT_IN_EVERY_LIST | set(OPTIONAL_COUNTRY_INPUTS)


def test_an_unknown_price_list():
    """A price list that does not exist is refused with those that do."""
    with pytest.raises(ParameterError, match="GB, US"):
        load_base_case("zz")


def test_case_without_a_file():
    """Without a file the case is the base case, and no input is invented."""
    case = load_case()
    assert (case.name, case.title, case.is_demo) == ("base_case", "Base case", False)


def test_the_demo_says_it_is_one():
    """The demo hospital is fictional and says so."""
    case = load_case(demo_file())
    assert case.is_demo
    assert "fictional" in case.title
    assert case.file == "params/hospitals/demo.toml"


@pytest.mark.parametrize("path", sorted((params_folder() / "scenarios").glob("*.toml")), ids=lambda p: p.stem)
def test_every_scenario_loads(path):
    """Every shipped scenario passes the checks and changes something."""
    case = load_case(None, [path])
    assert case.parameters.sha256 != load_base_case().sha256


def test_every_input_has_provenance(base):
    """Every input has a label, a date and what its status demands; uncertain ones have a range that holds the value."""
    for name, p in base.parameters.items():
        assert p.label, name
        assert p.date is not None, name
        assert p.source or p.rationale or p.reason or p.status == "demo", name
        if p.is_uncertain and p.is_numeric:
            assert p.range.low <= p.value <= p.range.high, name


def test_life_tables():
    """Every shipped life table has both sexes, ages from 0 without gap past 100, and rises in old age."""
    for name in ("us_2013", "us_2015", "us_1999_2001", "england_wales_2000_02"):
        for q in read_life_table(name).values():
            assert len(q) > 100
            assert np.all((q >= 0) & (q <= 1))
            assert np.all(np.diff(q[40:90]) > 0)


def test_an_unknown_life_table():
    """A life table that is not there is refused with those that are."""
    with pytest.raises(ParameterError, match="us_2013"):
        read_life_table("us_1066")
