"""Three messy registries made from one truth: each goes in with the recipe beside it, and the import finds the truth."""

import re
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner

from econmodel.errors import DataError
from econmodel.evidence.registry import BaseCase, Options, clean_registry
from econmodel.evidence.registry.layouts import draft
from econmodel.evidence.registry.recipe import may_stand, read_recipe, recipe_book, recipe_text
from econmodel.interfaces.commands import registry as commands
from econmodel.package import params_folder

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "registries"))
import make

FOLDER = params_folder() / "registries"
FILES = {"wide": "wide.xlsx", "spanish": "spanish.csv", "coded": "coded.csv"}
AS_OF = Options(as_of=date(2026, 1, 1))
PATIENTS = make.truth()


def read(name, options=AS_OF, **changes):
    """Read a registry with its recipe."""
    return clean_registry(FOLDER / FILES[name], replace(read_recipe(FOLDER / f"{name}.toml", options), **changes))


@pytest.fixture(scope="module", params=FILES)
def found(request):
    """One of the registries, read."""
    return request.param, read(request.param)


def test_the_shipped_files_are_those_made():
    """The files are what the script makes from its truth, and say that they are invented."""
    assert (FOLDER / "truth.csv").read_text(encoding="utf-8") == make.truth_text(PATIENTS)
    assert (FOLDER / "spanish.csv").read_bytes() == make.spanish(PATIENTS)
    assert tuple((FOLDER / name).read_text(encoding="utf-8") for name in ("coded.csv", "coded_book.csv")) == make.coded(PATIENTS)
    shipped, made = openpyxl.load_workbook(FOLDER / "wide.xlsx"), make.wide(PATIENTS)
    for ours, theirs in zip(shipped, made, strict=True):
        plain = [[getattr(cell, "date", lambda cell=cell: cell)() for cell in row] for row in ours.values]
        assert plain == [[None if cell == "" else cell for cell in row] for row in theirs.values]


def test_the_import_finds_the_truth(found):
    """Nobody is held; every fact of every patient, and what each session used and did, is as it was."""
    name, clean = found
    assert list(clean.patients["fate"].unique()) == ["analysed"], clean.problems
    assert clean.problems.empty
    assert clean.unknown == ()
    for (_, p), t in zip(clean.patients.iterrows(), PATIENTS, strict=True):
        facts = {k: None if pd.isna(p[k]) else p[k] for k in ("age", "sex", "child", "varix_type", "size_mm", "red_spot", "strategy")}
        assert facts == {k: t[k] for k in facts}, (name, t["patient"])
        days = {"start": "decision", "bleed_date": "bleed_date", "last_seen": "last_seen", "death_date": "death_date"}
        assert {k: None if pd.isna(p[k]) else p[k].date() for k in days} == {k: t[v] for k, v in days.items()}
        assert [p["bled"], p["bleed_source"] or "", p["status"], p["death_cause"] or ""] == [
            t["bled"], t["source"], t["status"], t["death_cause"]
        ]  # fmt: skip
        visits = clean.visits[clean.visits["patient"].eq(p.name) & clean.visits["is_session"]]
        assert [d.date() for d in visits["session_date"]] == t["sessions"]
        assert [visits[k].sum() for k in ("coils", "glue_ml")] == [sum(t["coils"]), pytest.approx(sum(t["glue_ml"]))]
        for harm in ("fever", "embolism", "other"):
            assert int(visits[harm].sum()) == t["complications"].count(harm), (name, t["patient"])


def test_all_three_tell_the_same():
    """What is analysed does not depend on which file told it, so no estimate does."""
    facts = ["age", "sex", "child", "size_mm", "strategy", "start", "bled", "bleed_date", "last_seen", "status", "death_cause"]
    wide, spanish, coded = (read(name) for name in FILES)
    for other in (spanish, coded):
        pd.testing.assert_frame_equal(wide.patients[facts], other.patients[facts])
        pd.testing.assert_frame_equal(wide.courses.fillna({"coils": 0.0}), other.courses.fillna({"coils": 0.0}), check_dtype=False)


def test_headings_of_six_languages_need_no_recipe():
    """The Spanish export is understood but for three words of the house, which hold their patients."""
    clean = clean_registry(FOLDER / "spanish.csv", AS_OF)
    assert {word.text for word in clean.unknown} == {"dolor leve", "TOH", "PBE"}
    assert dict(clean.read_as.sheets[0].columns) | {"B": "ignore"} == dict(
        read_recipe(FOLDER / "spanish.toml", AS_OF).sheets[0].columns
    )


def test_without_its_words_a_registry_is_held():
    """Negative control: without the recipe's words the deaths and harms are held, told by place, and no override is made."""
    clean = read("wide", words={})
    assert {(w.column, w.letter, w.text) for w in clean.unknown} == {
        ("complication", "1:N", "LE"),
        ("complication", "1:N", "Schmerz"),
        ("death_cause", "2:J", "MOV"),
    }
    assert set(clean.patients["fate"]) == {"analysed", "held"}
    assert {"table", "row"} <= set(clean.problems)


def test_a_recipe_is_written_from_what_was_read(found, tmp_path):
    """Written out and read again it says the same, and holds no heading and no word but those typed in."""
    name, clean = found
    path = tmp_path / "recipe.toml"
    path.write_text(recipe_text(clean.read_as.sheets, clean.unknown, clean.read_as), encoding="utf-8")
    again = read_recipe(path, AS_OF)
    given = read_recipe(FOLDER / f"{name}.toml", AS_OF)
    assert (again.sheets, again.words, again.layout_key) == (given.sheets, given.words, given.layout_key)
    assert not re.search(r"Nr\.|historia|Sitzung|v01", path.read_text(encoding="utf-8"))
    book = path.with_suffix(".xlsx")
    book.write_bytes(recipe_book(clean.read_as.sheets, clean.unknown, clean.read_as))
    assert read_recipe(book, AS_OF) == again


def test_open_words_are_lines_to_fill_in(tmp_path):
    """An unknown word is told by column, number, patients and row; its row, filled in, explains it."""
    clean = read("spanish", words={})
    text = recipe_text(clean.read_as.sheets, clean.unknown, clean.read_as)
    assert re.search(r"# column W: unknown word no. 1, \d+ patients, first in row \d+ = \?", text)
    assert "PBE" not in text
    text = re.sub(r'(\[words.status\]\n.*\n)# (.*) = "\?"', r'\1\2 = "transplanted"', text)
    path = tmp_path / "recipe.toml"
    path.write_text(re.sub(r'# ("row \d+") = "\?"', r'\1 = "other"', text), encoding="utf-8")
    assert clean_registry(FOLDER / "spanish.csv", read_recipe(path, AS_OF)).problems.empty


def test_open_words_are_picked_in_the_workbook(tmp_path):
    """Its lists offer what each column knows; picked there, a word is explained, and one typed beside it too."""
    clean = read("spanish", words={})
    path = tmp_path / "recipe.xlsx"
    path.write_bytes(recipe_book(clean.read_as.sheets, clean.unknown, clean.read_as))
    book = openpyxl.load_workbook(path)
    offered = {rule.formula1 for sheet in book for rule in sheet.data_validations.dataValidation}
    assert offered == {"date_order", "number_style", "columns", "INDIRECT($A2)"}
    place = book.defined_names["death_cause"].attr_text.replace("$", "").removeprefix("Lists!")
    assert [row[0].value for row in book["Lists"][place]] == ["bleed", "procedure", "other", "unknown"]
    words = book["Words"]
    assert "PBE" not in str([*words.values])
    for row in words.iter_rows(min_row=2):
        row[2].value = "transplanted" if row[0].value == "status" else "other"
    words.append(["cause", 9, "alcohol"])
    book.save(path)
    found = read_recipe(path, AS_OF)
    assert found.words["cause", "9"] == "alcohol"
    assert clean_registry(
        FOLDER / "spanish.csv", replace(found, words={k: v for k, v in found.words.items() if k[0] != "cause"})
    ).problems.empty


@pytest.mark.parametrize(
    ("sheet", "cell", "typed", "message"),
    [
        ("Words", "B2", "Quist 1950", "four digits"),
        ("Words", "A2", "mood", "unknown key 'mood'"),
        ("Columns", "C2", "identity", "no such name"),
        ("Sheets", "B2", 0, "must be a row"),
        ("File", "B2", "first", "date_order"),
        ("Columns", "A1", "Mood", "must have the headings"),
        ("Words", "B2", "=1+1", "must be a value"),
    ],
)
def test_bad_workbooks_are_refused(tmp_path, sheet, cell, typed, message):
    """By the rules of the other recipe."""
    clean = read("spanish")
    path = tmp_path / "recipe.xlsx"
    path.write_bytes(recipe_book(clean.read_as.sheets, (), clean.read_as))
    book = openpyxl.load_workbook(path)
    book[sheet][cell] = typed
    book.save(path)
    with pytest.raises(DataError, match=message):
        read_recipe(path, AS_OF)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (('A = "id"', 'A = "identity"'), "no such name"),
        (('B = "ignore"', 'B = "age"'), "several columns are age"),
        (("header_row = 2", "header_row = 0"), "must be a row"),
        (("[[sheet]]", "[[sheets]]"), "unknown key 'sheets'"),
        (('"PBE" =', '"Quist 1950-02-03" ='), "four digits"),
        (("layout =", "mood ="), "unknown key 'mood'"),
        (('date_order = "day_first"', 'date_order = "first"'), "date_order"),
        (('W = "death_cause"', 'ZZ = "death_cause"'), "columns ZZ"),
        (("first_row = 3", "first_row = 4"), "headings are not those"),
    ],
)
def test_bad_recipes_are_refused(tmp_path, change, message):
    """One message with a fix, before anything is read wrongly."""
    path = tmp_path / "recipe.toml"
    path.write_text((FOLDER / "spanish.toml").read_text(encoding="utf-8").replace(*change), encoding="utf-8")
    with pytest.raises(DataError, match=message) as caught:
        clean_registry(FOLDER / "spanish.csv", read_recipe(path, AS_OF))
    assert "fix:" in str(caught.value)


def test_what_may_stand_in_a_recipe():
    """Short words without a year or record number."""
    assert [may_stand(w) for w in ("RIP", "row 12345", "SMITH-1950", "x" * 31)] == [True, True, False, False]


def test_a_recipe_is_asked_on_the_screen(tmp_path, monkeypatch):
    """Headings, dates and words are asked once; the answers stand in the recipe, which reads the file without a question."""
    monkeypatch.setattr(commands, "base_case", lambda _: BaseCase())
    rows = [f"X-{n};{n % 3 + 1}/03/2020;no;{n % 3 + 1}/03/2022;{'RIP' if n == 4 else 'alive'};glue;1,5;good" for n in range(12)]
    path = tmp_path / "r.csv"
    path.write_text("id;Decision date;Bled;Last seen;Tila;Strategy;Glue mL;Mood\n" + "\n".join(rows) + "\n", encoding="utf-8")
    answers = "status\nignore\ny\nwrong\nlost\n"
    done = CliRunner().invoke(commands.registry, [str(path), "--ask", "--out", str(tmp_path / "out")], input=answers)
    assert done.exit_code == 0, done.output
    assert "'RIP' means" in done.output
    recipe = (tmp_path / "out" / "recipe.toml").read_text(encoding="utf-8")
    assert 'E = "status"' in recipe
    assert '"RIP" = "lost"' in recipe
    assert 'date_order = "day_first"' in recipe
    assert not any("RIP" in p.read_text(encoding="utf-8") for p in (tmp_path / "out").iterdir() if p.stem != "recipe")
    options = ["--recipe", str(tmp_path / "out" / "recipe.toml"), "--out", str(tmp_path / "two")]
    assert CliRunner().invoke(commands.registry, [str(path), *options]).exit_code == 0
    assert (tmp_path / "two" / "repaired.csv").read_text() == (tmp_path / "out" / "repaired.csv").read_text()


def test_what_is_known_is_listed():
    """``--words`` needs no file."""
    done = CliRunner().invoke(commands.registry, ["--words"])
    assert "words of complication, embolism: " in done.output
    assert "column bled: " in done.output


def test_a_file_of_unknown_headings_leaves_a_recipe_to_fill_in(tmp_path):
    """Refused, with a draft that names its columns by letter and no heading."""
    done = CliRunner().invoke(commands.registry, [str(FOLDER / "coded.csv"), "--out", str(tmp_path)])
    assert f"or fill in {tmp_path / 'recipe.toml'}" in str(done.exception)
    assert '# V = "?"' in (tmp_path / "recipe.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", FILES)
def test_a_draft_finds_the_tables(name):
    """Heading rows, units and sheets are found without a recipe; what headings do not tell is left open, nothing is wrong."""
    given, drafted = read_recipe(FOLDER / f"{name}.toml", AS_OF), draft(FOLDER / FILES[name], AS_OF)
    places = [(s.number, s.header_row, s.first_row) for s in drafted]
    assert places == [(s.number, s.header_row, s.first_row) for s in given.sheets]
    for ours, theirs in zip(drafted, given.sheets, strict=True):
        assert all(theirs.columns[letter] == name for letter, name in ours.columns.items() if name)
        assert set(ours.columns) == set(theirs.columns)
