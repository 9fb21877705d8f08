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

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.economics.results import Results, case_results
from econmodel.parameters.board import TEXTS
from econmodel.parameters.loading import Case, demo_file, load_case
from econmodel.programme.decision import decide
from econmodel.programme.explained import explain
from econmodel.programme.money.rows import Row
from econmodel.programme.money_question import PAIRS, ask_money
from econmodel.programme.report import ProgrammeResult, evaluate_programme
from econmodel.reporting import formatting as f
from econmodel.reporting.charts import programme as programme_charts
from econmodel.reporting.charts.style import plot_settings
from econmodel.reporting.papers.board import board_paper
from econmodel.reporting.papers.brief import brief_paper
from econmodel.reporting.papers.build import build_reports
from econmodel.reporting.papers.content import KeyNumbers, Table
from econmodel.reporting.papers.programme import answer, key_numbers, standing
from econmodel.reporting.papers.report_sections import money_map_tables
from econmodel.reporting.tables.explained import explanation_tables
from econmodel.reporting.tables.findings import Findings
from econmodel.reporting.tables.programme import finance_table, summary_table
from econmodel.reporting.tables.results import NNT_YEAR, icer_text
from econmodel.reporting.tables.terminal import finance_line
from econmodel.uncertainty.probabilistic import run_psa
from econmodel.uncertainty.risk import Risk, risk_of
from econmodel.uncertainty.two_way import two_way
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
    return evaluate_programme(case.parameters)


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


def test_every_headline_number_is_explained_by_steps_that_lead_to_it(case: Case, results: Results, programme: ProgrammeResult) -> None:
    """The last steps are the tile's number as it is printed; rows of money add up; counts are the budget's; inputs have a grade."""
    found = explain(case.parameters, results, programme, NNT_YEAR)
    tiles = key_numbers(case, results, programme, None).numbers
    said = [[row[1] for t in explanation_tables(case.parameters, one) if isinstance(t, Table) for row in t.rows] for one in found]
    shown = [[part.removeprefix("+") for part in tile.value.split(" / ")] for tile in tiles]
    for tile, numbers in list(zip(shown, said, strict=True))[:6]:
        assert set(tile) <= set(numbers), tile
    money = {step.label: step.value or 0.0 for step in found[3].steps}
    at = list(money).index("Net contribution, their sum")
    assert sum(list(money.values())[:at]) == pytest.approx(money["Net contribution, their sum"])
    assert sum(list(money.values())[at:-3]) == pytest.approx(money["Net cash, their sum"])
    sessions = sum(
        row.number for row in found[3].counted if row.label.endswith("session") and not row.label.startswith(("Iodised", "After"))
    )
    assert sessions == pytest.approx(programme.totals[Row.SESSIONS])
    embolism = next(row for row in found[3].counted if row.label == "Embolism")
    assert (embolism.payment, embolism.money) == (0.0, pytest.approx(-embolism.number * embolism.cost))
    assert {"0.003 probability", "0.008 probability"} <= set(said[4])
    assert found[7].words[0] == case.parameters.strategies[results.lead].evidence_note


def test_bridge_leads_from_full_cost_to_cash(programme: ProgrammeResult, ax: Axes) -> None:
    """Bars begin at what the programme costs in full and end at its value in cash; each begins where the one before ends."""
    bars = programme_charts.plot_bridge(programme, ax=ax, currency="USD")
    assert bars["npv_cash"].get_width() == pytest.approx(programme.headline.npv_cash)
    ends = [bar.get_x() + bar.get_width() for bar in bars.values()]
    starts = [bar.get_x() for bar in bars.values()]
    assert starts[1:-1] == pytest.approx(ends[:-2])
    assert ends[2] == pytest.approx(programme.totals[Row.NET_CONTRIBUTION])


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


def test_eight_numbers(case: Case, results: Results, programme: ProgrammeResult) -> None:
    """The brief has the eight numbers of a board paper; without draws it says so instead of an interval."""
    block = key_numbers(case, results, programme, None)
    assert isinstance(block, KeyNumbers)
    assert len(block.numbers) == 8
    told = " ".join(f"{n.label} {n.note}" for n in block.numbers)
    for word in (
        "Patients a year",
        "NNT",
        "Bleeds and deaths averted",
        "Procedure deaths and embolisms",
        "Peak cash",
        "Cash NPV",
        "Break-even",
        "Certainty",
    ):
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


@pytest.fixture(scope="module")
def drawn(case: Case) -> Risk:
    return risk_of(run_psa(case.parameters, 20, seed=4))


def test_brief_and_board_paper_print_what_is_expected_over_the_draws(
    case: Case, results: Results, programme: ProgrammeResult, drawn: Risk
) -> None:
    """With draws first-year risks, value and NNT are means over them on the first page of either paper, and its tiles are the same."""
    board = board_paper(case, results, programme, Findings(programme=programme, psa=drawn)).sections
    brief = brief_paper(case, results, programme=programme, psa=drawn).sections
    risk = f.percent(drawn.expected.strategies["watch"]["first_bleed_risk"]["1"], 1)
    assert risk != f.percent(results.strategies["watch"].first_bleed_risk[1], 1)
    assert all(f"{risk} with no prophylaxis" in str(page) for page in (board[0], brief[0]))
    tiles = [next(b for b in page.blocks if isinstance(b, KeyNumbers)) for page in (board[0], brief[0])]
    assert tiles[0] == tiles[1]
    cost = drawn.expected.comparisons["beta_blocker"][results.lead].headline.incremental_cost
    assert f"it costs {f.money(cost, 'USD')} more per patient" in str(board[2])


def test_what_is_no_more_effective_than_a_cheaper_one_is_not_told_by_a_ratio(results: Results) -> None:
    """Within one QALY in 200 an option is dearer than the other, not dearer and less effective; beyond that it is."""
    said = standing(results, None, "eus_glue")
    assert said == "dearer than EUS-guided coil and glue, QALYs about equal"
    rows = tuple(replace(row, effect=row.effect - 0.01 * (row.key == "eus_glue")) for row in results.frontier)
    assert standing(replace(results, frontier=rows), None, "eus_glue") == "dearer and less effective than another"
    found = results.comparisons["eus_glue"]["coil_and_glue"].whole
    assert icer_text(found, "USD") == "cheaper; QALYs about equal"
    more = replace(found, strategy=replace(found.strategy, qalys=found.strategy.qalys + 0.01))
    assert icer_text(more, "USD") == "cheaper and better"


def test_interval_comes_from_the_draws(case: Case, results: Results, programme: ProgrammeResult, drawn: Risk) -> None:
    """With draws the NNT carries its interval."""
    told = drawn.against("watch", results.lead).nnt[3].interval_text
    assert told.startswith("NNTB")
    assert any(told in n.note for n in key_numbers(case, results, programme, drawn).numbers)


def test_first_page_gives_the_money_read_otherwise(case: Case, results: Results, programme: ProgrammeResult) -> None:
    """Beside the sentence in cash stand the value with freed time counted, and the other way of being paid."""
    first = str(brief_paper(case, results, programme=programme).sections[0])
    assert programme.decision
    assert programme.decision.sentence in first
    assert f.money(programme.headline.npv_with_capacity, "USD") + " with freed staff time counted as money" in first
    assert f.money(programme.views["block"].headline.npv_cash, "USD") + " under a block budget" in first


def test_harm_is_never_told_as_a_benefit(case: Case, results: Results, programme: ProgrammeResult) -> None:
    """More bleeds are called more bleeds, and no decision is asked for."""
    assert programme.options
    harmful = replace(programme.options.proposal, bleeds_averted=-15.4, bleed_deaths_averted=-1.8)
    decision = decide(replace(programme.options, rows=(*programme.options.rows[:-1], harmful)), {}, None, None)
    assert decision.text == "none: as entered, the programme brings more bleeds than today's mix."
    told = replace(programme.headline, bleeds_averted=-15.4)
    worse = replace(programme, headline=told, decision=decision)
    worse = replace(worse, savings=replace(programme.savings, bleeds_averted=-15.4, bleeding_deaths_averted=-1.8))
    text = str(brief_paper(case, results, programme=worse))
    assert "15.4 more bleeds and 1.8 more deaths" in text
    assert "brings 15.4 more bleeds and 1.8 more deaths from bleeding" in text
    assert "−15.4" not in text
    same = replace(programme, basis=replace(programme.basis, is_change=False))
    assert "Nothing is proposed" in answer(same)[0]


def test_blanks_are_counted_and_filled(case: Case, results: Results, programme: ProgrammeResult) -> None:
    """Every text that the file does not give is a blank line; one that it gives stands there, and one blank less is counted."""

    def line(one: Case) -> str:
        return str(brief_paper(one, results, programme=programme).sections[0].blocks[0])

    assert "12 texts of this paper are left blank" in line(case)
    told = replace(case, parameters=replace(case.parameters, board={"sponsor": "Chief of medicine", "stop_rule": "Two deaths."}))
    assert "Sponsor: Chief of medicine" in line(told)
    assert "10 texts of this paper are left blank" in line(told)
    assert "Stop rule: the programme stops if: Two deaths." in str(brief_paper(told, results, programme=programme))


def test_summary_lines_are_the_rows(programme: ProgrammeResult) -> None:
    """Income less cost is operating cash; less tax, debtors and capital it is net cash: of every year and in total."""
    lines = {line.label: line for line in programme.summary}
    income, cost, surplus, owed, capital, net = (lines[label] for label in list(lines)[2:8])
    for year in range(len(net.years)):
        assert income.years[year] - cost.years[year] == pytest.approx(surplus.years[year])
        assert surplus.years[year] - owed.years[year] - capital.years[year] == pytest.approx(net.years[year])
    assert net.total == pytest.approx(programme.totals[Row.NET_CASH])
    assert surplus.total == pytest.approx(programme.totals[Row.OPERATING_CASH])


def test_board_paper_has_five_parts_and_counts_its_blanks(case: Case, results: Results, programme: ProgrammeResult) -> None:
    """Every text has its place in one part; page one counts those left, by part."""
    paper = board_paper(case, results, programme, Findings(programme=programme))
    assert [s.heading.split(":")[0] for s in paper.sections[1:6]] == ["Strategic", "Economic", "Commercial", "Financial", "Management"]
    first = str(paper.sections[0])
    assert f"{len(TEXTS)} texts are left to the site" in first
    everything = str(paper)
    assert all(label in everything for label in TEXTS.values())
    written = replace(case, parameters=replace(case.parameters, board=dict.fromkeys(TEXTS, "Written by the site.")))
    full = str(board_paper(written, results, programme, Findings(programme=programme)))
    assert "left to the site" not in full
    assert full.count("Written by the site.") == len(TEXTS)


def test_a_long_budget_keeps_to_two_pages(programme: ProgrammeResult) -> None:
    """Ten years: the brief's table shows the first and the last, and says what it leaves out."""
    lines = tuple(replace(line, years=(0.0, *(float(n) for n in range(1, 11)))) for line in programme.summary)
    names = tuple(f"Year {n}" for n in range(11))
    short = summary_table(replace(programme, summary=lines, basis=replace(programme.basis, year_names=names)))
    assert [c.heading for c in short.columns] == ["", *(f"Year {n}" for n in (1, 2, 3, 4, 5, 10)), "Total"]
    assert "Year 6 to Year 9 are in the technical report" in short.note


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


def test_break_even_is_held_against_steps_and_slots(case: Case, results: Results, programme: ProgrammeResult) -> None:
    """The tile gives the first volumes that pay, beside a steady year, whether others do, and what the slots allow."""
    found = replace(programme.break_even, intervals_cash=((12.0, 17.5), (19.1, None)), capacity=10.0, steady_state=11.4)
    tile = key_numbers(case, results, replace(programme, break_even=found), None).numbers[-2]
    assert tile.value == "12.0 to 17.5"
    assert tile.note == "a steady year brings 11.4; and in ranges above, as cost rises in steps; slots allow 10.0"


def test_first_page_says_where_averted_bleeds_cost_margin(case: Case, results: Results, programme: ProgrammeResult) -> None:
    """With the refill contribution that would make it neutral, on the scale of the input."""
    first = str(brief_paper(case, results, programme=programme).sections[0])
    view = programme.views["per_episode"]
    assert view.averted_bleed_lowers_margin
    assert "each bleed averted loses the hospital" in first.lower()
    assert money(view.neutral_refill.per_refilled_day, "USD") in first


def test_options_left_out_stand_beside_the_proposal(case: Case, results: Results) -> None:
    """The first page holds every option, with what nothing beats; what is asked for follows from what speaks against it."""
    programme = evaluate_programme(case.parameters, turning=False)
    assert programme.options
    first = str(brief_paper(case, results, programme=programme).sections[0])
    assert programme.decision
    assert "Retrograde transvenous obliteration for all" in first
    assert programme.decision.order in first
    assert programme.decision.text.startswith("these numbers do not support approval: it loses")


def test_sections_in_the_order_of_a_board_paper(case: Case, results: Results, programme: ProgrammeResult) -> None:
    """Decision, charts, evidence and harms, finance, owners, cautions, what it rests on."""
    headings = [section.heading for section in brief_paper(case, results, programme=programme).sections]
    assert headings == [
        "The decision",
        "Cash, contribution, downside and bleeds",
        "What would reverse it, and what to find out first",
        "Evidence and harms",
        "Finance",
        "Owners, stop rule and signatures",
        "Before this is used",
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


def test_the_report_maps_cash_over_two_inputs(case: Case, results: Results, programme: ProgrammeResult) -> None:
    """Volume across and payment down: at this case's own the budget's cash, at another volume another."""
    grid = two_way(ask_money(case.parameters), *PAIRS[0], 3)
    (shown,) = money_map_tables(results, [grid])
    assert [column.heading for column in shown.columns[1:]] == ["0.5", "1", "1.5"]
    assert shown.rows[1][2] == f.money(programme.headline.npv_cash, "USD")
    assert len({*shown.rows[1]}) == 4
    assert "across: patients who come" in shown.caption
