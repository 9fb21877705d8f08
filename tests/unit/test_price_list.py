"""Price lists and country files: one row a price, and what a malformed list or file says."""

import csv
import shutil

import pytest

from econmodel.errors import EconModelError
from econmodel.package import params_folder
from econmodel.parameters.catalogue import COUNTRY_INPUTS, NOT_IN_EVERY_LIST, PRICES
from econmodel.parameters.loading import load_base_case
from econmodel.parameters.price_list import NUMBERS, country_code
from econmodel.parameters.second_look import second_look

COIL = "c_coil,150,55,400,"
BASIS = '"lowest negotiated price to half the highest charge, rounded"'
SPREAD = COIL + BASIS + ",gamma se 60"
DATED = "60,2024,2026-11-26,"
LINE = 14  # of the row c_coil
# Fault: text replaced in US.csv, what stands there instead, what the message names, its line (0: the file alone), its fix.
BROKEN: dict[str, tuple[str, str, tuple[str, ...], int, str]] = {
    "row missing": (COIL, "c_coils,150,55,400,", ("no row for c_coil",), 0, "starts with c_coil"),
    "row unknown": (COIL, "c_coils,150,55,400,", ("'c_coils'", "not a price"), LINE, "did you mean 'c_coil'?"),
    "row doubled": (COIL, "c_glue_ml,150,55,400,", ("c_glue_ml has two rows", f"line {LINE}"), LINE + 3, "keep one"),
    "column unknown": ("name,value,", "name,valeu,", ("unknown column 'valeu'",), 1, "did you mean 'value'?"),
    "column doubled": ("name,value,low,", "name,value,value,", ("doubled column 'value'",), 1, ""),
    "column missing": (",status,", ",", ("column 'status' is missing",), 1, "first line"),
    "unit is no column": ("name,value,low,", "name,value,unit,", ("unknown column 'unit'",), 1, ""),
    "family unknown": (SPREAD, COIL + "x,gama cv 0.25", ("'gama'", "must be one of"), LINE, "'gamma'"),
    "number missing": (SPREAD, COIL + "x,gamma cv", ("'gamma cv'", "its numbers"), LINE, "gamma cv 0.25"),
    "field unknown": (SPREAD, COIL + "x,gamma sd 50", ("'gamma'", "['sd']"), LINE, "give se or cv"),
    "fixed for no reason": (SPREAD, COIL + "x,fixed", ("'fixed'", "and why"), LINE, "fixed: "),
    "distribution missing": (SPREAD, COIL + "x,", ("'distribution' is missing",), LINE, "add"),
    "spread of 0": (SPREAD, COIL + "x,gamma cv 0", ("cv = 0", "> 0"), LINE, "standard error"),
    "value missing": (COIL, "c_coil,,55,400,", ("c_coil", "exactly one of value and table"), LINE, "give value"),
    "value in other money": (COIL, "c_coil,£150,55,400,", ("c_coil: value = '£150'", "USD/coil"), LINE, "convert"),
    "value infinite": (COIL, "c_coil,inf,55,400,", ("c_coil: value = 'inf'", "number"), LINE, "plain number"),
    "value negative": (COIL, "c_coil,-150,55,400,", ("c_coil = -150 (USD/coil)", ">= 0"), LINE, "sign"),
    "share above 1": (
        "share_variable_coil,1.0",
        "share_variable_coil,1.5",
        ("= 1.5 (share)", "between 0 and 1"),
        LINE + 1,
        "fraction",
    ),
    "range without low": (COIL, "c_coil,150,,400,", ("low, high and basis",), LINE, "basis ="),
    "range without the value": (COIL, "c_coil,150,55,100,", ("55 to 100", "150"), LINE, "widen"),
    "cell too many": (COIL, "c_coil,150,55,400,400,", ("22 cells: must be 21",), LINE, "double quotes"),
    "quote left open": (COIL + BASIS, COIL + BASIS[:-1], ("cells: must be",), LINE, "double quotes"),
    "price year": ("60,2024,", "60,last,", ("price_year = 'last'",), LINE, "2023/24"),
    "date": (DATED, "60,2024,24.11.2026,", ("date = '24.11.2026'",), LINE, "2026-11-24"),
    "status": (DATED + "derived", DATED + "guess", ("'guess' is unknown",), LINE, "one of"),
    "status without source": (
        DATED + "derived,hospital_price_files2026",
        DATED + "derived,",
        ("needs the field 'source'",),
        LINE,
        "source =",
    ),
}


@pytest.fixture
def folder(tmp_path):
    """A copy of the inputs, to be broken."""
    return shutil.copytree(params_folder(), tmp_path / "params")


def refusal(folder):
    with pytest.raises(EconModelError) as fault:
        load_base_case("US", folder)
    return str(fault.value)


@pytest.mark.parametrize("fault", BROKEN)
def test_broken_price_lists(fault, folder):
    """A malformed list is refused with name, value, rule, file, line and fix."""
    old, new, named, line, fix = BROKEN[fault]
    path = folder / "prices" / "US.csv"
    text = path.read_text(encoding="utf-8")
    assert text.count(old) >= 1, "the text to break is not there"
    at = text.index(old, text.index(COIL) if line >= LINE else 0)
    path.write_text(text[:at] + new + text[at + len(old) :], encoding="utf-8")
    message = refusal(folder)
    for word in named:
        assert word in message
    assert f"US.csv, line {line}" in message if line else "US.csv" in message
    assert fix in message


def test_an_unbroken_copy_loads(folder):
    """Negative control: the same list unbroken is the shipped one."""
    assert load_base_case("US", folder).sha256 == load_base_case("US").sha256


def test_a_list_in_another_style_is_read_and_echoed(folder):
    """Semicolons, decimal commas and Windows-1252 as a spreadsheet writes them; the style of the file settles 1.250."""
    path = folder / "prices" / "US.csv"
    rows = list(csv.reader(path.read_text(encoding="utf-8").splitlines()))
    numbers = [rows[0].index(name) for name in NUMBERS]
    for row in rows[1:]:
        for i in numbers:
            row[i] = row[i].replace(".", ",")
    dear = max((row for row in rows if row[1].isdigit() and int(row[1]) < 1_000_000), key=lambda row: int(row[1]))
    dear[1], dear[rows[0].index("note")] = f"{int(dear[1]):,}".replace(",", "."), "Gerät"
    with path.open("w", encoding="cp1252", newline="") as file:
        csv.writer(file, delimiter=";").writerows(rows)
    found, shipped = load_base_case("US", folder), load_base_case("US")
    assert {n: p.value for n, p in found.parameters.items()} == {n: p.value for n, p in shipped.parameters.items()}
    assert second_look(found)[0].startswith(f"{dear[0]}, typed as '{dear[1]}', was read as {shipped.number(dear[0]):,.0f} USD")
    assert not second_look(shipped)


def test_every_price_stands_once():
    """Each country has the prices of the catalogue but those that others replace, and says what it must; where says the row."""
    for code in ("US", "GB"):
        found = load_base_case(code).parameters
        lines = (params_folder() / "prices" / f"{code}.csv").read_text(encoding="utf-8").splitlines()
        assert set(PRICES) - set(found) <= NOT_IN_EVERY_LIST
        for name, price in PRICES.items():
            if name not in found:
                continue
            p = found[name]
            assert (p.label, p.unit) == (price.label, price.unit(found["currency"].value))
            assert p.where.file == f"params/prices/{code}.csv"
            assert lines[p.where.line - 1].startswith(f"{name},")
        assert {found[name].where.file for name in COUNTRY_INPUTS} == {f"params/countries/{code}.toml"}


def test_a_country_without_a_currency(folder):
    """Without a currency no price has a unit."""
    path = folder / "countries" / "US.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('"USD"', '"dollars"'), encoding="utf-8")
    assert "currency = 'dollars': must be a code of ISO 4217" in (message := refusal(folder))
    assert "US.toml, line" in message


def test_a_country_without_payers(folder):
    """A country says who pays, and what equipment costs."""
    path = folder / "countries" / "US.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text[: text.index("[input.payers]")] + text[text.index("[input.payer_terms]") :], encoding="utf-8")
    assert "payers: every country must say" in refusal(folder)


def test_a_country_is_two_files_of_data(folder):
    """Another country needs a price list and a file of conventions, and no code."""
    for kind, suffix in (("prices", "csv"), ("countries", "toml")):
        shutil.copy(folder / kind / f"GB.{suffix}", folder / kind / f"IE.{suffix}")
    found = load_base_case("ie", folder)
    assert (found.text("price_list"), found["price_list"].choices) == ("IE", ("GB", "IE", "US"))


def test_codes():
    """Codes are taken as typed by hand, old names included."""
    assert [country_code(text) for text in ("uk", "UK", "gb", " us ", "fr")] == ["GB", "GB", "GB", "US", "FR"]
