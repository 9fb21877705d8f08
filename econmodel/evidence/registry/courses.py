"""What became of the varices that were treated: closed after one course, open again, treated again; patients lost, seen.

Only examinations can tell: a row's ``check_date`` with ``check_found``, open or closed. They belong to the course whose last
session lies before that day, until the next course starts (that day included) or follow-up ends (the day before a
bleed). A file without them says nothing of closure, recurrence and acceptance, and nothing is guessed from
``obliterated``, which bears no date.

Rules
-----
- Closure after one course: the first examination after a patient's first course, the unexamined left out and counted.
- Recurrence: from an examination that found the varix closed to the next; found open there, it opened midway.
- Acceptance: found open, another course within ``course_gap_days``; who was not followed so long is left out.
- Loss: from the last session of the first course to the end of follow-up free of bleeding.
- Re-treatment in year 1: of those followed a year after their first course. Acts under intention to treat alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from operator import attrgetter
from typing import Any

import pandas as pd

from econmodel.evidence.registry.cleaning import CleanRegistry
from econmodel.evidence.registry.curves import BLED
from econmodel.evidence.registry.estimates import poisson_rate
from econmodel.evidence.registry.settings import DAYS_PER_YEAR, BaseCase, Options
from econmodel.evidence.registry.values import LocalValue, by_input, rate_value, share_value
from econmodel.records import record

UNTOLD = (
    "closure, recurrence, visits and re-treatment accepted are not told: no examination after a course has its date and what it "
    "found (columns check_date and check_found, open or closed)"
)
UNKNOWN_LOSS = "loss to follow-up is not told: the file has no column for status"


@record
class TreatedCourses:
    """Courses before any bleed, and the examinations after them.

    Parameters
    ----------
    courses
        ``patient``, ``strategy``, ``course``, ``last`` (last session), ``next`` (start of the next), ``end`` (of follow-up).
    checks
        ``patient``, ``strategy``, ``course``, ``date``, ``open``, ``next``, ``end``, and of the examination before in the same
        course ``was_open`` and ``years`` since (missing for the first).
    lost
        Patients of known status: ``strategy``, ``event`` 1 for a loss, ``years``.
    """

    courses: pd.DataFrame
    checks: pd.DataFrame
    lost: pd.DataFrame


def follow_courses(clean: CleanRegistry, f: pd.DataFrame) -> TreatedCourses:
    """Lay examinations beside the courses they follow.

    Parameters
    ----------
    clean, f
        The cleaned registry and the follow-up of its patients.
    """
    c, p = clean.courses[["patient", "course", "date", "last"]].copy(), clean.analysed
    whole = f["days"].astype(int) - f["event"].eq(BLED)
    end = p["start"] + pd.to_timedelta(whole, unit="D")
    c["strategy"], c["end"] = (column.reindex(c["patient"]).to_numpy() for column in (p["strategy"], end))
    c["next"] = c.groupby("patient")["date"].shift(-1)
    c = c[c["last"] < c["end"]]
    first = c[c["course"].eq(1)].set_index("patient")
    lost = pd.DataFrame({"strategy": first["strategy"], "event": f["is_lost"].reindex(first.index).astype(int)})
    lost["years"] = _years(first["end"] - first["last"])
    return TreatedCourses(c, _checks(clean.rows, c), lost[p["status"].reindex(lost.index).notna()])


def _checks(rows: pd.DataFrame, courses: pd.DataFrame) -> pd.DataFrame:
    told = rows[rows["check_date"].notna() & rows["check_found"].notna()]
    day = told.assign(open=told["check_found"].eq("open")).groupby(["patient", "check_date"])["open"].max().reset_index()
    m = day.rename(columns={"check_date": "date"}).merge(courses.drop(columns="date"), on="patient")
    until = m[["next", "end"]].min(axis=1)
    m = m[(m["date"] > m["last"]) & (m["date"] <= until)].sort_values(["patient", "date"], ignore_index=True)
    before = m.groupby(["patient", "course"])
    return m.assign(was_open=before["open"].shift(), years=_years(before["date"].diff()))


def _years(spans: pd.Series) -> pd.Series:
    years: pd.Series = spans.dt.days / DAYS_PER_YEAR
    return years


def course_values(clean: CleanRegistry, found: TreatedCourses, base: BaseCase, options: Options) -> list[LocalValue]:
    """Inputs of the course that enough treated patients speak to, each with its counts.

    Parameters
    ----------
    clean, found
        The cleaned registry, and its courses and examinations.
    base, options
        Beliefs that counts are joined to, and the fewest patients a value may rest on.
    """
    values: list[LocalValue] = []
    shares: tuple[tuple[str, pd.DataFrame, str, str], ...] = (
        ("p_obliteration", _closures(found), "closed at the first examination after one course at the site", "patients"),
        ("p_retreat_accepted", _offers(found, options), "found open at the site and treated again", "examinations"),
        (
            "p_retreat_year_1",
            _retreated(found),
            "treated again within a year of the first course at the site; acts only where effect_basis is intention_to_treat",
            "patients",
        ),
    )
    for slot, part, reason, of in shares:
        values += [
            share_value(clean, name, (int(g["event"].sum()), len(g)), base, reason, of)
            for name, g in by_input(part, options, attrgetter(slot))
        ]
    rates = (
        ("r_recurrence", _closed_times(found), "found closed and examined again at the site; opened midway between"),
        ("r_lost", found.lost if "status" in clean.recorded else found.lost[:0], "treated patients of the site"),
    )
    for slot, part, reason in rates:
        values += [
            rate_value(clean, name, (int(g["event"].sum()), len(g), float(g["years"].sum())), base, reason)
            for name, g in by_input(part, options, attrgetter(slot))
        ]
    return values


def _closures(found: TreatedCourses) -> pd.DataFrame:
    first = found.checks[found.checks["course"].eq(1)].drop_duplicates("patient")
    return first.assign(event=~first["open"])


def _closed_times(found: TreatedCourses) -> pd.DataFrame:
    """Patients with time between examinations that began closed: years at risk, and how often the varix had opened."""
    began = found.checks[found.checks["was_open"].eq(False)]
    began = began.assign(event=began["open"], years=began["years"].where(~began["open"], began["years"] / 2))
    return began.groupby("patient").agg(strategy=("strategy", "first"), event=("event", "sum"), years=("years", "sum"))


def _offers(found: TreatedCourses, options: Options) -> pd.DataFrame:
    """Examinations that found an open varix and whose answer is known: event where another course began in time."""
    open_, gap = found.checks[found.checks["open"]], pd.Timedelta(days=options.course_gap_days)
    again = open_["next"] <= open_["date"] + gap
    return open_.assign(event=again)[again | (open_["end"] >= open_["date"] + gap)]


def _retreated(found: TreatedCourses) -> pd.DataFrame:
    first = found.courses[found.courses["course"].eq(1)]
    year = first["last"] + pd.Timedelta(days=365)
    return first.assign(event=first["next"] <= year)[first["end"] >= year]


def summarise_courses(found: TreatedCourses, options: Options) -> dict[str, dict[str, Any]]:
    """Count by strategy what examinations found.

    Returns
    -------
    dict
        By strategy: ``first_courses``, ``examined`` and ``closed`` after them, ``closed_years`` between examinations and
        ``opened`` in them, ``found_open`` with a known answer and ``treated_again``, ``followed_a_year`` and
        ``treated_again_within_a_year``, ``lost``, and examinations a year (``visits``, with exact interval).
    """
    tables = (_closures(found), _closed_times(found), _offers(found, options), _retreated(found), found.lost, found.checks)
    return {str(key): _counts(str(key), tables, part) for key, part in found.courses.groupby("strategy")}


def _counts(key: str, tables: tuple[pd.DataFrame, ...], courses: pd.DataFrame) -> dict[str, Any]:
    closures, closed, offers, retreated, lost, checks = (t[t["strategy"].eq(key)] for t in tables)
    first = courses[courses["course"].eq(1)]
    return {
        "first_courses": len(first),
        "examined": len(closures),
        "closed": int(closures["event"].sum()),
        "closed_years": float(closed["years"].sum()),
        "opened": int(closed["event"].sum()),
        "found_open": len(offers),
        "treated_again": int(offers["event"].sum()),
        "followed_a_year": len(retreated),
        "treated_again_within_a_year": int(retreated["event"].sum()),
        "lost": int(lost["event"].sum()),
        "visits": poisson_rate(len(checks), float(_years(first["end"] - first["last"]).sum())),
    }


def course_notes(clean: CleanRegistry, found: TreatedCourses, options: Options) -> Iterator[str]:
    """Say in words what the treated patients show, and what they cannot."""
    if found.courses.empty:
        return
    if "status" not in clean.recorded:
        yield UNKNOWN_LOSS
    if found.checks.empty:
        yield UNTOLD
        return
    for key, n in summarise_courses(found, options).items():
        yield (
            f"{key}: closed at the first examination after one course {n['closed']}/{n['examined']} (of {n['first_courses']} first "
            f"courses); open again {n['opened']} in {n['closed_years']:.1f} closed years; found open and treated again "
            f"{n['treated_again']}/{n['found_open']}; examinations a year {n['visits']['value']:.2f}; lost {n['lost']}"
        )
