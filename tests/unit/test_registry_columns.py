"""Columns of a registry: synonyms, mapping, identifiers, and the words in its cells."""

from dataclasses import replace

import pytest
from registry_tables import clean, options, patient, reasons, write

from econmodel.errors import DataError
from econmodel.evidence.registry import clean_registry, words
from econmodel.evidence.registry.columns import SYNONYMS, map_columns, plain, recognise
from econmodel.evidence.registry.settings import shipped_strategies

NEEDED = ["bled", "decision_date", "last_seen"]


def test_every_synonym_leads_to_its_name():
    """No synonym belongs to two names, and each is written in plain form."""
    known = [w for name, found in SYNONYMS.items() for w in (plain(name), *found)]
    assert len(known) == len(set(known))
    assert all(plain(w) == w for w in known)
    assert all(recognise(name) == name for name in SYNONYMS)


@pytest.mark.parametrize(
    ("heading", "name"),
    [
        ("Child-Pugh class", "child"),
        ("Varix size (mm)", "size_mm"),
        ("DATE OF DEATH", "death_date"),
        ("Last  follow-up", "last_seen"),
        ("Number of coils", "coils"),
        ("Glue (mL)", "glue_ml"),
        ("MRN", "identifier"),
        ("Patient name", "identifier"),
        ("favourite colour", ""),
    ],
)
def test_headings(heading, name):
    """Case, punctuation and brackets in a heading do not matter."""
    assert recognise(heading) == name


def test_mapping_goes_first():
    """A mapped column takes its name from a column that merely has it."""
    found = map_columns([*NEEDED, "Final clinic"], {"final clinic": "last_seen"}, "f.csv")
    assert found.found["last_seen"] == "Final clinic"
    assert found.unused == ("last_seen",)


def test_ignored_column():
    """A column can be left out."""
    assert "child" not in map_columns([*NEEDED, "child"], {"child": "ignore"}, "f.csv").found


@pytest.mark.parametrize(
    ("mapping", "message"),
    [({"Last clinik": "last_seen"}, "did you mean 'Last clinic'"), ({"Last clinic": "last_sen"}, "did you mean 'last_seen'")],
)
def test_mapping_faults_suggest(mapping, message):
    """A wrong column or name is answered with the nearest right one."""
    with pytest.raises(DataError, match=message):
        map_columns([*NEEDED, "Last clinic"], mapping, "f.csv")


def test_two_columns_for_one_name():
    """Two columns of one meaning are asked about."""
    with pytest.raises(DataError, match="both hold bled"):
        map_columns([*NEEDED, "bleeding"], {}, "f.csv")
    assert map_columns([*NEEDED, "bleeding"], {"bleeding": "ignore"}, "f.csv").found["bled"] == "bled"


@pytest.mark.parametrize("missing", NEEDED)
def test_needed_columns(missing):
    """Without an outcome, a start or an end nothing can be estimated."""
    with pytest.raises(DataError, match="no column for"):
        map_columns([c for c in NEEDED if c != missing], {}, "f.csv")


def test_identifiers_are_dropped(tmp_path):
    """Names and record numbers are in no frame; the columns are named in the notes."""
    found = clean(tmp_path, {"Patient name": "Jane Invented", "MRN": "RX9988776"})
    assert any("'Patient name'" in note and "'MRN'" in note for note in found.notes)
    for frame in (found.patients, found.rows, found.visits, found.courses, found.problems, found.changes):
        assert "Invented" not in frame.to_csv()
        assert "9988776" not in frame.to_csv()


def test_record_number_joins_rows_and_goes(tmp_path):
    """Without a study number the record number joins a patient's rows, who is then only numbered."""
    path = write(tmp_path, *[{"MRN": "RX9988776", "session_date": d, "strategy": "glue"} for d in ("2020-02-01", "2020-03-01")])
    path.write_text(path.read_text().replace("id,", "drop me,", 1))
    found = clean_registry(path, options())
    assert list(found.patients["label"]) == ["patient-1"]
    assert "9988776" not in found.rows.to_csv()


def test_ids_that_may_identify_are_numbered(tmp_path):
    """Study numbers stay; names and long numbers in the id column are replaced."""
    found = clean(tmp_path, {"id": "X-017"}, {"id": "Jane Invented"}, {"id": "4857773456"})
    assert list(found.patients["label"]) == ["X-017", "patient-1", "patient-2"]


def test_birth_date_gives_the_year_only(tmp_path):
    """A date of birth is reduced to its year on load."""
    found = clean(tmp_path, {"DOB": "14/07/1958"})
    assert patient(found)["birth_year"] == 1958
    assert "14/07" not in found.rows.to_csv()


def test_a_row_without_id_is_held(tmp_path):
    """In a file with ids, a row without one cannot be joined."""
    assert list(reasons(clean(tmp_path, {}, {"id": ""})).values()) == ["id: no id, in a file where ids join the rows of a patient"]


@pytest.mark.parametrize(
    ("reader", "text", "key"),
    [
        (words.yes_no, "Y", "yes"),
        (words.yes_no, "0", "no"),
        (words.yes_no, "perhaps", "?"),
        (words.sex, "Woman", "female"),
        (words.sex, "1", "?"),
        (words.child, "CP-A", "A"),
        (words.child, "16", "?"),
        (words.status, "Lost to follow-up", "lost"),
        (words.cause, "HCV", "viral"),
        (words.cause, "Smith", "other"),
        (words.bleed_source, "Fundal varix", "gastric"),
        (words.bleed_source, "oesophageal varices", "other"),
        (words.bleed_source, "peptic ulcer", "not_portal"),
        (words.bleed_source, "portal hypertensive gastropathy", "other"),
        (words.bleed_source, "post-injection ulcer", "gastric"),
        (words.death_cause, "variceal haemorrhage", "bleed"),
        (words.death_cause, "not bleeding", "other"),
        (words.death_cause, "none", None),
        (words.bleed_source, "no", None),
        (words.complication, "sepsis + fever", "sepsis; fever"),
        (words.complication, "0", "none"),
    ],
)
def test_words(reader, text, key):
    """Words are reduced to keys, and what is not known is unreadable or other, never carried on."""
    assert reader(text) == key


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("none", "watch"),
        ("EUS coil + glue", "coil_and_glue"),
        ("EUS-guided coils", "coil"),
        ("Carvedilol", "beta_blocker"),
        ("n-butyl-2-cyanoacrylate", "glue"),
        ("BRTO", "transvenous"),
        ("coil_and_glue", "coil_and_glue"),
        ("surgery", "?"),
    ],
)
def test_strategies(text, key):
    """Common words for a strategy lead to its key."""
    assert words.strategy_reader(options().strategies)(text) == key


def test_own_strategy():
    """A strategy a user has added is known by its key and by its label; one the case does not have is not."""
    watch = shipped_strategies()["watch"]
    own = {"watch": watch, "gelatin_sponge": replace(watch, key="gelatin_sponge", label="Sponge, by a trained hand")}
    reader = words.strategy_reader(own)
    assert reader("Gelatin sponge") == reader("sponge by a trained hand") == "gelatin_sponge"
    assert reader("coil") == "?"


def test_unreadable_cells(tmp_path):
    """A word that decides is held; another is left out and listed; its text is not repeated."""
    found = clean(tmp_path, {"strategy": "witchcraft"}, {"child": "D"}, {"coils": "-1"}, {"bled": "perhaps"}, {"status": "emigrated"})
    assert set(reasons(found)) == {"P1", "P4", "P5"}
    left = found.problems[found.problems["action"].eq("left out")]
    assert list(left["column"]) == ["coils", "child"] or set(left["column"]) == {"child", "coils"}
    assert "witchcraft" not in found.problems.to_csv()


def test_decimal_comma_and_units(tmp_path):
    """1,5 mL is one and a half."""
    found = clean(tmp_path, {"strategy": "glue", "session_date": "2020-02-01", "glue_ml": "1,5 mL"})
    assert found.visits["glue_ml"].iloc[0] == 1.5
