"""Curves, competing risks and a reversible process on open data: the libraries relied on, and our use of them.

The expected numbers were computed independently by hand code; see ``data/evidence_sources.md`` for the data.
"""

import json
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from lifelines import AalenJohansenFitter, KaplanMeierFitter
from lifelines.statistics import logrank_test
from matrix_roots import check_embeddable, matrix_root
from scipy.linalg import expm

DATA = Path(__file__).parent / "data"
CHECKS = json.loads((DATA / "survival_checks.json").read_text())
# Freireich EJ et al., Blood 1963;21:699-716: weeks in remission.
SIX_MP = ([6, 6, 6, 7, 10, 13, 16, 22, 23, 6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35], [1] * 9 + [0] * 12)
PLACEBO = ([1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23], [1] * 21)


def cumulative_incidence(times, status, cause, at):
    """Aalen-Johansen from the library's event tables: ``sum of S(t-) d / n``, ties kept as they are."""
    overall = KaplanMeierFitter().fit(times, np.asarray(status) > 0)
    table = KaplanMeierFitter().fit(times, np.asarray(status) == cause).event_table
    before = overall.survival_function_["KM_estimate"].shift(1, fill_value=1.0)
    jumps = (before * table["observed"] / table["at_risk"].where(table["at_risk"] > 0, 1)).cumsum()
    return float(jumps[jumps.index <= at].iloc[-1])


def test_six_mp_curve():
    """Kaplan-Meier, Greenwood errors and log-rank of the 6-MP trial (1e-8); medians 23 and 8 weeks."""
    for (times, events), key in ((SIX_MP, "sixMP"), (PLACEBO, "placebo")):
        fitted = KaplanMeierFitter().fit(times, events)
        for time, at_risk, deaths, survival, _ in CHECKS["freireich_6mp"][key]:
            assert fitted.predict(time) == pytest.approx(survival, abs=1e-8)
            assert tuple(fitted.event_table.loc[time, ["at_risk", "observed"]]) == (at_risk, deaths)
    table = CHECKS["freireich_6mp"]["sixMP"]
    greenwood = [s * np.sqrt(sum(d / (n * (n - d)) for _, n, d, *_ in table[: k + 1])) for k, (*_, s, _) in enumerate(table)]
    assert greenwood == pytest.approx([row[4] for row in table], abs=1e-8)
    result = logrank_test(SIX_MP[0], PLACEBO[0], SIX_MP[1], PLACEBO[1])
    assert result.test_statistic == pytest.approx(16.7929, abs=5e-5)
    assert [KaplanMeierFitter().fit(*arm).median_survival_time_ for arm in (SIX_MP, PLACEBO)] == [23, 8]
    # Negative control: censored patients counted as relapses give another curve.
    assert KaplanMeierFitter().fit(SIX_MP[0], [1] * 21).predict(23) != pytest.approx(0.448179, abs=1e-2)


@pytest.mark.parametrize("stage", [1, 2, 3, 4])
def test_pbc_by_stage(stage):
    """Mayo PBC: survival (transplant censored) and cumulative incidences by stage (1e-8)."""
    data = pd.read_csv(DATA / "pbc_times.csv").query("stage == @stage")
    expected, fitted = CHECKS["pbc"][f"stage{stage}"], KaplanMeierFitter().fit(data.time_days, data.status == 2)
    assert (len(data), int((data.status == 2).sum()), int((data.status == 1).sum())) == (
        expected["n"],
        expected["deaths"],
        expected["transplants"],
    )
    for year in ("1", "2", "3", "5", "8", "10"):
        at = 365.25 * int(year)
        assert fitted.predict(at) == pytest.approx(expected["KM_years"][year], abs=1e-8)
        for cause, key in ((2, "CIF_death"), (1, "CIF_transplant")):
            found = cumulative_incidence(data.time_days, data.status, cause, at)
            assert found == pytest.approx(expected[key][year], abs=1e-8)
    curve = pd.read_csv(DATA / "pbc_stage_km.csv").query("stage == @stage")
    assert fitted.predict(curve.time_days).to_numpy() == pytest.approx(curve.S.to_numpy(), abs=5e-9)


def test_pbc_stage_four_headline():
    """Stage 4: 0.469 at five years, median 1616 days; ignoring transplant overstates death at ten years."""
    data = pd.read_csv(DATA / "pbc_times.csv").query("stage == 4")
    fitted = KaplanMeierFitter().fit(data.time_days, data.status == 2)
    assert fitted.predict(5 * 365.25) == pytest.approx(0.4694, abs=5e-5)
    assert fitted.median_survival_time_ == 1616
    death = cumulative_incidence(data.time_days, data.status, 2, 3652.5)
    assert death == pytest.approx(0.7445, abs=5e-5)
    assert 1 - fitted.predict(3652.5) == pytest.approx(0.7975, abs=5e-5)
    assert death < 1 - fitted.predict(3652.5) - 0.05


def test_pbc_arms():
    """D-penicillamine against placebo: log-rank 0.1017, p 0.750 (5e-5, 5e-4)."""
    data = pd.read_csv(DATA / "pbc_times.csv").dropna(subset="arm")
    one, two = data[data.arm == 1], data[data.arm == 2]
    result = logrank_test(one.time_days, two.time_days, one.status == 2, two.status == 2)
    assert result.test_statistic == pytest.approx(0.1017, abs=5e-5)
    assert result.p_value == pytest.approx(0.750, abs=5e-4)


@pytest.mark.parametrize(
    ("file", "column", "key", "at", "labels"),
    [
        ("mgus2_times.csv", "time_months", "mgus2_competing", "months", ("pcm", "death")),
        ("aidssi_times.csv", "time_years", "aidssi_competing", "years", ("aids", "si")),
    ],
)
def test_competing_risks(file, column, key, at, labels):
    """Cumulative incidences lie below one minus Kaplan-Meier, and with the event-free share sum to 1 (1e-8)."""
    data, expected = pd.read_csv(DATA / file), CHECKS[key]
    free = KaplanMeierFitter().fit(data[column], data.status > 0)
    for k, time in enumerate(expected[at]):
        found = [cumulative_incidence(data[column], data.status, cause, time) for cause in (1, 2)]
        assert found == pytest.approx([expected[f"CIF_{label}"][k] for label in labels], abs=1e-8)
        assert sum(found) + free.predict(time) == pytest.approx(1.0, abs=1e-12)
        naive = 1 - KaplanMeierFitter().fit(data[column], data.status == 1).predict(time)
        assert naive == pytest.approx(expected[f"one_minus_KM_{labels[0]}"][k], abs=1e-8)
        assert naive > found[0] + 0.01


def test_library_aalen_johansen():
    """The library's own estimator, which jitters ties, stays within 0.002 of the exact one."""
    data = pd.read_csv(DATA / "mgus2_times.csv")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = AalenJohansenFitter(calculate_variance=False, seed=1)
        fitted.fit(data.time_months, data.status, event_of_interest=1)
    assert float(fitted.predict(120)) == pytest.approx(0.0637, abs=2e-3)
    assert float(fitted.predict(120)) != pytest.approx(0.0952, abs=2e-3)


@pytest.mark.parametrize("arm", ["Placebo", "Prednisone"])
def test_prothrombin_in_cirrhosis(arm):
    """Normal <-> abnormal prothrombin -> dead: rates, one- and five-year matrices, and mean years (1e-8)."""
    case = CHECKS["prothr_cirrhosis"][arm]
    rates = {move: case["events"][move] / case["person_days"][move[0]] * 365.25 for move in case["events"]}
    assert rates == pytest.approx(case["rates_per_year"], abs=1e-9)
    generator = np.array([[0, rates["12"], rates["13"]], [rates["21"], 0, rates["23"]], [0, 0, 0]])
    generator -= np.diag(generator.sum(axis=1))
    year = expm(generator)
    assert year == pytest.approx(np.array(case["P_1y"]), abs=1e-8)
    assert expm(5 * generator) == pytest.approx(np.array(case["P_5y"]), abs=1e-8)
    assert np.linalg.inv(-generator[:2, :2]) == pytest.approx(np.array(case["mean_years"]), abs=1e-7)
    found = check_embeddable(year)
    assert found.embeddable
    assert found.generator == pytest.approx(generator, abs=1e-9)
    assert matrix_root(expm(5 * generator), 5) == pytest.approx(year, abs=1e-9)
    # Negative control: two-state conversion of one cell misses the matrix.
    assert 1 - np.exp(-rates["12"]) != pytest.approx(year[0, 1], abs=1e-2)
