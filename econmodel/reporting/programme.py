"""Write the programme's year table, charts and JSON, and show them on a terminal."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.files import json_text, write_csv, write_text
from econmodel.reporting import formatting as f
from econmodel.reporting.programme_charts import programme_figures
from econmodel.reporting.programme_tables import row_name

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case

COUNTED = ("R1", "R2", "R3", "R20")


def save_programme(document: dict[str, Any], currency: str, folder: Path) -> list[Path]:
    """Write the year table and downside as CSV, the four charts, and the whole as JSON."""
    from econmodel.reporting.figures import save_all

    rows = [
        {"row": key, "label": label, **{f"year_{y['year']}": y[key] for y in document["years"]}, "total": document["totals"][key]}
        for key, label in document["rows"].items()
        if key in document["totals"]
    ]
    return [
        write_csv(folder / "years.csv", rows),
        write_csv(folder / "downside.csv", _flat(document["downside"])),
        *save_all(programme_figures(document, currency), folder),
        write_text(folder / "budget.json", json_text(document)),
    ]


def _flat(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{k: "; ".join(v) if isinstance(v, list) else v for k, v in row.items()} for row in rows]


def budget_tables(case: Case, document: dict[str, Any]) -> list[Any]:
    """Build the year table, the downside table and the sentences for a terminal."""
    from rich import box
    from rich.markup import escape
    from rich.table import Table
    from rich.text import Text

    currency, years = case.parameters.text("currency"), document["years"]
    table = Table(
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        title_justify="left",
        title_style="bold",
        title=escape(f"{case.title}: the programme, {document['basis']['cash']} {currency}"),
    )
    table.add_column("Row", max_width=40)
    for year in years:
        table.add_column(f"Year {year['year']}", justify="right")
    table.add_column("Total", justify="right")
    for key, label in document["rows"].items():
        if key not in document["totals"]:
            continue
        digits = 1 if key in COUNTED else 0
        shown = [f.number(figure, digits) for figure in (*(year[key] for year in years), document["totals"][key])]
        table.add_row(escape(row_name(key, label)), *shown)
    downside = Table(box=box.SIMPLE_HEAD, pad_edge=False, title="What could go wrong", title_justify="left", title_style="bold")
    for heading in ("If", "NPV", "Change"):
        downside.add_column(heading, justify="left" if heading == "If" else "right")
    for row in document["downside"]:
        downside.add_row(escape(row["label"]), f.money(row["npv"], currency), f.money_change(row["npv_change"], currency))
    invented = [Text("Invented data: a fictional hospital.", style="bold")] if case.is_demo else []
    return [*invented, table, downside, *(Text(f"- {s}") for s in document["sentences"])]
