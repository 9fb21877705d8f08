"""The catalogue: one row is all the code that a new complication takes."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import econmodel
from econmodel.evidence.registry.vocabulary import keys_of
from econmodel.package import params_folder
from econmodel.parameters.catalogue import CATEGORIES, COUNTS, HARMS, ITEMS, KEPT, KEPT_COMPLICATIONS, PRICES, of_kind

ROW = """    Item("perforation", "complication", "prophylaxis", "event", "Perforation", "perforation at a session", "a perforation",
         stay=True, kept=True, short="Perforations", plural="perforations"),
"""
AFTER = '    Item("bleed_survived",'
PRICE_ROWS = """c_perforation,12000,5000,20000,judgement,gamma cv 0.3,2024,2026-11-24,assumption,"Planted by a test."
share_variable_perforation,0.4,0.2,0.6,judgement,beta se 0.1,,2026-11-24,assumption,"Planted by a test."
payment_perforation,0,,,,fixed: planted,2024,2026-11-24,assumption,"Planted by a test."
"""
FIELDS = "name value low high basis distribution price_year date status rationale".split()
INPUT = """
[{name}]
label = "Planted"
unit = "{unit}"
value = 0.02
distribution = {{ family = "fixed", reason = "planted" }}
status = "assumption"
date = 2026-11-24
rationale = "Planted by a test."
"""
ASK = """
import json
from econmodel.economics.evaluate import evaluate
from econmodel.economics.results import case_results
from econmodel.evidence.registry.vocabulary import meanings_of, read_cells
from econmodel.parameters import load_case
from econmodel.reporting.form.questions import questions
from econmodel.reporting.tables.results import outcomes_table
from econmodel.uncertainty.probabilistic import kept_outcomes
case = load_case()
evaluation = evaluate(case.parameters)
results = case_results(case, evaluation)
document = results.to_json()
block = document["strategies"]["glue"]
asked = {a.question.name for rows in questions(case.parameters).values() for a in rows}
print(json.dumps({
    "per_course": block["complications"]["perforation"] / block["courses"],
    "price": document["inputs"]["prices"]["perforation"]["full_cost"],
    "loss": document["inputs"]["qaly_losses"]["perforation"],
    "asked": sorted(name for name in asked if "perforation" in name),
    "read": read_cells(["Perforation", "no perforation of the stomach"], "complication", meanings_of("complication", {})),
    "kept": "perforation" in kept_outcomes(evaluation),
    "shown": "Perforations per 1,000" in repr(outcomes_table(results)),
}))
"""


def plant(folder, *, in_catalogue=True):
    """A copy of the product with one more complication: its row, its prices, its probability and its loss."""
    shutil.copytree(Path(econmodel.__file__).parent, folder / "econmodel", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copytree(params_folder(), folder / "params")
    catalogue = folder / "econmodel" / "parameters" / "catalogue.py"
    if in_catalogue:
        catalogue.write_text(catalogue.read_text(encoding="utf-8").replace(AFTER, ROW + AFTER), encoding="utf-8")
    base = folder / "params" / "base_case"
    for file, name, unit in (("utilities", "du_perforation", "QALY"), ("strategies", "p_perforation_glue", "probability")):
        path = base / f"{file}.toml"
        path.write_text(path.read_text(encoding="utf-8") + INPUT.format(name=name, unit=unit), encoding="utf-8")
    path = base / "strategies.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(
        text.replace('sepsis = "p_sepsis_glue"', 'sepsis = "p_sepsis_glue", perforation = "p_perforation_glue"', 1), encoding="utf-8"
    )
    with (folder / "params" / "tables" / "registry_words.csv").open("a", encoding="utf-8") as words:
        words.write("complication,perforation,en,perforation|perforation of the stomach\n")
    path = folder / "params" / "prices" / "US.csv"
    columns = path.read_text(encoding="utf-8").splitlines()[0].split(",")
    rows = (dict(zip(FIELDS, line.split(","), strict=True)) for line in PRICE_ROWS.splitlines())
    with path.open("a", encoding="utf-8") as lines:
        lines.writelines(",".join(row.get(column, "") for column in columns) + "\n" for row in rows)


def ask(folder):
    return subprocess.run(
        [sys.executable, "-c", ASK],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )


def test_a_complication_is_one_row_of_code(tmp_path):
    """With its row and its inputs a complication is counted, priced, asked, read in a registry and shown."""
    plant(tmp_path)
    done = ask(tmp_path)
    assert done.returncode == 0, done.stderr[-2000:]
    found = json.loads(done.stdout)
    assert found["per_course"] == pytest.approx(0.02, rel=0.2)
    assert (found["price"], found["loss"]) == (12000, 0.02)
    assert found["asked"] == ["c_perforation", "payment_perforation", "share_variable_perforation"]
    assert found["read"] == ["perforation", "none"]
    assert found["kept"]
    assert found["shown"]


def test_a_complication_without_its_row_is_refused(tmp_path):
    """Negative control: the same inputs without the row are refused where they stand."""
    plant(tmp_path, in_catalogue=False)
    done = ask(tmp_path)
    assert done.returncode == 1
    assert "'c_perforation' is not a price of the catalogue" in done.stderr


def test_keys_are_told_apart():
    """Every key stands once, in a known category; what is kept and what is a harm has its words."""
    keys = [row.key for row in (*COUNTS, *ITEMS)]
    assert len(keys) == len(set(keys))
    assert {item.category for item in ITEMS} == set(CATEGORIES)
    assert all(item.price or item.priced_as in keys for item in ITEMS)
    assert set(of_kind("complication")) == set(HARMS) - {"deaths_procedure"}
    assert set(KEPT_COMPLICATIONS) == set(KEPT) & set(of_kind("complication"))
    assert all(item.key in keys_of("complication") and item.asked for item in ITEMS if item.kind == "complication")
    assert all(name.startswith(("c_", "share_", "ratio_", "payment_", "willingness_to_pay")) for name in PRICES)
