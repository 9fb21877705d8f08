"""Sessions and courses: varices of one day, sessions close together, and re-treatment."""

import pytest
from registry_tables import clean, patient

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
