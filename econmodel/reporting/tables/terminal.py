"""Tables on a terminal: the headline, the draws, the programme, the checks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from econmodel.parameters.catalogue import HEADLINE_COMPLICATIONS
from econmodel.parameters.schema import WATCH
from econmodel.programme.money.rows import Row
from econmodel.reporting import formatting as f
from econmodel.reporting.papers.content import Table as Content
from econmodel.reporting.papers.phrases import caution, lifetime_sentences, lower, not_settled, short, unvalued
from econmodel.reporting.tables.checks import KINDS, value_text
from econmodel.reporting.tables.programme import row_name
from econmodel.reporting.tables.results import NNT_YEAR, bled_note, bleed_mean_text, headline_columns, headline_text
from econmodel.reporting.tables.structure import expected_table, structure_table

if TYPE_CHECKING:
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    from econmodel.economics.results import Results
    from econmodel.economics.validation import CheckRow
    from econmodel.parameters.loading import Case
    from econmodel.programme.decision import Decision
    from econmodel.programme.options import Appraisal
    from econmodel.programme.report import ProgrammeResult
    from econmodel.reporting.tables.findings import Findings
    from econmodel.uncertainty.by_structure import ByStructure
    from econmodel.uncertainty.held_certain import Held
    from econmodel.uncertainty.probabilistic import Psa
    from econmodel.uncertainty.risk import Risk

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
NAMES = {WATCH: "none", "beta_blocker": "BB"}
WIDE = 100


def headline_table(case: Case, results: Results, findings: Findings, width: int = WIDE) -> Group:
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
    counted = "bleeds" if settings.has_bled else "first bleeds"
    units = (
        f"Per patient. Cost and first bleeds over {f.duration(results.settings.headline)}, harms (and QALYs) over "
        f"{f.duration(settings.horizon_years)}; {f.price_note(settings)}; {settings.perspective} view. "
        f"{' '.join(f'v. {name}: {short(results, v)};' for v, name in heads.items())[:-1]}. Averted: {counted}. "
        "Deaths, emboli: of the procedure."
    )
    units = f"{units} {bled_note(results)}".strip()
    lines = [Text(units, style="dim"), *([Text(said)] if (said := unvalued(settings)) else []), Text(caution(), style="dim")]
    if case.is_demo:
        lines.insert(0, Text("Invented data: a fictional hospital.", style="bold"))
    if "c_bleed_survived" in case.parameters.parameters:
        lines.insert(0, Text(f"Mean of all bleed admissions, from prices by outcome: {bleed_mean_text(results)}.", style="dim"))
    if findings.within_route:
        lines.insert(0, Text(findings.within_route.sentence))
    if findings.psa:
        lines[:0] = [Text(said) for said in not_settled(results, findings.psa)]
    lines[:0] = [Text(said) for said in lifetime_sentences(results)]
    if findings.programme:
        lines.insert(0, Text(finance_line(findings.programme), style="bold"))
    return Group(table, *lines)


def finance_line(programme: ProgrammeResult) -> str:
    """Money of the decision in one line: cash over the budget, its value today, and the lowest point on the way."""
    found, basis = programme.headline, programme.basis
    cash, value, low = (f.money(amount, basis.currency) for amount in (found.net_cash, found.npv_cash, found.peak_cash))
    return f"Programme v. today, {f.duration(basis.budget_years)}: cash {cash}, NPV {value}, lowest {low}."


def _heading(key: str, short: Mapping[str, str]) -> str:
    """Short heading of a column, the comparator named in it."""
    stem, versus = next(((key.removesuffix(f"_{v}"), name) for v, name in short.items() if key.endswith(f"_{v}")), (key, ""))
    return SHORT[stem].format(versus)


def psa_table(
    case: Case, results: Results, psa: Psa, risk: Risk, pairs: Sequence[tuple[str, str]], structures: ByStructure | None = None
) -> Group:
    """Build a terminal table of each comparator with what its draws suffice for, the means beside the base case, and the caution."""
    from rich.console import Group
    from rich.text import Text

    currency = psa.parameters.text("currency")
    parts: list[Table | Text] = []
    for key, versus in pairs:
        parts += [_psa_part(case, psa, risk, versus), *(Text(said, style="dim") for said in risk.sentences(versus, key))]
    means = expected_table(results, risk, pairs[0][0])
    parts += [as_lines(means), Text(means.note, style="dim")]
    notes = f"Draws {psa.draws:,}, seed {psa.seed}. {unvalued(results.settings)}"
    if risk.stability:
        parts.append(Text(risk.stability.sentence, style="dim"))
        notes += f"Best value: highest net benefit at {f.money(psa.threshold, currency)} per QALY."
    if structures:
        under = structure_table(results, structures)
        parts += [as_lines(under), Text(under.note, style="dim")]
    return Group(*parts, Text(notes, style="dim"), Text(caution(), style="dim"))


def as_lines(block: Content) -> Table:
    """Lay a table of the papers for a terminal."""
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    shown = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), title=escape(block.caption), title_justify="left")
    shown.title_style = "bold"
    for column in block.columns:
        shown.add_column(escape(column.heading), justify="right" if column.is_number else "left")
    for row in block.rows:
        shown.add_row(*map(escape, row))
    return shown


def _psa_part(case: Case, psa: Psa, risk: Risk, versus: str) -> Table:
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    currency, best = psa.parameters.text("currency"), risk.probability_cost_effective
    table = Table(
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        title=escape(
            f"{case.title}: all inputs varied together, against {lower(psa.parameters.strategies[versus].label)} "
            f"({currency}, {psa.parameters.text('price_year')} prices)"
        ),
        title_justify="left",
        title_style="bold",
    )
    for heading in (
        "Strategy",
        f"Net cost, {psa.headline_years} y (95%)",
        "NNT 3 y (95%)",
        f"Saves, {psa.headline_years} y",
        "Saves, horizon",
        *(["Best value"] if best else []),
    ):
        table.add_column(heading, justify="left" if heading == "Strategy" else "right")
    for key, found in risk.comparisons[versus].items():
        cost = found.headline_cost
        table.add_row(
            escape(psa.parameters.strategies[key].label),
            f"{f.money_change(cost.mean, currency)} ({f.money_change(cost.low, currency)} to {f.money_change(cost.high, currency)})",
            f"{f.nnt(found.shown_nnt)} ({found.shown_nnt.interval_text})",
            f.percent(found.headline_probability_saving),
            f.percent(found.probability_saving),
            *([f.percent(best[key])] if best else []),
        )
    return table


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
        title=escape(f"{case.title}: the programme, change against today's mix ({programme.basis.cash} {currency})"),
    )
    table.add_column("Row", max_width=40)
    for year in years:
        table.add_column(programme.basis.year_names[year.year], justify="right")
    table.add_column("Total", justify="right")
    for row in Row:
        shown = (f.number(figure, 1 if row.is_count else 0) for figure in (*(year.rows[row] for year in years), programme.totals[row]))
        table.add_row(escape(row_name(row)), *shown)
    options = (
        [
            Text(programme.decision.sentence, style="bold"),
            _options(programme.options),
            Text(programme.decision.order),
            asked_line(programme.decision),
        ]
        if programme.options and programme.decision
        else []
    )
    downside = Table(
        box=box.SIMPLE_HEAD, pad_edge=False, title="What could go wrong, against today's mix", title_justify="left", title_style="bold"
    )
    for heading in ("If", "Cash NPV", "Change"):
        downside.add_column(heading, justify="left" if heading == "If" else "right")
    for worse in programme.downside:
        downside.add_row(escape(worse.said), f.money(worse.npv_cash, currency), f.money_change(worse.npv_cash_change, currency))
    invented = [Text("Invented data: a fictional hospital.", style="bold")] if case.is_demo else []
    return [*invented, table, Text(programme.basis.carried), *options, downside, *(Text(f"- {s}") for s in programme.sentences)]


def asked_line(found: Decision) -> Text:
    """What the board is asked for."""
    from rich.text import Text

    return Text(f"Decision asked: {found.text}", style="bold")


def _options(found: Appraisal) -> Table:
    """Options by cash and bleeds averted."""
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, title="Options, against today's mix", title_justify="left", title_style="bold")
    for heading in ("Option", "Cash NPV", "Bleeds averted", "Procedure deaths"):
        table.add_column(heading, justify="left" if heading == "Option" else "right")
    for row in found.rows:
        cells = (f.money(row.npv_cash, found.currency), f.number(row.bleeds_averted, 1), f.number(row.procedure_deaths, 1))
        table.add_row(row.label, *cells)
    return table


def held_lines(held: Sequence[Held]) -> list[Text]:
    """Lines on what a case holds certain that decides; none without one."""
    from rich.text import Text

    rows = [Text(f"  {row.sentence}") for row in held]
    return [Text("Held certain, and yet it decides", style="bold"), *rows] if rows else []


def checks_table(rows: Sequence[CheckRow]) -> Table:
    """Build the terminal table, one part a kind, so that a target keeps its words at 80 columns."""
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    table = Table(
        box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), title="Tests of the model", title_justify="left", title_style="bold"
    )
    table.add_column("Target (rule)", ratio=1)
    for heading in ("Observed", "Model", "Verdict"):
        table.add_column(heading, justify="left" if heading == "Verdict" else "right", no_wrap=True)
    for kind in KINDS:
        found = [row for row in rows if row.kind == kind]
        if found:
            table.add_row(f"[bold]{kind.capitalize()}[/]")
        for row in found:
            target = f"  {escape(row.target)} [dim]({escape(row.pass_rule)})[/]"
            style = "bold" if row.verdict == "fails" else ""
            table.add_row(target, value_text(row.observed), value_text(row.predicted), row.verdict, style=style)
    return table
