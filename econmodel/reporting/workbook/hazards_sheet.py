"""Life tables, and the yearly rates that no strategy changes."""

from __future__ import annotations

from econmodel.model.hazards import CYCLES_PER_YEAR
from econmodel.model.inputs import LAST_AGE
from econmodel.parameters.loading import read_life_table
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.layout import FIRST_YEAR_ROW
from econmodel.reporting.workbook.writer import Sheet, letters, quoted, span

LIFE, HAZARDS = "Life_tables", "Hazards"
FIRST_AGE_ROW = 6
YEAR, AGE, WITHIN, DIES, BACKGROUND, TIME, TRANSPLANTED, FIRST_GROUP = range(1, 9)


def build_life_tables(book: Book) -> None:
    """Write every life table the setting can choose, and the chosen one mixed by sex."""
    sheet = book.add_sheet(LIFE)
    sheet.heading("Life tables", "Probability of death within a year by sex and age; the setting life_table chooses one.")
    names = book.case.parameters["life_table"].choices or (book.case.parameters.text("life_table"),)
    tables = {name: read_life_table(name) for name in names}
    last = max(len(q) for table in tables.values() for q in table.values())
    sheet.row(FIRST_AGE_ROW - 1, ["Age", "Chosen, sexes mixed", *(f"{n}, {s}" for n in names for s in ("male", "female"))])
    female, chosen = (book.input("share_female"), f"MATCH({book.input('life_table')},{{{','.join(map(quoted, names))}}},0)")
    for age in range(last):
        row = FIRST_AGE_ROW + age
        sheet.number(row, 1, age, "whole")
        for t, name in enumerate(names):
            for s, sex in enumerate(("male", "female")):
                q = tables[name][sex]
                if age < len(q):
                    sheet.number(row, 3 + 2 * t + s, float(q[age]), "factor")
        block = f"$C{row}:{letters(2 + 2 * len(names))}{row}"
        male_q, female_q = f"INDEX({block},2*{chosen}-1)", f"INDEX({block},2*{chosen})"
        mixed = f"(1-{female})*{male_q}+{female}*{female_q}"
        sheet.formula(row, 2, f'IF(AND(ISNUMBER({male_q}),ISNUMBER({female_q})),{mixed},"")', "factor")
    book.cells["life", "q"] = span(FIRST_AGE_ROW, FIRST_AGE_ROW + last - 1, 2, LIFE)
    sheet.widths(8, 14, *[14] * (2 * len(names)))
    sheet.frame(f"C{FIRST_AGE_ROW}", book.footer, wide=True)


def build_hazards(book: Book) -> None:
    """Write the rates by model year that no strategy changes."""
    sheet = book.add_sheet(HAZARDS)
    sheet.heading(
        "Hazards by model year",
        "Rates per patient-year without prophylaxis, constant within a model year. Years "
        "beyond the time horizon are worked out but counted nowhere.",
    )
    groups = book.layout.groups
    blocks = ("Gastric bleed, untreated", "Death not from bleeding, never bled", "Death not from bleeding, after a bleed")
    headers = [
        "Model year",
        "Age at start",
        "Within horizon",
        "Life table q",
        "Background death rate",
        "Bleeding rate relative to year 1",
        "Death a month after transplant",
    ]
    sheet.row(FIRST_YEAR_ROW - 1, headers + [f"{block}: {g.name}" for block in blocks for g in groups])
    sheet.page.row_dimensions[FIRST_YEAR_ROW - 1].height = 62
    horizon, age = _horizon(book, sheet), book.input("start_age")
    for row in book.layout.year_rows:
        _hazard_row(book, sheet, row, horizon, age)
    sheet.widths(*[11] * (FIRST_GROUP + 3 * len(groups)))
    sheet.frame(f"B{FIRST_YEAR_ROW}", book.footer, wide=True)


def _horizon(book: Book, sheet: Sheet) -> str:
    """Horizon in whole years; not available when the sheets do not hold it, never cut in silence."""
    typed, age = book.input("horizon_years"), book.input("start_age")
    sheet.text(4, 1, "Time horizon, years", "bold")
    wanted = f'IF({typed}="lifetime",{LAST_AGE}-{age},{typed})'
    longest = f"MIN({book.layout.n_years},{LAST_AGE}-{age})"
    allowed = f"{wanted}=INT({wanted}),{wanted}>=1,{wanted}<={longest},{age}=INT({age})"
    sheet.formula(4, 3, f"IF(AND({allowed}),{wanted},NA())", "strong|whole")
    sheet.text(4, 4, f"This file holds {book.layout.n_years} years. A longer horizon, or a younger start, needs a new file.", "note")
    return book.known("horizon", sheet=HAZARDS, row=4, column=3)


def _hazard_row(book: Book, sheet: Sheet, row: int, horizon: str, age: str) -> None:
    n = len(book.layout.groups)
    year = row - FIRST_YEAR_ROW
    sheet.number(row, YEAR, year + 1, "whole")
    sheet.formula(row, AGE, f"{age}+{year}", "whole")
    sheet.formula(row, WITHIN, f"IF(A{row}<={horizon.split('!')[1]},1,0)", "whole")
    sheet.formula(row, DIES, f"IF(C{row}=1,INDEX({book.at('life', 'q')},B{row}+1),0)", "factor")
    sheet.formula(row, BACKGROUND, f"-LN(1-D{row})", "factor")
    step = "1" if year < 1 else book.at("solved", "years_2_3" if year < 3 else "from_year_4")
    sheet.formula(row, TIME, step, "factor")
    sheet.formula(row, TRANSPLANTED, f"1-EXP(-(E{row}+{book.input('r_excess_death_transplanted')})/{CYCLES_PER_YEAR})", "factor")
    for g in range(n):
        excess = book.at("group", str(g), "excess")
        cells = (
            f"{book.at('solved', 'rate')}*$F{row}*{book.at('group', str(g), 'relative')}",
            f"$E{row}+{excess}",
            f"$E{row}+{excess}*{book.input('hr_death_after_bleed')}",
        )
        for block, formula in enumerate(cells):
            sheet.formula(row, FIRST_GROUP + block * n + g, formula, "factor")


def hazard(book: Book, row: str, block: int, group: int) -> str:
    """Cell of a rate by year: block 0 gastric bleed, 1 death never bled, 2 death after a bleed."""
    return f"{HAZARDS}!{letters(FIRST_GROUP + block * len(book.layout.groups) + group)}{row}"
