"""Each rule of the registry's table: what is held, excluded, estimated or kept, and the counts at every step."""

import pandas as pd
import pytest
from registry_tables import analyse, clean, patient, reasons

from econmodel.errors import DataError
from econmodel.evidence.registry import write_registry

GLUE = {"strategy": "glue", "session_date": "2020-02-01"}


def followup(result, label="P1"):
    """Follow-up of one patient."""
    return result.followup.loc[patient(result.clean, label).name]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"bled": ""}, "bled: blank: unknown is not no"),
        ({"bled": "unknown"}, "bled: blank: unknown is not no"),
        ({"bleed_date": "2021-01-01"}, "bled: says no, but the bleed is dated"),
        ({"status": "lost", "last_seen": ""}, "last_seen: lost without a date of last contact"),
        ({"last_seen": ""}, "last_seen: no date last seen, so follow-up is unknown"),
        ({"bled": "yes", "last_seen": ""}, "bleed_date: no date, and no clean visit"),
        ({"bled": "yes", "bleed_date": "2020-01-15"}, "bleed_order: bled on the day"),
        (GLUE | {"bled": "yes", "bleed_date": "2020-02-01"}, "bleed_order: bled on the day"),
        ({"bled": "yes", "bleed_date": "2021-01-01", "bleed_source": "peptic ulcer"}, "bleed_source: bleed not from portal"),
        ({"death_cause": "variceal bleed", "status": "dead", "death_date": "2022-02-01"}, "bled: says no, but the death"),
        ({"status": "dead"}, "death_date: dead without a date of death"),
        ({"death_cause": "liver failure"}, "death_cause: a cause of death, but no date of death"),
        ({"death_date": "2022-02-01"}, "death_date: a date of death, but status alive or lost"),
        ({"status": "dead", "death_date": "2021-02-01"}, "death_date: seen, treated or bled after"),
        ({"status": "dead", "death_date": "2019-02-01", "last_seen": ""}, "death_date: died before the start"),
        ({"last_seen": "2019-12-01"}, "last_seen: last seen before the start"),
        ({"decision_date": ""}, "decision_date: no decision date and no session date"),
        ({"strategy": ""}, "strategy: no strategy"),
        ({"session_date": "2020-02-01"}, "session_date: a session is recorded under a strategy without"),
        (GLUE | {"session_date": "2020-01-02"}, "session_date: first session before the decision"),
        ({"bled": "yes", "bleed_date": "2021-02-01", "rebleed_date": "2021-01-20"}, "rebleed_date: second bleed not after"),
        ({"rebleed_date": "2021-01-20"}, "bled: says no, but a later bleed is dated"),
        ({"transplant_date": "2019-01-20"}, "transplant_date: transplanted before the start"),
        ({"bled": "yes", "bleed_date": "2021-02-01", "bleed_earliest": "2021-03-01"}, "bleed_earliest: earliest and latest"),
    ],
)
def test_held(tmp_path, row, said):
    """The row is held with its reason, and the patient beside it is not."""
    found = clean(tmp_path, row, {})
    assert list(reasons(found)) == ["P1"]
    assert reasons(found)["P1"].startswith(said)
    assert list(found.analysed["label"]) == ["patient-2"]


@pytest.mark.parametrize(
    "row",
    [
        {"previous_bleed": "yes"},
        {"bled": "yes", "bleed_date": "2019-12-01"},
        {"varix_type": "GOV1"},
        {"varix_type": "IGV2"},
        {"bled": "yes", "bleed_date": "2020-01-15", "bleed_order": "before"},
    ],
)
def test_excluded(tmp_path, row):
    """Bled before the decision, or another varix: excluded and listed, whatever else is wrong."""
    found = clean(tmp_path, row | {"status": "emigrated"}, {})
    assert list(reasons(found, "excluded")) == ["P1"]
    assert not reasons(found)
    assert "excluded" in list(found.problems["action"])


def test_counts_add_up(tmp_path):
    """Patients are analysed, excluded or held; reasons add up to their fate; rows are never lost."""
    found = clean(tmp_path, {}, {"id": "P1"}, {"bled": ""}, {"last_seen": ""}, {"varix_type": "GOV1"}, {})
    number = {c["step"]: c for c in found.counts}
    assert number["patients"]["patients"] == 5
    assert [number[s]["patients"] for s in ("analysed", "excluded", "held")] == [2, 1, 2]
    assert sum(c["patients"] for s, c in number.items() if s.startswith("held: ")) == 2
    assert number["rows read"]["rows"] == number["rows the same as another, dropped"]["rows"] + sum(
        number[s]["rows"] for s in ("analysed", "excluded", "held")
    )
    assert number["rows the same as another, dropped"]["rows"] == 1


def test_all_held_is_an_error(tmp_path):
    """With nobody left there is nothing to estimate, and the commonest reason is given."""
    with pytest.raises(DataError, match="blank: unknown is not no"):
        analyse(tmp_path, {"bled": ""})


def test_lost_is_censored_at_last_contact(tmp_path):
    """A lost patient is censored; the bound counts a bleed at that day."""
    result = analyse(tmp_path, {"status": "lost"}, {})
    lost = followup(result)
    assert (lost["event"], lost["days"], lost["is_lost"]) == (0, 731.0, True)
    bound = result.rows[0]["bounds"]["all_lost_had_bled"]
    assert (bound["n_over_N"], bound["rate"]["events"], result.rows[0]["n_over_N"]) == ("1/2", 1, "0/2")


def test_lost_without_a_date_is_counted_in_the_notes(tmp_path):
    """Held, but told: the count if all lost had bled."""
    result = analyse(tmp_path, {"status": "lost"}, {"status": "lost", "last_seen": ""}, {})
    assert any("that would be 2/3" in note for note in result.notes)


def test_undated_bleed_is_halfway(tmp_path):
    """Bled without a date: the midpoint of last clean visit and next contact, these being the bounds."""
    result = analyse(tmp_path, {"bled": "yes", "last_seen": "2020-02-04"})
    p = patient(result.clean)
    assert p["bleed_date"] == pd.Timestamp(2020, 1, 25)
    assert (p["bleed_earliest"], p["bleed_latest"]) == (pd.Timestamp(2020, 1, 15), pd.Timestamp(2020, 2, 4))
    days = followup(result)
    assert (days["days"], days["days_earliest"], days["days_latest"]) == (10.0, 0.5, 20.0)


def test_clean_visits_narrow_the_bleed(tmp_path):
    """A visit with *no* bleed is the earliest, the contact that tells of it the latest."""
    rows = [
        GLUE | {"id": "P1", "last_seen": "2020-06-01"},
        GLUE | {"id": "P1", "session_date": "2021-02-01", "bled": "yes", "last_seen": "2021-03-01"},
    ]
    p = patient(clean(tmp_path, *rows))
    assert (p["bleed_earliest"], p["bleed_latest"]) == (pd.Timestamp(2020, 6, 1), pd.Timestamp(2021, 3, 1))


def test_month_of_a_bleed_has_bounds(tmp_path):
    """A bleed known to the month: the 15th, between its first and last day, inside follow-up."""
    p = patient(clean(tmp_path, {"bled": "yes", "bleed_date": "Mar 21"}))
    assert (p["bleed_date"], p["bleed_earliest"], p["bleed_latest"]) == (
        pd.Timestamp(2021, 3, 15),
        pd.Timestamp(2021, 3, 1),
        pd.Timestamp(2021, 3, 31),
    )
    inside = patient(clean(tmp_path, {"bled": "yes", "bleed_date": "Jan 20", "decision_date": "2020-01-21"}))
    assert (inside["fate"], inside["bleed_date"]) == ("analysed", pd.Timestamp(2020, 1, 26))


def test_session_day_answers(tmp_path):
    """After the session: a bleed on half a day. Before it: a bleed while waiting."""
    same = GLUE | {"bled": "yes", "bleed_date": "2020-02-01"}
    result = analyse(
        tmp_path,
        same | {"bleed_order": "after"},
        same | {"bleed_order": "before"},
        same | {"bleed_order": "after", "decision_date": ""},
        same | {"bleed_order": "before", "decision_date": ""},
    )
    assert [followup(result, label)["days"] for label in ("P1", "P2", "P3")] == [17.0, 17.0, 0.5]
    assert list(reasons(result.clean, "excluded")) == ["P4"]


def test_no_decision_date_starts_at_the_session(tmp_path):
    """The start is the first session, with a warning that bleeds while waiting are missing."""
    found = clean(tmp_path, GLUE | {"decision_date": ""}, {})
    assert patient(found)["start"] == pd.Timestamp(2020, 2, 1)
    assert any("bleeds while waiting are missing" in note for note in found.notes)


def test_unknown_death_competes_and_is_bounded(tmp_path):
    """Death of unknown cause is a competing event; the bound takes it for a bleed."""
    dead = {"status": "dead", "death_date": "2021-01-15", "last_seen": "2021-01-01"}
    result = analyse(tmp_path, dead, dead | {"death_cause": "liver failure"}, {})
    assert result.rows[0]["deaths"] == 2
    assert result.rows[0]["deaths_of_unknown_cause"] == 1
    assert result.rows[0]["bounds"]["all_unknown_deaths_from_bleeding"]["n_over_N"] == "1/3"


def test_transplant_is_censored_for_the_rate_and_competes_for_the_risk(tmp_path):
    """Patient-years end at transplant; no bleed can follow, so the risk is below the censored one."""
    rows = [{"status": "transplanted", "last_seen": "2020-03-01"}, {"bled": "yes", "bleed_date": "2020-06-01"}, {}]
    result = analyse(tmp_path, *rows)
    assert followup(result)["event"] == 3
    assert result.rows[0]["cumulative_incidence"]["1"]["value"] == pytest.approx(1 / 3)
    censored = analyse(tmp_path, rows[0] | {"status": "alive"}, *rows[1:])
    assert censored.rows[0]["cumulative_incidence"]["1"]["value"] == pytest.approx(1 / 2)
    assert censored.rows[0]["patient_years"] == pytest.approx(result.rows[0]["patient_years"])


def test_bleed_comes_first_on_the_day_of_death(tmp_path):
    """Bleeding and dying on one day is a bleed."""
    result = analyse(
        tmp_path,
        {
            "bled": "yes",
            "bleed_date": "2021-01-15",
            "status": "dead",
            "death_date": "2021-01-15",
            "last_seen": "2021-01-15",
            "death_cause": "bleeding",
        },
    )
    assert followup(result)["event"] == 1


def test_blank_bled_on_a_later_row_is_unknown(tmp_path):
    """*No* at the first session says nothing of the time after; *no* at the last contact does."""
    first, later = GLUE | {"id": "P1", "last_seen": ""}, GLUE | {"id": "P1", "session_date": "2020-03-01"}
    assert list(reasons(clean(tmp_path, first, later | {"bled": ""}))) == ["P1"]
    assert not reasons(clean(tmp_path, first | {"bled": ""}, later))


def test_rows_of_one_id_must_agree(tmp_path):
    """Two birth years under one id are two people."""
    found = clean(
        tmp_path, GLUE | {"id": "P1", "birth_year": "1950"}, GLUE | {"id": "P1", "birth_year": "1960", "session_date": "2020-03-01"}
    )
    assert reasons(found)["P1"] == "birth_year: rows of one id give different years of birth"


def test_strategy_from_devices(tmp_path):
    """A blank strategy is told from the devices, and said; a change to or from watching is held."""
    device = {"strategy": "", "session_date": "2020-02-01"}
    found = clean(
        tmp_path,
        device | {"coils": 2},
        device | {"coils": 2, "glue_ml": 1},
        device | {"glue_ml": 1},
        {"id": "P4"},
        GLUE | {"id": "P4"},
    )
    assert [patient(found, f"P{n}")["strategy"] for n in (1, 2, 3)] == ["coil", "coil_and_glue", "glue"]
    assert list(found.problems["action"]).count("kept") == 3
    assert list(reasons(found)) == ["P4"]


def test_overfull_row_is_held(tmp_path):
    """A row with more cells than columns has slipped, and is held."""
    from registry_tables import options, write

    from econmodel.evidence.registry import clean_registry

    path = write(tmp_path, {}, {})
    lines = path.read_text().splitlines()
    path.write_text("\n".join([lines[0], lines[1] + ",x,y", lines[2]]) + "\n")
    found = clean_registry(path, options())
    assert list(reasons(found)) == ["P1"]
    assert "more filled cells" in reasons(found)["P1"]


def test_unknown_words_are_told_by_place(tmp_path):
    """Column letter, number, patients and first row; the word itself is kept for the screen, whether in one row or three."""
    found = clean(tmp_path, *[{"status": "RIP"}] * 3, {"status": "Jane Doe"})
    assert [str(word) for word in found.unknown] == ["no. 1, 3 patients, first in row 2", "no. 2, 1 patients, first in row 5"]
    assert [word.text for word in found.unknown] == ["RIP", "Jane Doe"]
    assert any("column F (status), words not known: no. 1, 3 patients, first in row 2; no. 2" in note for note in found.notes)
    assert not any(word in found.problems.to_csv() + " ".join(found.notes) for word in ("RIP", "Jane"))
    assert found.problems["problem"].str.contains("alive, dead, lost, transplanted").all()


def test_words_can_be_explained(tmp_path):
    """A word told, by itself or by its row, is read as the known one, and logged without it; a wrong one is refused."""
    rows = [{"status": "RIP", "death_date": "2022-01-20", "complication": "SBP, fever"}]
    for place in (("status", "rip"), ("F", "row 2")):
        found = clean(tmp_path, *rows, words={place: "dead", ("complication", "sbp"): "other"})
        assert patient(found)["status"] == "dead"
        assert set(found.changes["from"]) == {"a word told"}
        assert found.rows["complication"].iloc[0] == "fever; other"
    for words in ({("status", "rip"): "gone"}, {("mood", "rip"): "dead"}):
        with pytest.raises(DataError, match=r"known|no column"):
            clean(tmp_path, *rows, words=words)


def test_a_code_book_gives_numbers_their_words(tmp_path):
    """1 and 9 mean nothing until told, unknown may be told too."""
    rows = [{"status": "1", "complication": "9"}, {"status": "2", "death_date": "2022-02-01"}]
    assert len(reasons(clean(tmp_path, *rows))) == 2
    book = {("status", "1"): "alive", ("status", "2"): "dead", ("complication", "9"): "unknown"}
    assert not reasons(clean(tmp_path, *rows, words=book))


def test_holds_for_want_of_a_column_say_how_to_point_to_it(tmp_path):
    """The dead have a date, under a heading not known: the note names the option and the column not used, by letter."""
    found = clean(tmp_path, {"status": "dead", "Died": "2022-01-20"})
    assert any('--map "COLUMN=death_date" with its letter or heading (not used so far: columns I)' in note for note in found.notes)
    mapped = clean(tmp_path, {"status": "dead", "Died": "2022-01-20"}, mapping={"I": "death_date"})
    assert patient(mapped)["fate"] == "analysed"
    assert not any("for want of" in note for note in mapped.notes)


def test_a_negative_size_is_no_size(tmp_path):
    """The sign is not lost in silence: the cell is left out and listed."""
    found = clean(tmp_path, {"size_mm": "-12"})
    assert list(found.problems["column"]) == ["size_mm"]


def test_nothing_of_a_held_patient_is_called_kept(tmp_path):
    """Two decision dates: kept with the earliest, unless the patient is held for another reason."""
    twice = [{"id": "P1", "decision_date": day, "bled": "maybe"} for day in ("2020-01-15", "2020-02-15")]
    fine = [{"id": "P2", "decision_date": day} for day in ("2020-01-15", "2020-02-15")]
    found = clean(tmp_path, *twice, *fine).problems
    said = found[found["problem"].str.startswith("rows of one id give different decision dates")]
    assert list(said["action"]) == ["held", "kept"]


def test_a_registry_without_a_patient_left_says_why_for_each(tmp_path):
    """Every reason with its count, the columns not used and the words not known."""
    rows = [*[{"status": "RIP", "Mood": "good"}] * 3, {"bled": ""}]
    with pytest.raises(DataError) as fault:
        analyse(tmp_path, *rows)
    for part in ("bled: blank: unknown is not no (1)", "(3)", "not used: columns I", "no. 1, 3 patients", "--word"):
        assert part in str(fault.value)


def test_a_crippled_registry_makes_no_override(tmp_path):
    """More than a tenth held, or deaths of which no cause can be read: refused, naming the word that frees most; one in ten is not."""
    dead = {"status": "dead", "death_date": "2022-02-01", "death_cause": "RIP"}
    refused = analyse(tmp_path, *[{}] * 17, dead, dead, {"bled": ""}).refused
    assert "3 of 20 patients are held" in refused
    assert "column J (death_cause), word no. 1, 2 patients, first in row 19" in refused
    assert analyse(tmp_path, *[{}] * 18, {"bled": ""}, {"bled": ""}).refused == ""
    few = analyse(tmp_path, *[{}] * 29, dead)
    assert "death_cause (column J) has words not known and no other" in few.refused
    assert analyse(tmp_path, *[{}] * 29, dead, dead | {"death_cause": "liver failure"}).refused == ""
    assert "override.toml" not in write_registry(few, tmp_path / "one")
    assert (
        "Partial, against its refusal: no override" in write_registry(few, tmp_path / "two", partial=True)["override.toml"].read_text()
    )
