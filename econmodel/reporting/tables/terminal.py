"""The headline table on a terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from econmodel.parameters.catalogue import HEADLINE_COMPLICATIONS
from econmodel.reporting.formatting import money, price_note
from econmodel.reporting.papers.phrases import caution, short
from econmodel.reporting.tables.headline import NNT_YEAR, headline_columns, headline_text
from econmodel.reporting.tables.results import bleed_mean_text
from econmodel.wording import duration

if TYPE_CHECKING:
    from rich.console import Group

    from econmodel.economics.results import Results
    from econmodel.parameters.loading import Case
    from econmodel.programme.report import ProgrammeResult

SHORT = {
    "label": "Strategy",
    "cost": "Cost",
    "net_cost": "Net cost\nv. {}",
    "bleeds_averted": "Averted\n/100",
    "nnt": f"NNT {NNT_YEAR} y\nv. {{}}",
    "qalys": "QALYs",
    "procedure_deaths": "Deaths\n/1,000",
    **{kind: f"{short}\n/1,000" for kind, short in HEADLINE_COMPLICATIONS.items()},
}
NAMES = {"watch": "none", "beta_blocker": "BB"}
WIDE = 100


def headline_table(case: Case, results: Results, width: int = WIDE, programme: ProgrammeResult | None = None) -> Group:
    """Build the headline table with its title, its units and the caution; a narrow terminal leaves two columns out."""
    from rich import box
    from rich.console import Group
    from rich.markup import escape
    from rich.table import Table
    from rich.text import Text

    settings = results.settings
    table = Table(
        box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), title=escape(case.title), title_justify="left", title_style="bold"
    )
    left_out = () if width >= WIDE else ("qalys", f"nnt_{results.beside[-1]}")
    shown = [key for key, _ in headline_columns(results) if key not in left_out]
    heads = {v: NAMES.get(v, "usual") for v in results.beside}
    for key in shown:
        left = key == "label"
        table.add_column(_heading(key, heads), justify="left" if left else "right", no_wrap=not left, min_width=15 if left else 5)
    for row in headline_text(results):
        table.add_row(*(escape(row[key]) for key in shown))
    units = (
        f"Per patient. Cost and first bleeds over {duration(results.settings.headline)}, harms (and QALYs) over "
        f"{duration(settings.horizon_years)}; {price_note(settings)}; {settings.perspective} view. "
        f"{' '.join(f'v. {name}: {short(results, v)};' for v, name in heads.items())[:-1]}. Averted: first bleeds. "
        "Deaths, emboli: of the procedure."
    )
    lines = [Text(units, style="dim"), Text(caution(), style="dim")]
    if case.is_demo:
        lines.insert(0, Text("Invented data: a fictional hospital.", style="bold"))
    if "c_bleed_survived" in case.parameters.parameters:
        lines.insert(0, Text(f"Mean of all bleed admissions, from prices by outcome: {bleed_mean_text(results)}.", style="dim"))
    if programme:
        lines.insert(0, Text(finance_line(programme), style="bold"))
    return Group(table, *lines)


def finance_line(programme: ProgrammeResult) -> str:
    """Money of the decision in one line: cash over the budget, its value today, and the lowest point on the way."""
    found, basis = programme.headline, programme.basis
    cash, npv, low = (money(value, basis.currency) for value in (found.net_cash, found.npv, found.peak_cash))
    return f"Programme, {duration(basis.budget_years)}: net cash {cash}, NPV {npv}, lowest cash {low}."


def _heading(key: str, short: Mapping[str, str]) -> str:
    """Short heading of a column, the comparator named in it."""
    stem, versus = next(((key.removesuffix(f"_{v}"), name) for v, name in short.items() if key.endswith(f"_{v}")), (key, ""))
    return SHORT[stem].format(versus)
