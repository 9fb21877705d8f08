"""The registry's estimators against published closed forms, open data and the library they stand beside."""

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from lifelines import AalenJohansenFitter, KaplanMeierFitter

from econmodel.evidence.registry.curves import cumulative_incidence
from econmodel.evidence.registry.estimates import gamma_posterior, poisson_rate
from econmodel.evidence.registry.settings import Prior

DATA = Path(__file__).parent / "data"
CHECKS = json.loads((DATA / "survival_checks.json").read_text())
# Freireich EJ et al., Blood 1963;21:699-716: weeks in remission, 1 relapse, 0 censored.
SIX_MP = (
    pd.Series([6, 6, 6, 7, 10, 13, 16, 22, 23, 6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35], dtype=float),
    pd.Series([1] * 9 + [0] * 12),
)


# Limits of a Poisson mean: Garwood F, Biometrika 1936;28:437-442 (table; from memory), to the digits printed.
@pytest.mark.parametrize(
    ("events", "low", "high", "tolerance"),
    [(0, 0.0, 3.689, 5e-4), (1, 0.0253, 5.572, 5e-4), (3, 0.619, 8.767, 5e-4), (10, 4.795, 18.390, 5e-4)],
)
def test_garwood_limits(events, low, high, tolerance):
    """Exact limits of a count over one patient-year."""
    found = poisson_rate(events, 1.0)
    assert (found["low"], found["high"]) == (pytest.approx(low, abs=tolerance), pytest.approx(high, abs=tolerance))
    # Negative control: the normal approximation is elsewhere.
    assert events + 1.96 * math.sqrt(events) != pytest.approx(high, abs=0.1)


@pytest.mark.parametrize("events", [1, 4, 17])
def test_limits_are_the_tails(events):
    """At either limit the Poisson tail beyond the count is 2.5%: the definition, summed term by term."""
    found = poisson_rate(events, 7.0)

    def below(count, mean):
        return sum(math.exp(-mean) * mean**k / math.factorial(k) for k in range(count + 1))

    assert 1 - below(events - 1, found["low"] * 7) == pytest.approx(0.025, abs=1e-9)
    assert below(events, found["high"] * 7) == pytest.approx(0.025, abs=1e-9)


def test_no_bleed_in_n_years():
    """The upper limit without events is -ln(0.025) over the patient-years."""
    assert poisson_rate(0, 40.0)["high"] == pytest.approx(-math.log(0.025) / 40, abs=1e-12)


def test_posterior_by_integration():
    """The conjugate posterior equals prior times likelihood, integrated numerically (1e-6)."""
    grid = np.linspace(1e-9, 2.0, 400_001)
    weight = grid ** (18.0 - 1) * np.exp(-90.0 * grid) * grid**6 * np.exp(-15.1 * grid)
    mean = np.trapezoid(grid * weight, grid) / np.trapezoid(weight, grid)
    found = gamma_posterior(6, 15.1, Prior(18.0, 90.0))
    assert found["mean"] == pytest.approx(mean, abs=1e-6)
    inside = (grid >= found["low"]) & (grid <= found["high"])
    assert np.trapezoid(weight[inside], grid[inside]) / np.trapezoid(weight, grid) == pytest.approx(0.95, abs=1e-4)


def test_one_kind_of_event_is_kaplan_meier():
    """6-MP: without competing events the incidence is 1 - S, its error Greenwood's (1e-8); S(10) = 0.753 (0.096)."""
    curve = cumulative_incidence(*SIX_MP)
    for week, at_risk, _, survival, error in CHECKS["freireich_6mp"]["sixMP"]:
        found = curve.at(week)
        assert 1 - found["value"] == pytest.approx(survival, abs=1e-8)
        assert found["se"] == pytest.approx(error, abs=1e-8)
        assert found["at_risk"] == at_risk
    # Negative control: censored patients taken for relapses.
    assert cumulative_incidence(SIX_MP[0], pd.Series([1] * 21)).at(23)["value"] != pytest.approx(1 - 0.448179, abs=1e-2)


@pytest.mark.parametrize(
    ("file", "column", "key", "at", "labels", "scale"),
    [
        ("mgus2_times.csv", "time_months", "mgus2_competing", "months", ("pcm", "death"), 1.0),
        ("aidssi_times.csv", "time_years", "aidssi_competing", "years", ("aids", "si"), 1000.0),
    ],
)
def test_competing_risks_on_open_data(file, column, key, at, labels, scale):
    """Tied times included, the incidence is exact (1e-8), and lies below one minus Kaplan-Meier."""
    data, expected = pd.read_csv(DATA / file), CHECKS[key]
    days = (data[column] * scale).round()
    for cause, label in enumerate(labels, start=1):
        curve = cumulative_incidence(days, data["status"], cause)
        for k, time in enumerate(expected[at]):
            assert curve.at(time * scale)["value"] == pytest.approx(expected[f"CIF_{label}"][k], abs=1e-8)
    first = cumulative_incidence(days, data["status"]).at(expected[at][-1] * scale)["value"]
    assert first < expected[f"one_minus_KM_{labels[0]}"][-1] - 0.05


@pytest.mark.parametrize("year", [1, 2, 3, 5, 8, 10])
def test_death_with_transplant_competing(year):
    """Mayo PBC, stage 4 (Fleming and Harrington 1991): death with transplant competing, in days (1e-8)."""
    data = pd.read_csv(DATA / "pbc_times.csv").query("stage == 4")
    curve = cumulative_incidence(data["time_days"].astype(float), data["status"], 2)
    assert curve.at(365.25 * year)["value"] == pytest.approx(CHECKS["pbc"]["stage4"]["CIF_death"][str(year)], abs=1e-8)


def test_interval_is_the_library_one():
    """On untied times estimate and interval are lifelines' own, to 1e-12."""
    rng = np.random.default_rng(3)
    days = pd.Series(rng.permutation(np.arange(1.0, 81.0)))
    event = pd.Series(rng.choice([0, 1, 2], 80, p=[0.4, 0.35, 0.25]))
    event[days.idxmax()] = 0
    with np.errstate(all="ignore"):
        fitted = AalenJohansenFitter().fit(days, event, event_of_interest=1)
    theirs = fitted.confidence_interval_.dropna()
    curve = cumulative_incidence(days, event)
    ours = pd.DataFrame({"low": curve.low, "high": curve.high}, index=curve.days).loc[theirs.index]
    columns = {name.split("_")[-2]: name for name in theirs.columns}
    assert ours["low"].to_numpy() == pytest.approx(theirs.min(axis=1).to_numpy(), abs=1e-12)
    assert ours["high"].to_numpy() == pytest.approx(theirs.max(axis=1).to_numpy(), abs=1e-12)
    assert set(columns) == {"lower", "upper"}


def test_everything_adds_to_one():
    """Incidences of all causes and the event-free share sum to 1 at every time (1e-12)."""
    data = pd.read_csv(DATA / "mgus2_times.csv")
    days = data["time_months"].astype(float)
    one, two = (cumulative_incidence(days, data["status"], cause) for cause in (1, 2))
    free = KaplanMeierFitter().fit(days, data["status"] > 0).predict(one.days).to_numpy()
    assert one.incidence + two.incidence + free == pytest.approx(np.ones(len(free)), abs=1e-12)
