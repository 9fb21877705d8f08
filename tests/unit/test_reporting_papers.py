"""Papers: what they must say, escaping, nothing loaded from elsewhere, three renderings of one content."""

from __future__ import annotations

import io
import json
import re
import zipfile
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import docx
import pytest

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.economics.results import Results, case_results
from econmodel.errors import AnalysisError
from econmodel.model.structure import build_structure
from econmodel.parameters.loading import Case, demo_file, load_case
from econmodel.reporting.charts.figures import case_figures, save_all
from econmodel.reporting.papers.brief import brief_paper
from econmodel.reporting.papers.build import build_reports
from econmodel.reporting.papers.content import Paper, Paragraph, Section, Table, table, to_plain
from econmodel.reporting.papers.render_docx import render_docx
from econmodel.reporting.papers.render_html import inline_svg, render_html
from econmodel.reporting.papers.render_pdf import render_pdf
from econmodel.reporting.papers.report import ANSWERS, report_paper
from econmodel.reporting.tables.findings import Findings

NASTY = '<script>alert(1)</script> #import "x" $x$ *b* _i_ \\ "quoted" & =1+1 \x0b{{ 7*7 }}'


@pytest.fixture(scope="module")
def case() -> Case:
    return load_case(demo_file())


@pytest.fixture(scope="module")
def evaluation(case: Case) -> Evaluation:
    return evaluate(case.parameters)


@pytest.fixture(scope="module")
def results(case: Case, evaluation: Evaluation) -> Results:
    return case_results(case, evaluation)


@pytest.fixture(scope="module")
def folder(case: Case, evaluation: Evaluation, results: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("reports")
    build_reports(case, evaluation, results, where)
    return where


class Loads(HTMLParser):
    """Collect everything a browser would fetch, and all text."""

    def __init__(self) -> None:
        super().__init__()
        self.loads: list[str] = []
        self.tags: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note the element and what it refers to."""
        self.tags.append(tag)
        self.loads += [
            value or "" for name, value in attrs if name in ("src", "href", "xlink:href", "data", "srcset", "action", "poster")
        ]

    def handle_data(self, data: str) -> None:
        """Gather text."""
        self.text += data


def read_html(text: str) -> Loads:
    found = Loads()
    found.feed(text)
    return found


def words(value: object) -> str:
    return json.dumps(value, ensure_ascii=False)


def test_reports_of_a_case(folder: Path) -> None:
    """Results, provenance, five figures and the brief are written, with nothing left over."""
    names = {p.name for p in folder.iterdir()}
    assert names == {"results.json", "results.csv", "provenance.csv", "brief.html", "figures"}
    assert len(list((folder / "figures").iterdir())) == 15


def test_html_loads_nothing_from_elsewhere(folder: Path) -> None:
    """Every reference in the brief points inside it; no style sheet imports anything."""
    text = (folder / "brief.html").read_text(encoding="utf-8")
    found = read_html(text)
    assert [load for load in found.loads if not load.startswith("#")] == []
    assert not {"script", "link", "iframe", "img"} & set(found.tags)
    assert "@import" not in text
    assert not re.search(r"url\((?!#)", text)


def test_inner_references_have_targets(folder: Path) -> None:
    """Figures set into one page do not share identifiers."""
    text = (folder / "brief.html").read_text(encoding="utf-8")
    ids = re.findall(r'\bid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]+)"', text)) <= set(ids)


def test_brief_says_what_it_must(folder: Path, case: Case, results: Results) -> None:
    """Answer first, invented data, certainty, harms, guideline, off-label use, caution, hash."""
    text = " ".join(read_html((folder / "brief.html").read_text(encoding="utf-8")).text.split())
    assert text.index("The answer") < text.index("Benefits, costs and harms")
    for said in (
        "Invented data.",
        case.title,
        "very low",
        "Not advice for a patient",
        "off label",
        "ESGE 2022",
        "No guideline read makes an endoscopic option standard",
        results.case.parameters_sha256[:16],
        str(results.case.seed),
        "assumed",
        "from memory",
    ):
        assert said in text, said
    assert "recommended care" not in text


def test_every_input_is_in_the_brief_on_screen(case: Case, results: Results) -> None:
    """The inputs table has one row per input."""
    paper = brief_paper(case, results, with_inputs=True)
    found = [block for section in paper.sections for block in section.blocks if isinstance(block, Table) and block.small]
    assert len(found[0].rows) == len(case.parameters.parameters)


def test_real_data_have_no_banner(case: Case, results: Results) -> None:
    """The warning of invented data is only there when data are invented."""
    known = {n: replace(p, status="local") if p.status == "demo" else p for n, p in case.parameters.parameters.items()}
    real = replace(case, parameters=replace(case.parameters, parameters=known))
    assert brief_paper(real, results).banner == ""
    assert brief_paper(case, results).banner.startswith("Invented data.")


def nasty_paper() -> Paper:
    return Paper(
        NASTY,
        NASTY,
        (
            Section(
                NASTY, (Paragraph(NASTY, NASTY), Paragraph(NASTY, tone="caution"), table(NASTY, [(NASTY, 1.0)], [[NASTY]], note=NASTY))
            ),
        ),
        NASTY,
        NASTY,
    )


def test_user_text_is_escaped_in_html(tmp_path: Path) -> None:
    """Markup in a title is shown, not run."""
    found = read_html(render_html(nasty_paper(), tmp_path))
    assert "script" not in found.tags
    assert "<script>alert(1)</script>" in found.text
    assert "{{ 7*7 }}" in found.text


def test_user_text_is_text_in_pdf(tmp_path: Path) -> None:
    """Typesetting commands in a title are set as text: nothing is imported and the paper is made."""
    assert render_pdf(nasty_paper(), tmp_path).startswith(b"%PDF")


def test_user_text_is_text_in_docx(tmp_path: Path) -> None:
    """Markup in a title arrives as text; control characters are dropped."""
    word = docx.Document(io.BytesIO(render_docx(nasty_paper(), tmp_path)))
    shown = NASTY.replace("\x0b", "")
    assert word.paragraphs[1].text == shown
    assert word.tables[0].cell(1, 0).text == shown


def test_alternative_text_is_escaped() -> None:
    """Alternative text of a figure cannot break out of its element."""
    made = inline_svg('<?xml?><svg width="1" viewBox="0 0 1 1" version="1.1"><g id="a"/></svg>', "fig", "<b>")
    assert "<title>&lt;b&gt;</title>" in made
    assert 'id="fig-a"' in made


def test_hospital_title_reaches_no_markup(case: Case, evaluation: Evaluation, results: Results, folder: Path) -> None:
    """A hospital's title is escaped on its way through the whole brief."""
    named = replace(case, title="<img src=x onerror=alert(1)>")
    found = read_html(render_html(brief_paper(named, results), folder / "figures"))
    assert "img" not in found.tags


def test_docx_has_headings_tables_and_alternative_text(case: Case, results: Results, folder: Path) -> None:
    """Real heading styles, tables with repeated headings, pictures described."""
    made = render_docx(brief_paper(case, results), folder / "figures")
    word = docx.Document(io.BytesIO(made))
    assert next(p.text for p in word.paragraphs if p.style.name == "Heading 1") == "The answer"
    assert len(word.tables) >= 3
    xml = zipfile.ZipFile(io.BytesIO(made)).read("word/document.xml").decode()
    assert xml.count("<w:tblHeader/>") >= 2
    assert len(re.findall(r'<wp:docPr [^>]*descr="[^"]{20,}"', xml)) == 4


def test_same_content_same_bytes(case: Case, results: Results, folder: Path) -> None:
    """DOCX and PDF hold no clock but the run's, so that within a run a paper differs only where a result does."""
    paper = brief_paper(case, results)
    for render in (render_docx, render_pdf):
        assert render(paper, folder / "figures") == render(paper, folder / "figures")


def test_three_renderings_hold_one_content(case: Case, results: Results, folder: Path) -> None:
    """Every heading of the content is in the HTML and the DOCX."""
    paper = brief_paper(case, results)
    text = read_html(render_html(paper, folder / "figures")).text
    word = docx.Document(io.BytesIO(render_docx(paper, folder / "figures")))
    headings = {p.text for p in word.paragraphs}
    for section in paper.sections:
        assert section.heading in text
        assert section.heading in headings


def test_technical_report_answers_the_checklist(case: Case, evaluation: Evaluation, results: Results) -> None:
    """Every section the checklist points to exists; what was not run is said."""
    paper = report_paper(case, evaluation, results, build_structure(), Findings())
    headings = [section.heading for section in paper.sections]
    for topic, answer in ANSWERS:
        if not answer.startswith(("not applicable", "to be written", "title page")):
            for part in re.sub(r" \(.*?\)", "", answer).split("; "):
                assert any(heading.startswith(part) for heading in headings), (topic, part)
    assert len(ANSWERS) == 28
    assert "Not run for this report: all inputs varied together, one input at a time, scenarios." in words(to_plain(paper))


def test_technical_report_lists_every_unconfirmed_input(case: Case, evaluation: Evaluation, results: Results) -> None:
    """Annex B names each input that is invented, from memory or assumed."""
    paper = report_paper(case, evaluation, results, build_structure(), Findings())
    annex = next(s for s in paper.sections if s.heading.startswith("Annex B"))
    listed = {row[1] for block in annex.blocks if isinstance(block, Table) for row in block.rows}
    assert listed == {n for n, p in case.parameters.parameters.items() if p.status in ("demo", "from memory", "assumption")}


def test_unknown_paper_or_format_is_refused_before_anything_is_written(
    case: Case, evaluation: Evaluation, results: Results, tmp_path: Path
) -> None:
    """A wrong choice is one message, and the folder stays empty."""
    with pytest.raises(AnalysisError, match=r"'odt'.*html, pdf, docx"):
        build_reports(case, evaluation, results, tmp_path, formats=("odt",))
    with pytest.raises(AnalysisError, match="'poster'"):
        build_reports(case, evaluation, results, tmp_path, papers=("poster",))
    assert list(tmp_path.iterdir()) == []


def test_a_case_without_the_usual_comparators_still_reports(case: Case, tmp_path: Path) -> None:
    """Reports do not depend on which strategies a site keeps."""
    rows = {k: v for k, v in case.parameters.strategies.items() if k in ("watch", "glue")}
    small = replace(case, parameters=replace(case.parameters, strategies=rows))
    found = evaluate(small.parameters)
    results = case_results(small, found)
    save_all(case_figures(results, build_structure()), tmp_path / "figures")
    text = read_html(render_html(brief_paper(small, results), tmp_path / "figures")).text
    assert "Direct endoscopic glue" in text
