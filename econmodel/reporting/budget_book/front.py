"""What is read first and last: Read me, Decision, charts and checks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from econmodel.package import stamp, version
from econmodel.programme.money.rows import TO_CONTRIBUTION, Row
from econmodel.programme.options import PROPOSAL
from econmodel.reporting.budget_book.book import MONTHS, START_ROW, BudgetBook
from econmodel.reporting.budget_book.budget import BUDGET
from econmodel.reporting.budget_book.choices import ENGINE, engine_values
from econmodel.reporting.budget_book.first_page import write_first_page
from econmodel.reporting.budget_book.inputs import build_switches
from econmodel.reporting.papers.phrases import caution
from econmodel.reporting.workbook.formula import Formula
from econmodel.reporting.workbook.pages import DEMO
from econmodel.reporting.workbook.writer import Sheet, letters

if TYPE_CHECKING:
    from openpyxl.chart.series import Series

READ_ME, DECISION, CHARTS, CHECKS = "Read_me", "Decision", "Charts", "Checks"
SAME = 1e-9
SHOWN = ("Cash NPV", "NPV with capacity", "Chance of a cash loss", "Bleeds averted", "Procedure deaths", "Cash per bleed averted")
GUIDE = {
    DECISION: "What the programme comes to, the switches, and the options in order.",
    "Inputs": "Every input of the money: base, low, high, and a switch of its own.",
    "Funnel": "From patients endoscoped to who starts in each month.",
    "Profiles": "Activity per patient who starts, by strategy and month: values from the model.",
    "Rates": "How many coils, complications, days come with a session.",
    "Payers": "What each payer pays at the margin; money per unit of each activity.",
    "Price_levels": "How prices rise by year.",
    "Capital": "Equipment, on the basis that is chosen.",
    BUDGET: "The rows of the budget by year.",
    "Options": "Every option as the program has it.",
    "Downside": "What may go worse, and the inputs that each row sets.",
    CHARTS: "Cash, bridge and bleeds, as chosen.",
    CHECKS: "Whether the figures add up and agree with the program.",
    "Activity": "Activity by calendar month, and per patient who starts.",
    MONTHS: "The rows of the budget by month.",
}
HOW = (
    "Four switches on Decision choose the option, how the hospital is paid, whether staff time freed counts, and what goes worse.",
    "Yellow cells may be changed. Everything from the funnel to the net present value is worked out again.",
    "Probabilities, clinical counts and QALYs come from the model and are held as values: they do not follow an input changed here.",
    "Loans and a capital charge that is paid are in no net present value; where there are any, cash after them stands on Budget.",
    "Every row R1 to R20 is cash, against today's mix. Staff time freed, RC, is no cash and counts only with capacity valued.",
)
BRIDGE = (*TO_CONTRIBUTION, Row.STEP_COST, Row.FIXED_COST)


def build_read_me(book: BudgetBook) -> None:
    """Say what the file is, how it is used, and what is where."""
    sheet = book.sheets[READ_ME]
    made = f"econmodel {version()}, inputs {book.case.parameters.sha256[:12]}, {stamp()}"
    sheet.heading(book.case.title, f"Budget workbook. Money in {book.money_label}. By {made}.")
    texts = [(DEMO, "demo")] if book.case.is_demo else []
    texts += [(caution() + " Follow local protocol, licensed clinicians and local finance rules.", "caution")]
    row = 3
    for text, style in (*texts, *((words, "text") for words in HOW)):
        sheet.text(row, 1, text, style)
        sheet.merge(row, 1, 2)
        sheet.heights[row] = 30 if style != "text" else 16
        row += 1
    sheet.row(row + 1, ["What is where (click)", ""], "section")
    for at, (name, words) in enumerate(GUIDE.items(), start=row + 2):
        sheet.text(at, 1, name)
        sheet.link(at, 1, name)
        sheet.text(at, 2, words, "small")
    sheet.widths(26, 92)
    sheet.frame("A3", book.footer)


def open_decision(book: BudgetBook) -> None:
    """Write the switches, on which everything rests."""
    sheet = book.sheets[DECISION]
    sheet.heading("Decision", "Choose in the yellow cells.")
    book.cells["after_switches",] = build_switches(book, sheet, 3)


def build_decision(book: BudgetBook) -> None:
    """Write what the choice comes to, live, and what the program found for the proposal, as values and words."""
    sheet, programme = book.sheets[DECISION], book.plan.programme
    row = int(book.at("after_switches")) + 2
    sheet.row(row, ["As chosen, live", *[""] * 6], "section")
    money = (
        ("npv", "Net present value, column chosen"),
        ("npv_cash", "Net present value in cash"),
        ("npv_with_capacity", "with capacity valued"),
    )
    for key, label in (*money, ("peak", "Lowest cumulative"), ("payback", "Payback, years")):
        row += 1
        sheet.text(row, 1, label, "bold")
        sheet.formula(row, 2, book.at(key), "strong|money" if key != "payback" else "strong|number")
    for line in (Row.STARTS, Row.BLEEDS_AVERTED, Row.BED_DAYS):
        row += 1
        sheet.text(row, 1, f"{line.label}, over the budget")
        sheet.formula(row, 2, book.at("total", line), "plain|one")
    state(book, sheet, row + 1, 1)
    row = _options(book, sheet, row + 4) + 2
    sheet.row(row, ["The proposal, as the program found it (values)", *[""] * 6], "section")
    found = programme.decision
    against = [f"Against it: {words}." for words in found.why if words not in found.text] if found else []
    said = [found.sentence, f"Decision asked: {found.text}", found.order, *against] if found else []
    for words in (*said, *programme.sentences):
        row += 1
        sheet.text(row, 1, words, "text")
        sheet.merge(row, 1, 7)
        sheet.height(row, (words, 112))
    write_first_page(book, sheet, row + 2)
    sheet.widths(46, 16, 14, 14, 14, 14, 14, 5)
    sheet.frame("A3", book.footer)


def _options(book: BudgetBook, sheet: Sheet, row: int) -> int:
    """Options as the program has them, and the last row; the whole table is on Options."""
    columns = {name: ENGINE[name] for name in SHOWN}
    sheet.row(row, ["Options, as the program found them (values)", *columns], "headings")
    for option in book.options:
        row += 1
        sheet.text(row, 1, option.label, "bold" if option.key == PROPOSAL else "text")
        for column, (of, style) in enumerate(columns.values(), start=2):
            if (value := of(option)) is not None:
                sheet.number(row, column, float(value), f"plain|{style}")
    return row


def build_checks(book: BudgetBook) -> None:
    """Write each check with its figure and whether it holds, and agreement with the program where it has the figure."""
    sheet = book.sheets[CHECKS]
    sheet.heading("Checks", "A figure is to be used only while every check holds.")
    sheet.row(5, ["Check", "Figure", "Holds"], "headings")
    size = f"MAX(1,ABS({book.at('total', Row.PROPHYLAXIS_INCOME).text}))"

    def gap(*parts: tuple[str, Row]) -> str:
        return "".join(f"{sign}{book.at('total', row).text}" for sign, row in parts)

    r = Row
    contribution = (("", r.PROPHYLAXIS_CONTRIBUTION), ("+", r.HARM_INCOME), ("-", r.HARM_COST), ("+", r.BLEED_COST_AVOIDED))
    margin = (("-", r.BLEED_INCOME_LOST), ("+", r.REFILLED_BEDS), ("-", r.DISPLACED_WORK))
    transfers = (("+", r.TRANSFERS), ("-", r.NET_CONTRIBUTION))
    cash = (("", r.OPERATING_CASH), ("-", r.TAX), ("-", r.WORKING_CAPITAL), ("-", r.CAPITAL), ("-", r.NET_CASH))
    freed = f"{book.at('npv_with_capacity').text}-{book.at('npv_cash').text}-SUM({book.over('freed_value').text})"
    mix = book.at("mix", "cells")
    shares = f"SUM(Options!${letters(mix[1])}${mix[0]}:${letters(mix[1] + len(mix[2]) - 1)}${mix[0]})-1"
    lines = (
        ("R11 adds up", gap(*contribution, *margin, *transfers)),
        ("R18 adds up", gap(*cash)),
        ("With capacity = cash + time freed", freed),
        ("Care that is not changed costs nothing", f"IF({book.at('changes').text}=0,{book.at('npv').text},0)"),
        ("Shares of the option sum to 1", shares),
        ("Starts do not exceed those ready", f"MAX(0,SUM({book.over('starts').text})-SUM({book.over('demand').text}))"),
    )
    for row, (label, text) in enumerate(lines, start=6):
        sheet.text(row, 1, label)
        cell = sheet.formula(row, 2, Formula(text, 0.0), "small_number")
        sheet.formula(
            row, 3, Formula(f'IF(ISNUMBER({cell.text}),IF(ABS({cell.text})<={SAME!r}*{size},"yes","NO"),"NO")', "yes"), "bold"
        )
    last = 5 + len(lines)
    sheet.alert(f"C6:C{last}", 'C6="NO"')
    book.cells["failed",] = Formula(f'COUNTIF({CHECKS}!$C$6:$C${last},"NO")', 0.0)
    _agreement(book, sheet, last + 2, size)
    sheet.widths(60, 18, 44)
    sheet.frame("A6", book.footer)


def _agreement(book: BudgetBook, sheet: Sheet, row: int, size: str) -> None:
    value, known = engine_values(book)
    found = float(book.plan.budget.npv_cash[0])
    sheet.text(row, 1, "Net present value in cash of what is chosen, as the program has it")
    engine = sheet.formula(row, 2, Formula(f'IF({known},{value},"none")', found), "strong|money")
    sheet.text(row + 1, 1, "The same, live")
    live = sheet.formula(row + 1, 2, book.at("npv_cash"), "strong|money")
    sheet.text(row + 2, 1, "Inputs changed or switched")
    changed = sheet.formula(row + 2, 2, book.at("inputs", "changed"), "whole")
    alike = f'IF(ABS({engine.text}-{live.text})<={SAME!r}*{size},"agrees with the program","DIFFERS")'
    known_here = f'IF(ISTEXT({engine.text}),"the program has no figure for this choice",{alike})'
    verdict = f'IF({changed.text}>0,"not to be compared: inputs changed",{known_here})'
    sheet.text(row + 3, 1, "Agreement", "bold")
    book.cells["agreement",] = sheet.formula(row + 3, 2, Formula(verdict, "agrees with the program"), "bold")
    sheet.alert(f"B{row + 3}", f'LEFT($B${row + 3},6)="DIFFER"')


def state(book: BudgetBook, sheet: Sheet, row: int, label: int) -> None:
    """Say how many checks fail, and whether the figures agree with the program's."""
    sheet.text(row, label, "Checks that fail", "bold")
    sheet.formula(row, label + 1, book.at("failed"), "strong|whole")
    sheet.text(row + 1, label, "Agreement with the program", "bold")
    sheet.formula(row + 1, label + 1, book.at("agreement"), "bold_left")
    sheet.merge(row + 1, label + 1, label + 5)
    sheet.alert(f"{letters(label + 1)}{row}", f"${letters(label + 1)}${row}>0")


def build_charts(book: BudgetBook) -> None:
    """Write what the three native charts are drawn from, and draw them."""
    from openpyxl.chart import BarChart, LineChart, Reference

    sheet, years = book.sheets[CHARTS], book.plan.inputs.n_budget_years
    sheet.heading("Charts, as chosen on Decision", "Cumulative cash by month; what the cash is made of; bleeds averted by year.")
    page, source = sheet.page, book.sheets[MONTHS].page
    cash = LineChart()
    column = _column(book, "cumulative_chosen")
    cash.add_data(Reference(source, min_col=column, min_row=START_ROW, max_row=book.rows[-1]))
    cash.set_categories(Reference(source, min_col=1, min_row=START_ROW, max_row=book.rows[-1]))
    _finish(cash, "Cumulative cash, column chosen", "Month", book.plan.inputs.currency)
    cash.x_axis.tickLblSkip = cash.x_axis.tickMarkSkip = 12  # type: ignore[attr-defined]
    cash.series[0].smooth = False
    top = _bridge(book, sheet, 50)
    bridge = BarChart()
    bridge.grouping, bridge.overlap, bridge.gapWidth = "stacked", 100, 40
    for at in (3, 4, 5):
        bridge.add_data(Reference(page, min_col=at, min_row=50, max_row=top), titles_from_data=True)
    bridge.set_categories(Reference(page, min_col=1, min_row=51, max_row=top))
    _finish(bridge, "From the programme's own contribution to operating cash", "", book.plan.inputs.currency)
    _colour(bridge.series[0], "")
    _colour(bridge.series[1], "2E7D5B")
    _colour(bridge.series[2], "9B2226")
    bleeds = BarChart()
    budget = book.sheets[BUDGET].page
    row = _row_of(book, Row.BLEEDS_AVERTED)
    bleeds.add_data(Reference(budget, min_col=4, max_col=3 + years, min_row=row, max_row=row), from_rows=True)
    bleeds.set_categories(Reference(budget, min_col=4, max_col=3 + years, min_row=8, max_row=8))
    _finish(bleeds, "Bleeds averted by year", "", "Bleeds")
    for chart, place in ((cash, "A4"), (bridge, "A26"), (bleeds, "H4")):
        page.add_chart(chart, place)
    sheet.widths(36, 14, 14, 14, 14, 4, 4)
    sheet.frame("A3", book.footer)


def _column(book: BudgetBook, name: str) -> int:
    from openpyxl.utils import column_index_from_string

    return int(column_index_from_string(book.months[name].text.split("$")[1][:-1]))


def _row_of(book: BudgetBook, row: Row) -> int:
    return int(book.at("total", row).text.split("$")[-1])


def _bridge(book: BudgetBook, sheet: Sheet, row: int) -> int:
    """Bars of the bridge: what stands below each, what it adds and what it takes; and the last row."""
    sheet.row(row, ["Step", "Change", "", "Adds", "Takes"], "headings")
    level = "0"
    values = 0.0
    first = row
    for line in BRIDGE:
        row += 1
        total = book.at("total", line)
        sheet.text(row, 1, line.label)
        sign = "-" if line.is_cost else ""
        change = -total.value if line.is_cost else total.value
        sheet.formula(row, 2, Formula(f"{sign}{total.text}", change), "money")
        before = "0" if row == first + 1 else f"SUM($B${first + 1}:$B{row - 1})"
        values += change
        _bar(sheet, row, before, f"$B{row}", values - change, change)
    row += 1
    sheet.text(row, 1, Row.OPERATING_CASH.label, "bold")
    total = book.at("total", Row.OPERATING_CASH)
    sheet.formula(row, 2, total, "strong|money")
    _bar(sheet, row, level, f"$B{row}", 0.0, total.value)
    return row


def _bar(sheet: Sheet, row: int, before: str, change: str, start: float, value: float) -> None:
    """One bar in three stacked parts, drawn from 0 where the bar crosses it."""
    end = start + value
    low = min(start, end) if min(start, end) > 0 else max(start, end) if max(start, end) < 0 else 0.0
    after = f"({before}+{change})"
    text = f"IF(MIN({before},{after})>0,MIN({before},{after}),IF(MAX({before},{after})<0,MAX({before},{after}),0))"
    sheet.formula(row, 3, Formula(text, low), "money")
    above = f"MAX({before},{after},0)-MAX(0,$C{row})"
    below = f"MIN({before},{after},0)-MIN(0,$C{row})"
    up, down = max(start, end, 0.0) - max(0.0, low), min(start, end, 0.0) - min(0.0, low)
    rises = value >= 0
    sheet.formula(row, 4, Formula(f"IF({change}>=0,{above}+{below},0)", up + down if rises else 0.0), "money")
    sheet.formula(row, 5, Formula(f"IF({change}<0,{above}+{below},0)", 0.0 if rises else up + down), "money")


def _finish(chart: Any, title: str, across: str, up: str) -> None:
    chart.title, chart.legend = title, None
    chart.x_axis.title, chart.y_axis.title = across or None, up
    chart.x_axis.delete = chart.y_axis.delete = False
    chart.y_axis.number_format, chart.x_axis.tickLblPos = "#,##0", "low"
    chart.height, chart.width = 10.0, 17.0


def _colour(series: Series, colour: str) -> None:
    if colour:
        series.graphicalProperties.solidFill = colour
    else:
        series.graphicalProperties.noFill = True
        series.graphicalProperties.line.noFill = True
