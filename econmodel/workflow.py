"""One run of a case, for the command line and the dashboard alike: what is evaluated, in which order, and what is written.

The first process evaluates, varies the inputs and sets the papers; a second one takes what needs only the case (one input at a
time, scenarios, published results, workbook, form) and draws the figures. So each library is loaded in one of the two.
Importing this module loads none of them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.errors import EconModelError
from econmodel.records import record

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from econmodel.economics.evaluate import Evaluation
    from econmodel.economics.results import Results
    from econmodel.parameters.loading import Case
    from econmodel.parameters.trials import Trial
    from econmodel.programme.fetch import ToFetch
    from econmodel.programme.flips import FlipList
    from econmodel.programme.report import ProgrammeResult
    from econmodel.programme.switching import Switching
    from econmodel.reporting.budget_book.book import Labelled
    from econmodel.reporting.tables.findings import Findings
    from econmodel.uncertainty.by_structure import ByStructure
    from econmodel.uncertainty.held_certain import Held
    from econmodel.uncertainty.probabilistic import Psa
    from econmodel.uncertainty.research import Research
    from econmodel.uncertainty.surveillance import Protocols
    from econmodel.uncertainty.surveillance_worth import Worth
    from econmodel.uncertainty.within_route import WithinRoute

PAPERS = ("brief", "board", "report", "workbook", "budget", "form")
MOST_DRAWS_OF_PROTOCOLS = 500
DRAWS_OF_FORM = 1_000
POINTS_OF_MAPS = 5
SHEETS = ("workbook", "form")
BUDGET = "budget"
FORMATS = ("html", "pdf", "docx")


@record
class Answer:
    """A case with its evaluation and results."""

    case: Case
    evaluation: Evaluation
    results: Results

    @property
    def key(self) -> str:
        """Hash of the inputs."""
        return self.results.case.parameters_sha256


def answer(case: Case, evaluation: Evaluation | None = None) -> Answer:
    """Evaluate a case, or take the evaluation of its inputs that is there.

    Raises
    ------
    EconModelError
        The inputs cannot be resolved together.
    """
    from econmodel.economics.evaluate import evaluate
    from econmodel.economics.results import case_results

    found = evaluation or evaluate(case.parameters)
    return Answer(case, found, case_results(case, found, draws=int(case.parameters.number("draws"))))


def within_route(found: Answer) -> WithinRoute:
    """What the lead adds to the next strategy of its route."""
    from econmodel.uncertainty.within_route import compare_within_route

    return compare_within_route(found.evaluation, found.results)


def run_programme(case: Case, *, draws: int = 0, worse: bool = True, lifetime: Evaluation | None = None) -> ProgrammeResult:
    """Budget of the programme with its views, break-even, downside, chart data and the sentences they call for.

    Without draws it is quick, and leaves out what alone would turn the cash; without what could go ``worse``, and given the case
    evaluated over a ``lifetime``, quicker still.

    Raises
    ------
    EconModelError
        A programme input breaks a rule, or a mix names an option that was dropped.
    """
    from econmodel.programme.report import evaluate_programme

    return evaluate_programme(
        case.parameters,
        draws=draws,
        seed=int(case.parameters.number("seed")),
        turning=bool(draws) and worse,
        worse=worse,
        lifetime=lifetime,
    )


def turns_of(case: Case) -> Switching | None:
    """What alone would turn the sign of the programme's cash, the nearest first; None where nothing is proposed."""
    from econmodel.model.inputs import base_values
    from econmodel.programme.inputs import is_change, read_inputs
    from econmodel.programme.money_question import ask_money
    from econmodel.programme.switching import find_switching

    parameters = case.parameters
    return find_switching(ask_money(parameters)) if is_change(read_inputs(parameters, base_values(parameters))) else None


def run_together(
    case: Case, *, draws: int | None = None, sobol: bool = False, progress: Callable[[int, int], None] | None = None
) -> Psa:
    """Vary all inputs together, in the case's own number of draws where no other is given, from the case's seed."""
    from econmodel.uncertainty.probabilistic import run_psa

    wanted, seed = (int(case.parameters.number(name)) for name in ("draws", "seed"))
    return run_psa(case.parameters, wanted if draws is None else draws, seed=seed, sobol=sobol, progress=progress)


def run_structures(case: Case) -> ByStructure | None:
    """Value the lead under each choice of each weighted setting; None where none is weighted, or without draws or threshold."""
    from econmodel.parameters.structures import weighted
    from econmodel.uncertainty.by_structure import PAIRED, by_structure

    draws, seed = (int(case.parameters.number(name)) for name in ("draws", "seed"))
    valued = case.parameters.threshold is not None
    return (
        by_structure(case.parameters, seed=seed, draws=min(draws, PAIRED)) if valued and draws and weighted(case.parameters) else None
    )


def find_held(case: Case, structures: ByStructure | None = None) -> tuple[Held, ...]:
    """List what is held certain and yet decides; nothing without draws or threshold. Results by structure spare their draws."""
    from econmodel.uncertainty.by_structure import PAIRED
    from econmodel.uncertainty.held_certain import held_certain, spread_of

    draws = int(case.parameters.number("draws"))
    if not draws or case.parameters.threshold is None:
        return ()
    spread = structures.spread if structures else spread_of(run_together(case, draws=min(draws, PAIRED)))
    return held_certain(case.parameters, spread)


def evaluate_case(case: Case) -> tuple[Answer, Findings]:
    """Run what can find a fault in the inputs: the deterministic results, and the programme of patients who have not bled."""
    from econmodel.reporting.tables.findings import Findings

    found, draws = answer(case), int(case.parameters.number("draws"))
    if draws:
        from econmodel.uncertainty.probabilistic import warm_engine

        warm_engine(case.parameters, draws)
    programme = None if case.parameters.has_bled else run_programme(case, draws=draws)
    return found, Findings(programme=programme, within_route=within_route(found))


def vary_inputs(findings: Findings, psa: Psa) -> Findings:
    """Add the analysis of all inputs together to what was found."""
    from econmodel.uncertainty.risk import risk_of

    return replace(findings, psa=risk_of(psa))


def to_fetch(found: Answer, psa: Psa, programme: ProgrammeResult | None = None) -> ToFetch:
    """What to find out first: what holds the doubt and is neither local nor published; a budget over draws spares its own."""
    from econmodel.programme.fetch import first_to_fetch
    from econmodel.reporting.form.questions import SHEETS, questions

    asked = {a.question.name: SHEETS[sheet][0] for sheet, rows in questions(found.case.parameters).items() for a in rows}
    cash = programme.npv_by_draw if programme else None
    return first_to_fetch(psa, found.results.lead, found.results.usual_care, asked, cash)


def first_asked(case: Case, draws: int | None = None) -> tuple[str, ...]:
    """Inputs that the form asks first, in so many draws (None: few, at most the case's own); none without, or after a bleed."""
    wanted = min(DRAWS_OF_FORM, int(case.parameters.number("draws"))) if draws is None else draws
    if not wanted or case.parameters.has_bled:
        return ()
    found = to_fetch(answer(case), run_together(case, draws=wanted))
    return tuple(row.name for row in found.ask_here)


def flips_of(case: Case) -> FlipList:
    """What turns each decision, on the base values."""
    from econmodel.programme.flips import find_flips

    return find_flips(case.parameters)


def read_with_draws(flips: FlipList, psa: Psa | None) -> FlipList:
    """What turns each decision, read beside what the draws expect where there are draws."""
    from econmodel.programme.flips import beside_draws

    return beside_draws(flips, psa) if psa else flips


@record
class ResearchPlan:
    """A case with the studies to value on it, all checked: sizes and pair if asked, patients a year by scope, what does not fit."""

    case: Case
    trials: tuple[Trial, ...]
    sizes: tuple[int, ...]
    pair: tuple[str, ...]
    patients: dict[str, float]
    left_out: tuple[str, ...]


def plan_research(case: Case, names: Sequence[str] = (), sizes: Sequence[int] = (), pair: Sequence[str] = ()) -> ResearchPlan:
    """Read the studies named, or all that ship and fit the case, and the patients whom the choice concerns.

    Raises
    ------
    EconModelError
        A study named does not fit or is not there, sizes are not positive, or the pair is not two strategies.
    """
    from econmodel.model.inputs import base_values
    from econmodel.parameters.trials import check_sizes, find_trial, read_trial, shipped_trials
    from econmodel.programme.inputs import read_inputs
    from econmodel.uncertainty.research import check_pair
    from econmodel.uncertainty.trial_value import LOCAL, NATIONAL

    parameters, left_out, trials = case.parameters, [], []
    parameters.need_never_bled("what a study would be worth")
    parameters.need_threshold("what a study would be worth")
    check_pair(parameters, pair)
    for path in [find_trial(name) for name in names] or shipped_trials():
        try:
            trials.append(read_trial(path, parameters))
        except EconModelError as fault:
            if names:
                raise
            left_out.append(f"Left out, as it does not fit this case: {path.stem} ({(fault.faults or (fault,))[0].what}).")
    patients = {LOCAL: float(read_inputs(parameters, base_values(parameters)).eligible_per_year.mean())}
    if national := parameters.number("n_eligible_national"):
        patients[NATIONAL] = national
    return ResearchPlan(case, tuple(trials), check_sizes(sizes), tuple(pair), patients, tuple(left_out))


def run_research(plan: ResearchPlan, psa: Psa) -> Research:
    """Value on the draws of a case what could be found out."""
    from econmodel.uncertainty.research import find_research

    return find_research(psa, plan.trials, plan.patients, pair=plan.pair, sizes=plan.sizes, left_out=plan.left_out)


def research_of(case: Case, psa: Psa) -> Research | str:
    """What more evidence would be worth, or why it is not worked out, for the report; empty after a bleed or without a threshold."""
    if case.parameters.has_bled or case.parameters.threshold is None:
        return ""
    try:
        return run_research(plan_research(case), psa)
    except EconModelError as fault:
        return fault.what


def report_tables(case: Case) -> dict[str, Any]:
    """What the technical report sets beside the results: inputs one at a time, scenarios, protocols, cohorts, published results."""
    from econmodel.economics.validation import run_checks
    from econmodel.evidence.untreated import evidence_rows
    from econmodel.programme.by_risk import treat_by_risk
    from econmodel.reporting.tables.findings import analysis_of
    from econmodel.uncertainty.deterministic import ask, one_way, pairs_of
    from econmodel.uncertainty.scenarios import scenario_tables
    from econmodel.uncertainty.studies import shipped_results

    questions = [ask(case.parameters, *pair) for pair in pairs_of(case.parameters)]
    structures = run_structures(case)
    return _money_tables(case) | {
        "one_way": tuple(analysis_of(asked, one_way(asked)) for asked in questions),
        "scenarios": tuple(analysis_of(asked, rows) for asked, rows in zip(questions, scenario_tables(questions), strict=True)),
        "held": find_held(case, structures),
        "structures": structures,
        "surveillance": follow_up(case),
        "by_risk": None if case.parameters.has_bled else treat_by_risk(case.parameters),
        "untreated": evidence_rows(case.parameters),
        "checks": run_checks(),
        "studies": shipped_results(),
    }


def _money_tables(case: Case) -> dict[str, Any]:
    """Cash of the programme with inputs one and two at a time, and its money by scenario; nothing of a cohort that has bled."""
    from econmodel.programme.money_question import ask_money, money_pairs, money_scenarios
    from econmodel.programme.switching import may_move
    from econmodel.reporting.tables.findings import analysis_of
    from econmodel.uncertainty.deterministic import one_way
    from econmodel.uncertainty.two_way import two_way

    if case.parameters.has_bled:
        return {}
    question = ask_money(case.parameters)
    moved = [row for row in one_way(question) if may_move(question.needed(row.name))]
    return {
        "money_one_way": analysis_of(question, moved),
        "money_scenarios": tuple(money_scenarios(question)),
        "money_maps": tuple(two_way(question, *pair, POINTS_OF_MAPS) for pair in money_pairs(case.parameters)),
    }


def follow_up(case: Case, *, draws: int | None = None) -> tuple[Protocols, Worth | None] | str:
    """Follow-up protocols of the lead strategy compared, in at most the draws of the case; where they cannot be, why."""
    from econmodel.uncertainty.surveillance import compare_protocols, lay_protocols
    from econmodel.uncertainty.surveillance_worth import weigh_protocols

    wanted = int(case.parameters.number("draws")) if draws is None else draws
    try:
        plans = lay_protocols(case.parameters)
        found = compare_protocols(plans, case.title, draws=min(wanted, MOST_DRAWS_OF_PROTOCOLS))
        return found, weigh_protocols(plans, found)
    except EconModelError as fault:
        return fault.what


def sheet_path(case: Case, kind: str, out: Path | None = None) -> Path:
    """Where a workbook or the form of a case stands: in ``out``, else in ``reports/<name>/``."""
    return (out or Path("reports") / case.name) / f"{case.name}_{kind}.xlsx"


def choose_papers(case: Case, asked: Sequence[str], folder: Path) -> tuple[tuple[str, ...], str]:
    """Papers to write: those asked for, else all with draws and none without; and what is left out of all, and why.

    Raises
    ------
    EconModelError
        The workbook is asked for and cannot hold the groups of the case, or the form would replace one with answers.
    """
    wanted = tuple(asked) or (PAPERS if case.parameters.number("draws") else ())
    left_out = ""
    may_stay_out = (
        ("workbook", _workbook_size, "without the live workbook"),
        (BUDGET, _has_budget, "without the budget workbook"),
        ("form", _no_answers, "the form stays"),
    )
    for kind, check, words in may_stay_out:
        if kind not in wanted:
            continue
        try:
            check(case, folder)
        except EconModelError as fault:
            if asked:
                raise
            wanted = tuple(name for name in wanted if name != kind)
            left_out += f"; {words}: {fault.what}"
    return wanted, left_out


def _workbook_size(case: Case, _: Path) -> None:
    from econmodel.reporting.workbook.book import check_size

    check_size(case)


def _has_budget(case: Case, _: Path) -> None:
    from econmodel.reporting.budget_book.plan import check_held

    check_held(case.parameters)


def no_budget_workbook(case: Case) -> str:
    """Say why the budget workbook is left out; nothing where it can be made."""
    try:
        _has_budget(case, Path())
    except EconModelError as fault:
        return f"; without the budget workbook: {fault.what}"
    return ""


def _no_answers(case: Case, folder: Path) -> None:
    from econmodel.parameters.form_reading import check_unanswered

    check_unanswered(sheet_path(case, "form", folder))


def write_sheet(case: Case, path: Path, first: Sequence[str] = ()) -> Path:
    """Write the workbook or the form of a case, as the name of the file says; the form leads to what to find out first."""
    if path.stem.endswith("_form"):
        from econmodel.reporting.form import build_form

        return build_form(case, path, first)
    from econmodel.economics.evaluate import evaluate
    from econmodel.reporting.workbook import build_workbook

    return build_workbook(case, evaluate(case.parameters), path)


def write_budget(case: Case, programme: ProgrammeResult, path: Path, of_model: tuple[Labelled, ...] = ()) -> Path:
    """Write the budget workbook of a case, with figures that the brief has from the model of one patient."""
    from econmodel.reporting.budget_book import build_budget_book

    return build_budget_book(case, programme, path, of_model)


def write_files(
    found: Answer,
    findings: Findings,
    folder: Path,
    *,
    papers: Collection[str] = (),
    formats: Collection[str] = FORMATS,
    beside: Executor | None = None,
) -> list[Path]:
    """Write the results of a case, and its figures and papers as chosen.

    Parameters
    ----------
    found, findings
        The case's answer, and the results of the other analyses.
    folder
        Where the files go; made when missing.
    papers, formats
        Of :data:`PAPERS` and :data:`FORMATS`. Without papers there are no figures.
    beside
        Another process that takes its share; None does all of it here.
    """
    first = tuple(row.name for row in findings.fetch.ask_here) if findings.fetch else ()
    sheets = [partial(write_sheet, found.case, sheet_path(found.case, kind, folder), first) for kind in SHEETS if kind in papers]
    if BUDGET in papers and findings.programme:
        from econmodel.reporting.budget_book.first_page import model_figures

        figures = model_figures(found.case, found.results, findings.psa)
        sheets.append(partial(write_budget, found.case, findings.programme, sheet_path(found.case, BUDGET, folder), figures))
    texts = [name for name in papers if name not in (*SHEETS, BUDGET)]
    if not texts:
        from econmodel.reporting.tables.findings import write_results

        return write_results(found.case, found.results, findings, folder) + [sheet() for sheet in sheets]
    from econmodel.reporting.papers.build import build_reports

    return build_reports(
        found.case,
        found.evaluation,
        found.results,
        folder,
        findings=findings,
        papers=texts,
        formats=formats,
        more=sheets,
        beside=beside,
    )


@contextmanager
def second_process(*, needed: bool) -> Iterator[Executor | None]:
    """A second process for what needs only the case, so that both cores of a small machine work; None if not needed."""
    if not needed:
        yield None
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_end_with_parent) as pool:
        try:
            yield pool
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise


def _end_with_parent() -> None:
    """In the second process: end when the first one does, however it does."""
    import os
    from multiprocessing import parent_process
    from multiprocessing.connection import wait
    from threading import Thread

    parent = parent_process()
    if parent:
        Thread(target=lambda: (wait([parent.sentinel]), os._exit(1)), daemon=True).start()
