"""Registry files as hospitals send them: encodings, delimiters, workbooks, no tables at all, and the command."""

import json
import tomllib
import zipfile
from datetime import date, datetime

import numpy as np
import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner

from econmodel.errors import DataError, EconModelError
from econmodel.evidence.registry import Options, analyse_registry, clean_registry, write_registry
from econmodel.interfaces.commands.registry import registry
from econmodel.package import params_folder
from econmodel.parameters.loading import load_case

OPTIONS = Options(as_of=date(2026, 1, 1))
DEMO = params_folder() / "hospitals" / "demo_registry.csv"
HEAD = ["Study no", "Cause", "Decision date", "Strategy", "Bled", "Bleed date", "Last seen", "Status"]
ROWS = [
    ["A-1", "cirrhose éthylique", "2020-01-15", "none", "no", "", "2022-01-15", "alive"],
    ["A-2", "HCV", "2020-02-20", "none", "yes", "2021-02-20", "2022-02-20", "alive"],
]


def text(delimiter=",", rows=ROWS, newline="\n"):
    """Table as delimited text."""
    return newline.join(delimiter.join(row) for row in [HEAD, *rows]) + newline


def workbook(path, rows=ROWS, **cells):
    """Workbook with the table on its first sheet."""
    book = openpyxl.Workbook()
    sheet = book.active
    for row in [HEAD, *rows]:
        sheet.append(row)
    for address, value in cells.items():
        sheet[address] = value
    book.save(path)
    return path


def add_members(path, members):
    """Add members to a workbook's archive."""
    with zipfile.ZipFile(path, "a") as archive:
        for name, content in members.items():
            archive.writestr(name, content)


def labels(path, options=OPTIONS):
    """Analysed patients of a file."""
    return list(clean_registry(path, options).analysed["label"])


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "latin-1", "cp1252"])
def test_encodings(tmp_path, encoding):
    """Every usual encoding is read, and said."""
    path = tmp_path / "r.csv"
    path.write_bytes(text().encode(encoding))
    found = clean_registry(path, OPTIONS)
    assert list(found.analysed["label"]) == ["patient-1", "patient-2"]
    assert any("encoding" in note for note in found.notes)


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_delimiters_and_line_ends(tmp_path, delimiter, newline):
    """Commas, semicolons, tabs and bars; line ends of any system."""
    path = tmp_path / "r.csv"
    path.write_bytes(text(delimiter, newline=newline).encode())
    assert labels(path) == ["patient-1", "patient-2"]


def test_title_lines_and_row_numbers(tmp_path):
    """Lines above the headings are passed over; row numbers are those a spreadsheet shows, blank rows and all."""
    path = tmp_path / "r.csv"
    rows = [ROWS[0], ["", "", "", "", "", "", "", ""], ["A-3", "", "2020-02-31", "none", "no", "", "2022-01-01", "alive"]]
    path.write_text('"Varices, all of them"\nExported 2026-01-01\n' + text(rows=rows), encoding="utf-8")
    found = clean_registry(path, OPTIONS)
    assert list(found.problems["row"]) == [6]
    assert any("blank rows passed over: 1" in note for note in found.notes)


def test_quoted_cells_over_several_lines(tmp_path):
    """A cell may hold the delimiter and line ends."""
    path = tmp_path / "r.csv"
    path.write_text(text(rows=[[ROWS[0][0], '"alcohol,\nheavy"', *ROWS[0][2:]], ROWS[1]]), encoding="utf-8")
    assert labels(path) == ["patient-1", "patient-2"]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "is empty"),
        (b"  \n ", "is empty"),
        (b"Dear colleague,\nplease find the registry attached.\n", "not a registry table"),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "is not text"),
        (b"%PDF-1.7\n1 0 obj\n", "not a registry table"),
        (b'{"patients": [1, 2]}', "not a registry table"),
        (b"PK\x03\x04broken", "damaged"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1rest", "old or password-protected"),
        (b"\xff\xfe\x41", "is not text"),
        (text(rows=[]).encode(), "no patient rows"),
        (b"id,bled\n1,no\n", "no column for decision_date"),
        (b'id,bled,decision date,last seen\n"1,no,2020-01-01,2021-01-01\n' + b"2,no,2020-01-01,2021-01-01\n" * 9000, "not a table"),
    ],
)
def test_not_a_table(tmp_path, content, message):
    """A file that is no registry gives one message with a fix, whatever it is."""
    path = tmp_path / "r.csv"
    path.write_bytes(content)
    with pytest.raises(DataError, match=message) as caught:
        clean_registry(path, OPTIONS)
    assert "fix:" in str(caught.value)


def test_missing_file_and_folder(tmp_path):
    """A path that is no file is said."""
    for path in (tmp_path / "none.csv", tmp_path):
        with pytest.raises(DataError):
            clean_registry(path, OPTIONS)


def test_workbook(tmp_path):
    """Cells of a workbook come as they are: dates cannot be misread, numbers and yes/no keep their meaning."""
    rows = [
        ["A-1", "", datetime(2020, 1, 15), "none", False, None, datetime(2022, 1, 15, 9, 30), "alive"],
        [7, "", 43881, "none", True, date(2021, 2, 20), "2022-02-20", "alive"],
    ]
    found = clean_registry(workbook(tmp_path / "r.xlsx", rows), OPTIONS)
    assert list(found.analysed["label"]) == ["patient-1", "patient-2"]
    assert list(found.analysed["start"]) == [pd.Timestamp(2020, 1, 15), pd.Timestamp(2020, 2, 20)]
    assert list(found.analysed["bled"]) == ["no", "yes"]


def test_workbook_by_content_not_by_ending(tmp_path):
    """A workbook named .csv is still a workbook."""
    assert labels(workbook(tmp_path / "r.xlsx").rename(tmp_path / "r.csv")) == ["patient-1", "patient-2"]


def test_macros_and_links_are_ignored_and_said(tmp_path):
    """Macros and links to other files are neither run nor followed; the import says they were there."""
    path = workbook(tmp_path / "r.xlsm")
    add_members(path, {"xl/vbaProject.bin": b"\x00macro", "xl/externalLinks/externalLink1.xml": "<externalLink/>"})
    notes = " ".join(clean_registry(path, OPTIONS).notes)
    assert "macros: they were ignored" in notes
    assert "links to other files: they were ignored" in notes
    assert "macros" not in " ".join(clean_registry(workbook(tmp_path / "plain.xlsx"), OPTIONS).notes)


def test_formula_cells_are_not_computed(tmp_path):
    """A formula gives the value stored in it (here none, so a blank), is counted, and never reaches an output."""
    path = workbook(tmp_path / "r.xlsx", A2='=HYPERLINK("http://x.invalid","A-1")', B3="=1+1")
    result = analyse_registry(path, OPTIONS)
    assert any("cells with formulas: 2" in note for note in result.clean.notes)
    written = write_registry(result, tmp_path / "out")
    assert not any("HYPERLINK" in p.read_text(encoding="utf-8") for p in written.values())
    assert list(result.clean.problems["row"]) == [2]


def test_the_sheet_with_the_registry_is_found(tmp_path):
    """The registry may stand on any sheet, under a title; the others are counted."""
    book = openpyxl.Workbook()
    book.active.append(["read me"])
    sheet = book.create_sheet("Data 2026")
    for row in [["Invented figures"], [], HEAD, *ROWS]:
        sheet.append(row)
    book.save(tmp_path / "r.xlsx")
    found = clean_registry(tmp_path / "r.xlsx", OPTIONS)
    assert list(found.rows["row"]) == [4, 5]
    assert found.invented
    assert "only sheet no. 2 was read; other sheets: 1" in found.notes


def test_workbook_without_registry(tmp_path):
    """A workbook of something else is no registry."""
    book = openpyxl.Workbook()
    book.active.append(["ward", "beds"])
    book.save(tmp_path / "r.xlsx")
    with pytest.raises(DataError, match="not a registry table"):
        clean_registry(tmp_path / "r.xlsx", OPTIONS)


def test_mapped_headings_make_a_table(tmp_path):
    """Headings in another language are a table once mapped."""
    path = tmp_path / "r.csv"
    path.write_text("numéro;päätös;vuoto;nähty;ryhmä\nA-1;2020-01-15;no;2022-01-15;none\n", encoding="latin-1")
    with pytest.raises(DataError, match="not a registry table"):
        clean_registry(path, OPTIONS)
    mapping = {"numéro": "id", "päätös": "decision_date", "vuoto": "bled", "nähty": "last_seen", "ryhmä": "strategy"}
    assert labels(path, Options(as_of=OPTIONS.as_of, mapping=mapping)) == ["patient-1"]


def many(n, seed=7):
    """Make a registry of n patients with several sessions each, untidy in ways that are not faults."""
    rng = np.random.default_rng(seed)
    ids = np.repeat(np.arange(n), rng.integers(1, 4, n))
    start = pd.Timestamp("2016-01-01") + pd.to_timedelta(rng.integers(0, 1500, n), unit="D")
    follow = rng.integers(400, 1600, n)
    bled, treated = rng.random(n) < 0.25, rng.random(n) < 0.6
    end = start + pd.to_timedelta(follow, unit="D")
    at = start + pd.to_timedelta(follow // 2 + 1, unit="D")
    session = start[ids] + pd.to_timedelta(rng.permuted(np.arange(len(ids))) % 190 + 1, unit="D")
    late = bled & (rng.random(n) < 0.3)
    return pd.DataFrame(
        {
            "Study no": [f"P{i}" for i in ids],
            "Decision date": start[ids].strftime("%d/%m/%Y"),
            "Birth year": (1940 + ids % 40),
            "Sex": np.where(ids % 3 == 0, "F", "M"),
            "Child": np.array(list("ABC"))[ids % 3],
            "Size": 6 + ids % 10,
            "Red spots": np.where(ids % 4 == 0, "yes", "no"),
            "Session date": np.where(treated[ids], session.strftime("%m/%d/%y"), ""),
            "Strategy": np.where(treated, "glue", "none")[ids],
            "Glue mL": np.where(treated[ids], "1,5", ""),
            "Bled": np.where(bled, "yes", "no")[ids],
            "Bleed date": np.where(bled & ~late, (at + pd.Timedelta(days=200)).strftime("%d-%b-%Y"), "")[ids],
            "Last seen": (end + pd.Timedelta(days=400)).strftime("%Y-%m-%d")[ids],
            "Status": np.where(rng.random(n) < 0.1, "lost", "alive")[ids],
        }
    ), {"patients": n, "bleeds": int(bled.sum()), "treated": int(treated.sum())}


def test_a_few_thousand_rows(tmp_path):
    """Thousands of rows: every patient once, no row lost, bleeds by strategy as made, and a loss-free round trip."""
    frame, made = many(3000)
    path = tmp_path / "r.csv"
    frame.to_csv(path, index=False)
    result = analyse_registry(path, OPTIONS)
    whole = [r for r in result.rows if r["group"] == "all"]
    assert len(result.clean.patients) == made["patients"]
    assert result.clean.problems.empty
    assert sum(r["patients"] for r in whole) == made["patients"]
    assert sum(r["bleeds"] for r in whole) == made["bleeds"]
    assert {r["strategy"]: r["patients"] for r in whole}["glue"] == made["treated"]
    written = write_registry(result, tmp_path / "one")
    again = analyse_registry(written["repaired.csv"], OPTIONS)
    assert again.clean.problems.empty
    second = write_registry(again, tmp_path / "two")
    for name in ("estimates.csv", "curves.csv"):
        assert second[name].read_text() == written[name].read_text()


def test_csv_and_workbook_agree(tmp_path):
    """The same table gives the same estimates from CSV and from a workbook."""
    frame, _ = many(60)
    frame.to_csv(tmp_path / "r.csv", index=False)
    frame.to_excel(tmp_path / "r.xlsx", index=False)
    one, two = (analyse_registry(tmp_path / f"r.{end}", OPTIONS) for end in ("csv", "xlsx"))
    assert one.rows == two.rows


def test_command(tmp_path):
    """The command writes the files, and its override moves the case."""
    done = CliRunner().invoke(registry, [str(DEMO), "--out", str(tmp_path)], catch_exceptions=False)
    assert done.exit_code == 0
    assert "Invented demonstration data" in done.output
    document = tomllib.loads((tmp_path / "override.toml").read_text(encoding="utf-8"))
    parameters = load_case(None, [tmp_path / "override.toml"]).parameters
    assert parameters.number("log_rate_reference") == document["override"]["log_rate_reference"]["value"]
    assert parameters.number("p_first_bleed_year_1") != load_case(None).parameters.number("p_first_bleed_year_1")


def test_command_json(tmp_path, monkeypatch):
    """``--json -`` prints JSON alone and writes nothing without ``--out``."""
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(registry, [str(DEMO), "--json", "-"], catch_exceptions=False)
    document = json.loads(done.stdout)
    assert [c["patients"] for c in document["counts"] if c["step"] == "analysed"] == [52]
    assert list(tmp_path.iterdir()) == []


def test_command_borrows_a_comparator(tmp_path):
    """Without untreated patients the NNT is labelled as borrowed, from the model's own untreated risk."""
    rows = [[f"A-{n}", "HCV", "2020-01-15", "glue", "no", "", "2023-01-15", "alive"] for n in range(5)]
    (tmp_path / "r.csv").write_text(text(rows=rows))
    done = CliRunner().invoke(registry, [str(tmp_path / "r.csv"), "--json", "-"], catch_exceptions=False)
    comparison = json.loads(done.stdout)["comparison"]
    assert comparison["comparator"] == "borrowed comparator"
    assert comparison["strategies"]["glue"]["1"]["nnt"]["kind"] == "NNTB"


@pytest.mark.parametrize(
    "arguments",
    [["--day-first", "--month-first"], ["--map", "Bled"], ["--map", "Bled=nothing"], ["--map", "Bledd=bled"], ["--out", __file__]],
)
def test_command_bad_options(arguments):
    """Options that contradict each other, or name what is not there, are refused before anything is written."""
    with pytest.raises(EconModelError):
        CliRunner().invoke(registry, [str(DEMO), *arguments], catch_exceptions=False)
