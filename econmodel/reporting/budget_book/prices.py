"""Payers sheet: what each payer pays for each activity at the margin, and money per unit of each activity; price levels by year."""

from __future__ import annotations

import numpy as np

from econmodel.parameters.catalogue import BLEED_ADMISSIONS, CATEGORY, COMPLICATIONS, DEVICES, ENDOSCOPIES, EXAMINATIONS, LABELS
from econmodel.parameters.catalogue import SESSION_KINDS as SESSIONS
from econmodel.parameters.catalogue import VISIT_KINDS as VISITS
from econmodel.programme.calendar import year_names
from econmodel.programme.input_tables import Payer
from econmodel.programme.money.levels import PriceIndices, price_indices
from econmodel.programme.money.payers import AFTER, PROPHYLAXIS
from econmodel.programme.places import PLACES
from econmodel.reporting.budget_book.book import BudgetBook, block
from econmodel.reporting.budget_book.contracts import contract_of, covers
from econmodel.reporting.budget_book.ending import write_worth
from econmodel.reporting.budget_book.plan import COUNTED
from econmodel.reporting.workbook.formula import Formula
from econmodel.reporting.workbook.writer import Sheet, address, letters

PAYERS, LEVELS = "Payers", "Price_levels"
TERMS = ("share", "payment_ratio", "denial", "paid_at_margin")
PHYSICIANS = {"session": SESSIONS, "surveillance": ENDOSCOPIES, "bleed": BLEED_ADMISSIONS}
COLUMNS = ("Unit cost", "of which cash", "List payment", "Paid, share of list", "Income", "Time freed", "Bed-days")
MASKS = {
    "own": "Own work",
    "seen": "Surveillance",
    "harm": "Complications",
    "rest": "Bleeds, care after",
    "device": "At prices of devices",
    "session": "Sessions",
    "use": "Uses of equipment",
    "bleed": "Bleeds",
    **{f"at_{key}": f"Slots: {place.label.lower()}" for key, place in PLACES.items()},
}

CONTRACTS = 2 + len(COLUMNS) + len(MASKS)


def build_payers(book: BudgetBook) -> None:
    """Write payers with their terms, then the money of a unit of each activity."""
    sheet, inputs = book.sheets[PAYERS], book.plan.inputs
    sheet.heading(
        "Payers, and money per unit of activity", "In prices of the price year; what is paid moves with activity only at the margin."
    )
    sheet.row(4, ["Payer", "Share of patients", "Payment, times list", "Denied", "Paid at the margin"], "headings")
    for row, payer in enumerate(inputs.payers, start=5):
        sheet.text(row, 1, payer.name)
        for column, term in enumerate(TERMS, start=2):
            sheet.number(row, column, getattr(payer, term), "input")
    first = 5 + len(inputs.payers)
    _margin(book, sheet, first)
    top = first + 3
    sheet.row(top - 1, ["Activity", *COLUMNS, *MASKS.values(), *(f"Pays: {payer.name}" for payer in inputs.payers)], "headings")
    _contract_columns(book, sheet, top)
    for row, one in enumerate(book.plan.counted, start=top):
        _write_activity(book, sheet, row, one.key)
    _place_units(book, sheet, top)
    if inputs.closes:
        write_worth(book, PAYERS, top, CONTRACTS + len(inputs.payers) + len(inputs.contracts))
    sheet.widths(34, *[12] * (len(COLUMNS) + len(MASKS) + len(inputs.payers) + len(inputs.contracts) + 1))
    sheet.frame(f"B{top}", book.footer)


def _margin(book: BudgetBook, sheet: Sheet, row: int) -> None:
    """What the view chosen, or the row of the downside table, lets every payer pay at the margin; -1: each its own."""
    view = {"As contracted": "", "Every payment per episode": "1", "Block budget": "0"}
    book.cells["margin",] = Formula(f"CHOOSE({book.at('view').text},-1,1,0)", -1.0)
    if "margin_everywhere" in book.effects:
        effect = f"INDEX({book.effects['margin_everywhere']},{book.at('downside').text})"
        book.cells["margin",] = Formula(f"IF(ISNUMBER({effect}),{effect},{book.at('margin').text})", -1.0)
    sheet.text(row, 1, f"Margin set for all ({', '.join(view)}; -1: none)", "small")
    book.cells["margin",] = sheet.formula(row, 5, book.at("margin"), "plain")


def _place_units(book: BudgetBook, sheet: Sheet, top: int) -> None:
    """Name the columns of money per unit, with what each activity is counted in."""
    money = book.plan.budget.money
    names = book.plan.budget.activity.activities
    at = [names.index(one.key) for one in book.plan.counted]
    for number, (_, unit) in enumerate(money.contracted):
        column = CONTRACTS + len(book.plan.inputs.payers) + number
        book.cells["unit", f"contract_{number}"] = block(sheet, top, column, unit[0, at][:, None])
    values = {
        "cash": (3, (money.variable_cost * money.cash_share)[0, at]),
        "income": (6, money.income[0, at]),
        "freed": (7, (money.variable_cost * (1.0 - money.cash_share))[0, at]),
        "bed_days": (8, np.array([_bed_days(book, one.key)[1] for one in book.plan.counted])),
    }
    for name, (column, held) in values.items():
        book.cells["unit", name] = block(sheet, top, column, held[:, None])
    for offset, name in enumerate(MASKS):
        marks = np.array([float(_mask(name, one.key)) for one in book.plan.counted])
        book.cells["unit", name] = block(sheet, top, 2 + len(COLUMNS) + offset, marks[:, None])


def _contract_columns(book: BudgetBook, sheet: Sheet, top: int) -> None:
    inputs = book.plan.inputs
    headings = [f"Within the contract: {contract.payer}" for contract in inputs.contracts]
    sheet.row(top - 1, headings, "headings", first=CONTRACTS + len(inputs.payers))


def _mask(name: str, key: str) -> bool:
    own = CATEGORY.get(key) == PROPHYLAXIS and key not in COMPLICATIONS
    return {
        "own": own,
        "seen": key in EXAMINATIONS,
        "harm": key in COMPLICATIONS,
        "rest": key in CATEGORY and CATEGORY[key] != PROPHYLAXIS,
        "device": key in DEVICES,
        "session": key in SESSIONS,
        "use": key in (*SESSIONS, *ENDOSCOPIES),
        "bleed": key in ("first_bleeds", "rebleeds"),
        **{f"at_{place}": key in row.activities for place, row in PLACES.items()},
    }[name]


def _bed_days(book: BudgetBook, key: str) -> tuple[Formula | float, float]:
    if key in BLEED_ADMISSIONS or key == "readmission":
        found = book.v["n_stay_days" if key in BLEED_ADMISSIONS else "n_days_readmission"]
        return found, found.value
    return (1.0, 1.0) if key in ("procedure_days", "complication_days") else (0.0, 0.0)


def _write_activity(book: BudgetBook, sheet: Sheet, row: int, key: str) -> None:
    v, inputs, own = book.v, book.plan.inputs, _mask("own", key)
    sheet.text(row, 1, LABELS[key])
    payers = 2 + len(COLUMNS) + len(MASKS)
    for offset, name in enumerate(MASKS):
        sheet.number(row, 2 + len(COLUMNS) + offset, float(_mask(name, key)), "plain|whole")
    sheet.formula(row, 8, _bed_days(book, key)[0], "plain")
    if key in COUNTED:
        contracts = range(CONTRACTS + len(inputs.payers), CONTRACTS + len(inputs.payers) + len(inputs.contracts))
        for column in (2, 3, 4, 5, 6, 7, *contracts):
            sheet.number(row, column, 0.0, "plain")
        return
    full = v.get(f"c_{key}", 0.0) * (v["ratio_cost"] if own else 1.0)
    variable = full * v.get(f"share_variable_{key}", 0.0) * (1.0 + v["share_device_tax"] if _mask("device", key) else 1.0)
    work = next((name for name, kinds in PHYSICIANS.items() if key in kinds), None)
    employed = v["share_physician_employed"]
    cost = sheet.formula(row, 2, variable + (employed * v[f"c_physician_{work}"] if work else 0.0), "money_exact")
    cash = sheet.formula(row, 3, cost * _cash_share(book, key), "money_exact")
    fees = employed * v[f"payment_professional_{work}"] if work else 0.0
    factor = v["ratio_payment"] if CATEGORY[key] == PROPHYLAXIS else 1.0
    listed = sheet.formula(row, 4, (v.get(f"payment_{key}", 0.0) + fees) * factor, "money_exact")
    paid = [sheet.formula(row, payers + p, _paid(book, p, payer, key), "share") for p, payer in enumerate(inputs.payers)]
    total = sum(cell.value for cell in paid)
    summed = Formula(f"SUM({letters(payers)}{row}:{letters(payers + len(paid) - 1)}{row})", total)
    share = sheet.formula(row, 5, summed * v.get(f"paid_{key}", 1.0), "share")
    sheet.formula(row, 6, listed * share, "money_exact")
    for number, contract in enumerate(inputs.contracts):
        position = [payer.name for payer in inputs.payers].index(contract.payer)
        full = _paid(book, position, inputs.payers[position], key, within=True) if covers(contract, key) else 0.0
        settled = listed * full * v.get(f"paid_{key}", 1.0)
        sheet.formula(row, CONTRACTS + len(inputs.payers) + number, settled, "money_exact")
    sheet.formula(row, 7, cost - cash, "money_exact")


def _cash_share(book: BudgetBook, key: str) -> Formula | float:
    kinds = {
        **dict.fromkeys(SESSIONS, "sessions"),
        **dict.fromkeys(VISITS, "visits"),
        **dict.fromkeys(COMPLICATIONS, "harms"),
        **dict.fromkeys([name for name, category in CATEGORY.items() if category == "bleeds"], "bleeds"),
        **dict.fromkeys([name for name, category in CATEGORY.items() if category in AFTER], "aftercare"),
    }
    return book.v[f"share_cash_{kinds[key]}"] if key in kinds else 1.0


def _paid(book: BudgetBook, position: int, payer: Payer, key: str, *, within: bool = False) -> Formula:
    """What one payer adds to the share of the list that is paid for an activity: its own cells, or a term for this one.

    What a contract settles is in no share, unless every payment is set alike; ``within`` the contract it stands at full payment.
    """
    terms = {name: getattr(payer, name) for name in TERMS}
    special: dict[str, float] = {}
    for wanted in (CATEGORY[key], key):
        for term in book.plan.inputs.payer_terms:
            if term.payer == payer.name and term.activity == wanted:
                special |= {name: getattr(term, name) for name in TERMS[1:] if getattr(term, name) is not None}
    cell = {
        name: special[name] if name in special else Formula(address(5 + position, column, PAYERS), terms[name])
        for column, name in enumerate(TERMS, start=2)
    }
    contract = contract_of(book.plan.inputs, payer.name)
    settled = contract is not None and covers(contract, key)
    own, all_of_them = float(within) if settled else cell["paid_at_margin"], book.at("margin")
    held = own.text if isinstance(own, Formula) else repr(own)
    value = own.value if isinstance(own, Formula) else own
    margin = Formula(f"IF({all_of_them.text}<0,{held},{'0' if within else all_of_them.text})", value)
    found = cell["share"] * cell["payment_ratio"] * (1.0 - cell["denial"]) * margin
    return found if isinstance(found, Formula) else Formula(repr(found), found)


def build_levels(book: BudgetBook) -> None:
    """Write price levels by year: each is a part that stands, times its yearly rise to a power."""
    sheet, inputs = book.sheets[LEVELS], book.plan.inputs
    base, years = price_indices(inputs), inputs.n_budget_years
    sheet.heading(
        "Price levels by year",
        "Relative to the price year; the start first. A level is what stands, times (1 + its yearly rise) to a power.",
    )
    sheet.row(4, ["", *year_names(inputs)], "headings")
    row = 5
    for name in ("pay", "devices", "tariff"):
        row = _level(book, sheet, row, name, base)
    share = book.v["share_variable_pay"]
    sheet.text(row, 1, "Variable cost other than devices", "bold")
    for year in range(years + 1):
        pay, devices = (
            Formula(address(at, 2 + year, LEVELS), getattr(base, one)[0, year]) for at, one in ((5, "pay"), (8, "devices"))
        )
        sheet.formula(row, 2 + year, share * pay + (1.0 - share) * devices, "factor")
    book.cells["level", "mixed"] = block(sheet, row, 2, base.mixed)
    sheet.widths(40, *[11] * (years + 1))
    sheet.frame("B5", book.footer)


def _level(book: BudgetBook, sheet: Sheet, row: int, name: str, base: PriceIndices) -> int:
    inputs, field = book.plan.inputs, f"r_escalator_{name}"
    rise = float(getattr(inputs, field)[0])
    other = getattr(price_indices(inputs.changed(**{field: rise + 0.01})), name)[0]
    found = getattr(base, name)[0]
    power = np.round(np.log(other / found) / np.log((1.01 + rise) / (1.0 + rise)), 6)
    escalator = 1.0 + book.v[field]
    nominal = escalator if inputs.escalator_basis == "nominal" else escalator * (1.0 + book.v["r_inflation"])
    labels = {"pay": "Pay", "devices": "Devices and supplies", "tariff": "Payments"}
    for offset, words in enumerate((labels[name], "  what stands", "  power")):
        sheet.text(row + offset, 1, words, "small" if offset else "bold")
    for year in range(len(found)):
        stands = sheet.number(row + 1, 2 + year, float(found[year] / nominal.value ** power[year]), "plain|factor")
        exponent = sheet.number(row + 2, 2 + year, float(power[year]), "plain")
        sheet.formula(row, 2 + year, stands * nominal**exponent, "factor")
    book.cells["level", name] = block(sheet, row, 2, found[None, :])
    return row + 3
