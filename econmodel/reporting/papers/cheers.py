"""Where the technical report answers each reporting topic of CHEERS 2022, and what is left for the site to write."""

from __future__ import annotations

from econmodel.reporting.papers.content import Table, table

SOURCE = (
    "Topics in our words after Husereau D, et al. CHEERS 2022, doi:10.1186/s12916-021-02204-0; topics 1 to 16 "
    "read there, 17 to 28 from memory."
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


def cheers_table() -> Table:
    """Topics with the section that answers each."""
    return table(
        "Reporting topics and where they are answered",
        (("No.", 0.35, True), ("Topic", 2.2), ("Answered in", 3.2)),
        [(str(i), topic, answer) for i, (topic, answer) in enumerate(ANSWERS, start=1)],
        note=SOURCE,
    )
