"""The programme's calendar: the names of its years, and how prices are carried from the price year to the first of them.

A year is named by its first calendar year. Without a first year the price year is year 1 and nothing is carried.
"""

from __future__ import annotations

import csv
from calendar import month_abbr
from functools import cache

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import ParameterError
from econmodel.package import params_folder
from econmodel.parameters.countries import conventions
from econmodel.parameters.documents import read_text
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.wording import duration

FloatArray = NDArray[np.float64]


@cache
def published_index(key: str) -> dict[int, float]:
    """A price index of ``params/tables/price_index.csv`` by year."""
    rows = csv.DictReader(read_text(params_folder() / "tables" / "price_index.csv").splitlines())
    return {int(row["year"][:4]): float(row["value"]) for row in rows if row["key"] == key}


def price_year(inputs: ProgrammeInputs) -> int:
    """Calendar year in which the year of the price list begins."""
    return int(inputs.price_year[:4])


def first_calendar_year(inputs: ProgrammeInputs) -> int:
    """Calendar year in which year 1 begins."""
    return inputs.first_year or price_year(inputs)


def index_part(inputs: ProgrammeInputs) -> tuple[float, int]:
    """Rise that the country's published index gives to the price list, and the years from there to year 1.

    Raises
    ------
    ParameterError
        The index begins after the price year.
    """
    start, first = price_year(inputs), first_calendar_year(inputs)
    key = conventions(inputs.price_list)["price_index"]
    index = published_index(key)
    until = min(max(start, *index), first)
    if until > start and start not in index:
        what = f"price_year = {inputs.price_year!r}: the index {key} begins in {min(index)}"
        raise ParameterError(what, fix="restate the prices in a later year's money")
    return (index[until] / index[start] if until > start else 1.0), first - until


def carry(inputs: ProgrammeInputs, escalator: FloatArray) -> FloatArray:
    """Price of year 1 over that of the price year: the published index, then the item's own nominal escalator; shape (draw,)."""
    published, years = index_part(inputs)
    return np.asarray(published * (1.0 + escalator) ** years)


def year_names(inputs: ProgrammeInputs) -> tuple[str, ...]:
    """Names of the start and of each year: those of the country's financial year, twelve months by name, or numbers alone."""
    numbers = range(1, inputs.n_budget_years + 1)
    if not inputs.first_year:
        return ("Start", *(f"Year {y}" for y in numbers))
    opens = conventions(inputs.price_list)["first_month"]
    month = inputs.first_month or opens
    return ("Start", *(_named(inputs.first_year + y - 1, month, financial=month == opens) for y in numbers))


def _named(year: int, month: int, *, financial: bool) -> str:
    if month == 1:
        return str(year)
    if financial:
        return f"{year}/{(year + 1) % 100:02d}"
    return f"{month_abbr[month]} {year} to {month_abbr[month - 1]} {year + 1}"


def carried(inputs: ProgrammeInputs, rises: dict[str, FloatArray]) -> str:
    """Say which year's money the first year is in, and how prices came there; ``rises`` are carries by what they carry."""
    if not inputs.first_year:
        return f"No first year is given: year 1 is taken to be the price year, {inputs.price_year}, and no price is carried."
    published, years = index_part(inputs)
    until = inputs.first_year - years
    by_index = f" by the published index to {until}, x {published:.4f}, then" if published != 1 else ""
    named = ", ".join(f"{what} x {float(rise.mean()):.4f}" for what, rise in rises.items())
    return (
        f"Year 1 is {year_names(inputs)[1]}: prices of {inputs.price_year} are carried{by_index} over "
        f"{duration(years)} by their own yearly rise ({named})."
    )
