"""The budget workbook, worked out headless by LibreOffice, equals the engine: every switch turned, and after ten changes.

All scenarios are typed into copies of one file and worked out in one run; what is opened has lost its stored values.
"""

from __future__ import annotations

import csv
import os
import re
import shutil
import subprocess
import zipfile
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import replace
from itertools import takewhile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure

from econmodel.economics.evaluate import evaluate
from econmodel.economics.results import case_results
from econmodel.errors import AnalysisError
from econmodel.package import params_folder
from econmodel.parameters.catalogue import CATEGORY
from econmodel.parameters.loading import Case, demo_file, load_case
from econmodel.programme.budget import Budget, run_budget
from econmodel.programme.downside import merge_clinical
from econmodel.programme.headline import headline
from econmodel.programme.money.rows import Row
from econmodel.programme.options import option_inputs
from econmodel.programme.planned import in_the_mix, rerun_under, years_needed
from econmodel.programme.report import ProgrammeResult, evaluate_programme
from econmodel.programme.sentences import amount
from econmodel.programme.views import view_inputs
from econmodel.reporting import formatting as f
from econmodel.reporting.budget_book import build_budget_book
from econmodel.reporting.budget_book.budget import BUDGET
from econmodel.reporting.budget_book.build import SHEETS
from econmodel.reporting.budget_book.choices import VIEWS
from econmodel.reporting.budget_book.first_page import model_figures
from econmodel.reporting.budget_book.inputs import SECTIONS, SWITCH, VALUE
from econmodel.reporting.budget_book.plan import BASE, BudgetPlan, plan_budget
from econmodel.reporting.charts import programme as charts
from econmodel.reporting.papers.brief import brief_paper
from econmodel.reporting.papers.content import Paper, Paragraph, Table
from econmodel.uncertainty.probabilistic import run_psa
from econmodel.uncertainty.risk import risk_of
from econmodel.wording import plain_number

TOLERANCE = 1e-9
TEN = {
    "n_endoscoped": 900.0,
    "n_session_slots": 22.0,
    "n_start_delay_months": 5.0,
    "c_session_eus": 3100.0,
    "payment_surveillance_eus": 1500.0,
    "share_cash_bleeds": 0.55,
    "n_settlement_days": 40.0,
    "discount_finance": 0.06,
    "r_escalator_pay": 0.045,
    "c_coordinator": 31000.0,
}


@pytest.fixture(scope="module")
def case() -> Case:
    return load_case(demo_file(), sets=["share_tax=0.15", "n_budget_years=3"])


@pytest.fixture(scope="module")
def programme(case: Case) -> ProgrammeResult:
    return evaluate_programme(case.parameters)


@pytest.fixture(scope="module")
def plan(case: Case, programme: ProgrammeResult) -> BudgetPlan:
    return plan_budget(case.parameters, programme)


LOAN = {"name": "Bank", "amount": 30_000.0, "month": 2, "rate": 0.06, "term_months": 24}
OWED = {"n_endoscoped": 800.0, "c_session_eus": 1400.0, "payment_surveillance_eus": 300.0, "n_settlement_days": 40.0, "c_exit": 9000.0}
OWED |= {"n_slots_surveillance": 0.7, "r_escalator_tariff": 0.05, "share_harms_paid": 0.4, "discount_finance": 0.05}


@pytest.fixture(scope="module")
def owing(tmp_path_factory: pytest.TempPathFactory) -> tuple[Case, BudgetPlan, Path]:
    """A contract, a loan, a capital charge that is paid and a closure, bought and taxed, in real terms."""
    sets = ["n_budget_years=3", "at_end=closure", "cash_basis=real", "capital_basis=purchase", "share_tax=0.2", "capital_charge=paid"]
    case = load_case(params_folder() / "hospitals" / "demo_block.toml", sets=[*sets, "n_spare_surveillance=1"])
    laid = {"loans": replace(case.parameters["loans"], table=(LOAN,))}
    case = replace(case, parameters=replace(case.parameters, parameters=case.parameters.parameters | laid))
    programme = evaluate_programme(case.parameters, turning=False)
    path = build_budget_book(case, programme, tmp_path_factory.mktemp("owing") / "owing.xlsx")
    return case, plan_budget(case.parameters, programme), path


@pytest.fixture(scope="module")
def built(case: Case, programme: ProgrammeResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_budget_book(case, programme, tmp_path_factory.mktemp("budget") / "budget.xlsx")


class Scenario:
    """What is typed and chosen: inputs by name, inputs switched to ``low`` or ``high``, option, view, column and downside."""

    def __init__(self, **chosen: Any) -> None:
        self.typed: Mapping[str, float] = chosen.get("typed", {})
        self.switched: Mapping[str, str] = chosen.get("switched", {})
        self.option, self.view, self.column = chosen.get("option", "proposal"), chosen.get("view", 0), chosen.get("column", 0)
        self.downside = chosen.get("downside", BASE)


def engine(case: Case, plan: BudgetPlan, asked: Scenario) -> Budget:
    """Budget of the engine under a scenario."""
    known = case.parameters.parameters
    values = dict(asked.typed)
    for name, side in asked.switched.items():
        limits = known[name].range
        assert limits is not None
        values[name] = getattr(limits, side)
    held = {name: v for name, v in values.items() if hasattr(plan.inputs, name)}
    fields = {name: int(v) if isinstance(getattr(plan.inputs, name), int) else v for name, v in held.items()}
    inputs, profiles, prices = plan.inputs.changed(**fields), plan.profiles, plan.prices
    if asked.downside != BASE:
        row, _ = plan.programme.worse[asked.downside]
        kept = in_the_mix(case.parameters)
        if row.clinical:
            years = years_needed(kept, inputs.n_budget_years, inputs.n_duty_months)
            profiles, prices = rerun_under(kept, merge_clinical([row.clinical]), years)
    for name, value in values.items():
        for stem, prefix in {"full_cost": "c_", "variable_share": "share_variable_", "payment": "payment_"}.items():
            if name.startswith(prefix) and name.removeprefix(prefix) in CATEGORY:
                array = getattr(prices, stem).copy()
                array[:, prices.activities.index(name.removeprefix(prefix))] = value
                prices = replace(prices, **{stem: array})
    inputs = view_inputs(inputs, ("", "per_episode", "block")[asked.view]) if asked.view else inputs
    inputs = row.change(inputs) if asked.downside != BASE else inputs
    mix = next(one.mix for one in plan.programme.options.rows if one.key == asked.option)  # type: ignore[union-attr]
    return run_budget(option_inputs(case.parameters, inputs, mix), profiles, prices, CATEGORY)


def cells_of(names: Mapping[str, Any], plan: BudgetPlan, asked: Scenario) -> dict[tuple[str, int, int], float | str]:
    """Cells that a scenario types into: sheet, row and column."""

    def at(name: str) -> int:
        return int(names[name].attr_text.split("$")[-1])

    typed = {("Inputs", at(name), VALUE): float(v) for name, v in asked.typed.items()}
    switched = {("Inputs", at(name), SWITCH): side for name, side in asked.switched.items()}
    option = next(one.label for one in plan.programme.options.rows if one.key == asked.option)  # type: ignore[union-attr]
    worse = next(one.label for one in plan.worse if one.key == asked.downside)
    column = ("Cash", "With capacity valued")[asked.column]
    chosen = {"option": option, "view": VIEWS[asked.view], "column": column, "downside": worse}
    return {**typed, **switched, **{("Decision", at(f"chosen_{name}"), 2): text for name, text in chosen.items()}}


CELL = re.compile(r"<c(?P<head>[^>]*?)(?:/>|>(?P<inner>.*?)</c>)", re.DOTALL)


def type_into(xml: str, row: int, wanted: int, value: float | str) -> str:
    """Put a value into one cell of a sheet's XML; a cell without a place stands right of the one before it."""
    found = re.search(rf'(<row r="{row}"[^>]*>)(.*?)(</row>)', xml, re.DOTALL)
    assert found is not None
    column = 0
    for cell in CELL.finditer(found[2]):
        place = re.search(r' r="([A-Z]+)\d+"', cell["head"])
        column = column + 1 if place is None else sum((ord(c) - 64) * 26**i for i, c in enumerate(reversed(place[1])))
        if column == wanted:
            head = re.sub(r' t="\w+"', "", cell["head"])
            typed = (
                f'<c{head} t="inlineStr"><is><t>{escaped(value)}</t></is></c>'
                if isinstance(value, str)
                else f"<c{head}><v>{value!r}</v></c>"
            )
            at = found.start(2)
            return xml[: at + cell.start()] + typed + xml[at + cell.end() :]
    pytest.fail(f"no cell in row {row}, column {wanted}")


def escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;")


def write(built: Path, target: Path, names: list[str], typed: Mapping[tuple[str, int, int], float | str]) -> Path:
    """Copy a workbook with values typed and every stored value of a formula forgotten."""
    with zipfile.ZipFile(built) as source, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as copy:
        for entry in source.infolist():
            data = source.read(entry)
            if entry.filename.startswith("xl/worksheets/sheet"):
                sheet = names[int(re.findall(r"\d+", entry.filename)[0]) - 1]
                xml = data.decode()
                for (place, row, column), value in typed.items():
                    xml = type_into(xml, row, column, value) if place == sheet else xml
                data = re.sub(r"</f><v>[^<]*</v>", "</f>", re.sub(r' t="(?:str|e)"><f', "><f", xml)).encode()
            copy.writestr(entry.filename, data)
    return target


def work_out(files: list[Path], folder: Path) -> dict[str, Path]:
    """Let LibreOffice work out many files in one run, and save the budget sheet of each."""
    office = shutil.which("soffice")
    if office is None:
        if os.environ.get("CI"):
            pytest.fail("soffice is missing: CI must install libreoffice-calc-nogui")
        pytest.skip("soffice is not on this machine")
    profile = f"-env:UserInstallation={(folder / 'profile').as_uri()}"
    sheet = 1 + list(SHEETS).index(BUDGET)
    as_text = f"csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,false,false,false,false,{sheet}"
    command = [office, profile, "--headless", "--convert-to", as_text, "--outdir", str(folder), *map(str, files)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=900)
    found = {path.stem: folder / f"{path.stem}-{BUDGET}.csv" for path in files}
    assert all(path.exists() for path in found.values()), done.stderr
    return found


def read(path: Path) -> dict[str, Any]:
    """Rows by year and figures of the budget sheet, as a spreadsheet program worked them out, or as they are stored."""
    rows = _of_text(path) if path.suffix == ".csv" else _of_workbook(path)
    known = {row.value for row in Row}
    years = {str(row[0]): [value or 0.0 for value in row[2:]] for row in rows if row[0] in known}
    return {"years": years, "labels": {str(row[1]): row[2] for row in rows if row[1] and not row[0]}}


def _of_workbook(path: Path) -> list[Any]:
    from openpyxl import load_workbook

    with closing(load_workbook(path, data_only=True, read_only=True)) as book:
        return list(book[BUDGET].iter_rows(values_only=True))


def _of_text(path: Path) -> list[Any]:
    def value(text: str) -> float | str:
        try:
            return float(text)
        except ValueError:
            return text

    with path.open(encoding="utf-8", newline="") as lines:
        return [[value(cell) for cell in row] for row in csv.reader(lines)]


def differences(found: Mapping[str, Any], budget: Budget, column: int) -> list[tuple[Any, ...]]:
    """Every row by year, and every figure, that is not the engine's to 1e-9 of the money that flows."""
    size = max(
        float(np.abs(budget.years[row]).sum()) for row in (Row.PROPHYLAXIS_INCOME, Row.PROPHYLAXIS_COST, Row.FIXED_COST, Row.STARTS)
    )
    gaps: list[tuple[Any, ...]] = []
    for row, got in found["years"].items():
        for year, want in enumerate(budget.years[Row(row)][0]):
            if abs(got[year] - want) > TOLERANCE * max(abs(want), size if not Row(row).is_count else 1.0):
                gaps.append((row, year, want, got[year]))
    numbers = headline(budget)
    figures = {"Net present value in cash": numbers.npv_cash, "Net present value with capacity valued": numbers.npv_with_capacity}
    if not column:
        payback = "not within the budget" if numbers.payback_years is None else numbers.payback_years
        figures |= {"Lowest cumulative, column chosen": numbers.peak_cash, "Payback, years, column chosen": payback}
    if budget.peak_after_financing is not None:
        figures["Lowest cumulative cash after financing"] = float(budget.peak_after_financing[0])
    figures["Net present value, column chosen"] = numbers.npv_with_capacity if column else numbers.npv_cash
    for label, want in figures.items():
        got = found["labels"][label]
        if isinstance(want, str) or isinstance(got, str):
            gaps += [(label, want, got)] * (want != got)
        elif abs(got - want) > TOLERANCE * max(abs(want), 1.0 if "Payback" in label else size):
            gaps.append((label, want, got))
    return gaps


def scenarios(case: Case, plan: BudgetPlan) -> dict[str, Scenario]:
    """Everything that goes worse, with each option, view and column in turn; every input at either end; ten typed changes."""
    assert plan.programme.options is not None
    others = [one.key for one in plan.programme.options.rows]
    found = {}
    for i, worse in enumerate(worse for worse in plan.worse if worse.live):
        of_model = bool(worse.key in plan.programme.worse and plan.programme.worse[worse.key][0].clinical)
        option = "proposal" if of_model or not others else others.pop(0)
        found[worse.key] = Scenario(option=option, view=0 if of_model else i % 3, column=i % 2, downside=worse.key)
    assert not others
    ranged = [name for names in SECTIONS.values() for name in names if case.parameters[name].range]
    prices = [f"{p}{a.key}" for a in plan.counted for p in ("c_", "payment_", "share_variable_")]
    ranged += [name for name in prices if _switchable(case, plan, name)]
    for side in ("low", "high"):
        found[f"all_{side}"] = Scenario(switched=dict.fromkeys(ranged, side))
    found["ten"] = Scenario(typed=TEN, column=1)
    found["late"] = Scenario(option="glue", downside="delay_12_months", typed={"n_start_delay_months": 4.0})
    return found


def _switchable(case: Case, plan: BudgetPlan, name: str) -> bool:
    stem, key = next(
        (s, name.removeprefix(p))
        for s, p in (("variable_share", "share_variable_"), ("full_cost", "c_"), ("payment", "payment_"))
        if name.startswith(p)
    )
    value, known = plan.price(key, stem), case.parameters.parameters.get(name)
    return bool(value) and known is not None and known.value == value and known.range is not None


OWING: dict[str, Scenario] = {
    "owing_as_built": Scenario(),
    "owing_unpaid": Scenario(option="glue", downside="surveillance_unpaid"),
    "owing_stop": Scenario(view=1, column=1, downside="stopped_month_12"),
    "owing_changed": Scenario(typed=OWED, column=1),
}


@pytest.fixture(scope="module")
def everything(
    case: Case, plan: BudgetPlan, built: Path, owing: tuple[Case, BudgetPlan, Path], tmp_path_factory: pytest.TempPathFactory
) -> dict[str, Any]:
    """Every scenario of both books, worked out in one run."""
    from openpyxl import load_workbook

    folder, files = tmp_path_factory.mktemp("typed"), []
    asked = {"as_built": Scenario(), **scenarios(case, plan)}
    for of, path, some in ((plan, built, asked), (owing[1], owing[2], OWING)):
        book = load_workbook(path)
        files += [
            write(path, folder / f"{name}.xlsx", book.sheetnames, cells_of(book.defined_names, of, one)) for name, one in some.items()
        ]
    asked |= OWING
    out = tmp_path_factory.mktemp("worked")
    return {name: (asked[name], read(path)) for name, path in work_out(files, out).items()}


@pytest.fixture(scope="module")
def worked(everything: Mapping[str, Any]) -> dict[str, Any]:
    """Scenarios of the first book."""
    return {name: found for name, found in everything.items() if name not in OWING}


def unlike(case: Case, plan: BudgetPlan, worked: Mapping[str, Any]) -> dict[str, Any]:
    """Scenarios with what is not the engine's; a check that fails is one."""
    gaps = {name: differences(found, engine(case, plan, asked), asked.column) for name, (asked, found) in worked.items()}
    assert {found["labels"]["Checks that fail"] for _, found in worked.values()} == {0.0}
    return {name: gap for name, gap in gaps.items() if gap}


def test_every_switch_and_ten_changes_equal_the_engine(case: Case, plan: BudgetPlan, worked: Mapping[str, Any]) -> None:
    """Options, views, columns, everything that goes worse, every input low and high, ten typed changes: rows and figures."""
    assert unlike(case, plan, worked) == {}
    assert len(worked) > 25


def test_contract_loan_and_closure_equal_the_engine(owing: tuple[Case, BudgetPlan, Path], everything: Mapping[str, Any]) -> None:
    """What a contract pays, a loan and a charge move, a closure leaves: rows and figures, switches turned and inputs changed."""
    case, plan, path = owing
    found = {name: everything[name] for name in OWING}
    assert unlike(case, plan, found) == {}
    size = {row: max(abs(sum(one["years"][row])) for _, one in found.values()) for row in ("R17f", "R17d", "R13")}
    assert min(size.values()) > 100
    assert path.stat().st_size < 300_000
    as_built, changed = (found[name][1] for name in ("owing_as_built", "owing_changed"))
    assert as_built["labels"]["Agreement with the program"] == "agrees with the program"
    assert as_built["years"]["R8"] != changed["years"]["R8"]


def test_the_file_says_whether_it_agrees(worked: Mapping[str, Any]) -> None:
    """As built, and with switches turned, it agrees with the program; with inputs changed it says that it is not to be compared."""
    verdicts = {name: found["labels"]["Agreement with the program"] for name, (_, found) in worked.items()}
    assert verdicts["as_built"] == verdicts["low_untreated_risk"] == "agrees with the program"
    assert verdicts["ten"] == verdicts["all_low"] == "not to be compared: inputs changed"
    mixed = {
        verdicts[name]
        for name, (asked, _) in worked.items()
        if asked.option != "proposal" and asked.downside != BASE and not asked.typed
    }
    assert mixed == {"the program has no figure for this choice"}


def test_comparison_can_fail(case: Case, plan: BudgetPlan, worked: Mapping[str, Any]) -> None:
    """Negative control: the file with ten changes is not the engine as built."""
    assert len(differences(worked["ten"][1], engine(case, plan, Scenario()), 0)) > 20


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[ProgrammeResult, Path, Paper]:
    """The demo with few draws: its programme, its budget workbook and its brief."""
    case = load_case(demo_file())
    programme, results = evaluate_programme(case.parameters, draws=4), case_results(case, evaluate(case.parameters))
    risk = risk_of(run_psa(case.parameters, 4, seed=4))
    path = tmp_path_factory.mktemp("demo") / "budget.xlsx"
    build_budget_book(case, programme, path, model_figures(case, results, risk))
    return programme, path, brief_paper(case, results, programme=programme, psa=risk)


def test_stored_values_are_the_engine_s(demo: tuple[ProgrammeResult, Path, Paper]) -> None:
    """A preview shows the very figures; the file is small, its formulas few, and an array formula counts once."""
    from openpyxl import load_workbook

    programme, built, _ = demo
    found = read(built)
    assert differences(found, programme.budget, 0) == []
    assert found["labels"]["Agreement with the program"] == "agrees with the program"
    assert built.stat().st_size < 300_000
    pages = load_workbook(built)
    assert pages.sheetnames == list(SHEETS)
    assert 1_000 < sum(cell.data_type == "f" for page in pages for row in page.iter_rows() for cell in row) <= 5_000
    assert sum(len(page._charts) for page in pages) == 3  # type: ignore[attr-defined]


FIGURE = re.compile(r"\d+(?:,\d{3})*(?:\.\d+)?(?:%|[km]\b)?")
WORDS = re.compile(r"\b\d+ years?\b|\b\d+ more\b|\b95%(?= )|month \d+|R\d+\w*|bands 50%, 95%")


def figures_of(texts: Iterable[str]) -> set[str]:
    """Figures as printed, without sign and currency; lengths of time, coverage and counts of what is not told are words."""
    return {figure for text in texts for figure in FIGURE.findall(WORDS.sub("", text.replace("\u2060", "")))}


def first_page(paper: Paper, programme: ProgrammeResult) -> dict[str, set[str]]:
    """Figures of the decision, its table and tiles, and of what is written into the four charts, by where they stand."""
    found: dict[str, set[str]] = {}
    for block in paper.sections[0].blocks[1:]:
        texts = block.rows if isinstance(block, Table) else [(n.value, n.label, n.note) for n in getattr(block, "numbers", ())]
        told = [part for row in texts for part in row]
        told += [block.text] if isinstance(block, Paragraph) else [block.note] if isinstance(block, Table) else []
        found[getattr(block, "lead", "") or type(block).__name__ + str(len(found))] = figures_of(told)
    for draw in (charts.plot_cash, charts.plot_bridge, charts.plot_downside, charts.plot_bleeds):
        ax = Figure().add_subplot()
        draw(programme, ax=ax, **({} if draw is charts.plot_bleeds else {"currency": "USD"}))  # type: ignore[operator]
        found[draw.__name__] = figures_of(text.get_text() for text in ax.texts)
    return found


def printed(path: Path, without: str = "no such part") -> set[str]:
    """Every form in which the brief may print a labelled value of the workbook, without what is below a heading of Decision."""
    from openpyxl import load_workbook

    with closing(load_workbook(path, data_only=True, read_only=True)) as book:
        shown = takewhile(lambda row: without not in str(row[0]), book["Decision"].iter_rows(values_only=True))
        rows = [*shown, *(row for name in ("Options", "Downside") for row in book[name].iter_rows(values_only=True))]
    values = [value for name, *cells in rows if isinstance(name, str) for value in cells]
    texts = [value for value in values if isinstance(value, str)]
    for value in (abs(value) for value in values if isinstance(value, float | int)):
        texts += [f.number(value, digits) for digits in range(3)] + [f.percent(value, digits) for digits in range(2)]
        texts += [amount(value, "USD"), f.money_short(value, "USD"), plain_number(value)]
    return figures_of(texts)


def test_every_figure_of_the_first_page_is_in_the_workbook(demo: tuple[ProgrammeResult, Path, Paper]) -> None:
    """Decision, options, tiles and charts print nothing that the workbook has not, under a label; what is not there is missed."""
    programme, path, paper = demo
    held, told = printed(path), first_page(paper, programme)
    assert {where: missing for where, figures in told.items() if (missing := figures - held)} == {}
    assert len(set().union(*told.values())) > 80
    less = printed(path, without="The brief's first page")
    missed = {where for where, figures in told.items() if figures - less}
    assert {"Proposed: ", "KeyNumbers6", "plot_bridge", "plot_bleeds"} <= missed
    moved = replace(programme, headline=replace(programme.headline, npv_cash=1_234_567.0))
    assert first_page(paper, moved)["plot_downside"] - held == {"1.23m"}


def test_a_budget_without_options_is_refused(case: Case, programme: ProgrammeResult, tmp_path: Path) -> None:
    """The workbook has its options to choose from, or is not made."""
    with pytest.raises(AnalysisError, match="options"):
        build_budget_book(case, replace(programme, options=None), tmp_path / "none.xlsx")
