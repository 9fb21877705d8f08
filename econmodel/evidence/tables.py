"""What derivations look up in ``params/tables``: price indices, purchasing power, exchange rates, studies, pools, cohorts.

========================  ==========================================================================================
``cpi(index, from, to)``  a price index at one year over another; the index by its ``key`` in ``price_index.csv``
``ppp(A, B, year)``       what one unit of A's money buys in A, in B's money (countries by code, ``ppp.csv``)
``fx(A, B, year)``        the price of one unit of A's money in B's, mean of the year
``pooled(contrast, set)`` pooled hazard ratio of the studies of a contrast; ``pooled_se``: standard error of its log
``study(key, field)``     a number of a row of ``effect_studies.csv``
``cohort(key, field)``    a number of a row of ``untreated_cohorts.csv``; ``field at years`` where a cohort has several
``cohort(types, field)``  of the synthesis of the cohorts of ``all`` or ``fundal`` types, or those ``not_fundal``: ``mean``,
                          ``se``, ``tau`` (each also ``without KEY``), ``slope NAME`` and ``at NAME``, see :data:`COURSE`;
                          all but the last also ``at`` a course: ``constant``, or the base case's (``time``, ``frailty``)
``cohort(key, log_rate)`` of the reference cell in one cohort, ``log_rate_se`` its error, at the base case's course
``US.c_coil``             a price of another country's list, as typed
========================  ==========================================================================================

The sets of ``pooled`` are ``all``, ``trials``, ``cohorts`` and ``crude`` (studies by their crude counts). The synthesis
is run at the coefficients and the course of the base case of the same folder.
"""

from __future__ import annotations

import csv
import math
from functools import cache
from pathlib import Path
from typing import Any

import tomli

from econmodel.errors import DataError
from econmodel.evidence.pooling import Pooled, pool_contrast
from econmodel.evidence.studies import StudyRow, load_studies
from econmodel.evidence.untreated import TYPES, Coefficients, Synthesis, cohort_rate, load_cohorts, slope, synthesise
from econmodel.parameters.documents import display_path, read_text
from econmodel.parameters.lookups import LIST, Call, table_of
from econmodel.wording import nearest

SETS: dict[str, dict[str, Any]] = {
    "all": {},
    "trials": {"design": "randomised trial"},
    "cohorts": {"design": "cohort"},
    "crude": {"analysis": "risk ratio"},
}

SYNTHESES = (*TYPES, "not_fundal")
OF_COHORT = {"log_rate": "log_rate", "log_rate_se": "se"}
COURSE = {"g2": "hr_first_bleed_years_2_3", "g3": "hr_first_bleed_from_year_4"}
"""Names of the course of the hazard; those of the coefficients are ``b_child``, ``b_size`` and ``b_red``."""


def look_up(folder: Path, call: Call) -> float:
    """Work out a look-up from the tables of a folder of inputs.

    Parameters
    ----------
    folder
        Such as ``params``.
    call
        Its name, then its arguments as typed.

    Raises
    ------
    EconModelError
        A key is not in the table, a cell holds no number, or the studies cannot be pooled; names the file.
    """
    name, *arguments = call
    path = folder / table_of(call)
    match name:
        case "cpi":
            index, start, end = arguments
            return _index(path, index, end) / _index(path, index, start)
        case "ppp" | "fx":
            one, other, year = arguments
            return _cell(path, "code", other, f"{name}_{year}") / _cell(path, "code", one, f"{name}_{year}")
        case "pooled":
            return _pooled(path, *arguments).ratio
        case "pooled_se":
            return _pooled(path, *arguments).se_log
        case "study":
            return _study(path, *arguments)
        case "cohort":
            key, field = arguments
            if key in SYNTHESES or field in OF_COHORT:
                return _synthesis(folder, key, field)
            field, _, years = field.partition(" at ")
            return _cell(path, "cohort", key, field.strip(), ("time_years", years.strip()) if years else None)
    assert name == LIST
    return _cell(path, "name", arguments[1], "value")


def _index(path: Path, index: str, year: str) -> float:
    return _cell(path, "key", index, "value", ("year", year))


def _pooled(path: Path, contrast: str, which: str) -> Pooled:
    if which not in SETS:
        what = f"the set {which!r} must be one of {', '.join(SETS)}"
        raise DataError(what, where=display_path(path), fix=nearest(which, SETS))
    return pool_contrast(load_studies(path), contrast, **SETS[which])


def _synthesis(folder: Path, types: str, field: str) -> float:
    """Number of the synthesis of the cohorts, at the coefficients and the course of the folder's base case."""
    document = tomli.loads(read_text(folder / "base_case" / "natural_history.toml"))
    at = {name: float(document[COURSE.get(name, name)]["value"]) for name in ("b_child", "b_size", "b_red", *COURSE)}
    path = folder / "tables" / "untreated_cohorts.csv"
    cohorts = load_cohorts(path)

    if types == "not_fundal":
        types, cohorts = "all", tuple(c for c in cohorts if c.types == "all")

    def run(at: dict[str, float], leave_out: str = "") -> Synthesis:
        return synthesise(cohorts, _coefficients(at), (at["g2"], at["g3"]), types=types, leave_out=leave_out)

    if field in OF_COHORT:
        found = {c.key: c for c in cohorts}
        if types not in found:
            raise _no_row(path, types, list(found))
        return float(getattr(cohort_rate(found[types], _coefficients(at), (at["g2"], at["g3"])), OF_COHORT[field]))
    field, _, course = field.partition(" at ")
    what, _, name = field.partition(" ")
    if course == "constant" and name in COURSE:
        return 0.0
    if course == "constant":
        at |= {"g2": 1.0, "g3": 1.0}
    elif course not in ("", "time", "frailty"):
        raise _no_number(path, types, f"{field} at {course}")
    if what in ("mean", "se", "tau") and not name:
        return float(getattr(run(at), what))
    if what in ("mean", "se", "tau") and name.startswith("without "):
        left = name.removeprefix("without ")
        keys = [rate.key for rate in run(at).rates]
        if left not in keys:
            raise _no_row(path, left, keys)
        return float(getattr(run(at, left), what))
    if what == "at" and name in at:
        return at[name]
    if what == "slope" and name in at:
        return slope(lambda x: run(at | {name: x}).mean, at[name], log=name in COURSE)
    raise _no_number(path, types, field)


def _coefficients(at: dict[str, float]) -> Coefficients:
    return Coefficients(at["b_child"], at["b_size"], at["b_red"])


def _study(path: Path, key: str, field: str) -> float:
    rows = {row.id: row for row in load_studies(path)}
    if key not in rows:
        raise _no_row(path, key, list(rows))
    value = getattr(rows[key], field) if field in StudyRow.__dataclass_fields__ else None
    if not isinstance(value, float):
        raise _no_number(path, key, field)
    return value


@cache
def _rows(text: str) -> tuple[dict[str, str], ...]:
    return tuple(csv.DictReader(text.splitlines()))


def _cell(path: Path, by: str, key: str, column: str, also: tuple[str, str] | None = None) -> float:
    """Number in the one row that has a key, and a second one where given; in several rows it must be the same."""
    rows = _rows(read_text(path))
    found = [row for row in rows if row.get(by) == key]
    if not found:
        raise _no_row(path, key, list(dict.fromkeys(row.get(by) or "" for row in rows)))
    if also:
        found = [row for row in found if row.get(also[0]) == also[1]]
    texts = {row.get(column) or "" for row in found}
    if len(texts) > 1:
        what = f"{key} has {len(found)} rows with {column} of {', '.join(sorted(texts))}: which?"
        raise DataError(what, where=display_path(path), fix=f"write {column} at YEARS, such as {column} at 1")
    try:
        number = float("".join(texts))
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise _no_number(path, key, f"{column} at {also[1]}" if also else column)
    return number


def _no_row(path: Path, key: str, keys: list[str]) -> DataError:
    return DataError(f"there is no row {key!r}", where=display_path(path), fix=nearest(key, keys))


def _no_number(path: Path, key: str, field: str) -> DataError:
    what = f"{key} has no number {field!r}"
    return DataError(what, where=display_path(path), fix="name a column with a number in that row")
