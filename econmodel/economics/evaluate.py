"""``evaluate()``: the one path from inputs to results.

Command line, dashboard, sensitivity, probabilistic analysis, programme and workbook all pass through here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import field
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import Activity, build_activity, monthly_profiles
from econmodel.economics.bleed_prices import fatal_share, untreated_fatal_share
from econmodel.economics.comparison import Comparison, Totals
from econmodel.economics.outcomes import COSTS, OUTCOMES, UNDISCOUNTED, Utilities, life_years, qalys, resolve_utilities
from econmodel.economics.patients import Followed, Run, follow
from econmodel.economics.prices import Prices, money, resolve_prices
from econmodel.model.disease import run_disease
from econmodel.model.inputs import ModelInputs, Values, base_values, resolve
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import WATCH
from econmodel.records import record

FloatArray = NDArray[np.float64]
Found = TypeVar("Found")
RISK_YEARS = (1, 2, 3, 5)


@record
class Evaluation:
    """Results of one or many draws; every method returns (draw, strategy, group), group 0 being all patients.

    ``years=None`` is the whole time horizon. Money and health are discounted unless ``discounted=False``. ``died`` is the
    share of bleed admissions without prophylaxis that end in death, over a lifetime: (draw,).
    """

    parameters: ParameterSet
    inputs: ModelInputs
    activity: Activity
    prices: Prices
    died: FloatArray
    utilities: Utilities
    _known: dict[tuple[object, ...], Any] = field(default_factory=dict, repr=False, compare=False)

    def _once(self, key: tuple[object, ...], compute: Callable[[], Found]) -> Found:
        """Compute a result once; reports ask for the same totals many times."""
        if key not in self._known:
            self._known[key] = compute()
        found: Found = self._known[key]
        return found

    @property
    def keys(self) -> tuple[str, ...]:
        """Strategy keys in display order."""
        return self.activity.strategies

    @property
    def perspective(self) -> str:
        """View on money."""
        return self.parameters.text("perspective")

    @property
    def horizon(self) -> int:
        """Time horizon in years."""
        return self.inputs.n_years

    @property
    def headline_years(self) -> int:
        """Years of the headline figures, as set."""
        return int(self.parameters.number("headline_years"))

    @property
    def headline(self) -> int:
        """Years of the headline figures, the horizon where that is shorter."""
        return min(self.headline_years, self.horizon)

    @cached_property
    def risk_years(self) -> tuple[int, ...]:
        """Years at which costs, risks and NNT are given: 1, 2, 3, 5, the headline years and the horizon."""
        return tuple(sorted({*(y for y in RISK_YEARS if y < self.horizon), self.headline, self.horizon}))

    def cost(
        self, years: int | None = None, *, category: str | None = None, discounted: bool = True, perspective: str | None = None
    ) -> FloatArray:
        """Cost per patient."""
        view, weighting = perspective or self.perspective, COSTS if discounted else UNDISCOUNTED
        return self._once(
            ("cost", view, weighting, years, category),
            lambda: money(self.activity, self.prices, view, category=category, years=years, weighting=weighting),
        )

    def life_years(self, years: int | None = None, *, discounted: bool = True) -> FloatArray:
        """Life-years per patient."""
        weighting = OUTCOMES if discounted else UNDISCOUNTED
        return self._once(("life_years", weighting, years), lambda: life_years(self.activity, weighting, years))

    def qalys(self, years: int | None = None, *, discounted: bool = True) -> FloatArray:
        """QALYs per patient."""
        weighting = OUTCOMES if discounted else UNDISCOUNTED
        return self._once(("qalys", weighting, years), lambda: qalys(self.activity, self.utilities, weighting, years))

    def count(self, name: str, years: int | None = None) -> FloatArray:
        """Undiscounted count per patient of an activity, event or state-year."""
        return self._once(("count", name, years), lambda: self.activity.total(name, UNDISCOUNTED, years))

    def bleeds(self, years: int | None = None) -> FloatArray:
        """All bleeds per patient: first and again, any source; without the one that a cohort starts at or after."""
        rebleeds = self.count("rebleeds", years)
        return rebleeds if self.parameters.has_bled else self.count("first_bleeds", years) + rebleeds

    def net_benefit(self, threshold: float, years: int | None = None, perspective: str | None = None) -> FloatArray:
        """Net monetary benefit: threshold x QALYs - cost."""
        return threshold * self.qalys(years) - self.cost(years, perspective=perspective)

    def totals(self, key: str, years: int | None = None, *, group: int = 0) -> Totals[FloatArray]:
        """What one strategy comes to over a horizon: (draw,)."""
        s = self.index(key)

        def of(array: FloatArray) -> FloatArray:
            return np.asarray(array[:, s, group])

        return Totals(
            cost=of(self.cost(years)),
            prophylaxis_cost=of(self.cost(years, category="prophylaxis")),
            qalys=of(self.qalys(years)),
            life_years=of(self.life_years(years)),
            bleeds=of(self.bleeds(years)),
            gastric_first_bleeds=of(self.count("gastric_first_bleeds", years)),
            first_bleed_risk={y: of(self.count("first_bleeds", y)) for y in self.risk_years if years is None or y <= years},
        )

    def compare(self, key: str, versus: str, years: int | None = None, *, group: int = 0) -> Comparison[FloatArray]:
        """Compare two strategies over a horizon: (draw,)."""
        a, b = (self.totals(k, years, group=group) for k in (key, versus))
        return Comparison(versus, self.parameters.threshold, a, b)

    def compare_means(self, key: str, versus: str, years: int | None = None, *, group: int = 0) -> Comparison[float]:
        """Compare the means over the draws of two strategies over a horizon: of one draw, that draw itself."""
        a, b = (self._once(("means", k, years, group), self.totals(k, years, group=group).mean) for k in (key, versus))
        return Comparison(versus, self.parameters.threshold, a, b)

    def index(self, key: str) -> int:
        """Position of a strategy."""
        return self.keys.index(key)


def discount_rates(parameters: ParameterSet) -> tuple[float, float, float]:
    """Weightings of every total: undiscounted, at the rate of costs, at the rate of outcomes."""
    return 0.0, parameters.number("discount_costs"), parameters.number("discount_outcomes")


def report_periods(parameters: ParameterSet, n_years: int, *, yearly: bool) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Periods reported: every year, or those that end at a risk year, the headline years and the horizon.

    Returns
    -------
    period_of_year
        Period of each model year.
    ends
        End of each period, in years.
    """
    headline = int(parameters.number("headline_years"))
    ends = tuple(range(1, n_years + 1)) if yearly else tuple(sorted({y for y in (*RISK_YEARS, headline, n_years) if y <= n_years}))
    period = np.searchsorted(ends, np.arange(n_years), side="right")
    return tuple(int(p) for p in period), ends


class _Noted(Mapping[str, FloatArray]):
    """Values that note which of them were read."""

    def __init__(self, values: Values) -> None:
        self.values_of, self.read = values, set[str]()

    def __getitem__(self, name: str) -> FloatArray:
        found = self.values_of[name]
        self.read.add(name)
        return found

    def __iter__(self) -> Iterator[str]:
        return iter(self.values_of)

    def __len__(self) -> int:
        return len(self.values_of)


def read_by_patients(parameters: ParameterSet) -> frozenset[str]:
    """Names of the values that what happens to patients depends on: all others concern money, or how health is valued."""
    noted = _Noted(base_values(parameters))
    monthly_profiles(parameters, 1, noted)
    return frozenset(noted.read)


def evaluate(
    parameters: ParameterSet,
    values: Values | None = None,
    *,
    yearly: bool = True,
    by_group: bool = True,
    followed: Followed | None = None,
) -> Evaluation:
    """Evaluate a case.

    Parameters
    ----------
    parameters
        The case's inputs.
    values
        Draws of the numeric inputs, each (draw,); None evaluates the base values as one draw.
    yearly
        Keep every year (deterministic runs); otherwise only the years reported.
    by_group
        Keep patient groups beside the whole.
    followed
        Patients of these draws as :func:`run_totals` sums them, where they are known.

    Raises
    ------
    EconModelError
        An input cannot be resolved, or a probability leaves 0 to 1.
    """
    v: Mapping[str, FloatArray] = base_values(parameters) if values is None else values
    found = followed or follow(resolve(parameters, values), run_totals(parameters, yearly=yearly), by_group=by_group)
    _, ends = report_periods(parameters, found.inputs.n_years, yearly=yearly)
    rates = discount_rates(parameters)
    places = [tuple(dict.fromkeys(rates)).index(rate) for rate in rates]
    activity = build_activity(parameters, v, found.inputs, found.sums, ends, weightings=places)
    whole = WATCH in activity.strategies and parameters["horizon_years"].value == "lifetime" and not parameters.has_bled
    died = fatal_share(activity) if whole else untreated_fatal_share(parameters, v)
    prices, utilities = resolve_prices(parameters, v, died), resolve_utilities(parameters, v)
    return Evaluation(parameters, found.inputs, activity, prices, died, utilities)


def run_totals(parameters: ParameterSet, *, yearly: bool) -> Run:
    """Give the run that sums by period reported, in each weighting."""
    rates = tuple(dict.fromkeys(discount_rates(parameters)))
    return lambda inputs: run_disease(inputs, report_periods(parameters, inputs.n_years, yearly=yearly)[0], rates)
