"""Tables of a case's results: the headline beside the harms, then each in full."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from econmodel.arrays import known
from econmodel.economics.comparison import COSTS_LESS, Comparison
from econmodel.economics.results import Compared, Results
from econmodel.evidence.nnt import NOT_APPLICABLE, NumberNeededToTreat
from econmodel.model.structure import ALL_LABELS, Structure
from econmodel.parameters.catalogue import CATEGORIES, HEADLINE_COMPLICATIONS, KEPT_COMPLICATIONS
from econmodel.records import record
from econmodel.reporting import formatting as f
from econmodel.reporting.papers.content import Table, table
from econmodel.reporting.papers.phrases import lower, short, unvalued

ICER_WORDS = {"dominant": "cheaper and better", "dominated": "dearer and worse", "equal": "no difference"}
FRONTIER_WORDS = {
    "reference": "reference",
    "dominated": "dominated",
    "extendedly_dominated": "extendedly dominated",
    "on_frontier": "on the frontier",
}
STARTED = {
    "never_bled": "never bled",
    "bleeding": "at a gastric bleed, which is in no count of bleeds; shares of patients are those of bleeders",
    "post_bleed": "six weeks after a gastric bleed; shares of patients are those of bleeders",
}
TRACE_YEARS = (1, 2, 3, 5, 10, 20)


def settings_table(results: Results) -> Table:
    """Choices of the analysis."""
    s, inputs = results.settings, results.inputs
    costs, health = (f.percent(rate, 1) for rate in (s.discount_costs, s.discount_outcomes))
    lead = f"{results.labels[results.lead]}, beside {lower(results.labels[results.usual_care])} as usual care"
    rows = [
        ("Time horizon", f"{f.duration(s.horizon_years)}; headline figures at {f.duration(results.settings.headline)}"),
        ("Where patients start", STARTED[s.cohort_start]),
        ("Perspective", f.choice_words(s.perspective)),
        ("Comparators", f"{' and '.join(lower(results.labels[key]) for key in results.comparisons)}"),
        ("Strategy followed", f"{lead}. {results.subjects_note}".strip()),
        ("Currency and price year", f.price_note(s)),
        ("Discount rates", f"costs {costs}, health {health} a year"),
        ("Willingness to pay", "none set" if unvalued(s) else f"{f.money(s.willingness_to_pay, s.currency)} per QALY"),
        ("Start age; share of women", f"{f.plain(float(inputs['start_age']))} years; {f.percent(inputs['share_female'])}"),
        ("Effect of prophylaxis", f.choice_words(inputs["effect_basis"])),
        ("Why the untreated rate falls", inputs["hazard_decline"]),
        ("Child-Pugh class after the start", inputs["child_course"]),
        ("How a bleed is costed", f.choice_words(inputs["activity_rates"]["bleed_costing"])),
        ("A bleed admission, mean of all", bleed_mean_text(results)),
    ]
    return table(f"Choices of the analysis ({f.price_note(results.settings)})", (("Choice", 1.2), ("Value", 3.0)), rows)


def bleed_mean_text(results: Results) -> str:
    """Mean cost of and payment for a bleed admission, which its prices by outcome give again; where no mean was given, it follows."""
    bleed, currency = results.inputs["bleed_admissions"], results.settings.currency
    cost, paid = (f.money(bleed[name], currency) for name in ("mean_cost", "mean_payment"))
    return f"cost {cost}, payment {paid}; {f.percent(bleed['share_fatal'], 1)} end in death without prophylaxis"


def moves_table(structure: Structure) -> Table:
    """Every move of the structure, a row for each state left; split states told once."""
    names = {state.key: state.label for state in structure.states}
    moves = dict.fromkeys((names[m.source], f"{m.label} → {names[m.target]}") for m in (*structure.impulses, *structure.moves))
    rows = [(left, "; ".join(move for source, move in moves if source == left)) for left in dict.fromkeys(s for s, _ in moves)]
    return table("Moves between health states", (("From", 1.4), ("Move → to", 4.4)), rows)


def bled_note(results: Results) -> str:
    """What does not apply to a cohort that has bled; empty for one that has not."""
    if not results.settings.has_bled:
        return ""
    apart = "Harms of secondary prophylaxis are not counted apart."
    return f"First bleeds and their NNT are {NOT_APPLICABLE}: the cohort has bled. {apart}"


def outcomes_table(results: Results) -> Table:
    """Health outcomes and events of each strategy over the time horizon."""
    rows = [
        (
            b.label,
            f.number(b.life_years, 2),
            f.number(b.qalys, 2),
            f.number(b.undiscounted.life_years, 2),
            f.per(b.first_bleeds, 100),
            f.per(b.rebleeds, 100),
            f.number(b.bleeds_per_first_bleed, 2),
            f.per(b.deaths["bleed"], 100),
            f.per(b.deaths["procedure"], 1000),
            *(f.per(b.complications[kind], 1000) for kind in KEPT_COMPLICATIONS),
            f.number(b.sessions, 2),
        )
        for b in results.strategies.values()
    ]
    columns = [
        "Life-years",
        "QALYs",
        "Life-years, undiscounted",
        "First bleeds per 100",
        "Rebleeds per 100",
        "All bleeds per first bleed",
        "Bleeding deaths per 100",
        "Procedure deaths per 1,000",
        *(f"{short} per 1,000" for short in KEPT_COMPLICATIONS.values()),
        "Sessions",
    ]
    widths = {
        "Life-years, undiscounted": 1.5,
        "Procedure deaths per 1,000": 1.2,
        "Rebleeds per 100": 1.1,
        "Sessions": 1.1,
        "Bleeding deaths per 100": 1.1,
    }
    return table(
        "Health, bleeds and harms per strategy over the time horizon",
        (("Strategy", 1.9), *((name, widths.get(name, 1.0), True) for name in columns)),
        rows,
    )


def ladder_table(results: Results) -> Table:
    """From the trial's NNT to the model's own, one step at a time."""
    ladder, names = results.ladder, results.labels

    def beside(found: dict[str, NumberNeededToTreat]) -> str:
        return ", ".join(f"{f.nnt(nnt)} against {lower(names[versus])}" for versus, nnt in found.items())

    rows = [
        (rung.label, f.duration(rung.nnt.years or 0.0), f.percent(rung.nnt.arr, 1), f.nnt(rung.nnt), f.number(factor, 2))
        for rung, factor in zip(ladder.rungs, ladder.factors, strict=True)
    ]
    return table(
        f"From the trial's NNT to ours: {lower(names[ladder.strategy])}, first bleeds",
        (("Step", 3.6), ("By", 0.8), ("Risk reduction", 0.9, True), ("NNT", 0.8, True), ("Times", 0.6, True)),
        rows,
        note="Each step keeps those before it; the trial's NNT times all factors is the last. "
        f"Over {f.duration(ladder.years)}, patients treated per bleed averted, every bleed: {beside(ladder.every_bleed)}; "
        f"per death from bleeding averted, procedure deaths not counted: {beside(ladder.bleeding_death)}.",
    )


def cost_table(results: Results, caption: str, *, headline: bool) -> Table:
    """Cost per patient by category, over the headline years or the time horizon."""
    currency = results.settings.currency
    rows = [
        (b.label, *(f.money(found[name], currency) for name in CATEGORIES), f.money(b.headline_cost if headline else b.cost, currency))
        for b in results.strategies.values()
        for found in [b.headline_cost_by_category if headline else b.cost_by_category]
    ]
    return table(
        f"{caption} ({f.price_note(results.settings)}, discounted)",
        (("Strategy", 2.0), *((name, 1.0, True) for name in (*CATEGORIES.values(), "Total"))),
        rows,
    )


def comparison_table(results: Results, versus: str) -> Table:
    """Increments against one comparator over the time horizon."""
    settings, names = results.settings, results.labels
    currency = settings.currency
    rows = [
        (
            names[key],
            f.money_change(c.incremental_cost, currency),
            f.number(c.incremental_qalys, 3),
            icer_text(c, currency),
            *([] if c.net_monetary_benefit is None else [f.money_change(c.net_monetary_benefit, currency)]),
            f.number(c.bleeds_averted_per_100, 1),
            f.number(c.break_even_nnt, 1),
            per_bleed_text(c.net_cost_per_first_bleed_averted, c.incremental_cost, currency),
            per_bleed_text(c.net_cost_per_any_bleed_averted, c.incremental_cost, currency),
        )
        for key, c in wholes(results, versus).items()
    ]
    columns = [
        "Extra cost",
        "QALYs gained",
        "Cost per QALY",
        *([] if unvalued(settings) else ["Net monetary benefit"]),
        "Bleeds averted per 100 (all)",
        "Break-even NNT",
        "Net cost per first bleed averted",
        "Net cost per any bleed averted",
    ]
    return table(
        f"Against {lower(names[versus])}, over the time horizon",
        (("Strategy", 1.9), *((name, 1.3 if name == "Cost per QALY" else 1.0, True) for name in columns)),
        rows,
        note=f"{f.price_note(settings)}. Break-even NNT: the strategy saves when its NNT at the horizon is "
        f"lower; where treating averts no first bleed it has no value. {bled_note(results)}".strip(),
    )


def per_bleed_text(value: float | None, extra_cost: float, currency: str) -> str:
    """Net cost per bleed averted; in words where the strategy saves, or averts no bleed, as a ratio would mislead.

    Examples
    --------
    >>> per_bleed_text(-500.0, -1000.0, "USD"), per_bleed_text(-500.0, 1000.0, "USD"), per_bleed_text(500.0, 1000.0, "USD")
    ('saves', 'averts none', '$500')
    """
    if value is None:
        return f.NOTHING
    if extra_cost < 0:
        return "saves" if value < 0 else "saves, averts fewer"
    return "averts none" if value < 0 else f.money(value, currency)


def wholes(results: Results, versus: str) -> dict[str, Comparison[float]]:
    """Comparisons with one comparator over the time horizon, by strategy."""
    return {key: compared.whole for key, compared in results.comparisons[versus].items()}


def icer_text(found: Comparison[float], currency: str) -> str:
    """ICER, or why there is none; no ratio over a difference in QALYs that does not matter."""
    if found.as_effective and found.incremental_cost:
        return f"{'cheaper' if found.saves else 'dearer'}; QALYs about equal"
    if found.icer is None:
        return ICER_WORDS.get(found.icer_status, found.icer_status.replace("_", " "))
    text = f.money(found.icer, currency)
    return f"{text} saved per QALY lost" if found.icer_status == COSTS_LESS else text


def nnt_table(results: Results) -> Table:
    """NNT for one first bleed by year and comparator."""
    names = results.labels
    years = list(next(iter(results.strategies.values())).first_bleed_risk)
    rows = [
        (names[key], short(results, versus), *(f.nnt(c.nnt[year]) for year in years), f.nnt(c.patients_per_bleed_averted))
        for versus in results.comparisons
        for key, c in wholes(results, versus).items()
    ]
    return table(
        "Patients needed to treat to avert one first bleed, by years since start",
        (
            ("Strategy", 2.0),
            ("Against", 1.2),
            *((f"{year} year{'s'[: year != 1]}", 1.0, True) for year in years),
            ("Patients per bleed averted (all bleeds)", 1.2, True),
        ),
        rows,
        note=bled_note(results)
        or "NNTH: patients treated to bring one more first bleed; about equal: under 1 in 200 apart. Death competes with bleeding.",
    )


def frontier_table(results: Results) -> Table:
    """Efficiency frontier."""
    names, currency = results.labels, results.settings.currency
    return table(
        f"Efficiency frontier over the time horizon ({f.price_note(results.settings)})",
        (("Strategy", 2.0), ("Cost", 1.0, True), ("QALYs", 1.0, True), ("Status", 1.4), ("Cost per further QALY", 1.2, True)),
        [
            (names[r.key], f.money(r.cost, currency), f.number(r.effect, 3), FRONTIER_WORDS[r.status], f.money(r.icer, currency))
            for r in results.frontier
        ],
    )


def group_table(results: Results, versus: str) -> Table:
    """NNT at three years (the horizon where it is shorter) by patient group: where the average hides differences."""
    names = results.labels
    year = min(NNT_YEAR, results.settings.horizon_years)
    keys = list(results.comparisons[versus])
    shares = {g["name"]: g["share"] for g in results.inputs["groups"]}
    rows = [
        (
            name,
            f.percent(shares[name]),
            f.percent(group.strategies[versus].first_bleed_risk[year], 1),
            *(f.nnt(group.comparisons[versus][key].whole.nnt[year]) for key in keys),
        )
        for name, group in results.groups.items()
    ]
    return table(
        f"NNT at {f.duration(year)} against {lower(names[versus])} by patient group, and the risk under it",
        (("Group", 1.6), ("Share", 0.6, True), ("Risk", 0.7, True), *((names[key], 1.2, True) for key in keys)),
        rows,
    )


def yearly_table(results: Results, key: str) -> Table:
    """First years of one strategy: events and cost, undiscounted."""
    currency, found = results.settings.currency, results.strategies[key]
    rows = [
        (
            str(y.year),
            f.per(y.first_bleeds, 100),
            f.per(y.rebleeds, 100),
            f.number(y.sessions, 2),
            f.number(y.icu_days, 2),
            f.number(y.ward_days, 2),
            f.percent(y.alive),
            f.money(y.cost_undiscounted, currency),
        )
        for y in found.yearly[:10]
    ]
    columns = ("First bleeds per 100", "Rebleeds per 100", "Sessions", "ICU days", "Ward days", "Alive at year end", "Cost")
    return table(
        f"Year by year: {lower(found.label)} ({f.price_note(results.settings)}, undiscounted)",
        (("Year", 0.6, True), *((name, 1.0, True) for name in columns)),
        rows,
    )


def trace_table(rows: list[dict[str, Any]], results: Results, key: str) -> Table:
    """Share of patients in each state, mean over the year, for a few years."""
    share = {(r["year"], r["state"]): r["share"] for r in rows if r["strategy"] == key}
    states = list(dict.fromkeys(r["state"] for r in rows))
    years = [y for y in TRACE_YEARS if (y, states[0]) in share]
    cells = {ALL_LABELS.get(state, state): [f.percent(share[y, state], 1) for y in years] for state in states}
    return table(
        f"Cohort trace: {lower(results.labels[key])}, share in each state (mean over the year)",
        (("State", 2.0), *((f"Year {y}", 1.0, True) for y in years)),
        [(label, *row) for label, row in cells.items() if set(row) != {"0.0%"}],
        note="The rest have died. Patients lost to follow-up, and those who bled from another source, count in the states shown.",
    )


NNT_YEAR = 3


@record
class HeadlineRow:
    """Numbers of one strategy, per patient.

    ``cost`` is discounted, over the headline years; ``compared`` holds the comparison with each comparator of the summaries
    (None with itself); QALYs and harms are over the time horizon.
    """

    key: str
    label: str
    cost: float
    compared: Mapping[str, Compared | None]
    qalys: float
    procedure_deaths: float
    complications: Mapping[str, float]
    bleed_deaths: float


def headline_rows(results: Results) -> list[HeadlineRow]:
    """One row of numbers per strategy: cost, comparisons, QALYs and harms."""
    return [
        HeadlineRow(
            key,
            found.label,
            found.headline_cost,
            {versus: results.against(versus, key) for versus in results.beside},
            found.qalys,
            found.deaths["procedure"],
            found.complications,
            found.deaths["bleed"],
        )
        for key, found in results.strategies.items()
    ]


def headline_columns(results: Results) -> list[tuple[str, str]]:
    """Keys and headings of the headline table; a key of a comparison ends in its comparator."""
    settings, years = results.settings, results.settings.headline
    against = {versus: short(results, versus) for versus in results.beside}
    counted = "Bleeds" if settings.has_bled else "First bleeds"
    return [
        ("label", "Strategy"),
        ("cost", f"Cost per patient ({f.duration(years)}, {f.price_note(settings)})"),
        *((f"net_cost_{versus}", f"Net cost v. {name}") for versus, name in against.items()),
        *((f"bleeds_averted_{v}", f"{counted} averted per 100 v. {name} ({f.duration(years)})") for v, name in [*against.items()][:1]),
        *((f"nnt_{versus}", f"NNT at {NNT_YEAR} years v. {name}") for versus, name in against.items()),
        ("qalys", "QALYs (time horizon)"),
        ("procedure_deaths", "Procedure deaths per 1,000"),
        *((kind, f"{short} per 1,000") for kind, short in HEADLINE_COMPLICATIONS.items()),
    ]


def headline_text(results: Results) -> list[dict[str, str]]:
    """Headline rows as text, keyed as :func:`headline_columns`."""
    currency = results.settings.currency
    return [
        {
            "key": row.key,
            "label": row.label,
            "cost": f.money(row.cost, currency),
            **{name: text for versus, found in row.compared.items() for name, text in _compared(versus, found, currency).items()},
            "qalys": f.number(row.qalys, 2),
            "procedure_deaths": f.per(row.procedure_deaths, 1000),
            **{kind: f.per(row.complications[kind], 1000) for kind in HEADLINE_COMPLICATIONS},
        }
        for row in headline_rows(results)
    ]


def _compared(versus: str, found: Compared | None, currency: str) -> dict[str, str]:
    if found is None:
        return dict.fromkeys((f"net_cost_{versus}", f"bleeds_averted_{versus}", f"nnt_{versus}"), f.NOTHING)
    now, bled = found.headline, known(found.headline.arr_at_end) is None
    return {
        f"net_cost_{versus}": f.money_change(now.incremental_cost, currency),
        f"bleeds_averted_{versus}": f.number(now.bleeds_averted_per_100, 1) if bled else f.per(now.arr_at_end, 100),
        f"nnt_{versus}": f.nnt(now.nnt.get(NNT_YEAR)),
    }


def result_rows(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Every number of a result document, one per line, for ``results.csv``; year by year for all patients only."""
    rows = _group_rows("all patients", document)
    for name, block in document["groups"].items():
        rows += _group_rows(name, block)
    return rows


def _group_rows(group: str, block: Mapping[str, Any]) -> list[dict[str, Any]]:
    rows = [
        {"group": group, "strategy": key, "versus": "", "measure": measure, "value": value}
        for key, results in block["strategies"].items()
        for measure, value in _flat(results)
    ]
    return rows + [
        {"group": group, "strategy": key, "versus": versus, "measure": measure, "value": value}
        for versus, compared in block["comparisons"].items()
        for key, results in compared.items()
        for measure, value in _flat(results)
    ]


def _flat(block: Mapping[str, Any], prefix: str = "") -> list[tuple[str, Any]]:
    """Give nested results as ``outer.inner`` names; the lines of ``yearly`` are named by year."""
    found: list[tuple[str, Any]] = []
    for key, value in block.items():
        if isinstance(value, Mapping):
            found += _flat(value, f"{prefix}{key}.")
        elif key == "yearly":
            found += [item for row in value for item in _flat({k: v for k, v in row.items() if k != "year"}, f"yearly.{row['year']}.")]
        elif key not in ("label", "versus"):
            found.append((prefix + key, value))
    return found
