"""Blocks that the brief and the technical report share, built from results."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from econmodel.parameters.catalogue import HARMS, HEADLINE_COMPLICATIONS
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.results import describe
from econmodel.reporting.papers import phrases
from econmodel.reporting.papers.content import Chart, Charts, KeyNumber, KeyNumbers, Table, table
from econmodel.reporting.papers.phrases import lower
from econmodel.reporting.tables.provenance import STATUS_WORDS, provenance_rows
from econmodel.reporting.tables.results import NNT_YEAR, bled_note, headline_columns, headline_text, icer_text

if TYPE_CHECKING:
    from econmodel.economics.comparison import Comparison
    from econmodel.economics.results import Results, Settings
    from econmodel.parameters.parameter_set import ParameterSet
    from econmodel.parameters.schema import Parameter, StrategyRow


NOT_STATED = "not stated"
OF_FIRST_BLEEDS = ("first_bleeds", "nnt_by_year")
WIDTHS = {"label": 1.9, "bleeds_averted_watch": 1.3, "net_cost_watch": 1.2, "nnt_watch": 1.2, "procedure_deaths": 1.2}


def charts(results: Results, *names: str) -> Charts:
    """Figures of the result document, by name; without those of first bleeds where the cohort has bled."""
    shown = [name for name in names if not (results.settings.has_bled and name in OF_FIRST_BLEEDS)]
    return Charts(tuple(Chart(**describe(name, results)) for name in shown))


def headline_table(results: Results) -> Table:
    """Benefits, cost and harms of every strategy."""
    columns = headline_columns(results)
    settings = results.settings
    discount = [f.percent(rate, 1) for rate in (settings.discount_costs, settings.discount_outcomes)]
    return table(
        "Benefits, costs and harms, per patient",
        [(heading, WIDTHS.get(key, 1.0), key != "label") for key, heading in columns],
        [[row[key] for key, _ in columns] for row in headline_text(results)],
        note=f"{phrases.view(settings)} view; costs discounted at {discount[0]}, QALYs at {discount[1]} a "
        f"year. QALYs and harms over the time horizon, {f.duration(settings.horizon_years)}. "
        + (bled_note(results) or "NNT: patients treated to avert one first bleed of any source; NNTH: to bring one more."),
    )


def key_numbers(results: Results) -> KeyNumbers:
    """Eight numbers of the lead strategy, without the programme."""
    key, settings, names = results.lead, results.settings, results.labels
    found = results.strategies[key]
    harm = KeyNumber(
        f.per(found.deaths["procedure"], 1000),
        "Procedure deaths per 1,000 patients",
        f"and {', '.join(f'{f.per(found.complications[kind], 1000)} {HARMS[kind]}' for kind in HEADLINE_COMPLICATIONS)}, "
        "over the time horizon",
    )
    numbers = [number for versus in results.beside for number in _compared_numbers(results, versus, key)]
    usual = results.against(results.usual_care, key)
    value = usual and KeyNumber(
        icer_text(usual.whole, settings.currency),
        f"Cost per QALY gained v. {lower(names[results.usual_care])}",
        "over the time horizon",
    )
    return KeyNumbers((*numbers, harm, *([value] if value else [])))


def _compared_numbers(results: Results, versus: str, key: str) -> tuple[KeyNumber, ...]:
    """NNT, net cost and break-even NNT against one comparator; none against itself."""
    found = results.against(versus, key)
    if found is None:
        return ()
    now, settings, name = found.headline, results.settings, lower(results.labels[versus])
    years, shown = settings.headline, now.nnt.get(NNT_YEAR)
    if settings.has_bled:
        averted = KeyNumber(f.number(now.bleeds_averted_per_100, 1), f"Bleeds averted per 100 v. {name}", f.duration(years))
        return averted, _net_cost(now, settings, name)
    averts = shown is None or shown.kind != "NNTH" or shown.about_equal
    return (
        KeyNumber(
            f.nnt(shown),
            f"NNT at {NNT_YEAR} years v. {name}",
            "patients treated per first bleed averted" if averts else "patients treated to bring one more first bleed",
        ),
        _net_cost(now, settings, name),
        KeyNumber(
            f.number(now.break_even_nnt, 1),
            f"Break-even NNT v. {name}",
            f"model: {f.nnt(now.nnt[years])} at {f.duration(years)}" + ("; saves when below break-even" if averts else ""),
        ),
    )


def _net_cost(now: Comparison[float], settings: Settings, name: str) -> KeyNumber:
    label = f"Net cost per patient v. {name}"
    return KeyNumber(
        f.money_change(now.incremental_cost, settings.currency), label, f"{f.duration(settings.headline)}, {f.price_note(settings)}"
    )


def evidence_table(parameters: ParameterSet) -> Table:
    """Evidence grade beside the harms of each strategy."""
    return table(
        "Evidence and harms by strategy",
        (("Strategy", 1.5), ("Certainty", 0.9), ("What it rests on", 3.6), ("Harms", 3.0)),
        [
            (row.label, row.evidence_grade or "not graded", row.evidence_note or NOT_STATED, row.harms_note or NOT_STATED)
            for row in parameters.strategies.values()
        ],
        note="Certainty is our reading of the studies, not a published grading.",
    )


def harms_table(rows: Sequence[StrategyRow]) -> Table:
    """Certainty and harms of each strategy, short enough for two pages."""
    return table(
        "Certainty of the evidence, and harms",
        (("Strategy", 1.5), ("Certainty", 1.1), ("Harms", 6.0)),
        [(row.label, row.evidence_grade or "not graded", row.harms_note or NOT_STATED) for row in rows],
    )


def inputs_table(parameters: ParameterSet) -> Table:
    """Every input with value, doubt, status and source."""
    rows = []
    for row in provenance_rows(parameters):
        spread = f"{f.plain(row['low'])} to {f.plain(row['high'])}" if row["low"] is not None else ""
        shape = "fixed" if row["distribution"].startswith("fixed") else row["distribution"]
        value = "see file" if parameters[row["name"]].table is not None else f.plain(row["value"])
        value = value.replace(",", "") if row["name"] == "seed" else value
        rows.append(
            (
                row["label"],
                row["name"],
                value,
                row["unit"],
                shape,
                spread,
                row["status"],
                source_text(row),
                row["where"].split(", [")[0],
            )
        )
    return table(
        "Every input of this case",
        (
            ("Input", 2.6),
            ("Name", 2.3),
            ("Value", 1.1, True),
            ("Unit", 1.4),
            ("Distribution", 2.2),
            ("Range", 1.3),
            ("Status", 1.5),
            ("Source and reasoning", 4.2),
            ("Typed in", 2.0),
        ),
        rows,
        small=True,
    )


def source_text(row: dict[str, str]) -> str:
    """Source with locator, or the reasoning where there is no source."""
    source = ", ".join(part for part in (row["source"], row["locator"]) if part)
    reasoning = row["rationale"] or row["reason"]
    reasoning += "" if not reasoning or reasoning.endswith((".", "!", "?")) else "."
    before = "" if row["base_value"] is None else f"; base case {f.plain(row['base_value'])}"
    idle = row["idle"]
    changed = f"Changed by {row['changed_by']}{before}." if row["changed_by"] else ""
    return " ".join(part for part in (idle, source and source + ".", reasoning, changed) if part)


def unconfirmed_table(found: Sequence[Parameter], status: str) -> Table:
    """List the inputs of one unconfirmed status, with what would replace each; its reasoning stands with every input's."""
    rows = [(p.label, p.name, "table" if p.table is not None else f.plain(p.value), p.unit, p.replaced_by) for p in found]
    heads = (("Input", 4.2), ("Name", 2.6), ("Value", 0.9, True), ("Unit", 1.2), ("What would replace it", 4.2))
    narrow = not any(p.replaced_by for p in found)
    return table(
        f"{STATUS_WORDS[status].capitalize()}: {len(found)} inputs",
        heads[:-1] if narrow else heads,
        [row[:-1] if narrow else row for row in rows],
        small=True,
    )
