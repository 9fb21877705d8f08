"""A mean over all bleed admissions: what is solved from it comes back to it, in every case and every draw."""

from pathlib import Path

import numpy as np
import pytest

from econmodel.economics.bleed_prices import bleed_mean, fatal_share, split_bleeds, untreated_fatal_share
from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.errors import EconModelError
from econmodel.model.inputs import base_values
from econmodel.package import params_folder
from econmodel.parameters.loading import load_case
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.sampling import sample
from econmodel.programme.report import evaluate_programme

HOSPITALS = params_folder() / "hospitals"
OUTCOMES = ("bleed_survived", "bleed_fatal", "rescue_admission")
CASES: dict[str, ParameterSet] = {
    "US": load_case().parameters,
    "GB": load_case(sets=["price_list=GB"]).parameters,
    "demo": load_case(HOSPITALS / "demo.toml").parameters,
    "demo_uk": load_case(HOSPITALS / "demo_uk.toml").parameters,
    "GB, mean of all": load_case(sets=["price_list=GB", "c_bleed_mean=8600", "payment_bleed_mean=5000"]).parameters,
}


def mean_charged(e: Evaluation, money: np.ndarray) -> np.ndarray:
    """Admissions without prophylaxis times their price, over the admissions: (draw,)."""
    s, at = e.index("watch"), {name: i for i, name in enumerate(e.prices.activities)}
    counts = np.array([e.count(name)[:, s, 0] for name in OUTCOMES])
    prices = np.array([money[:, at[name]] for name in OUTCOMES])
    return np.asarray((counts * prices).sum(axis=0) / counts.sum(axis=0))


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("draws", [0, 8])
def test_the_mean_comes_back(name: str, draws: int) -> None:
    """Base values and draws, cost and payment: a mean with rescue as it is, one without as (1 - r) M + r x rescue."""
    case = CASES[name]
    v = sample(case, draws, seed=5) if draws else base_values(case)
    e = evaluate(case, v if draws else None, yearly=False, by_group=False)
    for stem, money in (("c_", e.prices.full_cost), ("payment_", e.prices.payment)):
        r, given = v["p_rescue"], f"{stem}bleed_mean"
        if f"{given}_no_rescue" in v:
            expected = (1 - r) * v[f"{given}_no_rescue"] + r * v[f"{stem}rescue_admission"]
        else:
            expected = v[given] if given in v else bleed_mean(v, e.died, stem)
        np.testing.assert_allclose(mean_charged(e, money), expected, rtol=1e-9)
    assert np.ptp(e.died) > 0 or not draws


def test_by_hand() -> None:
    """The published split: 18,850 a bleed at 6.32% fatal; 7,769 pounds without rescue; by outcome as given."""
    v = {
        name: np.array([x]) for name, x in {"p_rescue": 0.08, "ratio_bleed_fatal": 1.4, "ratio_bleed_rescue": 61_000 / 14_810}.items()
    }
    v |= {"ratio_payment_fatal": np.array([1.2]), "ratio_payment_rescue": np.array([3.6]), "payment_bleed_mean": np.array([14_300.0])}
    died = np.array([0.0632])
    found = split_bleeds(v | {"c_bleed_mean": np.array([18_850.0])}, died)
    assert [round(float(found[f"c_{o}"][0]), -1) for o in OUTCOMES] == [14_810, 20_730, 61_000]
    assert 0.92 * (found["payment_bleed_survived"] * (1 + 0.2 * 0.0632)) + 0.08 * found["payment_rescue_admission"] == pytest.approx(
        14_300
    )
    apart = {"c_bleed_mean_no_rescue": np.array([7_769.0]), "c_rescue_admission": np.array([18_571.0])}
    found = split_bleeds(v | apart, died)
    assert [round(float(found[f"c_{o}"][0])) for o in OUTCOMES] == [7_577, 10_608, 18_571]
    assert bleed_mean(v | apart, died) == pytest.approx(8_633, abs=1)
    own = {"c_bleed_survived": np.array([20_000.0]), "c_bleed_fatal": np.array([30_000.0])}
    assert split_bleeds(v | own, died)["c_bleed_fatal"] == 30_000.0


def test_the_share_is_of_a_lifetime_without_prophylaxis(base, vary) -> None:
    """Whatever the horizon, and whether or not no prophylaxis is in the case; negative control: five years give another."""
    whole = evaluate(base, yearly=False, by_group=False)
    assert whole.died == pytest.approx(untreated_fatal_share(base, base_values(base)), rel=1e-12)
    short = evaluate(vary(horizon_years=5), yearly=False, by_group=False)
    np.testing.assert_allclose(short.prices.full_cost, whole.prices.full_cost, rtol=1e-12)
    assert fatal_share(short.activity) != pytest.approx(whole.died, rel=1e-4)


def test_other_arms_are_charged_nearly_the_same() -> None:
    """Their mix of outcomes differs a little: the mean by less than 0.5%."""
    e = evaluate(CASES["US"], yearly=False, by_group=False)
    at = [e.prices.activities.index(name) for name in OUTCOMES]
    counts = np.array([e.count(name)[0, :, 0] for name in OUTCOMES])
    means = (counts * e.prices.full_cost[0, at][:, None]).sum(axis=0) / counts.sum(axis=0)
    assert np.abs(means / 18_850 - 1).max() < 0.005


def test_the_budget_charges_the_same_prices() -> None:
    """A site's dearer mean moves the budget; its months and the lifetime run split it alike."""
    case = CASES["demo"]
    e = evaluate(case, yearly=False, by_group=False)
    assert untreated_fatal_share(case, base_values(case)) == pytest.approx(e.died, rel=1e-12)
    dearer = load_case(HOSPITALS / "demo.toml", sets=["c_bleed_mean=30000"]).parameters
    assert evaluate_programme(dearer, turning=False).budget.npv_cash[0] > evaluate_programme(case, turning=False).budget.npv_cash[0]


def test_prices_by_outcome_are_accepted_and_the_mean_follows() -> None:
    """A survived cost takes the place of the mean, with its spread; the others follow by the ratios; a later mean takes it back."""
    case = load_case(sets=["c_bleed_survived=20000"]).parameters
    assert "c_bleed_mean" not in case.parameters
    assert case["c_bleed_survived"].distribution.sd == pytest.approx(3800 * 20_000 / 18_850)
    e = evaluate(case, yearly=False, by_group=False)
    assert mean_charged(e, e.prices.full_cost) == pytest.approx(bleed_mean(base_values(case), e.died), rel=1e-9)
    back = load_case(sets=["c_bleed_survived=20000", "c_bleed_fatal=31000", "c_bleed_mean=18850"]).parameters
    assert {"c_bleed_survived", "c_bleed_fatal"}.isdisjoint(back.parameters)
    assert evaluate(back).prices.full_cost == pytest.approx(evaluate(CASES["US"]).prices.full_cost)


BROKEN = {
    "mean and fatal": ("c_bleed_mean = 20000", "c_bleed_fatal = 30000", ("c_bleed_fatal and c_bleed_mean", "ratio_bleed_*")),
    "two means": ("c_bleed_mean = 20000", "c_bleed_mean_no_rescue = 18000", ("c_bleed_mean_no_rescue and c_bleed_mean",)),
    "mean and survived, paid": (
        "payment_bleed_mean = 20000",
        "payment_bleed_survived = 9000",
        ("payment_bleed_survived and payment_bleed_mean", "ratio_payment_*"),
    ),
    "fatal alone": ("c_bleed_fatal = 30000", "", ("c_bleed_survived is missing", "or a mean")),
    "no rescue": ("c_bleed_mean_no_rescue = 18000", "", ("c_rescue_admission is missing", "leaves it out")),
    "unknown": ("c_bleed_meen = 20000", "", ("no input named 'c_bleed_meen'", "c_bleed_mean")),
}


@pytest.mark.parametrize("fault", BROKEN)
def test_broken_hospital_files(fault: str, tmp_path: Path) -> None:
    """One mean or prices by outcome, never both nor neither: name, rule and fix."""
    *typed, words = BROKEN[fault]
    blocks = [f'[override.{name}]\nvalue = {value}\nreason = "own"\n' for name, value in (t.split(" = ") for t in typed if t)]
    path = tmp_path / "site.toml"
    path.write_text('title = "Site"\nrationale = "r"\n' + "".join(blocks), encoding="utf-8")
    with pytest.raises(EconModelError) as refused:
        load_case(path)
    for word in (*words, "fix:"):
        assert word in str(refused.value)


def test_early_rebleeds_within_the_stay(base, vary) -> None:
    """None within the stay: every bleed an admission with its days; all of them: none is, in cost, payment and days."""
    none, some, every = (evaluate(vary(share_rebleed_same_stay=x), by_group=False) for x in (0.0, 0.4, 1.0))
    admitted = [sum(e.count(name)[0, 0, 0] for name in OUTCOMES) for e in (none, some, every)]
    assert admitted[0] == pytest.approx(none.bleeds()[0, 0, 0])
    assert admitted[0] - admitted[1] == pytest.approx(0.4 * (admitted[0] - admitted[2]))
    assert some.count("ward_days")[0, 0, 0] / none.count("ward_days")[0, 0, 0] == pytest.approx(admitted[1] / admitted[0])
    assert evaluate(base).count("rebleeds")[0, 0, 0] == pytest.approx(every.count("rebleeds")[0, 0, 0])


def test_inpatient_payments_follow_groups_and_level() -> None:
    """Diagnosis first x complication x base rate x level; draws follow the shares; the table of downsides has both levels."""
    case = CASES["US"]
    twice = load_case(sets=["ratio_hospital_payment=2.5"]).parameters
    for name in ("payment_bleed_survived", "payment_bleed_fatal", "payment_rescue_admission", "payment_sepsis"):
        assert twice.number(name) == pytest.approx(2 * case.number(name), rel=1e-12)
    cirrhosis = load_case(sets=["share_varix_first=0", "share_major_survived=1"]).parameters
    assert cirrhosis.number("payment_bleed_survived") / case.number("payment_bleed_survived") == pytest.approx(
        1.9682 / 1.357287, rel=1e-4
    )
    drawn = sample(case, 2000, seed=1)
    assert np.corrcoef(drawn["share_major_survived"], drawn["payment_bleed_survived"])[0, 1] > 0.2
    assert drawn["payment_bleed_survived"].std() == pytest.approx(2000, rel=0.1)
    rows = {row.key: row.npv_cash for row in evaluate_programme(case, turning=False).downside}
    assert rows["payment_national"] > rows["payment_teaching"]
    assert "payment_national" not in {row.key for row in evaluate_programme(CASES["demo"], turning=False).downside}


def test_oil_goes_with_glue() -> None:
    """A session with glue takes oil, one with coils alone or plugs takes none; a tax on devices holds for it."""
    e = evaluate(CASES["US"], by_group=False)
    for key, row in CASES["US"].strategies.items():
        expected = e.count("sessions")[0, e.index(key), 0] if row.glue_ml else 0.0
        assert e.count("oil_session")[0, e.index(key), 0] == expected
