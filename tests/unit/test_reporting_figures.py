"""Figures: what is drawn equals the result, files are complete and the same on every run."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.economics.results import Results, case_results
from econmodel.model.structure import COURSE_NEVER_BLED, TWIN, build_course_structure, build_structure
from econmodel.parameters.loading import demo_file, load_case
from econmodel.reporting.charts import diagram
from econmodel.reporting.charts import results as charts
from econmodel.reporting.charts import uncertainty as uncertainty_charts
from econmodel.reporting.charts.figures import case_figures, draw_figure, save_all
from econmodel.reporting.charts.style import STRATEGY_STYLES, plot_settings
from econmodel.reporting.tables.findings import Analysis
from econmodel.uncertainty.deterministic import TornadoRow


@pytest.fixture(scope="module")
def evaluation() -> Evaluation:
    return evaluate(load_case(demo_file()).parameters)


@pytest.fixture(scope="module")
def results(evaluation: Evaluation) -> Results:
    return case_results(load_case(demo_file()), evaluation)


@pytest.fixture
def ax() -> Iterator[Axes]:
    with rc_context(plot_settings()):
        figure = Figure()
        FigureCanvasAgg(figure)
        yield figure.add_subplot()


def test_curves_are_the_cumulative_first_bleeds(results: Results, evaluation: Evaluation, ax: Axes) -> None:
    """Each curve passes through the model's cumulative incidence at every year."""
    lines = charts.plot_first_bleeds(results, ax=ax)
    for key, line in lines.items():
        s = evaluation.index(key)
        expected = [0.0, *(evaluation.count("first_bleeds", y)[0, s, 0] for y in range(1, 11))]
        np.testing.assert_allclose(line.get_ydata(), expected, rtol=1e-12)
        assert line.get_color() == STRATEGY_STYLES[key].colour


def test_cost_bars_add_up_to_the_total(results: Results, ax: Axes) -> None:
    """Bars are the categories, stacked to the strategy's cost."""
    bars = charts.plot_costs(results, ax=ax)
    for key, found in results.strategies.items():
        widths = {category: bar.get_width() for (k, category), bar in bars.items() if k == key}
        assert widths == pytest.approx(found.headline_cost_by_category)
        assert sum(widths.values()) == pytest.approx(found.headline_cost)


@pytest.mark.parametrize("versus", ["watch", "beta_blocker"])
def test_nnt_lines_are_the_results_and_harm_is_left_out(results: Results, ax: Axes, versus: str) -> None:
    """NNT points equal the result; a strategy that adds bleeds has no line."""
    lines = charts.plot_nnt(results, ax=ax, versus=versus)
    for key, line in lines.items():
        nnt = results.against(versus, key).whole.nnt
        assert list(line.get_ydata()) == [nnt[int(year)].value for year in line.get_xdata()]
    assert ("watch" in lines) is False


def test_plane_points_are_the_increments(results: Results, ax: Axes) -> None:
    """Points stand at the increments, the comparator at the origin."""
    points = charts.plot_plane(results, ax=ax)
    for key, point in points.items():
        found = results.against("beta_blocker", key)
        expected = (found.whole.incremental_qalys, found.whole.incremental_cost) if found else (0.0, 0.0)
        assert (point.get_xdata()[0], point.get_ydata()[0]) == expected


@pytest.mark.parametrize(
    "structure",
    [build_structure(), build_structure(vintages=3, spans=(2,)), build_course_structure(), build_course_structure(spans=(2, 3))],
)
def test_diagram_draws_every_move_once(structure: object, ax: Axes) -> None:
    """Every pair of states joined by a move has its arrow, shared ones from the frame of the never-bled."""
    drawn = set(diagram.plot_state_diagram(structure, ax=ax))
    family = {state.key: TWIN.get(state.family, state.family) for state in structure.states}
    never = set(COURSE_NEVER_BLED) & set(family.values())
    pairs = {(family[m.source], family[m.target]) for m in (*structure.moves, *structure.impulses)} - {(s, s) for s in family.values()}
    told = {(a, b) for a, b in drawn if a != diagram.NEVER}
    told |= {(a, b) for _, b in (d for d in drawn if d[0] == diagram.NEVER) for a in never}
    assert told == pairs


def test_trace_is_the_state_years(evaluation: Evaluation) -> None:
    """Rows of the trace sum to the patient-years of the result."""
    rows = charts.trace_rows(evaluation)
    s = evaluation.index("glue")
    total = sum(r["share"] for r in rows if r["strategy"] == "glue" and r["state"] == "protected")
    assert total == pytest.approx(sum(evaluation.count(state)[0, s, 0] for state in ("protected", "protected_lost")))


def test_tornado_bars_end_at_the_outcomes(ax: Axes) -> None:
    """Each bar runs from the base to the outcome at the low or high value."""
    row = TornadoRow("hr_glue", "Effect of glue", "hazard ratio", 0.2, 0.6, -10.0, 25.0, 5.0, "95% CI", "published")
    bars = uncertainty_charts.plot_tornado(Analysis("glue", "watch", "bleeds", "Bleeds", "USD", (row,)), ax=ax)
    low, high = bars["hr_glue"]
    assert low.get_x() + low.get_width() == -10.0
    assert high.get_x() + high.get_width() == 25.0


def test_every_figure_is_saved_three_ways(results: Results, tmp_path: Path) -> None:
    """SVG, PNG and the CSV of what it shows stand side by side."""
    written = save_all(case_figures(results, build_structure()), tmp_path)
    assert {p.suffix for p in written} == {".svg", ".png", ".csv"}
    assert len(written) == 15
    assert (tmp_path / "nnt_by_year.png").read_bytes().startswith(b"\x89PNG")
    with (tmp_path / "nnt_by_year.csv").open(encoding="utf-8") as lines:
        row = next(r for r in csv.DictReader(lines) if r["strategy"] == "coil" and r["year"] == "3" and r["versus"] == "watch")
    assert float(row["nnt"]) == results.against("watch", "coil").whole.nnt[3].value


def test_svg_is_the_same_on_every_run(results: Results) -> None:
    """Same results, same bytes: no date, no random names."""
    spec = case_figures(results, build_structure())["first_bleeds"]
    with rc_context(plot_settings()):
        first, again = draw_figure(spec), draw_figure(spec)
    assert first == again
    assert "dc:date" not in first


def test_a_strategy_of_ones_own_is_drawn(results: Results, ax: Axes) -> None:
    """A row the site adds gets a line of its own."""
    plug = replace(results.strategy("coil"), key="plug", label="Plug")
    mine = replace(results, whole=replace(results.whole, strategies={**results.strategies, "plug": plug}))
    lines = charts.plot_first_bleeds(mine, ax=ax)
    assert lines["plug"].get_color() not in {s.colour for s in STRATEGY_STYLES.values()}
