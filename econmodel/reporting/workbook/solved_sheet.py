"""Solved quantities: the untreated bleeding rate, its course over the years, and the fatality of a bleed.

Newton's method is laid out in cells, one row a step, from 0; it approaches the root from below and has converged long
before the last row. The fatality has a closed form.
"""

from __future__ import annotations

from econmodel.model.natural_history import TARGET_YEARS
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.layout import CLASSES
from econmodel.reporting.workbook.writer import Sheet, address, span

NAME = "Solved"
NEWTON_STEPS = 30
FIRST_STEP_ROW = 22


def build_solved(book: Book) -> None:
    """Write the solved figures and how each comes about."""
    sheet = book.add_sheet(NAME)
    sheet.heading(
        "Solved quantities",
        "Found from the pooled figures of the evidence, so that the evidence mix reproduces "
        "them; the site's own mix then moves the result.",
    )
    _bleeding(book, sheet)
    _fatality(book, sheet)
    _newton(book, sheet)
    sheet.widths(58, 16, 16, 16, 16)
    sheet.frame("B4", book.footer)


def _line(sheet: Sheet, row: int, label: str, *formulas: str) -> list[str]:
    sheet.text(row, 1, label)
    for column, formula in enumerate(formulas, start=2):
        sheet.formula(row, column, formula, "factor")
    return [address(row, column) for column in range(2, 2 + len(formulas))]


def _bleeding(book: Book, sheet: Sheet) -> None:
    """Cumulative hazard of the evidence mix, and the exposure of the reference cell that reproduces it."""
    years = [f"{y:g}" for y in TARGET_YEARS]
    sheet.row(4, ["Untreated first gastric bleed", *(f"At {y} years" for y in years)], "headings")
    p, later, last = (book.input(n) for n in ("p_first_bleed_year_1", "hr_first_bleed_years_2_3", "hr_first_bleed_from_year_4"))
    first = "$B$5"
    _line(
        sheet,
        5,
        "Cumulative hazard of the evidence mix",
        f"-LN(1-{p})",
        f"{first}*(1+2*{later})",
        f"{first}*(1+2*{later})+2*{last}*{first}",
    )
    end, shares, relative = (FIRST_STEP_ROW + NEWTON_STEPS, book.at("evidence", "shares"), book.at("evidence", "relative"))
    u = _line(
        sheet, 6, "Exposure u of the reference cell, from the last Newton step below", *(address(end, column) for column in (2, 3, 4))
    )
    _line(
        sheet,
        7,
        "Risk of the evidence mix at that exposure, less the pooled risk (must be 0)",
        *(f"EXP(-{address(5, c)})-SUMPRODUCT({shares},EXP(-{relative}*{address(6, c)}))" for c in (2, 3, 4)),
    )
    book.cells["solved", "residual"] = f"MAX(ABS({NAME}!$B$7),ABS({NAME}!$C$7),ABS({NAME}!$D$7))"
    _rates(book, sheet, u)


def _rates(book: Book, sheet: Sheet, u: list[str]) -> None:
    """Rate of the reference cell in year 1, and of later years relative to it."""
    (rate,) = _line(sheet, 8, "Rate a year of the reference cell (Child A, above 10 mm, no red spot) in year 1", u[0])
    book.known("solved", "rate", sheet=NAME, row=8, column=2)
    constant = f'{book.input("hazard_decline")}="constant"'
    _line(
        sheet,
        9,
        "Rate relative to year 1: years 2-3, and from year 4",
        f"IF({constant},1,({u[1]}-{u[0]})/(2*{rate}))",
        f"IF({constant},1,({u[2]}-{u[1]})/(2*{rate}))",
    )
    book.known("solved", "years_2_3", sheet=NAME, row=9, column=2)
    book.known("solved", "from_year_4", sheet=NAME, row=9, column=3)


def _fatality(book: Book, sheet: Sheet) -> None:
    sheet.row(11, ["Death within six weeks of a bleed", *(f"Child-Pugh {c}" for c in CLASSES)], "headings")
    stated = [book.input(f"p_death_six_weeks_child_{c.lower()}") for c in CLASSES]
    stated_cells = _line(sheet, 12, "Six-week mortality as stated", *stated)
    steps, shares, relative = (book.at("evidence", k) for k in ("steps", "shares", "relative"))
    by_class = "+".join(f"({steps}={i})*{cell}" for i, cell in enumerate(stated_cells))
    (mean,) = _line(
        sheet,
        13,
        "Mean over bleeds of the evidence mix (weights: share x relative bleeding rate)",
        f"SUMPRODUCT({shares}*{relative}*({by_class}))/SUMPRODUCT({shares},{relative})",
    )
    (factor,) = _line(
        sheet,
        14,
        "Factor that brings that mean to the pooled figure (1 when taken as stated)",
        f'IF({book.input("fatality_scaling")}="pooled",{book.input("p_death_six_weeks")}/{mean},1)',
    )
    scaled = _line(sheet, 15, "Six-week mortality, scaled: F", *(f"{c}*{factor}" for c in stated_cells))
    e, rr = book.input("p_early_rebleed"), book.input("rr_death_rebleed")
    f = _line(
        sheet,
        16,
        "Death in the first month of a bleed: f = F(1-e) / ((1-e) + e rr (1-F))",
        *(f"{big}*(1-{e})/((1-{e})+{e}*{rr}*(1-{big}))" for big in scaled),
    )
    for column, c in enumerate(CLASSES, start=2):
        book.known("fatality", c, sheet=NAME, row=16, column=column)
    later = [f"{rr}*{cell}/(1-(1-{rr}*{cell})*{e})" for cell in f]
    back = _line(
        sheet,
        17,
        "Check: f + (1-f) e D, with D = rr f / (1 - (1 - rr f) e), gives F again",
        *(f"{cell}+(1-{cell})*{e}*{d}" for cell, d in zip(f, later, strict=True)),
    )
    _line(sheet, 18, "Difference (must be 0)", *(f"{b}-{s}" for b, s in zip(back, scaled, strict=True)))
    book.cells["fatality", "residual"] = f"MAX(ABS({NAME}!$B$18),ABS({NAME}!$C$18),ABS({NAME}!$D$18))"
    book.cells["fatality", "highest"] = f"MAX({span(15, 15, 2, NAME, 4)},{rr}*MAX({span(16, 16, 2, NAME, 4)}))"


def _newton(book: Book, sheet: Sheet) -> None:
    sheet.row(20, ["Newton's method: sum(share exp(-relative u)) = exp(-H)"] + [""] * 3, "section")
    sheet.row(21, ["Step", *(f"u at {y:g} years" for y in TARGET_YEARS)], "headings")
    shares, relative = book.at("evidence", "shares"), book.at("evidence", "relative")
    for step in range(NEWTON_STEPS + 1):
        row = FIRST_STEP_ROW + step
        sheet.text(row, 1, f"Step {step}")
        for column in (2, 3, 4):
            if step == 0:
                sheet.number(row, column, 0, "factor")
                continue
            u = address(row - 1, column)
            alive = f"{shares}*EXP(-{relative}*{u})"
            sheet.formula(
                row, column, f"{u}+(SUMPRODUCT({alive})-EXP(-{address(5, column)}))/SUMPRODUCT({alive}*{relative})", "factor"
            )
