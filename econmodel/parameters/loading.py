"""Load a case: the base case, a hospital file, further overrides and ``--set`` values, checked as a whole."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import EconModelError, ParameterError, join_faults
from econmodel.numbers import read_number, style_of
from econmodel.package import is_there, params_folder
from econmodel.parameters.catalogue import COUNTRY_INPUTS, OPTIONAL_COUNTRY_INPUTS, PRICES
from econmodel.parameters.countries import (
    COUNTRIES,
    Country,
    at_level,
    base_of,
    convert_country,
    convert_prices,
    currency_of,
    factors,
    mark_borrowed,
    read_country,
    shipped_list,
)
from econmodel.parameters.documents import Document, display_path, read_document, read_rows
from econmodel.parameters.following import settle
from econmodel.parameters.lookups import read_tables
from econmodel.parameters.overrides import apply_override, lay_override, set_value
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.parsing import GROUPS, collect, parse_joint, parse_parameter, parse_protocol, parse_row, parse_sources
from econmodel.parameters.price_list import country_code, read_price_list
from econmodel.parameters.rules import check
from econmodel.parameters.schema import CURRENCIES, JointGroup, Parameter, SecondaryRow, StrategyRow, Where, money_parts
from econmodel.records import record
from econmodel.wording import nearest

OLDEST, SEXES = 99, ("male", "female")


@record
class Case:
    """A named set of inputs, ready to evaluate."""

    name: str
    title: str
    file: str
    parameters: ParameterSet

    @property
    def is_demo(self) -> bool:
        """Whether any input is invented demonstration data."""
        return any(p.status == "demo" for p in self.parameters.parameters.values())


def demo_file() -> Path:
    """Default hospital file: the fictional demo hospital."""
    return params_folder() / "hospitals" / "demo.toml"


def load_case(file: Path | None = None, overrides: Sequence[Path] = (), sets: Sequence[str] = ()) -> Case:
    """Load a case.

    Parameters
    ----------
    file
        Hospital file; None for the base case alone.
    overrides
        Further override files (TOML, or filled forms as .xlsx), applied in order.
    sets
        ``NAME=VALUE`` texts, applied last.

    Raises
    ------
    EconModelError
        Every fault found, with file and line.
    """
    if file and file.suffix.lower() == ".xlsx":
        what = f"{file} is a spreadsheet: the hospital's file is TOML"
        raise ParameterError(what, where=str(file), fix="give a filled form with --override, beside the file it was made from")
    documents = [_read(path) for path in (*((file,) if file else ()), *overrides)]
    parameters = load_documents(documents, sets)
    name = file.stem if file else "base_case"
    title = parameters.titles[0] if file else "Base case"
    return Case(name, title, documents[0].where("").file if file else "params/base_case", parameters)


def load_documents(documents: Sequence[Document], sets: Sequence[str] = ()) -> ParameterSet:
    """Lay documents over the base case of the country they choose, in order, then ``--set`` values; checked as a whole."""
    chosen = _chosen(documents, sets)
    parameters = load_base_case(chosen)
    _check_currency(documents, parameters, chosen)
    for document in documents:
        parameters = apply_override(parameters, document)
    for text in sets:
        parameters = set_value(parameters, text)
    check(parameters)
    return parameters


def _read(path: Path) -> Document:
    """Read a TOML file, or a filled data-collection form."""
    if path.suffix.lower() != ".xlsx":
        return read_document(path)
    from econmodel.parameters.form_reading import read_form

    return read_form(path).document


def _chosen(documents: Sequence[Document], sets: Sequence[str] = ()) -> Country | None:
    """Country chosen by the last that names one; None where none does."""
    chosen = None
    for document in documents:
        named = document.tables("override").get("price_list", {})
        chosen = read_country(document) or chosen
        chosen = Country(country_code(str(named["value"]))) if "value" in named else chosen
    for text in sets:
        name, _, value = text.partition("=")
        if name.strip() == "price_list":
            chosen = Country(country_code(value))
    return chosen


def _check_currency(documents: Sequence[Document], parameters: ParameterSet, chosen: Country | None) -> None:
    """Refuse money without a unit in a file that was written for a price list in another currency."""
    currency = parameters.text("currency")
    for count, document in enumerate(documents, start=1):
        written_for, price_list = _chosen(documents[:count]), chosen.code if chosen else ""
        if (written_for.code if written_for else "") == price_list:
            continue
        written_in = load_base_case(written_for).text("currency")
        amounts = [
            name
            for name, raw in document.tables("override").items()
            if {"value", "table", "range", "distribution"} & raw.keys()
            and "unit" not in raw
            and money_parts(_unit_of(name, parameters))
        ]
        if amounts and written_in != currency:
            more = f" and {len(amounts) - 1} more amounts are" if len(amounts) > 1 else " is"
            what = (
                f"{amounts[0]}{more} in {written_in}, the currency of the file, but price_list = {price_list!r} is in "
                f"{currency}: one currency only"
            )
            fix = (
                f'restate the money of the file in {currency} and choose price_list = "{price_list}" in it, or start '
                f"from a hospital file in {currency} (params/hospitals)"
            )
            raise ParameterError(what, where=str(document.where(f"override.{amounts[0]}")), fix=fix)


def _unit_of(name: str, parameters: ParameterSet) -> str:
    """Unit of an input of the case, or of a price that may take another's place; empty for neither."""
    if name in parameters.parameters:
        return parameters[name].unit
    return PRICES[name].unit(parameters.text("currency")) if name in PRICES else ""


def load_base_case(country: str | Country | None = None, folder: Path | None = None) -> ParameterSet:
    """Load ``params/base_case`` with the prices and conventions of one country.

    Parameters
    ----------
    country
        Code of the country, ``US`` or ``IN``, or all that was said of it; None for the one the settings name. One without a
        price list takes another's, converted.
    folder
        Folder of inputs in place of ``params``.

    Raises
    ------
    EconModelError
        Every fault of the files.
    """
    root = folder or params_folder()
    faults: list[EconModelError] = []
    documents = [read_document(path) for path in sorted((root / "base_case").glob("*.toml"))]
    inputs = _inputs(documents, faults)
    wanted = country if isinstance(country, Country) else Country(country_code(country or str(inputs["price_list"].value)))
    groups = _groups(documents, faults)
    protocols = {
        key: collect(faults, parse_protocol, key, raw, document.where(f"protocol.{key}"))
        for document in documents
        for key, raw in document.data.get("protocol", {}).items()
    }
    sources = collect(faults, parse_sources, read_document(root / "sources.toml"))
    laid = _priced(wanted, inputs, root, faults)
    if faults:
        raise join_faults(faults)
    inputs |= _chosen_by(wanted, inputs, root)
    base = ParameterSet(inputs | laid.prices, *groups, sources=sources, tables=read_tables(root), protocols=protocols)
    found = _lay(base, laid.document)
    own = laid.prices if wanted.prices or shipped_list(wanted) else ()
    found = mark_borrowed(found, laid.base, laid.said, own) if laid.base else found
    if not wanted.life_table:
        return found
    return replace(found, parameters=found.parameters | {"life_table": _own_life_table(found["life_table"], wanted.life_table)})


@record
class _Laid:
    """Prices of a country and its file; ``base`` is the list they were converted from, if they were."""

    prices: dict[str, Parameter]
    document: Document
    base: str = ""
    said: tuple[str, ...] = ()


def _priced(wanted: Country, inputs: Mapping[str, Parameter], root: Path, faults: list[EconModelError]) -> _Laid:
    """Prices of a country: of its own list, else of another's, converted; one's own list goes before both."""
    if wanted.code in _codes(root):
        country = _described(read_document(root / "countries" / f"{wanted.code}.toml"))
        own = wanted.prices or root / "prices" / f"{wanted.code}.csv"
        return _Laid(read_price_list(own, _currency(country), faults), country)
    _check_code(wanted.code, root)
    base = base_of(wanted)
    of_base = _described(read_document(root / "countries" / f"{base}.toml"))
    by = factors(wanted, base, _currency_year(of_base))
    currency = currency_of(wanted, base)
    country = _described(convert_country(read_document(root / "countries" / f"{base}.toml"), wanted, by, base, currency))
    if wanted.prices:
        return _Laid(read_price_list(wanted.prices, currency, faults), country, base, by.said)
    if path := shipped_list(wanted):
        prices = read_price_list(path, currency, faults)
        prices = {} if faults else at_level(prices, inputs, wanted.code, read_tables(root).now)
        return _Laid(prices, country, base, by.said)
    prices = read_price_list(root / "prices" / f"{base}.csv", _currency(of_base), faults)
    return _Laid({} if faults else convert_prices(prices, inputs, by, base, currency), country, base, by.said)


def _chosen_by(wanted: Country, inputs: Mapping[str, Parameter], root: Path) -> dict[str, Parameter]:
    codes = tuple(sorted({*_codes(root), wanted.code}))
    return {"price_list": replace(inputs["price_list"], value=wanted.code, choices=codes)}


def _own_life_table(p: Parameter, path: Path) -> Parameter:
    read_life_table(str(path))
    return replace(
        p,
        value=str(path),
        choices=(*p.choices, str(path)),
        status="local",
        reason="The site's own life table.",
        rationale="",
        source="",
        changed_by="life table of one's own",
        base_value=p.value,
    )


def _inputs(documents: Sequence[Document], faults: list[EconModelError]) -> dict[str, Parameter]:
    inputs: dict[str, Parameter] = {}
    for document in documents:
        for name, raw in document.data.items():
            if name in GROUPS:
                continue
            if name in inputs:
                what = f"{name} is defined twice, first in {inputs[name].where}"
                faults.append(ParameterError(what, where=str(document.where(name)), fix="keep one of the two"))
            parsed = collect(faults, parse_parameter, name, raw, document.where(name))
            if parsed:
                inputs[name] = parsed
    return inputs


def _codes(root: Path) -> tuple[str, ...]:
    """Codes of the countries that have a list of their own."""
    return tuple(sorted(path.stem for path in (root / "prices").glob("*.csv")))


def _check_code(code: str, root: Path) -> None:
    if code not in COUNTRIES:
        what = f"price_list = {code!r}: must be one of {', '.join(_codes(root))}, or the two letters of a country (ISO 3166)"
        raise ParameterError(what, fix=nearest(code, _codes(root), 'choose one of them, or give code = "IN"'))


def _currency_year(country: Document) -> str:
    return str(country.data["input"]["price_year"]["value"])[:4]


def _described(country: Document) -> Document:
    """Add to the inputs of a country's file their labels and units, from the catalogue."""
    new = country.tables("input")
    currency = new.get("currency", {}).get("value")
    if currency not in CURRENCIES:
        what = f"currency = {currency!r}: must be a code of ISO 4217, such as EUR"
        fix = 'write [input.currency] with value = "EUR": the unit of every price'
        raise ParameterError(what, where=str(country.where("input.currency", "value")), fix=fix)
    dated = {key: country.data[key] for key in ("date",) if key in country.data}
    described = COUNTRY_INPUTS | OPTIONAL_COUNTRY_INPUTS
    texts = {name: {key: text.format(currency=currency) for key, text in row.items()} for name, row in described.items()}
    return replace(country, data=country.data | {"input": {name: dated | texts.get(name, {}) | raw for name, raw in new.items()}})


def _currency(country: Document) -> str:
    return str(country.data["input"]["currency"]["value"])


def _lay(parameters: ParameterSet, country: Document) -> ParameterSet:
    """Apply a country's file: its values are base values, no change of a site."""
    laid = lay_override(parameters, country)
    if missing := COUNTRY_INPUTS.keys() - laid.parameters.keys():
        what = f"{', '.join(sorted(missing))}: every country must say"
        raise ParameterError(what, where=country.shown, fix=f"add [input.{min(missing)}]")
    unmarked = {name: replace(p, changed_by="", base_value=None) for name, p in laid.parameters.items()}
    return settle(replace(laid, parameters=unmarked, titles=parameters.titles))


def _groups(
    documents: Sequence[Document], faults: list[EconModelError]
) -> tuple[dict[str, StrategyRow], dict[str, SecondaryRow], tuple[JointGroup, ...], tuple[JointGroup, ...]]:
    strategies: dict[str, StrategyRow] = {}
    secondary: dict[str, SecondaryRow] = {}
    joint: dict[str, list[JointGroup]] = {"ordered": [], "correlated": []}
    for document in documents:
        for key, raw in document.data.get("strategy", {}).items():
            strategies[key] = collect(faults, parse_row, StrategyRow, key, raw, document.where(f"strategy.{key}"))
        for key, raw in document.data.get("secondary", {}).items():
            secondary[key] = collect(faults, parse_row, SecondaryRow, key, raw, document.where(f"secondary.{key}"))
        for kind, found in joint.items():
            for key, raw in document.data.get(kind, {}).items():
                group = collect(faults, parse_joint, key, raw, document.where(f"{kind}.{key}"))
                if group:
                    found.append(group)
    return strategies, secondary, tuple(joint["ordered"]), tuple(joint["correlated"])


def read_own_life_table(path: Path) -> dict[str, NDArray[np.float64]]:
    """Read a site's own life table: columns age, male and female, ages from 0 one by one, each a probability of death in a year.

    Raises
    ------
    ParameterError
        A column is missing, a cell is no number from 0 to 1, or an age is left out; names the line.
    """
    rows, shown = read_rows(path, ("age", *SEXES), ("age", *SEXES)), display_path(path)
    style = style_of(row[sex] for _, row in rows for sex in SEXES)
    found: dict[str, list[float]] = {sex: [] for sex in SEXES}
    for age, (line, row) in enumerate(rows):
        where = str(Where(shown, line))
        for sex, values in found.items():
            values.append(read_number(row[sex], style, where))
            if row["age"] != str(age) or not 0 <= values[-1] <= 1:
                said = ", ".join(f"{key} = {cell}" for key, cell in row.items())
                what = f"life table: {said}: ages must run from 0, shares lie in 0 to 1"
                raise ParameterError(what, where=where, fix="three columns, age, male and female, one row a year of age")
    if len(rows) <= OLDEST:
        what = f"the life table has {len(rows)} rows: ages must run from 0 to {OLDEST} at least"
        raise ParameterError(what, where=shown, fix="age,male,female on the first line, then a row for each year of age")
    table = {sex: np.array(values) for sex, values in found.items()}
    for probabilities in table.values():
        probabilities.setflags(write=False)
    return table


@cache
def read_life_table(name: str) -> dict[str, NDArray[np.float64]]:
    """Read one life table: probability of death within a year by sex and single year of age.

    Returns
    -------
    dict
        ``male`` and ``female``, each an array indexed by age from 0.

    Raises
    ------
    ParameterError
        The table is not there, has a gap in its ages, or a probability outside 0 to 1.
    """
    path = Path(name) if name.endswith(".csv") else params_folder() / "tables" / f"{name}.csv"
    if name.endswith(".csv"):
        return read_own_life_table(path)
    if not is_there(path):
        what = f"life table {name!r} is not in params/tables"
        raise ParameterError(what, fix="choose one of " + ", ".join(p.stem for p in path.parent.glob("*.csv")))
    found: dict[str, list[float]] = {sex: [] for sex in SEXES}
    with path.open(encoding="utf-8", newline="") as lines:
        for number, row in enumerate(csv.DictReader(lines), start=2):
            ages = found[row["sex"]]
            q = float(row["qx"])
            if int(row["age"]) != len(ages) or not 0 <= q <= 1:
                what = f"life table {name!r}: age {row['age']}, qx {row['qx']}: ages must run from 0, qx lie in 0 to 1"
                raise ParameterError(what, where=str(Where(f"params/tables/{name}.csv", number)), fix="mend that row")
            ages.append(q)
    table = {sex: np.array(values) for sex, values in found.items()}
    for probabilities in table.values():
        probabilities.setflags(write=False)  # one table is shared by every evaluation
    return table
