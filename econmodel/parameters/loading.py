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
from econmodel.package import params_folder
from econmodel.parameters.catalogue import COUNTRY_INPUTS, OPTIONAL_COUNTRY_INPUTS, PRICES
from econmodel.parameters.documents import Document, read_document
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
    price_list = _price_list(documents, sets)
    parameters = load_base_case(price_list)
    _check_currency(documents, parameters, price_list)
    for document in documents:
        parameters = apply_override(parameters, document)
    for text in sets:
        parameters = set_value(parameters, text)
    check(parameters)
    name = file.stem if file else "base_case"
    title = parameters.titles[0] if file else "Base case"
    return Case(name, title, documents[0].where("").file if file else "params/base_case", parameters)


def _read(path: Path) -> Document:
    """Read a TOML file, or a filled data-collection form."""
    if path.suffix.lower() != ".xlsx":
        return read_document(path)
    from econmodel.parameters.form_reading import read_form

    return read_form(path).document


def _price_list(documents: Sequence[Document], sets: Sequence[str] = ()) -> str | None:
    """Price list chosen by the last that names one; None where none does."""
    chosen = None
    for document in documents:
        named = document.tables("override").get("price_list", {})
        chosen = str(named["value"]) if "value" in named else chosen
    for text in sets:
        name, _, value = text.partition("=")
        if name.strip() == "price_list":
            chosen = value.strip()
    return chosen


def _check_currency(documents: Sequence[Document], parameters: ParameterSet, price_list: str | None) -> None:
    """Refuse money without a unit in a file that was written for a price list in another currency."""
    currency = parameters.text("currency")
    for count, document in enumerate(documents, start=1):
        written_for = _price_list(documents[:count])
        if country_code(written_for or "") == country_code(price_list or ""):
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


def load_base_case(price_list: str | None = None, folder: Path | None = None) -> ParameterSet:
    """Load ``params/base_case`` with the prices and conventions of one country.

    Parameters
    ----------
    price_list
        Code of the country, ``US`` or ``GB``; None for the one the settings name.
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
    code, codes = _country(price_list, inputs, root)
    country = _described(read_document(root / "countries" / f"{code}.toml"))
    inputs |= read_price_list(root / "prices" / f"{code}.csv", _currency(country), faults)
    groups = _groups(documents, faults)
    protocols = {
        key: collect(faults, parse_protocol, key, raw, document.where(f"protocol.{key}"))
        for document in documents
        for key, raw in document.data.get("protocol", {}).items()
    }
    sources = collect(faults, parse_sources, read_document(root / "sources.toml"))
    if faults:
        raise join_faults(faults)
    inputs["price_list"] = replace(inputs["price_list"], value=code, choices=codes)
    return _lay(ParameterSet(inputs, *groups, sources=sources, tables=read_tables(root), protocols=protocols), country)


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


def _country(wanted: str | None, inputs: Mapping[str, Parameter], root: Path) -> tuple[str, tuple[str, ...]]:
    """Code of the country wanted, and of every country there is."""
    codes = tuple(sorted(path.stem for path in (root / "prices").glob("*.csv")))
    code = country_code(wanted or str(inputs["price_list"].value))
    if code not in codes:
        what = f"price_list = {wanted!r}: must be one of {', '.join(codes)}"
        raise ParameterError(what, fix=nearest(code, codes, "choose one of them"))
    return code, codes


def _described(country: Document) -> Document:
    """Add to the inputs of a country's file their labels and units, from the catalogue."""
    new = country.tables("input")
    currency = new.get("currency", {}).get("value")
    if currency not in CURRENCIES:
        what = f"currency = {currency!r}: must be one of {', '.join(CURRENCIES)}"
        fix = f'write [input.currency] with value = "{CURRENCIES[0]}": the unit of every price'
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
    path = params_folder() / "tables" / f"{name}.csv"
    if not path.exists():
        what = f"life table {name!r} is not in params/tables"
        raise ParameterError(what, fix="choose one of " + ", ".join(p.stem for p in path.parent.glob("*.csv")))
    found: dict[str, list[float]] = {"male": [], "female": []}
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
