"""Answers, programmes and analyses by the hash of the inputs: worked out once, shared by every page and session, only read."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import streamlit as st

from econmodel import workflow
from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.errors import EconModelError
from econmodel.programme.by_risk import treat_by_risk
from econmodel.programme.money_question import MoneyQuestion, money_scenarios
from econmodel.uncertainty.deterministic import Asked, Question, one_way
from econmodel.uncertainty.scenarios import scenario_table
from econmodel.uncertainty.surveillance import Plans, Protocols, compare_protocols, lay_protocols
from econmodel.uncertainty.surveillance_worth import Worth, weigh_protocols
from econmodel.uncertainty.two_way import two_way
from econmodel.workflow import Answer as Answer
from econmodel.workflow import run_programme, run_together, within_route

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case
    from econmodel.parameters.parameter_set import ParameterSet
    from econmodel.programme.by_risk import TreatByRisk
    from econmodel.programme.fetch import ToFetch
    from econmodel.programme.flips import FlipList
    from econmodel.programme.report import ProgrammeResult
    from econmodel.programme.switching import Switching
    from econmodel.reporting.charts.figures import Spec
    from econmodel.uncertainty.probabilistic import Psa
    from econmodel.uncertainty.research import Research
    from econmodel.uncertainty.risk import Risk
    from econmodel.uncertainty.within_route import WithinRoute

KEPT = 48
DRAWS = 500
Key = tuple[str, str, str]


def answer(case: Case) -> Answer:
    """Evaluate a case, or recall its answer.

    Raises
    ------
    EconModelError
        The inputs cannot be resolved together.
    """
    sha256 = case.parameters.sha256
    evaluation = _evaluation(sha256, case.parameters)
    told = (sha256, case.name, case.title, case.parameters.titles, case.is_demo)
    return _answer(told, case, evaluation)


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _evaluation(sha256: str, _parameters: ParameterSet) -> Evaluation:
    return evaluate(_parameters)


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _answer(key: tuple[object, ...], _case: Case, _evaluation: Evaluation) -> Answer:
    return workflow.answer(_case, _evaluation)


@st.cache_resource(max_entries=24, show_spinner="Working out the programme")
def programme_of(key: str, _found: Answer) -> ProgrammeResult:
    """Budget with its views, break-even, downside, chart data and the sentences they call for.

    Raises
    ------
    EconModelError
        A programme input breaks a rule, or a mix names an option that was dropped.
    """
    return run_programme(_found.case)


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _decided(key: str, _found: Answer) -> ProgrammeResult:
    return run_programme(_found.case, worse=False, lifetime=_found.evaluation)


def plan_of(found: Answer) -> ProgrammeResult | None:
    """Programme without what could go worse, with the draws it has been asked for; None where it cannot be worked out."""
    kept = _programme_drawn(found.key)
    try:
        return kept[0] if kept else _decided(found.key, found)
    except EconModelError:
        return None


def draw_programme(found: Answer) -> None:
    """Add the chance of a loss, the fan and luck to the programme."""
    kept = _programme_drawn(found.key)
    if not kept:
        kept.append(run_programme(found.case, draws=DRAWS, worse=False))


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _programme_drawn(key: str) -> list[ProgrammeResult]:
    return []


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def turns_of(key: str, _found: Answer) -> Switching | None:
    """What alone would turn the sign of the cash."""
    return workflow.turns_of(_found.case)


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def route_of(key: str, _found: Answer) -> WithinRoute:
    """What the lead adds to the next strategy of its route."""
    return within_route(_found)


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def followed_up(key: tuple[str, str], _found: Answer) -> tuple[Plans, Protocols]:
    """Follow-up protocols of one strategy, its own schedule among them and asked about.

    Raises
    ------
    EconModelError
        The strategy lacks what the course of a varix needs.
    """
    plans = lay_protocols(_found.case.parameters, key[1])
    return plans, compare_protocols(plans, _found.case.title)


@st.cache_resource(max_entries=24, show_spinner="Working out where it turns")
def worth_of(key: tuple[str, str], _plans: Plans, _followed: Protocols) -> Worth | None:
    """Up to which price and recurrence a schedule is worth it, and two maps; None without a threshold."""
    return weigh_protocols(_plans, _followed)


@st.cache_resource(max_entries=24, show_spinner="Varying one input at a time")
def tornado(key: Key, _question: Asked) -> dict[str, Any]:
    """Vary each input over its range."""
    return {"one_way": one_way(_question)}


@st.cache_resource(max_entries=24, show_spinner="Varying two inputs together")
def grid(key: Key, pair: tuple[str, str], _question: Asked) -> dict[str, Any]:
    """Vary two inputs together."""
    return {"two_way": [two_way(_question, *pair)]}


@st.cache_resource(max_entries=24, show_spinner="Trying other assumptions")
def scenarios(key: Key, _question: Question | MoneyQuestion) -> dict[str, Any]:
    """Evaluate every scenario that ships."""
    return {"scenarios": money_scenarios(_question) if isinstance(_question, MoneyQuestion) else scenario_table(_question)}


@st.cache_resource(max_entries=8, show_spinner="Looking for what turns it")
def flips(key: str, _found: Answer) -> FlipList:
    """What turns each decision."""
    return workflow.flips_of(_found.case)


@st.cache_resource(max_entries=8, show_spinner="Working out whom to treat")
def by_risk(key: str, _found: Answer) -> TreatByRisk:
    """Untreated risks from which each strategy is better than usual care."""
    return treat_by_risk(_found.case.parameters)


def together(key: str, draws: int, found: Answer, progress: Callable[[int, int], None]) -> tuple[Psa, Risk]:
    """Vary all inputs together (probabilistic analysis); gives the draws and their summary.

    Kept like the others, but worked out beside the store: what is shown inside a stored function would be shown again each time.
    """
    from econmodel.uncertainty.risk import risk_of

    kept = _drawn(key, draws)
    if not kept:
        psa = run_together(found.case, draws=draws, progress=progress)
        kept.append((psa, risk_of(psa)))
    return kept[0]


@st.cache_resource(max_entries=8, show_spinner=False)
def _drawn(key: str, draws: int) -> list[tuple[Psa, Risk]]:
    return []


@st.cache_resource(max_entries=8, show_spinner="Weighing what could be found out")
def research(key: str, draws: int, _found: Answer) -> tuple[ToFetch, Research | None]:
    """What to find out first, and the value of information and of the studies proposed (None without a threshold), on some draws.

    Raises
    ------
    EconModelError
        The cohort has bled, or a programme input breaks a rule.
    """
    plan = None if _found.case.parameters.threshold is None else workflow.plan_research(_found.case)
    psa = run_together(_found.case, draws=draws)
    return workflow.to_fetch(_found, psa), workflow.run_research(plan, psa) if plan else None


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def asked_first(key: str, _found: Answer) -> tuple[str, ...]:
    """What the form asks first."""
    return workflow.first_asked(_found.case)


def figures_of(found: Answer, question: Asked, results: dict[str, Any]) -> dict[str, Spec]:
    """List the figures of deterministic analyses."""
    from econmodel.reporting.papers.analyses import sensitivity_document, sensitivity_figures

    return sensitivity_figures(found.case.title, question, results, sensitivity_document(question, results))


def figures_together(found: Answer, psa: Psa, risk: Risk, key: str, versus: str) -> dict[str, Spec]:
    """List the figures of the analysis with all inputs varied together."""
    from econmodel.reporting.papers.analyses import psa_figures

    return psa_figures(found.case.title, psa, risk, [(key, versus)])
