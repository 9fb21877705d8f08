"""Paths: a price, a payment, a payer's share, slots or an escalator by year, as a site's own plan has them.

A value holds from the year it is given for, in that year's money, and rises after it as its kind does; before the first, the input's
own value holds. Where an analysis varies the input, its path moves in the same proportion, an escalator's by the same difference.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from econmodel.errors import ParameterError
from econmodel.parameters.catalogue import BLEED_ADMISSIONS, CATEGORY, DEVICES, MEANS_OF_BLEEDS, PRICED_AS
from econmodel.programme.input_tables import Payer, Rows, check_fields, check_repeats, checked_number, sum_to_one
from econmodel.records import record
from econmodel.wording import duration, nearest

PAYERS, ESCALATOR = "payers", "r_escalator_"
SLOTS = ("n_session_slots", "n_radiology_slots", "n_spare_sessions", "n_spare_radiology", "n_spare_surveillance")
FEES = tuple(f"{stem}_{key}" for stem in ("payment_professional", "c_physician") for key in ("session", "surveillance", "bleed"))
FOLLOWS = (
    dict.fromkeys(("c_coordinator", "c_training", "c_exit", "c_cover_slot"), "pay")
    | dict.fromkeys(("c_session_block", "c_radiology_block", "c_surveillance_block"), "pay")
    | {"c_service_contract": "devices"}
    | dict.fromkeys(("c_displaced_contribution", "c_refill_contribution"), "tariff")
    | {name: "tariff" if name.startswith("payment_") else "mixed" for name in FEES}
)
ESCALATORS = tuple(f"{ESCALATOR}{name}" for name in ("pay", "devices", "tariff"))
STEMS = {"c_": "full_cost", "payment_": "payment"}


@record
class PathPoint:
    """Value of an input from a year on, named by its first calendar year; of ``payers`` the share of one ``payer``.

    ``base`` is the case's own value of the input, NaN where none is known, as of a payer; ``activities`` are those it prices.
    """

    input: str
    year: int
    value: float
    payer: str = ""
    base: float = math.nan
    activities: tuple[str, ...] = ()

    @property
    def ratio(self) -> float:
        """Value over the input's own."""
        return self.value / self.base

    @property
    def is_ratio(self) -> bool:
        """Whether it moves in proportion with the input, which it cannot where that is 0."""
        return self.base > 0


def _priced() -> dict[str, tuple[str, tuple[str, ...]]]:
    """Price of an activity to the column of a price list it stands in, and the activities it prices."""
    own = {
        stem + key: (column, tuple(a for a in CATEGORY if PRICED_AS.get(a, a) == key))
        for stem, column in STEMS.items()
        for key in CATEGORY
        if key not in PRICED_AS
    }
    return own | {price.name: (STEMS[price.name.split("bleed")[0]], BLEED_ADMISSIONS) for price in MEANS_OF_BLEEDS}


PRICED = _priced()


def follows(name: str) -> str:
    """Price level that an input follows; empty for slots."""
    if name in PRICED:
        column, activities = PRICED[name]
        return "tariff" if column == "payment" else "devices" if activities[0] in DEVICES else "mixed"
    return FOLLOWS.get(name, "")


def read_paths(name: str, rows: Rows) -> tuple[PathPoint, ...]:
    """Read the rows of paths; an input that cannot have one, or a year that stands twice, is refused."""
    points = []
    for row in rows:
        check_fields(name, row, ("input", "year", "value"), ("payer",))
        given, year = str(row["input"]), checked_number(name, row, "year")
        known = (*SLOTS, *FOLLOWS, *ESCALATORS, *PRICED, PAYERS)
        if given not in known:
            what = f"{name}: {given!r} cannot have a path; prices, payments, slots, escalators and shares of payers can"
            raise ParameterError(
                what, fix=nearest(given, known, "leave it out; a fixed cost has month and until, a contract a plan by year")
            )
        if year != int(year) or (given == PAYERS) != ("payer" in row):
            what = f"{name}: {dict(row)}: needs a whole calendar year, and a payer where the input is {PAYERS!r}, there alone"
            raise ParameterError(what, fix=f'{{ input = "{PAYERS}", payer = "...", year = 2028, value = 0.5 }}')
        low, high = (-1.0 if given in ESCALATORS else 0.0), (1.0 if given == PAYERS else math.inf)
        points.append(
            PathPoint(given, int(year), checked_number(f"{name}, {given}", row, "value", low, high), str(row.get("payer", "")))
        )
    check_repeats(name, [f"{point.payer or point.input}, {point.year}" for point in points], "year")
    return tuple(sorted(points, key=lambda point: point.year))


def check_paths(points: Sequence[PathPoint], payers: Sequence[Payer], first: int, n_years: int) -> None:
    """Refuse a year outside the budget, an unknown payer, and shares of payers that do not sum to 1 in a year."""
    for point in points:
        opens = first + (point.input in ESCALATORS)
        if not opens <= point.year < first + n_years:
            rise = ", and an escalator rises from its second year on" if point.input in ESCALATORS else ""
            what = (
                f"paths, {point.payer or point.input}: {point.year} lies outside the budget of {duration(n_years)} from {first}{rise}"
            )
            raise ParameterError(what, fix=f"give a year from {opens} to {first + n_years - 1}, or take the row out")
        if point.payer and point.payer not in [payer.name for payer in payers]:
            what = f"paths: unknown payer {point.payer!r}"
            raise ParameterError(what, fix=nearest(point.payer, [payer.name for payer in payers], "use a name of payers"))
    for year in sorted({point.year for point in points if point.payer}):
        sum_to_one(f"paths, {PAYERS} in {year}", shares_in(points, payers, year).values())


def shares_in(points: Sequence[PathPoint], payers: Iterable[Payer], year: int) -> dict[str, float]:
    """Share of each payer in a calendar year."""
    return {payer.name: payer.share for payer in payers} | {p.payer: p.value for p in points if p.payer and p.year <= year}


def by_input(points: Sequence[PathPoint]) -> Iterator[tuple[str, list[PathPoint]]]:
    """Inputs that have a path, with their points in order; payers apart."""
    for name in dict.fromkeys(point.input for point in points if not point.payer):
        yield name, [point for point in points if point.input == name]


def with_bases(points: Sequence[PathPoint], bases: Mapping[str, float]) -> tuple[PathPoint, ...]:
    """Points with the case's own value of their input.

    Raises
    ------
    ParameterError
        The case has no such input, or the mean of bleeds, by which their prices move, is 0.
    """
    found = []
    for point in points:
        if not point.payer and point.input not in bases:
            what = f"paths: the price list of this case has no {point.input!r}"
            raise ParameterError(what, fix=nearest(point.input, [n for n in PRICED if n in bases], "name a price that it has"))
        base, activities = bases.get(point.input, math.nan), _moved(point.input, bases)
        if base == 0 and len(activities) > 1:
            what = f"paths: {point.input} is 0 in this case, so that its path has nothing to move with"
            raise ParameterError(what, fix=f"give {point.input} a value of its own first")
        found.append(replace(point, base=base, activities=activities))
    return tuple(found)


def _moved(name: str, bases: Mapping[str, float]) -> tuple[str, ...]:
    """Activities that an input prices: a mean of bleeds, or the price of a survived one, those without a price of their own."""
    column, activities = PRICED.get(name, ("", ()))
    stem = "payment_" if column == "payment" else "c_"
    if name == f"{stem}bleed_survived":
        return (*activities, *(a for a in BLEED_ADMISSIONS if stem + a not in bases))
    return tuple(a for a in activities if len(activities) == 1 or stem + a not in bases)
