"""Content of the technical report, in the order of the CHEERS 2022 topics."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from econmodel.model.structure import Structure
from econmodel.parameters.statements import said
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.programme import CHARTS, programme_chart
from econmodel.reporting.charts.research import research_chart, study_shown
from econmodel.reporting.charts.results import trace_rows
from econmodel.reporting.charts.uncertainty import report_chart
from econmodel.reporting.papers import blocks, phrases, report_sections
from econmodel.reporting.papers import programme as programme_content
from econmodel.reporting.papers.content import Blanks, Bullets, Charts, Paper, Paragraph, Section, Table, table
from econmodel.reporting.papers.phrases import guideline_table
from econmodel.reporting.tables import programme as programme_tables
from econmodel.reporting.tables import results as result_tables
from econmodel.reporting.tables.by_risk import by_risk_blocks
from econmodel.reporting.tables.fetch import fetch_items
from econmodel.reporting.tables.findings import Findings
from econmodel.reporting.tables.research import RESEARCH, research_section, study_sentence

if TYPE_CHECKING:
    from econmodel.economics.evaluate import Evaluation
    from econmodel.economics.results import Results
    from econmodel.parameters.loading import Case

SOURCE = (
    "Topics in our words after Husereau D, et al. CHEERS 2022, doi:10.1186/s12916-021-02204-0; topics 1 to 16 "
    "read there, 17 to 28 from memory."
)
BASE_VALUES = (
    "Single figures are those of the base case. Means over the draws, which the brief prints as its NNT, stand beside them under "
    "'All inputs varied together'."
)
BY_SITE = "to be written by the site"
ANSWERS = (
    ("Title", "title page"),
    ("Summary", "Summary"),
    ("Context and question", "Context and question"),
    ("Analysis plan", f"{BY_SITE}: say whether a plan was set down before the analysis, and where"),
    ("Population", "Population, setting and strategies"),
    ("Setting and place", "Population, setting and strategies"),
    ("Strategies compared", "Population, setting and strategies"),
    ("Perspective", "How value is counted"),
    ("Time horizon", "How value is counted"),
    ("Discount rate", "How value is counted"),
    ("Outcomes chosen", "How value is counted"),
    ("Outcomes measured", "The model; Annex A"),
    ("Outcomes valued", "How value is counted; Annex A (utilities)"),
    ("Resources and unit costs", "How value is counted; Annex A (prices)"),
    ("Currency and price year", "How value is counted"),
    ("Model, its rationale and availability", "The model"),
    ("Analytics and assumptions", "The model; Findings, limits and generalisability"),
    ("Differences between patients", "Results by patient group"),
    (
        "Effects on different people (equity)",
        "not applicable: every patient counts alike and no distribution of effects between social groups is modelled",
    ),
    ("How uncertainty is handled", "Uncertainty"),
    ("How patients and others were engaged", f"{BY_SITE}"),
    ("Parameters: values, ranges, distributions, sources", "Annex A"),
    ("Main results", "Results"),
    ("Effect of uncertainty", "Uncertainty"),
    ("Effect of engagement", f"{BY_SITE}"),
    ("Findings, limits, generalisability", "Findings, limits and generalisability"),
    ("Funding", f"{BY_SITE}"),
    ("Conflicts of interest", f"{BY_SITE}"),
)


def report_paper(case: Case, evaluation: Evaluation, results: Results, structure: Structure, findings: Findings) -> Paper:
    """Build the technical report; analyses not given are named as not run."""
    sections = (
        _summary(case, results, findings),
        *report_sections.method_sections(case, results, structure),
        *_results(evaluation, results, findings),
        *report_sections.uncertainty_sections(results, findings),
        *_surveillance(findings),
        *_research(findings),
        *_programme(case, results, findings),
        *_validation(findings),
        *_evidence(case, findings),
        _limits(results),
        Section("Reporting checklist", (cheers_table(),)),
        Section("To be written by the site", (Blanks(report_sections.BY_SITE),)),
        *_annexes(case),
    )
    return Paper(
        "Prophylaxis of high-risk gastric varices: technical report",
        f"{case.title} · health-economic analysis · {f.price_note(results.settings)}",
        sections,
        phrases.footer(case, results),
        phrases.banner(case),
        kind="report",
    )


def _summary(case: Case, results: Results, findings: Findings) -> Section:
    row = case.parameters.strategies[results.lead]
    grade = row.evidence_grade or "not graded"
    certainty = f"Certainty of the evidence for {phrases.lower(row.label)}: {grade}. {said('standing')}"
    return Section(
        "Summary",
        (
            Paragraph(phrases.answer(results), tone="answer"),
            *phrases.within_route(findings.within_route, "body"),
            *(Paragraph(said) for said in phrases.lifetime_sentences(results)),
            *_turned_and_measured(findings),
            Paragraph(certainty, tone="caution"),
            blocks.key_numbers(results),
            blocks.headline_table(results),
            *([Paragraph(BASE_VALUES, tone="note")] if findings.psa else []),
        ),
        new_page=True,
    )


def _turned_and_measured(findings: Findings) -> Iterator[Paragraph]:
    """What would reverse the decision, what to measure first, and what a trial would be worth, on the page of the answer."""
    if findings.flips:
        yield Paragraph(" ".join(findings.flips.first_of_each), "What would reverse it. ")
    for lead, text in fetch_items(findings.fetch, few=True) if findings.fetch else ():
        yield Paragraph(text, lead)
    if findings.research and not isinstance(findings.research, str) and (worth := study_sentence(findings.research)):
        yield Paragraph(worth, "What a trial would be worth. ")


def _results(evaluation: Evaluation, results: Results, findings: Findings) -> list[Section]:
    years, found = results.settings.headline, findings.by_risk
    followed = results.subjects
    compared = tuple(result_tables.comparison_table(results, key) for key in results.comparisons)
    trace = trace_rows(evaluation)
    traces = tuple(result_tables.trace_table(trace, results, key) for key in followed)
    return [
        Section(
            "Results",
            (
                blocks.charts(results, "first_bleeds", "nnt_by_year"),
                result_tables.nnt_table(results),
                *([result_tables.ladder_table(results)] if results.ladder.rungs else []),
                result_tables.outcomes_table(results),
            ),
        ),
        Section(
            "Costs",
            (
                blocks.charts(results, "cost_by_category", "cost_effectiveness_plane"),
                result_tables.cost_table(results, f"Cost per patient over {f.duration(years)}", headline=True),
                result_tables.cost_table(results, "Cost per patient over the time horizon", headline=False),
            ),
            level=2,
        ),
        Section("Comparisons and frontier", (*compared, result_tables.frontier_table(results)), level=2),
        Section("Results by patient group", tuple(result_tables.group_table(results, key) for key in results.comparisons), level=2),
        *([Section("Whom to treat, by risk", tuple(by_risk_blocks(evaluation.parameters, found)), level=2)] if found else []),
        Section(
            "Cohort trace and years",
            (
                Charts((report_chart("cohort_trace", findings, results.labels),)),
                *traces,
                *(result_tables.yearly_table(results, key) for key in followed),
            ),
            level=2,
        ),
    ]


def _surveillance(findings: Findings) -> list[Section]:
    found = findings.surveillance
    if isinstance(found, str):
        why = f"Follow-up protocols are not compared here: {found}."
        return [Section("Surveillance after treatment", (Paragraph(why, tone="caution"),))] if found else []
    return [report_sections.surveillance_section(*found)]


def _research(findings: Findings) -> list[Section]:
    found = findings.research
    if isinstance(found, str):
        return [Section(RESEARCH, (Paragraph(f"Not worked out: {found}.", tone="caution"),))] if found else []
    section, shown = research_section(found), study_shown(found)
    drawn = (Charts((research_chart(shown),)),) if shown else ()
    return [Section(section.heading, (*section.blocks, *drawn))]


def _programme(case: Case, results: Results, findings: Findings) -> list[Section]:
    programme = findings.programme
    if programme is None:
        return []
    currency = results.settings.currency
    drawn = Charts(tuple(programme_chart(name, programme, currency) for name in CHARTS))
    return [
        Section(
            "The programme's finances",
            (
                Paragraph(programme_content.answer(programme)[0], tone="answer"),
                Paragraph(programme_content.answer(programme)[1], lead="Decision asked: "),
                programme_content.key_numbers(case, results, programme, findings.psa),
                drawn,
                programme_content.funnel_table(programme),
                *programme_tables.options_table(programme),
                *programme_tables.options_step_table(programme),
                *programme_tables.switching_table(results, programme),
                *programme_tables.options_value_table(programme),
                *programme_tables.reconciliation_table(programme),
                programme_tables.finance_table(results, programme),
                *programme_tables.places_table(programme),
                programme_tables.memo_table(results, programme),
                *programme_tables.interval_tables(results, programme),
                programme_tables.views_table(results, programme),
                programme_tables.downside_table(results, programme),
                programme_tables.capacity_table(programme),
            ),
        ),
        Section("What must not be overlooked", (Bullets(tuple(("", s) for s in programme.sentences)),), level=2),
    ]


def _validation(findings: Findings) -> list[Section]:
    if findings.checks is None:
        return []
    return [
        Section(
            "The model against published results",
            (
                report_sections.studies_paragraph(findings.studies),
                report_sections.studies_table(findings.studies),
                Paragraph("That the model does what it claims is another matter: closed forms, published models and calibration."),
                report_sections.checks_table(findings.checks),
            ),
        )
    ]


def _evidence(case: Case, findings: Findings) -> list[Section]:
    sections = [
        Section(
            "Evidence, harms and guideline positions",
            (blocks.evidence_table(case.parameters), Paragraph(said("standing")), guideline_table(case.parameters)),
        )
    ]
    if findings.untreated:
        sections.append(report_sections.untreated_section(*findings.untreated, findings))
    return sections


def _limits(results: Results) -> Section:
    return Section(
        "Findings, limits and generalisability",
        (
            Paragraph(
                "The findings stand in the summary and the results. They hold for patients, prices and practice like "
                "those of this case; another site should put in its own case mix, prices and volumes."
            ),
            Bullets(phrases.cautions(results)),
        ),
    )


def _annexes(case: Case) -> list[Section]:
    again = phrases.second_look_text(case.parameters, most=20)
    listed = report_sections.unconfirmed_tables(case.parameters)
    return [
        Section(
            "Annex A. Every input",
            (
                *([Paragraph(again, tone="caution")] if again else []),
                Paragraph(f"{phrases.status_sentence(case.parameters)} {case.parameters.left_out()}".strip()),
                blocks.inputs_table(case.parameters),
            ),
            landscape=True,
        ),
        Section("Annex B. From memory, invented or assumed", (Paragraph("Reasoning: Annex A."), *listed), new_page=True),
        Section("Annex C. Sources", (report_sections.sources_table(case.parameters),)),
        Section("Annex D. Confirm before submission", (report_sections.confirm_table(case.parameters),), new_page=True),
    ]


def cheers_table() -> Table:
    """Topics with the section that answers each."""
    return table(
        "Reporting topics and where they are answered",
        (("No.", 0.35, True), ("Topic", 2.2), ("Answered in", 3.2)),
        [(str(i), topic, answer) for i, (topic, answer) in enumerate(ANSWERS, start=1)],
        note=SOURCE,
    )
