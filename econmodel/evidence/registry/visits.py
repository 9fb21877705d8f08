"""Rows of one patient on one day become one visit; visits with a session become courses.

Rules
-----
- Two varices: one patient, the largest varix, devices summed.
- Sessions at most ``course_gap_days`` apart, of a varix not yet obliterated, are one course; else a re-treatment.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from econmodel.evidence.registry.ledger import Ledger
from econmodel.parameters.catalogue import COMPLICATIONS

RECORDED = (*COMPLICATIONS, "other")
ELIGIBLE = ("GOV2", "IGV1")
_FIRST = ("row", "label", "varix_type", "size_mm", "child", "red_spot", "strategy")
_SUMMED = ("coils", "glue_ml")


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
    visits = grouped[list(_FIRST)].first()
    visits["size_mm"], visits["sessions"] = grouped["size_mm"].max(), grouped["sessions"].max()
    visits[list(_SUMMED)] = grouped[list(_SUMMED)].sum(min_count=1)
    visits["red_spot"] = _yes_first(ordered["red_spot"], keys).to_numpy()
    visits["obliterated"] = _yes_first(ordered["obliterated"], keys).to_numpy()
    for name in (*RECORDED, "complication_known"):
        visits[name] = _flag(ordered["complication"], name).groupby(keys, dropna=False, sort=False).max().to_numpy()
    several = (grouped["row"].transform("size") > 1) & (ordered["session_date"].notna() | _has_device(ordered))
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
        One row per course: ``patient``, ``course`` (1, 2, ...), ``date`` of its first session, ``sessions``, summed
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
        rows=("row", "size"),
        typed=("sessions", "max"),
        **{name: (name, "max") for name in (*RECORDED, "complication_known")},
    )
    courses["sessions"] = np.fmax(courses["rows"], courses["typed"])
    courses[list(_SUMMED)] = grouped[list(_SUMMED)].sum(min_count=1)
    courses["obliterated"] = _yes_first(sessions["obliterated"], [sessions["patient"], sessions["course"]]).to_numpy()
    return courses.drop(columns=["rows", "typed"]).reset_index()
