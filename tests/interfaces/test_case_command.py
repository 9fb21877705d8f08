"""The main job on every shipped scenario, and on local values a scenario cannot answer."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from econmodel.errors import AnalysisError, EconModelError, ModelError, ParameterError
from econmodel.interfaces.commands.case import case
from econmodel.interfaces.common import check_output, load
from econmodel.package import params_folder
from econmodel.parameters.documents import read_document
from econmodel.reporting.form import build_form
from econmodel.reporting.papers.brief import brief_paper
from econmodel.uncertainty.deterministic import ask, one_way, pairs_of
from econmodel.uncertainty.scenarios import scenario_files, scenario_table, under_scenario
from econmodel.workflow import choose_papers, evaluate_case, run_together, vary_inputs

RISING = ["hr_first_bleed_years_2_3=1.3", "hr_first_bleed_from_year_4=1.3"]
SCENARIOS = scenario_files()
OF_ONE_RISK = {
    "log_rate_mean",
    "log_rate_site",
    "p_first_bleed_year_1",
    "untreated_cohorts",
    "first_bleed_time",
}  # one follows another


def changed_by(path: Path) -> set[str]:
    """Inputs and strategies that a scenario sets, with those that follow from them."""
    data = read_document(path).data
    names = {*data.get("override", {}), *data.get("strategy", {})}
    return names | (OF_ONE_RISK if names & OF_ONE_RISK else set())


CHANGED = {path: changed_by(path) for path in SCENARIOS}


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_every_scenario_answers_every_analysis(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A scenario as the case itself: results, programme with its downside, draws, inputs one at a time, other scenarios.

    Two that change nothing in common are one case in either order (the next test), and are asked once.
    """
    monkeypatch.setattr("econmodel.programme.report.find_switching", lambda _: None)  # has a test of its own
    case = load(None, [path], draws=10, structure=["base"])
    found = vary_inputs(evaluate_case(case)[1], run_together(case))
    question = ask(case.parameters, *pairs_of(case.parameters)[0])
    assert found.psa.draws == 10
    assert len(found.programme.downside) == 27
    beside = [other for other in SCENARIOS if other >= path or CHANGED[other] & CHANGED[path]]
    rows = {row.key: row for row in scenario_table(question, beside)}
    assert set(rows) == {"base", *(p.stem for p in beside)}
    assert math.isfinite(rows["base"].cost)
    unanswered = {key for key, row in rows.items() if math.isnan(row.cost)}
    assert unanswered <= ({"frailty", "low_untreated_risk_2002"} if path.stem == "frailty" else {"frailty"})
    assert all("susceptibility cannot explain" in rows[key].rationale for key in unanswered)
    assert len(one_way(question)) > 40


def test_scenarios_that_change_nothing_in_common_are_one_case_in_either_order() -> None:
    """Each laid on the next but one, and the other way round; where both change one thing, the later holds."""
    base, found = load(None, draws=0).parameters, {path: read_document(path) for path in SCENARIOS}
    once = {path: under_scenario(base, document) for path, document in found.items()}
    apart = 0
    for one, other in zip(SCENARIOS, SCENARIOS[2:], strict=False):
        there, back = under_scenario(once[one], found[other]), under_scenario(once[other], found[one])
        same = (there.parameters, there.strategies) == (back.parameters, back.strategies)
        assert same or CHANGED[one] & CHANGED[other], (one.stem, other.stem)
        apart += not same
    assert 0 < apart < 10


def test_scenario_without_an_answer_stays_in_the_table() -> None:
    """Where the local rate rises, loss of the susceptible cannot explain it: the row says so, the case stands."""
    case = load(None, sets=RISING, draws=0)
    evaluate_case(case)
    rows = {row.key: row for row in scenario_table(ask(case.parameters, *pairs_of(case.parameters)[0]))}
    assert list(rows) == ["base", *(path.stem for path in SCENARIOS)]
    assert math.isnan(rows["frailty"].cost)
    assert "susceptibility cannot explain" in rows["frailty"].rationale
    assert math.isfinite(rows["base"].cost)
    with pytest.raises(ModelError, match="susceptibility"):
        evaluate_case(load(None, sets=[*RISING, "hazard_decline=frailty"], draws=0))


MIX = '[override.current_mix]\nreason = "ours"\ntable = [{ strategy = "watch", share = SHARE }, { strategy = "NAME", share = 0.3 }]\n'
HEADER = 'title = "St Elsewhere"\nrationale = "Our own"\n'


def hospital(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(HEADER + text, encoding="utf-8")
    return path


def test_fault_in_a_programme_table_names_file_and_line(tmp_path: Path) -> None:
    """Shares that do not sum to 1: the message says where the table stands."""
    text = MIX.replace("SHARE", "0.69").replace("NAME", "beta_blocker")
    with pytest.raises(ParameterError, match=r"shares sum to 0\.99.*\n.*mine\.toml, line 3"):
        evaluate_case(load(hospital(tmp_path, text), draws=0))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            MIX.replace("SHARE", "0.7").replace("NAME", "beta_bloker"),
            "current_mix names 'beta_bloker'.*\n.*line 3.*\n.*'beta_blocker'",
        ),
        ("[strategy.beta_blocker]\ndrop = true\n", r"_mix names 'beta_blocker'.*\n.*demo\.toml.*\n.*take its row out"),
    ],
)
def test_mix_of_a_strategy_the_case_lacks_is_refused(tmp_path: Path, change: str, said: str) -> None:
    """A name misspelt in a mix, or a strategy dropped but still in one: refused where the mix stands."""
    overrides = [hospital(tmp_path, change)]
    with pytest.raises(EconModelError, match=said):
        load(None, overrides, draws=0)


def test_what_deserves_a_second_look_is_said_before_use(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A filled form shows what it changes; a price 100 times ours is told on stderr, in the results and in the brief."""
    from openpyxl import load_workbook

    workbook = load_workbook(build_form(load(None, draws=0), tmp_path / "form.xlsx"))
    workbook["Procurement"]["F6"] = 24000
    workbook.save(tmp_path / "form.xlsx")
    case = load(None, [tmp_path / "form.xlsx"], draws=0)
    told = capsys.readouterr().err
    assert "Look again: c_coil = 24,000 USD/coil is 100 times ours" in told
    assert "1 answers, 1 differ" in told
    results = evaluate_case(case)[0].results
    assert "c_coil" in results.second_look[0]
    assert "Look again before use: c_coil" in str(brief_paper(case, results))
    load(None, [tmp_path / "form.xlsx"], draws=0, quiet=True)
    quiet = capsys.readouterr().err
    assert quiet.startswith("Look again: c_coil")
    assert "answers" not in quiet
    assert "Look again" not in str(brief_paper(load(None, draws=0), results))


def test_a_form_filled_in_where_it_was_written_stays(tmp_path: Path) -> None:
    """Loaded from the case's own folder it is used and kept; asked for again, it is refused."""
    from openpyxl import load_workbook

    path = tmp_path / "demo_form.xlsx"
    workbook = load_workbook(build_form(load(None, draws=0), path))
    workbook["Procurement"]["F6"] = 333
    workbook.save(path)
    case = load(None, [path], draws=10, structure=["base"])
    assert case.parameters.number("c_coil") == 333
    wanted, left_out = choose_papers(case, (), tmp_path)
    assert wanted == ("brief", "board", "report", "workbook", "budget")
    assert "the form stays" in left_out
    assert "holds answers" in left_out
    with pytest.raises(EconModelError, match="holds answers"):
        choose_papers(case, ("form",), tmp_path)
    assert choose_papers(case, (), tmp_path / "elsewhere") == (("brief", "board", "report", "workbook", "budget", "form"), "")


def test_nothing_read_is_overwritten(tmp_path: Path) -> None:
    """JSON over the hospital's file, the form over the filled one: refused before the work."""
    mine = hospital(tmp_path, "")
    for json, default in ((str(mine), tmp_path), (None, tmp_path)):
        with pytest.raises(AnalysisError, match="is read as an input and would be overwritten"):
            check_output(None, default, json, reads=(mine, None), writes=("a.csv", mine.name))
    assert check_output(None, tmp_path / "out", None, reads=(mine,), writes=(mine.name,)) == tmp_path / "out"


@pytest.mark.parametrize(
    ("line", "said"), [('baseline = "basecase"', "did you mean 'base_case'"), ('date = "24/11/2026"', "without quotes")]
)
def test_header_fields_are_checked(tmp_path: Path, line: str, said: str) -> None:
    """A baseline that is not there, or a date that is text, is refused with its line."""
    with pytest.raises(ParameterError, match=said) as fault:
        load(hospital(tmp_path, line + "\n"), draws=0)
    assert "mine.toml, line 3" in str(fault.value)


def test_six_overrides_and_a_long_title_fit_every_paper(tmp_path: Path) -> None:
    """A property of a DOCX holds 255 characters; the page itself says the whole."""
    from docx import Document

    names = (
        "coil_ratios_one",
        "effect_lifelong",
        "equal_procedure_mortality",
        "glue_trials_only",
        "high_risk_cell",
        "constant_hazard",
    )
    title = ("The hospital with the longest name of all " * 10)[:399] + "X"
    mine = tmp_path / "mine.toml"
    mine.write_text(HEADER.replace("St Elsewhere", title), encoding="utf-8")
    scenarios = [params_folder() / "scenarios" / f"{name}.toml" for name in names]
    chosen = {"papers": ("brief",), "formats": ("html", "pdf", "docx"), "json": None, "seed": None, "structure": ()}
    case.callback(mine, scenarios, (), draws=0, out=tmp_path / "out", quiet=True, **chosen)
    word = Document(str(tmp_path / "out" / "brief.docx"))
    assert 200 < len(word.core_properties.comments) <= 255
    assert title in " ".join(paragraph.text for paragraph in word.paragraphs[:4])
    assert title in (tmp_path / "out" / "brief.html").read_text(encoding="utf-8")
    footer = word.sections[0].footer.paragraphs[0].text
    assert len(footer) > 255
