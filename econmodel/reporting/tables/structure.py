"""Tables of what structure does: expected results beside the deterministic ones, and the lead under each choice of a setting."""

from __future__ import annotations

from econmodel.economics.results import Results
from econmodel.evidence.nnt import NumberNeededToTreat
from econmodel.reporting import formatting as f
from econmodel.reporting.papers.content import Table, table
from econmodel.reporting.papers.phrases import lower
from econmodel.uncertainty.by_structure import ByStructure, UnderChoice
from econmodel.uncertainty.expected import WHY, differs
from econmodel.uncertainty.risk import Risk

SHOWN = ("net_cost", "net_cost_lifetime", "qalys", "net_benefit", "arr")


def expected_table(results: Results, risk: Risk, key: str = "") -> Table:
    """One strategy, the lead if none is given, against each comparator: the mean over draws, beside it the base case's if 5% away."""
    settings, names, key = results.settings, results.labels, key or results.lead
    years = f.duration(settings.headline)

    def shown(name: str, value: float) -> str:
        if name == "arr":
            return f.nnt(NumberNeededToTreat(value, years=settings.headline))
        return f.number(value, 3) if name == "qalys" else f.money_change(value, settings.currency)

    def cell(name: str, expected: float, certain: float) -> str:
        mean, base = shown(name, expected), shown(name, certain)
        return f"{mean} ({base})" if differs(expected, certain) and base != mean else mean

    rows = [
        (names[versus], *(cell(*figure) for figure in risk.expected.apart(results, versus, key)))
        for versus in risk.expected.comparisons
        if versus != key and versus in results.comparisons
    ]
    worth = () if settings.willingness_to_pay is None else ("Net benefit",)
    heads = (f"Net cost, {years}", "Net cost, horizon", "QALYs gained", *worth, f"NNT at {years}")
    return table(
        f"Expected over the draws: {lower(names[key])} against each comparator ({f.price_note(settings)})",
        (("Against", 1.6), *((head, 1.4, True) for head in heads)),
        rows,
        note=f"In brackets the base case's value where it is more than 5% away: {WHY}.",
    )


def structure_table(results: Results, found: ByStructure) -> Table:
    """Net benefit of the lead under each choice: mean, standard error, verdict, and the best option."""
    names, settings, currency = results.labels, results.settings, results.settings.currency
    beside = list(found.rows[0].benefit)

    def cell(row: UnderChoice, versus: str) -> str:
        one, verdict = row.benefit[versus], row.verdict.get(versus, "")
        said = f", {verdict}" if verdict and verdict != "same" else ""
        return f"{f.money_change(one.mean, currency)} (SE {f.money(one.se, currency)}){said}"

    return table(
        f"Net benefit of {lower(names[found.lead])} by structure, {f.duration(settings.horizon_years)} ({f.price_note(settings)})",
        (("Structure", 3.0), ("Weight", 0.7, True), *((f"Against {lower(names[v])}", 1.7, True) for v in beside), ("Best value", 1.6)),
        [
            (
                f"{row.label}: {f.choice_words(row.choice)}" if row.setting else row.label,
                f.percent(row.weight),
                *(cell(row, versus) for versus in beside),
                " or ".join([names[row.best], *(lower(names[key]) for key in row.as_good)]) + (": cannot tell" if row.as_good else ""),
            )
            for row in found.rows
        ],
        note=f"The same {found.draws:,} draws, one setting forced at a time; weights are judgements. A choice reverses the answer "
        "only where its mean is beyond 1.96 standard errors of 0. " + " ".join(found.sentences),
    )
