"""The programme's brief: charts equal the budget, order of a board paper, two pages, what must be said."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from econmodel.economics.activity import monthly_profiles
from econmodel.economics.bleed_prices import untreated_fatal_share
from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.economics.prices import resolve_prices
from econmodel.economics.results import Results, case_results
from econmodel.model.inputs import base_values
from econmodel.parameters.catalogue import CATEGORY
from econmodel.parameters.loading import Case, demo_file, load_case
from econmodel.programme.inputs import read_inputs
from econmodel.programme.money.rows import Row
from econmodel.programme.report import ProgrammeResult, evaluate_programme, programme_case
from econmodel.reporting import formatting as f
from econmodel.reporting.charts import programme as programme_charts
from econmodel.reporting.charts.style import plot_settings
from econmodel.reporting.papers.brief import brief_paper
from econmodel.reporting.papers.build import build_reports
from econmodel.reporting.papers.content import KeyNumbers, Table
from econmodel.reporting.papers.programme import answer, decision, key_numbers
from econmodel.reporting.tables.programme import finance_table
from econmodel.reporting.tables.terminal import finance_line
from econmodel.uncertainty.probabilistic import run_psa
from econmodel.uncertainty.risk import risk_of
from econmodel.wording import money


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
def programme(case: Case) -> ProgrammeResult:
    values = base_values(case.parameters)
    profiles = monthly_profiles(case.parameters, 8)
    prices = resolve_prices(case.parameters, values, untreated_fatal_share(case.parameters, values))
    return programme_case(read_inputs(case.parameters, values), profiles, prices, CATEGORY, lambda _: (profiles, prices))


@pytest.fixture
def ax() -> Iterator[Axes]:
    with rc_context(plot_settings()):
        figure = Figure()
        FigureCanvasAgg(figure)
        yield figure.add_subplot()


def test_cash_lines_are_the_cumulative_cash(programme: ProgrammeResult, ax: Axes) -> None:
    """Base, favourable and worst lines equal the budget's cumulative cash by quarter."""
    lines = programme_charts.plot_cash(programme, ax=ax, currency="USD")
    for name, line in lines.items():
        assert list(line.get_ydata()) == [row[name] for row in programme.frames["cumulative_cash"]]
    assert lines["base"].get_ydata()[-1] == pytest.approx(programme.totals[Row.CUMULATIVE_CASH])


def test_bridge_ends_at_operating_cash(programme: ProgrammeResult, ax: Axes) -> None:
    """Bars of the bridge hold the budget's totals and end at operating cash."""
    bars = programme_charts.plot_bridge(programme, ax=ax, currency="USD")
    assert bars["R14"].get_width() == pytest.approx(programme.totals[Row.OPERATING_CASH])
    assert bars["R8"].get_width() == pytest.approx(-programme.totals[Row.BLEED_INCOME_LOST])


def test_downside_bars_are_the_table(programme: ProgrammeResult, ax: Axes) -> None:
    """Each bar is the net present value of its row."""
    bars = programme_charts.plot_downside(programme, ax=ax, currency="USD")
    assert {key: bar.get_width() for key, bar in bars.items()} == {
        r.key: r.npv_cash for r in (*programme.downside[:17], programme.downside[-1])
    }


def test_bleeds_lines_part_by_the_bleeds_averted(programme: ProgrammeResult, ax: Axes) -> None:
    """The gap between the lines at the end is the bleeds averted."""
    lines = programme_charts.plot_bleeds(programme, ax=ax)
    gap = lines["without"].get_ydata()[-1] - lines["with"].get_ydata()[-1]
    assert gap == pytest.approx(programme.headline.bleeds_averted)


def test_finance_table_shows_the_rows_by_year(results: Results, programme: ProgrammeResult) -> None:
    """Cells of the finance table are the budget's rows; a row that is zero throughout is left out."""
    made = finance_table(results, programme)
    net = next(row for row in made.rows if row[0].startswith("R18"))
    assert net[-1].lstrip("−").replace("$", "").replace(",", "") == f"{abs(programme.totals[Row.NET_CASH]):.0f}"
    shown = {row[0].split()[0] for row in made.rows}
    assert ("R15" in shown) == any(year.rows[Row.TAX] for year in programme.years)


def test_eight_numbers(results: Results, programme: ProgrammeResult) -> None:
    """The brief has the eight numbers of a board paper; without draws it says so instead of an interval."""
    block = key_numbers(results, programme, None)
    assert isinstance(block, KeyNumbers)
    assert len(block.numbers) == 8
    told = " ".join(f"{n.label} {n.note}" for n in block.numbers)
    for word in ("Patients a year", "NNT", "Bleeds averted", "Peak cash", "Year-3", "Cash NPV", "Payback", "Break-even"):
        assert word in told
    assert "run with draws" in told


def test_terminal_tells_the_money_in_one_line(programme: ProgrammeResult) -> None:
    """Net cash, net present value and lowest cash stand in one line of a narrow terminal, signs kept."""
    said = finance_line(programme)
    for amount in (programme.headline.net_cash, programme.headline.npv_cash, programme.headline.peak_cash):
        assert f.money(amount, programme.basis.currency) in said
    assert len(said) <= 80
    worse = replace(programme, headline=replace(programme.headline, npv_cash=-1234.0))
    assert "NPV −$1,234" in finance_line(worse)


def test_interval_comes_from_the_draws(results: Results, programme: ProgrammeResult) -> None:
    """With draws the NNT carries its interval."""
    drawn = risk_of(run_psa(load_case(demo_file()).parameters, 20, seed=4))
    told = drawn.against("watch", results.lead).nnt[3].interval_text
    assert told.startswith("NNTB")
    assert any(told in n.note for n in key_numbers(results, programme, drawn).numbers)


def test_answer_follows_the_sign_and_shows_both_payment_views(results: Results, programme: ProgrammeResult) -> None:
    """A loss is told as a loss, and both ways of being paid are in the sentence."""
    losing = replace(programme, headline=replace(programme.headline, npv_cash=-1234.0), verdict="does not pay for itself")
    said = answer(results, losing)
    assert "does not pay for itself" in said
    assert "−$1,234 as this hospital is paid" in said
    assert "block budget" in said
    assert "with freed staff time counted as money" in said


def test_harm_is_never_told_as_a_benefit(case: Case, results: Results, programme: ProgrammeResult) -> None:
    """More bleeds are called more bleeds, and no decision is asked for; a loss never "pays back"."""
    told = replace(programme.headline, bleeds_averted=-15.4)
    harmful = replace(programme, headline=told, verdict="brings 15.4 more bleeds than today's mix")
    assert "brings 15.4 more bleeds than today's mix, which no surplus would justify" in answer(results, harmful)
    assert decision(results, harmful).startswith("none")
    worse = replace(harmful, savings=replace(programme.savings, bleeds_averted=-15.4, bleeding_deaths_averted=-1.8))
    text = str(brief_paper(case, results, programme=worse))
    assert "15.4 more bleeds and 1.8 more deaths" in text
    assert "−15.4" not in text
    never = replace(programme, headline=replace(programme.headline, payback_years=None))
    assert "before it pays back" not in decision(results, never)
    soon = replace(programme, headline=replace(programme.headline, payback_years=3.0))
    assert "before it pays back" in decision(results, soon)
    same = replace(programme, basis=replace(programme.basis, is_change=False))
    assert "Nothing is proposed" in answer(results, same)


def test_a_long_budget_keeps_to_two_pages(results: Results, programme: ProgrammeResult) -> None:
    """Ten years: the brief's table shows the first and the last, and says what it leaves out."""
    names = replace(programme.basis, year_names=("Start", *(f"{y}/{y - 1999}" for y in range(2027, 2037))))
    long = replace(programme, years=tuple(replace(programme.years[0], year=n) for n in range(1, 11)), basis=names)
    short = finance_table(results, long, 6)
    assert [c.heading for c in short.columns] == ["Row", *(names.year_names[n] for n in (1, 2, 3, 4, 5, 10)), "Total"]
    assert "2032/33 to 2035/36 are in the technical report" in short.note
    assert len(finance_table(results, long).columns) == 12


def test_the_higher_line_has_the_higher_label(programme: ProgrammeResult, ax: Axes) -> None:
    """Programme above today's mix: its label stands above; one label where both end alike."""
    years = programme.bleeds
    swapped = (replace(y, cumulative_with=y.cumulative_without, cumulative_without=y.cumulative_with) for y in years)
    programme_charts.plot_bleeds(replace(programme, bleeds=tuple(swapped)), ax=ax)
    place = {text.get_text().split(":")[0]: text.get_position()[1] for text in ax.texts}
    assert place["Programme"] > place["Current mix"]
    ax.clear()
    same = tuple(replace(y, cumulative_with=y.cumulative_without) for y in years)
    programme_charts.plot_bleeds(replace(programme, bleeds=same), ax=ax)
    assert [text.get_text().split(":")[0] for text in ax.texts] == ["Current mix and programme"]


def test_break_even_is_held_against_steps_and_slots(results: Results, programme: ProgrammeResult) -> None:
    """The tile says from where it stays so, and what the slots allow."""
    found = replace(programme.break_even, searched=12.0, sustained=19.1, capacity=10.0)
    note = key_numbers(results, replace(programme, break_even=found), None).numbers[-1].note
    assert "for good from 19.1" in note
    assert "slots allow 10.0" in note


def test_first_page_says_where_averted_bleeds_cost_margin(case: Case, results: Results, programme: ProgrammeResult) -> None:
    """With the refill contribution that would make it neutral, on the scale of the input."""
    first = str(brief_paper(case, results, programme=programme).sections[0])
    view = programme.views["per_episode"]
    assert view.averted_bleed_lowers_margin
    assert "each bleed averted loses the hospital" in first.lower()
    assert money(view.neutral_refill.per_refilled_day, "USD") in first


def test_options_left_out_stand_beside_the_proposal(case: Case, results: Results) -> None:
    """The first page holds every option, with what nothing beats; what is asked for follows from what speaks against it."""
    programme = evaluate_programme(case.parameters)
    assert programme.options
    first = str(brief_paper(case, results, programme=programme).sections[1])
    assert "Retrograde transvenous obliteration for all" in first
    assert programme.options.order in first
    assert decision(results, programme).startswith("none on these numbers: it loses")


def test_sections_in_the_order_of_a_board_paper(case: Case, results: Results, programme: ProgrammeResult) -> None:
    """Decision, charts, evidence and harms, finance, owners, cautions, what it rests on."""
    headings = [section.heading for section in brief_paper(case, results, programme=programme).sections]
    assert headings == [
        "The decision",
        "Cash, contribution, downside, bleeds and options",
        "Evidence and harms",
        "Finance",
        "Owners and review",
        "Before this is used",
        "What it rests on",
    ]


def test_brief_is_two_pages_and_says_harms(
    case: Case, evaluation: Evaluation, results: Results, programme: ProgrammeResult, tmp_path: Path
) -> None:
    """On paper the brief of the demo hospital is two pages; harms stand beside benefits."""
    build_reports(case, evaluation, results, tmp_path, programme=programme, formats=("pdf",))
    assert re.findall(rb"/Type/Pages/Count (\d+)", (tmp_path / "brief.pdf").read_bytes()) == [b"2"]
    paper = brief_paper(case, results, programme=programme)
    evidence = next(s for s in paper.sections if s.heading == "Evidence and harms")
    assert any(isinstance(b, Table) and "Harms" in [c.heading for c in b.columns] for b in evidence.blocks)
    assert any("deaths from the procedure" in getattr(b, "text", "") for b in evidence.blocks)
