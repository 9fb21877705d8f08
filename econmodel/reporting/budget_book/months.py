"""Months sheet: every row of the budget month by month, nominal, from activity and money per unit to net cash."""

from __future__ import annotations

from typing import Any

import numpy as np

from econmodel.programme.budget import nominal_finance_rate
from econmodel.programme.money.finance import DAYS_PER_YEAR
from econmodel.programme.money.rows import MONEY_ROWS, Row, deflator
from econmodel.programme.places import PLACES, SURVEILLANCE
from econmodel.reporting.budget_book.book import MONTHS, START_ROW, BudgetBook, added, times
from econmodel.reporting.budget_book.budget import write_place
from econmodel.reporting.budget_book.capital import closing_book, fixed_in, hire_in, outlay_in, worn_in
from econmodel.reporting.budget_book.contracts import write_contracts, write_values
from econmodel.reporting.budget_book.financing import write_financing
from econmodel.reporting.budget_book.funnel import FUNNEL, SIDE, SITES_ROW
from econmodel.reporting.workbook.formula import BEFORE, POWER, ROW, Formula
from econmodel.reporting.workbook.writer import Sheet, letters


def build_months(book: BudgetBook) -> None:
    """Write price levels and rows R1 to R11 with staff time freed and slots: what follows from activity."""
    sheet = book.sheets[MONTHS]
    sheet.heading("Budget by month", "Nominal money; the row below the headings is the start. The years are on Budget.")
    book.cells["next",] = 3
    sheet.row(START_ROW - 1, ["Month", "Year"], "header_right")
    sheet.number(START_ROW, 1, 0, "plain|whole")
    sheet.number(START_ROW, 2, 0, "plain|whole")
    sheet.column(book.rows, 1, book.months["month"], "whole")
    sheet.column(book.rows, 2, book.months["year"], "whole")
    for name, label in {"tariff": "Payments", "pay": "Pay", "devices": "Devices", "mixed": "Other supplies"}.items():
        levels = book.at("level", name)
        text = f"INDEX({levels.text},1,{book.months['year'].text}+1)"
        _put(book, name, label, Formula(text, np.repeat(levels.value[0, 1:], 12)), "factor")
    n = len(book.plan.inputs.contracts)
    column = int(book.at("next"))
    book.cells["next",] = column + 2 * n
    write_values(book, column)
    write_contracts(book, column)
    _contribution(book)
    sheet.widths(7, 6, *[12] * 50)
    sheet.frame("C8", book.footer, header_rows="6:6")


def _next(book: BudgetBook) -> int:
    column = int(book.at("next"))
    book.cells["next",] = column + 1
    return column


def _put(book: BudgetBook, name: str, label: str, formula: Formula | float, style: str = "money") -> Formula:
    return book.put(book.sheets[MONTHS], _next(book), name, label, formula, style)


def _row(book: BudgetBook, row: Row, formula: Formula | float) -> Formula:
    return _put(book, row, f"{row} {row.label}", formula, "count" if row.is_count else "money")


def _sum(book: BudgetBook, name: str, label: str, formula: Formula, style: str = "money") -> Formula:
    return book.put_array(book.sheets[MONTHS], _next(book), name, label, formula, style)


def _unit(book: BudgetBook, name: str) -> Formula:
    return book.at("unit", name)  # type: ignore[no-any-return]


def _earned_by(book: BudgetBook, mask: str) -> Formula:
    """Income of the activities of a mask, that within a contract at what the contract keeps of it."""
    activity, tariff = book.at("activity"), book.over("tariff")
    parts = [times(activity, _unit(book, "income"), _unit(book, mask)) * tariff]
    for number in range(len(book.plan.inputs.contracts)):
        within = times(activity, _unit(book, f"contract_{number}"), _unit(book, mask)) * tariff
        parts.append(within * book.over(f"kept_{number}"))
    return added(parts)


def _income(book: BudgetBook, row: Row, mask: str) -> Formula:
    return _sum(book, row, f"{row} {row.label}", _earned_by(book, mask))


def _cost(book: BudgetBook, row: Row, mask: str, kind: str = "cash", sign: float = 1.0) -> Formula:
    """Cost of the activities of a mask, devices and the rest each at their prices."""
    activity, device = book.at("activity"), _unit(book, "device")
    of_devices = times(activity, _unit(book, kind), _unit(book, mask), device)
    other_unit = Formula(f"(1-{device.text})", 1.0 - device.value)
    other = times(activity, _unit(book, kind), _unit(book, mask), other_unit)
    total = of_devices * book.over("devices") + other * book.over("mixed")
    return _sum(book, row, f"{row} {row.label}", total if sign > 0 else -total)


def _contribution(book: BudgetBook) -> None:
    activity = book.at("activity")
    v = book.v
    _row(book, Row.STARTS, book.months["starts"])
    _sum(book, Row.SESSIONS, "R2 Treatment sessions", times(activity, _unit(book, "session")), "count")
    _sum(book, Row.BLEEDS_AVERTED, "R3 Bleeds averted", -times(activity, _unit(book, "bleed")), "count")
    earned = _income(book, Row.PROPHYLAXIS_INCOME, "own")
    _income(book, Row.SURVEILLANCE_INCOME, "seen")
    spent = _cost(book, Row.PROPHYLAXIS_COST, "own")
    _cost(book, Row.SURVEILLANCE_COST, "seen")
    own = _row(book, Row.PROPHYLAXIS_CONTRIBUTION, earned - spent)
    paid = _earned_by(book, "harm") * v["share_harms_paid"]
    harm_paid = _sum(book, Row.HARM_INCOME, "R4h Income for complications", paid)
    harm = _cost(book, Row.HARM_COST, "harm")
    saved = _cost(book, Row.BLEED_COST_AVOIDED, "rest", sign=-1.0)
    lost_income = -_earned_by(book, "rest")
    lost = _sum(book, Row.BLEED_INCOME_LOST, "R8 Income lost on bleeds avoided", lost_income)
    days = _sum(book, Row.BED_DAYS, "R20 Net bed-days released", -times(activity, _unit(book, "bed_days")), "count")
    view = book.at("view")
    refill = Formula(f"IF({view.text}=3,0,{v['share_bed_refill'].text})", v["share_bed_refill"].value)
    refilled = _row(book, Row.REFILLED_BEDS, book.months["tariff"] * days * refill * v["c_refill_contribution"])
    displaced = _displaced(book)
    _transfers(book)
    _row(book, Row.NET_CONTRIBUTION, own + harm_paid - harm + saved - lost + refilled - displaced + book.months[Row.TRANSFERS])
    everything = Formula(f"({_unit(book, 'device').text}>=0)", np.ones_like(_unit(book, "device").value))
    book.cells["unit", "all"] = everything
    _cost(book, Row.TIME_FREED, "all", "freed", -1.0)


def _displaced(book: BudgetBook) -> Formula:
    """Slots by place, and the work that those outside bought blocks displace."""
    v = book.v
    outside: Any = 0.0
    for key, place in PLACES.items():
        taken = times(book.at("activity"), book.at("unit", f"at_{key}"))
        taken = taken * v["n_slots_surveillance"] if key == SURVEILLANCE else taken
        slots = _sum(book, f"slots_{key}", f"Slots: {place.label.lower()}", taken, "count")
        share = write_place(book, key)
        by_month = Formula(f"INDEX({share.text},1,{book.months['year'].text})", np.repeat(share.value[0], 12))
        outside = outside + slots * by_month
    per_slot = v["share_sessions_displacing"] * v["c_displaced_contribution"]
    return _row(book, Row.DISPLACED_WORK, book.months["tariff"] * outside * per_slot)


def _transfers(book: BudgetBook) -> None:
    """What partners pay for their patients' starts, at the level of payments."""
    paid = [
        f"{FUNNEL}!${letters(SIDE + 3)}${SITES_ROW + number}*{book.months[f'site_{number}'].text}"
        for number in range(len(book.plan.inputs.sites))
    ]
    text = f"({'+'.join(paid)})*{book.months['tariff'].text}" if paid else "0"
    _row(book, Row.TRANSFERS, Formula(text, _nominal(book, Row.TRANSFERS)))


def build_operating(book: BudgetBook) -> None:
    """Write rows R12 to R14 and depreciation."""
    v, m, worn = book.v, book.months, book.plan.budget.capital.depreciation[0]
    blocks = [f"INDEX({book.at('blocks', key).text},1,{m['year'].text})*{v[place.cost].text}" for key, place in PLACES.items()]
    steps = Formula(f"({'+'.join(blocks)})*{m['pay'].text}/12", _nominal(book, Row.STEP_COST))
    step = _row(book, Row.STEP_COST, steps)
    contingency = _nominal(book, Row.CONTINGENCY)
    share = v["share_contingency"]
    base = _nominal(book, Row.FIXED_COST) - contingency - _leaving(book)
    _put(book, "fixed", "Fixed cost before contingency", Formula(fixed_in(book), base))
    extra = _row(book, Row.CONTINGENCY, Formula(f"{share.text}*{m['fixed'].text}", contingency))
    closes = f"IF({v['n_stop_month'].text}>0,{v['n_stop_month'].text},{book.n_months if book.plan.inputs.closes else 0})"
    exit_cost = f"IF($A{ROW}={closes},{v['c_exit'].text}*{m['pay'].text}*{book.at('builds').text},0)"
    fixed = _row(book, Row.FIXED_COST, Formula(f"{m['fixed'].text}+{extra.text}+{exit_cost}", _nominal(book, Row.FIXED_COST)))
    _row(book, Row.OPERATING_CASH, m[Row.NET_CONTRIBUTION] - step - fixed)
    capital, uses = book.plan.budget.capital, book.plan.budget.volume.uses
    hire = np.broadcast_to(capital.hire(uses)[0], worn.shape)
    _sum(book, "uses", "Uses of equipment", times(book.at("activity"), book.at("unit", "use")), "count")
    _put(book, "hire", "Lease and payment per use", Formula(hire_in(book), hire))
    wears = Formula(f"{worn_in(book, f'$A{ROW}')}+{m['hire'].text}", worn + hire)
    _put(book, "worn", "Depreciation and hire", wears)


def build_cash(book: BudgetBook) -> None:
    """Write rows R15 to R19, once tax by year has its cells."""
    v, inputs, m, sheet = book.v, book.plan.inputs, book.months, book.sheets[MONTHS]
    budget = book.plan.budget
    tax = Formula(f"IF(MOD($A{ROW},12)=0,INDEX({book.at('tax_by_year').text},1,{m['year'].text}),0)", _nominal(book, Row.TAX))
    _row(book, Row.TAX, tax)
    owed = 12.0 * (m[Row.PROPHYLAXIS_INCOME] + m[Row.HARM_INCOME] - m[Row.BLEED_INCOME_LOST]) * v["n_settlement_days"] / DAYS_PER_YEAR
    if inputs.closes:
        values = owed.value.copy()
        values[-1] = 0.0
        owed = Formula(f"IF($A{ROW}={book.n_months},0,{owed.text})", values)
    column = int(book.at("next"))
    sheet.number(START_ROW, column, 0.0, "money")
    debts = _put(book, "owed", "Owed by payers", owed)
    letter = debts.text.split("$")[1][:-1]
    before = {BEFORE: [row - 1 for row in book.rows]}
    sheet.text(START_ROW - 1, column + 1, "R16 Increase in working capital", "header_right")
    change = Formula(f"${letter}{ROW}-${letter}{BEFORE}", _nominal(book, Row.WORKING_CAPITAL))
    m[Row.WORKING_CAPITAL] = sheet.column(book.rows, _next(book), change, "money", before)
    at_start = float(budget.capital.by_month[0, 0])
    sheet.formula(START_ROW, int(book.at("next")), Formula(outlay_in(book, "$A$7"), at_start), "money")
    paid = Formula(f"{outlay_in(book, f'$A{ROW}')}+{m['hire'].text}", budget.capital.by_month[0, 1:] + m["hire"].value)
    _row(book, Row.CAPITAL, paid)
    sheet.formula(START_ROW, int(book.at("next")), Formula(f"-{m[Row.CAPITAL].text.replace(ROW, '$7')}", -at_start), "money")
    net = m[Row.OPERATING_CASH] - m[Row.TAX] - m[Row.WORKING_CAPITAL] - m[Row.CAPITAL]
    _row(book, Row.NET_CASH, net)
    last = Formula(f"IF($A{ROW}={book.n_months},{closing_book(book).text},0)", _nominal(book, Row.BOOK_VALUE))
    _row(book, Row.BOOK_VALUE, last)
    duty = f"IF($A{ROW}={book.n_months},{book.at('duty').text},0)" if inputs.closes else "0"
    _row(book, Row.DUTY, Formula(duty, _nominal(book, Row.DUTY)))
    _value(book, sheet, at_start)


def _nominal(book: BudgetBook, row: Row) -> np.ndarray:
    """A row as the engine has it, put back into nominal money."""
    values = np.asarray(book.plan.budget.months[row][0])
    return values * deflator(book.plan.inputs)[0] if row in MONEY_ROWS else values


def _leaving(book: BudgetBook) -> np.ndarray:
    """What is paid to leave, in the month of a stop or closure."""
    inputs, found = book.plan.inputs, np.zeros(book.n_months)
    stop = inputs.n_stop_month or (book.n_months if inputs.closes else 0)
    if 0 < stop <= book.n_months and book.at("builds").value:
        found[stop - 1] = inputs.c_exit[0] * book.months["pay"].value[stop - 1]
    return found


def nominal_rate(book: BudgetBook) -> Formula:
    """Finance rate in nominal money."""
    rate: Formula = book.v["discount_finance"]
    real = book.plan.inputs.finance_rate_basis == "real"
    return (1.0 + rate) * (1.0 + book.v["r_inflation"]) - 1.0 if real else rate


def _value(book: BudgetBook, sheet: Sheet, at_start: float) -> None:
    """Cash in its basis, cumulative, and present value, with the column that is chosen."""
    v, inputs, m = book.v, book.plan.inputs, book.months
    real = inputs.cash_basis == "real"
    month = Formula(f"$A{ROW}", np.arange(1.0, book.n_months + 1))
    power = month / 12.0
    rate = nominal_rate(book)
    assert abs(rate.value - float(nominal_finance_rate(inputs)[0])) < 1e-12
    level = (
        Formula(f"(1+{v['r_inflation'].text})^({power.text})", deflator(book.plan.inputs)[0], POWER)
        if real
        else Formula("1", np.ones(book.n_months))
    )
    _put(book, "deflator", "Level of all prices", level, "factor")
    factor = Formula(f"(1+{rate.text})^(-{month.text}/12)", (1.0 + rate.value) ** (-month.value / 12.0), POWER)
    _put(book, "factor", "Discount factor", factor, "factor")
    counted = Formula(f"IF({book.at('column').text}=2,{m[Row.TIME_FREED].text},0)", np.zeros(book.n_months))
    chosen = m[Row.NET_CASH] + counted
    for name, label, flow in (("cash", "Net cash", m[Row.NET_CASH]), ("chosen", "As chosen", chosen)):
        column = int(book.at("next"))
        sheet.number(START_ROW, column, None, "money")
        start = Formula(m[Row.NET_CASH].text.replace(ROW, "$7"), -at_start)
        sheet.formula(START_ROW, column, start, "money")
        basis = _put(book, name, f"{label}, in the basis of the cash", flow / m["deflator"])
        letter = basis.text.split("$")[1][:-1]
        sheet.formula(START_ROW, column + 1, Formula(f"{letter}7", -at_start), "money")
        total = np.cumsum(basis.value) - at_start
        sheet.text(START_ROW - 1, column + 1, f"R19 Cumulative, {label.lower()}", "header_right")
        after = Formula(f"${letters(column + 1)}{BEFORE}+${letter}{ROW}", total)
        m[f"cumulative_{name}"] = sheet.column(book.rows, _next(book), after, "money", {BEFORE: [row - 1 for row in book.rows]})
    valued = (m[Row.NET_CASH] + m[Row.BOOK_VALUE] - m[Row.DUTY]) * m["factor"]
    _put(book, Row.PRESENT_VALUE, "Present value", valued)
    book.cells["next",] = write_financing(book, sheet, int(book.at("next")))
    _put(book, "freed_value", "Present value of time freed", m[Row.TIME_FREED] * m["factor"])
