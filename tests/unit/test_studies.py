"""Studies judged: what agrees, fails, cannot be told or is used already; arms jointly; what can be left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from econmodel.evidence.study_files import Arm, Endpoint, Study, read_study, shipped_study
from econmodel.parameters.loading import load_case
from econmodel.parameters.sampling import sample
from econmodel.uncertainty.studies import AGREES, CANNOT_TELL, FAILS, USED, deviance, judge, mid_p, predict, run_studies, steps_of

BASE = load_case(None, (), ["effect_basis=process"]).parameters
BLEEDERS = Study(
    key="mine",
    title="Mine",
    source="luo2021",
    locator="here",
    population="invented",
    start="bleeding",
    mix_name="bleeders",
    mix=None,
    weights=(None, None, None),
    mix_basis="",
    age=None,
    share_female=None,
    note="",
    arms={"all": Arm("all", "All", "watch", {})},
    endpoints=(),
)


def seen(events: float, n: int, *, used: tuple[str, ...] = (), again: bool = False, key: str = "rebleed") -> Study:
    """A year after a bleed: first rebleeds, crude."""
    risk = events / n
    width = 1.96 * np.sqrt(risk * (1 - risk) / n)
    interval = ((max(0.0, risk - width), min(1.0, risk + width)),)
    end = Endpoint(key, "all", "rebleed", "crude", (12.0,), (risk,), (events,), (n,), interval, used, again)
    return replace(BLEEDERS, endpoints=(end,))


def both(*studies: Study) -> Study:
    return replace(BLEEDERS, endpoints=tuple(end for study in studies for end in study.endpoints))


def test_the_four_verdicts() -> None:
    """Near the prediction a small study agrees, one far surer than the inputs cannot tell; far off fails; used is not judged."""
    predicted = judge(seen(19, 100), BASE, draws=300).rows[0].predicted
    small, large = seen(round(100 * predicted), 100), seen(round(100_000 * predicted), 100_000)
    assert judge(small, BASE, draws=300).verdict == AGREES
    assert judge(large, BASE, draws=300).verdict == CANNOT_TELL
    assert judge(seen(60, 100), BASE, draws=300).verdict == FAILS
    used = judge(seen(60, 100, used=("r_late_rebleed_gastric",)), BASE, draws=300)
    assert (used.verdict, used.deviance, used.rows[0].verdict) == (USED, None, USED)


def test_a_row_seen_again_is_no_piece() -> None:
    """It has its own verdict; the joint one is that of the others."""
    alone, twice = seen(19, 100), both(seen(19, 100), seen(60, 100, again=True, key="again"))
    found = judge(twice, BASE, draws=300)
    assert [row.verdict for row in found.rows] == [AGREES, FAILS]
    assert found.deviance == pytest.approx(judge(alone, BASE, draws=300).deviance)


def test_what_would_fail_is_what_fails() -> None:
    """An observation just inside the printed interval agrees, and one outside fails."""
    row = judge(seen(19, 100), BASE, draws=1000).rows[0]
    inside, outside = round(100 * row.high) - 2, round(100 * row.high) + 3
    assert judge(seen(inside, 100), BASE, draws=1000).verdict == AGREES
    assert judge(seen(outside, 100), BASE, draws=1000).verdict == FAILS


def test_same_seed_same_verdict_and_another_study_another_site() -> None:
    """Draws follow from the seed and the study's name."""
    study = seen(19, 100)
    assert judge(study, BASE, draws=100) == judge(study, BASE, draws=100)
    assert judge(replace(study, key="other"), BASE, draws=100).rows[0].predicted != judge(study, BASE, draws=100).rows[0].predicted


def test_arms_share_their_draws() -> None:
    """Untreated and treated risks of one site rise and fall together; a lower risk is predicted on glue in every draw."""
    study = read_study(shipped_study("salama2020"), BASE)
    risks = predict(study, BASE, sample(BASE, 60, seed=3))
    untreated, glue = risks["bleed_none"][:, 0], risks["bleed_glue"][:, 0]
    assert np.corrcoef(untreated, glue)[0, 1] > 0.5
    assert (glue < untreated).all()


def test_what_an_arm_sets_acts_in_it_alone() -> None:
    """Transvenous obliteration after the bleed rebleeds less than glue; a number set holds for every draw."""
    study = read_study(shipped_study("luo2021"), BASE)
    risks = predict(study, BASE, sample(BASE, 20, seed=3))
    assert (risks["rebleed_transvenous"] < risks["rebleed_glue"]).mean() > 0.9
    none = replace(study, arms=study.arms | {"glue": replace(study.arms["glue"], changes={"p_early_rebleed": 0.0})})
    assert (predict(none, BASE, sample(BASE, 20, seed=3))["rebleed_glue"] < risks["rebleed_glue"]).all()


def test_a_study_taken_out_of_the_evidence_can_be_judged() -> None:
    """Without itself Salama 2020 fails: its untreated risk is an outlier. What only cites a study stays used."""
    path = shipped_study("salama2020")
    assert [r.verdict for r in run_studies(BASE, [path], draws=200)] == [USED]
    (found,) = run_studies(BASE, [path], draws=200, leave_out=True)
    assert found.verdict == FAILS
    assert USED not in {row.verdict for row in found.rows}
    (kim,) = run_studies(BASE, [shipped_study("kim1997")], draws=50, leave_out=True)
    assert kim.verdict == USED


def test_a_deadlier_model_fails() -> None:
    """Negative control: death after a transjugular shunt agrees, and fails once survivors die five times as fast."""
    path = shipped_study("tips_gastric")
    assert run_studies(BASE, [path], draws=300)[0].verdict == AGREES
    deadly = load_case(None, (), ["effect_basis=process", "hr_death_after_bleed=9"]).parameters
    assert run_studies(deadly, [path], draws=300)[0].verdict == FAILS


def test_steps_deviance_and_mid_p_by_hand() -> None:
    """Two intervals of 20% leave 36%; a perfect fit has deviance 0; half of a tie counts."""
    assert steps_of(np.array([0.2, 0.36])) == pytest.approx([0.2, 0.2])
    n = np.array([50.0])
    assert deviance(np.array([10.0]), n, np.array([0.2])) == pytest.approx(0)
    by_hand = 2 * (15 * np.log(15 / 10) + 35 * np.log(35 / 40))
    assert deviance(np.array([15.0]), n, np.array([0.2])) == pytest.approx(by_hand)
    assert mid_p(np.arange(10.0), 4.5) == 1
    assert mid_p(np.arange(10.0), 20) == 0
