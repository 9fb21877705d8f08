"""What a reviewer would try: extreme and symmetric inputs whose results are known beforehand.

The list follows the checks of Büyükkaramikli NC, Rutten-van Mölken MPMH, Severens JL, Al M, TECH-VER: a verification
checklist to reduce errors in models and improve their credibility, PharmacoEconomics 2019 (PMC6860463; read in part),
and common practice. Each expected result follows from the definition of the model; none is a published number.
"""

from dataclasses import replace

import numpy as np
import pytest

from econmodel.economics.comparison import icer
from econmodel.economics.evaluate import evaluate
from econmodel.economics.results import compared, strategy_result
from econmodel.evidence.nnt import nnt_kind
from econmodel.model.disease import initial_state, run_disease
from econmodel.model.hazards import Hazards
from econmodel.model.inputs import resolve

KINDS = ("glue", "eus_glue", "coil", "coil_and_glue", "transvenous")
BLEEDS = ("first_bleeds", "gastric_first_bleeds", "rebleeds", "deaths_bleed", "deaths_other", "transplants")
NO_EFFECT = dict.fromkeys(
    (
        "hr_beta_blocker",
        "hr_glue",
        "hr_eus_glue_vs_glue",
        "hr_coil_vs_glue",
        "hr_coil_and_glue_vs_glue",
        "hr_transvenous",
        "hr_other_bleed_beta_blocker",
        "hr_other_bleed_transvenous",
    ),
    1.0,
)
NO_PROCEDURE_DEATH = {f"p_death_course_{k}": 0.0 for k in KINDS}
NO_RETREATMENT = {f"p_retreat_year_1_{k}": 0.0 for k in KINDS}
NO_EXCESS = {f"r_{what}_{c}": 0.0 for what in ("excess_death_child", "transplant_child") for c in "abc"}
NO_BLEEDS = {"p_first_bleed_year_1": 0.0, "r_other_bleed": 0.0}


@pytest.fixture(scope="session")
def vary(vary):
    """Change the case by intention to treat, for which these checks were set; the process has its own."""
    return lambda **changes: vary(**({"effect_basis": "intention_to_treat"} | changes))


@pytest.fixture(scope="session")
def five_years(vary):
    """Evaluate that case over five years: a fixture of its own, as the shared one belongs to every other file."""
    return evaluate(vary(horizon_years=5))


@pytest.fixture(scope="module")
def traced(base):
    """A lifetime with everyone's whereabouts at each month of ten years."""
    inputs = resolve(base)
    return inputs, run_disease(inputs, tuple(range(10)), monthly=True, keep_trace=True).trace


def test_01_02_nobody_is_lost_or_negative(traced):
    """Every cohort sums to 1 in every month, and no state holds less than nobody."""
    _, trace = traced
    np.testing.assert_allclose(trace.sum(axis=1), 1.0, atol=1e-12)
    assert trace.min() >= 0


def test_03_the_dead_stay_dead(traced):
    """The share dead never falls."""
    inputs, trace = traced
    assert np.all(np.diff(trace[:, inputs.structure.index["dead"]], axis=0) >= 0)


def test_04_events_rise_with_their_ratio(vary):
    """A worse hazard ratio of glue gives more first bleeds under glue and what builds on it, and elsewhere the same."""
    found = [evaluate(vary(horizon_years=5, hr_glue=hr)).count("first_bleeds")[0, :, 0] for hr in (0.2, 0.5, 1.0, 1.6)]
    rises = np.diff(np.stack(found), axis=0)
    assert np.all(rises[:, 2:6] > 0)
    assert np.abs(rises[:, [0, 1, 6]]).max() < 1e-12


def test_06_without_death_the_risk_is_one_minus_survival(vary, one_group):
    """With a constant rate and nothing else, the risk of a bleed at t years is 1 - exp(-rt)."""
    inputs = resolve(vary(horizon_years=5, case_mix=one_group, hazard_decline="constant", r_other_bleed=0.0, **NO_EXCESS))
    inputs = replace(inputs, background_death=0 * inputs.background_death)
    bleeds = run_disease(inputs, tuple(range(5))).moves[0][:, inputs.structure.kinds("gastric_bleed")].sum(axis=1)[:, 0]
    rate = float(inputs.r_first_bleed[0])
    assert bleeds.cumsum() == pytest.approx(1 - np.exp(-rate * np.arange(1, 6)), rel=1e-12)


def test_07_no_effect_no_difference(vary):
    """Every ratio 1, no procedure death, no re-treatment: bleeds, deaths and life-years are equal in every strategy."""
    found = evaluate(vary(**NO_EFFECT, **NO_PROCEDURE_DEATH, **NO_RETREATMENT))
    for name in BLEEDS:
        counts = found.count(name)[0]
        np.testing.assert_allclose(counts, np.broadcast_to(counts[:1], counts.shape), rtol=1e-11, err_msg=name)
    years = found.life_years()[0]
    np.testing.assert_allclose(years, np.broadcast_to(years[:1], years.shape), rtol=1e-12)
    for years in (1, 2, 3, 5):
        assert nnt_kind(float(np.ptp(found.count("first_bleeds", years)[0, :, 0]))) == "none"


def test_07_retreatment_alone_makes_next_to_no_difference(vary):
    """Re-treatment competes with bleeding within a month, so that without any effect it still defers a few bleeds.

    A patient re-treated in a month has no other event in it: the share of the month is lost to bleeding. Over a
    lifetime this is below 0.2% of the count, always in one direction, and in proportion to the rate of re-treatment.
    """
    found = evaluate(vary(**NO_EFFECT, **NO_PROCEDURE_DEATH))
    halved = evaluate(vary(**NO_EFFECT, **NO_PROCEDURE_DEATH, **{f"p_retreat_year_1_{k}": 0.1 for k in KINDS}))
    for name in BLEEDS:
        counts = found.count(name)[0]
        np.testing.assert_allclose(counts, np.broadcast_to(counts[:1], counts.shape), rtol=2e-3, err_msg=name)
    missing = [(1 - e.count("first_bleeds")[0, 2, 0] / e.count("first_bleeds")[0, 0, 0]) for e in (found, halved)]
    assert missing[0] > missing[1] > 0
    assert missing[0] / missing[1] == pytest.approx(np.log(0.65) / np.log(0.9), rel=0.05)


def test_07_control_an_effect_or_a_procedure_death_makes_one(vary):
    """Negative control: with one ratio below 1, or procedure deaths, outcomes differ."""
    for changes in (NO_EFFECT | NO_PROCEDURE_DEATH | {"hr_glue": 0.99}, NO_EFFECT):
        found = evaluate(vary(horizon_years=5, **changes))
        assert np.ptp(found.life_years()[0, :, 0]) > 1e-6


def test_07_a_copy_of_a_strategy_differs_in_nothing(vary):
    """A strategy compared with its copy has increments of exactly 0, no ICER and no NNT."""
    case = vary(horizon_years=5)
    twin = evaluate(replace(case, strategies=case.strategies | {"twin": replace(case.strategies["coil"], key="twin")}))
    found = compared(twin, "twin", "coil", 0).to_json()
    assert [found[k] for k in ("incremental_cost", "incremental_qalys", "bleeds_averted_per_100")] == [0, 0, 0]
    assert (found["icer"], found["icer_status"]) == (None, "equal")
    assert {entry["kind"] for entry in found["nnt"].values()} == {"none"}


def test_08_swapped_arms_change_sign(five_years):
    """Compared the other way round, every increment changes its sign and NNT its direction."""
    one, other = (compared(five_years, *pair, 0).to_json() for pair in (("glue", "watch"), ("watch", "glue")))
    for key in ("incremental_cost", "incremental_qalys", "incremental_life_years", "bleeds_averted_per_100"):
        assert one[key] == -other[key]
    assert (one["nnt"]["3"]["kind"], other["nnt"]["3"]["kind"]) == ("NNTB", "NNTH")
    assert one["nnt"]["3"]["value"] == other["nnt"]["3"]["value"]
    assert one["icer"] == pytest.approx(other["icer"])


def test_11_no_discount_is_the_undiscounted_sum(vary):
    """At rates of 0 the discounted and undiscounted results are the same."""
    found = strategy_result(evaluate(vary(horizon_years=5, discount_costs=0.0, discount_outcomes=0.0)), "glue", 0).to_json()
    assert found["cost"]["total"] == pytest.approx(found["undiscounted"]["cost"], rel=1e-14)
    assert found["qalys"] == pytest.approx(found["undiscounted"]["qalys"], rel=1e-14)


def test_12_certain_death_and_no_death(vary):
    """Everyone dead within the first month lives half of it; nobody ever dying lives the whole horizon."""
    deadly = evaluate(vary(horizon_years=5, r_excess_death_child_a=1e4, r_excess_death_child_b=1e4, r_excess_death_child_c=1e4))
    assert deadly.life_years(discounted=False)[0, 0, 0] == pytest.approx(0.5 / 12, rel=1e-3)
    inputs = resolve(vary(horizon_years=5, **NO_BLEEDS, **NO_EXCESS, **NO_PROCEDURE_DEATH))
    inputs = replace(inputs, background_death=0 * inputs.background_death)
    years = run_disease(inputs, tuple(range(5))).years[0].sum(axis=0)
    np.testing.assert_allclose(years[:-1].sum(axis=0), 5.0, rtol=1e-12)


def test_13_no_bleeding_no_number_needed_to_treat(vary):
    """Without any bleeding there are no bleeds, no bleed costs and no NNT, printed as neither 0 nor infinity."""
    found = evaluate(vary(horizon_years=5, **NO_BLEEDS))
    assert found.bleeds().max() == 0
    assert np.all(found.cost(category="bleeds") == 0)
    document = compared(found, "glue", "watch", 0).to_json()
    assert {tuple(entry.values()) for entry in document["nnt"].values()} == {(None, "none")}
    assert document["break_even_nnt"] is None
    assert document["net_cost_per_first_bleed_averted"] is None
    assert document["incremental_cost"] > 0


def test_14_benefit_null_and_harm(vary):
    """A tiny ratio benefits, 1 does nothing for gastric bleeds, and above 1 harms."""
    kinds = []
    for hr in (1e-6, 1.0, 1.5):
        case = vary(horizon_years=3, **(NO_EFFECT | NO_PROCEDURE_DEATH | NO_RETREATMENT | {"hr_glue": hr}))
        kinds.append(compared(evaluate(case), "glue", "watch", 0).to_json()["nnt"]["3"]["kind"])
    assert kinds == ["NNTB", "none", "NNTH"]


def test_14_a_perfect_treatment_leaves_other_bleeds(vary):
    """With a ratio near 0 no gastric bleed is left, while bleeds from another source go on."""
    found = evaluate(vary(horizon_years=5, hr_transvenous=1e-12))
    assert found.count("gastric_first_bleeds")[0, 6, 0] == pytest.approx(0.0, abs=1e-10)
    assert found.count("first_bleeds")[0, 6, 0] > 0.05


def test_15_one_year_is_a_tree(vary, one_group):
    """Over one year the untreated risk is the branch of a tree: rate over total rate, times who has any event."""
    found = evaluate(vary(horizon_years=1, case_mix=one_group))
    i = found.inputs
    gastric, other = float(i.r_first_bleed[0]), 0.03
    total = gastric + other + 0.025 + float(i.background_death[0, 0])
    branch = (gastric + other) / total * (1 - np.exp(-total))
    assert found.count("first_bleeds")[0, 0, 0] == pytest.approx(branch, rel=1e-12)
    assert found.count("gastric_first_bleeds")[0, 0, 0] == pytest.approx(branch * gastric / (gastric + other), rel=1e-12)


def test_16_a_long_horizon_is_the_fundamental_matrix(vary):
    """With rates that never change, time spent in each state tends to the row of (I - Q)^-1 the patient starts in."""
    high = {f"r_excess_death_child_{c}": 0.9 for c in "abc"}
    never = {"n_effect_full_years_endoscopic": 200.0, "n_effect_none_years_endoscopic": 200.0, "share_retreat_later": 1.0}
    inputs = resolve(vary(hazard_decline="constant", r_excess_death_transplanted=0.9, **high, **never))
    inputs = replace(inputs, background_death=np.full_like(inputs.background_death, 0.1))
    found = run_disease(inputs, (0,) * inputs.n_years).starts[0, 0]
    moves, p = inputs.structure.engine_moves(), Hazards(inputs).year(0)
    for lane in (0, 12, 17, 29, 41):
        matrix = np.zeros((moves.n_states, moves.n_states))
        for m, pair in enumerate(zip(moves.sources, moves.targets, strict=True)):
            matrix[pair] += p[m, lane]
        matrix += np.diag(1 - matrix.sum(axis=1))
        start = initial_state(inputs)[:-1, lane]
        expected = start @ np.linalg.inv(np.eye(len(start)) - matrix[:-1, :-1])
        np.testing.assert_allclose(found[:-1, lane], expected, rtol=1e-9, atol=1e-12)


def test_17_splitting_a_group_changes_nothing(base, vary):
    """A group split into two of the same kind, in any proportion, gives the same results for all patients."""
    rows = list(base.rows("case_mix"))
    split = [rows[0] | {"name": "a", "share": 0.4}, rows[0] | {"name": "b", "share": 0.12}, *rows[1:]]
    whole, parts = evaluate(vary(horizon_years=5)), evaluate(vary(horizon_years=5, case_mix=split))
    np.testing.assert_allclose(parts.cost()[..., 0], whole.cost()[..., 0], rtol=1e-12)
    np.testing.assert_allclose(parts.qalys()[..., 0], whole.qalys()[..., 0], rtol=1e-12)
    np.testing.assert_allclose(parts.cost()[..., 1], parts.cost()[..., 2], rtol=1e-12)


def test_17_splitting_states_changes_nothing(vary):
    """Parts of a state that behave alike, as the structural scenarios add, are as good as one state."""
    plain = evaluate(vary(horizon_years=5, hr_death_after_bleed=1.0))
    months = evaluate(vary(horizon_years=5, hr_death_after_bleed=1.0, years_excess_after_bleed="one_year"))
    np.testing.assert_allclose(months.cost(), plain.cost(), rtol=1e-11)
    years = evaluate(vary(horizon_years=5, hr_death_after_bleed=1.0, effect_clock="last_course"))
    np.testing.assert_allclose(years.qalys(), plain.qalys(), rtol=1e-11)


def test_21_net_benefit_crosses_at_the_icer(five_years):
    """At 0 net benefit is minus the cost; just below the ICER one option is better, just above it the other."""
    cost, qalys = five_years.cost()[0, :, 0], five_years.qalys()[0, :, 0]
    value, status = icer(cost[5] - cost[0], qalys[5] - qalys[0])
    assert status == "more_costly_more_effective"
    for factor, better in ((0.999, 0), (1.001, 5)):
        benefit = five_years.net_benefit(value * factor)[0, :, 0]
        assert benefit[better] > benefit[5 - better]
    assert np.array_equal(five_years.net_benefit(0.0), -five_years.cost())


def test_24_bleeds_averted_times_their_cost_is_the_saving(vary):
    """At one cost a bleed, fatal, survived or rescued, undiscounted: bleeds averted x cost = bleed costs saved."""
    same = {"c_bleed_mean": 20_000.0, "ratio_bleed_fatal": 1.0, "ratio_bleed_rescue": 1.0}
    found = evaluate(vary(horizon_years=5, share_rebleed_same_stay=0.0, **same))
    saved = -np.diff(found.cost(category="bleeds", discounted=False)[0, [0, 5], 0])
    averted = -np.diff(found.bleeds()[0, [0, 5], 0])
    assert saved == pytest.approx(20_000 * averted)
    assert averted > 0


@pytest.mark.parametrize("session", [300.0, 1500.0, 6000.0])
def test_25_saving_means_below_break_even(vary, session):
    """Cost of prophylaxis less ARR times cost of an event is the net cost; NNT below break-even means saving."""
    found = evaluate(vary(horizon_years=5, c_session_direct=session, c_surveillance_egd=0.0))
    document = compared(found, "glue", "watch", 0).to_json()
    cp, arr, net = (document["incremental_prophylaxis_cost"], document["arr"]["5"], document["incremental_cost"])
    event = document["break_even_nnt"] * cp
    assert cp - arr * event == pytest.approx(net)
    assert document["nnt"]["5"]["value"] * cp - event == pytest.approx(document["net_cost_per_first_bleed_averted"])
    assert (document["nnt"]["5"]["value"] < document["break_even_nnt"]) == (net < 0) == document["saves"]


def test_25_both_sides_are_met(vary):
    """Negative control: among those session prices one saves and one does not."""
    saves = [
        compared(evaluate(vary(horizon_years=5, c_session_direct=s, c_surveillance_egd=0.0)), "glue", "watch", 0).to_json()["saves"]
        for s in (300.0, 6000.0)
    ]
    assert saves == [True, False]


def test_groups_pool_their_risk_reductions_not_their_nnt(base, five_years):
    """The NNT of all patients is 1 over the share-weighted risk reduction, not a mean of group NNTs."""
    shares = [row["share"] for row in base.rows("case_mix")]
    documents = [compared(five_years, "glue", "watch", g).to_json() for g in range(7)]
    arr = [d["arr"]["3"] for d in documents]
    assert arr[0] == pytest.approx(np.dot(shares, arr[1:]))
    assert documents[0]["nnt"]["3"]["value"] == pytest.approx(1 / np.dot(shares, arr[1:]))
    mean = np.dot(shares, [d["nnt"]["3"]["value"] for d in documents[1:]])
    assert documents[0]["nnt"]["3"]["value"] != pytest.approx(mean, rel=0.01)


def test_deaths_by_cause_and_survivors_are_everyone(base):
    """Over a lifetime, deaths by cause and those still alive sum to everyone."""
    inputs = resolve(base)
    found = run_disease(inputs, (0,) * 40, keep_trace=True)
    deaths = found.moves[0, 0, inputs.structure.kinds("bleed_death", "procedure_death", "other_death")].sum(axis=0)
    np.testing.assert_allclose(deaths + found.trace[-1, :-1].sum(axis=0), 1.0, atol=1e-12)


def test_first_bleeds_never_exceed_one(base):
    """A patient can have at most one first bleed."""
    assert evaluate(base).count("first_bleeds").max() < 1


def test_an_older_cohort_lives_less(vary):
    """Life-years fall with age at the start and rise with the share of women."""
    years = [evaluate(vary(start_age=a)).life_years()[0, 0, 0] for a in (50, 60, 70)]
    assert years == sorted(years, reverse=True)
    assert evaluate(vary(share_female=1.0)).life_years()[0, 0, 0] > evaluate(vary(share_female=0.0)).life_years()[0, 0, 0]
