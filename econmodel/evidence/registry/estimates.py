"""What a registry says: counts, patient-years, rates, cumulative incidence, bounds, the NNT, and the harms beside it.

Every number is given by strategy, and again by group within a strategy. Only first bleeds count, from the decision;
transplanted patients are censored for rates and compete for risks. The bounds answer "what if" about what the registry
does not know; they are not intervals.

The NNT is against the registry's own untreated patients, or against a comparator that is borrowed and says so. The
interval of the difference is put together from the two curves' own intervals (variance estimates recovered from
confidence limits), which stays honest where one side has no bleeds.

References
----------
Exact Poisson interval: Garwood F. Fiducial limits for the Poisson distribution. Biometrika 1936;28:437-442. Gamma
posterior of a Poisson rate: Gelman A et al. Bayesian Data Analysis, 3rd edition, 2013, section 2.6. Interval of the
difference: Zou GY, Donner A. Construction of confidence limits about effect measures: a general approach. Statistics in
Medicine 2008;27:1693-1702.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from econmodel.evidence.nnt import NumberNeededToTreat
from econmodel.evidence.registry.cleaning import CleanRegistry
from econmodel.evidence.registry.curves import BLED, DIED, TRANSPLANTED, Curve, cumulative_incidence
from econmodel.evidence.registry.patients import RECORDED
from econmodel.evidence.registry.settings import DAYS_PER_YEAR, HORIZONS, JEFFREYS_RATE, Prior
from econmodel.parameters.schema import WATCH

BOUNDS = ("all_lost_had_bled", "all_unknown_deaths_from_bleeding", "earliest_bleed_dates", "latest_bleed_dates")


def poisson_rate(events: int, years: float, alpha: float = 0.05) -> dict[str, float | int | None]:
    """Rate per patient-year with its exact Poisson interval.

    Parameters
    ----------
    events
        Events seen.
    years
        Patient-years.
    alpha
        One less the confidence level.

    Examples
    --------
    >>> {k: round(v, 4) for k, v in poisson_rate(3, 50.0).items()}
    {'events': 3, 'patient_years': 50.0, 'value': 0.06, 'low': 0.0124, 'high': 0.1753}
    """
    from scipy.special import gammaincinv

    if years <= 0:
        return {"events": events, "patient_years": years, "value": None, "low": None, "high": None}
    low = float(gammaincinv(events, alpha / 2)) / years if events else 0.0
    high = float(gammaincinv(events + 1, 1 - alpha / 2)) / years
    return {"events": events, "patient_years": years, "value": events / years, "low": low, "high": high}


def gamma_posterior(events: int, years: float, prior: Prior = JEFFREYS_RATE, alpha: float = 0.05) -> dict[str, float]:
    """Combine a gamma belief about a rate with events seen in patient-years.

    Examples
    --------
    >>> found = gamma_posterior(3, 20.0, Prior(16.0, 80.0))
    >>> found["shape"], found["rate"], found["mean"]
    (19.0, 100.0, 0.19)
    """
    from scipy.special import gammaincinv

    shape, rate = prior.shape + events, prior.rate + years
    low, high = (float(gammaincinv(shape, q)) / rate for q in (alpha / 2, 1 - alpha / 2))
    return {
        "prior_shape": prior.shape,
        "prior_rate": prior.rate,
        "shape": shape,
        "rate": rate,
        "mean": shape / rate,
        "sd": float(np.sqrt(shape)) / rate,
        "low": low,
        "high": high,
    }


def estimate(f: pd.DataFrame) -> tuple[dict[str, Any], Curve]:
    """Estimate one set of patients.

    Parameters
    ----------
    f
        Follow-up of at least one patient, as :func:`~econmodel.evidence.registry.curves.form_followup` gives it.

    Returns
    -------
    numbers, curve
        The numbers by name (see the keys below), and the curve of any first bleed.
    """
    curve = cumulative_incidence(f["days"], f["event"])
    bled, years = f["event"].eq(BLED), float(f["days"].sum()) / DAYS_PER_YEAR
    by_source = f.loc[bled, "source"].value_counts()
    gastric = bled & f["source"].ne("other")
    sources = {
        "gastric": int(by_source.get("gastric", 0)),
        "other": int(by_source.get("other", 0)),
        "not_recorded": int(by_source.get("not recorded", 0)),
    }
    numbers = {
        "patients": len(f),
        "bleeds": int(bled.sum()),
        "n_over_N": f"{int(bled.sum())}/{len(f)}",
        "sources": sources,
        "deaths": int(f["event"].eq(DIED).sum()),
        "deaths_of_unknown_cause": int(f["death_unknown"].sum()),
        "transplants": int(f["event"].eq(TRANSPLANTED).sum()),
        "lost": int(f["is_lost"].sum()),
        "median_follow_up_years": float(f["years"].median()),
        "patient_years": years,
        "rate": poisson_rate(int(bled.sum()), years),
        "gastric_rate": poisson_rate(int(gastric.sum()), years),
        "first_year": first_year(f),
        "cumulative_incidence": at_horizons(curve, f),
    }
    return numbers, curve


def at_horizons(curve: Curve, f: pd.DataFrame) -> dict[str, dict[str, float | int | None]]:
    """Read a curve at each horizon, by years as text.

    Where nobody has bled yet the curve has no interval; the upper limit is then ``1 - exp(-r t)``, r the exact Poisson
    limit over the patient-years up to t.
    """
    found = {str(t): curve.at(t * DAYS_PER_YEAR) for t in HORIZONS}
    for t in HORIZONS:
        if found[str(t)]["value"] == 0:
            limit = poisson_rate(0, float(f["years"].clip(upper=t).sum()))["high"] or 0.0
            found[str(t)] |= {"low": 0.0, "high": -float(np.expm1(-limit * t))}
    return found


def first_year(f: pd.DataFrame) -> dict[str, Any]:
    """Rate of gastric bleeds (or of unrecorded source) in the first year of follow-up."""
    within = f["days"] <= DAYS_PER_YEAR
    events = int((within & f["event"].eq(BLED) & f["source"].ne("other")).sum())
    return poisson_rate(events, float(f["years"].clip(upper=1.0).sum()))


def bounds(f: pd.DataFrame, curve: Curve) -> dict[str, Any]:
    """Give counts, rate and cumulative incidence under each reading of what is not known.

    Parameters
    ----------
    f, curve
        Follow-up, and its curve as it stands.
    """
    found = {}
    for name in BOUNDS:
        changed = _bounded(f, name)
        moved = int(((changed["event"] != f["event"]) | (changed["days"] != f["days"])).sum())
        bound = cumulative_incidence(changed["days"], changed["event"]) if moved else curve
        events, years = int(changed["event"].eq(BLED).sum()), float(changed["days"].sum()) / DAYS_PER_YEAR
        found[name] = {
            "changed": moved,
            "n_over_N": f"{events}/{len(f)}",
            "rate": poisson_rate(events, years),
            "cumulative_incidence": {str(t): bound.at(t * DAYS_PER_YEAR)["value"] for t in HORIZONS},
        }
    return found


def _bounded(f: pd.DataFrame, name: str) -> pd.DataFrame:
    event, days = f["event"], f["days"]
    if name == "all_lost_had_bled":
        event = event.where(~f["is_lost"], BLED)
    elif name == "all_unknown_deaths_from_bleeding":
        event = event.where(~f["death_unknown"], BLED)
    else:
        days = f["days_earliest" if name.startswith("earliest") else "days_latest"]
    return pd.DataFrame({"event": event, "days": days})


def estimate_all(followup: pd.DataFrame) -> tuple[list[dict[str, Any]], dict[tuple[str, str], Curve]]:
    """Estimate every strategy, and every group within it.

    Parameters
    ----------
    followup
        Follow-up of the patients analysed.

    Returns
    -------
    rows, curves
        Numbers with ``strategy`` and ``group`` (``all``, which alone has ``bounds``, or a group's name), and the curve
        of each.
    """
    rows, curves = [], {}
    for strategy, part in followup.groupby("strategy"):
        for group, members in [("all", part), *part.groupby("group")]:
            numbers, curve = estimate(members)
            if group == "all":
                numbers["bounds"] = bounds(members, curve)
            rows.append({"strategy": str(strategy), "group": str(group), **numbers})
            curves[str(strategy), str(group)] = curve
    return rows, curves


OWN = "own untreated patients"
BORROWED = "borrowed comparator"
NOT_RANDOMISED = "Patients were not allocated at random: those treated may differ from those not."
NO_INTERVAL = "The borrowed risk is taken as known exactly, so the interval is too narrow."
NOTHING_TO_COMPARE = "No untreated rows: only the risk of the treated is known, and no NNT follows from it."


def compare(rows: list[dict[str, Any]], borrowed: Mapping[int, float]) -> dict[str, Any]:
    """Compare each treated strategy with the untreated at every horizon.

    Parameters
    ----------
    rows
        Estimates, as :func:`~econmodel.evidence.registry.estimates.estimate_all` gives them.
    borrowed
        Untreated cumulative risk by horizon, used only where the registry has no untreated patients.

    Returns
    -------
    dict
        ``comparator`` (own untreated patients, borrowed comparator or none), ``caution``, and by strategy and horizon
        the ``arr``, its interval, and the ``nnt``.
    """
    risks = {r["strategy"]: r["cumulative_incidence"] for r in rows if r["group"] == "all"}
    own = risks.pop(WATCH, None)
    if own is None and not borrowed:
        return {"comparator": None, "caution": NOTHING_TO_COMPARE, "strategies": {}}
    untreated = own or {str(t): dict.fromkeys(("value", "low", "high"), borrowed.get(t)) for t in HORIZONS}
    label = OWN if own else BORROWED
    found = {key: {t: _difference(risk[t], untreated[t], int(t), label) for t in risk} for key, risk in risks.items()}
    return {"comparator": label, "caution": NOT_RANDOMISED if own else NO_INTERVAL, "strategies": found}


def _difference(treated: Mapping[str, Any], untreated: Mapping[str, Any], years: int, label: str) -> dict[str, Any] | None:
    if treated["value"] is None or untreated["value"] is None:
        return None
    arr = untreated["value"] - treated["value"]
    low = arr - math.hypot(untreated["value"] - untreated["low"], treated["high"] - treated["value"])
    high = arr + math.hypot(untreated["high"] - untreated["value"], treated["value"] - treated["low"])
    nnt = NumberNeededToTreat(arr, low, high, float(years), "cumulative incidence, death competing")
    return {
        "arr": arr,
        "low": low,
        "high": high,
        "nnt": {"value": nnt.value, "kind": nnt.kind},
        "interval_text": nnt.interval_text,
        "comparator": label,
    }


def count_harms(clean: CleanRegistry) -> dict[str, dict[str, Any]]:
    """Count complications by strategy.

    Returns
    -------
    dict
        By strategy with sessions: ``courses``, ``courses_with_complications_recorded``, the courses with each kind of
        complication, and ``deaths_from_a_procedure`` (patients).
    """
    p = clean.analysed
    courses = clean.courses.assign(strategy=p["strategy"].reindex(clean.courses["patient"]).to_numpy())
    died = p.loc[p["death_cause"].eq("procedure"), "strategy"].value_counts()
    return {
        str(key): {
            "courses": len(part),
            "courses_with_complications_recorded": int(part["complication_known"].sum()),
            **{kind: int(part[kind].sum()) for kind in RECORDED},
            "deaths_from_a_procedure": int(died.get(key, 0)),
        }
        for key, part in courses.groupby("strategy")
    }
