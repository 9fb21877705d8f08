"""Bleeding rates of the untreated, and rebleeding, for the model: the registry's counts joined to the base case.

Rules
-----
- ``p_first_bleed_year_1`` rests on untreated patients in their first year only (the hazard falls later), and on bleeds
  from gastric varices or of unrecorded source. Patient-years are weighted by the mix ratio.
- ``r_other_bleed`` needs untreated patients and a recorded source for every bleed of theirs.
- ``r_late_rebleed`` needs second bleeds to be recorded, and follow-up beyond six weeks after a first.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from econmodel.evidence.registry.cleaning import CleanRegistry
from econmodel.evidence.registry.estimates import first_year, gamma_posterior
from econmodel.evidence.registry.followup import BLED, NOT_RECORDED, form_rebleeds
from econmodel.evidence.registry.local_value import INTERVAL, LocalValue
from econmodel.evidence.registry.settings import JEFFREYS_RATE, SIX_WEEKS, BaseCase, Prior


def untreated_values(clean: CleanRegistry, f: pd.DataFrame, base: BaseCase) -> list[LocalValue]:
    """First-bleed risk of year 1 and rate of other bleeds, from untreated patients if there are any."""
    rows = f[f["strategy"].eq("watch")]
    if rows.empty:
        return []
    seen, ratio = first_year(rows), mix_ratio(rows, base)
    prior = base.rates.get("p_first_bleed_year_1", JEFFREYS_RATE)
    post = gamma_posterior(int(seen["events"]), seen["patient_years"] * ratio, prior)
    p, sd = probability_within_year(post["shape"], post["rate"])
    note = (
        f"Registry {clean.file}: {seen['events']}/{len(rows)} untreated patients bled in their first year, in "
        f"{seen['patient_years']:.2f} patient-years (weighted {ratio:.3f} for their mix against the evidence "
        f"mix). {_prior_said(prior)} {_source_said(rows)}"
    ).strip()
    low, high = (-math.expm1(-post[end]) for end in ("low", "high"))
    reason = "untreated patients of the site's registry"
    first = LocalValue(
        "p_first_bleed_year_1", {"family": "beta", "se": sd}, reason, note, p, range=(low, high, INTERVAL), period_years=1.0
    )
    return [first, *_other_bleed(clean, rows, base)]


def mix_ratio(f: pd.DataFrame, base: BaseCase) -> float:
    """Relate the expected bleeding rate of these patients to the evidence mix's; 1 unless all groups are known."""
    known = f["group"].ne(NOT_RECORDED)
    if base.coefficients is None or not base.evidence_mix or not known.all() or f.empty:
        return 1.0
    b = base.coefficients
    steps = f["child"].map({"A": 0, "B": 1, "C": 2})
    own = np.exp(b.child * steps + b.size * (f["size_step"] - 2) + b.red * f["red"])
    mix = [
        (r["share"], b.child * "ABC".index(r["child"]) + b.size * (r["size_step"] - 2) + b.red * r["red_spot"])
        for r in base.evidence_mix
    ]
    expected = sum(share * math.exp(log_hazard) for share, log_hazard in mix)
    return float(np.average(own, weights=f["years"].clip(upper=1.0))) / float(expected)


def probability_within_year(shape: float, rate: float) -> tuple[float, float]:
    """Probability of an event within a year at the mean rate, and its standard deviation under the gamma belief.

    Examples
    --------
    >>> p, sd = probability_within_year(20.0, 100.0)
    >>> round(p, 6), round(sd, 6)
    (0.181269, 0.036307)
    """
    mean, square = ((rate / (rate + k)) ** shape for k in (1, 2))
    return -math.expm1(-shape / rate), math.sqrt(max(square - mean**2, 0.0))


def _prior_said(prior: Prior) -> str:
    if prior == JEFFREYS_RATE:
        return "No base-case belief given (Jeffreys' prior)."
    return f"Combined with the base case, worth {prior.shape:.1f} events in {prior.rate:.1f} patient-years."


def _source_said(rows: pd.DataFrame) -> str:
    unknown = int((rows["event"].eq(BLED) & rows["source"].eq(NOT_RECORDED)).sum())
    return f"Bleeds of unrecorded source counted as gastric: {unknown}." if unknown else ""


def _other_bleed(clean: CleanRegistry, rows: pd.DataFrame, base: BaseCase) -> list[LocalValue]:
    bled = rows["event"].eq(BLED)
    if "bleed_source" not in clean.recorded or (bled & rows["source"].eq(NOT_RECORDED)).any():
        return []
    events = int((bled & rows["source"].eq("other")).sum())
    reason = "untreated patients of the site's registry, the source of each bleed recorded"
    return [_rate(clean, "r_other_bleed", (events, len(rows), float(rows["years"].sum())), base, reason)]


def rebleed_values(clean: CleanRegistry, base: BaseCase) -> list[LocalValue]:
    """Late rebleeding rate, where the registry follows patients after a bleed and records second ones."""
    after = form_rebleeds(clean.analysed, SIX_WEEKS)
    if after.empty or not ("rebleed_date" in clean.recorded or clean.analysed["rebleed_date"].notna().any()):
        return []
    counts = (int(after["event"].sum()), len(after), float(after["years"].sum()))
    reason = "patients followed beyond six weeks after a first bleed, whatever their secondary prophylaxis"
    return [_rate(clean, "r_late_rebleed", counts, base, reason)]


def _rate(clean: CleanRegistry, name: str, counts: tuple[int, int, float], base: BaseCase, reason: str) -> LocalValue:
    events, patients, years = counts
    prior = base.rates.get(name, JEFFREYS_RATE)
    post = gamma_posterior(events, years, prior)
    note = f"Registry {clean.file}: {events}/{patients} in {years:.2f} patient-years. {_prior_said(prior)}"
    return LocalValue(
        name, {"family": "gamma", "se": post["sd"]}, reason, note, post["mean"], range=(post["low"], post["high"], INTERVAL)
    )
