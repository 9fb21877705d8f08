"""Write the programme's year table, charts and JSON, and show them on a terminal."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.files import json_text, write_csv, write_text
from econmodel.programme.money.rows import Row
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.programme import programme_figures
from econmodel.reporting.tables.programme import row_name

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case
    from econmodel.programme.report import ProgrammeResult


def save_programme(programme: ProgrammeResult, currency: str, folder: Path) -> list[Path]:
    """Write the year table and downside as CSV, the four charts, and the whole as JSON."""
    from econmodel.reporting.charts.figures import save_all

    rows = [
        {"row": row, "label": row.label, **{f"year_{y.year}": y.rows[row] for y in programme.years}, "total": programme.totals[row]}
        for row in Row
    ]
    return [
        write_csv(folder / "years.csv", rows),
        write_csv(folder / "downside.csv", _flat([row.to_json() for row in programme.downside])),
        *save_all(programme_figures(programme, currency), folder),
        write_text(folder / "budget.json", json_text(programme.to_json())),
    ]


def _flat(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{k: "; ".join(v) if isinstance(v, list) else v for k, v in row.items()} for row in rows]


def budget_tables(case: Case, programme: ProgrammeResult) -> list[Any]:
    """Build the year table, the downside table and the sentences for a terminal."""
    from rich import box
    from rich.markup import escape
    from rich.table import Table
    from rich.text import Text

    currency, years = case.parameters.text("currency"), programme.years
    table = Table(
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        title_justify="left",
        title_style="bold",
        title=escape(f"{case.title}: the programme, {programme.basis.cash} {currency}"),
    )
    table.add_column("Row", max_width=40)
    for year in years:
        table.add_column(f"Year {year.year}", justify="right")
    table.add_column("Total", justify="right")
    for row in Row:
        shown = (f.number(figure, 1 if row.is_count else 0) for figure in (*(year.rows[row] for year in years), programme.totals[row]))
        table.add_row(escape(row_name(row)), *shown)
    downside = Table(box=box.SIMPLE_HEAD, pad_edge=False, title="What could go wrong", title_justify="left", title_style="bold")
    for heading in ("If", "NPV", "Change"):
        downside.add_column(heading, justify="left" if heading == "If" else "right")
    for worse in programme.downside:
        downside.add_row(escape(worse.label), f.money(worse.npv, currency), f.money_change(worse.npv_change, currency))
    invented = [Text("Invented data: a fictional hospital.", style="bold")] if case.is_demo else []
    return [*invented, table, downside, *(Text(f"- {s}") for s in programme.sentences)]
