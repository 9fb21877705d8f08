"""First bleeding without prophylaxis: what the untreated cohorts say, standardised and pooled.

Takes
-----
One row per cohort and time point (``params/tables/untreated_cohorts.csv``): cumulative risk or bleeds over
person-years, the mix of Child-Pugh classes, varix sizes and red spots behind it, and how surely that mix is known.

Gives
-----
The log bleeding rate of the *reference cell* (Child A, above 10 mm, no red spot) in each cohort, with its standard
error, and their random-effects synthesis. A setting not yet seen draws from the *predictive* distribution
(:attr:`Synthesis.predictive_sd`), not from the mean: a hospital is a new setting, not the average of the cohorts.

Defines
-------
Rate of a cell in year y: ``exp(log_rate) x exp(b_child step + b_size (size - 2) + b_red red) x g(y)``, with g = 1 in
year 1, ``course[0]`` in years 2 and 3 and ``course[1]`` from year 4. A cohort's survival without a bleed is the mean
over its cells (independent classes, sizes and spots), deaths censored. Cohorts that are the same patients seen twice
count once: mean log rate, mean standard error.

References
----------
Prognostic index: Kim T et al. Hepatology 1997;25:307. Predictive distribution: Higgins JPT, Thompson SG,
Spiegelhalter DJ. J R Stat Soc A 2009;172:137-159. Ades AE, Lu G, Higgins JPT. Med Decis Making 2005;25:646-654. The
last two cited from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import AnalysisError, DataError
from econmodel.evidence.pooling import Method, Pooled, pool
from econmodel.evidence.studies import StudyEffect
from econmodel.numbers import read_number, style_of
from econmodel.parameters.documents import display_path, read_rows
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import STATUSES, Where
from econmodel.records import record

FloatArray = NDArray[np.float64]
TYPES = ("fundal", "all")  # fundal, or selected for prophylaxis; all: type 1 varices among them
STEP = 1e-4  # of central differences
MIXES = 1000  # simulated mixes behind the error of a mix
Z = 1.96
PRINTED = 0.005  # half a unit of the last digit of a risk printed in percent
CHILD_COLUMNS = ("child_a", "child_b", "child_c")
SIZE_COLUMNS = ("size_lt5", "size_5_10", "size_gt10")
WEIGHTS = ("weight_child", "weight_size", "weight_red")
SOLVED = ("se_mix", "red_solved_at_rate", "red_solved_risk")
TEXTS = ("cohort", "study", "year", "design", "country", "population", "types", "mix_basis", "source", "locator", "status", "note")
NUMBERS = ("time_years", "n", *CHILD_COLUMNS, *SIZE_COLUMNS, "red_share")
OPTIONAL = (
    "cumulative_risk",
    "events",
    "person_years",
    "at_risk",
    *WEIGHTS,
    "se_mix",
    "red_solved_at_rate",
    "red_solved_risk",
    "same_patients",
)
OF_THE_COHORT = (
    *CHILD_COLUMNS,
    *SIZE_COLUMNS,
    "red_share",
    *WEIGHTS,
    "se_mix",
    "red_solved_at_rate",
    "red_solved_risk",
    "same_patients",
    "types",
)


def relative_hazard(
    child: FloatArray,
    size_step: FloatArray,
    red_spot: FloatArray,
    b_child: FloatArray | float,
    b_size: FloatArray | float,
    b_red: FloatArray | float,
) -> FloatArray:
    """Hazard relative to the reference cell, of whatever shape its arguments have together: the model's own, and a registry's."""
    return np.exp(b_child * child + b_size * (size_step - 2) + b_red * red_spot)


@record
class Coefficients:
    """Log hazards per step of Child-Pugh class and of size, and with a red spot."""

    child: float
    size: float
    red: float


@record
class Mix:
    """Shares of Child-Pugh classes A, B, C, of sizes below 5, 5-10 and above 10 mm, and of red spots."""

    child: tuple[float, ...]
    size: tuple[float, ...]
    red: float

    def cells(self, b: Coefficients) -> tuple[FloatArray, FloatArray]:
        """Weights of the 18 cells and their rates relative to the reference cell."""
        weights = np.einsum("c,s,r->csr", self.child, self.size, (1 - self.red, self.red))
        child, size, red = np.meshgrid(np.arange(3.0), np.arange(3.0), np.arange(2.0), indexing="ij")
        return weights.ravel() / weights.sum(), relative_hazard(child, size, red, b.child, b.size, b.red).ravel()


@record
class Cohort:
    """One untreated cohort.

    Attributes
    ----------
    times
        End of each interval, years.
    events, at_risk
        Bleeds in each interval, and the effective number at risk: events over the observed rise of the cumulative
        hazard. Fractions where they were worked out.
    weights
        Effective numbers of patients behind the shares of class, size and red spots; None where not given.
    se_mix
        Standard error of the log rate from not knowing the mix; None: simulated.
    red_solved
        Where the share of red spots was solved: the reference rate at which it was, and the printed one-year risk it meets.
    same_patients
        Name shared by cohorts that are the same patients; empty otherwise.
    """

    key: str
    study: str
    design: str
    country: str
    population: str
    types: str
    n: int
    times: tuple[float, ...]
    events: tuple[float, ...]
    at_risk: tuple[float, ...]
    mix: Mix
    weights: tuple[float | None, ...]
    se_mix: float | None
    red_solved: tuple[float, float] | None
    same_patients: str
    mix_basis: str
    source: str
    notes: tuple[str, ...]


@record
class CohortRate:
    """Log rate of the reference cell that a cohort, or a group of cohorts of the same patients, gives."""

    key: str
    label: str
    log_rate: float
    se_events: float
    se_mix: float
    se: float


@record
class Synthesis:
    """Pooled log rate of the reference cell; ``pooled`` has mean, errors, weights and heterogeneity."""

    rates: tuple[CohortRate, ...]
    pooled: Pooled

    @property
    def mean(self) -> float:
        """Mean log rate over settings."""
        return self.pooled.log_ratio

    @property
    def se(self) -> float:
        """Standard error of the mean."""
        return self.pooled.se_log

    @property
    def tau(self) -> float:
        """Standard deviation between settings."""
        return math.sqrt(self.pooled.tau2)

    @property
    def predictive_sd(self) -> float:
        """Standard deviation of the log rate of a setting not yet seen."""
        return math.hypot(self.se, self.tau)


def time_at_rate(years: FloatArray, course: tuple[float, float]) -> FloatArray:
    """Years of exposure, each weighted by the rate of its time relative to year 1.

    Examples
    --------
    >>> time_at_rate(np.array([0.5, 1.0, 3.0, 5.0]), (1.0, 0.4)).round(6).tolist()
    [0.5, 1.0, 3.0, 3.8]
    """
    return np.minimum(years, 1.0) + course[0] * np.clip(years - 1.0, 0.0, 2.0) + course[1] * np.maximum(years - 3.0, 0.0)


def cumulative_hazard(log_rate: float, mix: Mix, b: Coefficients, exposure: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Cumulative hazard of a mix at each exposure, and its derivative in the log rate."""
    weights, relative = mix.cells(b)
    at_cell = math.exp(log_rate) * relative * exposure[:, None]
    alive = weights * np.exp(-at_cell)
    survival = alive.sum(axis=1)
    return -np.log(survival), (alive * at_cell).sum(axis=1) / survival


def log_rate_of(cohort: Cohort, b: Coefficients, course: tuple[float, float], mix: Mix | None = None) -> tuple[float, float]:
    """Most likely log rate of the reference cell, and its standard error from the number of bleeds.

    Likelihood of an interval with d bleeds and N at risk: ``d ln(dH) - N dH``. The error is the root of the inverse
    of the sum of ``N (d dH / d log rate)^2 / dH``.

    Raises
    ------
    AnalysisError
        The cohort had no bleed: its rate has no lower bound.
    """
    events, at_risk = np.array(cohort.events), np.array(cohort.at_risk)
    if events.sum() <= 0:
        what = f"cohort {cohort.key!r} has no bleed: its log rate is not finite"
        raise AnalysisError(what, fix="leave it out, or add follow-up")
    exposure = time_at_rate(np.array(cohort.times), course)
    log_rate = math.log(events.sum() / (at_risk * np.diff(exposure, prepend=0.0)).sum())
    for _ in range(100):
        rise, slope = (np.diff(x, prepend=0.0) for x in cumulative_hazard(log_rate, mix or cohort.mix, b, exposure))
        information = (at_risk * slope**2 / rise).sum()
        step = float((slope * (events / rise - at_risk)).sum() / information)
        log_rate += step
        if abs(step) < 1e-13:
            break
    return log_rate, float(information**-0.5)


def cohort_rate(cohort: Cohort, b: Coefficients, course: tuple[float, float]) -> CohortRate:
    """Log rate of a cohort; its error joins the chance of few bleeds and the doubt about its mix."""
    log_rate, se_events = log_rate_of(cohort, b, course)
    se_mix = simulated_se_mix(cohort, b, course) if cohort.se_mix is None else cohort.se_mix
    return CohortRate(cohort.key, cohort.study, log_rate, se_events, se_mix, math.hypot(se_events, se_mix))


def simulated_se_mix(cohort: Cohort, b: Coefficients, course: tuple[float, float], seed: int = 1) -> float:
    """Spread of a cohort's log rate over mixes that its shares, weighted as their numbers allow, leave possible.

    Where the share of red spots was solved, it is solved again for each mix, to a risk within the rounding of the
    printed one; a mix for which none serves is left out.

    Raises
    ------
    AnalysisError
        The cohort gives neither ``se_mix`` nor the weights of its mix.
    """
    child, size, red = cohort.weights
    if child is None or size is None or (red is None and cohort.red_solved is None):
        what = f"cohort {cohort.key!r} has no se_mix, and no {', '.join(WEIGHTS)} to simulate it from"
        raise AnalysisError(what, fix="give the effective numbers of patients behind its shares")
    rng = np.random.default_rng(seed)
    found = []
    for classes, sizes in zip(_shares(cohort.mix.child, child, rng), _shares(cohort.mix.size, size, rng), strict=True):
        mix = Mix(tuple(classes), tuple(sizes), cohort.mix.red)
        if cohort.red_solved is not None:
            rate, risk = cohort.red_solved
            share = _red_share(mix, b, rate, rng.uniform(risk - PRINTED, risk + PRINTED))
        elif red is not None:
            share = float(rng.beta(red * cohort.mix.red, red * (1 - cohort.mix.red)))
        if 0 <= share <= 1:
            found.append(log_rate_of(cohort, b, course, replace(mix, red=share))[0])
    return float(np.std(found, ddof=1))


def _shares(shares: Sequence[float], weight: float, rng: np.random.Generator) -> FloatArray:
    return rng.dirichlet(weight * np.array(shares), size=MIXES)


def _red_share(mix: Mix, b: Coefficients, rate: float, risk: float) -> float:
    """Share of red spots at which a mix has the one-year risk; survival is linear in it."""
    year = np.ones(1)
    without, with_all = (math.exp(-cumulative_hazard(math.log(rate), replace(mix, red=share), b, year)[0][0]) for share in (0.0, 1.0))
    return (without - (1 - risk)) / (without - with_all)


def rates_once(rates: Iterable[CohortRate], cohorts: Iterable[Cohort]) -> tuple[CohortRate, ...]:
    """Rates with cohorts of the same patients made one: mean log rate, mean errors."""
    group = {c.key: c.same_patients or c.key for c in cohorts}
    found: dict[str, list[CohortRate]] = {}
    for rate in rates:
        found.setdefault(group[rate.key], []).append(rate)
    return tuple(members[0] if len(members) == 1 else _as_one(key, members) for key, members in found.items())


def _as_one(key: str, members: Sequence[CohortRate]) -> CohortRate:
    mean = {name: float(np.mean([getattr(m, name) for m in members])) for name in ("log_rate", "se_events", "se_mix", "se")}
    return CohortRate(key, " and ".join(m.label for m in members), **mean)


def synthesise(
    cohorts: Sequence[Cohort],
    b: Coefficients,
    course: tuple[float, float],
    *,
    types: str = "all",
    leave_out: str = "",
    once: bool = True,
    method: Method = "paule-mandel",
) -> Synthesis:
    """Pool the cohorts' log rates by random effects.

    Parameters
    ----------
    cohorts
        What was read from the table.
    b, course
        Log hazards of class, size and red spot; rates of years 2-3 and of later years relative to year 1.
    types
        ``fundal`` keeps the cohorts of fundal or selected varices; ``all`` keeps every one.
    leave_out
        A cohort, or a group of the same patients, left out.
    once
        Whether the same patients count once.
    method
        As in :func:`econmodel.evidence.pooling.pool`.
    """
    kept = [c for c in cohorts if types == "all" or c.types == types]
    rates: tuple[CohortRate, ...] = tuple(cohort_rate(c, b, course) for c in kept)
    rates = tuple(r for r in (rates_once(rates, kept) if once else rates) if r.key != leave_out)
    return pool_rates(rates, method)


def pool_rates(rates: Sequence[CohortRate], method: Method = "paule-mandel") -> Synthesis:
    """Pool log rates of settings by random effects."""
    effects = [StudyEffect(r.key, r.label, r.log_rate, r.se) for r in rates]
    return Synthesis(tuple(rates), pool(effects, method, measure="rate"))


def leave_one_out(
    cohorts: Sequence[Cohort], b: Coefficients, course: tuple[float, float], *, types: str = "all"
) -> dict[str, Synthesis]:
    """Run the synthesis again without each cohort in turn."""
    rates = synthesise(cohorts, b, course, types=types).rates
    return {left.key: pool_rates([r for r in rates if r is not left]) for left in rates}


@record
class RiskRow:
    """One line of the forest: a setting's year-1 risk in one mix, with its 95% interval; ``weight`` is None where pooled."""

    label: str
    risk: float
    low: float
    high: float
    weight: float | None
    note: str


def risk_rows(found: Synthesis, cohorts: Sequence[Cohort], mix: Mix, b: Coefficients) -> list[RiskRow]:
    """Year-1 risk of a mix in each setting, their mean, and a setting not yet seen (predictive, of normal shape)."""

    def row(label: str, centre: float, sd: float, weight: float | None, note: str) -> RiskRow:
        risk, low, high = (year_one_risk(centre + z * sd, mix, b) for z in (0.0, -Z, Z))
        return RiskRow(label, risk, low, high, weight, note)

    bases = {key: cohort.mix_basis for cohort in cohorts for key in (cohort.key, cohort.same_patients)}
    rows = [row(r.label, r.log_rate, r.se, weight, bases[r.key]) for r, weight in zip(found.rates, found.pooled.weights, strict=True)]
    return [
        *rows,
        row("Mean of the settings", found.mean, found.se, None, ""),
        row("A setting not yet seen", found.mean, found.predictive_sd, None, "what the draws use"),
    ]


def evidence_rows(parameters: ParameterSet) -> tuple[list[RiskRow], list[RiskRow]]:
    """Lines of the forest in the reference mix, and the mean without each setting in turn (its interval: a setting not yet seen)."""
    at = {name: parameters.tables.now(("cohort", "all", f"at {name}")) for name in ("b_child", "b_size", "b_red", "g2", "g3")}
    b, course = Coefficients(at["b_child"], at["b_size"], at["b_red"]), (at["g2"], at["g3"])
    cohorts = load_cohorts(parameters.tables.folder / "tables" / "untreated_cohorts.csv")
    mix = _mix_of(parameters.rows("reference_mix"))
    whole = synthesise(cohorts, b, course)
    labels = {rate.key: rate.label for rate in whole.rates}
    without = [
        replace(risk_rows(found, cohorts, mix, b)[-1], label=f"Without {labels[left]}")
        for left, found in leave_one_out(cohorts, b, course).items()
    ]
    return risk_rows(whole, cohorts, mix, b), without


def _mix_of(rows: Iterable[Mapping[str, Any]]) -> Mix:
    """Mix of groups by its margins: classes, sizes and red spots taken as independent."""
    child, size, red = [0.0] * 3, [0.0] * 3, 0.0
    for row in rows:
        child["ABC".index(row["child"])] += row["share"]
        size[row["size_step"]] += row["share"]
        red += row["share"] * row["red_spot"]
    return Mix(tuple(child), tuple(size), red)


def year_one_risk(log_rate: float, mix: Mix, b: Coefficients) -> float:
    """Risk of a first bleed in year 1 in a mix, deaths censored."""
    return -math.expm1(-float(cumulative_hazard(log_rate, mix, b, np.ones(1))[0][0]))


def slope(level: Callable[[float], float], at: float, *, log: bool = False) -> float:
    """Central difference of a level in what the synthesis was run at, or in its logarithm."""
    low, high = (at * math.exp(step) if log else at + step for step in (-STEP, STEP))
    return (level(high) - level(low)) / (2 * STEP)


def load_cohorts(path: Path) -> tuple[Cohort, ...]:
    """Read the cohorts from CSV.

    Raises
    ------
    DataError
        The file cannot be read, a column is missing or unknown, or a row has no time, number of patients or mix; names
        the line.
    """
    needed = (*TEXTS, *NUMBERS)
    table = read_rows(path, needed, (*needed, *OPTIONAL))
    style = style_of(row[name] for _, row in table for name in row if name not in (*TEXTS, "same_patients"))
    rows = [_read_row(row, style, str(Where(display_path(path), line))) for line, row in table]
    found: dict[str, list[dict[str, object]]] = {}
    for row in rows:
        found.setdefault(str(row["cohort"]), []).append(row)
    return tuple(_cohort(key, members) for key, members in found.items())


def _read_row(raw: Mapping[str, str], style: str, where: str) -> dict[str, object]:
    row: dict[str, object] = {name: raw[name] for name in TEXTS}
    row |= {name: _number(raw, name, style, where) for name in NUMBERS}
    row |= {name: _number(raw, name, style, where) if raw.get(name) else None for name in OPTIONAL if name != "same_patients"}
    row |= {"same_patients": raw.get("same_patients", ""), "where": where}
    for name, choices in (("types", TYPES), ("status", STATUSES)):
        if row[name] not in choices:
            what = f"{name} {row[name]!r} is unknown: must be one of {', '.join(choices)}"
            raise DataError(what, where=where, fix="choose one")
    for names in (CHILD_COLUMNS, SIZE_COLUMNS):
        total = sum(float(str(row[name])) for name in names)
        if abs(total - 1) > 1e-4:
            what = f"{', '.join(names)} sum to {total:g}: must sum to 1"
            raise DataError(what, where=where, fix="give shares of the patients")
    if row["cumulative_risk"] is None and None in (row["events"], row["person_years"]):
        what = "no cumulative_risk, and no events with person_years"
        raise DataError(what, where=where, fix="give the risk at that time, or bleeds and person-years")
    return row


def _number(raw: Mapping[str, str], name: str, style: str, where: str) -> float:
    text = raw[name]
    low, high = (0.0, 1.0) if name in (*CHILD_COLUMNS, *SIZE_COLUMNS, "red_share", "cumulative_risk") else (0.0, math.inf)
    value = read_number(text, style, f"{where}, column {name}") if text else math.nan
    if not low <= value <= high or (name in ("time_years", "n") and value == 0):
        limit = "a share from 0 to 1" if high == 1 else "a number above 0"
        what = f"{name} = {text or 'blank'}: must be {limit}"
        raise DataError(what, where=where, fix=f"give {name} as a plain number")
    return value


def _cohort(key: str, rows: list[dict[str, object]]) -> Cohort:
    first = rows[0]
    for row in rows[1:]:
        if differing := [name for name in OF_THE_COHORT if row[name] != first[name]]:
            what = f"cohort {key!r} gives {', '.join(differing)} differently on two rows"
            raise DataError(what, where=str(row["where"]), fix="one mix a cohort, the same on each of its rows")
    hazard, events, at_risk, before = [], [], [], (0.0, 0.0)
    for row in rows:
        now = (_float(row["time_years"]), _observed_hazard(row))
        if now[0] <= before[0] or now[1] < before[1]:
            what = f"cohort {key!r}: times must rise, and the cumulative risk must not fall"
            raise DataError(what, where=str(row["where"]), fix="order its rows by time")
        events.append(_events(row, alone=len(rows) == 1))
        at_risk.append(_at_risk(row, events[-1], now[1] - before[1]))
        hazard.append(now[1])
        before = now
    return Cohort(
        key=key,
        study=str(first["study"]),
        design=str(first["design"]),
        country=str(first["country"]),
        population=str(first["population"]),
        types=str(first["types"]),
        n=int(_float(first["n"])),
        times=tuple(_float(row["time_years"]) for row in rows),
        events=tuple(events),
        at_risk=tuple(at_risk),
        mix=Mix(
            tuple(_float(first[c]) for c in CHILD_COLUMNS), tuple(_float(first[c]) for c in SIZE_COLUMNS), _float(first["red_share"])
        ),
        weights=tuple(None if first[name] is None else _float(first[name]) for name in WEIGHTS),
        se_mix=None if first["se_mix"] is None else _float(first["se_mix"]),
        red_solved=_pair(first),
        same_patients=str(first["same_patients"]),
        mix_basis=str(first["mix_basis"]),
        source=str(first["source"]),
        notes=tuple(dict.fromkeys(str(row["note"]) for row in rows if row["note"])),
    )


def _pair(row: Mapping[str, object]) -> tuple[float, float] | None:
    rate, risk = row["red_solved_at_rate"], row["red_solved_risk"]
    return None if rate is None or risk is None else (_float(rate), _float(risk))


def _float(value: object) -> float:
    return float(str(value))


def _observed_hazard(row: Mapping[str, object]) -> float:
    if row["cumulative_risk"] is not None:
        return -math.log1p(-_float(row["cumulative_risk"]))
    return _float(row["events"]) / _float(row["person_years"]) * _float(row["time_years"])


def _events(row: Mapping[str, object], *, alone: bool) -> float:
    """Bleeds of the interval; of a cohort with one time point, the patients times the printed risk."""
    if row["events"] is not None:
        return _float(row["events"])
    if not alone:
        what = "bleeds of this interval are not given"
        raise DataError(what, where=str(row["where"]), fix="give events on each row of a cohort with several times")
    return _float(row["n"]) * _float(row["cumulative_risk"])


def _at_risk(row: Mapping[str, object], events: float, rise: float) -> float:
    """Effective number at risk; where nobody bled it must be given."""
    if row["at_risk"] is not None:
        return _float(row["at_risk"])
    if rise <= 0 or events <= 0:
        what = "no bleed in this interval: the number at risk does not follow from it"
        raise DataError(what, where=str(row["where"]), fix="give at_risk")
    return events / rise
