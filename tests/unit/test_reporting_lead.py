"""A case whose lead is not ours, and whose last strategy is a drug: every output follows the one lead."""

from __future__ import annotations

import json

import pytest

from econmodel.model.structure import build_structure
from econmodel.parameters.loading import Case, load_case
from econmodel.reporting.charts.uncertainty import report_chart
from econmodel.reporting.papers.brief import brief_paper
from econmodel.reporting.papers.content import Paper, to_plain
from econmodel.reporting.papers.report import report_paper
from econmodel.reporting.tables.findings import Findings
from econmodel.uncertainty.deterministic import pairs_of
from econmodel.uncertainty.probabilistic import run_psa
from econmodel.workflow import Answer, evaluate_case, report_tables, vary_inputs

HOSPITAL = """title = "Quarry Vale Hospital (fictional)"
rationale = "No coil and glue here, a drug of its own, and coils proposed."

[strategy.coil_and_glue]
drop = true
reason = "Not done here."

[strategy.old_drug]
label = "Long-acting tablet"
starts_in = "protected"
hr_gastric = ["hr_beta_blocker"]
hr_other = ["hr_other_bleed_beta_blocker"]
effect_full_years = "n_effect_full_years_drug"
effect_none_years = "n_effect_none_years_drug"
r_stop = "r_stop"
r_stop_later = "r_stop_later"
r_stop_trial = "r_stop_trial"
drug = true
surveillance = { months = [1, 3], interval = 0, visit = "clinic_visit" }
reason = "Given here."

[override.current_mix]
reason = "Invented."
table = [{ strategy = "old_drug", share = 0.6 }, { strategy = "watch", share = 0.4 }]

[override.proposed_mix]
reason = "Invented."
table = [{ strategy = "coil", share = 0.8 }, { strategy = "old_drug", share = 0.2 }]
"""


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    path = tmp_path_factory.mktemp("hospital") / "quarry_vale.toml"
    path.write_text(HOSPITAL, encoding="utf-8")
    return load_case(path, sets=["draws=30", "horizon_years=8"])


@pytest.fixture(scope="module")
def found(case: Case) -> tuple[Answer, Findings]:
    answer, findings = evaluate_case(case)
    findings = vary_inputs(findings, run_psa(case.parameters, 30, seed=1))
    return answer, Findings(psa=findings.psa, programme=findings.programme, **report_tables(case))


def blocks_of(paper: Paper) -> list[str]:
    """Every heading, caption, paragraph and key number of a paper."""
    found: list[str] = []

    def walk(value: object) -> None:
        if isinstance(value, dict):
            found.extend(str(value[name]) for name in ("caption", "text", "label", "note") if value.get(name))
            for inner in value.values():
                walk(inner)
        elif isinstance(value, list):
            for inner in value:
                walk(inner)

    walk(to_plain(paper))
    return found


def test_one_lead_for_every_analysis(case: Case, found: tuple[Answer, Findings]) -> None:
    """Results, one-way and scenario analysis are about the strategy proposed, not ours, not the last course, not the last row."""
    answer, findings = found
    assert (answer.results.lead, answer.results.usual_care) == ("coil", "beta_blocker")
    assert list(answer.results.strategies)[-1] == "old_drug"
    assert pairs_of(case.parameters) == (("coil", "beta_blocker"), ("coil", "watch"))
    for analyses in (findings.one_way, findings.scenarios):
        assert [(found.strategy, found.versus) for found in analyses] == [("coil", "beta_blocker"), ("coil", "watch")]
    document = answer.results.to_json()
    assert (document["lead"], document["usual_care"]) == ("coil", "beta_blocker")


def test_every_caption_and_sentence_follows_the_lead(case: Case, found: tuple[Answer, Findings]) -> None:
    """No table, picture, sentence or key number of the brief or the report is about another strategy than the lead."""
    answer, findings = found
    results = answer.results
    report = report_paper(case, answer.evaluation, results, build_structure(), findings)
    with_programme = brief_paper(case, results, programme=findings.programme, psa=findings.psa)
    told = [text for paper in (brief_paper(case, results), with_programme, report) for text in blocks_of(paper)]
    subjects = {
        "Certainty of the evidence for": "EUS-guided coil:",
        "Year by year:": "EUS-guided coil (",
        "Cohort trace:": "EUS-guided coil,",
        "Scenarios:": "EUS-guided coil, against each comparator",
        "one input at a time": "EUS-guided coil against",
        "over five years: ": "EUS-guided coil over",
    }
    for start, subject in subjects.items():
        lines = [text for text in told if start in text and not text.startswith("Inputs are varied")]
        followed = [text for text in lines if subject in text]
        others = [text for text in lines if text not in followed]
        comparators = ("no prophylaxis", "non-selective beta-blocker")
        assert all(any(name in text.lower() for name in comparators) for text in others), (start, others)
        assert followed, start
    for other in ("Long-acting tablet", "retrograde transvenous obliteration"):
        assert not [text for text in told if any(start in text for start in subjects) and other in text], other
    assert any(text.startswith("EUS-guided coil; 95% interval") for text in told)
    for versus, name in (("beta_blocker", "non-selective beta-blocker"), ("watch", "no prophylaxis")):
        assert f"EUS-guided coil against {name}" in report_chart(f"one_way_{versus}", findings, results.labels).caption


def test_the_sentence_on_draws_is_the_leads(case: Case, found: tuple[Answer, Findings]) -> None:
    """Whether the draws suffice is told of the lead."""
    answer, findings = found
    said = findings.psa.convergence["watch"]["coil"].sentence
    others = {key: block.sentence for key, block in findings.psa.convergence["watch"].items() if key != "coil"}
    report = json.dumps(to_plain(report_paper(case, answer.evaluation, answer.results, build_structure(), findings)))
    assert said in report
    assert not [key for key, sentence in others.items() if sentence != said and sentence in report]
