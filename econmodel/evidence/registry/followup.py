"""From patients to times and events, and the groups of the case mix.

Event codes: 0 censored, 1 bled, 2 died, 3 transplanted. An event on the first day counts half a day, so that it is
neither lost nor given a time of nought.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from econmodel.evidence.registry.settings import DAYS_PER_YEAR

CENSORED, BLED, DIED, TRANSPLANTED = 0, 1, 2, 3
HALF_DAY = 0.5
NOT_RECORDED = "not recorded"
SIZE_NAMES = ("below 5 mm", "5 to 10 mm", "above 10 mm")


def form_followup(p: pd.DataFrame) -> pd.DataFrame:
    """Time to the first event of each analysed patient.

    Parameters
    ----------
    p
        Analysed patients.

    Returns
    -------
    DataFrame
        ``strategy``, ``group``, ``child``, ``size_step``, ``red`` (missing where not recorded), ``days``, ``event``,
        ``source`` (gastric, other or not recorded), ``days_earliest`` and ``days_latest`` of a bleed, ``is_lost``,
        ``death_unknown``, ``years``.
    """
    last = p[["last_seen", "last_session"]].max(axis=1)
    ends = pd.DataFrame({BLED: p["bleed_date"].where(p["bled"].eq("yes")), DIED: p["death_date"], TRANSPLANTED: p["transplant_date"]})
    none = ends.isna().all(axis=1)
    first = ends.min(axis=1)
    kinds = [BLED, DIED, TRANSPLANTED]
    event = np.select([ends[kind].eq(first) for kind in kinds], kinds, CENSORED)
    f = pd.DataFrame({"strategy": p["strategy"], "event": event, "days": _days(first.where(~none, last), p["start"])})
    f["source"] = p["bleed_source"].where(p["bleed_source"].notna(), NOT_RECORDED)
    for bound in ("earliest", "latest"):
        moved = _days(p[f"bleed_{bound}"], p["start"])
        f[f"days_{bound}"] = f["days"].where(f["event"].ne(BLED), moved)
    f["is_lost"] = f["event"].eq(CENSORED) & p["status"].eq("lost")
    f["death_unknown"] = f["event"].eq(DIED) & p["death_cause"].isna()
    f["years"] = f["days"] / DAYS_PER_YEAR
    return f.join(form_groups(p))


def _days(end: pd.Series, start: pd.Series) -> pd.Series:
    return (end - start).dt.days.astype(float).clip(lower=HALF_DAY)


def form_groups(p: pd.DataFrame) -> pd.DataFrame:
    """Group of each patient: Child-Pugh class, size step (0 below 5 mm, 1 to 10 mm, 2 above), red spot (0 or 1)."""
    mm = p["size_mm"]
    step = pd.Series(np.select([mm < 5, mm <= 10, mm > 10], [0.0, 1.0, 2.0], np.nan), index=p.index)
    red = p["red_spot"].map({"yes": 1.0, "no": 0.0})
    known = p["child"].notna() & step.notna() & red.notna()
    names = pd.Series(NOT_RECORDED, index=p.index, dtype=object)
    groups = pd.DataFrame({"group": names, "child": p["child"], "size_step": step, "red": red})
    different = groups.loc[known, ["child", "size_step", "red"]].drop_duplicates()
    for child, size, spot in different.itertuples(index=False):
        alike = known & groups["child"].eq(child) & step.eq(size) & red.eq(spot)
        groups.loc[alike, "group"] = group_name(child, int(size), int(spot))
    return groups


def group_name(child: str, size_step: int, red_spot: int) -> str:
    """Name of a group.

    Examples
    --------
    >>> group_name("B", 2, 1)
    'Child B, above 10 mm, red spots'
    """
    return f"Child {child}, {SIZE_NAMES[size_step]}" + (", red spots" if red_spot else "")


def form_rebleeds(p: pd.DataFrame, six_weeks: int) -> pd.DataFrame:
    """Follow-up after the six weeks of a survived first bleed: ``years`` at risk, ``event`` 1 for a late rebleed.

    Patients who rebled, died, were transplanted or were last seen within the six weeks are left out.
    """
    bled = p[p["bled"].eq("yes")]
    origin = bled["bleed_date"] + pd.Timedelta(days=six_weeks)
    last = bled[["last_seen", "last_session"]].max(axis=1)
    ends = bled[["rebleed_date", "death_date", "transplant_date"]].min(axis=1).fillna(last)
    event = bled["rebleed_date"].notna() & bled["rebleed_date"].eq(ends)
    inside = (ends > origin) & ~(bled["transplant_date"] <= bled["bleed_date"])
    years = (ends - origin).dt.days / DAYS_PER_YEAR
    return pd.DataFrame({"years": years[inside], "event": event[inside].astype(int)})
