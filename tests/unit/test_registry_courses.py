"""Sessions and courses: varices of one day, sessions close together, and re-treatment."""

import pytest
from registry_tables import analyse, clean, patient

from econmodel.evidence.registry import summarise
from econmodel.evidence.registry.courses import UNTOLD

SESSION = {"id": "P1", "strategy": "glue", "session_date": "2020-02-01", "glue_ml": "1", "obliterated": "no"}


def test_two_varices_are_one_patient(tmp_path):
    """Same day, two varices: the largest counts, devices are summed, one session."""
    found = clean(tmp_path, SESSION | {"varix_type": "IGV1", "size_mm": "9"}, SESSION | {"size_mm": "14", "glue_ml": "1.5"})
    p = patient(found)
    assert (p["size_mm"], p["varix_type"]) == (14, "GOV2")
    assert len(found.visits) == 1
    assert found.visits["glue_ml"].iloc[0] == 2.5


def test_the_varix_the_model_is_about_counts(tmp_path):
    """A larger GOV1 beside a GOV2 does not exclude the patient."""
    found = clean(tmp_path, SESSION | {"varix_type": "GOV1", "size_mm": "20"}, SESSION | {"size_mm": "14"})
    assert (patient(found)["fate"], patient(found)["varix_type"]) == ("analysed", "GOV2")


def test_identical_rows_are_one(tmp_path):
    """A row entered twice is dropped and logged, not summed."""
    found = clean(tmp_path, SESSION, SESSION)
    assert found.visits["glue_ml"].iloc[0] == 1
    assert "the same as another row of this patient" in list(found.changes["why"])


@pytest.mark.parametrize(
    ("second", "obliterated", "gap", "courses"),
    [("2020-05-01", "no", 90, 1), ("2020-05-02", "no", 90, 2), ("2020-03-01", "yes", 90, 2), ("2020-05-02", "no", 120, 1)],
)
def test_courses(tmp_path, second, obliterated, gap, courses):
    """At most 90 days apart (a setting), not yet obliterated: one course. 1 February + 90 = 1 May."""
    found = clean(tmp_path, SESSION | {"obliterated": obliterated}, SESSION | {"session_date": second}, course_gap_days=gap)
    assert len(found.courses) == courses
    assert list(found.courses["sessions"]) == ([2] if courses == 1 else [1, 1])


def test_sessions_column(tmp_path):
    """One row per patient may say how many sessions the course had."""
    found = clean(tmp_path, SESSION | {"sessions": "3", "glue_ml": "4.5"})
    assert found.courses["sessions"].iloc[0] == 3


def test_complications_of_a_course(tmp_path):
    """Complications of any session count once for the course; a blank is not *none*."""
    found = clean(
        tmp_path, SESSION | {"complication": "none"}, SESSION | {"session_date": "2020-03-01", "complication": "Fever; embolism"}
    )
    course = found.courses.iloc[0]
    assert (course["fever"], course["embolism"], course["sepsis"], course["complication_known"]) == (True, True, False, True)
    blank = clean(tmp_path, SESSION | {"complication": ""}, {"complication": "none"})
    assert not blank.courses["complication_known"].iloc[0]


TREATED = {"strategy": "glue", "session_date": "2020-02-01", "glue_ml": "1", "obliterated": "yes", "last_seen": "2022-02-01"}


def check(label, day, found, **other):
    """Build a row that holds an examination and nothing else."""
    blank = dict.fromkeys(("decision_date", "strategy", "bled", "last_seen", "status", "varix_type", "previous_bleed"), "")
    return blank | {"id": label, "check_date": day, "check_found": found} | other


FOLLOWED = (
    TREATED | {"id": "P1", "last_seen": "2023-01-01", "check_date": "2020-05-01", "check_found": "closed"},
    check("P1", "2021-05-01", "obliterated"),
    check("P1", "2022-05-01", "patent"),
    TREATED | {"id": "P2", "obliterated": "no", "check_date": "2020-05-01", "check_found": "open"},
    TREATED | {"id": "P2", "session_date": "2020-07-01"},
    TREATED | {"id": "P3", "check_date": "2020-05-01", "check_found": "open"},
    TREATED | {"id": "P4", "last_seen": "2020-06-01", "check_date": "2020-05-01", "check_found": "open"},
    TREATED | {"id": "P5", "last_seen": "2021-02-01", "status": "lost", "check_date": "2020-02-01", "check_found": "closed"},
)


def test_the_course_of_treated_patients_by_hand(tmp_path):
    """Closed 1 of 4 examined; open again once in 365 + 365/2 days; 1 of 3 found open treated again; lost 1 in 3014 days.

    P4 was not followed long enough to tell whether he was treated again; P5 was looked at on the day of the session only.
    """
    result = analyse(tmp_path, *FOLLOWED, minimum=1)
    found, years = {v.name: v for v in result.values}, 3014 / 365.25
    assert {n: found[n].value for n in ("p_obliteration_glue", "p_retreat_accepted", "p_retreat_year_1_glue")} == pytest.approx(
        {"p_obliteration_glue": 1.5 / 5, "p_retreat_accepted": 1.5 / 4, "p_retreat_year_1_glue": 1.5 / 5}
    )
    assert found["r_recurrence"].value == pytest.approx(1.5 / (547.5 / 365.25))
    assert found["r_lost"].value == pytest.approx(1.5 / years)
    assert ": 1/4 patients" in found["p_obliteration_glue"].note
    assert "intention_to_treat" in found["p_retreat_year_1_glue"].reason
    counts = summarise(result)["courses"]["glue"]
    assert (counts["visits"]["events"], counts["visits"]["value"]) == (6, pytest.approx(6 / years))
    assert {k: v for k, v in counts.items() if k not in ("visits", "closed_years")} == {
        "first_courses": 5,
        "examined": 4,
        "closed": 1,
        "opened": 1,
        "found_open": 3,
        "treated_again": 1,
        "followed_a_year": 4,
        "treated_again_within_a_year": 1,
        "lost": 1,
    }


def test_what_a_file_cannot_tell_is_said_and_not_guessed(tmp_path):
    """Without examinations no closure, recurrence or acceptance, whatever *obliterated* says; without status no loss."""
    bare = [{k: v for k, v in row.items() if not k.startswith("check")} for row in FOLLOWED if row["strategy"]]
    result = analyse(tmp_path, *bare, minimum=1)
    names = {v.name for v in result.values}
    assert names & {"p_obliteration_glue", "r_recurrence", "p_retreat_accepted"} == set()
    assert "r_lost" in names
    assert UNTOLD in result.notes
    unsaid = [row | {"status": ""} for row in FOLLOWED]
    assert "r_lost" not in {v.name for v in analyse(tmp_path, *unsaid, minimum=1).values}
    # Nor does an examination after the bleed, or of nobody treated, count.
    bled = {"bled": "yes", "bleed_date": "2020-04-01"}
    assert UNTOLD in analyse(tmp_path, FOLLOWED[0] | bled).notes
    assert UNTOLD not in analyse(tmp_path, {"check_date": "2020-05-01", "check_found": "open"}).notes
