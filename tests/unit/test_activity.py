"""Activity: what the cohort's sums mean for the service."""

import numpy as np
import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.errors import ModelError
from econmodel.parameters.catalogue import CATEGORIES, CATEGORY

S = {"watch": 0, "beta_blocker": 1, "glue": 2, "eus_glue": 3, "coil": 4, "coil_and_glue": 5, "transvenous": 6}


def count(e, name, key, years=None):
    return float(e.count(name, years)[0, S[key], 0])


def test_every_activity_has_a_category_and_a_count(five_years):
    """Each priced activity is counted and belongs to one of four categories."""
    assert set(CATEGORY.values()) == set(CATEGORIES)
    assert set(CATEGORY) <= set(five_years.activity.counts)


def test_devices_follow_sessions(five_years):
    """Coils and glue are per session; only the strategy's own kind of session is counted."""
    sessions = count(five_years, "sessions", "coil_and_glue")
    assert count(five_years, "session_eus", "coil_and_glue") == sessions
    assert count(five_years, "session_direct", "coil_and_glue") == 0
    assert count(five_years, "coil", "coil_and_glue") == pytest.approx(1.6 * sessions)
    assert count(five_years, "glue_ml", "coil_and_glue") == pytest.approx(2 * sessions)
    assert count(five_years, "coil", "glue") == 0
    assert count(five_years, "session_direct", "glue") == count(five_years, "sessions", "glue")


def test_a_course_is_its_mean_sessions(vary):
    """Without events a course takes its mean of 1.5 sessions."""
    quiet = {
        "p_first_bleed_year_1": 0.0,
        "r_other_bleed": 0.0,
        "p_retreat_year_1_glue": 0.0,
        "p_death_course_glue": 0.0,
        "p_retreat_accepted": 0.0,
        "r_excess_death_child_a": 0.0,
        "r_excess_death_child_b": 0.0,
        "r_excess_death_child_c": 0.0,
        "r_transplant_child_b": 0.0,
        "r_transplant_child_c": 0.0,
    }
    found = evaluate(vary(horizon_years=5, **quiet))
    assert count(found, "sessions", "glue") == pytest.approx(1.5, abs=2e-3)
    assert count(found, "courses", "glue") == 1.0


def test_visits_thin_out_with_loss(vary):
    """Without events a visit in month m is made by ``exp(-r_lost m / 12)`` of those due, treated or not."""
    quiet = {name: 0.0 for name in ("p_first_bleed_year_1", "r_other_bleed", "p_death_course_glue", "p_retreat_year_1_glue")}
    quiet |= {f"r_excess_death_child_{c}": 0.0 for c in "abc"} | {f"r_transplant_child_{c}": 0.0 for c in "bc"}
    found = evaluate(vary(horizon_years=5, effect_basis="intention_to_treat", **quiet))
    assert count(found, "deaths_procedure", "glue") == count(found, "first_bleeds", "glue") == 0.0
    hazard = np.append(0.0, found.inputs.background_death[0].cumsum())
    years = np.array([3, 6, 12, 24, 36, 48]) / 12
    died = np.interp(years, np.arange(6), hazard)
    assert count(found, "visits", "glue") == pytest.approx(np.exp(-0.25 * years - died).sum(), rel=1e-9)
    assert count(found, "surveillance_egd", "glue") == count(found, "visits", "glue")
    assert count(found, "visits", "watch") == pytest.approx(np.exp(-0.25 * np.arange(1, 5) - hazard[1:5]).sum(), rel=1e-9)


def test_late_rebleeds_have_a_source(vary):
    """One rate told apart: both sources together are the late rebleeds, in the proportion of their rates."""
    found = evaluate(vary(horizon_years=5, effect_basis="intention_to_treat"))
    gastric, other, early = (count(found, f"rebleeds_{source}", "watch") for source in ("gastric", "other", "early"))
    assert gastric + other + early == pytest.approx(count(found, "rebleeds", "watch"), rel=1e-12)
    assert gastric / other == pytest.approx(0.115 / 0.03)
    assert count(found, "retreatments", "glue") == pytest.approx(count(found, "courses", "glue") - 1)


def test_complications_are_per_course(five_years):
    """Complications are sessions times the probability of a course, over its mean sessions."""
    sessions = count(five_years, "sessions", "glue")
    assert count(five_years, "sepsis", "glue") == pytest.approx(sessions * 0.013 / 1.5)
    assert count(five_years, "ulcer_bleed", "transvenous") == 0
    assert count(five_years, "fever", "watch") == 0


def test_drug_years(five_years):
    """Only the drug strategy takes the drug, for all its protected years: not once it is stopped."""
    drug = {key: count(five_years, "drug_year", key) for key in S}
    assert drug.pop("beta_blocker") == pytest.approx(count(five_years, "protected", "beta_blocker"), rel=1e-12)
    assert count(five_years, "protected", "beta_blocker") > 2.5
    assert count(five_years, "at_risk", "beta_blocker") > 0.1
    assert set(drug.values()) == {0.0}


def stays(evaluation, key):
    """Bleeds less four in ten of the early rebleeds."""
    early = count(evaluation, "rebleeds_early", key)
    return count(evaluation, "first_bleeds", key) + count(evaluation, "rebleeds", key) - 0.4 * early


def test_bleeds_are_survived_fatal_or_rescued(five_years):
    """Admissions split into survived, fatal and rescue; together they are all bleeds with an admission of their own."""
    for key in S:
        bleeds = stays(five_years, key)
        assert bleeds < count(five_years, "first_bleeds", key) + count(five_years, "rebleeds", key)
        parts = [count(five_years, name, key) for name in ("bleed_survived", "bleed_fatal", "rescue_admission")]
        assert sum(parts) == pytest.approx(bleeds)
        assert parts[1] == pytest.approx(0.92 * count(five_years, "deaths_bleed", key))
        assert parts[2] == pytest.approx(0.08 * bleeds)


def test_readmission_takes_the_place_of_the_early_rebleed(vary):
    """With readmissions, early rebleeds are no admissions of their own: never both."""
    early = evaluate(vary(horizon_years=5))
    readmitted = evaluate(vary(horizon_years=5, rebleed_costing="readmission"))
    names = ("bleed_survived", "bleed_fatal", "rescue_admission")
    before, after = (sum(count(e, n, "watch") for n in names) for e in (early, readmitted))
    assert count(early, "readmission", "watch") == 0
    assert count(readmitted, "readmission", "watch") > 0
    assert after < before
    assert count(readmitted, "rebleeds", "watch") == count(early, "rebleeds", "watch")


def test_bed_days(five_years):
    """Intensive care is 0.4 x 3 days an admission and the ward the rest of 5.5, rescued or not."""
    bleeds = stays(five_years, "coil")
    assert count(five_years, "icu_days", "coil") == pytest.approx(1.2 * bleeds)
    assert count(five_years, "ward_days", "coil") == pytest.approx(4.3 * bleeds)


def test_more_intensive_care_than_stay_is_refused(vary):
    """Ward days cannot be negative."""
    with pytest.raises(ModelError, match="n_stay_days"):
        evaluate(vary(horizon_years=1, n_stay_days=1.0))


def test_secondary_prophylaxis_after_each_recovery(vary):
    """A procedure is counted per recovery from a bleed, a drug per year lived after it; after another source always the drug."""
    glue, drug = evaluate(vary(horizon_years=5)), evaluate(vary(horizon_years=5, secondary_prophylaxis="beta_blocker"))
    assert count(glue, "secondary_glue", "watch") > 0
    after_other = count(glue, "post_other", "watch")
    assert count(glue, "secondary_drug_year", "watch") == pytest.approx(after_other)
    assert count(drug, "secondary_drug_year", "watch") == pytest.approx(count(drug, "post_bleed", "watch") + after_other)
    assert count(drug, "secondary_glue", "watch") == 0


def test_surveillance_is_of_the_strategy(five_years):
    """Each strategy is seen by its own examination, the untreated and those on a drug once a year; a drug is started in clinic."""
    assert count(five_years, "surveillance_egd", "glue") > 3
    assert count(five_years, "surveillance_eus", "glue") == 0
    assert count(five_years, "surveillance_eus", "coil") > 3
    assert count(five_years, "surveillance_ct", "transvenous") > 3
    assert count(five_years, "surveillance_egd", "transvenous") == count(five_years, "surveillance_ct", "coil") == 0
    assert count(five_years, "clinic_visit", "beta_blocker") == pytest.approx(2.0)
    assert count(five_years, "clinic_visit", "watch") == 0
    assert 1 < count(five_years, "surveillance_egd", "watch") < count(five_years, "surveillance_egd", "beta_blocker") < 2


def test_everyone_is_somewhere(five_years):
    """Years in all states sum to the years lived; deaths by cause to those who died."""
    lived = sum(five_years.count(s) for s in five_years.activity.state_years)
    np.testing.assert_allclose(lived, five_years.life_years(discounted=False), rtol=1e-12)
    died = sum(five_years.count(f"deaths_{c}") for c in ("bleed", "procedure", "other"))
    assert np.all((died > 0) & (died < 1))


def test_groups_weigh_to_the_whole(five_years):
    """The whole is the share-weighted mean of the groups, for every count."""
    shares = np.array([0.52, 0.13, 0.24, 0.06, 0.04, 0.01])
    for name in ("first_bleeds", "sessions", "deaths_other", "icu_days", "surveillance_egd"):
        by_group = five_years.count(name)[0]
        np.testing.assert_allclose(by_group[:, 1:] @ shares, by_group[:, 0], rtol=1e-12)


def test_counts_grow_with_time(five_years):
    """A count over more years is never smaller."""
    for name in ("first_bleeds", "rebleeds", "sessions", "transplants"):
        found = np.stack([five_years.count(name, y) for y in range(1, 6)])
        assert np.all(np.diff(found, axis=0) >= 0)
