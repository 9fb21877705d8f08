"""What turns the decision: each value that is listed is run again, and the answer does turn there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.economics.lead import find_subjects
from econmodel.economics.patients import moves_patients
from econmodel.model.inputs import resolve
from econmodel.parameters.loading import demo_file, load_case
from econmodel.parameters.overrides import set_value
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.programme import flips as flips_of
from econmodel.programme.flips import CLOSE, PARTS, Asker, FlipList, beside_draws, find_flips
from econmodel.programme.report import evaluate_programme
from econmodel.uncertainty.deterministic import varied
from econmodel.uncertainty.probabilistic import run_psa
from econmodel.uncertainty.scenarios import scenario_files

THRESHOLD = "willingness_to_pay"


@pytest.fixture(scope="module")
def demo_parameters() -> ParameterSet:
    return load_case(demo_file()).parameters


@pytest.fixture(scope="module")
def found(demo_parameters: ParameterSet) -> FlipList:
    return find_flips(demo_parameters)


def answer(parameters: ParameterSet, decision: str) -> str:
    """Answer to one question, asked apart from the list: by the model, and by the programme's own table."""
    if decision == "cash":
        return "above 0" if evaluate_programme(parameters, turning=False).headline.npv_cash > 0 else "below 0"
    e = evaluate(parameters)
    if decision == "best":
        return str(parameters.strategies[e.keys[int(e.net_benefit(parameters.number(THRESHOLD))[0, :, 0].argmax())]].label)
    kind, _, about = decision.partition("_")
    if kind == "benefit":
        return "worth its price" if e.compare_means("coil_and_glue", about).net_monetary_benefit > 0 else "not worth its price"
    versus, _, span = about.rpartition("_")
    years = e.headline if span == "headline" else None
    return "saves" if e.compare_means("coil_and_glue", versus, years).saves else "costs more"


def test_answers_now_are_those_of_the_case(demo_parameters: ParameterSet, found: FlipList) -> None:
    """What the list calls the answer of today is what the case says."""
    assert {d.key: answer(demo_parameters, d.key) for d in found.decisions} == found.now


@pytest.mark.parametrize("kind", ["benefit", "best", "cost", "cash"])
def test_each_answer_turns_where_the_list_says(demo_parameters: ParameterSet, found: FlipList, kind: str) -> None:
    """On either side of a listed value the answers are the two listed, with the effect held; just there and not before."""
    held = demo_parameters.evidence_held()
    flips = [flip for flip in found.flips if flip.decision.startswith(kind) and isinstance(flip.value, float) and flip.low is not None]
    assert flips
    for flip in flips[:3]:
        step = (flip.high - flip.low) * CLOSE * (1 if flip.value > flip.base else -1)
        answers = [answer(set_value(held, f"{flip.name}={flip.value + side * step!r}"), flip.decision) for side in (-1, 1)]
        assert answers == [flip.now, flip.then], flip


@pytest.fixture
def numbers_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look at numbers alone, which is quick."""
    monkeypatch.setattr(flips_of, "_by_choice", lambda *_: ())
    monkeypatch.setattr(flips_of, "scenario_files", list)


def ranged_only(parameters: ParameterSet, *names: str) -> ParameterSet:
    """Give a case in which only some inputs have a range, so that its list is short."""
    return replace(parameters, parameters={n: p if n in names else replace(p, range=None) for n, p in parameters.parameters.items()})


@pytest.mark.usefixtures("numbers_alone")
def test_threshold_turns_at_the_cost_per_qaly(demo_parameters: ParameterSet) -> None:
    """The willingness to pay at which the lead stops being worth its price is its cost per QALY against usual care."""
    dear = set_value(demo_parameters, "c_surveillance_ct=1000")
    icer = evaluate(dear).compare_means("transvenous", "beta_blocker").icer
    led = ranged_only(set_value(dear, "lead=transvenous"), THRESHOLD)
    flip = next(f for f in find_flips(led).flips if f.name == THRESHOLD and f.decision == "benefit_beta_blocker")
    assert icer is not None
    assert flip.value == pytest.approx(icer, abs=CLOSE * (flip.high - flip.low))


def test_scenarios_and_choices_are_looked_at(found: FlipList) -> None:
    """Whose money is counted turns a cost, and is its own value."""
    chosen = [flip for flip in found.flips if flip.name == "perspective" and flip.decision.startswith("cost_")]
    assert {flip.value for flip in chosen} == {"hospital_margin"}
    assert any(flip.status == "scenario" for flip in found.flips)


def test_likeliest_first_and_held_ones_last(found: FlipList) -> None:
    """Order is by chance, then by distance; each chance is a probability."""
    chances = [flip.chance for flip in found.flips]
    known = [c for c in chances if c is not None]
    assert known == sorted(known, reverse=True)
    assert chances[len(known) :] == [None] * (len(chances) - len(known))
    assert all(0 <= c <= 1 for c in known)


@pytest.mark.usefixtures("numbers_alone")
def test_an_input_without_effect_turns_nothing(demo_parameters: ParameterSet, found: FlipList) -> None:
    """Negative control: an input whose range is a point is not looked at, and turns nothing; with its range it does."""
    only = ranged_only(demo_parameters, "c_coil", "hr_beta_blocker")
    ranged = only["hr_beta_blocker"]
    point = replace(ranged, range=replace(ranged.range, low=0.55, high=0.55))
    looked = [find_flips(replace(only, parameters=only.parameters | {p.name: p})) for p in (point, ranged)]
    assert [alone.looked_at for alone in looked] == [1, 2]
    turned, turned_alone = ([f for f in flips.flips if f.name == ranged.name] for flips in (found, looked[1]))
    assert turned
    assert [(f.decision, f.value) for f in turned_alone] == [(f.decision, pytest.approx(f.value)) for f in turned]
    assert not [f for f in looked[0].flips if f.name == ranged.name]


@pytest.mark.usefixtures("numbers_alone")
def test_a_scenario_that_cannot_be_applied_turns_nothing(demo_parameters: ParameterSet, monkeypatch: pytest.MonkeyPatch) -> None:
    """A strategy without the course of a varix: scenarios of a process are left out, and do not end the list."""
    case = set_value(demo_parameters, "effect_basis=intention_to_treat")
    bare = replace(case.strategies["glue"], p_obliteration="", r_recurrence="", r_lost="", p_retreat_accepted="")
    case = ranged_only(replace(case, strategies=case.strategies | {"glue": bare}), "c_coil")
    unfit = {"high_recurrence", "low_attendance", "no_surveillance"}
    asked = [path for path in scenario_files() if path.stem in unfit | {"coil_ratios_one", "first_edition_risk"}]
    monkeypatch.setattr(flips_of, "scenario_files", lambda: asked)
    names = {flip.name for flip in find_flips(case).flips if flip.status == "scenario"}
    assert names
    assert not names & unfit


def test_a_choice_stands_once_and_in_words(found: FlipList) -> None:
    """A setting and the scenario that sets it are one row; no key of a choice is shown, and a scenario of more stays."""
    chosen = [f for f in found.flips if isinstance(f.value, str)]
    assert {"hazard_decline", "perspective"} <= {f.name for f in chosen}
    assert not {f.name for f in chosen} & {"frailty", "constant_hazard", "fundal_cohorts", "intention_to_treat"}
    assert "effect_two_years" in {f.name for f in chosen}
    assert not [f for f in chosen if "_" in f.turn]


def test_options_as_good_as_each_other_do_not_flip(demo_parameters: ParameterSet, found: FlipList) -> None:
    """Two copies of one option are as good as each other: no change between them is left; with draws set apart it is."""
    psa = run_psa(demo_parameters, 64, seed=1)
    flips = [f for f in found.flips if f.decision == "best"]
    now, then = (
        next(k for k, row in demo_parameters.strategies.items() if row.label == name) for name in (flips[0].now, flips[0].then)
    )
    a, b = psa.keys.index(now), psa.keys.index(then)

    def changed(edit: Callable[[np.ndarray], np.ndarray]) -> list[str]:
        outcomes = {name: np.array(psa.outcomes[name]) for name in psa.outcomes}
        for name in ("qalys", "cost"):
            outcomes[name][:, b] = outcomes[name][:, a]
        outcomes["qalys"][:, b] = edit(outcomes["qalys"][:, b])
        return [
            f.then
            for f in beside_draws(found, replace(psa, outcomes=outcomes)).flips
            if f.decision == "best" and f.now == flips[0].now
        ]

    assert flips[0].then not in changed(lambda qalys: qalys)
    assert flips[0].then in changed(lambda qalys: qalys - 1.0)


def test_what_leaves_patients_alone_is_asked_of_one_run_of_them(
    demo_parameters: ParameterSet, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each input runs again the strategies whose patients it moves, and gives to the last digits what a run of all would."""
    every = tuple(demo_parameters.strategies)
    moving = {
        **dict.fromkeys(("c_coil", "u_post_bleed", "payment_ulcer_bleed", "c_year_post_bleed", "r_escalator_pay", "n_icu_days"), ()),
        "p_obliteration_coil_and_glue": ("coil_and_glue",),
        "r_stop": ("beta_blocker",),
        "r_late_rebleed_gastric": every,
    }
    asker = Asker(demo_parameters, subjects := find_subjects(demo_parameters), tuple(flips_of._decisions(demo_parameters, subjects)))
    changes = [{name: 1.1 * float(demo_parameters[name].value)} for name in moving]
    moved = moves_patients(resolve(demo_parameters, varied(demo_parameters, changes)), asker.patients.inputs)
    assert [tuple(k for k, moves in zip(every, row, strict=True) if moves) for row in moved] == list(moving.values())
    changes += [{"n_budget_years": 9.0}, {"n_duty_months": 60.0}, {"n_stop_month": 20.0}, {"willingness_to_pay": 60_000.0}]
    cases = [set_value(demo_parameters, text) for text in ("u_post_bleed=0.6", "perspective=payer", "drug_benefit=some")]
    shared = asker.ask(changes, [PARTS] * len(changes)), asker.ask_cases(cases)
    monkeypatch.setattr(Asker, "_pieces", lambda *asked: [(np.concatenate(asked[3]), None)])
    for found, whole in zip(shared, (asker.ask(changes, [PARTS] * len(changes)), asker.ask_cases(cases)), strict=True):
        np.testing.assert_allclose(found, whole, rtol=1e-10)
