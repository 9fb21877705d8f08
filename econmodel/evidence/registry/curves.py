"""From patients to times and events, the groups of the case mix, and cumulative incidence with its interval.

Event codes: 0 censored, 1 bled, 2 died, 3 transplanted. An event on the first day counts half a day, so that it is
neither lost nor given a time of nought.

Death and transplant compete with bleeding (Aalen-Johansen).
The estimate is that of lifelines. Days tie often in a registry, and that estimator breaks ties at random; here the
patients of a day are first gathered into one weighted row per kind of event and set a hair apart, bleeds first and
censorings last, which gives the tied estimate exactly: after ``d1`` bleeds among ``n`` at risk the next factor is
``S (1 - d1/n) d2/(n - d1) = S d2/n``.

References
----------
Variance: Collett D. Modelling Survival Data in Medical Research, 3rd edition, 2015, chapter 12 (delta method); interval
on the log(-log) scale. Kalbfleisch JD, Prentice RL. The Statistical Analysis of Failure Time Data, 2nd edition, 2002.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import NormalDist
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from econmodel.evidence.registry.settings import DAYS_PER_YEAR
from econmodel.records import record

CENSORED, BLED, DIED, TRANSPLANTED = 0, 1, 2, 3
HALF_DAY = 0.5
NOT_RECORDED = "not recorded"
SIZE_NAMES = ("below 5 mm", "5 to 10 mm", "above 10 mm")
Groups = Sequence[Mapping[str, Any]]
FloatArray = NDArray[np.float64]
HAIR = 1e-4


def form_followup(p: pd.DataFrame, site: Groups = ()) -> pd.DataFrame:
    """Time to the first event of each analysed patient.

    Parameters
    ----------
    p
        Analysed patients.
    site
        Rows of the site's case mix, whose names its groups bear.

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
    return f.join(form_groups(p, site))


def _days(end: pd.Series, start: pd.Series) -> pd.Series:
    return (end - start).dt.days.astype(float).clip(lower=HALF_DAY)


def form_groups(p: pd.DataFrame, site: Groups = ()) -> pd.DataFrame:
    """Group of each patient: Child-Pugh class, size step (0 below 5 mm, 1 to 10 mm, 2 above), red spot (0 or 1).

    It bears the name that the site's case mix gives it, if it is there.
    """
    named = {(row["child"], row["size_step"], row["red_spot"]): str(row["name"]) for row in site}
    mm = p["size_mm"]
    step = pd.Series(np.select([mm < 5, mm <= 10, mm > 10], [0.0, 1.0, 2.0], np.nan), index=p.index)
    red = p["red_spot"].map({"yes": 1.0, "no": 0.0})
    known = p["child"].notna() & step.notna() & red.notna()
    names = pd.Series(NOT_RECORDED, index=p.index, dtype=object)
    groups = pd.DataFrame({"group": names, "child": p["child"], "size_step": step, "red": red})
    different = groups.loc[known, ["child", "size_step", "red"]].drop_duplicates()
    for child, size, spot in different.itertuples(index=False):
        alike = known & groups["child"].eq(child) & step.eq(size) & red.eq(spot)
        groups.loc[alike, "group"] = named.get((child, size, spot)) or group_name(child, int(size), int(spot))
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


@record
class Curve:
    """A cumulative incidence curve: a step function of days since the start.

    Parameters
    ----------
    days : ndarray of shape (n_steps,)
        0, then every day on which something happened, the last being the longest follow-up.
    at_risk : ndarray of shape (n_steps,)
        Patients still followed just before that day.
    incidence, se : ndarray of shape (n_steps,)
        Share that has had the event by that day, and its standard error.
    low, high : ndarray of shape (n_steps,)
        95% interval; missing until the first event.
    """

    days: FloatArray
    at_risk: FloatArray
    incidence: FloatArray
    se: FloatArray
    low: FloatArray
    high: FloatArray

    def at(self, days: float) -> dict[str, float | int | None]:
        """Read the curve at a time; every value is None beyond the longest follow-up."""
        if days > self.days[-1]:
            return {"value": None, "low": None, "high": None, "se": None, "at_risk": 0}
        i = int(np.searchsorted(self.days, days, side="right")) - 1
        later = int(np.searchsorted(self.days, days, side="left"))
        numbers = {name: float(getattr(self, name)[i]) for name in ("incidence", "low", "high", "se")}
        clean = {name: None if np.isnan(value) else value for name, value in numbers.items()}
        return {
            "value": clean["incidence"],
            "low": clean["low"],
            "high": clean["high"],
            "se": clean["se"],
            "at_risk": int(self.at_risk[later]),
        }


def cumulative_incidence(days: pd.Series, event: pd.Series, of_interest: int = 1, *, alpha: float = 0.05) -> Curve:
    """Estimate the cumulative incidence of one kind of event, the others competing.

    Parameters
    ----------
    days : Series of shape (n_patients,)
        Time to the first event or to censoring, above 0.
    event : Series of shape (n_patients,)
        0 censored, otherwise the kind of event.
    of_interest
        The kind estimated.
    alpha
        One less the confidence level.
    """
    from lifelines import AalenJohansenFitter

    gathered = _gather(days, event, of_interest)
    fitter = AalenJohansenFitter(calculate_variance=False)
    fitter.fit(gathered["time"], gathered["event"], event_of_interest=of_interest, weights=gathered["patients"])
    table = fitter.event_table
    incidence = fitter.cumulative_density_.iloc[:, 0].to_numpy(dtype=float)
    at_risk = table["at_risk"].to_numpy(dtype=float)
    observed = table["observed"].to_numpy(dtype=float)
    own = table.iloc[:, 2].to_numpy(dtype=float)
    variance = incidence_variance(incidence, at_risk, observed, own)
    whole = np.round(table.index.to_numpy(dtype=float) * 2) / 2
    last, first = _last_of_day(whole), np.flatnonzero(np.r_[True, whole[1:] != whole[:-1]])
    low, high = _log_log_interval(incidence[last], variance[last], alpha)
    return Curve(whole[last], at_risk[first], incidence[last], np.sqrt(variance[last]), low, high)


def _gather(days: pd.Series, event: pd.Series, of_interest: int) -> pd.DataFrame:
    kinds = event.to_numpy()
    order = np.where(kinds == of_interest, 0, np.where(kinds == 0, 99, kinds))
    counted = pd.DataFrame({"day": days.to_numpy(float), "order": order, "event": kinds}).value_counts(sort=False)
    gathered = counted.rename("patients").reset_index().sort_values(["day", "order"], ignore_index=True)
    gathered["time"] = gathered["day"] + HAIR * gathered["order"]
    return gathered


def _last_of_day(days: FloatArray) -> NDArray[np.int64]:
    return np.flatnonzero(np.r_[days[1:] != days[:-1], True])


def incidence_variance(incidence: FloatArray, at_risk: FloatArray, observed: FloatArray, own: FloatArray) -> FloatArray:
    """Variance of a cumulative incidence at each of its times.

    Parameters
    ----------
    incidence : ndarray of shape (n_times,)
        The estimate F.
    at_risk, observed, own : ndarray of shape (n_times,)
        Patients at risk n, events of any kind d, events of the kind estimated e.

    Notes
    -----
    ``Var F(t) = sum (F(t)-F)^2 d/(n(n-d)) + sum S^2 e(n-e)/n^3 - 2 sum (F(t)-F) S e/n^2`` over the times up to t, with
    S the event-free share just before; prefix sums make it linear in the number of times. Where nobody is left
    (``d = n``) the first term has no later time to act on and is 0.
    """
    left = np.where(at_risk > observed, at_risk - observed, np.inf)
    survival = np.cumprod(1 - observed / at_risk)
    before = np.r_[1.0, survival[:-1]]
    a, c = observed / (at_risk * left), before * own / at_risk**2
    first = incidence**2 * np.cumsum(a) - 2 * incidence * np.cumsum(a * incidence) + np.cumsum(a * incidence**2)
    second = np.cumsum(before**2 * own * (at_risk - own) / at_risk**3)
    third = incidence * np.cumsum(c) - np.cumsum(c * incidence)
    return np.asarray(np.maximum(first + second - 2 * third, 0.0), dtype=np.float64)


def _log_log_interval(f: FloatArray, variance: FloatArray, alpha: float) -> tuple[FloatArray, FloatArray]:
    z = NormalDist().inv_cdf(1 - alpha / 2)
    inside = (f > 0) & (f < 1)
    safe = np.where(inside, f, 0.5)
    half = z * np.sqrt(variance) / (safe * np.abs(np.log(safe)))
    centre = np.log(-np.log(safe))
    with np.errstate(over="ignore"):  # a bound at 0
        low, high = np.exp(-np.exp(centre + half)), np.exp(-np.exp(centre - half))
    return np.where(inside, low, np.nan), np.where(inside, high, np.nan)
