"""Capital sheet: each piece of equipment on each basis, of which the one chosen counts; below, what is paid whatever the volume."""

from __future__ import annotations

from econmodel.programme.cost_tables import ALWAYS, EXISTING, LEASE, PER_USE, PURCHASE, SESSIONS, CapitalItem
from econmodel.programme.money.capital import Holding, holdings, price_year_of
from econmodel.programme.money.fixed import fixed_rows, is_carried
from econmodel.programme.money.levels import price_indices
from econmodel.reporting.budget_book.book import BudgetBook
from econmodel.reporting.budget_book.plan import EVERY_ITEM
from econmodel.reporting.workbook.formula import ROW, Formula
from econmodel.reporting.workbook.writer import Sheet, address, letters, span

CAPITAL = "Capital"
ITEM_HEADERS = (
    "Item",
    "Cost",
    "Salvage",
    "Life, years",
    "Share charged, existing",
    "Share charged, new",
    "Lease a month",
    "Term, months",
    "Amount a use",
    "Own basis",
    "Basis",
)
COST, SALVAGE_OF, LIFE, SHARE, SHARE_NEW, MONTHLY, TERM, AMOUNT, OWN_BASIS, BASIS_OF = range(2, len(ITEM_HEADERS) + 1)
HEADERS = (
    "Item",
    "Basis",
    "From month",
    "To month",
    "Bought",
    "Counts",
    "Price level, bought",
    "Outlay",
    "Price level, sold",
    "Salvage received",
    "Depreciation a month",
    "Book value at the end",
    "Worth at first",
    "Worth lost a month",
)
ITEM, BASIS, START, END, BOUGHT, COUNTS, PRICE, OUTLAY, SOLD, SALVAGE, WORN, BOOK, WORTH, LOST = range(1, len(HEADERS) + 1)
LEVELS = ("pay", "devices", "tariff", "mixed", "none")
FIXED_HEADERS = ("Fixed cost", "Amount", "Once", "From month", "Until month", "Carried", *(f"By {name}" for name in LEVELS))
F_NAME, F_AMOUNT, F_ONCE, F_FROM, F_UNTIL, F_CARRIED, F_LEVEL = range(1, 8)
FIRST = 6


def build_capital(book: BudgetBook) -> None:
    """Write items with what they cost, then each holding of one with its months, outlay, salvage and wear; then fixed costs."""
    sheet, inputs = book.sheets[CAPITAL], book.plan.inputs
    sheet.heading(
        "Capital and fixed costs",
        "Months in hand are as built; money and shares may change. Only the basis of an item counts, for who builds a service.",
    )
    sheet.text(3, 1, "Basis of items without their own", "bold")
    sheet.text(3, 2, inputs.capital_basis, "answer")
    sheet.row(FIRST - 1, list(ITEM_HEADERS), "headings")
    for row, item in enumerate(inputs.capital, start=FIRST):
        _write_item(book, sheet, row, item)
    top = FIRST + len(inputs.capital) + 3
    sheet.row(top - 1, list(HEADERS), "headings")
    row = top
    for position, item in enumerate(inputs.capital):
        for kind in (EXISTING, PURCHASE) if item.life_years else ():
            for held in holdings(item, kind, book.n_months, inputs.share_device_tax):
                _write(book, sheet, row, position, kind, held)
                row += 1
    book.cells["holdings",] = (top, max(row - 1, top))
    _fixed(book, sheet, max(row, top + 1) + 2)
    sheet.widths(34, *[13] * (len(HEADERS) - 1))
    sheet.frame(f"B{FIRST}", book.footer)


def _quoted(book: BudgetBook, item: CapitalItem) -> CapitalItem:
    """The item with a lease: its own, or the one that the row of the downside table supposes."""
    found = book.plan.programme.worse.get("lease")
    same = [] if found is None else [other for other in found[1].inputs.capital if other.item == item.item]
    return item if item.monthly or not same else same[0]


def _write_item(book: BudgetBook, sheet: Sheet, row: int, item: CapitalItem) -> None:
    lease, default = _quoted(book, item), book.plan.inputs.capital_basis
    figures = (item.cost, item.salvage, item.life_years, item.share, item.share_if_new, lease.monthly, lease.term_months, item.amount)
    sheet.text(row, 1, item.item)
    for column, value in enumerate(figures, start=COST):
        sheet.number(row, column, float(value), "input")
    sheet.text(row, OWN_BASIS, item.basis, "answer")
    own = f'IF({letters(OWN_BASIS)}{row}<>"",{letters(OWN_BASIS)}{row},$B$3)'
    if EVERY_ITEM in book.effects and item.life_years:
        effect = f"INDEX({book.effects[EVERY_ITEM]},{book.at('downside').text})"
        own = f"IF(ISTEXT({effect}),{effect},{own})"
    book.cells["basis", item.item] = sheet.formula(row, BASIS_OF, Formula(own, item.basis or default), "bold_left")


def _counts(book: BudgetBook, item: CapitalItem, kind: str) -> Formula:
    basis, builds = book.at("basis", item.item), book.at("builds")
    return Formula(f'IF(AND({basis.text}="{kind}",{builds.text}=1),1,0)', float(basis.value == kind and bool(builds.value)))


def _write(book: BudgetBook, sheet: Sheet, row: int, position: int, kind: str, held: Holding) -> None:
    inputs, months, item = book.plan.inputs, book.n_months, book.plan.inputs.capital[position]
    line = FIRST + position
    cost, salvage, life = (
        Formula(address(line, column), value)
        for column, value in ((COST, item.cost), (SALVAGE_OF, item.salvage), (LIFE, item.life_years))
    )
    existing = kind == EXISTING
    share = Formula(address(line, SHARE if existing else SHARE_NEW), item.share if existing else item.share_if_new)
    paid = share * cost * (1.0 + book.v["share_device_tax"])
    sheet.text(row, ITEM, item.item)
    sheet.text(row, BASIS, kind, "small")
    sheet.number(row, START, held.start, "plain|one")
    sheet.number(row, END, held.end, "plain|one")
    sheet.number(row, BOUGHT, float(held.bought), "plain|whole")
    counts = sheet.formula(row, COUNTS, _counts(book, item, kind), "whole")
    price = sheet.formula(row, PRICE, _level(book, held.start) if held.bought else 1.0, "factor")
    sheet.formula(row, OUTLAY, counts * held.bought * paid * price, "money_exact")
    stays = held.bought and held.end > months and not inputs.closes
    sold = not stays and (held.bought or held.end < months)
    when = min(round(held.end), months)
    at_sale = sheet.formula(row, SOLD, _level(book, when) if sold else 1.0, "factor")
    sheet.formula(row, SALVAGE, counts * sold * share * salvage * at_sale, "money_exact")
    worn = sheet.formula(row, WORN, counts * held.bought * price * (paid - share * salvage) / (12.0 * life), "money_exact")
    left = counts * price * paid - worn * (months - held.start) if stays else 0.0
    sheet.formula(row, BOOK, left, "money_exact")
    if inputs.capital_charge == "paid":
        sheet.formula(row, WORTH, counts * price * paid, "money_exact")
        sheet.formula(row, LOST, counts * price * (paid - share * salvage) / (12.0 * life), "money_exact")


def _level(book: BudgetBook, month: float) -> Formula:
    """Price level of devices in the year of a month; the start is year 0."""
    year, levels = price_year_of(month), book.at("level", "devices")
    sheet, first = levels.text.split("!")[0], levels.text.split("$")[2].rstrip(":")
    return Formula(address(int(first), 2 + year, sheet), float(levels.value[0, year]))


def outlay_in(book: BudgetBook, month: str) -> str:
    """Outlay less salvage of one month."""
    top, last = book.at("holdings")
    start, end = (span(top, last, column, CAPITAL) for column in (START, END))
    paid, back = (span(top, last, column, CAPITAL) for column in (OUTLAY, SALVAGE))
    ends = f"(({end}<{book.n_months})*ROUND({end},0)+({end}>={book.n_months})*{book.n_months})"
    return f"SUMPRODUCT((ROUND({start},0)={month})*{paid})-SUMPRODUCT(({ends}={month})*{back})"


def worn_in(book: BudgetBook, month: str) -> str:
    """Depreciation of one month of what was bought."""
    top, last = book.at("holdings")
    start, end, worn = (span(top, last, column, CAPITAL) for column in (START, END, WORN))
    return f"SUMPRODUCT(({start}<{month}-0.5)*({end}>{month}-0.5)*{worn})"


def book_in(book: BudgetBook, month: str) -> str:
    """Book value in the middle of a month of all that is in hand."""
    top, last = book.at("holdings")
    start, end, worth, lost = (span(top, last, column, CAPITAL) for column in (START, END, WORTH, LOST))
    return f"SUMPRODUCT(({start}<{month}-0.5)*({end}>{month}-0.5)*({worth}-{lost}*({month}-0.5-{start})))"


def closing_book(book: BudgetBook) -> Formula:
    """Book value at the end."""
    top, last = book.at("holdings")
    return Formula(f"SUM({span(top, last, BOOK, CAPITAL)})", float(book.plan.budget.capital.closing_book[0]))


def hire_in(book: BudgetBook) -> str:
    """Lease and payment per use of one month: at the price level of the month it was taken in, or of its own."""
    m, parts = f"$A{ROW}", []
    stop, levels = book.v["n_stop_month"].text, book.at("level", "devices").text
    for position, item in enumerate(book.plan.inputs.capital):
        line, first = FIRST + position, max(1, item.month)
        share, term = address(line, SHARE_NEW, CAPITAL), f"MAX(1,{address(line, TERM, CAPITAL)})"
        kinds = {
            LEASE: (f"{address(line, MONTHLY, CAPITAL)}*{share}", f"({first}+INT(({m}-{first})/{term})*{term})"),
            PER_USE: (f"{address(line, AMOUNT, CAPITAL)}*{book.months['uses'].text}", str(first)),
        }
        for kind, (amount, taken) in kinds.items():
            priced = m if item.escalated else taken
            level = f"INDEX({levels},1,ROUNDUP({priced}/12,0)+1)"
            runs = f"IF(OR({m}<{first},AND({stop}>0,{taken}>{stop})),0,{level})"
            parts.append(f"{_counts(book, item, kind).text}*{amount}*{runs}")
    return f"({'+'.join(parts)})*(1+{book.v['share_device_tax'].text})" if parts else "0"


def _fixed(book: BudgetBook, sheet: Sheet, row: int) -> None:
    """Fixed costs with what each needs; those of every case take their amounts from Inputs."""
    inputs, v = book.plan.inputs, book.v
    from_inputs = (v["c_coordinator"], v["c_service_contract"] * (1.0 + v["share_device_tax"]), v["c_training"])
    sheet.row(row, list(FIXED_HEADERS), "headings")
    rows = fixed_rows(inputs, price_indices(inputs))
    for position, (line, amount) in enumerate(rows):
        at = row + 1 + position
        sheet.text(at, F_NAME, line.name)
        if position < len(from_inputs):
            sheet.formula(at, F_AMOUNT, from_inputs[position], "plain")
        else:
            sheet.number(at, F_AMOUNT, float(amount[0, 0]), "input")
        until = line.month if line.every == "once" else line.until or book.n_months
        for column, value in ((F_ONCE, line.every == "once"), (F_FROM, line.month), (F_UNTIL, until)):
            sheet.number(at, column, float(value), "plain|whole")
        carried = float(is_carried(inputs, line.needs) and bool(book.at("builds").value or line.needs != SESSIONS))
        sheet.formula(at, F_CARRIED, Formula(_carried(book, line.needs), carried), "whole")
        for offset, name in enumerate(LEVELS):
            sheet.number(at, F_LEVEL + offset, float(line.index == name), "plain|whole")
    book.cells["fixed_rows",] = (row + 1, row + len(rows))


def _carried(book: BudgetBook, needs: str) -> str:
    if needs in (ALWAYS, SESSIONS):
        return str(book.at("changes" if needs == ALWAYS else "builds").text)
    position = book.plan.strategies.index(needs)
    new, old = (address(book.at(mix, "cells")[0], book.at(mix, "cells")[1] + position, "Options") for mix in ("mix", "today"))
    return f"IF({new}>{old},1,0)"


def fixed_in(book: BudgetBook) -> str:
    """Fixed costs carried in one month, before contingency and the cost of leaving."""
    first, last = book.at("fixed_rows")
    amount, once, start, until, carried, *levels = (
        span(first, last, column, CAPITAL) for column in (F_AMOUNT, F_ONCE, F_FROM, F_UNTIL, F_CARRIED, *range(F_LEVEL, F_LEVEL + 5))
    )
    m = f"$A{ROW}"
    when = f"({once}*({start}={m})+(1-{once})*({start}<={m})*({until}>={m})/12)"
    prices = [book.months[name].text for name in LEVELS[:-1]] + ["1"]
    level = "+".join(f"{marks}*{price}" for marks, price in zip(levels, prices, strict=True))
    return f"SUMPRODUCT({carried}*{amount}*{when}*({level}))*{book.months['running'].text}"
