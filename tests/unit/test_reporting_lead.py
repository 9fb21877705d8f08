"""A case whose lead is not ours, and whose last strategy is a drug: every output follows the one lead, and tells all of itself."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from functools import partial

import pytest
from matplotlib import rc_context
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from econmodel.model.structure import build_structure
from econmodel.parameters.loading import Case, load_case
from econmodel.reporting.charts.figures import Spec, case_figures, drawer, titled
from econmodel.reporting.charts.programme import programme_figures
from econmodel.reporting.charts.style import plot_settings
from econmodel.reporting.charts.uncertainty import plot_tornado, report_chart, report_figures
from econmodel.reporting.papers.analyses import psa_figures, sensitivity_document, sensitivity_figures
from econmodel.reporting.papers.brief import brief_paper
from econmodel.reporting.papers.content import Paper, to_plain
from econmodel.reporting.papers.report import report_paper
from econmodel.reporting.tables.findings import Findings
from econmodel.uncertainty.deterministic import ask, pairs_of
from econmodel.uncertainty.global_sensitivity import SobolRow
from econmodel.uncertainty.probabilistic import Psa, run_psa
from econmodel.uncertainty.two_way import default_pair, two_way
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
def draws(case: Case) -> Psa:
    return run_psa(case.parameters, 30, seed=1)


@pytest.fixture(scope="module")
def found(case: Case, draws: Psa) -> tuple[Answer, Findings]:
    answer, findings = evaluate_case(case)
    findings = vary_inputs(findings, draws)
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
        comparators = ("no prophylaxis", "non-selective beta-blocker", "the programme against today's mix")
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


RIVALS = (
    "non-selective beta-blocker",
    "no prophylaxis",
    "beta-blocker",
    "today's mix",
    "no surveillance",
    "EUS-guided glue",
    "endoscopy at",
    "EUS at",
)
AGAINST = re.compile("(against|versus|v\\.|better than) (each comparator|all others|" + "|".join(RIVALS) + ")", re.IGNORECASE)
COMPARES = re.compile(
    "NNT|net cost|extra cost|averted|gained|net benefit|net monetary|needed to treat|could go wrong|present value", re.IGNORECASE
)
TIME = re.compile(r"\d+ (years|months)|horizon|year", re.IGNORECASE)
MONEY = re.compile(r"[$\u00a3\u20ac]\s?\d")
PRICES = re.compile(r"USD,? (\d{4}|\d{4} prices)|nominal USD")
UNIT = re.compile(r"[$%]|\(|\bper\b|\ba year\b|years?|draws|bleeds|QALY|NNT|share|risk|patients|probability", re.IGNORECASE)


def pictures(case: Case, draws: Psa, answer: Answer, findings: Findings) -> dict[str, Spec]:
    """Every picture of papers and single analyses, by name."""
    pair, results, programme = pairs_of(case.parameters)[0], answer.results, findings.programme
    question = ask(case.parameters, *pair)
    varied = {
        "one_way": findings.one_way[0].rows,
        "scenarios": findings.scenarios[0].rows,
        "two_way": [two_way(question, *default_pair(case.parameters), 3)],
        "sobol": {"net cost": [SobolRow("hr_glue", "Glue", 0.3, 0.1, 0.4, 0.1)]},
    }
    own = sensitivity_figures(case.title, question, varied, sensitivity_document(question, varied))
    return {
        **case_figures(results, build_structure()),
        **programme_figures(programme, results.settings.currency, case.title),
        **report_figures(
            results, [{"strategy": k, "year": 1, "state": "post_bleed", "share": 0.2} for k in results.subjects], findings
        ),
        **{f"single_{name}": spec for name, spec in own.items()},
        **{f"draws_{name}": spec for name, spec in psa_figures(case.title, draws, findings.psa, pairs_of(case.parameters)).items()},
    }


def unsaid(spec: Spec, place: str) -> list[str]:
    """What a picture that stands alone does not tell of itself."""
    with rc_context(plot_settings()):
        figure = Figure(figsize=(spec.width, spec.height))
        canvas = FigureCanvasAgg(figure)
        spec.draw(figure)
        canvas.draw()
        words = [text.get_text() for text in figure.findobj(Text) if text.get_text().strip()]
        axes = [axis for ax in figure.findobj(lambda it: hasattr(it, "xaxis")) for axis in (ax.xaxis, ax.yaxis) if axis.get_visible()]
        bare = [axis for axis in axes if numbers(axis) and not UNIT.search(axis.get_label_text() + " ".join(words[:1]))]
    return lacks(" ".join(words).replace("\n", " "), place) + ["unit of an axis" for _ in bare]


def numbers(axis: object) -> bool:
    """Whether an axis counts in bare numbers."""
    ticks = [tick.get_text() for tick in axis.get_ticklabels() if tick.get_text()]  # type: ignore[attr-defined]
    return bool(ticks) and all(re.fullmatch(r"[\u2212-]?[\d.,]+", tick) for tick in ticks)


def lacks(told: str, place: str) -> list[str]:
    """What a text leaves out: the hospital, the time, the comparator where it compares, price year where it holds money."""
    return [
        *(["place"] if place not in told else []),
        *(["time"] if not TIME.search(told) else []),
        *(["comparator"] if COMPARES.search(told) and not AGAINST.search(told) else []),
        *(["price year"] if MONEY.search(told) and not PRICES.search(told) else []),
    ]


def heads(paper: Paper) -> Iterator[tuple[str, str, list[list[str]]]]:
    """Caption, all words around the cells, and the cells of each table of a paper."""

    def walk(value: object) -> Iterator[dict[str, object]]:
        if isinstance(value, dict):
            yield value
            value = list(value.values())
        if isinstance(value, list):
            for inner in value:
                yield from walk(inner)

    for block in walk(to_plain(paper)):
        if block.get("kind") == "Table":
            yield (
                block["caption"],
                " ".join([block["caption"], *(c["heading"] for c in block["columns"]), block["note"]]),
                block["rows"],
            )


def told_of(head: str, rows: list[list[str]]) -> list[str]:
    """What a table leaves out; the case's place stands on the paper, and a table that compares nothing may be of no time."""
    cells = " ".join(cell for row in rows for cell in row)
    if "Against 1 year" in head:  # a column of comparators
        head += f" against {rows[0][1]}"
    return [gap for gap in lacks(f"{head} {' '.join(MONEY.findall(cells)[:1])}", "") if gap != "time"]


def test_every_picture_tells_all(case: Case, draws: Psa, found: tuple[Answer, Findings]) -> None:
    """A picture pasted into a slide names hospital, time, comparator, currency and price year, and its axes have units."""
    shown = pictures(case, draws, *found)
    assert len(shown) >= 24
    assert {name: gaps for name, spec in shown.items() if (gaps := unsaid(spec, case.title))} == {}


def test_a_picture_that_says_too_little_is_seen(case: Case, found: tuple[Answer, Findings]) -> None:
    """Negative control: without its title; with a title that names no comparator; without the price year."""
    tornado = found[1].one_way[0]
    bare = Spec([], 3.9, drawer(partial(plot_tornado, tornado), 0.46, 0.12, 0.52, 0.83), 5.8)
    assert unsaid(bare, case.title) == ["place", "comparator", "price year"]
    assert "comparator" in unsaid(titled(bare, f"Net cost over five years, USD, 2024 prices. {case.title}"), case.title)
    assert unsaid(titled(bare, f"Net cost against no prophylaxis, 5 years. {case.title}"), case.title) == ["price year"]


def test_every_table_head_tells_all(case: Case, found: tuple[Answer, Findings]) -> None:
    """A table that compares names its comparator; one that holds money names currency and price year."""
    answer, findings = found
    report = report_paper(case, answer.evaluation, answer.results, build_structure(), findings)
    papers = (report, brief_paper(case, answer.results, programme=findings.programme, psa=findings.psa))
    tables = [one for paper in papers for one in heads(paper)]
    assert len(tables) >= 55
    assert {caption: gaps for caption, head, rows in tables if (gaps := told_of(head, rows))} == {}
    assert told_of("Net cost over five years (USD, 2024 prices)", [["$5"]]) == ["comparator"]
    assert told_of("Net cost against no prophylaxis", [["\u2212$5"]]) == ["price year"]
