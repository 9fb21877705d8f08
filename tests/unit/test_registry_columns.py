"""Columns of a registry: synonyms, mapping, identifiers, and the words in its cells."""

from dataclasses import replace

import pytest
from registry_tables import clean, options, patient, reasons, write

from econmodel.errors import DataError
from econmodel.evidence.registry import clean_registry, words
from econmodel.evidence.registry.columns import SYNONYMS, map_columns, plain, recognise
from econmodel.evidence.registry.settings import shipped_strategies
from econmodel.evidence.registry.table import column_letter
from econmodel.evidence.registry.vocabulary import meanings_of, read_cells

NEEDED = ["bled", "decision_date", "last_seen"]


def lettered(*headings):
    """Give each heading its column's letter."""
    return {heading: column_letter(n) for n, heading in enumerate(headings, start=1)}


def test_every_synonym_leads_to_its_name():
    """No synonym belongs to two names, and each is written in plain form."""
    known = [w for name, found in SYNONYMS.items() for w in {plain(name), *found}]
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
        ("Fecha de éxitus", "death_date"),
        ("Letzter Kontakt", "last_seen"),
        ("Nº historia", "identifier"),
        ("Date de naissance", "identifier"),
        ("Patient name", "identifier"),
        ("favourite colour", ""),
    ],
)
def test_headings(heading, name):
    """Case, punctuation and brackets in a heading do not matter."""
    assert recognise(heading) == name


def test_mapping_goes_first():
    """A mapped column takes its name from a column that merely has it."""
    found = map_columns(lettered(*NEEDED, "Final clinic"), {"final clinic": "last_seen"})
    assert found.found["last_seen"] == "Final clinic"
    assert found.unused == ("last_seen",)


def test_ignored_column():
    """A column can be left out."""
    assert "child" not in map_columns(lettered(*NEEDED, "child"), {"child": "ignore"}).found


@pytest.mark.parametrize(
    ("mapping", "message"),
    [({"Last clinik": "last_seen"}, "its letter from A to D"), ({"Last clinic": "last_sen"}, "did you mean 'last_seen'")],
)
def test_mapping_faults_suggest(mapping, message):
    """A wrong column or name is answered with the nearest right one."""
    with pytest.raises(DataError, match=message):
        map_columns(lettered(*NEEDED, "Last clinic"), mapping)


def test_a_column_may_be_named_by_its_letter():
    """Letter D is the fourth column, whatever its heading."""
    assert map_columns(lettered(*NEEDED, "whatever"), {"D": "child"}).found["child"] == "whatever"


def test_two_columns_for_one_name():
    """Two columns of one meaning are asked about."""
    with pytest.raises(DataError, match="columns A and D both hold bled"):
        map_columns(lettered(*NEEDED, "bleeding"), {})
    assert map_columns(lettered(*NEEDED, "bleeding"), {"bleeding": "ignore"}).found["bled"] == "bled"


@pytest.mark.parametrize("missing", NEEDED)
def test_needed_columns(missing):
    """Without an outcome, a start or an end nothing can be estimated."""
    with pytest.raises(DataError, match="no column for"):
        map_columns(lettered(*(c for c in NEEDED if c != missing)), {})


def test_identifiers_are_dropped(tmp_path):
    """Names and record numbers are in no frame; the columns are named by letter in the notes."""
    found = clean(tmp_path, {"Patient name": "Jane Invented", "MRN": "RX9988776"})
    assert "dropped on load, as identifiers: columns I, J" in found.notes
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


def test_patients_are_numbered_by_us(tmp_path):
    """Whatever stands under id is replaced; the key knows which is which."""
    ids = ["SMITH-1950", "Jane Invented", "4857773456"]
    found = clean(tmp_path, *({"id": i} for i in ids))
    assert list(found.patients["label"]) == ["patient-1", "patient-2", "patient-3"]
    assert list(found.key["id"]) == ids
    assert not any(i in found.rows.to_csv() + found.problems.to_csv() for i in ids)
    # Numbers of ours, in a repaired file, stay.
    assert list(clean(tmp_path, {"id": "patient-7"}, {"id": "patient-9"}).patients["label"]) == ["patient-7", "patient-9"]


def test_birth_date_gives_the_year_only(tmp_path):
    """A date of birth is reduced to its year on load."""
    found = clean(tmp_path, {"DOB": "14/07/1958"})
    assert patient(found)["birth_year"] == 1958
    assert "14/07" not in found.rows.to_csv()


def test_a_row_without_id_is_held(tmp_path):
    """In a file with ids, a row without one cannot be joined."""
    assert list(reasons(clean(tmp_path, {}, {"id": ""})).values()) == ["id: no id, in a file where ids join the rows of a patient"]


@pytest.mark.parametrize(
    ("column", "text", "key"),
    [
        ("bled", "Y", "yes"),
        ("bled", "0", "no"),
        ("bled", "1", "?"),
        ("bled", "perhaps", "?"),
        ("sex", "Woman", "female"),
        ("sex", "1", "?"),
        ("status", "Lost to follow-up", "lost"),
        ("status", "dead?", "?"),
        ("status", "verstorben", "dead"),
        ("status", "умер", "?"),
        ("cause", "HCV", "viral"),
        ("cause", "alcohol + HBV", "alcohol; viral"),
        ("cause", "Smith", "?"),
        ("bleed_source", "Fundal varix", "gastric"),
        ("bleed_source", "oesophageal varices", "other"),
        ("bleed_source", "peptic ulcer", "not_portal"),
        ("bleed_source", "portal hypertensive gastropathy", "other"),
        ("bleed_source", "glue site ulcer", "gastric"),
        ("bleed_source", "gastric and oesophageal", "?"),
        ("bleed_source", "not gastric", "?"),
        ("bleed_source", "no", None),
        ("bleed_source", "no bleed", None),
        ("death_cause", "variceal haemorrhage", "bleed"),
        ("death_cause", "liver failure, no bleeding", "other"),
        ("death_cause", "liver failure and variceal bleed", "bleed"),
        ("death_cause", "procedure; bleeding", "?"),
        ("death_cause", "not bleeding", "?"),
        ("death_cause", "sepsis", "?"),
        ("death_cause", "RIP", "?"),
        ("death_cause", "none", None),
        ("death_cause", "insuficiencia hepática", "other"),
        ("complication", "sepsis + fever", "sepsis; fever"),
        ("complication", "PE", "embolism"),
        ("complication", "no embolism", "none"),
        ("complication", "embolism ruled out", "none"),
        ("complication", "embolism not excluded", "?"),
        ("complication", "possible embolism", "?"),
        ("complication", "PE?", "?"),
        ("complication", "no embolism, mild fever", "fever"),
        ("complication", "no fever but PE", "embolism"),
        ("complication", "no fever/embolism", "?"),
        ("complication", "no fever and embolism", "?"),
        ("complication", "no fever or embolism", "?"),
        ("complication", "fever or sepsis", "?"),
        ("complication", "fever, no fever", "?"),
        ("complication", "keine Lungenembolie; Fieber", "fever"),
        ("complication", "Sepsis ausgeschlossen", "none"),
        ("complication", "sin fiebre, TEP", "embolism"),
        ("complication", "embolia descartada", "none"),
        ("complication", "pas de fièvre", "none"),
        ("complication", "embolie pulmonaire exclue", "none"),
        ("complication", "sem febre", "none"),
        ("complication", "senza febbre", "none"),
        ("complication", "febbre e sepsi", "sepsis; fever"),
        ("complication", "sospetta embolia", "?"),
        ("complication", "complication", "?"),
        ("complication", "no complications", "none"),
        ("complication", "spontaneous peritonitis", "?"),
        ("complication", "no pain", "?"),
        ("complication", "other", "other"),
        ("complication", "0", "none"),
        ("complication", "1", "?"),
        ("complication", "n/a", None),
        ("complication", "-", None),
    ],
)
def test_words(column, text, key):
    """Words are reduced to keys; what is not known, denied twice or in doubt is held, never guessed."""
    assert read_cells([text], column, meanings_of(column, {})) == [key]


def test_a_word_with_two_meanings_waits_for_its_column():
    """M is a man beside F and a woman beside H; alone it is neither. A code book, or the user, settles any word."""
    known = meanings_of("sex", {})
    assert read_cells(["M", "F"], "sex", known) == ["male", "female"]
    assert read_cells(["M", "H"], "sex", known) == ["female", "male"]
    assert read_cells(["M"], "sex", known) == ["?"]
    assert read_cells(["M", "1"], "sex", meanings_of("sex", {}, {"m": "female", "1": "male"})) == ["female", "male"]


@pytest.mark.parametrize(("text", "key"), [("CP-A", "A"), ("16", "?")])
def test_child(text, key):
    """A letter, or a score from 5 to 15."""
    assert words.child(text) == key


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
    assert read_cells([text], "strategy", meanings_of("strategy", options().strategies)) == [key]


def test_own_strategy():
    """A strategy a user has added is known by its key and by its label; one the case does not have is not."""
    watch = shipped_strategies()["watch"]
    own = {"watch": watch, "gelatin_sponge": replace(watch, key="gelatin_sponge", label="Sponge, by a trained hand")}
    read = read_cells(["Gelatin sponge", "sponge by a trained hand", "coil"], "strategy", meanings_of("strategy", own))
    assert read == ["gelatin_sponge", "gelatin_sponge", "?"]


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
