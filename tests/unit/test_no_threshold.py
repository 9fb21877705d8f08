"""A case that names no threshold for a QALY: nothing shows a net benefit that does not exist, and all else remains."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from econmodel import workflow
from econmodel.economics.evaluate import evaluate
from econmodel.economics.lead import find_subjects
from econmodel.errors import EconModelError
from econmodel.interfaces import start
from econmodel.package import params_folder
from econmodel.parameters.loading import Case, load_case
from econmodel.parameters.price_list import read_price_list
from econmodel.parameters.structures import fix_structure
from econmodel.programme import flips
from econmodel.programme.by_risk import treat_by_risk
from econmodel.programme.fetch import first_to_fetch
from econmodel.reporting.papers.analyses import psa_figures
from econmodel.reporting.papers.brief import brief_paper
from econmodel.reporting.papers.phrases import NO_VALUE
from econmodel.reporting.papers.programme import standing
from econmodel.reporting.papers.report_sections import scenario_table as scenario_sheet
from econmodel.reporting.papers.report_sections import uncertainty_sections
from econmodel.reporting.tables.by_risk import by_risk_blocks
from econmodel.reporting.tables.fetch import fetch_tables
from econmodel.reporting.tables.findings import Findings, analysis_of
from econmodel.reporting.tables.results import comparison_table, settings_table
from econmodel.reporting.tables.surveillance import protocol_tables
from econmodel.uncertainty.by_structure import by_structure
from econmodel.uncertainty.deterministic import ask, pairs_of
from econmodel.uncertainty.probabilistic import Psa
from econmodel.uncertainty.risk import Risk, risk_of
from econmodel.uncertainty.scenarios import scenario_files, scenario_table
from econmodel.uncertainty.surveillance import compare_protocols, lay_protocols
from econmodel.uncertainty.surveillance_worth import weigh_protocols

NONE = "willingness_to_pay=none"
WORTH = re.compile(r"net (monetary )?benefit|best value|worth its price|threshold", re.IGNORECASE)


@pytest.fixture(scope="module")
def found() -> workflow.Answer:
    """The demo hospital without a threshold, its structure fixed."""
    case = load_case(None, (), [NONE, "horizon_years=10"])
    return workflow.answer(replace(case, parameters=fix_structure(case.parameters, ["base"])))


@pytest.fixture(scope="module")
def psa(found: workflow.Answer) -> Psa:
    """Thirty draws of it."""
    return workflow.run_together(found.case, draws=30)


@pytest.fixture(scope="module")
def risk(psa: Psa) -> Risk:
    """What they say."""
    return risk_of(psa)


def named(document: Any, name: str) -> Iterator[Any]:
    """Every value of a name within a document."""
    if isinstance(document, dict):
        for key, value in document.items():
            if key == name:
                yield value
            yield from named(value, name)


def test_documents_hold_null_for_what_is_not_there(found: workflow.Answer, risk: Risk) -> None:
    """Net benefits and what rests on them are null under their own keys; costs, QALYs and cost per QALY stay."""
    document, drawn = found.results.to_json(), risk.to_json()
    benefits = [*named(document, "net_monetary_benefit"), *named(drawn["comparisons"], "net_monetary_benefit")]
    assert len(benefits) > 20
    assert {*benefits, *named(drawn, "probability_net_benefit")} == {None}
    assert document["settings"]["willingness_to_pay"] is None
    assert [drawn[name] for name in ("probability_cost_effective", "acceptability", "stability")] == [None] * 3
    assert drawn["convergence"]["watch"]["coil_and_glue"]["outcomes"].keys().isdisjoint({"net benefit"})
    assert any(row["icer"] for row in document["frontier"])
    priced = workflow.answer(load_case(None, (), ["horizon_years=10"])).results.to_json()
    assert document["comparisons"]["watch"]["coil_and_glue"]["icer"] == priced["comparisons"]["watch"]["coil_and_glue"]["icer"]


def test_the_lead_goes_by_bleeds(found: workflow.Answer) -> None:
    """Where no mix says whom a case is about, it is the course with the fewest bleeds, and the next of its route likewise."""
    parameters = found.case.parameters
    no_mix = {name: p for name, p in parameters.parameters.items() if name not in ("current_mix", "proposed_mix")}
    parameters = replace(parameters, parameters=no_mix)
    e = evaluate(parameters, yearly=False, by_group=False)
    courses = [key for key, row in parameters.strategies.items() if row.starts_in == "in_course"]
    assert find_subjects(parameters).lead == min(courses, key=lambda key: float(e.bleeds()[0, e.index(key), 0]))


REFUSED: dict[str, Callable[[Case], object]] = {
    "net monetary benefit": lambda case: ask(case.parameters, "coil", "watch", "nmb"),
    "a study": lambda case: workflow.plan_research(case),
    "structure": lambda case: by_structure(case.parameters, seed=1, draws=3),
}


@pytest.mark.parametrize("what", REFUSED)
def test_what_needs_a_threshold_refuses_with_the_way_out(found: workflow.Answer, what: str) -> None:
    """One message: what, why, where it was set, and how to set a number."""
    with pytest.raises(EconModelError, match=f"{what}.* needs a threshold") as fault:
        REFUSED[what](found.case)
    assert fault.value.where == f"--set {NONE}"
    assert "--set willingness_to_pay=" in str(fault.value.fix)


def test_flips_ask_of_costs_and_cash_alone(found: workflow.Answer, psa: Psa) -> None:
    """No question of net benefit is asked, none is answered, and the draws are read without one."""
    parameters = found.case.parameters
    subjects = find_subjects(parameters)
    asker = flips.Asker(parameters, subjects, tuple(flips._decisions(parameters, subjects)))
    assert [d.key for d in asker.decisions] == [
        *(f"cost_{v}_{h}" for v in subjects.comparators for h in ("headline", "lifetime")),
        "cash",
    ]
    worth = asker.ask([{}, {"c_coil": 5.0}])
    now = asker.answers(worth)[0]
    assert np.isfinite(worth[:, : len(asker.decisions)]).all()
    against = found.results.comparisons["watch"][subjects.lead]
    assert now[-3] == int(against.headline.incremental_cost >= 0)
    now_said = {d.key: d.answers[a] for d, a in zip(asker.decisions, now, strict=True)}
    listed = flips.FlipList(subjects.lead, asker.decisions, now_said, (), 1)
    assert not any(WORTH.search(note) for note in flips.beside_draws(listed, psa).notes)


def test_what_to_fetch_goes_by_cash(found: workflow.Answer, psa: Psa) -> None:
    """Scores are shares of the variance of cash; the table has no column of net benefit."""
    cash = -psa.column("cost_headline", psa.keys.index(found.results.lead))
    few = replace(psa, inputs={name: psa.inputs[name] for name in list(psa.inputs)[::8]})
    fetch = first_to_fetch(few, found.results.lead, found.results.usual_care, {}, cash)
    assert fetch.only_research
    assert all(row.of_benefit is None and row.score == row.of_cash for row in fetch.only_research)
    assert not [column for block in fetch_tables(fetch) for column in block.columns if WORTH.search(column.heading)]


def test_papers_say_it_once(found: workflow.Answer, psa: Psa, risk: Risk) -> None:
    """The brief says once what is left out; no table, picture or sentence of the report tells a net benefit."""
    results, case = found.results, found.case
    brief = repr(brief_paper(case, results, psa=risk))
    assert brief.count(NO_VALUE) == 1
    asked = ask(case.parameters, *pairs_of(case.parameters)[0])
    rows = scenario_table(asked, scenario_files()[:1])
    assert {row.nmb for row in rows} == {None}
    findings = Findings(psa=risk, scenarios=(analysis_of(asked, rows),))
    blocks = [
        uncertainty_sections(results, findings),
        comparison_table(results, "watch"),
        scenario_sheet(results, findings.scenarios),
        [standing(results, risk, row.key) for row in results.frontier],
    ]
    assert not WORTH.findall(repr(blocks))
    assert ("Willingness to pay", "none set") in settings_table(results).rows
    assert "acceptability" not in psa_figures("Here", psa, risk, [(results.lead, "watch")])
    weighted = load_case(None, (), [NONE, "draws=3"])
    assert (workflow.run_structures(weighted), workflow.find_held(weighted)) == (None, ())
    assert workflow.within_route(found).net_benefit is None
    assert workflow.within_route(found).sentence


def test_protocols_and_risks_keep_what_is_no_net_benefit(found: workflow.Answer) -> None:
    """Follow-up is compared on cost and bleeds; whom to treat on life-years and cash."""
    plans = lay_protocols(found.case.parameters)
    compared = compare_protocols(plans, "Here", draws=3)
    assert weigh_protocols(plans, compared) is None
    assert {(row.net_benefit, row.best) for row in compared.rows} == {(None, None)}
    assert not WORTH.findall(repr(protocol_tables(compared)))
    by_risk = treat_by_risk(found.case.parameters)
    assert (by_risk.groups, by_risk.treat_all, by_risk.person_years) == ((), None, None)
    assert {turn.net_benefit for turn in by_risk.strategies} == {None}
    assert not WORTH.findall(repr(list(by_risk_blocks(found.case.parameters, by_risk))))


def test_a_price_list_and_a_start_may_say_none(tmp_path: Path) -> None:
    """A country's own list may lack a threshold, in words; so may the answers of a start, and a number follows again."""
    text = (params_folder() / "prices" / "GB.csv").read_text(encoding="utf-8")
    path = tmp_path / "own.csv"
    path.write_text(re.sub(r"(?m)^willingness_to_pay,30000,20000,35000,[^,]*,", "willingness_to_pay,none,,,,", text), encoding="utf-8")
    faults: list[EconModelError] = []
    assert read_price_list(path, "GBP", faults)["willingness_to_pay"].value == "none"
    assert not faults
    case, written = start.case_of({"country": "DE", "prices": str(path), "values": {"start_age": 61.0}}, "own", tmp_path)
    assert case.parameters.threshold is None
    case, written = start.case_of({"country": "IN", "values": {"willingness_to_pay": "none"}}, "site", tmp_path)
    assert case.parameters.threshold is None
    assert "price_year" not in written
    (tmp_path / "site.toml").write_text(written, encoding="utf-8")
    assert load_case(tmp_path / "site.toml", (), ["willingness_to_pay=100000"]).parameters.threshold == 100_000
    with pytest.raises(EconModelError, match="willingness_to_pay = 'nil'"):
        load_case(None, (), ["willingness_to_pay=nil"])
