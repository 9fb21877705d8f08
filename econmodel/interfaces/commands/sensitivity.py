"""``econmodel sensitivity``: tornado, two-way map, thresholds, scenarios, what turns the decision, and Sobol indices."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from econmodel.errors import AnalysisError
from econmodel.interfaces.common import check_output, common, console, load, staged, write_json
from econmodel.wording import nearest

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case
    from econmodel.uncertainty.deterministic import Asked

TOP_THRESHOLDS = 6
OUTCOMES_NAMED = (
    "cost, bleeds, nnt, nnt_all (every bleed), qalys or nmb of the strategy; or of the programme's money: npv_cash, "
    "npv_with_capacity, peak_cash, payback or net_contribution_year_3."
)


@click.command()
@common("file")
@click.option("--strategy", metavar="KEY", help="Strategy asked about; default the lead strategy.")
@click.option("--against", metavar="KEY", help="Comparator; default usual care, then no prophylaxis.")
@click.option("--outcome", default="cost", show_default=True, metavar="NAME", help=OUTCOMES_NAMED)
@click.option("--one-way", is_flag=True, help="Tornado.")
@click.option("--two-way", "pair", nargs=2, metavar="A B", help="Map of two inputs.")
@click.option("--threshold", "thresholds", multiple=True, metavar="NAME", help="Break-even of an input; repeatable.")
@click.option("--scenarios", is_flag=True, help="Every file of params/scenarios.")
@click.option("--flips", is_flag=True, help="What turns each decision of the lead strategy, alone and within its range.")
@click.option("--by-risk", is_flag=True, help="Untreated risk from which each strategy beats usual care, by patient group.")
@click.option("--sobol", is_flag=True, help="Sobol indices of net cost and bleeds averted.")
@common("override", "set", "out", "json", "quiet")
def sensitivity(
    file: Path | None,
    overrides: Sequence[Path],
    sets: Sequence[str],
    *,
    strategy: str | None,
    against: str | None,
    outcome: str,
    one_way: bool,
    pair: tuple[str, str] | None,
    thresholds: Sequence[str],
    scenarios: bool,
    flips: bool,
    by_risk: bool,
    sobol: bool,
    out: Path | None,
    json: str | None,
    quiet: bool,
) -> None:
    """Vary inputs one or two at a time, or by scenario."""
    from econmodel.reporting.papers.analyses import save_sensitivity, sensitivity_document

    case = load(file, overrides, sets, quiet=quiet)
    folder = check_output(out, Path("reports") / case.name / "sensitivity", json, reads=(file, *overrides))
    questions = _questions(case, outcome, strategy, against, sobol=sobol)
    for name in (*(pair or ()), *thresholds):
        questions[0].needed(name)
    of_the_lead = case.parameters.has_bled or strategy or against
    left_out = {"flips", "by_risk"} if of_the_lead else {"by_risk"} if is_money(outcome) else set()
    asked = {
        "one_way": one_way,
        "two_way": pair,
        "thresholds": thresholds,
        "scenarios": scenarios,
        "flips": flips,
        "by_risk": by_risk,
        "sobol": sobol,
    }
    wanted = {name for name, given in asked.items() if given} or asked.keys() - {"sobol"} - left_out
    found = [(question, analyse(question, wanted, pair=pair, thresholds=thresholds)) for question in questions]
    analyse_case(case, found, wanted)
    documents = [sensitivity_document(*one) for one in found]
    document = documents[0] | {"beside": documents[1:]}
    written: list[Path] = []
    if folder:
        with staged(folder, quiet=quiet) as stage:
            written = save_sensitivity(case.title, found, document, stage)
    if json:
        write_json(document, json)
    if json != "-":
        screen = console(quiet=quiet)
        for sentence in dict.fromkeys(sentence for one in documents for sentence in one["sentences"]):
            screen.print(f"- {sentence}", markup=False, highlight=False)
        files = ", ".join(sorted(path.name for path in written if path.suffix in (".svg", ".json")))
        also = ", pictures also as PNG with their data as CSV" if ".svg" in files else ""
        screen.print(f"{files} in {folder}{also}", markup=False, highlight=False)


def is_money(outcome: str) -> bool:
    """Whether an outcome is of the programme's money."""
    from econmodel.programme.money_question import MONEY_OUTCOMES

    return outcome in MONEY_OUTCOMES


def _questions(case: Case, outcome: str, strategy: str | None, against: str | None, *, sobol: bool) -> Sequence[Asked]:
    """Ask of each comparison, or of the programme's money, in which no strategy is compared."""
    from econmodel.programme.money_question import MONEY_OUTCOMES, ask_money
    from econmodel.uncertainty.deterministic import OUTCOMES, ask, pairs_of

    if outcome not in (*OUTCOMES, *MONEY_OUTCOMES):
        what = f"outcome {outcome!r}: must be one of {', '.join((*OUTCOMES, *MONEY_OUTCOMES))}"
        raise AnalysisError(what, where="--outcome", fix=nearest(outcome, (*OUTCOMES, *MONEY_OUTCOMES), "choose one of them"))
    if outcome not in MONEY_OUTCOMES:
        return [ask(case.parameters, *both, outcome) for both in pairs_of(case.parameters, strategy, against)]
    if strategy or against or sobol:
        what = f"--outcome {outcome} is of the whole programme: no strategy is compared, and no Sobol indices are worked out"
        raise AnalysisError(what, where="--strategy, --against, --sobol", fix="leave them out; the mixes of the case are proposed")
    return [ask_money(case.parameters, outcome)]


def analyse(question: Asked, wanted: Collection[str], *, pair: tuple[str, str] | None, thresholds: Sequence[str]) -> dict[str, Any]:
    """Run the analyses wanted of one comparison."""
    from econmodel.uncertainty import deterministic
    from econmodel.uncertainty.thresholds import thresholds as break_even_points
    from econmodel.uncertainty.two_way import two_way

    found: dict[str, Any] = {}
    if {"one_way", "sobol"} & set(wanted):
        found["one_way"] = deterministic.one_way(question)
    if "two_way" in wanted:
        found["two_way"] = [two_way(question, *both) for both in ([pair] if pair else _maps(question))]
    if "thresholds" in wanted:
        found["thresholds"] = break_even_points(question, thresholds or [row.name for row in found["one_way"][:TOP_THRESHOLDS]])
    if "sobol" in wanted and isinstance(question, deterministic.Question):
        from econmodel.uncertainty.global_sensitivity import both_outcomes

        found["sobol"] = both_outcomes(question, seed=int(question.parameters.number("seed")))
    return found


def _maps(question: Asked) -> Sequence[tuple[str, str]]:
    """Pairs of inputs that are mapped where none is named."""
    from econmodel.programme.money_question import MoneyQuestion, money_pairs
    from econmodel.uncertainty.two_way import by_source, default_pair

    p = question.parameters
    return [*(money_pairs(p) if isinstance(question, MoneyQuestion) else [default_pair(p)]), *by_source(p)]


def analyse_case(case: Case, found: Sequence[tuple[Asked, dict[str, Any]]], wanted: Collection[str]) -> None:
    """Add what is run once for all comparisons: scenarios, and, told with the first, what turns the decision and in whom."""
    from econmodel.programme.by_risk import treat_by_risk
    from econmodel.programme.money_question import MoneyQuestion, money_scenarios
    from econmodel.uncertainty.deterministic import Question
    from econmodel.uncertainty.scenarios import scenario_tables
    from econmodel.workflow import flips_of

    if "scenarios" in wanted:
        compared = [question for question, _ in found if isinstance(question, Question)]
        money = [question for question, _ in found if isinstance(question, MoneyQuestion)]
        tables = scenario_tables(compared) if compared else [money_scenarios(question) for question in money]
        for (_, of_one), rows in zip(found, tables, strict=True):
            of_one["scenarios"] = rows
    if "flips" in wanted:
        found[0][1]["flips"] = flips_of(case)
    if "by_risk" in wanted:
        found[0][1]["by_risk"] = treat_by_risk(case.parameters)
