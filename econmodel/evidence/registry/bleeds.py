"""When a bleed happened, as far as the registry knows: a date, and the earliest and latest it can have been.

Rules
-----
- A dated bleed: that day. A month alone: the 15th, within the month.
- *Yes* without a date: midway between the last clean visit and the next contact, these two being the bounds.
- A bleed dated on a session day (or the decision's day) needs ``bleed_order``.
"""

from __future__ import annotations

import pandas as pd

from econmodel.evidence.registry.ledger import Ledger


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
