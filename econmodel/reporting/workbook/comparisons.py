"""Comparisons sheet, each strategy against each comparator; Frontier sheet, which options are worth comparing.

Increments and what follows from them are ``economics.comparison.Comparison`` run on cells: its increments are written
first, then its ratios from those cells. What does not exist (an ICER under dominance, an NNT without a difference in
risk) is an empty cell, never a number.

With costs c and effects e, an option is on the efficiency frontier where the steepest slope to any option with less
effect is below the flattest slope to any option with more, and that is above 0. Its ICER is the former.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from econmodel.arrays import choose
from econmodel.economics.comparison import DOMINATED, EXTENDEDLY_DOMINATED, ON_FRONTIER, REFERENCE, Comparison, Totals, rank_strategies
from econmodel.economics.evaluate import RISK_YEARS
from econmodel.economics.lead import find_subjects
from econmodel.parameters.schema import THRESHOLD, WATCH
from econmodel.records import record
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.formula import Formula, call, quoted
from econmodel.reporting.workbook.totals import total
from econmodel.reporting.workbook.writer import Sheet, address, span

COMPARISONS, FRONTIER = "Comparisons", "Frontier"
HORIZON, HEADLINE, CHOSEN = "horizon", "headline", "chosen"
PREFIX = {HORIZON: "", HEADLINE: "at_five_years."}
LABEL, KEY, COMPARATOR, FIRST_STRATEGY = 1, 2, 3, 4
ENDS = {
    **{y: (str(y), f"by year {y}") for y in RISK_YEARS},
    1000: (HEADLINE, "by the headline years"),
    1001: (HORIZON, "over the time horizon"),
}
FRONTIER_COLUMNS = (
    "Strategy",
    "Key",
    "Cost",
    "QALYs",
    "Steepest slope from less effect",
    "Flattest slope to more effect",
    "Status",
    "ICER on the frontier",
)
F_LABEL, F_KEY, COST, EFFECT, BEFORE, AFTER, STATUS, ICER = range(1, 9)
FIRST_OPTION = 6
NONE, FAR = -1e300, 1e300
RISK, NET_BENEFIT = "first_bleed_risk", "net_monetary_benefit"


@record
class Row:
    """One figure of a comparison; ``field`` is the total an increment is of, ``year`` what it runs to (0: the block's end)."""

    label: str
    key: str
    style: str
    figure: Callable[[Any], Any]
    field: str = ""
    year: int = 0


def increments(ends: list[int]) -> Iterator[Row]:
    """Rows that are differences of totals."""
    yield Row("Incremental cost", "incremental_cost", "money", lambda c: c.incremental_cost, "cost")
    yield Row("Incremental life-years", "incremental_life_years", "count", lambda c: c.incremental_life_years, "life_years")
    yield Row("Incremental QALYs", "incremental_qalys", "count", lambda c: c.incremental_qalys, "qalys")
    prophylaxis = "incremental_prophylaxis_cost"
    yield Row(
        "Incremental cost of prophylaxis (Cp)", prophylaxis, "money", lambda c: c.incremental_prophylaxis_cost, "prophylaxis_cost"
    )
    yield Row("Bleeds averted, first and again", "bleeds_averted", "count", lambda c: c.bleeds_averted, "bleeds")
    gastric = "gastric_first_bleeds_averted_per_100"
    label = "Gastric first bleeds averted per 100 patients"
    yield Row(label, gastric, "count", lambda c: c.gastric_first_bleeds_averted_per_100, "gastric_first_bleeds")
    for end in ends:
        name, words = ENDS[end]
        label = f"Absolute risk reduction {words} (ARR)"
        yield Row(label, f"arr.{name}", "share", lambda c, end=end: c.arr[end], RISK, end)  # type: ignore[misc]


def ratios(ends: list[int]) -> Iterator[Row]:
    """Rows that follow from the increments."""
    yield Row("Cost per QALY gained (ICER)", "icer", "money", lambda c: c.icer)
    yield Row("What the pair is", "icer_status", "small", lambda c: c.icer_status)
    yield Row("Incremental net monetary benefit", NET_BENEFIT, "money", lambda c: c.net_monetary_benefit)
    averted = "Bleeds averted per 100 patients, first and again"
    yield Row(averted, "bleeds_averted_per_100", "count", lambda c: c.bleeds_averted_per_100)
    yield from _needed("Patients per bleed averted", "patients_per_bleed_averted", lambda c: c.patients_per_bleed_averted, 0)
    for end in ends:
        name, words = ENDS[end]
        yield from _needed(f"Patients needed to treat {words} (NNT)", f"nnt.{name}", lambda c, end=end: c.nnt[end], end)  # type: ignore[misc]
    yield Row("Break-even NNT = Ce / Cp, Ce = -(dC - Cp) / ARR", "break_even_nnt", "count", lambda c: c.break_even_nnt)
    first, any_bleed = "net_cost_per_first_bleed_averted", "net_cost_per_any_bleed_averted"
    yield Row("Net cost per first bleed averted", first, "money", lambda c: c.net_cost_per_first_bleed_averted)
    yield Row("Net cost per any bleed averted", any_bleed, "money", lambda c: c.net_cost_per_any_bleed_averted)
    yield Row("Saves money", "saves", "small", lambda c: choose(c.saves, lambda: "yes", lambda: "no"))


def _needed(label: str, key: str, nnt: Callable[[Any], Any], year: int) -> Iterator[Row]:
    yield Row(label, f"{key}.value", "one", lambda c: nnt(c).value, year=year)
    yield Row("    benefit (NNTB) or harm (NNTH)", f"{key}.kind", "small", lambda c: nnt(c).kind, year=year)


def comparators(book: Book) -> list[str]:
    """List no prophylaxis and usual care where the file has them, then the comparator that the setting chooses."""
    subjects = find_subjects(book.case.parameters, book.evaluation)
    keys = [plan.key for plan in book.plans]
    return [key for key in dict.fromkeys((WATCH, subjects.usual_care)) if key in keys] + [CHOSEN]


def build_comparisons(book: Book) -> None:
    """Write a block for each comparator."""
    sheet = book.add_sheet(COMPARISONS, tab="0B8659")
    sheet.heading(
        "Comparisons",
        f"Per patient. Money in {book.money_label}, discounted; risks and bleeds undiscounted, death "
        "competing. An empty cell: there is no such number.",
    )
    row = 4
    for versus in comparators(book):
        sheet.break_before(row=row if row > 4 else 0)
        row = _block(book, sheet, versus, row) + 2
    sheet.widths(50, 36, 20, *[20] * len(book.plans))
    sheet.frame("C4", book.footer)


def _block(book: Book, sheet: Sheet, versus: str, row: int) -> int:
    label = next((p.row.label for p in book.plans if p.key == versus), "the comparator chosen in the settings")
    sheet.row(row, [f"Compared with: {label}", "", "Comparator's own value", *(p.row.label for p in book.plans)], "headings")
    sheet.heights[row] = 30
    sheet.row(row + 1, ["", "versus", versus, *(p.key for p in book.plans)], "key")
    row += 2
    for up_to, title in ((HORIZON, "Over the time horizon"), (HEADLINE, "Over the headline years")):
        sheet.row(row, [title] + [""] * (len(book.plans) + 2), "section")
        row = _rows(book, sheet, versus, up_to, row + 1)
    return row


def _rows(book: Book, sheet: Sheet, versus: str, up_to: str, first: int) -> int:
    """Write one block up to one time: increments, then what follows from them; give the next row."""
    ends = list(ENDS) if up_to == HORIZON else [1000]
    threshold = book.v.get(THRESHOLD)  # None where the case names none: no net benefit then
    gaps, derived = list(increments(ends)), [r for r in ratios(ends) if threshold is not None or r.key != NET_BENEFIT]
    for row, line in enumerate([*gaps, *derived], start=first):
        sheet.text(row, LABEL, line.label)
        sheet.text(row, KEY, PREFIX[up_to] + line.key, "key")
    own = _comparator_totals(book, sheet, versus, up_to, ends, first)
    for column, plan in enumerate(book.plans, start=FIRST_STRATEGY):
        if plan.key == versus:
            for row, line in enumerate([*gaps, *derived], start=first):
                sheet.text(row, column, "", line.style)
            continue
        found: Any = Comparison(versus, threshold, _totals(book, plan.key, up_to, ends), own)
        cells = [
            _figure(book, sheet, (first + i, column), versus, plan.key, up_to, line, line.figure(found)) for i, line in enumerate(gaps)
        ]
        there = _from_cells(versus, threshold, gaps, cells)
        for row, line in enumerate(derived, start=first + len(gaps)):
            _figure(book, sheet, (row, column), versus, plan.key, up_to, line, line.figure(there))
    return first + len(gaps) + len(derived)


def _from_cells(versus: str, threshold: Any, gaps: list[Row], cells: list[Any]) -> Comparison[Any]:
    """Compare by the increments just written: what is gained stands with the strategy, what is averted with the comparator."""
    gained: dict[str, Any] = {line.field: cell for line, cell in zip(gaps, cells, strict=True) if line.field != RISK}
    averted: dict[str, Any] = {field: gained[field] for field in ("bleeds", "gastric_first_bleeds")}
    arr = {line.year: cell for line, cell in zip(gaps, cells, strict=True) if line.field == RISK}
    nil, no_risk = dict.fromkeys(gained, 0.0), dict.fromkeys(arr, 0.0)
    strategy: Totals[Any] = Totals(**(gained | dict.fromkeys(averted, 0.0)), first_bleed_risk=no_risk)
    return Comparison(versus, threshold, strategy, Totals(**(nil | averted), first_bleed_risk=arr))


def _totals(book: Book, key: str, up_to: str, ends: list[int]) -> Totals[Any]:
    """What a strategy comes to, in the cells of the totals."""

    def of(name: str, weighting: str = "undiscounted") -> Formula:
        return total(book, key, name, weighting, up_to)

    return Totals(
        cost=of("total", "costs"),
        prophylaxis_cost=of("prophylaxis", "costs"),
        qalys=of("qalys", "outcomes"),
        life_years=of("life_years", "outcomes"),
        bleeds=of("first_bleeds") + of("rebleeds"),
        gastric_first_bleeds=of("gastric_first_bleeds"),
        first_bleed_risk={end: total(book, key, "first_bleeds", up_to=ENDS[end][0]) for end in ends},
    )


def _comparator_totals(book: Book, sheet: Sheet, versus: str, up_to: str, ends: list[int], first: int) -> Totals[Any]:
    """Write the comparator's own values and give their cells."""
    chosen = book.input("comparator")
    fields: dict[str, Any] = {RISK: {}}
    for row, line in enumerate(increments(ends), start=first):

        def of(key: str, line: Row = line) -> Any:
            figure = getattr(_totals(book, key, up_to, ends), line.field)
            return figure[line.year] if line.field == RISK else figure

        value: Any = of(versus) if versus != CHOSEN else Formula("NA()", np.nan)
        if versus == CHOSEN:
            for plan in reversed(book.plans):
                value = choose(chosen == plan.key, lambda key=plan.key: of(key), lambda value=value: value)  # type: ignore[misc]
        cell = sheet.formula(row, COMPARATOR, value, line.style)
        if line.field == RISK:
            fields[RISK][line.year] = cell
        else:
            fields[line.field] = cell
    return Totals(**fields)


def _figure(book: Book, sheet: Sheet, place: tuple[int, int], versus: str, key: str, up_to: str, line: Row, figure: Any) -> Any:
    """Write a figure where it exists: not against itself, past the horizon, or at headline years the horizon does not reach."""
    horizon, conditions = book.at("horizon"), []
    if versus == CHOSEN:
        conditions.append(book.input("comparator") == key)
    if up_to == HEADLINE:
        conditions.append(book.v["headline_years"] > horizon)
    if line.year in RISK_YEARS:
        conditions.append(horizon <= line.year)
    missing: Any = False
    for condition in conditions:
        missing = condition if missing is False else missing | condition
    shown = "" if figure is None else figure
    cell = sheet.formula(*place, choose(missing, lambda: None, lambda: shown), line.style)
    book.cells["comparison", versus, key, PREFIX[up_to] + line.key] = cell
    return cell


def build_frontier(book: Book) -> None:
    """Write the frontier of the strategies in this file over the time horizon, and the slopes it rests on."""
    sheet = book.add_sheet(FRONTIER, tab="0B8659")
    sheet.heading(
        "Efficiency frontier", f"Of the strategies in this file, over the time horizon, discounted; {book.money_label} per QALY."
    )
    sheet.row(FIRST_OPTION - 1, list(FRONTIER_COLUMNS), "headings")
    last = FIRST_OPTION + len(book.plans) - 1
    slopes = last + 4
    sheet.heights[FIRST_OPTION - 1] = sheet.heights[slopes - 1] = 40
    sheet.row(slopes - 1, ["Cost per QALY from column to row", *(p.row.label for p in book.plans)], "headings")
    options = [_option(book, sheet, FIRST_OPTION + i, plan.key, plan.row.label) for i, plan in enumerate(book.plans)]
    keys = [plan.key for plan in book.plans]
    ranked = {r.key: r for r in rank_strategies(keys, [float(c.value) for c, _ in options], [float(e.value) for _, e in options])}
    for i, plan in enumerate(book.plans):
        sheet.text(slopes + i, 1, plan.row.label)
        cells = [sheet.formula(slopes + i, 2 + j, _slope(options[i], start), "money") for j, start in enumerate(options)]
        _judge(sheet, FIRST_OPTION + i, last, options, i, cells, ranked[plan.key])
    sheet.widths(40, 18, 16, 16, 18, 18, 22, 18)
    sheet.frame("C6", book.footer)


def _option(book: Book, sheet: Sheet, row: int, key: str, label: str) -> tuple[Formula, Formula]:
    sheet.text(row, F_LABEL, label)
    sheet.text(row, F_KEY, key, "key")
    cost = sheet.formula(row, COST, total(book, key, "total", "costs"), "money")
    return cost, sheet.formula(row, EFFECT, total(book, key, "qalys", "outcomes"), "count")


def _slope(to: tuple[Any, Any], start: tuple[Any, Any]) -> Any:
    """Slope from one option to another; empty between options of equal effect."""
    gained = to[1] - start[1]
    return choose(gained == 0, lambda: None, lambda: (to[0] - start[0]) / gained)


def _judge(sheet: Sheet, row: int, last: int, options: list[Any], i: int, slopes: list[Any], ranked: Any) -> None:
    """Say what an option is, from its slopes; the values are those of ``rank_strategies``."""
    effect = options[i][1]
    before = [choose(e < effect, lambda s=s: s, lambda: NONE) for s, (_, e) in zip(slopes, options, strict=True)]  # type: ignore[misc]
    after = [choose(e > effect, lambda s=s: s, lambda: FAR) for s, (_, e) in zip(slopes, options, strict=True)]  # type: ignore[misc]
    steep = sheet.formula(row, BEFORE, call("MAX", max(float(f.value) for f in before), *before), "slope").text
    flat = sheet.formula(row, AFTER, call("MIN", min(float(f.value) for f in after), *after), "slope").text
    costs, effects = span(FIRST_OPTION, last, COST), span(FIRST_OPTION, last, EFFECT)
    c, e = address(row, COST), address(row, EFFECT)
    better = f"SUMPRODUCT(({costs}<={c})*({effects}>={e})*((({costs}<{c})+({effects}>{e}))>0))"
    twin = f"SUMPRODUCT(({span(FIRST_OPTION, row, COST)}={c})*({span(FIRST_OPTION, row, EFFECT)}={e}))>1"
    on = f'IF({steep}<=0,"{REFERENCE}","{ON_FRONTIER}")'
    status = f'IF(OR({better}>0,{twin}),"{DOMINATED}",IF({steep}>={flat},"{EXTENDEDLY_DOMINATED}",{on}))'
    cell = sheet.formula(row, STATUS, Formula(status, ranked.status), "small")
    icer = f'IF({cell.text}={quoted(ON_FRONTIER)},{steep},"")'
    sheet.formula(row, ICER, Formula(icer, "" if ranked.icer is None else ranked.icer), "strong|money")
