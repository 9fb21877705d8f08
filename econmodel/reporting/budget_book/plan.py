"""What the budget workbook holds: activities by what drives them, and what each row of the downside table changes.

An activity that is in every strategy, and under every row of the downside table, a fixed number of times another is held as that
number: coils are so many a session. What drives itself is a series by month.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import MonthlyProfiles, monthly_profiles
from econmodel.economics.prices import Prices
from econmodel.errors import AnalysisError
from econmodel.model.inputs import base_values
from econmodel.parameters.catalogue import CATEGORY, ENDOSCOPIES, EXAMINATIONS, SESSION_KINDS
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.programme.budget import MONTHS, Budget
from econmodel.programme.downside import merge_clinical
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.intake import BY_SESSION
from econmodel.programme.money.payers import PROPHYLAXIS
from econmodel.programme.planned import in_the_mix, prices_of, rerun_under, years_needed
from econmodel.programme.report import ProgrammeResult
from econmodel.programme.sites import OF_TREATMENT
from econmodel.records import record

FloatArray = NDArray[np.float64]
COUNTED = ("first_bleeds", "rebleeds", "deaths_other", "transplants", "procedure_days", "complication_days")
SUMS = {"sessions": SESSION_KINDS, "examinations": EXAMINATIONS}
STEMS = {"full_cost": "c_", "variable_share": "share_variable_", "payment": "payment_"}
FACTORS = ("ratio_volume", "ratio_payment", "ratio_cost")
FIRST_YEAR_ONLY = ("deaths_other", "transplants")
SAME = 1e-11
BASE, EVERY_ITEM = "none", "every_item"


@record
class Driver:
    """What other activities are multiples of, by strategy and month after the start: (strategy, month).

    ``alternatives`` hold it, for the first strategies, under rows of the downside table where it differs.
    """

    key: str
    series: FloatArray
    alternatives: dict[str, FloatArray]


@record
class Driven:
    """An activity, so many a unit of its driver by strategy, and otherwise under rows of the downside table."""

    key: str
    driver: str
    per_unit: FloatArray
    alternatives: dict[str, FloatArray]


@record
class Worse:
    """A row of the downside table: inputs it sets by name, and whether the workbook holds it live."""

    key: str
    label: str
    sets: dict[str, float | str]
    live: bool


@dataclass
class BudgetPlan:
    """All that the sheets are written from; the first ``n_mixed`` strategies are those of today's and the proposed mix."""

    parameters: ParameterSet
    programme: ProgrammeResult
    profiles: MonthlyProfiles
    prices: Prices
    strategies: tuple[str, ...]
    n_mixed: int
    drivers: tuple[Driver, ...]
    activities: tuple[Driven, ...]
    worse: tuple[Worse, ...]

    @property
    def budget(self) -> Budget:
        """The deterministic budget."""
        return self.programme.budget

    @property
    def inputs(self) -> ProgrammeInputs:
        """Its inputs."""
        return self.programme.budget.inputs

    @property
    def counted(self) -> tuple[Driven, ...]:
        """Activities by calendar month: all but what only leaves the queue."""
        return tuple(one for one in self.activities if one.key not in FIRST_YEAR_ONLY)

    @property
    def n_moved(self) -> int:
        """How many of the first activities move with a session."""
        return sum(a.key in BY_SESSION for a in self.activities)

    @property
    def n_seen(self) -> int:
        """How many after them are lost with an absence."""
        return sum(a.key in ENDOSCOPIES for a in self.activities)

    @property
    def n_treatment(self) -> int:
        """How many of the first activities are of treatment, theirs and today's."""
        return sum(CATEGORY.get(a.key) == PROPHYLAXIS or a.key in OF_TREATMENT for a in self.counted)

    @property
    def n_care(self) -> int:
        """How many of the first activities are care of any kind; the rest are counts."""
        return sum(a.key in CATEGORY or a.key in OF_TREATMENT for a in self.counted)

    def price(self, key: str, stem: str) -> float:
        """A price of an activity; 0 of a count."""
        return _price(self.prices, key, stem)


def check_held(parameters: ParameterSet) -> None:
    """Refuse a case that the sheets cannot hold.

    Raises
    ------
    AnalysisError
        The cohort has bled, or an input has a path by year.
    """
    parameters.need_never_bled("the budget workbook")
    if parameters.rows("paths"):
        what = "paths: the budget workbook has no cells for a path by year"
        raise AnalysisError(what, where=str(parameters["paths"].where), fix="all other results have it; leave the workbook out")


def plan_budget(parameters: ParameterSet, programme: ProgrammeResult) -> BudgetPlan:
    """Lay out a case: what drives what, and every row of the downside table."""
    kept, inputs = in_the_mix(parameters), programme.budget.inputs
    years = years_needed(kept, inputs.n_budget_years, inputs.n_duty_months)
    profiles, prices = monthly_profiles(parameters, years), prices_of(kept, base_values(kept))
    mixed = [key for key in profiles.strategies if key in kept.strategies]
    strategies = (*mixed, *(key for key in profiles.strategies if key not in mixed))
    months = inputs.n_months + inputs.n_duty_months * inputs.closes
    reruns = {
        key: rerun_under(kept, merge_clinical([row.clinical]), years) for key, (row, _) in programme.worse.items() if row.clinical
    }
    names = _names(profiles, prices)
    cubes = {key: _cube(found, mixed, names, months) for key, (found, _) in reruns.items()}
    drivers, activities = find_drivers(_cube(profiles, strategies, names, months), cubes, names)
    drivers = tuple(_as_long_as_read(driver, activities, inputs.n_months) for driver in drivers)
    worse = [Worse(BASE, "Nothing: as planned", {}, live=True)]
    for key in (row.key for row in programme.downside):
        row, budget = programme.worse[key]
        sets = _changed_inputs(inputs, budget.inputs)
        held = sets is not None
        if key in reruns:
            sets = (sets or {}) | _changed_prices(prices, reruns[key][1], names)
        worse.append(Worse(key, row.label, sets or {}, live=held))
    return BudgetPlan(
        parameters,
        programme,
        profiles,
        prices,
        strategies,
        len(mixed),
        drivers,
        activities,
        tuple(sorted(worse, key=lambda w: not w.live)),
    )


def _as_long_as_read(driver: Driver, activities: tuple[Driven, ...], months: int) -> Driver:
    """Only of examinations is anything read after the last month; zeros keep the file small."""
    if any(one.driver == driver.key and one.key in EXAMINATIONS for one in activities):
        return driver
    kept = np.arange(driver.series.shape[1]) < months
    return Driver(driver.key, driver.series * kept, {key: series * kept for key, series in driver.alternatives.items()})


def _names(profiles: MonthlyProfiles, prices: Prices) -> list[str]:
    """Activities that money, beds or starts rest on: those of a session, endoscopies, others, what leaves the queue."""
    had = [name for i, name in enumerate(profiles.activities) if profiles.counts[0, :, :, i].any()]
    used = [name for name in had if name in COUNTED or any(_price(prices, name, stem) for stem in ("full_cost", "payment"))]
    own = [name for name in used if name not in SUMS]
    moved, seen = [n for n in own if n in BY_SESSION], [n for n in own if n in ENDOSCOPIES]
    last = [name for name in own if name in FIRST_YEAR_ONLY]
    rest = [name for name in own if name not in (*moved, *seen, *last)]
    return [*moved, *seen, *sorted(rest, key=lambda name: (name not in CATEGORY, CATEGORY.get(name) != PROPHYLAXIS)), *last]


def _price(prices: Prices, name: str, stem: str) -> float:
    return float(getattr(prices, stem)[0, prices.activities.index(name)]) if name in CATEGORY else 0.0


def _cube(profiles: MonthlyProfiles, strategies: Any, names: list[str], months: int) -> dict[str, FloatArray]:
    """Activity to its series, (strategy, month), with what drives several kinds together."""
    rows = [profiles.strategies.index(key) for key in strategies]

    def of(name: str) -> FloatArray:
        found = profiles.counts[0, rows, :months, profiles.activities.index(name)].copy()
        if name in FIRST_YEAR_ONLY:
            found[:, MONTHS:] = 0.0
        return np.asarray(found)

    return {name: np.asarray(sum(of(kind) for kind in kinds)) for name, kinds in SUMS.items()} | {name: of(name) for name in names}


def find_drivers(
    base: Mapping[str, FloatArray], others: Mapping[str, Mapping[str, FloatArray]], names: list[str]
) -> tuple[tuple[Driver, ...], tuple[Driven, ...]]:
    """Sort activities into drivers and multiples of them, alike in the base and in all others."""
    drivers: dict[str, Driver] = {}
    found: list[Driven] = []
    for name in (*SUMS, *names):
        per_unit = None
        for driver in drivers:
            rates = [_rate(cube[name], cube[driver]) for cube in (base, *others.values())]
            if all(rate is not None for rate in rates):
                per_unit = rates
                break
        else:
            driver = name
            changed = {key: cube[name] for key, cube in others.items() if not _same(cube[name], base[name])}
            drivers[name] = Driver(name, base[name], changed)
        if name in SUMS:
            continue
        first = np.ones(len(base[name])) if per_unit is None else per_unit[0]
        assert first is not None
        apart = {} if per_unit is None else dict(zip(others, per_unit[1:], strict=True))
        found.append(Driven(name, driver, first, {k: r for k, r in apart.items() if r is not None and not _same(r, first)}))
    used = {one.driver for one in found}
    return tuple(driver for key, driver in drivers.items() if key in used), tuple(found)


def _rate(series: FloatArray, driver: FloatArray) -> FloatArray | None:
    """How many a unit of the driver, (strategy,), where that is one number for all months."""
    total = driver.sum(axis=1)
    rate = np.divide(series.sum(axis=1), total, out=np.zeros(len(total)), where=total != 0)
    return rate if np.abs(rate[:, None] * driver - series).max() <= SAME * max(np.abs(series).max(), 1e-300) else None


def _same(other: FloatArray, base: FloatArray) -> bool:
    return bool(np.allclose(other, base[: len(other)], rtol=SAME, atol=1e-15))


def _changed_inputs(base: ProgrammeInputs, other: ProgrammeInputs) -> dict[str, float | str] | None:
    """What a row of the downside table sets, by name; None where the workbook has no cell for it."""
    sets: dict[str, float | str] = {}
    for field in fields(base):
        before, after = getattr(base, field.name), getattr(other, field.name)
        if np.all(before == after) if isinstance(before, np.ndarray) else before == after:
            continue
        found = dict(_setting(field.name, before, after))
        if not found:
            return None
        sets |= found
    return sets


def _setting(name: str, before: Any, after: Any) -> Iterator[tuple[str, float | str]]:
    if name == "n_start_delay_months":
        yield "further_delay", float(after - before)
    elif name in FACTORS:
        yield name, float(after[0] / before[0])
    elif name == "current_mix":
        yield from ((f"today_{key}", after.get(key, 0.0)) for key in {**before, **after})
    elif name == "payer_terms":
        gone = [term for term in after if term not in before]
        if all(term.payment_ratio == 0.0 for term in gone):
            yield from ((f"paid_{key}", 0.0) for key in dict.fromkeys(term.activity for term in gone) if key in EXAMINATIONS)
    elif name == "capital":
        bases = {item.basis for item in after if item.life_years}
        if len(bases) == 1:
            yield EVERY_ITEM, str(bases.pop())
    elif name == "margin_everywhere":
        yield name, float(after)
    elif name == "capital_basis":
        yield name, str(after)
    elif isinstance(after, np.ndarray | float | int) and not isinstance(after, bool):
        yield name, float(np.ravel(after)[0])


def _changed_prices(base: Prices, other: Prices, names: list[str]) -> dict[str, float | str]:
    return {
        f"{prefix}{name}": _price(other, name, stem)
        for stem, prefix in STEMS.items()
        for name in names
        if abs(_price(other, name, stem) - _price(base, name, stem)) > SAME * abs(_price(base, name, stem))
    }
