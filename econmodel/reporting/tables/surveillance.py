"""Follow-up protocols as tables, for papers, pages and a terminal, with what they are worth and what that rests on."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from econmodel.economics.comparison import ON_FRONTIER, REFERENCE
from econmodel.parameters.catalogue import HARMS
from econmodel.reporting import formatting as f
from econmodel.reporting.papers.content import KeyNumber, KeyNumbers, Table, table
from econmodel.reporting.papers.phrases import NO_VALUE, caution, lower
from econmodel.reporting.tables.results import FRONTIER_WORDS

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case
    from econmodel.uncertainty.surveillance import Followed, Protocols
    from econmodel.uncertainty.surveillance_worth import Worth

EDGE = "Frontier"
HELD = (
    "Whatever the basis of effects of the case, a treatment works here while the varix is closed. Effects are held: a schedule "
    "changes what is found, not what the trials saw. Visits and further treatments are those of patients who still come."
)


def protocol_tables(found: Protocols) -> tuple[Table, Table]:
    """Money and bleeds of the headline years; value and harms of the time horizon."""
    versus = f"against {found.named(found.against)}"
    return _headline_table(found, versus), _horizon_table(found, versus)


def _headline_table(found: Protocols, versus: str) -> Table:
    years = f.duration(found.years)
    return table(
        f"Follow-up of {lower(found.label)}: cost and bleeds over {years}, {versus} ({found.money_of})",
        (
            ("Protocol", 2.6),
            ("Cost per patient", 1.0, True),
            ("First bleeds per 100", 0.8, True),
            ("All bleeds per 100", 0.8, True),
            ("Averted per 100", 0.8, True),
            ("NNT", 0.7, True),
            ("Cost per bleed averted", 1.0, True),
            ("Visits", 0.8, True),
            ("Treated again", 0.8, True),
            (EDGE, 1.2),
        ),
        [_soon(row, found) for row in found.rows],
        note=f"NNT: patients followed up per first bleed averted, {versus}. Frontier: of cost and all bleeds averted. {HELD}",
    )


def _horizon_table(found: Protocols, versus: str) -> Table:
    currency, harms, limit = found.currency, found.rows[0].harms, found.rows[0].whole.threshold
    drawn = bool(found.draws) and limit is not None
    told = () if limit is None else (f"Net benefit: {versus}, at {f.money(limit, currency)} per QALY.",)
    return table(
        f"Follow-up of {lower(found.label)}: value and harms over the time horizon, {f.duration(found.horizon)} ({found.money_of})",
        (
            ("Protocol", 2.6),
            ("Cost per patient", 1.0, True),
            ("QALYs", 0.8, True),
            *([("Net benefit", 1.0, True)] if told else []),
            (EDGE, 1.2),
            *([("Best value", 0.8, True)] if drawn else []),
            *((f"{HARMS[name].capitalize()} per 1,000", 1.0, True) for name in harms),
        ),
        [
            (
                row.label,
                f.money(row.whole.strategy.cost, currency),
                f.number(row.whole.strategy.qalys, 3),
                *([f.money_change(row.whole.net_monetary_benefit, currency)] if told else []),
                FRONTIER_WORDS[row.status],
                *([f.percent(row.best)] if drawn else []),
                *(f.per(size, 1000) for size in row.harms.values()),
            )
            for row in found.rows
        ],
        note=" ".join((*told, "Frontier: of cost and QALYs."))
        + (f" Best value: share of {found.draws:,} draws in which net benefit is highest." if drawn else ""),
    )


def protocol_numbers(found: Protocols) -> KeyNumbers:
    """Benefit, money and harm of the protocol asked about, together."""
    row, versus, time = found.row(found.asked), f"against {found.named(found.against)}", f.duration(found.years)
    each = f.money(row.cost_per_bleed_averted, found.currency)
    harms = ", ".join(f"{f.per(size, 1000)} {HARMS[name]}" for name, size in row.harms.items())
    return KeyNumbers(
        (
            KeyNumber(f.number(row.now.bleeds_averted_per_100, 1), f"Bleeds averted per 100, {time}", versus),
            KeyNumber(f.money_change(row.now.incremental_cost, found.currency), f"Extra cost per patient, {time}", found.money_of),
            KeyNumber(f.nnt(row.nnt), "Followed up per first bleed averted (NNT)", f"{each} per bleed averted"),
            KeyNumber(f.number(row.examinations, 1), f"Visits per patient, {time}", f"per 1,000 over the time horizon: {harms}"),
        )
    )


def _soon(row: Followed, found: Protocols) -> tuple[str, ...]:
    now = row.now
    return (
        row.label,
        f.money(now.strategy.cost, found.currency),
        f.per(now.strategy.first_bleed_risk[found.years], 100),
        f.per(now.strategy.bleeds, 100),
        f.number(now.bleeds_averted_per_100, 1),
        f.NOTHING if row.key == found.against else f.nnt(row.nnt),
        f.money(row.cost_per_bleed_averted, found.currency),
        f.number(row.examinations, 1),
        f.number(row.retreatments, 2),
        FRONTIER_WORDS[row.edge],
    )


def surveillance_lines(case: Case, found: Protocols, worth: Worth | None) -> Iterator[Any]:
    """Build the tables for a terminal, the sentences on what is worth its price, or why there are none, and the caution."""
    from rich import box
    from rich.markup import escape
    from rich.table import Table as Lines
    from rich.text import Text

    for block in protocol_tables(found):
        lines = Lines(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), title=escape(f"{case.title}. {block.caption}"))
        lines.title_justify, lines.title_style = "left", "bold"
        shown = [i for i, column in enumerate(block.columns) if column.heading != EDGE]
        for i in shown:
            heading, right = block.columns[i].heading, block.columns[i].is_number
            lines.add_column(heading.replace(" ", "\n"), justify="right" if right else "left", no_wrap=right)
        for row in block.rows:
            edge = row[[c.heading for c in block.columns].index(EDGE)] in (FRONTIER_WORDS[REFERENCE], FRONTIER_WORDS[ON_FRONTIER])
            lines.add_row(*(escape(row[i]) for i in shown), style="bold" if edge else "")
        yield lines
        yield Text(f"Bold: on the frontier. {block.note}", style="dim")
    for sentence in worth.sentences if worth else (NO_VALUE,):
        yield Text(f"- {sentence}")
    if case.is_demo:
        yield Text("Invented data: a fictional hospital.", style="bold")
    yield Text(caution(), style="dim")
