"""Summary sheet: what the file is, whether it may be used, the headline of every strategy with its harms."""

from __future__ import annotations

from typing import Any

from econmodel.arrays import choose
from econmodel.package import stamp, version
from econmodel.parameters.catalogue import KEPT_COMPLICATIONS
from econmodel.reporting.papers.phrases import caution
from econmodel.reporting.workbook.book import Book, Plan
from econmodel.reporting.workbook.comparisons import CHOSEN, comparators
from econmodel.reporting.workbook.formula import Formula
from econmodel.reporting.workbook.pages import DEMO
from econmodel.reporting.workbook.totals import total
from econmodel.reporting.workbook.writer import Sheet

NAME = "Summary"
NNT_YEAR = "3"
GUIDE = {
    "Inputs": "Every input: value to change, unit, range, status and source.",
    "Patients": "Patient groups of the site and of the evidence.",
    "Strategies": "Each strategy's figures, made of inputs, and its schedule of visits.",
    "Outcomes": "Every result of every strategy.",
    "Comparisons": "Against no prophylaxis, a beta-blocker and the chosen comparator: ICER, ARR, NNT, break-even.",
    "Frontier": "Efficiency frontier.",
    "Groups": "Risk of a first bleed by patient group.",
    "Year_table": "What happens in each model year.",
    "Checks": "Whether the figures may be used, and agreement with the program.",
    "Solved": "Quantities found from the evidence's pooled figures.",
    "Hazards": "Rates by model year that no strategy changes.",
    "Months": "Discount factors by month, and the months in which a visit is due.",
    "Life_tables": "Yearly risk of death in the general population, by age and sex.",
    "Engine_values": "Results as the program gave them, to compare with.",
    "Prices": "Price of each activity in the chosen view; utilities.",
    "Totals": "Sums over time that the results are made of.",
    "Sources": "Where the figures were read.",
}
COLUMNS = (
    "Strategy",
    "Cost",
    "Cost of prophylaxis",
    "QALYs",
    "Net cost",
    "First-bleed risk reduction",
    "NNT at 3 years",
    "Break-even NNT",
    "All bleeds averted per 100",
    "Procedure deaths per 1,000",
    *(f"{short} per 1,000" for short in KEPT_COMPLICATIONS.values()),
    "Bleeding deaths per 1,000",
    "Evidence",
)
MONEY = ("Cost", "Cost of prophylaxis", "Net cost")


def build_summary(book: Book) -> None:
    """Fill the first sheet, last of all, when every cell it shows is known."""
    sheet = book.sheets[NAME]
    made = f"econmodel {version()}, inputs {book.case.parameters.sha256[:12]}, {stamp()}"
    sheet.heading(book.case.title, f"Live workbook of the deterministic model. Money in {book.money_label}. By {made}.")
    row = 3
    if book.case.is_demo:
        _wide(sheet, row, DEMO, "demo")
        row += 1
    _wide(sheet, row, caution() + " Follow local protocol, licensed clinicians and local finance rules.", "caution")
    row = _state(book, sheet, row + 2)
    fixed = [versus for versus in comparators(book) if versus != CHOSEN]
    for versus in fixed or [CHOSEN]:
        row = _headline(book, sheet, versus, row + 2)
    row = _evidence(book, sheet, row + 2)
    _guide(book, sheet, row + 2)
    sheet.widths(34, 12, 12, 10, 12, 12, 10, 11, 11, 11, *[11] * len(KEPT_COMPLICATIONS), 11, 14)
    sheet.frame("A3", book.footer)


def _wide(sheet: Sheet, row: int, text: str, style: str, height: float = 30) -> None:
    sheet.text(row, 1, text, style)
    sheet.merge(row, 1, len(COLUMNS))
    sheet.heights[row] = height


def _state(book: Book, sheet: Sheet, row: int) -> int:
    """Say whether checks hold, what was changed, and which view and horizon the figures are for."""
    failed = book.at("checks", "failed")
    bad = Formula(f'{failed.text}&" checks fail: do not use these figures; see Checks"', f"{failed.value:.0f} checks fail", 1)
    lines = [
        ("Checks", choose(failed == 0, lambda: "All checks hold", lambda: bad)),
        ("Agreement with the program", book.at("agreement")),
        ("Cells changed since the file was made", book.at("changes")),
        ("View on money", book.input("perspective")),
        ("Time horizon, years", book.at("horizon")),
        ("Headline years", book.at("headline")),
    ]
    for offset, (label, formula) in enumerate(lines):
        sheet.text(row + offset, 1, label)
        sheet.formula(row + offset, 2, formula, "bold_left")
        sheet.merge(row + offset, 2, 6)
    sheet.alert(f"B{row}", f"{failed.text}>0")
    sheet.alert(f"B{row + 1}", f'LEFT($B${row + 1},6)="DIFFER"')
    return row + len(lines) - 1


def _headline(book: Book, sheet: Sheet, versus: str, row: int) -> int:
    label = next((p.row.label for p in book.plans if p.key == versus), "the comparator chosen in the settings")
    sheet.row(row, [f"Compared with: {label}"] + [""] * (len(COLUMNS) - 1), "section")
    currency = book.case.parameters.text("currency")
    sheet.row(row + 1, [f"{c} ({currency})" if c in MONEY else c for c in COLUMNS], "headings")
    sheet.heights[row + 1] = 38
    row += 2
    for plan in book.plans:
        _strategy_row(book, sheet, plan, versus, row)
        row += 1
    sheet.text(
        row,
        1,
        "Per patient. Cost, net cost, break-even, risk reduction and bleeds averted: headline years. QALYs, harms and "
        "deaths: time horizon.",
        "note",
    )
    return row


def _strategy_row(book: Book, sheet: Sheet, plan: Plan, versus: str, row: int) -> None:
    def against(key: str) -> Any:
        return book.cells.get(("comparison", versus, plan.key, key), "")

    nnt, kind = (against(f"nnt.{NNT_YEAR}.{part}") for part in ("value", "kind"))
    needed = choose(kind == "NNTH", lambda: _harm(nnt), lambda: nnt) if isinstance(kind, Formula) else ""

    def per_1000(name: str) -> Any:
        return 1000 * total(book, plan.key, name)

    sheet.text(row, 1, plan.row.label, "bold")
    cells = (
        (total(book, plan.key, "total", "costs", "headline"), "money"),
        (total(book, plan.key, "prophylaxis", "costs", "headline"), "money"),
        (total(book, plan.key, "qalys", "outcomes"), "plain|two"),
        (against("at_five_years.incremental_cost"), "money"),
        (against("at_five_years.arr.headline"), "share"),
        (needed, "strong|one"),
        (against("at_five_years.break_even_nnt"), "one"),
        (against("at_five_years.bleeds_averted_per_100"), "one"),
        (per_1000("deaths_procedure"), "one"),
        *((per_1000(kind), "one") for kind in KEPT_COMPLICATIONS),
        (per_1000("deaths_bleed"), "one"),
    )
    for column, (formula, style) in enumerate(cells, start=2):
        sheet.formula(row, column, formula, style)
    sheet.text(row, len(COLUMNS), plan.row.evidence_grade, "small")


def _harm(nnt: Formula) -> Formula:
    return Formula(f'"NNTH "&TEXT({nnt.text},"0.0")', f"NNTH {nnt.value:.1f}" if nnt.value != "" else "")


def _evidence(book: Book, sheet: Sheet, row: int) -> int:
    """Evidence and harms of each strategy, in words."""
    sheet.row(row, ["Evidence and harms"] + [""] * (len(COLUMNS) - 1), "section")
    for plan in book.plans:
        row += 1
        sheet.text(row, 1, plan.row.label, "bold")
        grade = f"Evidence {plan.row.evidence_grade}. " if plan.row.evidence_grade else ""
        sheet.text(row, 2, f"{grade}{plan.row.evidence_note} Harms: {plan.row.harms_note or 'not stated'}", "small")
        sheet.merge(row, 2, len(COLUMNS))
        sheet.heights[row] = 36
    return row


def _guide(book: Book, sheet: Sheet, row: int) -> None:
    sheet.row(row, ["What is where (click)"] + [""] * (len(COLUMNS) - 1), "section")
    names = dict(GUIDE)
    for plan in book.plans:
        names[plan.years_sheet] = f"{plan.row.label}: effect, chances, activity and cost by model year."
        names[plan.trace_sheet] = f"{plan.row.label}: share of each group in each state, month by month."
    for name, words in names.items():
        row += 1
        sheet.text(row, 1, name, "text")
        sheet.link(row, 1, name)
        sheet.text(row, 2, words, "small")
        sheet.merge(row, 2, len(COLUMNS))
