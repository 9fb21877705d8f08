"""Move probabilities of the disease model by model year."""

from dataclasses import replace

import numpy as np
import pytest

from econmodel.model.class_hazards import hazards_of
from econmodel.model.hazards import Hazards, per_unit_rate, waning
from econmodel.model.inputs import resolve


@pytest.fixture(scope="session")
def vary(vary):
    """Change the case by intention to treat; the moves of a process have tests of their own."""
    return lambda **changes: vary(**({"effect_basis": "intention_to_treat"} | changes))


@pytest.fixture(scope="module")
def inputs(vary):
    return resolve(vary())


def probability(inputs, year, source, kind, strategy="glue", cell=0, target=None):
    """Probability of one move in one lane."""
    structure = inputs.structure
    (move,) = [i for i, m in enumerate(structure.moves) if (m.source, m.kind) == (source, kind) and target in (None, m.target)]
    lane = inputs.strategies.keys.index(strategy) * inputs.relative.shape[1] + cell
    return float(Hazards(inputs).year(year)[move, lane])


def wane(year, full, none, hr=0.35):
    return float(hr ** waning(np.array([year]), np.array([full]), np.array([none]))[0])


def test_full_effect_then_none():
    """Effect is full until the middle of the year passes its end, half gone half-way, none after."""
    assert wane(4, 5.0, 10.0) == 0.35
    assert wane(7, 5.0, 10.0) == pytest.approx(0.35**0.5)
    assert wane(10, 5.0, 10.0) == 1.0
    assert wane(5, 5.0, 10.0) == pytest.approx(0.35**0.9)


def test_equal_years_are_a_step():
    """With full and none at the same year the effect stops at once."""
    assert [wane(y, 2.0, 2.0) for y in (0, 1, 2, 3)] == [0.35, 0.35, 1.0, 1.0]


def test_competing_probabilities_share_the_total():
    """Probabilities are in proportion to rates, and with none they sum to 1."""
    per_rate, none = per_unit_rate(np.array([0.4]))
    assert 0.3 * per_rate + 0.1 * per_rate + none == pytest.approx(1)
    assert none == pytest.approx(np.exp(-0.4 / 12))
    assert per_unit_rate(np.array([0.0, 0.4]))[0][0] == 1 / 12


def test_untreated_first_bleed_by_hand(inputs):
    """In year 0 a Child A patient without red spots has the reference rate, competing with three other events."""
    gastric, other = float(inputs.r_first_bleed[0]), 0.03
    total = gastric + other + 0.0 + float(inputs.background_death[0, 0]) + 0.025
    expected = gastric / total * -np.expm1(-total / 12)
    assert probability(inputs, 0, "at_risk", "gastric_bleed", "watch") == pytest.approx(expected, rel=1e-12)


def test_time_steps_lower_the_rate(inputs):
    """The untreated rate falls at the starts of years 1 and 3, and stays after."""
    rates = Hazards(inputs).gastric_rates(np.arange(6))[:, 0, 0, 0]
    steps = inputs.first_bleed_time[0]
    assert rates == pytest.approx(rates[0] * np.array([1, steps[1], steps[1], steps[2], steps[2], steps[2]]))


def test_treatment_acts_in_course_and_after(inputs):
    """Intention to treat: the ratio acts during the course and after, not on bleeds from another source."""
    for state in ("in_course", "protected"):
        ratio = probability(inputs, 0, state, "gastric_bleed") / probability(inputs, 0, state, "other_bleed")
        untreated = probability(inputs, 0, "at_risk", "gastric_bleed", "watch") / probability(
            inputs, 0, "at_risk", "other_bleed", "watch"
        )
        assert ratio == pytest.approx(0.35 * untreated)


def test_a_session_comes_first(inputs):
    """In a course, death from the procedure comes before everything; who has no event finishes one time in 1.5."""
    death = probability(inputs, 0, "in_course", "procedure_death")
    assert death == pytest.approx(0.003 / 1.5)
    kinds = ("gastric_bleed", "other_bleed", "transplant", "other_death")
    events = sum(probability(inputs, 0, "in_course", k) for k in kinds)
    finish = probability(inputs, 0, "in_course", "finish")
    assert finish == pytest.approx((1 - death - events) / 1.5)


def test_acute_month(inputs):
    """A bleed kills with the solved fatality, its rebleed at odds 1.25 times as high; a ninth of survivors rebleed early."""
    first = probability(inputs, 3, "bleeding", "bleed_death")
    again = probability(inputs, 3, "rebleeding", "bleed_death")
    assert first == pytest.approx(float(inputs.p_death_bleed[0, 0]))
    assert again / (1 - again) == pytest.approx(1.25 * first / (1 - first))
    assert probability(inputs, 3, "bleeding", "early_rebleed") == pytest.approx(0.11 * (1 - first))
    total = sum(probability(inputs, 3, "bleeding", k) for k in ("bleed_death", "early_rebleed", "recover"))
    assert total == pytest.approx(1)


def test_death_rates_by_state(inputs):
    """Excess death is multiplied after a bleed, and replaced after transplant."""

    def rate(source):
        p = probability(inputs, 0, source, "other_death", "watch", cell=2)
        others = [
            k
            for k in ("gastric_bleed", "other_bleed", "transplant", "late_rebleed")
            if any((m.source, m.kind) == (source, k) for m in inputs.structure.moves)
        ]
        total = p + sum(probability(inputs, 0, source, k, "watch", cell=2) for k in others)
        return p / total * -np.log1p(-total) * 12

    background = float(inputs.background_death[0, 0])
    assert rate("at_risk") == pytest.approx(background + 0.12)
    assert rate("post_bleed") == pytest.approx(background + 0.12 * 1.8)
    assert rate("transplanted") == pytest.approx(background + 0.044)


def test_a_benefit_of_the_drug_spares_excess_deaths_while_protected(vary):
    """The ratio acts on the excess death rate of those on the drug who have not bled; at 1, and elsewhere, nothing changes."""

    def deaths(ratio, state, key):
        found = resolve(vary(hr_excess_death_beta_blocker=ratio))
        return probability(found, 0, state, "other_death", key, cell=2)

    full, spared = deaths(1.0, "protected", "beta_blocker"), deaths(0.8, "protected", "beta_blocker")
    assert full - spared == pytest.approx(0.2 * 0.12 / 12, rel=0.05)
    for state, key in (("at_risk", "watch"), ("post_bleed", "beta_blocker"), ("protected", "glue")):
        assert deaths(1.0, state, key) == deaths(0.8, state, key)


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"effect_clock": "last_course"},
        {"years_excess_after_bleed": "one_year"},
        {"hazard_decline": "frailty"},
        {"effect_clock": "last_course", "years_excess_after_bleed": "one_year", "hazard_decline": "frailty"},
        {"child_course": "worsening"},
        {"child_course": "worsening", "effect_basis": "process", "years_excess_after_bleed": "five_years"},
    ],
)
def test_every_probability_is_one(vary, changes):
    """In every structure and year, probabilities are at least 0 and sum to at most 1 out of each state."""
    inputs = resolve(vary(horizon_years=12, **changes))
    hazards, moves = hazards_of(inputs), inputs.structure.engine_moves()
    for year in (0, 1, 5, 11):
        p = hazards.year(year)
        leaving = np.zeros((moves.n_states, p.shape[1]))
        np.add.at(leaving, np.array(moves.sources), p)
        assert p.min() >= 0
        assert leaving.max() <= 1 + 1e-12


def test_courses_end_in_the_part_of_their_year(vary):
    """When re-treatment restarts the clock, a course of year 2 ends in the part that carries year 2."""
    inputs = resolve(vary(horizon_years=4, effect_clock="last_course"))
    ends = [probability(inputs, 2, "in_course", "finish", target=f"protected_{part}") for part in range(4)]
    assert [x > 0 for x in ends] == [False, False, True, False]


def test_the_clock_counts_from_the_last_course(vary):
    """In year 8, an effect that fades from year 5 has faded in patients treated at the start, not since year 7."""
    inputs = resolve(vary(horizon_years=10, effect_clock="last_course"))
    hazards = [probability(inputs, 8, f"protected_{part}", "gastric_bleed") for part in (0, 7)]
    assert hazards[0] > 1.5 * hazards[1]


def test_a_lane_depends_on_its_own_strategy_and_cell(inputs):
    """Changing one strategy's ratio leaves the probabilities of the others alone."""
    s = inputs.strategies
    hr = s.hr_gastric.copy()
    hr[0, 2] = 0.9
    moved = Hazards(replace(inputs, strategies=replace(s, hr_gastric=hr))).year(0)
    changed = np.flatnonzero(np.abs(moved - Hazards(inputs).year(0)).max(axis=0) > 0)
    assert set(changed.tolist()) == set(range(12, 18))


def test_waning_where_only_the_end_differs_by_draw():
    """Full effect of one length, its end varied (as one input at a time is): each draw as if alone."""
    years, full, none = np.arange(4)[:, None, None, None], np.full((1, 2, 1, 1), 2.0), np.array([2.0, 3.0, 5.0]).reshape(1, 1, 1, 3)
    together = waning(years, full, none)
    assert together.shape == (4, 2, 1, 3)
    for draw in range(3):
        np.testing.assert_array_equal(together[..., draw], waning(years, full, none[..., draw : draw + 1])[..., 0])
    assert not np.array_equal(together[..., 0], together[..., 2])
