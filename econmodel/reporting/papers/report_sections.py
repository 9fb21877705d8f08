"""Sections of the technical report: method, uncertainty, validation, annexes."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from math import isfinite
from typing import TYPE_CHECKING

from econmodel.model.structure import Structure
from econmodel.parameters.statements import said
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.surveillance import surveillance_charts
from econmodel.reporting.charts.uncertainty import BARS, MONEY_OUTCOMES, report_chart, tornado_name
from econmodel.reporting.papers import blocks
from econmodel.reporting.papers.content import Block, Bullets, Charts, Paragraph, Section, Table, table
from econmodel.reporting.papers.phrases import lower, short
from econmodel.reporting.tables import results as result_tables
from econmodel.reporting.tables.checks import KINDS, value_text
from econmodel.reporting.tables.fetch import fetch_tables
from econmodel.reporting.tables.findings import Analysis, Findings
from econmodel.reporting.tables.flips import flip_blocks
from econmodel.reporting.tables.provenance import unconfirmed
from econmodel.reporting.tables.results import NNT_YEAR
from econmodel.reporting.tables.structure import expected_table, structure_table
from econmodel.reporting.tables.studies import READING, VERDICTS, joint_sentence, model_cell, observed_cell, p_text, what
from econmodel.reporting.tables.surveillance import protocol_tables

if TYPE_CHECKING:
    from econmodel.economics.results import Results
    from econmodel.economics.validation import CheckRow
    from econmodel.evidence.nnt import NumberNeededToTreat
    from econmodel.evidence.untreated import RiskRow
    from econmodel.parameters.loading import Case
    from econmodel.parameters.parameter_set import ParameterSet
    from econmodel.programme.money_question import MoneyScenario
    from econmodel.uncertainty.deterministic import TornadoRow
    from econmodel.uncertainty.risk import Interval, Risk
    from econmodel.uncertainty.scenarios import ScenarioRow
    from econmodel.uncertainty.studies import StudyResult
    from econmodel.uncertainty.surveillance import Protocols
    from econmodel.uncertainty.surveillance_worth import Worth
    from econmodel.uncertainty.two_way import Grid

BY_SITE = (
    "Analysis plan: set down before the analysis? where?",
    "How patients, clinicians and payers were engaged",
    "What that engagement changed",
    "Funding and the funder's part in the work",
    "Conflicts of interest",
    "Author, role, date",
)
METHOD = (
    (
        "States. ",
        "A monthly Markov cohort. Everyone starts without a bleed. A bleed fills one cycle: the acute episode "
        "and its six weeks. Each patient group runs on its own and the groups are weighted by their shares. Where Child-Pugh class "
        "may worsen, each state is split by class; the diagram draws it once.",
    ),
    (
        "Untreated risk. ",
        "Pooled from cohorts, each put on one cell by its own mix, deaths censored; two ratios lower or raise the "
        "rate after year 1 and after year 3. Where a risk is typed instead, it is that of the reference mix in year 1. "
        "The site's own mix then moves it. The multipliers for Child-Pugh class, size and red spots are those of a "
        "published index.",
    ),
    (
        "Competing events. ",
        "Rates out of a state compete within a cycle. Death from other causes is the life table plus "
        "an excess by Child-Pugh class; after a bleed the excess is multiplied.",
    ),
    (
        "Death from a bleed. ",
        "Published six-week mortality counts every death and already holds early rebleeds; the "
        "fatality of the first episode is solved from it.",
    ),
    (
        "Activity before money. ",
        "The cohort yields sessions, devices, admissions, days and visits; prices and utilities "
        "are applied afterwards, so four views on money come from one run. Patient-years are counted by the trapezoid rule, "
        "moves at mid-cycle.",
    ),
)
EFFECT = {
    "process": (
        (
            "Effect of prophylaxis. ",
            "A procedure works while its varix is closed, a drug while it is taken. A course closes the varix or leaves it open; a "
            "closed one opens again at a yearly rate; a visit sees an open one with some chance and sends it to another course, if "
            "the patient accepts. Patients are lost to follow-up: they keep the varix they have and are seen no more. A drug is "
            "stopped. An open varix bleeds nearly as if untreated. Nothing wears off by the calendar.",
        ),
        (
            "Order of a month. ",
            "Visits; a session for everyone in a course, its deaths, and the courses it ends; then bleed, transplant and death "
            "compete; then, for those who had none, the varix opens again, follow-up is lost or the drug stopped, each independent "
            "of the others.",
        ),
        (
            "How the trials are met. ",
            "In each draw the bleeding ratio of a closed varix is solved so that a trial of the reference mix, with gastroscopy on "
            "its schedule, nobody lost and no other death, ends with the pooled intention-to-treat risk. It is run on the "
            "evidence's own closure, recurrence and acceptance: what a site does better or worse then moves its result.",
        ),
        (
            "After a bleed. ",
            "Late rebleeds come from the gastric varix or from another source, each at its rate. After a bleed from another source "
            "alone the varix stays as it was; it counts as closed, and a drug as taken, also in those who had it open or had "
            "stopped: at most 0.027 discounted life-years.",
        ),
        (
            "What no study gives. ",
            "How much an open, treated varix bleeds, on which hangs what surveillance is worth (see there); "
            "how often a varix opens again in patients who never bled; who comes to visits and what they see. "
            "These are assumptions, with a distribution each; where the trials' effect asks for an open varix that bleeds less than "
            "assumed, it is lowered in that draw, and the checks print how often.",
        ),
    ),
    "intention_to_treat": (
        (
            "Effect of prophylaxis. ",
            "A rate ratio on bleeding, by intention to treat: trial rates already hold failed obliteration, recurrence and "
            "re-treatment, so these drive cost, not bleeding. The effect is full for a stated time and fades over another.",
        ),
    ),
}
GROUP_SIZES = ("below 5 mm", "5 to 10 mm", "above 10 mm")
STARTS = {"at_risk": "no treatment", "in_course": "course of treatment", "protected": "drug"}
ASKED = "What does each way of preventing a first bleed cost, avert and risk, against no prophylaxis and against a beta-blocker?"
ASKED_AFTER = "What does each secondary prophylaxis cost, avert and risk after a gastric variceal bleed?"
VARIED = (
    "Inputs are varied one at a time over their declared ranges, together by sampling from their distributions "
    "(shared inputs are shared by all strategies), and by scenarios that change the structure."
)
INTERVALS = (
    "NNTB: patients treated to avert one first bleed; NNTH: to bring one more. An interval through ∞ holds benefit, no "
    "difference and harm."
)
WIDEST = "The widest, as in the picture; every input: econmodel sensitivity --one-way."
HELD = (
    "No draw moves these. Net benefit at each value, all else at base values, beside its spread over the draws: inputs that move "
    "it by more than 2% of its standard deviation, and every choice without weights, however little it moves."
)


def method_sections(case: Case, results: Results, structure: Structure) -> list[Section]:
    """Context, population, valuation and model."""
    bled = results.settings.has_bled
    return [
        Section(
            "Context and question",
            (
                Paragraph(
                    "Gastric varices bleed less often than oesophageal ones but more severely. Whether treating those "
                    f"at high risk before they bleed is worth its cost and harm is not settled. {said('question_open')}"
                ),
                Paragraph(ASKED_AFTER if bled else ASKED, lead="Question: "),
            ),
        ),
        Section(
            "Population, setting and strategies",
            (
                Paragraph(
                    "Adults with portal hypertension and high-risk gastric varices (GOV2 or IGV1) that have "
                    f"{'bled' if bled else 'never bled'}, seen at {case.title}."
                ),
                _groups(results),
                _strategies(case),
            ),
        ),
        Section(
            "How value is counted",
            (
                Paragraph(
                    "Health is counted in bleeds, life-years and QALYs (utility of the state, less losses for "
                    "procedures, complications and bleeds). Money is counted by activity times unit price."
                ),
                result_tables.settings_table(results),
            ),
        ),
        _model(results, structure),
    ]


def _model(results: Results, structure: Structure) -> Section:
    return Section(
        "The model",
        (
            blocks.charts(results, "state_diagram"),
            Bullets((*METHOD, *EFFECT[results.inputs["effect_basis"]])),
            result_tables.moves_table(structure),
            Paragraph(
                "The program, its inputs and its tests are open; every result can be run again from the inputs block of results.json.",
                lead="Availability: ",
            ),
        ),
    )


def _groups(results: Results) -> Table:
    return table(
        "Patient groups, shares of those who bled" if results.settings.has_bled else "Patient groups",
        (("Group", 2.0), ("Share", 0.8, True), ("Child-Pugh", 0.8), ("Size", 1.0), ("Red spots", 0.8)),
        [
            (g["name"], f.percent(g["share"], 1), g["child"], GROUP_SIZES[g["size_step"]], "yes" if g["red_spot"] else "no")
            for g in results.inputs["groups"]
        ],
    )


def _strategies(case: Case) -> Table:
    return table(
        "Strategies",
        (("Strategy", 2.0), ("Starts with", 1.2), ("Surveillance (months)", 1.6), ("Certainty", 1.0)),
        [
            (
                row.label,
                STARTS[row.starts_in],
                _plan(row.surveillance.months, row.surveillance.interval),
                row.evidence_grade or "not graded",
            )
            for row in case.parameters.strategies.values()
        ],
    )


def _plan(months: tuple[int, ...], interval: int) -> str:
    if not months and not interval:
        return "none"
    first = ", ".join(str(month) for month in months)
    return f"{first}, then every {interval}" if interval else first


def uncertainty_sections(results: Results, findings: Findings) -> list[Section]:
    """Scenarios, one-way, all inputs together; what was not run is said."""
    parts = {"all inputs varied together": findings.psa, "one input at a time": findings.one_way, "scenarios": findings.scenarios}
    missing = [name for name, found in parts.items() if not found]
    opening: list[Block] = [Paragraph(VARIED)]
    if missing:
        opening.append(Paragraph(f"Not run for this report: {', '.join(missing)}.", tone="caution"))
    sections = [Section("Uncertainty", tuple(opening))]
    if findings.flips:
        sections.append(Section("What would reverse it", tuple(flip_blocks(findings.flips)), level=2))
    if findings.fetch:
        sections.append(Section("What to find out first", tuple(fetch_tables(findings.fetch)), level=2))
    if findings.psa:
        sections.append(_together(results, findings, findings.psa))
    if findings.structures:
        sections.append(Section("Structure", (structure_table(results, findings.structures),), level=2))
    if findings.tornadoes:
        found = (block for one in findings.tornadoes for block in _one_way(results, findings, one))
        sections.append(Section("One input at a time", tuple(found), level=2))
    if findings.money_maps:
        sections.append(Section("Two inputs together", money_map_tables(results, findings.money_maps), level=2))
    if findings.scenarios:
        tables = (scenario_table(results, findings.scenarios), *money_scenario_table(results, findings.money_scenarios))
        sections.append(Section("Scenarios", tables, level=2, landscape=True))
    if findings.held:
        rows = tuple(Paragraph(row.sentence) for row in findings.held)
        sections.append(Section("Held certain, and yet it decides", (Paragraph(HELD), *rows), level=2))
    return sections


def surveillance_section(found: Protocols, worth: Worth | None) -> Section:
    """Follow-up protocols: the picture with its frontier, what they are worth and on what that rests, if anything, and the maps."""
    picture, *maps = surveillance_charts(found, worth).values()
    soon, late = protocol_tables(found)
    said = [Bullets(tuple(("", sentence) for sentence in worth.sentences))] if worth else []
    return Section("Surveillance after treatment", (Charts((picture,)), *said, soon, late, *(Charts((drawn,)) for drawn in maps)))


def untreated_section(rows: Sequence[RiskRow], without: Sequence[RiskRow], findings: Findings) -> Section:
    """Where the untreated risk comes from: forest, its table, and the synthesis without each cohort."""

    def interval(row: RiskRow) -> str:
        return f"{f.percent(row.low)} to {f.percent(row.high)}"

    shown = table(
        "Risk of a first bleed in year 1 without prophylaxis, each cohort put on the reference mix",
        (("Cohort", 2.2), ("Risk", 0.7, True), ("95% interval", 1.2, True), ("Weight", 0.7, True), ("Its own mix", 4.2)),
        [(r.label, f.percent(r.risk), interval(r), "" if r.weight is None else f.percent(r.weight), r.note) for r in rows],
        note="Random effects on the log rate of one cell (Child-Pugh A, above 10 mm, no red spot). "
        "The draws use a setting not yet seen: a hospital is a new setting, not the average of these. Its risk here is "
        "the median of the draws; their mean is higher. Its interval takes the spread "
        "between settings as known, which six settings hardly tell.",
    )
    left = table(
        "The same without each cohort in turn: mean, and interval of a setting not yet seen",
        (("Left out", 3.0), ("Risk", 1.0, True), ("95% interval", 1.6, True)),
        [(r.label, f.percent(r.risk), interval(r)) for r in without],
    )
    return Section(
        "Where the untreated risk comes from", (Charts((report_chart("untreated_risk", findings, {}),)), shown, left), level=2
    )


def _together(results: Results, findings: Findings, risk: Risk) -> Section:
    tables = [expected_table(results, risk), *(_risk_table(results, risk, versus) for versus in risk.comparisons)]
    told = [said for key in risk.comparisons if key != results.lead for said in risk.sentences(key, results.lead)]
    said = Bullets(tuple(("", sentence) for sentence in (*told, *([risk.stability.sentence] if risk.stability else []))))
    curves = [Charts((report_chart("acceptability", findings, results.labels),))] if risk.acceptability else []
    key = Paragraph(f"{risk.draws:,} draws, seed {risk.seed}. {INTERVALS}", tone="note")
    return Section("All inputs varied together", (*tables, key, said, *curves), level=2)


def _risk_table(results: Results, risk: Risk, versus: str) -> Table:
    settings, names = results.settings, results.labels
    return table(
        f"All inputs varied together, against {lower(names[versus])}: mean and 95% interval ({f.price_note(settings)})",
        (
            ("Strategy", 1.7),
            (f"Net cost, {f.duration(settings.headline)}", 1.8, True),
            ("Net cost, horizon", 1.8, True),
            ("QALYs gained", 1.5, True),
            (f"NNT at {NNT_YEAR} years", 1.6, True),
            (f"Probability it saves, {f.duration(settings.headline)}", 1.0, True),
            ("Probability it saves, horizon", 1.0, True),
        ),
        [
            (
                names[key],
                _spread(found.headline_cost, settings.currency),
                _spread(found.incremental_cost, settings.currency),
                _plain_spread(found.incremental_qalys),
                _nnt(found.nnt.get(NNT_YEAR)),
                f.percent(found.headline_probability_saving),
                f.percent(found.probability_saving),
            )
            for key, found in risk.comparisons[versus].items()
        ],
    )


def _spread(found: Interval, currency: str) -> str:
    mean, low, high = (f.money(value, currency) for value in (found.mean, found.low, found.high))
    return f"{mean} ({low} to {high})"


def _plain_spread(found: Interval) -> str:
    return f"{f.number(found.mean, 2)} ({f.number(found.low, 2)} to {f.number(found.high, 2)})"


def _nnt(found: NumberNeededToTreat | None) -> str:
    return f"{f.nnt(found)} ({found.interval_text})" if found and found.interval_text else f.nnt(found)


def _one_way(results: Results, findings: Findings, found: Analysis[TornadoRow]) -> tuple[Block, ...]:
    currency, is_money = results.settings.currency, found.outcome in MONEY_OUTCOMES

    def shown(value: float | None) -> str:
        return f.money(value, currency) if is_money else f.number(value, 2)

    rows = [
        (
            row.label,
            f"{f.plain(row.low_value)} to {f.plain(row.high_value)}",
            row.unit,
            shown(row.outcome_at_low),
            shown(row.outcome_at_high),
            row.basis,
            row.status,
        )
        for row in found.rows[:BARS]
    ]
    money = f" ({f.price_note(results.settings)})" if is_money else ""
    columns = (
        ("Input", 3.0),
        ("Range", 1.3),
        ("Unit", 1.0),
        ("At low", 0.9, True),
        ("At high", 0.9, True),
        ("Range rests on", 1.9),
        ("Status", 1.2),
    )
    chart = report_chart(tornado_name(found), findings, results.labels)
    return Charts((chart,)), table(f"{chart.caption}{money}; base {shown(found.rows[0].base)}", columns, rows, note=WIDEST)


def money_scenario_table(results: Results, rows: Sequence[MoneyScenario]) -> tuple[Table, ...]:
    """Money of the programme under each scenario; none of a cohort that has bled."""
    say = partial(f.money, currency=results.settings.currency)
    shown = [
        (
            row.title,
            *map(say, (row.npv_cash, row.npv_with_capacity, row.peak_cash)),
            f.number(row.payback, 1) if isfinite(row.payback) else f.NOTHING,
            say(row.net_contribution_year_3),
        )
        for row in rows
        if isfinite(row.npv_cash)
    ]
    columns = (
        ("Scenario", 3.4),
        ("Cash NPV", 1.1, True),
        ("With time freed", 1.1, True),
        ("Peak cash", 1.1, True),
        ("Payback, years", 0.9, True),
        ("Net contribution, year 3", 1.2, True),
    )
    title = f"Money of the programme by scenario, over the budget's years against today's mix ({f.price_note(results.settings)})"
    return (table(title, columns, shown, note="A dash: not within the budget."),) if rows else ()


def money_map_tables(results: Results, grids: Sequence[Grid]) -> tuple[Table, ...]:
    """Cash NPV over two inputs together, a table a pair: the first input across, the second down."""
    say, settings = partial(f.money, currency=results.settings.currency), results.settings
    return tuple(
        table(
            f"Cash NPV over the budget's years, against today's mix ({f.price_note(settings)}); across: {lower(grid.x_label)}",
            ((grid.y_label, 2.0), *((f.plain(value), 1.0, True) for value in grid.x_values)),
            [
                (f.plain(value), *(say(cash) if isfinite(cash) else f.NOTHING for cash in row))
                for value, row in zip(grid.y_values, grid.values, strict=True)
            ],
            note=f"This case: {f.plain(grid.base[0])} across, {f.plain(grid.base[1])} down.",
        )
        for grid in grids
    )


def scenario_table(results: Results, found: Sequence[Analysis[ScenarioRow]], *, reasoning: bool = True) -> Table:
    """Outcomes of each scenario against each comparator, side by side."""
    names, currency, first = results.labels, results.settings.currency, found[0]
    years, heads = f.duration(results.settings.headline), {one.versus: short(results, one.versus) for one in found}
    valued = results.settings.willingness_to_pay is not None

    def cells(row: ScenarioRow) -> tuple[str, ...]:
        averted = f.number(row.bleeds, 1) if results.settings.has_bled else f.signed_nnt(row.nnt)
        benefit = (f.money_change(row.nmb, currency),) if valued else ()
        return f.money_change(row.cost, currency), averted, f.number(row.qalys, 3), *benefit

    averted = f"{'Bleeds averted per 100' if results.settings.has_bled else 'NNT'}, {years}"
    worth = ("Net monetary benefit, horizon",) if valued else ()
    headings = (f"Net cost, {years}", averted, "QALYs gained, horizon", *worth)
    return table(
        f"Scenarios: {lower(names[first.strategy])}, against each comparator ({f.price_note(results.settings)})",
        (
            ("Scenario", 2.2),
            *((f"{heading} v. {name}", 1.0, True) for name in heads.values() for heading in headings),
            *([("Reasoning", 5.0)] if reasoning else []),
        ),
        [
            (rows[0].title, *(cell for row in rows for cell in cells(row)), *([rows[0].rationale] if reasoning else []))
            for rows in zip(*(one.rows for one in found), strict=True)
        ],
        small=True,
    )


def checks_table(rows: Sequence[CheckRow]) -> Table:
    """Put what each test should give beside what the model gives."""
    ordered = sorted(rows, key=lambda row: KINDS.index(row.kind))
    return table(
        "Closed forms, published worked models and calibration",
        (("Kind", 1.4), ("Test", 3.0), ("Should be", 0.9, True), ("Model", 0.8, True), ("Rule", 1.5), ("Verdict", 1.0), ("Note", 2.3)),
        [(r.kind, r.target, value_text(r.observed), value_text(r.predicted), r.pass_rule, r.verdict, r.note) for r in ordered],
    )


def studies_table(results: Sequence[StudyResult]) -> Table:
    """Every point of every study: observed, what the model would see, and the verdict; the joint one in the study's first row."""
    rows = [
        (
            f"{r.title}: {r.verdict}" if first else "",
            what(row),
            observed_cell(row),
            model_cell(row),
            p_text(row.p),
            row.verdict,
            ", ".join(row.used_in) if row.verdict == "used, no verdict" else "",
        )
        for r in results
        for first, row in zip((True, *[False] * len(r.rows)), r.rows, strict=False)
    ]
    columns = (
        ("Study and joint verdict", 2.2),
        ("Arm, event and time", 2.6),
        ("Observed (95%)", 1.2, True),
        ("Model (95% of such studies)", 1.3, True),
        ("p", 0.8, True),
        ("Verdict", 1.0),
        ("Behind", 1.6),
    )
    return table(f"{len(results)} studies beside the model", columns, rows, note=READING, small=True)


def studies_paragraph(results: Sequence[StudyResult]) -> Paragraph:
    """Say how many studies the model meets, and which it does not."""
    by = {verdict: [r for r in results if r.verdict == verdict] for verdict in VERDICTS}
    failed = "; ".join(f"{lower(r.title)} ({r.key}): {lower(joint_sentence(r))[:-1]}" for r in by["fails"])
    return Paragraph(
        f"Of {len(results)} studies {len(by['agrees'])} agree with the model, {len(by['fails'])} fail it, of {len(by['cannot tell'])} "
        f"it cannot tell, and {len(by['used, no verdict'])} stand behind its inputs and carry no verdict. "
        + (f"Failed: {failed}. " if failed else "")
        + "Misses stay visible: no input is moved to turn a study green."
    )


def unconfirmed_tables(parameters: ParameterSet) -> tuple[Table, ...]:
    """List what is invented, from memory or assumed, the weakest first."""
    found = unconfirmed(parameters)
    order = [status for status in ("demo", "from memory", "assumption") if status in found]
    return tuple(blocks.unconfirmed_table(found[status], status) for status in order)


def sources_table(parameters: ParameterSet) -> Table:
    """Every source that an input of this case cites."""
    used = {p.source for p in parameters.parameters.values() if p.source}
    rows = [(key, source.kind, source.reference) for key, source in parameters.sources.items() if key in used]
    return table(f"{len(rows)} sources cited", (("Key", 1.2), ("Kind", 1.0), ("Citation", 5.0)), rows, small=True)


def confirm_table(parameters: ParameterSet) -> Table:
    """Every source of which something was not seen, as its own field says."""
    rows = [(key, source.citation, source.confirm) for key, source in parameters.sources.items() if source.confirm]
    return table(f"{len(rows)} to confirm", (("Key", 1.2), ("Citation", 4.0), ("Not seen", 2.0)), rows, small=True)
