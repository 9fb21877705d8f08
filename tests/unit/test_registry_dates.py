"""Dates of a registry: forms, orders, serial numbers, months, and what is refused."""

from datetime import date

import pandas as pd
import pytest
from registry_tables import AS_OF, clean, patient, reasons

from econmodel.errors import DataError
from econmodel.evidence.registry.dates import infer_order, read_one, settle


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2021-03-04", date(2021, 3, 4)),
        ("2021/3/4", date(2021, 3, 4)),
        ("20210304", date(2021, 3, 4)),
        ("4 Mar 2021", date(2021, 3, 4)),
        ("04-Mar-21", date(2021, 3, 4)),
        ("4th March 2021", date(2021, 3, 4)),
        ("Mar 4, 2021", date(2021, 3, 4)),
        ("March 4th 2021", date(2021, 3, 4)),
        ("44259", date(2021, 3, 4)),
        ("44259.75", date(2021, 3, 4)),
        ("60", None),
        ("Mar 21", date(2021, 3, 15)),
        ("Mar-2021", date(2021, 3, 15)),
        ("03/2021", date(2021, 3, 15)),
        ("2021-03", date(2021, 3, 15)),
        ("March '21", date(2021, 3, 15)),
        ("4 Mar 65", date(1965, 3, 4)),
    ],
)
def test_forms(text, day):
    """Every usual way of writing a day is read; a month alone is its 15th; two digits are the latest past century."""
    assert read_one(text, AS_OF).day == day


def test_serial_day_one_is_first_of_january_1900():
    """Serial 36526 is 1 January 2000, as spreadsheets count (they take 1900 for a leap year)."""
    assert read_one("36526", AS_OF).day == date(2000, 1, 1)
    assert read_one("36525", AS_OF).day != date(2000, 1, 1)


@pytest.mark.parametrize("text", ["", "-", "?", "n/a", "unknown", "none"])
def test_blanks(text):
    """Words for nothing are blank, not faults."""
    assert read_one(text, AS_OF).kind == "blank"


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("2021-02-30", "no such day"),
        ("31 Apr 2021", "no such day"),
        ("soon", "not a date"),
        ("2021", "not a date"),
        ("4 Mar", "not a date"),
        ("123456789", "not a date"),
    ],
)
def test_faults(text, fault):
    """A day that does not exist, or no date at all, is a fault."""
    assert read_one(text, AS_OF).fault == fault


@pytest.mark.parametrize(
    ("texts", "order"),
    [
        (["25/03/2021", "04/03/2021"], "day_first"),
        (["03/25/2021", "04/03/2021"], "month_first"),
        (["04/03/2021", "2021-03-25"], "ambiguous"),
        (["25/03/2021", "03/25/2021"], "mixed"),
        (["05/05/2021"], ""),
        (["2021-03-25", "Mar 21"], ""),
    ],
)
def test_order_comes_from_days_above_12(texts, order):
    """Only a day above 12 written with digits shows the order; equal day and month do not matter."""
    assert infer_order([read_one(t, AS_OF) for t in texts]) == order


def test_a_date_against_the_order_is_a_fault():
    """Once a column is day first, 03/25/2021 has no month 25."""
    assert settle(read_one("03/25/2021", AS_OF), "day_first").fault.startswith("not written day first")
    assert settle(read_one("25/03/2021", AS_OF), "day_first").day == date(2021, 3, 25)


def test_each_column_has_its_own_order(tmp_path):
    """Decision dates day first and last contacts month first stand in one file."""
    found = clean(
        tmp_path,
        {"decision_date": "04/03/2020", "last_seen": "04/03/2022"},
        {"decision_date": "25/03/2020", "last_seen": "03/25/2022"},
    )
    assert patient(found)["start"] == pd.Timestamp(2020, 3, 4)
    assert patient(found)["last_seen"] == pd.Timestamp(2022, 4, 3)


def test_ambiguous_dates_are_asked_once(tmp_path):
    """One message names every open column and the two options; the option settles them."""
    row = {"decision_date": "04/03/2020", "last_seen": "05/06/2022"}
    with pytest.raises(DataError, match=r"decision_date.*last_seen[\s\S]*--day-first or --month-first"):
        clean(tmp_path, row)
    assert patient(clean(tmp_path, row, date_order="day_first"))["start"] == pd.Timestamp(2020, 3, 4)
    assert patient(clean(tmp_path, row, date_order="month_first"))["start"] == pd.Timestamp(2020, 4, 3)


def test_mixed_column_is_asked_and_then_held(tmp_path):
    """A column with both orders is asked; the option then holds the rows that cannot be read its way."""
    rows = [{"decision_date": "25/03/2020"}, {"decision_date": "03/25/2020"}, {"decision_date": "04/03/2020"}]
    with pytest.raises(DataError, match="some of its dates are day first, some month first"):
        clean(tmp_path, *rows)
    found = clean(tmp_path, *rows, date_order="day_first")
    assert list(reasons(found)) == ["P2"]
    assert patient(found, "P3")["start"] == pd.Timestamp(2020, 3, 4)


def test_option_does_not_overrule_the_column(tmp_path):
    """A column whose days show the order keeps it, and the import says so."""
    found = clean(tmp_path, {"decision_date": "25/03/2020"}, {"decision_date": "04/03/2020"}, date_order="month_first")
    assert patient(found, "P2")["start"] == pd.Timestamp(2020, 3, 4)
    assert any("written day first" in note for note in found.notes)


def test_impossible_and_future_dates_hold_the_row(tmp_path):
    """Each faulty date holds its patient, with its row and without its text."""
    found = clean(
        tmp_path,
        {"decision_date": "31/02/2020"},
        {"last_seen": "2031-01-01"},
        {"decision_date": "1901-01-01"},
        {"decision_date": "20/01/2020"},
    )
    assert reasons(found) == {
        "P1": "decision_date: impossible date: no such day",
        "P2": "last_seen: impossible date: in the future",
        "P3": "decision_date: impossible date: before 1950",
    }
    first = found.problems.iloc[0]
    assert (first["row"], first["patient"], first["detail"], first["action"]) == (2, "patient-1", "", "held")


def test_serials_and_months_are_logged(tmp_path):
    """A serial number and a month are read, and the change log says what they became."""
    found = clean(tmp_path, {"decision_date": "43845"}, {"decision_date": "Mar 20"})
    log = found.changes.set_index("row")
    assert (log.loc[2, "from"], log.loc[2, "to"]) == ("a number", "2020-01-15")
    assert (log.loc[3, "from"], log.loc[3, "to"]) == ("a month", "2020-03-15")


def test_text_in_a_date_column_is_not_repeated(tmp_path):
    """A name typed in a date column is held and appears nowhere."""
    found = clean(tmp_path, {"last_seen": "Jane Invented"}, {})
    assert list(reasons(found)) == ["P1"]
    assert "Jane" not in found.problems.to_csv() + found.changes.to_csv()


def test_time_of_day_is_dropped(tmp_path):
    """A time after the date does not matter."""
    found = clean(tmp_path, {"decision_date": "2020-01-15T10:30:00", "last_seen": "17/02/2022 09:15"})
    assert patient(found)["start"] == pd.Timestamp(2020, 1, 15)
    assert patient(found)["last_seen"] == pd.Timestamp(2022, 2, 17)
