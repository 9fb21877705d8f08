"""Resolve a set of inputs, and draws of them, into the arrays the disease model runs on.

Axis order: (draw, strategy, cell). A cell is a patient group, or one susceptibility class of a group.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import ModelError, ParameterError
from econmodel.model.course import CourseInputs
from econmodel.model.course_inputs import ReferenceMix, product, resolve_course
from econmodel.model.natural_history import TIME_STEPS, FirstBleed, acute_fatality, first_bleed, relative_hazards, shift_on_logit
from econmodel.model.structure import EXCESS_SPANS, SPANS, Structure, build_course_structure, build_structure
from econmodel.model.worsening import solve_again, split_by_class
from econmodel.parameters.loading import read_life_table
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.rules import check_whole
from econmodel.parameters.schema import NEVER_BLED_YET, PROCESS, StrategyRow, Surveillance, twin
from econmodel.records import record

FloatArray = NDArray[np.float64]
Values = Mapping[str, FloatArray]
CHILD = ("A", "B", "C")
LAST_AGE = 100
NEVER = 1e9
FIXED = "fixed"


@record
class Group:
    """A group of patients alike in what drives bleeding and death."""

    name: str
    child: int
    size_step: int
    red_spot: int


@record
class StrategyInputs:
    """What tells strategies apart; arrays are (draw, strategy) unless said otherwise.

    ``r_retreat`` is (draw, strategy, step) with steps from years 0 and 1; ``late_gastric`` the share of late rebleeds that
    come from the gastric varix, where they are one rate.
    """

    keys: tuple[str, ...]
    starts_in: tuple[str, ...]
    surveillance: tuple[Surveillance, ...]
    hr_gastric: FloatArray
    hr_other: FloatArray
    hr_excess_death: FloatArray
    effect_full_years: FloatArray
    effect_none_years: FloatArray
    sessions_mean: FloatArray
    r_retreat: FloatArray
    p_death_course: FloatArray
    r_late_rebleed: FloatArray
    p_obliteration: FloatArray
    r_lost: FloatArray
    late_gastric: FloatArray


@record
class ModelInputs:
    """Everything the disease model needs, for every draw at once.

    Arrays lead with the draw axis: rates per year, probabilities per event or cycle as their names say;
    ``excess_death``, ``p_death_bleed`` and ``r_transplant`` are (draw, Child class), ``background_death`` is
    (draw, year), ``relative`` and ``shares`` are (draw, cell). ``course`` is there where the effect is a process;
    ``r_worsens``, the rates from Child A to B and from B to C, (draw, 2), where the class may worsen.
    """

    structure: Structure
    groups: tuple[Group, ...]
    group_of_cell: NDArray[np.int64]
    relative: FloatArray
    shares: FloatArray
    n_years: int
    headline_years: int
    start_age: int
    share_female: FloatArray
    life_table: str
    effect_basis: str
    effect_clock: str
    r_first_bleed: FloatArray
    first_bleed_time: FloatArray
    b_child: FloatArray
    b_size: FloatArray
    b_red: FloatArray
    r_other_bleed: FloatArray
    background_death: FloatArray
    excess_death: FloatArray
    hr_death_after_bleed: FloatArray
    p_death_bleed: FloatArray
    p_death_rebleed: FloatArray
    p_early_rebleed: FloatArray
    r_transplant: FloatArray
    excess_death_transplanted: FloatArray
    strategies: StrategyInputs
    course: CourseInputs | None = None
    cohort_start: str = NEVER_BLED_YET
    r_worsens: FloatArray | None = None

    @property
    def n_draws(self) -> int:
        """Number of draws."""
        return len(self.r_first_bleed)

    @property
    def starts(self) -> tuple[str, ...]:
        """Family of states in which each strategy's patients start."""
        own = self.strategies.starts_in
        return own if self.cohort_start == NEVER_BLED_YET else (self.cohort_start,) * len(own)

    @property
    def child_of_cell(self) -> NDArray[np.int64]:
        """Child class (0, 1, 2) of each cell."""
        return np.array([g.child for g in self.groups])[self.group_of_cell]


def base_values(parameters: ParameterSet) -> dict[str, FloatArray]:
    """Give the base value of every numeric input, and of the evidence twins of those changed, as one draw."""
    values = {name: np.array([p.value]) for name, p in parameters.parameters.items() if isinstance(p.value, float)}
    return values | {twin(name): np.array([p.value]) for name, p in parameters.twins().items()}


def resolve(parameters: ParameterSet, values: Values | None = None) -> ModelInputs:
    """Turn inputs into model arrays.

    Parameters
    ----------
    parameters
        The case.
    values
        Draws of the numeric inputs, each (draw,); ``case_mix`` may hold group shares (draw, group). None: base values.

    Raises
    ------
    EconModelError
        The horizon runs past age 100, or a figure cannot be solved.
    """
    v = base_values(parameters) if values is None else values
    b = tuple(v[name] for name in ("b_child", "b_size", "b_red"))
    reference = _reference(parameters, v, b, strict=values is None)
    r_worsens = _worsening(parameters, v)
    first = reference.first if r_worsens is None else _solved_again(parameters, reference, b[0], r_worsens)
    fatality, fatality_again = _fatality(parameters, v, reference.relative * reference.shares)
    groups = tuple(Group(r["name"], CHILD.index(r["child"]), r["size_step"], r["red_spot"]) for r in parameters.rows("case_mix"))
    n_draws, n_classes = first.frailty.shape
    relative, shares = _case_mix(parameters, v, b, first.frailty)
    n_years, start_age = horizon_years(parameters), _whole(parameters, "start_age")
    basis = parameters.text("effect_basis")
    strategies = resolve_strategies(parameters, v, n_draws)
    course = None
    if basis == PROCESS:
        course = resolve_course(parameters, v, reference, strategies.hr_gastric)
    return ModelInputs(
        structure=declare_structure(parameters, n_years),
        groups=groups,
        group_of_cell=np.repeat(np.arange(len(groups)), n_classes),
        relative=relative,
        shares=shares,
        n_years=n_years,
        headline_years=_whole(parameters, "headline_years"),
        start_age=start_age,
        share_female=v["share_female"],
        life_table=parameters.text("life_table"),
        effect_basis=basis,
        effect_clock=parameters.text("effect_clock"),
        r_first_bleed=first.rate,
        first_bleed_time=first.time_multipliers,
        b_child=b[0],
        b_size=b[1],
        b_red=b[2],
        r_other_bleed=v["r_other_bleed"],
        background_death=background_rates(parameters.text("life_table"), v["share_female"], start_age, n_years),
        excess_death=_by_child(v, "r_excess_death_child"),
        hr_death_after_bleed=v["hr_death_after_bleed"],
        p_death_bleed=fatality,
        p_death_rebleed=fatality_again,
        p_early_rebleed=v["p_early_rebleed"],
        r_transplant=_by_child(v, "r_transplant_child"),
        excess_death_transplanted=v["r_excess_death_transplanted"],
        strategies=strategies,
        course=course,
        cohort_start=parameters.text("cohort_start"),
        r_worsens=r_worsens,
    )


def _worsening(parameters: ParameterSet, v: Values) -> FloatArray | None:
    """Rates from Child A to B and from B to C, (draw, 2); None where the class stays."""
    if parameters.text("child_course") == FIXED:
        return None
    return np.stack([v["r_child_a_to_b"], v["r_child_b_to_c"]], axis=1)


def _solved_again(parameters: ParameterSet, mix: ReferenceMix, b_child: FloatArray, r_worsens: FloatArray) -> FirstBleed:
    child, *_ = _columns(parameters.rows("reference_mix"))
    return solve_again(mix.first, mix.relative, mix.shares, child.astype(np.int64), b_child, r_worsens)


def declare_structure(parameters: ParameterSet, n_years: int) -> Structure:
    """States and moves of the choices made, split by Child class where it may worsen."""
    plain = _plain_structure(parameters, n_years)
    return plain if parameters.text("child_course") == FIXED else split_by_class(plain)


def _plain_structure(parameters: ParameterSet, n_years: int) -> Structure:
    """States and moves before any split by class; time after a bleed is told apart where something changes at its end."""
    excess = EXCESS_SPANS[parameters.text("years_excess_after_bleed")] or 0
    if parameters.text("effect_basis") == PROCESS:
        return build_course_structure(spans=SPANS[: max(excess, int(parameters.text("rebleed_by_time") == "step"))])
    vintages = n_years if parameters.text("effect_clock") == "last_course" else 1
    return build_structure(vintages=vintages, spans=SPANS[:excess])


def _case_mix(parameters: ParameterSet, v: Values, b: tuple[FloatArray, ...], frailty: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Bleeding rate of each cell of the site's own mix relative to the reference cell, and its share: each (draw, cell)."""
    rows, (n_draws, n_classes) = parameters.rows("case_mix"), frailty.shape
    relative = relative_hazards(*_columns(rows), *b)[:, :, None] * frailty[:, None, :]
    mix = v.get("case_mix", np.array([[r["share"] for r in rows]]))
    shares = np.broadcast_to(mix[:, :, None] / n_classes, relative.shape)
    return relative.reshape(n_draws, -1), shares.reshape(n_draws, -1)


def _reference(parameters: ParameterSet, v: Values, b: tuple[FloatArray, ...], *, strict: bool) -> ReferenceMix:
    """Untreated bleeding of the reference mix, from its year-1 risk."""
    rows = parameters.rows("reference_mix")
    relative, shares = relative_hazards(*_columns(rows), *b), np.array([r["share"] for r in rows])
    course = np.stack([v["hr_first_bleed_years_2_3"], v["hr_first_bleed_from_year_4"]], axis=1)
    decline, classes = parameters.text("hazard_decline"), _whole(parameters, "n_frailty_classes")
    first = first_bleed(v["p_first_bleed_year_1"], course, relative, shares, decline, classes, strict=strict)
    return ReferenceMix(first, relative, shares)


def _columns(rows: tuple[dict[str, object], ...]) -> tuple[FloatArray, FloatArray, FloatArray]:
    child = np.array([CHILD.index(str(r["child"])) for r in rows], dtype=float)
    size, red = (np.array([r[key] for r in rows], dtype=float) for key in ("size_step", "red_spot"))
    return child, size, red


def _whole(parameters: ParameterSet, name: str) -> int:
    check_whole(parameters[name])
    return int(parameters.number(name))


def horizon_years(parameters: ParameterSet) -> int:
    """Time horizon in whole years; ``lifetime`` runs to age 100.

    Raises
    ------
    ParameterError
        Not a whole number of years of at least 1, or past age 100.
    """
    parameter, start_age = parameters["horizon_years"], _whole(parameters, "start_age")
    left = LAST_AGE - start_age
    if parameter.value == "lifetime" and left >= 1:
        return left
    years = parameter.value
    if not isinstance(years, float) or years != int(years) or not 1 <= years <= left:
        what = (
            f'horizon_years = {years!r} from start_age = {start_age}: must be "lifetime" or a whole number of '
            f"years from 1 to age {LAST_AGE}"
        )
        fix = f"horizon_years = {min(40, left)}, or lifetime" if left >= 1 else f"start_age below {LAST_AGE}"
        raise ParameterError(what, where=str(parameter.where), fix=fix)
    return int(years)


def background_rates(life_table: str, share_female: FloatArray, start_age: int, n_years: int) -> FloatArray:
    """Rate of death of the general population, ``-ln(1 - q)`` with sexes mixed on q: (draw, year).

    Raises
    ------
    ParameterError
        The life table does not reach the last age, or holds a certain death before it.
    """
    table = read_life_table(life_table)
    ages = start_age + np.arange(n_years)
    if ages[-1] >= min(len(q) for q in table.values()):
        what = f"life table {life_table!r} ends before age {ages[-1]}"
        raise ParameterError(what, fix="shorten horizon_years, or choose another life_table")
    return background_rate(sexes_mixed(share_female[:, None], table["male"][ages], table["female"][ages]))


def sexes_mixed(share_female: FloatArray, male: FloatArray, female: FloatArray) -> FloatArray:
    """Probability of death within a year of both sexes together."""
    return (1 - share_female) * male + share_female * female


def background_rate(q: FloatArray) -> FloatArray:
    """Rate of death behind a probability of death within a year."""
    return -np.log1p(-q)


def _by_child(v: Values, stem: str) -> FloatArray:
    return np.stack([v[f"{stem}_{c.lower()}"] for c in CHILD], axis=1)


def _fatality(parameters: ParameterSet, v: Values, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Acute fatality of a bleed and of a rebleed by Child class, each (draw, 3); ``weights`` are those of the reference mix."""
    by_class = _by_child(v, "p_death_six_weeks_child")
    pooled = parameters.text("fatality_scaling") == "pooled"
    names = [f"p_death_six_weeks_child_{c.lower()}" for c in CHILD] + ["p_death_six_weeks"] * pooled
    try:
        if pooled:
            child, *_ = _columns(parameters.rows("reference_mix"))
            bleeds = np.stack([weights[:, child == step].sum(axis=1) for step in range(len(CHILD))], axis=1)
            by_class = shift_on_logit(by_class, bleeds, v["p_death_six_weeks"])
        return acute_fatality(by_class, v["or_death_rebleed"], v["p_early_rebleed"])
    except ModelError as fault:
        ends = {name: v[name][(v[name] <= 0) | (v[name] >= 1)] for name in names}
        name = next((name for name in names if ends[name].size), names[-1])
        given = f"{name} = {ends[name][0]:.4g}: " if ends[name].size else ""
        raise ModelError(given + fault.what, where=str(parameters[name].where), fix=fault.fix) from None


def strategy_figures(row: StrategyRow, v: Values, late: FloatArray | float) -> dict[str, FloatArray | float]:
    """Work out every figure of one strategy as its row says: the one declaration, run on arrays and on cells.

    Parameters
    ----------
    row
        The strategy.
    v
        What stands for each numeric input.
    late
        Rate of late rebleeding under the chosen secondary prophylaxis.
    """

    def given(name: str, default: float) -> FloatArray | float:
        return v[name] if name else default

    first_year = -np.log1p(-v[row.p_retreat_year_1]) if row.p_retreat_year_1 else 0.0
    return {
        "hr_gastric": product(v, row.hr_gastric),
        "hr_other": product(v, row.hr_other),
        "hr_excess_death": product(v, row.hr_excess_death),
        "effect_full_years": given(row.effect_full_years, NEVER),
        "effect_none_years": given(row.effect_none_years, NEVER),
        "sessions_mean": given(row.sessions_mean, 1.0),
        "r_retreat_1": first_year,
        "r_retreat_later": first_year * given(row.retreat_later, 0.0),
        "p_death_course": given(row.p_death_course, 0.0),
        "r_late_rebleed": late * product(v, row.hr_late_rebleed),
        "p_obliteration": given(row.p_obliteration, 1.0),
        "r_lost": given(row.r_lost, 0.0),
    }


def resolve_strategies(parameters: ParameterSet, v: Values, n_draws: int) -> StrategyInputs:
    """Stack the strategy rows into arrays (draw, strategy)."""
    rows = list(parameters.strategies.values())
    late = [v["r_late_rebleed"] * product(v, parameters.secondary_of(row).hr_late_rebleed) for row in rows]
    figures = [strategy_figures(row, v, rate) for row, rate in zip(rows, late, strict=True)]
    stacked = {
        name: np.stack([np.broadcast_to(np.asarray(found[name], dtype=float), n_draws) for found in figures], axis=1)
        for name in figures[0]
    }
    stacked["late_gastric"] = _late_gastric(parameters, v, n_draws)
    steps = stacked.pop("r_retreat_1"), stacked.pop("r_retreat_later")
    return StrategyInputs(
        keys=tuple(r.key for r in rows),
        starts_in=tuple(r.starts_in for r in rows),
        surveillance=tuple(r.surveillance for r in rows),
        r_retreat=np.stack(steps, axis=2),
        **stacked,
    )


def _late_gastric(parameters: ParameterSet, v: Values, n_draws: int) -> FloatArray:
    """Share of late rebleeds from the gastric varix under each strategy: the rates of both sources in proportion."""
    shares = []
    for row in parameters.strategies.values():
        kind = parameters.secondary_of(row)
        gastric = v["r_late_rebleed_gastric"] * product(v, (*kind.hr_late_rebleed, *row.hr_late_rebleed))
        total = gastric + v["r_late_rebleed_other"] * product(v, kind.hr_late_rebleed_other)
        shares.append(np.broadcast_to(np.divide(gastric, total, out=np.ones_like(total), where=total > 0), n_draws))
    return np.stack(shares, axis=1)


__all__ = ["CHILD", "TIME_STEPS", "Group", "ModelInputs", "StrategyInputs", "base_values", "resolve"]
