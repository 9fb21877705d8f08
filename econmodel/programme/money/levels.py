"""Price levels by year, and inputs by year where the site gives them a path."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.prices import Prices
from econmodel.programme.calendar import carry, first_calendar_year
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.money.finance import nominal_rate
from econmodel.programme.paths import ESCALATOR, ESCALATORS, FEES, PRICED, PathPoint, by_input, follows, shares_in
from econmodel.records import record

FloatArray = NDArray[np.float64]


@record
class PriceIndices:
    """Nominal prices relative to the price year by year, arrays (draw, year), year 0 the start, at the prices of year 1.

    ``paths`` holds inputs that have a path, by name, in prices of the price year; slots as they are.
    """

    pay: FloatArray
    devices: FloatArray
    tariff: FloatArray
    mixed: FloatArray
    paths: Mapping[str, FloatArray] = field(default_factory=dict)

    def monthly(self) -> PriceIndices:
        """Spread years 1 .. n over their months, arrays (draw, month)."""
        return self._each(lambda a: np.repeat(a[:, 1:], 12, axis=1))

    def last_year(self) -> PriceIndices:
        """Prices of the last year, arrays (draw, 1)."""
        return self._each(lambda a: a[:, -1:])

    def of(self, inputs: ProgrammeInputs, name: str) -> FloatArray:
        """An input in the periods of these levels where it has a path, else one value, (draw, 1)."""
        found = self.paths.get(name)
        return getattr(inputs, name)[:, None] if found is None else found

    def _each(self, of: Callable[[FloatArray], FloatArray]) -> PriceIndices:
        paths = {name: of(a) for name, a in self.paths.items()}
        return PriceIndices(of(self.pay), of(self.devices), of(self.tariff), of(self.mixed), paths)


def price_indices(inputs: ProgrammeInputs) -> PriceIndices:
    """Build indices: prices carried to year 1, then escalated by year; real escalators are turned into nominal ones first.

    ``mixed`` is for variable costs other than devices: ``share_variable_pay`` follows pay, the rest devices.
    """
    year = np.arange(inputs.n_budget_years + 1.0)
    points = dict(by_input(inputs.paths))

    def nominal(rise: FloatArray, inflation: FloatArray) -> FloatArray:
        return rise if inputs.escalator_basis == "nominal" else nominal_rate(rise, inflation)

    def index(name: str) -> FloatArray:
        escalator = getattr(inputs, ESCALATOR + name)
        rise = nominal(escalator, inputs.r_inflation)
        carried = carry(inputs, rise)[:, None]
        if ESCALATOR + name not in points:
            return np.asarray(carried * (1.0 + rise[:, None]) ** np.maximum(year - 1.0, 0.0))
        by_year = nominal(_rises(inputs, escalator, points[ESCALATOR + name]), inputs.r_inflation[:, None])
        return np.asarray(carried * np.cumprod(np.where(year > 1, 1.0 + by_year, 1.0), axis=1))

    pay, devices = index("pay"), index("devices")
    share = inputs.share_variable_pay[:, None]
    levels = PriceIndices(pay, devices, index("tariff"), share * pay + (1.0 - share) * devices)
    own = {name: _path(inputs, name, found, levels) for name, found in points.items() if name not in ESCALATORS}
    return replace(levels, paths=own) if own else levels


def _rises(inputs: ProgrammeInputs, base: FloatArray, points: list[PathPoint]) -> FloatArray:
    """An escalator by year, (draw, year)."""
    found = np.repeat(base[:, None], inputs.n_budget_years + 1, axis=1)
    for point in points:
        found[:, _year(inputs, point) :] = point.value + (base - point.base)[:, None]
    return found


def _path(inputs: ProgrammeInputs, name: str, points: list[PathPoint], levels: PriceIndices) -> FloatArray:
    """An input by year, the start as year 1; of an activity's price relative to its own value where it has one, (draw, year)."""
    level: FloatArray = getattr(levels, follows(name)) if follows(name) else np.ones_like(levels.pay)
    base = np.where(points[0].is_ratio, 1.0, 0.0) * np.ones(1) if name in PRICED else getattr(inputs, name)
    shape = (max(len(base), len(level)), level.shape[1])
    found = np.array(np.broadcast_to(base[:, None], shape))
    for point in points:
        year = _year(inputs, point)
        then = (base * point.ratio if point.is_ratio else np.array([point.value])) / level[:, year]
        found[:, year:] = then[:, None]
    found[:, 0] = found[:, 1]
    return found


def _year(inputs: ProgrammeInputs, point: PathPoint) -> int:
    return point.year - first_calendar_year(inputs) + 1


def in_years(inputs: ProgrammeInputs, name: str) -> FloatArray:
    """An input by year of the budget where it has a path, in prices of the price year, else (draw, 1)."""
    if all(point.input != name for point in inputs.paths):
        return np.asarray(getattr(inputs, name)[:, None])
    return price_indices(inputs).paths[name][:, 1:]


def in_months(inputs: ProgrammeInputs, name: str) -> FloatArray:
    """The same by month."""
    found = in_years(inputs, name)
    return found if found.shape[1] == 1 else np.repeat(found, 12, axis=1)


def year_by_year(inputs: ProgrammeInputs, prices: Prices) -> list[tuple[ProgrammeInputs, Prices]]:
    """Payers, fees and price list in force in each year; nothing where no path moves one."""
    if not any(point.payer or point.input in PRICED or point.input in FEES for point in inputs.paths):
        return []
    levels, first = price_indices(inputs), first_calendar_year(inputs)
    found = []
    for year in range(1, inputs.n_budget_years + 1):
        shares = shares_in(inputs.paths, inputs.payers, first + year - 1)
        fees = {name: values[:, year] for name, values in levels.paths.items() if name in FEES}
        payers = tuple(replace(payer, share=shares[payer.name]) for payer in inputs.payers)
        found.append((inputs.changed(payers=payers, **fees), _priced_in(inputs, prices, levels, year)))
    return found


def _priced_in(inputs: ProgrammeInputs, prices: Prices, levels: PriceIndices, year: int) -> Prices:
    for name, points in by_input(inputs.paths):
        if name not in PRICED:
            continue
        column, _ = PRICED[name]
        values = getattr(prices, column)
        then = levels.paths[name][:, [year]]
        moved = np.isin(prices.activities, points[0].activities)
        reached = points[0].is_ratio or _year(inputs, points[0]) <= year
        laid: dict[str, Any] = {column: np.where(moved & reached, then * (values if points[0].is_ratio else 1.0), values)}
        prices = replace(prices, **laid)
    return prices
