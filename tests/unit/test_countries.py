"""Any country: prices converted by purchasing power and exchange rate, own lists and life tables, every currency."""

from __future__ import annotations

import csv
import sys
from itertools import islice
from pathlib import Path

import openpyxl
import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.errors import EconModelError, ParameterError
from econmodel.interfaces.start import told
from econmodel.package import params_folder
from econmodel.parameters import form_cells as at
from econmodel.parameters.countries import BASES, Country, borrowed, conventions, factors, is_converted, rounded
from econmodel.parameters.form_reading import read_form
from econmodel.parameters.loading import Case, load_base_case, load_documents, read_life_table, read_own_life_table
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.rules import check
from econmodel.parameters.schema import DECIMALS, money_parts
from econmodel.reporting.form import build_form
from econmodel.reporting.workbook import build_workbook
from econmodel.uncertainty.probabilistic import run_psa
from econmodel.workbooks import Workbook
from tests.golden.euro_list import euro_list

ROOT = Path(__file__).resolve().parents[2]
NO_DECIMALS = "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX VND VUV XAF XOF XPF".split()
THREE_DECIMALS = "BHD IQD JOD KWD LYD OMR TND".split()


@pytest.fixture(scope="module")
def pounds() -> ParameterSet:
    """The list of England."""
    return load_base_case("GB")


@pytest.fixture(scope="module")
def rupees() -> ParameterSet:
    """The same, converted."""
    return load_base_case("IN")


def test_every_currency_has_its_decimals() -> None:
    """ISO 4217, list one: no decimals, three, or else two."""
    assert {code for code, digits in DECIMALS.items() if digits == 0} == set(NO_DECIMALS)
    assert {code for code, digits in DECIMALS.items() if digits == 3} == set(THREE_DECIMALS)
    assert set(DECIMALS.values()) == {0, 2, 3}
    assert len(DECIMALS) > 150
    assert all(money_parts(f"{code}/coil") == (code, "coil") for code in DECIMALS)
    assert money_parts("XYZ/coil") is None


def test_staff_at_purchasing_power_and_devices_at_the_exchange_rate(pounds: ParameterSet, rupees: ParameterSet) -> None:
    """Amounts by hand, to three digits; shares and counts as they stand."""
    assert rupees["c_session_eus"].value == 41100.0  # 1338 x 20.421988 / 0.664153 = 41,142
    assert rupees["c_coil"].value == 11200.0  # 105 x 83.6566 / 0.7826 = 11,224
    assert rupees["share_variable_session_eus"].value == pounds["share_variable_session_eus"].value
    assert rupees["willingness_to_pay"].value == 922000.0
    assert {parts[0] for p in rupees.parameters.values() if (parts := money_parts(p.unit))} == {"INR"}
    check(rupees)


def test_a_converted_price_says_how_and_is_spread_wider(pounds: ParameterSet, rupees: ParameterSet) -> None:
    """Status derived, an expression that follows the table, a spread of at least 35%."""
    p = rupees["c_session_eus"]
    assert p.status == "derived"
    assert p.derive is not None
    assert p.derive.text == "GB.c_session_eus * ppp(GB, IN, 2024)"
    assert p.distribution.sd / p.distribution.mean == pytest.approx(0.35)
    wide = rupees["c_patient_session_eus"].distribution
    assert wide.sd / wide.mean == pytest.approx(0.4), "its own 0.40 is wider"
    assert pounds["c_session_eus"].distribution.sd / 1338 < 0.2


@pytest.mark.parametrize("code", ["DE", "BR", "JP", "EC"])
def test_other_countries_stand_whole(code: str) -> None:
    """A case of any country of the table passes the rules, and says what is borrowed."""
    found = load_base_case(code)
    check(found)
    assert is_converted(found)
    assert {"life_table", "discount_costs", "payers"} <= {p.name for p in borrowed(found)}
    assert ("willingness_to_pay" in {p.name for p in borrowed(found)}) is (code != "DE"), "the euro list has one, recalled"
    assert conventions(code)["number_style"] in ("point", "comma")


def test_the_euro_list_is_the_pounds_at_each_countrys_purchasing_power(pounds: ParameterSet) -> None:
    """Germany's figures stand in the file; another euro country's are worked out anew, its own figures go before both."""
    text = (params_folder() / "prices" / "converted" / "EUR.csv").read_text(encoding="utf-8")
    assert euro_list(text) == text
    germany, spain, by_dollars = (load_base_case(c) for c in ("DE", "ES", Country("DE", base="US")))
    for name in ("c_session_eus", "c_bleed_mean_no_rescue", "c_coordinator"):
        was = float(pounds[name].value or 0.0)
        assert germany[name].value == rounded(was * 0.700862 / 0.664153)[0]
        assert spain[name].value == rounded(was * 0.562107 / 0.664153)[0]
        assert (germany[name].status, spain[name].status) == ("derived", "derived")
    assert (germany["c_coil"].value, spain["c_coil"].value, by_dollars["c_coil"].value) == (105.0, 84.3, 139.0)
    assert [c["willingness_to_pay"].value for c in (germany, spain)] == [30_000.0, 25_000.0]
    visit, bounds = spain["c_clinic_visit"], spain["c_session_eus"].range
    assert (visit.value, visit.unit, visit.status) == (90.0, "EUR/visit", "assumption")
    assert bounds
    assert bounds.low < 1130 < bounds.high
    assert germany["c_session_eus"].where.file.endswith("EUR.csv")


def test_no_list_is_borrowed_at_home(pounds: ParameterSet) -> None:
    """Negative control."""
    assert not is_converted(pounds)
    assert borrowed(pounds) == []


def test_unknown_rates() -> None:
    """Typed rates are used; without an exchange rate parity; without either the base's currency; each is said."""
    both = load_base_case(Country("KE", currency="KES", ppp=43.0, fx=135.0))
    assert (both["c_session_eus"].unit, both["c_session_eus"].value) == ("KES/session", rounded(1338 * 43.0 / 0.664153)[0])
    assert both["c_coil"].value == rounded(105 * 135.0 / 0.7826)[0]
    one = load_base_case(Country("KE", currency="KES", ppp=43.0))
    assert one["c_coil"].value == rounded(105 * 43.0 / 0.664153)[0]
    assert "parity" in one["life_table"].rationale
    assert "No exchange rate is known: devices too are converted at purchasing power (parity)." in told(Case("x", "x", "x", one))
    none = load_base_case("KE")
    assert (none["c_coil"].unit, none["c_coil"].value) == ("GBP/coil", 105.0)
    assert "amounts stay in GBP" in none["life_table"].rationale


@pytest.mark.parametrize(
    ("country", "message"),
    [
        (Country("KE", ppp=43.0), "must be a code of ISO 4217"),
        (Country("KE", currency="XYZ", ppp=43.0), "'XYZ'"),
        (Country("IN", currency="EUR"), "rates at hand are in INR"),
        (Country("IN", base="DE"), "from = 'DE'"),
        (Country("IN", payment_basis="often"), "payment_basis = 'often'"),
        (Country("INDIA"), "two letters"),
    ],
)
def test_refusals(country: Country, message: str) -> None:
    """One message, with the value and the rule."""
    with pytest.raises(ParameterError, match=message):
        load_base_case(country)


def test_the_americas_take_dollars() -> None:
    """Their base is the list of the United States, without its payment groups."""
    found = factors(Country("BR"), "US", "2024")
    assert (found.staff_number, found.traded_number) == (2.487317, 5.3872)
    brazil = load_base_case("BR")
    assert brazil["c_session_eus"].value == rounded(float(load_base_case("US")["c_session_eus"].value or 0) * 2.487317)[0]
    assert "c_base_rate" not in brazil.parameters


def test_an_own_price_list_and_life_table(tmp_path: Path) -> None:
    """One file each, with the checks of those shipped."""
    text = (params_folder() / "prices" / "GB.csv").read_text(encoding="utf-8")
    (tmp_path / "mine.csv").write_text(text.replace("\nc_fever,140,", "\nc_fever,150,"), encoding="utf-8")
    ages = "".join(f"{age},{0.001 + age / 200},{age / 200}\n" for age in range(101))
    (tmp_path / "life.csv").write_text("age,male,female\n" + ages, encoding="utf-8")
    found = load_base_case(Country("GB", prices=tmp_path / "mine.csv", life_table=tmp_path / "life.csv"))
    check(found)
    assert found["c_fever"].value == 150.0
    assert found["life_table"].status == "local"
    assert read_life_table(found.text("life_table"))["female"][50] == 0.25
    (tmp_path / "mine.csv").write_text(text.replace("\nc_coil,", "\nc_coils,"), encoding="utf-8")
    with pytest.raises(EconModelError, match="no row for c_coil"):
        load_base_case(Country("GB", prices=tmp_path / "mine.csv"))
    for broken, says in {
        "age,male\n0,0.1\n": "column 'female' is missing",
        "age,male,female\n0,0.1,0.1\n2,0.1,0.1\n": "ages must run from 0",
        "age,male,female\n0,0.1,1.1\n": "ages must run from 0",
        "age,male,female\n0,0.1,0.1\n": "has 1 rows",
        "age,male,female\n": "no rows",
        "": "column 'age' is missing",
    }.items():
        (tmp_path / "bad.csv").write_text(broken, encoding="utf-8")
        with pytest.raises(ParameterError, match=says):
            load_base_case(Country("GB", life_table=tmp_path / "bad.csv"))
    comma = "age;male;female\n" + ages.replace(",", ";").replace(".", ",")
    (tmp_path / "comma.csv").write_text(comma, encoding="utf-16")
    assert (read_own_life_table(tmp_path / "comma.csv")["male"] == read_own_life_table(tmp_path / "life.csv")["male"]).all()


def test_a_converted_list_goes_through_form_draws_and_workbook(rupees: ParameterSet, tmp_path: Path) -> None:
    """A form asks in rupees and reads an answer in the style of India; draws keep the wider spread; the live workbook is in rupees."""
    case = Case("pune", "Pune", "pune.toml", rupees)
    form = openpyxl.load_workbook(build_form(case, tmp_path / "form.xlsx"))
    sheet, row = next((s, r) for s in form for r in range(1, s.max_row + 1) if s.cell(r, at.NAME).value == "c_coil")
    sheet.cell(row, at.ANSWER).value = "₹1,25,000"
    form.save(tmp_path / "filled.xlsx")
    answer = read_form(tmp_path / "filled.xlsx").rows(rupees)[0]
    assert (answer["name"], answer["theirs"], answer["unit"]) == ("c_coil", 125_000.0, "INR/coil")
    drawn = run_psa(rupees, 16, seed=1).inputs["c_coil"]
    assert drawn.std() / drawn.mean() > 0.2
    evaluation = evaluate(rupees)
    book = Workbook(build_workbook(case, evaluation, tmp_path / "w.xlsx", ["glue"]).read_bytes(), "w.xlsx")
    assert any("INR" in str(cell) for row in islice(book.rows(1, []), 40) for cell in row.values)


def test_what_is_asked_is_up_to_date() -> None:
    """``ask`` of each country file is what ``python tests/golden/asked.py`` writes."""
    sys.path.insert(0, str(ROOT / "tests" / "golden"))
    from asked import ask_first

    assert conventions("GB")["ask"] == ask_first("GB")
    assert all(len(conventions(code)["ask"]) == 22 for code in BASES)


def test_conventions_stand_for_every_country_of_the_table() -> None:
    """A number style for each country that has a rate."""
    with (params_folder() / "tables" / "ppp.csv").open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            found = conventions(row["code"])
            assert {"number_style", "currency_place", "date_style", "first_month", "payment_basis", "payer", "ask"} <= found.keys()
            assert 1 <= found["first_month"] <= 12
    assert conventions("KE")["number_style"] == "unknown"
    assert load_documents([]).text("price_list") == "US"
