"""Study rows for pooling: one row a comparison, read from CSV and turned into log ratios with standard errors.

Columns: id, contrast, study, design, population, events_treated, n_treated, events_control, n_control, prob_treated,
prob_control, follow_up_months, measure, source, status, note. Optional: person_years_treated, person_years_control
(for a rate ratio) and effect, effect_low, effect_high (a published ratio with its 95% interval, which then stands for
the row). ``measure`` says which analysis the row serves: ``hazard ratio``, ``risk ratio``, ``rate ratio`` or ``both``
(all).

``events`` may be fractional where they are *equivalent counts*: an actuarial probability times the patients in the arm.
``prob`` is the probability as printed, kept for the reader.

Hazard ratio from risks: ``ln(H1 / H0)``, ``H = -ln(1 - p)``; by the delta method ``Var(ln H) = p / (n (1 - p)
H**2)``. Zero cells (no event, or nothing but events, in an arm) add a half to both arms' events and one to their
patients; a study without events in both arms is refused for ratios. Both are said in the effect's notes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Literal, get_args

from econmodel.errors import AnalysisError, DataError
from econmodel.numbers import read_number, style_of
from econmodel.parameters.documents import display_path, read_rows
from econmodel.parameters.schema import STATUSES, Where
from econmodel.records import record

EffectMeasure = Literal["hazard ratio", "risk ratio", "rate ratio"]
REQUIRED = (
    "id",
    "contrast",
    "study",
    "design",
    "population",
    "events_treated",
    "n_treated",
    "events_control",
    "n_control",
    "prob_treated",
    "prob_control",
    "follow_up_months",
    "measure",
    "source",
    "status",
    "note",
)
OPTIONAL = ("person_years_treated", "person_years_control", "effect", "effect_low", "effect_high")
TEXTS = ("id", "contrast", "study", "design", "population", "measure", "source", "status", "note")
MEASURES = (*get_args(EffectMeasure), "both")


@record
class StudyRow:
    """One comparison in one study; counts, probabilities and follow-up as the columns of the same names."""

    id: str
    contrast: str
    study: str
    design: str
    population: str
    measure: str
    source: str
    status: str
    note: str
    events_treated: float | None
    n_treated: float | None
    events_control: float | None
    n_control: float | None
    prob_treated: float | None
    prob_control: float | None
    follow_up_months: float | None
    person_years_treated: float | None = None
    person_years_control: float | None = None
    effect: float | None = None
    effect_low: float | None = None
    effect_high: float | None = None


@record
class StudyEffect:
    """A log ratio (treated over control) with its standard error, and what was done to get it."""

    id: str
    label: str
    log_ratio: float
    se_log: float
    notes: tuple[str, ...] = ()


def load_studies(path: Path) -> tuple[StudyRow, ...]:
    """Read study rows from CSV.

    Raises
    ------
    EconModelError
        The file cannot be read, a column is missing or unknown, a number or status is wrong, or an id stands twice;
        names the line.
    """
    found = read_rows(path, REQUIRED, (*REQUIRED, *OPTIONAL))
    style = style_of(row[column] for _, row in found for column in row if column not in TEXTS)
    rows = tuple(_read_row(row, style, str(Where(display_path(path), line))) for line, row in found)
    _check_unique(rows, path)
    return rows


def study_effect(row: StudyRow, measure: EffectMeasure) -> StudyEffect:
    """Turn a row into a log ratio: from its published effect where it has one, else from its counts.

    Raises
    ------
    AnalysisError
        The row lacks what the measure needs, or neither arm has an event (or both have nothing else).

    Examples
    --------
    >>> row = StudyRow("a", "c", "A 2020", "trial", "", "both", "", "demo", "", 2, 30, 11, 30, None, None, 6)
    >>> effect = study_effect(row, "hazard ratio")
    >>> f"{math.exp(effect.log_ratio):.2f}"
    '0.15'
    """
    if row.effect is not None:
        return _from_published(row)
    compute: Mapping[str, Callable[[StudyRow], tuple[float, float, tuple[str, ...]]]] = {
        "hazard ratio": _hazard_ratio,
        "risk ratio": _risk_ratio,
        "rate ratio": _rate_ratio,
    }
    log_ratio, variance, notes = compute[measure](row)
    return StudyEffect(row.id, row.study, log_ratio, math.sqrt(variance), notes)


def log_hazard_ratio(treated: tuple[float, float], control: tuple[float, float]) -> tuple[float, float]:
    """Give the log ratio of cumulative hazards of two arms (events, patients), and its delta-method variance."""
    logs, variance = [], 0.0
    for events, n in (treated, control):
        risk = events / n
        hazard = -math.log1p(-risk)
        logs.append(math.log(hazard))
        variance += risk / (n * (1 - risk) * hazard**2)
    return logs[0] - logs[1], variance


def log_risk_ratio(treated: tuple[float, float], control: tuple[float, float]) -> tuple[float, float]:
    """Give the log ratio of risks of two arms (events, patients), and its variance."""
    (a, n), (c, m) = treated, control
    return math.log((a / n) / (c / m)), 1 / a - 1 / n + 1 / c - 1 / m


def log_rate_ratio(treated: tuple[float, float], control: tuple[float, float]) -> tuple[float, float]:
    """Give the log ratio of rates of two arms (events, person-years), and its variance."""
    (a, time), (c, other) = treated, control
    return math.log((a / time) / (c / other)), 1 / a + 1 / c


def _hazard_ratio(row: StudyRow) -> tuple[float, float, tuple[str, ...]]:
    treated, control, notes = _arms(row, full_counts=True)
    return (*log_hazard_ratio(treated, control), notes)


def _risk_ratio(row: StudyRow) -> tuple[float, float, tuple[str, ...]]:
    treated, control, notes = _arms(row, full_counts=False)
    return (*log_risk_ratio(treated, control), notes)


def _rate_ratio(row: StudyRow) -> tuple[float, float, tuple[str, ...]]:
    times = (row.person_years_treated, row.person_years_control)
    if row.events_treated is None or row.events_control is None or times[0] is None or times[1] is None:
        raise _lacks(row, "events and person-years in both arms", "rate ratio")
    if min(row.events_treated, row.events_control) > 0:
        return (*log_rate_ratio((row.events_treated, times[0]), (row.events_control, times[1])), ())
    _check_any(row)
    note = f"{row.study}: an arm without events; half an event added to both."
    return (*log_rate_ratio((row.events_treated + 0.5, times[0]), (row.events_control + 0.5, times[1])), (note,))


def _arms(row: StudyRow, *, full_counts: bool) -> tuple[tuple[float, float], tuple[float, float], tuple[str, ...]]:
    """Give both arms' events and patients, zero cells corrected; ``full_counts`` also corrects "all had it"."""
    values = (row.events_treated, row.n_treated, row.events_control, row.n_control)
    if any(value is None for value in values):
        raise _lacks(row, "events and patients in both arms", "ratio")
    a, n, c, m = (float(value or 0) for value in values)
    if min(a, c) > 0 and not (full_counts and (a == n or c == m)):
        return (a, n), (c, m), ()
    _check_any(row)
    note = f"{row.study}: a zero cell; half an event added to each cell."
    return (a + 0.5, n + 1), (c + 0.5, m + 1), (note,)


def _check_any(row: StudyRow) -> None:
    if not row.events_treated and not row.events_control:
        what = f"{row.study} ({row.id}): no event in either arm, so it says nothing of a ratio"
        raise AnalysisError(what, fix="leave the row out and say so, or compare risks by their difference")
    if row.events_treated == row.n_treated and row.events_control == row.n_control:
        what = f"{row.study} ({row.id}): every patient of both arms had the event, so it says nothing of a ratio"
        raise AnalysisError(what, fix="leave the row out and say so")


def _from_published(row: StudyRow) -> StudyEffect:
    if row.effect is None or row.effect_low is None or row.effect_high is None:
        raise _lacks(row, "effect, effect_low and effect_high together", "published ratio")
    se = (math.log(row.effect_high) - math.log(row.effect_low)) / (2 * 1.959963984540054)
    return StudyEffect(row.id, row.study, math.log(row.effect), se, (f"{row.study}: ratio and interval as published.",))


def _lacks(row: StudyRow, needs: str, measure: str) -> AnalysisError:
    return AnalysisError(f"{row.study} ({row.id}): a {measure} needs {needs}", fix="complete the row or leave it out")


def _check_unique(rows: tuple[StudyRow, ...], path: Path) -> None:
    seen: set[str] = set()
    for row in rows:
        if row.id in seen:
            what = f"the id {row.id!r} stands twice"
            raise DataError(what, where=str(path), fix="give each row an id of its own")
        seen.add(row.id)


def _read_row(raw: Mapping[str, str], style: str, where: str) -> StudyRow:
    texts = {c: raw[c] for c in TEXTS}
    numbers = {c: _number(raw.get(c, ""), c, style, where) for c in REQUIRED + OPTIONAL if c not in TEXTS}
    row = StudyRow(**texts, **numbers)  # type: ignore[arg-type]
    if row.measure not in MEASURES or row.status not in STATUSES:
        what = f"{row.id}: measure {row.measure!r} or status {row.status!r} is not on its list"
        raise DataError(what, where=where, fix=f"measure: {', '.join(MEASURES)}; status: {', '.join(STATUSES)}")
    for arm, events, n in (("treated", row.events_treated, row.n_treated), ("control", row.events_control, row.n_control)):
        if events is not None and (n is None or not 0 <= events <= n or n <= 0):
            what = f"{row.id}: {arm} events {events:g} of {n if n is not None else 'no'} patients: impossible"
            raise DataError(what, where=where, fix="events must lie between 0 and the patients of the arm")
    return row


def _number(text: str, column: str, style: str, where: str) -> float | None:
    value = read_number(text, style, f"{where}, column {column}") if text else None
    if value is not None and value < 0:
        what = f"{column} = {text!r}: must be a number of 0 or more, or blank"
        raise DataError(what, where=where, fix="write a plain number")
    return value
