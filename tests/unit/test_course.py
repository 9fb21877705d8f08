"""The course of the varix: closed forms, what must hold whatever the inputs, and who gets the credit for a change."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.errors import ModelError, ParameterError
from econmodel.model.course import Evidence, Trial, calibrate, trial_lane
from econmodel.model.disease import run_disease
from econmodel.model.follow_up import without_competing
from econmodel.model.inputs import ModelInputs, base_values, resolve
from econmodel.parameters import ParameterSet, load_case
from econmodel.parameters.sampling import sample
from econmodel.parameters.schema import Surveillance
from econmodel.uncertainty.deterministic import answer_to, ask
from econmodel.uncertainty.two_way import two_way

LEAD = "coil_and_glue"


@pytest.fixture(scope="module")
def process(base: ParameterSet) -> ModelInputs:
    """Resolved inputs of the base case, the effect a process."""
    return resolve(replace(base, parameters=base.parameters | {"effect_basis": replace(base["effect_basis"], value="process")}))


def with_course(inputs: ModelInputs, **changes: float) -> ModelInputs:
    """Inputs with some figures of the course the same for all strategies, ratios held."""
    assert inputs.course is not None
    arrays = {name: np.full_like(getattr(inputs.course, name), value) for name, value in changes.items()}
    return replace(inputs, course=replace(inputs.course, **arrays))


def with_strategies(inputs: ModelInputs, **changes: float) -> ModelInputs:
    arrays = {name: np.full_like(getattr(inputs.strategies, name), value) for name, value in changes.items()}
    return replace(inputs, strategies=replace(inputs.strategies, **arrays))


def with_plan(inputs: ModelInputs, plan: Surveillance) -> ModelInputs:
    return replace(inputs, strategies=replace(inputs.strategies, surveillance=(plan,) * len(inputs.strategies.keys)))


def first_bleeds(inputs: ModelInputs, *kinds: str, years: int = 20) -> np.ndarray:
    """Cumulative bleeds of all patients: (year, strategy)."""
    moved = run_disease(inputs, tuple(range(years))).moves[0][:, inputs.structure.kinds(*kinds or ("gastric_bleed",))].sum(axis=1)
    return (moved.reshape(years, len(inputs.strategies.keys), -1) * inputs.shares[0]).sum(axis=2).cumsum(axis=0)


def test_patent_share_between_visits(process):
    """No events, everything found, accepted and closed in one session: before a visit 1 - exp(-r T) of the closed are open."""
    rate, years = 0.13, 3
    quiet = without_competing(replace(process, r_first_bleed=np.zeros(1)))
    quiet = replace(quiet, excess_death_transplanted=np.zeros(1))
    sure = with_strategies(with_course(quiet, r_recurrence=rate, p_detect=1.0, p_retreat_accepted=1.0), r_lost=0.0)
    sure = with_strategies(with_plan(sure, Surveillance((12,), 12 * years)), sessions_mean=1.0, p_obliteration=1.0)
    trace = run_disease(sure, tuple(range(8)), monthly=True, keep_trace=True).trace
    lane = sure.strategies.keys.index(LEAD) * sure.relative.shape[1]
    patent = trace[:, sure.structure.index["patent"], lane]
    assert patent[12] == pytest.approx(1 - np.exp(-rate), rel=1e-12)
    assert patent[13] == pytest.approx(1 - np.exp(-rate / 12), rel=1e-12)
    assert patent[12 + 12 * years] == pytest.approx(1 - np.exp(-rate * years), rel=1e-12)


@pytest.mark.parametrize("years_excess", ["lifelong", "five_years", "one_year"])
def test_a_treatment_without_effect_is_none(vary, years_excess):
    """Ratios of 1 and no procedure death: first bleeds of every strategy equal those of none, whatever else happens."""
    ratios = ("hr_glue", "hr_beta_blocker", "hr_transvenous", "hr_eus_glue_vs_glue", "hr_coil_vs_glue", "hr_coil_and_glue_vs_glue")
    others = ("hr_other_bleed_beta_blocker", "hr_other_bleed_transvenous")
    case = vary(effect_basis="process", years_excess_after_bleed=years_excess, **dict.fromkeys((*ratios, *others), 1.0))
    inputs = with_strategies(resolve(case), p_death_course=0.0)
    for kinds in (("gastric_bleed",), ("other_bleed",)):
        found = first_bleeds(inputs, *kinds)
        np.testing.assert_allclose(found, np.repeat(found[:, :1], found.shape[1], axis=1), atol=1e-9)


def test_more_surveillance_never_more_bleeds(process):
    """Ratios held: a schedule that holds another, surer detection and acceptance never raise gastric first bleeds."""
    seldom, often = Surveillance((3, 12), 24), Surveillance((3, 6, 12), 12)
    steps = [
        with_course(with_plan(process, seldom), p_detect=0.5, p_retreat_accepted=0.5),
        with_course(with_plan(process, often), p_detect=0.5, p_retreat_accepted=0.5),
        with_course(with_plan(process, often), p_detect=0.9, p_retreat_accepted=0.5),
        with_course(with_plan(process, often), p_detect=0.9, p_retreat_accepted=0.9),
    ]
    runs = [first_bleeds(step) for step in steps]
    treated = [i for i, start in enumerate(process.strategies.starts_in) if start == "in_course"]
    for fewer, more in zip(runs[1:], runs, strict=False):
        assert (fewer <= more + 1e-12).all()
        assert (fewer[-1, treated] < more[-1, treated]).all()


def test_more_recurrence_never_fewer_bleeds(process):
    """Ratios held: recurrence only adds bleeds."""
    runs = [first_bleeds(with_course(process, r_recurrence=rate)) for rate in (0.0, 0.1, 0.4)]
    for more, fewer in zip(runs[1:], runs, strict=False):
        assert (more >= fewer - 1e-12).all()


def test_visits_that_find_nothing_change_nothing(process):
    """With no detection, visits and loss to follow-up leave every bleed where it was, and are counted all the same."""
    blind = with_course(process, p_detect=0.0)
    alone = first_bleeds(with_plan(blind, Surveillance()))
    assert blind.course is not None
    lost = replace(blind, strategies=replace(blind.strategies, r_lost=8 * blind.strategies.r_lost))
    for changed in (blind, lost):
        np.testing.assert_allclose(first_bleeds(changed), alone, rtol=1e-12)
    lane = process.strategies.keys.index(LEAD) * process.relative.shape[1]
    assert run_disease(blind, (0,) * 5).visits[0, 0, process.structure.index["protected"], lane] > 2


def test_the_schedule_ends(process):
    """Visits go on up to and including the month in which they end."""
    run = run_disease(with_plan(process, Surveillance((3, 12), 12, "surveillance_eus", until_year=3)), (0, 1, 2, 3, 4), monthly=True)
    assert np.flatnonzero(run.visits[0].sum(axis=(1, 2))).tolist() == [3, 12, 24, 36]


TRIAL = Trial(np.array([26]), (1, 3, 6, 12, 24), np.array([0.7]), np.array([[0.2, 0.18, 0.16]]))


def evidence(**changes: float) -> Evidence:
    """Figures of one course strategy and one drug."""
    known = {"p_obliteration": (0.8, 1.0), "r_recurrence": (0.1, 0.0), "r_stop": (0.0, 0.08), "sessions_mean": (1.3, 1.0)}
    known |= {"p_retreat_accepted": (0.9, 0.0)} | {name: (value, value) for name, value in changes.items()}
    return Evidence(**{name: np.array([pair]) for name, pair in known.items()})


STARTS = ("in_course", "protected")


def solved(hr: float, hr_patent: float = 0.85):
    return calibrate(TRIAL, evidence(), np.array([[hr, hr]]), np.array([hr_patent]), STARTS)


@pytest.mark.parametrize("hr", [0.35, 0.8, 1.0, 1.4])
def test_calibration_meets_the_trial(hr):
    """Risk at the end of the trial is that of the pooled effect; an open varix bleeds as said, or as a closed one if that is more."""
    closed, opened, lowered = solved(hr)
    risk = -np.expm1(-trial_lane(TRIAL, evidence(), STARTS).exposure(closed, opened))
    hazard = 0.2 + 0.18 + 0.16 * 2 / 12
    np.testing.assert_allclose(risk, 1 - np.exp(-hr * hazard), atol=1e-12)
    assert not lowered.any()
    np.testing.assert_allclose(opened, np.maximum(closed, 0.85), rtol=1e-12)


def test_trials_of_several_lengths_are_met_each_at_its_own_end():
    """Draws with trials of other lengths give what each gives alone; the shorter trial asks for another ratio."""
    lengths, hr = (9, 24, 26), np.array([[0.4, 0.8]])

    def over(*months: int):
        n = len(months)
        trial = replace(
            TRIAL, months=np.array(months), p_detect=TRIAL.p_detect.repeat(n), hazard_by_year=TRIAL.hazard_by_year.repeat(n, 0)
        )
        arms = Evidence(**{name: array.repeat(n, 0) for name, array in vars(evidence()).items()})
        return calibrate(trial, arms, hr.repeat(n, 0), np.full(n, 0.85), STARTS)[0]

    together = over(*lengths)
    np.testing.assert_allclose(together, np.concatenate([over(months) for months in lengths]), rtol=1e-12)
    assert len(np.unique(together.round(4))) == 6


def test_without_failures_the_ratio_is_that_of_the_trial():
    """All closed at once and for good, nobody stopping, an open varix no worse: the solved ratio is the pooled one."""
    sure = evidence(p_obliteration=1.0, r_recurrence=0.0, r_stop=0.0, sessions_mean=1.0)
    closed, _, _ = calibrate(TRIAL, sure, np.full((1, 2), 0.4), np.array([0.4]), STARTS)
    np.testing.assert_allclose(closed, 0.4, rtol=1e-12)


def test_an_effect_that_failures_contradict():
    """Where even a closed varix that hardly bleeds does not explain the trial, an open one is taken to bleed less, and said so."""
    closed, opened, lowered = solved(0.05)
    assert lowered[0].tolist() == [True, True]
    assert closed[0].tolist() == [0.02, 0.02]
    assert 0.02 < opened[0, 0] < 0.85
    risk = -np.expm1(-trial_lane(TRIAL, evidence(), STARTS).exposure(closed, opened))
    assert risk[0, 0] == pytest.approx(1 - np.exp(-0.05 * (0.2 + 0.18 + 0.16 * 2 / 12)), abs=1e-12)


def process_case(*sets: str) -> ParameterSet:
    return load_case(None, (), ["effect_basis=process", "horizon_years=5", *sets]).parameters


def bleeds(e: Evaluation, key: str) -> float:
    return float(e.count("first_bleeds")[0, e.index(key), 0])


def test_a_site_gets_the_credit_for_closing_more(vary):
    """A value set by hand acts in the run, its evidence twin in the calibration; a change of the evidence moves both."""
    base, own = (evaluate(process_case(*sets)) for sets in ((), ("p_obliteration_coil_and_glue=0.95",)))
    at = base.index(LEAD)
    assert own.inputs.course.hr_obliterated[0, at] == base.inputs.course.hr_obliterated[0, at]
    assert own.inputs.course.evidence.p_obliteration[0, at] == 0.85
    assert own.inputs.strategies.p_obliteration[0, at] == 0.95
    assert bleeds(own, LEAD) < bleeds(base, LEAD) - 0.005
    evidenced = evaluate(vary(effect_basis="process", horizon_years=5, p_obliteration_coil_and_glue=0.95))
    assert evidenced.inputs.course.hr_obliterated[0, at] > base.inputs.course.hr_obliterated[0, at]
    assert abs(bleeds(evidenced, LEAD) - bleeds(base, LEAD)) < 0.003


def test_draws_of_a_twin_are_those_of_the_evidence():
    """With a value set, the twin has the draws that the input had before, and the calibration the same ratios."""
    before, after = (process_case(*sets) for sets in ((), ("r_recurrence=0.3",)))
    drawn, own = (sample(case, 50, seed=3) for case in (before, after))
    np.testing.assert_array_equal(own["r_recurrence@evidence"], drawn["r_recurrence"])
    assert "r_recurrence@evidence" not in drawn
    assert own["r_recurrence"].mean() > 0.2
    np.testing.assert_array_equal(
        resolve(after, own).course.hr_obliterated[:, :3], resolve(before, drawn).course.hr_obliterated[:, :3]
    )
    assert before.sha256 != after.sha256


def test_twins_only_where_effects_are_calibrated():
    """Under intention to treat nothing is calibrated, so a changed input has no twin."""
    case = load_case(None, (), ["p_obliteration_glue=0.5", "effect_basis=intention_to_treat"]).parameters
    assert case.twins() == {}
    assert not [name for name in base_values(case) if "@" in name]


def test_maps_hold_the_effect_and_one_way_analysis_does_not():
    """A better closure averts bleeds on a map; as a fact of the trials' arms it hardly changes what the trials saw."""
    question = ask(process_case(), LEAD, "watch", "bleeds")
    change = {"p_obliteration_coil_and_glue": 0.93}
    held = replace(question, parameters=question.parameters.evidence_held())
    now, both, alone = answer_to(question, [{}])[0], answer_to(question, [change])[0], answer_to(held, [change])[0]
    assert answer_to(held, [{}])[0] == now
    assert alone - now > 5 * abs(both - now) > 0
    grid = two_way(question, "p_obliteration_coil_and_glue", "r_lost", points=2)
    ends = [{"p_obliteration_coil_and_glue": x, "r_lost": grid.y_values[0]} for x in grid.x_values]
    np.testing.assert_allclose(grid.values[0], answer_to(held, ends), rtol=1e-12)


def test_counts_add_up():
    """Rebleeds are those of both sources and the early ones; courses are the first and the re-treatments; states the life."""
    e = evaluate(process_case())
    parts = sum(e.count(name) for name in ("rebleeds_gastric", "rebleeds_other", "rebleeds_early"))
    np.testing.assert_allclose(e.count("rebleeds"), parts, rtol=1e-12)
    started = np.array([start == "in_course" for start in e.inputs.strategies.starts_in])
    np.testing.assert_allclose(e.count("courses")[0, :, 0], started + e.count("retreatments")[0, :, 0], rtol=1e-12)
    lived = sum(e.count(state) for state in e.activity.state_years)
    np.testing.assert_allclose(lived, e.life_years(discounted=False), rtol=1e-12)
    sessions = e.count("sessions")[0, e.index("transvenous"), 0]
    assert sessions == pytest.approx(e.count("courses")[0, e.index("transvenous"), 0], rel=1e-12)


def test_rebleeding_by_source_after_each_first_bleed(process):
    """Without gastric bleeding nobody rebleeds from it; without other bleeds nobody has only those."""
    dry = replace(process, r_first_bleed=np.zeros(1))
    totals = run_disease(dry, (0,) * 10)
    assert totals.moves[0, 0, dry.structure.kinds("gastric_rebleed")].max() == 0
    assert totals.years[0, 0, dry.structure.index["post_other"]].min() > 0
    gastric = replace(process, r_other_bleed=np.zeros(1))
    assert run_disease(gastric, (0,) * 10).years[0, 0, gastric.structure.index["post_other"]].max() == 0


def test_years_by_period_and_in_one():
    """Patient-years do not depend on how the run is cut into periods, visits at their ends or not."""
    inputs = resolve(process_case())
    apart = run_disease(inputs, (0, 1, 2, 3, 4), (0.0, 0.03)).years.sum(axis=1)
    np.testing.assert_allclose(run_disease(inputs, (0,) * 5, (0.0, 0.03)).years[:, 0], apart, rtol=1e-11, atol=1e-14)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ('surveillance = { months = [0, 6], interval = 12, visit = "surveillance_eus" }', r"months \[0, 6\].*from 1 on"),
        ('surveillance = { months = [6, 3], interval = 12, visit = "surveillance_eus" }', r"months \[6, 3\].*rising order"),
        ('surveillance = { months = [18], interval = 12, visit = "surveillance_eus", until_year = 1 }', "until_year = 1.*month 18"),
    ],
)
def test_schedules_refused(tmp_path, rows, said):
    """A month 0, months out of order, and an end before the first visit, each in one message."""
    path = tmp_path / "site.toml"
    path.write_text(f'title = "Site"\nrationale = "r"\n\n[strategy.coil]\n{rows}\n')
    with pytest.raises(ParameterError, match=said):
        load_case(path)


def test_recurrence_on_a_drug_is_refused(tmp_path):
    """A drug closes no varix that could open again."""
    path = tmp_path / "site.toml"
    path.write_text('title = "Site"\nrationale = "r"\n\n[strategy.beta_blocker]\nr_recurrence = "r_recurrence"\n')
    with pytest.raises(ParameterError, match=r"beta_blocker: r_recurrence .* on a drug"):
        load_case(path)


def test_detection_is_a_probability():
    """Detection outside 0 to 1 is refused where it is typed."""
    with pytest.raises(ParameterError, match=r"p_detect_eus = 1.2 \(probability\): must be between 0 and 1"):
        process_case("p_detect_eus=1.2")


def test_a_row_without_its_course_is_refused(tmp_path):
    """Under the process a strategy says how its varix closes, opens and is followed; nothing is supposed."""
    path = tmp_path / "site.toml"
    path.write_text('title = "Site"\nrationale = "r"\n\n[strategy.coil]\nr_recurrence = ""\nr_lost = ""\n')
    assert load_case(path, (), ["effect_basis=intention_to_treat"])
    with pytest.raises((ParameterError, ModelError), match="strategy coil: effect_basis = 'process' needs r_recurrence, r_lost"):
        load_case(path)


def test_surer_examinations_of_a_site_leave_the_trials_alone(vary):
    """What a site's gastroscopies see acts in its own follow-up; the trials' visits saw what the evidence says."""
    base, own = (evaluate(process_case(*sets)) for sets in ((), ("p_detect_endoscopy=0.9",)))
    evidenced = evaluate(vary(effect_basis="process", horizon_years=5, p_detect_endoscopy=0.9))
    glue = base.index("glue")
    assert own.inputs.course.hr_obliterated[0, glue] == base.inputs.course.hr_obliterated[0, glue]
    assert own.inputs.course.trial.p_detect[0] == 0.7
    assert bleeds(own, "glue") < bleeds(base, "glue") - 1e-4
    assert evidenced.inputs.course.hr_obliterated[0, glue] > base.inputs.course.hr_obliterated[0, glue]
