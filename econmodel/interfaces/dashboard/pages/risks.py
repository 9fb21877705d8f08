"""Page 5, What could go wrong: the programme's downside, one input at a time, two, all together; of care or of money."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.interfaces.dashboard import blocks, pictures
from econmodel.interfaces.dashboard.state import answers, session
from econmodel.interfaces.dashboard.state.answers import Answer
from econmodel.programme.money_question import MONEY_OUTCOMES, MoneyQuestion, ask_money, money_pairs
from econmodel.programme.report import ProgrammeResult
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.uncertainty import axis_label
from econmodel.reporting.papers.analyses import sentences
from econmodel.reporting.papers.content import Table, table
from econmodel.reporting.papers.phrases import lower
from econmodel.reporting.papers.report_sections import money_scenario_table
from econmodel.reporting.tables.flips import flip_blocks
from econmodel.reporting.tables.structure import expected_table
from econmodel.uncertainty.deterministic import NET_BENEFIT, OUTCOMES, Asked, Question, ask, pairs_of
from econmodel.uncertainty.two_way import default_pair
from econmodel.wording import duration

if TYPE_CHECKING:
    from econmodel.uncertainty.probabilistic import Psa
    from econmodel.uncertainty.risk import Risk
    from econmodel.uncertainty.scenarios import ScenarioRow

DRAWS = (500, 1000, 2000, 5000, 10_000)
USUAL = 2000


def show(found: Answer) -> None:
    """Show the page."""
    blocks.sections(
        "risks_part",
        {
            "If the programme goes worse than planned": lambda: _worse(found, _overlooked),
            "One thing worse at a time": lambda: _worse(found, _downside),
            "How sure is the answer?": lambda: show_uncertainty(found),
        },
    )


def _worse(found: Answer, show_part: Callable[[Answer, ProgrammeResult], None]) -> None:
    try:
        show_part(found, answers.programme_of(found.key, found))
    except EconModelError as fault:
        session.refuse(fault)
        blocks.alert(session.take_refusal())


def _overlooked(found: Answer, plan: ProgrammeResult) -> None:
    blocks.points(plan.sentences, "note")
    pictures.of_programme(found, plan, "programme_downside")


def _downside(found: Answer, plan: ProgrammeResult) -> None:
    currency = found.results.settings.currency
    rows = [
        (
            row.said,
            f.money(row.npv_cash, currency),
            f.money_change(row.npv_cash_change, currency),
            row.payback_text,
            f.money(row.peak_cash, currency),
            f.number(row.patients_per_year, 1),
            f.number(row.bleeds_averted, 1),
        )
        for row in plan.downside
    ]
    columns = blocks.across(
        "What happens", ("Value today in cash (NPV)", "Change", "Pays back", "Lowest cash", "Patients a year", "Bleeds averted"), 5.0
    )
    blocks.table(table("One thing worse at a time, and the three worst together", columns, rows, small=True))


def show_uncertainty(found: Answer) -> None:
    """Show the sections."""
    compared, question = _ask(found)
    key = (found.key, question.subject, question.outcome)
    blocks.sections(
        "sure_part",
        {
            "One input": lambda: _one_way(found, question, key),
            "Two inputs": lambda: _two_way(found, question, key),
            "Other assumptions": lambda: blocks.on_demand(
                "scenarios", "Try every other assumption", key, _scenarios, found, question, key
            ),
            "What would reverse it": lambda: _flips(found),
            "All inputs together": lambda: _together(found, compared),
        },
    )


def _ask(found: Answer) -> tuple[Question, Question | MoneyQuestion]:
    """Ask who is compared, and what is looked at: of the comparison, or of the programme's money, where there is one."""
    names, parameters = found.results.labels, found.case.parameters
    first, second, third = st.columns(3)
    money = ask_money(parameters) if answers.plan_of(found) else None
    known = {name: replace(money, outcome=name) for name in MONEY_OUTCOMES} if money else {}
    years = duration(found.results.settings.headline_years)
    valued = [name for name in OUTCOMES if name != NET_BENEFIT or parameters.threshold is not None]
    said = {name: OUTCOMES[name].format(time=years) for name in valued} | {name: asked.label for name, asked in known.items()}
    outcome = third.selectbox("What is looked at", list(said), key="ask_outcome", format_func=said.__getitem__)
    options = list(names)
    lead, beside = pairs_of(parameters, evaluation=found.evaluation)[0]
    strategy = first.selectbox(
        "Option", options, options.index(lead), format_func=names.__getitem__, key="ask_strategy", disabled=outcome in known
    )
    others = [key for key in options if key != strategy]
    wanted = others.index(beside) if beside in others else 0
    versus = second.selectbox(
        "Compared with", others, wanted, format_func=names.__getitem__, key="ask_versus", disabled=outcome in known
    )
    if outcome not in known:
        question = ask(parameters, strategy, versus, outcome)
        return question, question
    blocks.note("The money is of the whole programme, proposed mix less today's: no two options are compared.")
    return ask(parameters, strategy, versus), known[outcome]


def _show(found: Answer, question: Asked, results: dict[str, Any], kept: tuple[object, ...], name: str, words: str, alt: str) -> None:
    """Show the picture of an analysis; in words where there is none, as of a payback that is never reached."""
    specs = answers.figures_of(found, question, results)
    if name in specs:
        pictures.show(pictures.draw(kept, specs[name]), f"{words}. {question.subject}: {lower(axis_label(question))}", alt)
    else:
        blocks.points(sentences(question, results))


def _one_way(found: Answer, question: Asked, key: answers.Key) -> None:
    words = "One input at a time, over its declared range (one-way analysis)"
    alt = "Bars of the outcome at the low and the high value of each input, widest first."
    _show(found, question, answers.tornado(key, question), (key, "tornado"), f"tornado_{question.outcome}", words, alt)


def _two_way(found: Answer, question: Asked, key: answers.Key) -> None:
    """Vary any two inputs together; first those that a reader of this outcome asks for."""
    ranged = {p.name: p.label for p in question.varying()}
    about = "money" if isinstance(question, MoneyQuestion) else "care"
    wanted = money_pairs(question.parameters)[0] if about == "money" else default_pair(question.parameters)
    left, right = st.columns(2)
    x = left.selectbox("Across", list(ranged), list(ranged).index(wanted[0]), format_func=ranged.__getitem__, key=f"{about}_x")
    rest = [name for name in ranged if name != x]
    y = right.selectbox(
        "Upwards", rest, rest.index(wanted[1]) if wanted[1] in rest else 0, format_func=ranged.__getitem__, key=f"{about}_y"
    )
    alt = f"Map of the outcome over {lower(ranged[x])} and {lower(ranged[y])}, with the line where it is zero."
    results = answers.grid(key, (x, y), question)
    words = "Two inputs varied together (two-way analysis)"
    _show(found, question, results, (key, x, y), f"two_way_{question.outcome}", words, alt)


def _scenarios(found: Answer, question: Question | MoneyQuestion, key: answers.Key) -> None:
    rows = answers.scenarios(key, question)["scenarios"]
    if isinstance(question, Question):
        blocks.table(_compared(found, question, rows))
    else:
        blocks.flow(money_scenario_table(found.results, rows))


def _compared(found: Answer, question: Question, found_rows: Sequence[ScenarioRow]) -> Table:
    settings, years = found.results.settings, found.results.settings.headline_years
    rows = [
        (r.title, f.money_change(r.cost, settings.currency), f.number(r.bleeds, 1), f.signed_nnt(r.nnt), f.number(r.qalys, 2))
        for r in found_rows
    ]
    columns = blocks.across(
        "Assumption",
        (
            f"Net cost, {f.duration(years)}",
            f"Bleeds averted per 100, {f.duration(years)}",
            f"NNT, {f.duration(years)}",
            "QALYs gained, time horizon",
        ),
    )
    names = found.results.labels
    title = f"{names[question.strategy]} against {lower(names[question.versus])} (scenario analysis)"
    return table(title, columns, rows, note=f.price_note(settings))


def _flips(found: Answer) -> None:
    blocks.note("Every input, choice and scenario that by itself, within its range, turns an answer about the lead option.")
    blocks.on_demand("flips", "Look for what turns it", (found.key,), _turned, found)


def _turned(found: Answer) -> None:
    blocks.flow(flip_blocks(answers.flips(found.key, found)))


def _together(found: Answer, question: Question) -> None:
    blocks.note("Every uncertain input is drawn at once from its distribution (probabilistic sensitivity analysis, PSA).")
    st.session_state.setdefault("psa_draws", USUAL)
    draws = st.select_slider("Draws", DRAWS, key="psa_draws", format_func=f.number)
    asked = (found.key, draws, question.strategy, question.versus)
    blocks.on_demand("together", "Vary all inputs together", asked, _drawn, found, question, draws)


def _drawn(found: Answer, question: Question, draws: int) -> None:
    psa, risk = _draw(found, draws)
    versus = question.versus if question.versus in risk.comparisons else risk.comparator
    for one in dict.fromkeys((versus, *risk.comparisons)):
        _say_together(found, risk, one, question.strategy)
    if question.strategy != versus:
        blocks.table(expected_table(found.results, risk, question.strategy))
        whole = f"{duration(found.results.settings.horizon_years)}, {f.price_note(found.results.settings)}"
        specs = answers.figures_together(found, psa, risk, question.strategy, versus)
        pictures.show(
            pictures.draw((found.key, draws, question.strategy, versus, "plane"), specs[f"plane_of_draws_v_{versus}"]),
            f"Each draw: extra cost and QALYs gained (cost-effectiveness plane). {question.subject}, {whole}",
            "Cloud of draws, extra cost against QALYs gained, with the threshold where there is one.",
        )
        if "acceptability" not in specs:
            return
        pictures.show(
            pictures.draw((found.key, draws, "acceptability"), specs["acceptability"]),
            f"Probability that each option is the best value, against all others (acceptability curves), {whole}",
            "Curves of the probability of highest net benefit by willingness to pay, one per option.",
        )


def _draw(found: Answer, draws: int) -> tuple[Psa, Risk]:
    place = st.empty()

    def progress(done: int, wanted: int) -> None:
        place.progress(done / wanted, f"{done:,} of {wanted:,} draws")

    drawn = answers.together(found.key, draws, found, progress)
    place.empty()
    return drawn


def _say_together(found: Answer, risk: Risk, versus: str, strategy: str) -> None:
    names, settings, best = found.results.labels, found.results.settings, risk.probability_cost_effective
    rows = []
    for key, drawn in risk.comparisons[versus].items():
        cost, harm = drawn.headline_cost, risk.outcomes["deaths_procedure"][key]
        mean, low, high = (f.money_change(value, settings.currency) for value in (cost.mean, cost.low, cost.high))
        rows.append(
            (
                names[key],
                f"{mean} ({low} to {high})",
                drawn.shown_nnt.interval_text or "",
                f.percent(drawn.headline_probability_saving),
                *([f.percent(best[key])] if best else []),
                f"{f.per(harm.mean, 1000)} ({f.per(harm.low, 1000)} to {f.per(harm.high, 1000)})",
            )
        )
    columns: list[tuple[str, float] | tuple[str, float, bool]] = [
        ("Option", 1.6),
        (f"Net cost, {f.duration(settings.headline_years)} ({f.price_note(settings)})", 1.8),
        ("NNT at 3 years", 1.8),
        (f"Chance that it saves, {f.duration(settings.headline_years)}", 0.8, True),
        *([("Chance that it is best value", 0.8, True)] if best else []),
        ("Procedure deaths per 1,000", 1.4),
    ]
    verdict = risk.convergence[versus][strategy].sentence if strategy != versus else ""
    blocks.table(table(f"Against {lower(names[versus])}, with 95% intervals", columns, rows, note=verdict))
