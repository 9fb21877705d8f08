"""The programme's tables: budget by year, memo lines, intervals, payment views, capacity and downside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from econmodel.reporting import formatting as f
from econmodel.reporting import phrases
from econmodel.reporting.content import Table, table
from econmodel.reporting.series import Document

Programme = Mapping[str, Any]
FINANCE_ROWS = (
    "R1",
    "R3",
    "R4",
    "R5",
    "R6",
    "R7",
    "R8",
    "R9",
    "R10",
    "R11",
    "R12",
    "R13",
    "R14",
    "R15",
    "R16",
    "R17",
    "R18",
    "R19",
    "R19_present_value",
)
SUBTRACTED = ("R5", "R8", "R10", "R12", "R13", "R15", "R16", "R17")
UNDER = {"as_paid": "as it is paid now", "per_episode": "under per-episode payment", "block": "under a block budget"}
MOST_YEARS = 6
COUNT_ROWS = ("R1", "R2", "R3", "R20")


def currency_of(document: Document) -> str:
    """Currency of the case."""
    return str(document["settings"]["currency"])


def row_name(row: str, label: str) -> str:
    """Name of a row of the budget; what is taken away says so.

    Examples
    --------
    >>> row_name("R5", "Prophylaxis variable cost"), row_name("R19_present_value", "Present value of net cash")
    ('R5 less prophylaxis variable cost', 'R19 Present value of net cash')
    """
    return f"{row.split('_')[0]} " + (f"less {phrases.lower(label)}" if row in SUBTRACTED else label)


def _few(years: Sequence[Mapping[str, Any]], most: int) -> tuple[list[Mapping[str, Any]], str]:
    """First years and the last one, where there are more than fit, and which are left out."""
    if len(years) <= most:
        return list(years), ""
    out = years[most - 1 : -1]
    return [*years[: most - 1], years[-1]], f" Years {out[0]['year']} to {out[-1]['year']} are in the technical report."


def finance_table(document: Document, programme: Programme, most: int = 99) -> Table:
    """Rows of the budget by year, with totals; at most so many years."""
    currency = currency_of(document)
    years, left_out = _few(programme["years"], most)

    def text(row: str, value: float) -> str:
        return f.number(value, 1) if row in COUNT_ROWS else f.money(value, currency)

    rows = [
        (row_name(row, programme["rows"][row]), *(text(row, year[row]) for year in years), text(row, programme["totals"][row]))
        for row in FINANCE_ROWS
        if any(year[row] for year in years)
    ]
    basis = programme["basis"]
    return table(
        f"Change against today's mix by year ({basis['cash']} {currency})",
        (("Row", 2.6), *((f"Year {year['year']}", 1.0, True) for year in years), ("Total", 1.0, True)),
        rows,
        note=f"Equipment: {basis['capital']}. NPV discounts year-end net cash at "
        f"{f.percent(basis['finance_rate'], 1)}. Rows that are zero throughout are left out.{left_out}",
    )


def memo_table(document: Document, programme: Programme) -> Table:
    """What stands beside cash: depreciation, capital charge, reported surplus, absorbed full cost; IRR, textbook volume."""
    currency, years = currency_of(document), [year for year in programme["years"] if year["year"]]
    lines = {
        "depreciation": "Depreciation, straight line",
        "use_charge": "Charge for use of existing equipment",
        "capital_charge": "Capital charge on book value",
        "reported_surplus": "Reported surplus",
        "absorbed_full_cost": "Absorbed full cost of prophylaxis",
    }
    textbook = programme["break_even"]["textbook"]
    return table(
        f"Beside cash: memo lines ({programme['basis']['cash']} {currency})",
        (("Line", 2.6), *((f"Year {year['year']}", 1.0, True) for year in years)),
        [(label, *(f.money(year["memo"][name], currency) for year in years)) for name, label in lines.items()],
        note=f"Internal rate of return: {programme['headline']['irr_text']}. Break-even volume by the textbook ratio "
        f"(yearly fixed cost and annualised capital, over contribution per start): {f.number(textbook, 1)} "
        f"starts a year; searched, with steps: {programme['break_even']['text']}.",
    )


def interval_tables(document: Document, programme: Programme) -> tuple[Table, ...]:
    """Interval of every headline over the draws; none where there are no draws."""
    found, currency = programme["uncertainty"], currency_of(document)
    if found is None:
        return ()

    def row(label: str, name: str, digits: int | None) -> tuple[str, ...]:
        def say(value: float | None) -> str:
            return f.money(value, currency) if digits is None else f.number(value, digits)

        block = found[name]
        return (
            label,
            say(programme["headline"][name]),
            *(say(block[k]) for k in ("mean", "low", "high")),
            f.percent(block["share_without_answer"]),
        )

    rows = [
        row("Net present value", "npv", None),
        row("Peak cash", "peak_cash", None),
        row("Year-3 net contribution", "year_3_net_contribution", None),
        row("Net cash", "net_cash", None),
        row("Payback, years", "payback_years", 1),
        row("Patients a year", "patients_per_year", 1),
        row("Bleeds averted", "bleeds_averted", 1),
        row("Bed-days released", "bed_days_released", 0),
    ]
    chance = f.percent(found["probability_npv_negative"])
    return (
        table(
            f"Intervals over {found['draws']:,} draws ({programme['basis']['cash']} {currency})",
            (
                ("Headline", 2.2),
                ("Base case", 1.0, True),
                ("Mean", 1.0, True),
                ("2.5%", 1.0, True),
                ("97.5%", 1.0, True),
                ("Draws without one", 1.0, True),
            ),
            rows,
            note=f"Chance of a net present value below zero: {chance}. Payback: among draws that pay back.",
        ),
    )


def views_table(document: Document, programme: Programme) -> Table:
    """Put the two payment views side by side, with the refill contribution that makes averted bleeds neutral."""
    currency, views = currency_of(document), programme["views"]

    def row(heading: str, name: str) -> tuple[str, ...]:
        return (heading, *(f.money(view[name], currency) for view in views.values()))

    lowers = [UNDER[name] for name, view in views.items() if view["averted_bleed_lowers_margin"]]
    note = f"An averted bleed lowers the hospital's margin {' and '.join(lowers)}. " if lowers else ""
    first = next(iter(views.values()))
    note += (
        f"The input is {f.money(first['refill_contribution_input'], currency)} per refilled bed-day; under a block "
        "budget refill earns nothing."
    )
    return table(
        f"How the hospital is paid decides the result ({programme['basis']['cash']} {currency})",
        (("", 2.2), *((v["label"], 1.1, True) for v in views.values())),
        [
            row("Net present value", "npv"),
            ("Payback", *(view["payback_text"] for view in views.values())),
            row("Peak cash", "peak_cash"),
            row("Year-3 net contribution", "year_3_net_contribution"),
            row("Margin per bleed averted", "bleed_margin_per_bleed"),
            (
                "Contribution per refilled bed-day that makes an averted bleed neutral",
                *(_neutral(view, currency) for view in views.values()),
            ),
        ],
        note=note,
    )


def _neutral(view: Mapping[str, Any], currency: str) -> str:
    if view["bleeds_averted"] <= 0:
        return f.NOTHING
    if not view["averted_bleed_lowers_margin"]:
        return "none needed"
    needed = view["neutral_refill_per_refilled_day"]
    return "no bed is refilled" if needed is None else f.money(needed, currency)


def capacity_table(programme: Programme, most: int = 99) -> Table:
    """Slots, beds and staffing by year; at most so many years."""
    years, _ = _few(programme["capacity"], most)
    lines = (
        ("Endoscopy slots used", "session_slots", 0),
        ("Surveillance examinations", "surveillance_examinations", 0),
        ("Staff blocks to add", "step_fixed_blocks", 0),
        ("Bed-days released", "bed_days_released", 1),
        ("Beds released", "beds_released", 2),
        ("Waiting at year end", "waiting_at_year_end", 1),
    )
    return table(
        "Capacity and staffing",
        (("", 2.2), *((f"Year {y['year']}", 0.7, True) for y in years)),
        [(label, *(f.number(year[name], digits) for year in years)) for label, name, digits in lines],
        note=savings_text(programme),
    )


def savings_text(programme: Programme) -> str:
    """Say the three kinds of saving with their amounts, never added together."""
    found, currency = programme["savings"], programme["basis"]["currency"]
    cash, capacity, bleeds = found["cash_releasing"], found["capacity"], found["quality_only"]["bleeds_averted"]
    bought, freed = (
        f.money(abs(amount), currency) for amount in (cash["supplies_and_agency_staff"], capacity["staff_time_not_released_as_cash"])
    )
    if bleeds < 0:
        return f"No savings: the bleeds added cost {bought} of supplies and agency staff and {freed} of staff time over the budget."
    return (
        f"Savings over the budget, never added together: cash-releasing {bought} (supplies, agency staff; "
        f"{f.number(cash['closable_bed_blocks'])} blocks of beds closed); capacity {f.number(capacity['bed_days'], 1)} "
        f"bed-days and staff time of {freed}; quality {f.number(bleeds, 1)} bleeds averted."
    )


def downside_table(document: Document, programme: Programme) -> Table:
    """Tell what happens if things go worse, one at a time and together."""
    currency = currency_of(document)
    rows = [
        (
            row["label"],
            f.money(row["npv"], currency),
            f.money_change(row["npv_change"], currency),
            row["payback_text"],
            f.money(row["peak_cash"], currency),
            f.number(row["bleeds_averted"], 1),
        )
        for row in programme["downside"]
    ]
    return table(
        f"What could go wrong ({programme['basis']['cash']} {currency})",
        (
            ("Change", 3.4),
            ("NPV", 1.0, True),
            ("Change in NPV", 1.0, True),
            ("Payback", 1.5, True),
            ("Peak cash", 1.0, True),
            ("Bleeds averted", 0.8, True),
        ),
        rows,
    )
