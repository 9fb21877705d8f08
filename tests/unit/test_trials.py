"""Files of studies proposed: what ships fits the base case, and each fault is one message with file and line."""

from __future__ import annotations

import pytest

from econmodel.errors import EconModelError
from econmodel.parameters.trials import Arm, check_sizes, find_trial, read_trial, shipped_trials

GOOD = """title = "A"
rationale = "B"
status = "assumption"
arms = ["coil_and_glue", "beta_blocker"]
sizes = [25, 50]
follow_up_years = 3
outcomes = ["first_bleeds", "deaths"]
dropout = 0.15
recruits_per_year = 80
report_years = 0.5
place = "elsewhere"
cost_fixed = "c_trial_fixed"
cost_per_patient = "c_trial_patient"
"""


@pytest.fixture
def typed(tmp_path):
    """Write a study and give its path."""

    def write(text):
        path = tmp_path / "own.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_what_ships_fits_the_base_case(base):
    """The six studies are read: five compare, one is a registry of the site, one compares protocols, one tells of a past trial."""
    trials = {path.stem: read_trial(path, base) for path in shipped_trials()}
    assert len(trials) == 6
    assert [key for key, t in trials.items() if len(t.arms) == 1] == ["registry_untreated"]
    assert [key for key, t in trials.items() if t.by_protocol] == ["surveillance_6_v_12_monthly"]
    assert [t.past.patients for t in trials.values() if t.past] == [(16, 16)]
    assert all(t.status == "assumption" and len(t.sizes) == 8 for t in trials.values())
    assert {t.place for t in trials.values()} == {"elsewhere", "here"}


def test_time_and_patients_seen(base, typed):
    """A larger study reports later; patients who drop out are not seen; whole numbers only."""
    trial = read_trial(typed(GOOD), base)
    assert trial.arms == (Arm("coil_and_glue"), Arm("beta_blocker"))
    assert trial.years_to_report(80) == pytest.approx(2 + 3 + 0.5)
    assert [trial.seen(n) for n in (20, 21, 1)] == [17, 17, 0]
    assert read_trial(typed(GOOD.replace("= 0.15", '= "0,15"').replace("year = 80", 'year = "80"')), base) == trial


@pytest.mark.parametrize(
    ("old", "new", "line", "part"),
    [
        ('"beta_blocker"]', '"balloon"]', 4, "no strategy 'balloon'"),
        ('"beta_blocker"]', '"coil_and_glue"]', 4, "must be two strategies"),
        ('["coil_and_glue", "beta_blocker"]', '["coil_and_glue"]', 4, "registry of untreated"),
        (
            '["coil_and_glue", "beta_blocker"]',
            '[{ strategy = "coil", protocol = "daily" }, { strategy = "coil", protocol = "none" }]',
            4,
            "no protocol 'daily'",
        ),
        (
            '["coil_and_glue", "beta_blocker"]',
            '[{ strategy = "watch", protocol = "none" }, { strategy = "watch", protocol = "eus_yearly" }]',
            4,
            "treats no varix",
        ),
        ("[25, 50]", "[0, 50]", 5, "sizes = [0, 50]"),
        ("[25, 50]", "[50, 25]", 5, "rising"),
        ("[25, 50]", "[25.5]", 5, "whole numbers"),
        ("[25, 50]", "[]", 5, "whole numbers"),
        ("follow_up_years = 3", "follow_up_years = 0", 6, "from 1 to 10"),
        ("follow_up_years = 3", "follow_up_years = 2.5", 6, "whole number of years"),
        ('["first_bleeds", "deaths"]', '["pain"]', 7, "first_bleeds, deaths, retreatments"),
        ("dropout = 0.15", "dropout = 1.0", 8, "share from 0"),
        ("recruits_per_year = 80", "recruits_per_year = -1", 9, "> 0"),
        ('place = "elsewhere"', 'place = "moon"', 11, "elsewhere or here"),
        ('"c_trial_fixed"', '"c_trial_fixd"', 12, "no such price"),
        ("report_years = 0.5", "report_year = 0.5", 10, "did you mean 'report_years'"),
        ("report_years = 0.5\n", "", None, "'report_years' is missing"),
        ("dropout = 0.15", "dropout = true", 8, "share from 0"),
    ],
)
def test_each_fault_is_one_message_with_its_line(base, typed, old, new, line, part):
    """What is wrong, in which line of which file, and one fix."""
    assert old in GOOD
    with pytest.raises(EconModelError) as caught:
        read_trial(typed(GOOD.replace(old, new)), base)
    text = str(caught.value)
    assert part in text
    assert "own.toml" in text
    assert "fix:" in text
    if line:
        assert f"line {line}" in text


def test_a_past_trial_must_be_possible(base, typed):
    """More events than patients, or one arm, is refused."""
    for pairs in ("events = [17, 8]\npatients = [16, 16]", "events = [4]\npatients = [16]", "events = [4, 8]\npatients = [16, 0]"):
        with pytest.raises(EconModelError, match="no more events than patients"):
            read_trial(typed(GOOD + f'\n[past]\nlabel = "x"\nsource = "lobo2019"\n{pairs}\n'), base)


def test_names_and_sizes_asked_for():
    """A study is found by name or path; sizes are put in order; others are refused with a fix."""
    assert find_trial("registry_untreated").stem == "registry_untreated"
    assert str(find_trial("own.toml")) == "own.toml"
    assert check_sizes([50, 25, 50]) == (25, 50)
    with pytest.raises(EconModelError, match="did you mean 'registry_untreated'"):
        find_trial("registry_untreatd")
    for size in (0, -5, 5000):
        with pytest.raises(EconModelError, match="from 1 to 2,000"):
            check_sizes([size])
