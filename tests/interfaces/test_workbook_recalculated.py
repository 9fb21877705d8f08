"""The live workbook, worked out headless by LibreOffice, equals the engine: as built, and after changes in the file.

Whatever LibreOffice opens here has lost its stored values, so that it must work every formula out; the stored values
are compared with what it finds, cell by cell.

Runs where LibreOffice Calc is installed; in CI its absence is a failure.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from workbook_reading import begun_at, read_results

from econmodel.economics.comparison import rank_strategies
from econmodel.economics.evaluate import evaluate
from econmodel.economics.results import result_document
from econmodel.parameters.catalogue import COURSE_COUNTS
from econmodel.parameters.loading import Case, demo_file, load_case, params_folder
from econmodel.reporting.workbook import build_workbook

TOLERANCE, SMALL_DIFFERENCE = 1e-12, 1e-9
ROUNDED = 1e-13
THREE_CHANGES = {"p_first_bleed_year_1": 0.23, "c_bleed_mean": 15750.0, "n_sessions_coil_and_glue": 1.7}
COURSE_CHANGES = {
    "c_bleed_mean": 15750.0,
    "r_recurrence": 0.2,
    "r_lost": 0.4,
    "p_retreat_accepted": 0.7,
    "p_obliteration_coil_and_glue": 0.95,
    "n_sessions_coil_and_glue": 1.7,
    "r_stop": 0.12,
    "p_detect_eus": 0.8,
    "r_late_rebleed_gastric": 0.11,
    "secondary_prophylaxis": "beta_blocker",
    "rebleed_costing": "readmission",
    "horizon_years": 12.0,
}
SETTINGS = {
    "start_age": 52.0,
    "horizon_years": 12.0,
    "headline_years": 4.0,
    "discount_costs": 0.015,
    "perspective": "hospital_margin",
    "rebleed_costing": "readmission",
    "bleed_costing": "bottom_up",
    "bleed_utility": "one_off",
    "fatality_scaling": "as_stated",
    "hazard_decline": "constant",
    "p_first_bleed_year_1": 0.2,  # the evidence has a level of its own for each course of the rate; one that is typed stands
    "secondary_prophylaxis": "beta_blocker",
    "life_table": "us_2015",
    "comparator": "glue",
}


def recalculate(path: Path, folder: Path) -> Path:
    """Open and save headless with LibreOffice Calc, which works every formula out."""
    office = shutil.which("soffice")
    if office is None:
        if os.environ.get("CI"):
            pytest.fail("soffice is missing: CI must install libreoffice-calc-nogui")
        pytest.skip("soffice is not on this machine")
    folder.mkdir()
    done = subprocess.run(
        [
            office,
            f"-env:UserInstallation={(folder / 'profile').as_uri()}",
            "--headless",
            "--convert-to",
            "xlsx",
            "--outdir",
            str(folder),
            str(path),
        ],
        capture_output=True,
        text=True,
        check=False,
        timeout=600,
    )
    result = folder / path.name
    assert result.exists(), f"LibreOffice Calc (libreoffice-calc-nogui) did not convert the file: {done.stderr}"
    return result


def forget(path: Path, target: Path) -> Path:
    """Save a copy of a workbook without the values stored with its formulas."""
    with zipfile.ZipFile(path) as source, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as copy:
        for entry in source.infolist():
            data = source.read(entry)
            if entry.filename.startswith("xl/worksheets/"):
                data = re.sub(rb"</f><v>[^<]*</v>", b"</f>", re.sub(rb' t="(?:str|e)"><f>', b"><f>", data))
            copy.writestr(entry.filename, data)
    return target


def change(workbook: Any, target: Path, changes: Mapping[str, float | str]) -> Path:
    """Type values into the named input cells as a user would, save under another name, and put the cells back."""
    cells = {}
    for name in changes:
        sheet, _, cell = workbook.defined_names[name].attr_text.partition("!")
        cells[name] = workbook[sheet][cell.replace("$", "")]
    before = {name: cell.value for name, cell in cells.items()}
    for name, cell in cells.items():
        cell.value = changes[name]
    workbook.save(target)
    for name, cell in cells.items():
        cell.value = before[name]
    return target


def flatten(block: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    """Nested result blocks as dotted keys; the year table and words about the strategy are compared apart."""
    found: dict[str, Any] = {}
    for name, value in block.items():
        if isinstance(value, Mapping):
            found |= flatten(value, f"{prefix}{name}.")
        elif name not in ("label", "yearly", "versus"):
            found[f"{prefix}{name}"] = {True: "yes", False: "no"}[value] if isinstance(value, bool) else value
    return found


def named(found: Mapping[str, Any], document: Mapping[str, Any]) -> dict[str, Any]:
    """Workbook keys with years for words: the horizon and the headline years."""
    settings = document["settings"]
    words = {"horizon": str(settings["horizon_years"]), "headline": str(settings["headline_years"])}
    return {".".join(words.get(part, part) for part in key.split(".")): value for key, value in found.items()}


def compare(path: str, engine: Mapping[str, Any], found: Mapping[str, Any], money: float = 1.0) -> Iterator[tuple[str, Any, Any]]:
    """Figures of the engine that the workbook lacks or gives differently; a net benefit is a small difference of ``money``."""
    for name, want in flatten(engine).items():
        source = name.replace("at_five_years.", "") if name.startswith(("at_five_years.arr", "at_five_years.nnt")) else name
        if source not in found or not equal(want, found[source], money if name.endswith("net_monetary_benefit") else 1.0):
            yield f"{path}.{name}", want, found.get(source, "missing")


def differences(document: Mapping[str, Any], results: Mapping[str, Any]) -> list[tuple[str, Any, Any]]:
    """Every outcome of the engine that the workbook does not give to the tolerance.

    Visits and rebleeds by source stand in the file where the effect is a process.
    """
    found: list[tuple[str, Any, Any]] = []
    left_out = set() if document["inputs"]["effect_basis"] == "process" else {count.key for count in COURSE_COUNTS}
    for key in results["strategies"]:
        engine = {name: value for name, value in document["strategies"][key].items() if name not in left_out}
        found += compare(key, engine, named(results["strategies"][key], document))
        for want, got in zip(engine["yearly"], results["yearly"][key], strict=True):
            found += [(f"{key}, year {want['year']}, {n}", want[n], v) for n, v in got.items() if not equal(want[n], v)]
    chosen = document["settings"]["comparator"]
    costs = {key: abs(block["cost"]["total"]) for key, block in document["strategies"].items()}
    for versus in results["comparisons"]:
        for key in results["comparisons"][versus].keys() - {chosen if versus == "chosen" else versus}:
            engine = document["comparisons"][chosen if versus == "chosen" else versus][key]
            found += compare(f"{key} v. {versus}", engine, named(results["comparisons"][versus][key], document), costs[key])
    ours = {key: document["strategies"][key] for key in results["strategies"]}
    totals = [[block["cost"]["total"] for block in ours.values()], [block["qalys"] for block in ours.values()]]
    for row in (ranked.to_json() for ranked in rank_strategies(list(ours), *totals)):
        found += compare(f"frontier {row['key']}", {n: v for n, v in row.items() if n != "key"}, results["frontier"][row["key"]])
    return found


def equal(want: Any, got: Any, size: float = 1.0) -> bool:
    """Equal text, both absent, or numbers within the relative tolerance.

    A small difference of large figures (who is left alive in the last years, a net benefit) has their last bits: 1e-13 of
    their ``size``, and 1e-9 of itself. Numbers too small for all their digits are equal.
    """
    if want is None or got is None or isinstance(want, str) or isinstance(got, str):
        return bool(want == got)
    gap = abs(got - want)
    least = max(TOLERANCE * abs(want), sys.float_info.min)
    return bool(gap <= least or (gap <= ROUNDED * size and gap <= SMALL_DIFFERENCE * abs(want)))


def demo(*scenarios: str, sets: Mapping[str, float | str] | None = None) -> Case:
    """Load the demo hospital under shipped scenarios, with ``--set`` changes."""
    overrides = [params_folder() / "scenarios" / f"{scenario}.toml" for scenario in scenarios]
    return load_case(demo_file(), overrides=overrides, sets=[f"{name}={value}" for name, value in (sets or {}).items()])


def engine_document(sets: Mapping[str, float | str] | None = None, *scenarios: str) -> dict[str, Any]:
    """Results of the engine for it."""
    case = demo(*scenarios, sets=sets)
    return result_document(case, evaluate(case.parameters))


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    case = load_case(demo_file())
    return build_workbook(case, evaluate(case.parameters), tmp_path_factory.mktemp("workbook") / "demo.xlsx", ["glue"])


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Give the file by intention to treat, in which nothing that may be typed over is solved by the program."""
    from openpyxl import load_workbook

    case = demo("intention_to_treat")
    return load_workbook(build_workbook(case, evaluate(case.parameters), tmp_path_factory.mktemp("stated") / "demo.xlsx", ["glue"]))


@pytest.fixture(scope="module")
def worked_out(built: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the default file as LibreOffice works it out from nothing."""
    folder = tmp_path_factory.mktemp("office")
    return recalculate(forget(built, folder / "bare.xlsx"), folder / "built")


@pytest.fixture(scope="module")
def as_built(worked_out: Path) -> dict[str, Any]:
    return read_results(worked_out)


def cell_differences(stored: Path, worked_out: Path) -> list[tuple[str, Any, Any]]:
    """Cells whose stored value is not the one worked out; figures that are differences of equals are compared to 1e-13."""
    from openpyxl import load_workbook

    books = [load_workbook(path, data_only=True, read_only=True) for path in (stored, worked_out)]
    found, n = [], 0
    for page in books[0]:
        rows = zip(page.iter_rows(values_only=True), books[1][page.title].iter_rows(values_only=True), strict=False)
        for row, (ours, theirs) in enumerate(rows, start=1):
            for a, b in zip(ours, theirs, strict=False):
                n += a is not None
                if (a or None) != (b or None) and not (
                    isinstance(a, int | float) and isinstance(b, int | float) and abs(a - b) <= max(TOLERANCE * abs(b), ROUNDED)
                ):
                    found.append((f"{page.title}, row {row}", a, b))
    assert n > 5_000
    return found


def test_as_built_equals_the_engine(as_built: dict[str, Any]) -> None:
    """Every outcome, comparison, year and frontier row equals the engine's; every check in the file holds."""
    assert differences(engine_document(), as_built) == []
    assert as_built["failed_checks"] == []


def test_stored_values_are_what_a_spreadsheet_works_out(built: Path, worked_out: Path) -> None:
    """A preview shows the very figures: each cell's stored value is the one LibreOffice finds."""
    assert cell_differences(built, worked_out) == []
    assert differences(engine_document(), read_results(built)) == []


@pytest.mark.parametrize(
    "scenarios",
    [
        ("frailty",),
        ("excess_after_bleed_one_year",),
        ("retreatment_restarts_effect",),
        ("beta_blocker_background",),
        ("no_surveillance",),
        ("intention_to_treat", "frailty"),
        ("intention_to_treat", "excess_after_bleed_one_year"),
    ],
    ids="+".join,
)
def test_any_structure_is_worked_out_as_the_engine_does(tmp_path: Path, scenarios: tuple[str, ...]) -> None:
    """Structures that change states, moves or classes of patients are as live as the base case, from the same declaration."""
    case = begun_at(demo(*scenarios), 85.0)
    evaluation = evaluate(case.parameters)
    stored = build_workbook(case, evaluation, tmp_path / "structure.xlsx")
    found = recalculate(forget(stored, tmp_path / "bare.xlsx"), tmp_path / "office")
    results = read_results(found)
    assert differences(result_document(case, evaluation), results) == []
    assert results["failed_checks"] == []
    assert cell_differences(stored, found) == []


@pytest.fixture(scope="module")
def course(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Give the base case, a process, of patients of 75."""
    from openpyxl import load_workbook

    case = begun_at(demo(), 75.0)
    return load_workbook(build_workbook(case, evaluate(case.parameters), tmp_path_factory.mktemp("course") / "process.xlsx"))


def test_a_process_follows_what_is_typed(course: Any, tmp_path: Path) -> None:
    """Recurrence, loss, acceptance, closure, sessions and prices typed in the file move every figure as ``--set`` moves the engine."""
    changed = change(course, tmp_path / "changed.xlsx", COURSE_CHANGES)
    results = read_results(recalculate(changed, tmp_path / "office"))
    assert differences(engine_document(COURSE_CHANGES | {"start_age": 75.0}), results) == []
    assert results["failed_checks"] == []


def test_what_the_program_solved_says_that_it_does_not_follow(course: Any, tmp_path: Path) -> None:
    """An input that the solved ratios of a varix rest on, typed over, fails one check: the engine would solve them anew."""
    held = {"p_first_bleed_year_1": 0.3}
    results = read_results(recalculate(change(course, tmp_path / "held.xlsx", held), tmp_path / "office"))
    assert results["failed_checks"] == ["Inputs changed that figures solved by the program rest on: the file must be made anew"]
    assert len(differences(engine_document(held | {"start_age": 75.0}), results)) > 100


def test_comparison_can_fail(as_built: dict[str, Any]) -> None:
    """Negative control: the file as built does not equal the engine run with changed inputs."""
    assert len(differences(engine_document(THREE_CHANGES), as_built)) > 100


@pytest.mark.parametrize("changes", [THREE_CHANGES, SETTINGS], ids=["three inputs", "settings"])
def test_changed_in_the_file_equals_the_engine_with_the_same_changes(
    opened: Any, tmp_path: Path, changes: dict[str, float | str]
) -> None:
    """Cells typed over in the file move every figure as ``--set`` moves the engine."""
    changed = change(opened, tmp_path / "changed.xlsx", changes)
    results = read_results(recalculate(changed, tmp_path / "office"))
    assert differences(engine_document(changes, "intention_to_treat"), results) == []
    assert results["failed_checks"] == []


def test_broken_rules_show_as_failed_checks(opened: Any, tmp_path: Path) -> None:
    """A value the model would refuse fails the check of its rule, and what follows from it, only."""
    broken = {"n_sessions_glue": 0.5, "p_rescue": 1.4, "n_effect_none_years_endoscopic": 3.0, "n_icu_days": 40.0}
    results = read_results(recalculate(change(opened, tmp_path / "broken.xlsx", broken), tmp_path / "office"))
    rows = load_case().parameters.strategies
    endoscopic = [rows[key].label for key in results["strategies"] if rows[key].starts_in == "in_course"]
    assert len(endoscopic) == 2
    assert sorted(results["failed_checks"]) == sorted(
        [
            "Inputs that cannot be: outside their limits or not on their list",
            "Ward days of a bleed: stay less intensive care",
            "Direct endoscopic glue: sessions in a course",
            "Direct endoscopic glue: smallest share in the trace",
            *(f"{label}: years from full effect to none" for label in endoscopic),
        ]
    )


def test_a_form_saved_by_another_program_loads(tmp_path: Path) -> None:
    """A form filled in and saved by LibreOffice is read back; its worked-out formulas count with their values.

    The check beside the answers agrees with the reader, over every value the form itself shows and a few that are wrong.
    """
    from openpyxl import load_workbook

    from econmodel.parameters import form_cells as at
    from econmodel.parameters.form_reading import read_form
    from econmodel.reporting.form import build_form
    from econmodel.reporting.form.questions import questions

    workbook = load_workbook(build_form(load_case(demo_file()), tmp_path / "form.xlsx"))
    asked = [a.question for rows in questions(load_case(demo_file()).parameters).values() for a in rows]
    wrong = {"start_age": 58.5, "share_accepting": 65, "hr_glue": 0, "r_clinic_post_bleed": -1}
    for q in asked:
        workbook[q.sheet][q.cell()] = wrong.get(q.shown, q.ours)
    workbook.save(tmp_path / "ours.xlsx")
    checked = load_workbook(recalculate(tmp_path / "ours.xlsx", tmp_path / "checked"), data_only=True)
    verdicts = {q.shown: checked[q.sheet][q.cell(at.CHECK)].value for q in asked}
    assert {shown for shown, verdict in verdicts.items() if verdict != "ok"} == wrong.keys() & verdicts.keys()
    assert {"start_age", "share_accepting", "r_clinic_post_bleed"} <= verdicts.keys()

    workbook = load_workbook(build_form(load_case(demo_file()), tmp_path / "form.xlsx"))
    workbook["Procurement"]["F6"], workbook["Procurement"]["G6"] = 310, 2024
    workbook["Information"]["F6"] = "=4+4.5"
    workbook.save(tmp_path / "form.xlsx")
    saved = recalculate(tmp_path / "form.xlsx", tmp_path / "office")
    found = {row["name"]: row["theirs"] for row in read_form(saved).rows()}
    assert found == {"c_coil": 310.0, "n_stay_days": 8.5}
    assert load_case(demo_file(), [saved]).parameters.number("n_stay_days") == 8.5
