"""The headline table on a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from econmodel.parameters.catalogue import HEADLINE_COMPLICATIONS
from econmodel.reporting.formatting import price_note
from econmodel.reporting.series import Document, headline_years
from econmodel.reporting.tables import headline_columns, headline_text
from econmodel.wording import duration

if TYPE_CHECKING:
    from rich.console import Group

    from econmodel.parameters.loading import Case

CAUTION = (
    "Planning software for services, not advice for a patient. No guideline read makes an endoscopic option "
    "standard for varices that have not bled."
)
SHORT = {
    "label": "Strategy",
    "cost": "Cost",
    "net_cost_watch": "Net cost\nv. none",
    "net_cost_beta_blocker": "Net cost\nv. BB",
    "bleeds_averted_watch": "Averted\n/100",
    "nnt_watch": "NNT 3 y\nv. none",
    "nnt_beta_blocker": "NNT 3 y\nv. BB",
    "qalys": "QALYs",
    "procedure_deaths": "Deaths\n/1,000",
    **{kind: f"{short}\n/1,000" for kind, short in HEADLINE_COMPLICATIONS.items()},
}
WIDE = 100


def headline_table(case: Case, document: Document, width: int = WIDE) -> Group:
    """Build the headline table with its title, its units and the caution; a narrow terminal leaves two columns out."""
    from rich import box
    from rich.console import Group
    from rich.markup import escape
    from rich.table import Table
    from rich.text import Text

    settings = document["settings"]
    table = Table(
        box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), title=escape(case.title), title_justify="left", title_style="bold"
    )
    shown = [key for key, _ in headline_columns(document) if width >= WIDE or key not in ("qalys", "nnt_beta_blocker")]
    for key in shown:
        left = key == "label"
        table.add_column(SHORT[key], justify="left" if left else "right", no_wrap=not left, min_width=15 if left else 5)
    for row in headline_text(document):
        table.add_row(*(escape(row[key]) for key in shown))
    units = (
        f"Per patient. Cost and first bleeds over {duration(headline_years(document))}, harms (and QALYs) over "
        f"{duration(settings['horizon_years'])}; {price_note(settings)}; {settings['perspective']} view. "
        "v. none: no prophylaxis; v. BB: beta-blocker. Averted: first bleeds. Deaths, emboli: of the procedure."
    )
    lines = [Text(units, style="dim"), Text(CAUTION, style="dim")]
    if case.is_demo:
        lines.insert(0, Text("Invented data: a fictional hospital.", style="bold"))
    return Group(table, *lines)
