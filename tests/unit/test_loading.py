"""Loading: base case, price lists, cases and life tables."""

import numpy as np
import pytest

from econmodel.errors import EconModelError, ParameterError
from econmodel.parameters import demo_file, load_case, params_folder
from econmodel.parameters.loading import load_base_case, read_life_table
from econmodel.parameters.schema import money_parts


def test_one_price_list_is_loaded():
    """Prices come from the list chosen, and from no other, all in its currency."""
    for chosen, other, currency in (("us", "uk", "USD"), ("uk", "us", "GBP")):
        inputs = load_base_case(chosen).parameters.values()
        assert not [p.name for p in inputs if p.where.file.endswith(f"prices_{other}.toml")]
        listed = [p for p in inputs if p.where.file.endswith(f"prices_{chosen}.toml")]
        assert {money_parts(p.unit)[0] for p in listed if money_parts(p.unit)} == {currency}


def test_a_list_in_another_currency_needs_every_price_in_it():
    """Choosing the other price list alone leaves money in two currencies, which is refused."""
    with pytest.raises(EconModelError, match="willingness_to_pay is in USD but the price list is in GBP"):
        load_case(None, (), ["price_list=uk"])


def test_both_price_lists_have_the_same_names():
    """A site that changes country meets the same inputs."""
    assert set(load_base_case("us").parameters) == set(load_base_case("uk").parameters)


def test_an_unknown_price_list():
    """A price list that does not exist is refused with those that do."""
    with pytest.raises(ParameterError, match="uk, us"):
        load_base_case("fr")


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
