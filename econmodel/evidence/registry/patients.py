"""One row per patient, from rows and visits: rows of a patient on one day are a visit, visits with a session courses.

Fixed facts come from the patient's first visit. Where rows answer differently, a later contact outweighs an earlier
one only where that cannot hide a bleed: ``bled`` is *yes* if any row says so, and *no* only if no row without an
answer is later than the last row that says *no*.

When a bleed happened is given as far as the registry knows: a date, and the earliest and latest it can have been.

- A dated bleed: that day. A month alone: the 15th, within the month.
- *Yes* without a date: midway between the last clean visit and the next contact, these two being the bounds.
- A bleed dated on a session day (or the decision's day) needs ``bleed_order``.

Rules
-----
- Two varices: one patient, the largest varix, devices summed.
- Sessions at most ``course_gap_days`` apart, of a varix not yet obliterated, are one course; else a re-treatment.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from econmodel.evidence.registry.ledger import HELD, KEPT, Ledger
from econmodel.evidence.registry.settings import Options
from econmodel.parameters.catalogue import COMPLICATIONS

RECORDED = (*COMPLICATIONS, "other")
ELIGIBLE = ("GOV2", "IGV1")
_FIRST_VISIT = ("row", "label", "varix_type", "size_mm", "child", "red_spot", "strategy")
_SUMMED = ("coils", "glue_ml")
_FIRST = ("label", "age", "birth_year", "sex", "cause", "start_basis", "bleed_order", "death_cause")
_ONE_VALUE = {"birth_year": "years of birth", "sex": "sexes", "death_date": "dates of death"}


def form_visits(rows: pd.DataFrame, ledger: Ledger) -> pd.DataFrame:
    """Merge the rows of each patient's day.

    Parameters
    ----------
    rows
        Typed rows with ``patient`` (number from 0 in order of appearance).
    ledger
        Told which rows were merged.

    Returns
    -------
    DataFrame
        One row per visit, in order of patient and date (undated first): the baseline columns of its largest eligible
        varix, summed ``coils`` and ``glue_ml``, ``obliterated``, a flag per complication, ``complication_known`` and
        ``is_session``.
    """
    ordered = _in_order(rows)
    keys = [ordered["patient"], ordered["session_date"]]
    grouped = ordered.groupby(keys, dropna=False, sort=False)
    visits = grouped[list(_FIRST_VISIT)].first()
    visits["size_mm"], visits["sessions"] = grouped["size_mm"].max(), grouped["sessions"].max()
    visits[list(_SUMMED)] = grouped[list(_SUMMED)].sum(min_count=1)
    visits["red_spot"] = _yes_first(ordered["red_spot"], keys).to_numpy()
    visits["obliterated"] = _yes_first(ordered["obliterated"], keys).to_numpy()
    for name in (*RECORDED, "complication_known"):
        visits[name] = _flag(ordered["complication"], name).groupby(keys, dropna=False, sort=False).max().to_numpy()
    session = ordered["session_date"].notna() | _has_device(ordered)
    merged = (session | ordered["check_date"].isna()).groupby(keys, dropna=False).transform("sum")
    several = session & merged.gt(1)
    ledger.change(
        np.sort(ordered.loc[several, "row"].to_numpy()),
        "session_date",
        "several rows",
        "one session",
        "one day's rows are one session: the largest varix, devices summed",
    )
    visits = visits.reset_index()
    visits["is_session"] = visits["session_date"].notna() | _has_device(visits)
    return visits


def _in_order(rows: pd.DataFrame) -> pd.DataFrame:
    unlike = ~rows["varix_type"].isin(ELIGIBLE)
    keyed = rows.assign(_unlike=unlike, _smaller=-rows["size_mm"].fillna(-1.0))
    by = ["patient", "session_date", "_unlike", "_smaller", "row"]
    return keyed.sort_values(by, na_position="first", kind="stable").drop(columns=["_unlike", "_smaller"])


def _has_device(frame: pd.DataFrame) -> pd.Series:
    return frame["coils"].fillna(0).gt(0) | frame["glue_ml"].fillna(0).gt(0)


def _yes_first(words: pd.Series, keys: list[pd.Series]) -> pd.Series:
    rank = words.map({"yes": 2.0, "no": 1.0}).fillna(0.0).groupby(keys, dropna=False, sort=False).max()
    return rank.map({2.0: "yes", 1.0: "no", 0.0: None})


def _flag(complication: pd.Series, name: str) -> pd.Series:
    if name == "complication_known":
        return complication.notna()
    codes, uniques = pd.factorize(complication)
    hits = np.array([name in str(u).split("; ") for u in uniques] + [False])
    return pd.Series(hits[codes], index=complication.index)


def form_courses(visits: pd.DataFrame, gap_days: int) -> pd.DataFrame:
    """Join sessions into courses.

    Parameters
    ----------
    visits
        As :func:`form_visits` gives them, of the patients analysed.
    gap_days
        Longest gap within a course.

    Returns
    -------
    DataFrame
        One row per course: ``patient``, ``course`` (1, 2, ...), ``date`` of its first session and ``last``, ``sessions``, summed
        ``coils`` and ``glue_ml`` (missing when never recorded), ``obliterated``, complication flags.
    """
    sessions = visits[visits["is_session"]].copy()
    by_patient = sessions.groupby("patient", sort=False)
    gap = by_patient["session_date"].diff().dt.days
    cured = by_patient["obliterated"].shift().eq("yes")
    sessions["course"] = (gap.gt(gap_days) | cured).groupby(sessions["patient"], sort=False).cumsum() + 1
    grouped = sessions.groupby(["patient", "course"], sort=False)
    courses = grouped.agg(
        date=("session_date", "min"),
        last=("session_date", "max"),
        rows=("row", "size"),
        typed=("sessions", "max"),
        **{name: (name, "max") for name in (*RECORDED, "complication_known")},
    )
    courses["sessions"] = np.fmax(courses["rows"], courses["typed"])
    courses[list(_SUMMED)] = grouped[list(_SUMMED)].sum(min_count=1)
    courses["obliterated"] = _yes_first(sessions["obliterated"], [sessions["patient"], sessions["course"]]).to_numpy()
    return courses.drop(columns=["rows", "typed"]).reset_index()


def form_patients(rows: pd.DataFrame, visits: pd.DataFrame, options: Options, ledger: Ledger) -> pd.DataFrame:
    """Merge a registry's rows into patients.

    Parameters
    ----------
    rows
        Typed rows with ``patient``.
    visits
        As :func:`~econmodel.evidence.registry.patients.form_visits` gives them.
    options
        Names the strategies.
    ledger
        Told of rows that disagree.

    Returns
    -------
    DataFrame
        Indexed by patient: baseline facts, ``start`` and its basis, the bleed as recorded, contacts, death.
    """
    ordered = rows.sort_values(["patient", "session_date", "row"], na_position="first", kind="stable")
    by_row, by_visit = ordered.groupby("patient"), visits.groupby("patient")
    p = by_row[list(_FIRST)].first()
    p["row"], p["rows"] = by_row["row"].min(), by_row["row"].size()
    p[["child", "size_mm", "red_spot", "strategy"]] = by_visit[["child", "size_mm", "red_spot", "strategy"]].first()
    p["varix_type"] = _varix_type(visits)
    p["previous_bleed"] = _any_yes(ordered["previous_bleed"], ordered["patient"])
    p["decision_date"] = by_row["decision_date"].min()
    p["first_session"], p["last_session"] = by_visit["session_date"].min(), by_visit["session_date"].max()
    p["has_session"] = by_visit["is_session"].max()
    p[["last_seen", "transplant_date"]] = by_row[["last_seen", "transplant_date"]].agg({"last_seen": "max", "transplant_date": "min"})
    p["last_check"] = by_row["check_date"].max()
    p["death_date"], p["status"] = by_row["death_date"].min(), _latest_status(ordered)
    _add_bleed(p, ordered)
    _check_agreement(p, ordered, options, ledger)
    _fill_strategy(p, visits, options, ledger)
    _add_start(p, ledger)
    return p


def _varix_type(visits: pd.DataFrame) -> pd.Series:
    eligible = visits["varix_type"].where(visits["varix_type"].isin(ELIGIBLE), None)
    first = eligible.groupby(visits["patient"]).first()
    return first.where(first.notna(), visits.groupby("patient")["varix_type"].first())


def _any_yes(words: pd.Series, patient: pd.Series) -> pd.Series:
    rank = words.map({"yes": 2.0, "no": 1.0}).fillna(0.0).groupby(patient).max()
    return rank.map({2.0: "yes", 1.0: "no", 0.0: None})


def _latest_status(ordered: pd.DataFrame) -> pd.Series:
    """Status by weight: dead and transplanted stay so; lost outweighs alive only in the latest row that says."""
    by_patient = ordered.groupby("patient")
    latest = by_patient["status"].last()
    for lasting in ("transplanted", "dead"):
        latest = latest.mask(ordered["status"].eq(lasting).groupby(ordered["patient"]).any(), lasting)
    return latest


def _add_bleed(p: pd.DataFrame, ordered: pd.DataFrame) -> None:
    patient = ordered["patient"]
    contact = ordered[["session_date", "last_seen", "death_date"]].max(axis=1)
    answered = contact.where(ordered["bled"].notna()).groupby(patient).max()
    unanswered = contact.where(ordered["bled"].isna()).groupby(patient).max()
    p["bled"] = _any_yes(ordered["bled"], patient)
    p.loc[p["bled"].eq("no") & (unanswered > answered), "bled"] = None
    dates = ordered.groupby("patient")["bleed_date"]
    p["bleed_date"] = dates.min()
    for name in ("month_first_day", "month_last_day", "bleed_earliest", "bleed_latest"):
        p[name] = ordered.groupby("patient")[name].min()
    later = ordered["bleed_date"].where(ordered["bleed_date"] > p["bleed_date"].reindex(patient).to_numpy())
    p["rebleed_date"] = ordered["rebleed_date"].fillna(later).groupby(patient).min()
    p["dated_but_no"] = (ordered["bled"].eq("no") & ordered["bleed_date"].notna()).groupby(patient).any()
    source = ordered["bleed_source"].where(ordered["bled"].ne("no"), None).groupby(patient).first()
    p["bleed_source"] = source.where(p["bled"].eq("yes"), None)
    clean = contact.where(ordered["bled"].eq("no"))
    p["clean_visit"] = clean.groupby(patient).max()
    told = ordered["last_seen"].fillna(ordered["session_date"])
    p["told_at"] = told.where(ordered["bled"].eq("yes")).groupby(patient).min()


def _check_agreement(p: pd.DataFrame, ordered: pd.DataFrame, options: Options, ledger: Ledger) -> None:
    by_patient = ordered.groupby("patient")
    for name, said in _ONE_VALUE.items():
        ledger.problem(p.loc[by_patient[name].nunique() > 1, "row"], name, f"rows of one id give different {said}", HELD)
    ledger.problem(
        p.loc[by_patient["decision_date"].nunique() > 1, "row"],
        "decision_date",
        "rows of one id give different decision dates: the earliest is used",
        KEPT,
    )
    without = ordered["strategy"].isin(options.without_sessions).groupby(ordered["patient"]).any()
    differs = by_patient["strategy"].nunique() > 1
    ledger.problem(p.loc[differs & without, "row"], "strategy", "changes between a strategy without sessions and another", HELD)
    ledger.problem(p.loc[differs & ~without, "row"], "strategy", "rows give different strategies: the first is used", KEPT)


def _fill_strategy(p: pd.DataFrame, visits: pd.DataFrame, options: Options, ledger: Ledger) -> None:
    """Take a blank strategy from the devices used: the case's first strategy with just these."""
    used = visits.groupby("patient")[["coils", "glue_ml"]].sum()
    coils, glue = used["coils"].gt(0), used["glue_ml"].gt(0)
    for key, row in options.strategies.items():
        if not (row.coils or row.glue_ml):
            continue
        blank = p["strategy"].isna() & coils.eq(bool(row.coils)) & glue.eq(bool(row.glue_ml))
        ledger.problem(p.loc[blank, "row"], "strategy", f"blank: taken as {key} from the devices used", KEPT)
        p.loc[blank, "strategy"] = key


def _add_start(p: pd.DataFrame, ledger: Ledger) -> None:
    waiting = p["decision_date"].isna() & p["first_session"].notna()
    p["start"] = p["decision_date"].fillna(p["first_session"])
    p["start_basis"] = p["start_basis"].where(p["start_basis"].notna(), "decision").mask(waiting, "session")
    dates = p.loc[waiting, "start"].dt.strftime("%Y-%m-%d").to_numpy()
    ledger.change(
        p.loc[waiting, "row"],
        "decision_date",
        "",
        dates,
        "no usable decision date: starts at the first session; bleeds while waiting are missing",
    )


def place_bleeds(p: pd.DataFrame, visits: pd.DataFrame, ledger: Ledger) -> None:
    """Complete ``bleed_date``, ``bleed_earliest`` and ``bleed_latest`` of the patients, in place.

    Also writes ``bleed_estimated`` (the date is not an exact day) and ``bleed_on_session``; and dates a transplant
    without a date at the last contact.
    """
    given = p["bleed_earliest"].notna() | p["bleed_latest"].notna()
    months = p["bleed_date"].notna() & (p["month_first_day"] != p["month_last_day"]) & ~given
    undated = p["bled"].eq("yes") & p["bleed_date"].isna()
    _place_months(p, months, ledger)
    _place_undated(p, undated, ledger)
    exact = p["bleed_date"].notna()
    p["bleed_earliest"] = p["bleed_earliest"].fillna(p["bleed_date"].where(exact))
    p["bleed_latest"] = p["bleed_latest"].fillna(p["bleed_date"].where(exact))
    p["bleed_estimated"] = given | months | undated
    on_session = _dated_on_session(p, visits) | p["bleed_date"].eq(p["start"])
    p["bleed_on_session"] = on_session & ~p["bleed_estimated"] & p["bled"].eq("yes")
    _date_transplants(p, ledger)


def _place_months(p: pd.DataFrame, chosen: pd.Series, ledger: Ledger) -> None:
    started = p["start"].where(p["start"] <= p["month_last_day"], p["month_first_day"])
    earliest = pd.concat([p["month_first_day"], started], axis=1).max(axis=1)
    latest = pd.concat([p["month_last_day"], p["death_date"]], axis=1).min(axis=1)
    latest = latest.where(latest >= earliest, p["month_last_day"])
    outside = chosen & ((p["bleed_date"] < earliest) | (p["bleed_date"] > latest))
    middle = _midpoint(earliest, latest)
    ledger.change(
        p.loc[outside, "row"],
        "bleed_date",
        _iso(p.loc[outside, "bleed_date"]),
        _iso(middle[outside]),
        "the 15th lies outside follow-up: the middle of the days of that month that lie inside",
    )
    p.loc[outside, "bleed_date"] = middle[outside]
    p.loc[chosen, "bleed_earliest"], p.loc[chosen, "bleed_latest"] = earliest[chosen], latest[chosen]


def _place_undated(p: pd.DataFrame, undated: pd.Series, ledger: Ledger) -> None:
    clean = p[["start", "first_session", "clean_visit"]].max(axis=1)
    told = p["told_at"].where(p["told_at"] > clean, p["last_seen"].where(p["last_seen"] > clean))
    contact = pd.concat([told, p["death_date"]], axis=1).min(axis=1)
    placed = undated & (contact > clean) & clean.notna()
    middle = _midpoint(clean, contact)
    p.loc[placed, "bleed_date"] = middle[placed]
    p.loc[placed, "bleed_earliest"], p.loc[placed, "bleed_latest"] = clean[placed], contact[placed]
    ledger.change(
        p.loc[placed, "row"],
        "bleed_date",
        "",
        _iso(middle[placed]),
        "bled without a date: midway between the last clean visit and the next contact",
    )


def _midpoint(early: pd.Series, late: pd.Series) -> pd.Series:
    return (early + (late - early) / 2).dt.floor("D")


def _dated_on_session(p: pd.DataFrame, visits: pd.DataFrame) -> pd.Series:
    sessions = visits.loc[visits["is_session"], ["patient", "session_date"]]
    bleeds = p["bleed_date"].reindex(sessions["patient"]).to_numpy()
    same = sessions["session_date"].eq(pd.Series(bleeds, index=sessions.index))
    return same.groupby(sessions["patient"]).any().reindex(p.index, fill_value=False)


def _date_transplants(p: pd.DataFrame, ledger: Ledger) -> None:
    undated = p["status"].eq("transplanted") & p["transplant_date"].isna() & p["last_seen"].notna()
    p.loc[undated, "transplant_date"] = p.loc[undated, "last_seen"]
    ledger.change(
        p.loc[undated, "row"],
        "transplant_date",
        "",
        _iso(p.loc[undated, "last_seen"]),
        "transplanted without a date: the last contact is used",
    )


def _iso(dates: pd.Series) -> object:
    return dates.dt.strftime("%Y-%m-%d").to_numpy()
