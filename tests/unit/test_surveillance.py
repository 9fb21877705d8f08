"""Follow-up protocols: one strategy under several schedules, effects held."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from matplotlib.figure import Figure

from econmodel.economics.evaluate import evaluate
from econmodel.errors import AnalysisError, ParameterError
from econmodel.package import params_folder
from econmodel.parameters import ParameterSet, load_case
from econmodel.parameters.schema import Protocol, Surveillance, Where
from econmodel.reporting.charts.surveillance import plot_protocols, surveillance_figures
from econmodel.reporting.papers.content import Bullets, Table, chart_names
from econmodel.reporting.papers.report_sections import surveillance_section
from econmodel.reporting.tables.surveillance import protocol_tables
from econmodel.uncertainty.deterministic import answer_to, ask
from econmodel.uncertainty.surveillance import OWN, Plans, Protocols, compare_protocols, lay_protocols
from econmodel.uncertainty.surveillance_worth import Worth, price_name, turning_price, weigh_protocols
from econmodel.uncertainty.thresholds import threshold
from econmodel.workflow import follow_up

LEAD, EUS = "coil_and_glue", "surveillance_eus"


@pytest.fixture(scope="module")
def plans(base: ParameterSet) -> Plans:
    return lay_protocols(base, LEAD)


@pytest.fixture(scope="module")
def found(plans: Plans) -> Protocols:
    return compare_protocols(plans, "Here", draws=40)


@pytest.fixture(scope="module")
def worth(plans: Plans, found: Protocols) -> Worth:
    return weigh_protocols(plans, found, map_points=3)


def test_more_visits_more_money_fewer_bleeds(found):
    """Bleeds fall and examinations rise from none to two-yearly, yearly and six-monthly; none finds and treats nothing."""
    order = [found.row(key) for key in ("none", "endoscopy_2_yearly", "endoscopy_yearly", "eus_yearly", "eus_6_monthly")]
    for seldom, often in pairwise(order):
        assert often.now.arr_at_end > seldom.now.arr_at_end
        assert often.now.bleeds_averted > seldom.now.bleeds_averted
        assert often.examinations > seldom.examinations
        assert often.retreatments > seldom.retreatments
        assert often.now.strategy.cost > seldom.now.strategy.cost
        assert often.whole.strategy.qalys > seldom.whole.strategy.qalys
        assert all(often.harms[name] > seldom.harms[name] for name in often.harms)
    assert (order[0].examinations, order[0].retreatments, order[0].nnt.value, order[0].cost_per_bleed_averted) == (0, 0, None, None)


@pytest.mark.parametrize(
    ("fewer", "more"),
    [
        (Surveillance((), 0, EUS), Surveillance((3,), 0, EUS)),
        (Surveillance((3,), 12, EUS), Surveillance((3,), 6, EUS)),
        (Surveillance((3,), 6, EUS), Surveillance((3,), 3, EUS)),
        (Surveillance((3, 6, 12), 12, EUS, 5), Surveillance((3, 6, 12), 12, EUS)),
        (Surveillance((3, 6, 12), 12, "surveillance_egd"), Surveillance((3, 6, 12), 12, EUS)),
        (Surveillance((3, 6, 12), 12, "clinic_visit"), Surveillance((3, 6, 12), 12, "surveillance_egd")),
    ],
)
def test_a_schedule_that_holds_another_never_bleeds_more(base, fewer, more):
    """Effects held, more visits or better eyes: never more gastric first bleeds, in any year."""
    gastric = _gastric(base, fewer, more)
    assert (gastric["more"] <= gastric["fewer"] + 1e-12).all()
    assert gastric["more"][-1] < gastric["fewer"][-1]


def test_the_order_is_of_what_is_found(base):
    """Negative control: more visits that do not hold the other schedule can bleed more: one at 3 months beats a late yearly one."""
    gastric = _gastric(base, Surveillance((3,), 0, EUS), Surveillance((48,), 12, EUS))
    assert gastric["more"][-1] > gastric["fewer"][-1]


def _gastric(base: ParameterSet, fewer: Surveillance, more: Surveillance) -> dict[str, np.ndarray]:
    protocols = {key: Protocol(key, key, plan, Where("here")) for key, plan in (("fewer", fewer), ("more", more))}
    laid = lay_protocols(replace(base, protocols=protocols), LEAD, against="fewer")
    e = evaluate(laid.parameters, by_group=False)
    assert np.ptp(e.inputs.course.hr_obliterated[0, [e.index("fewer"), e.index("more")]]) == 0
    years = range(1, e.horizon + 1)
    return {key: np.array([e.count("gastric_first_bleeds", year)[0, e.index(key), 0] for year in years]) for key in protocols}


def test_eyes_that_see_nothing_find_nothing(base):
    """With nothing detected, schedules differ in money alone."""
    blind = replace(
        base, parameters=base.parameters | {n: replace(base[n], value=0.0) for n in ("p_detect_eus", "p_detect_endoscopy")}
    )
    rows = compare_protocols(lay_protocols(blind, LEAD, against="none"), "Here").rows
    assert all(row.now.bleeds_averted == pytest.approx(0, abs=1e-12) for row in rows)
    assert rows[-1].now.incremental_cost > 0
    assert [row.edge for row in rows].count("on_frontier") == 0


def test_figures_follow_from_one_another(found):
    """NNT and cost per bleed averted are those of the two rows; shares of draws sum to 1; the frontiers start somewhere."""
    none = found.rows[0]
    assert none.key == found.against == "none"
    for row in found.rows[1:]:
        risks = [r.now.strategy.first_bleed_risk[found.years] for r in (none, row)]
        assert row.nnt.value == pytest.approx(1 / (risks[0] - risks[1]), rel=1e-9)
        averted = none.now.strategy.bleeds - row.now.strategy.bleeds
        assert row.cost_per_bleed_averted == pytest.approx((row.now.strategy.cost - none.now.strategy.cost) / averted, rel=1e-9)
        assert row.net_benefit - none.net_benefit == pytest.approx(row.whole.net_monetary_benefit, rel=1e-6)
    assert sum(row.best for row in found.rows) == pytest.approx(1)
    for status in ([row.status for row in found.rows], [row.edge for row in found.rows]):
        assert status.count("reference") == 1


def test_the_frontier_of_bleeds_costs_more_at_each_step(found):
    """Along the frontier each further bleed averted costs more; what lies off it costs more than the line there."""
    edge = [row for row in found.rows if row.edge in ("reference", "on_frontier")]
    slopes = [
        (b.now.incremental_cost - a.now.incremental_cost) / (b.now.bleeds_averted - a.now.bleeds_averted) for a, b in pairwise(edge)
    ]
    assert slopes == sorted(slopes)
    line = np.interp(
        [row.now.bleeds_averted for row in found.rows],
        [row.now.bleeds_averted for row in edge],
        [row.now.incremental_cost for row in edge],
    )
    assert all(row.now.incremental_cost >= on - 1e-9 for row, on in zip(found.rows, line, strict=True))


def test_stopping_at_year_five_shows_after_it(found):
    """Within five years the schedule that stops then is the same; over a lifetime it costs less and loses QALYs."""
    on, stopped = found.row("eus_yearly"), found.row("eus_yearly_5_years")
    assert stopped.now.strategy.bleeds == pytest.approx(on.now.strategy.bleeds, rel=1e-12)
    assert stopped.whole.strategy.cost < on.whole.strategy.cost
    assert stopped.whole.strategy.qalys < on.whole.strategy.qalys


def test_the_protocol_of_the_case_is_its_strategy(base, plans):
    """The schedule that the strategy has gives the strategy's own results; all protocols have one effect."""
    own = evaluate(load_case(None, (), ["effect_basis=process"]).parameters, by_group=False)
    e = evaluate(plans.parameters, by_group=False)
    assert e.cost()[0, e.index(plans.asked), 0] == pytest.approx(own.cost()[0, own.index(LEAD), 0], rel=1e-9)
    assert np.ptp(e.inputs.course.hr_obliterated) == 0


def test_a_schedule_of_the_site_stands_among_the_protocols(base):
    """A strategy's own schedule that is no protocol has a row, is the one asked about, and says itself."""
    mine = replace(base.strategies[LEAD], surveillance=Surveillance((3, 6), 9, EUS))
    laid = lay_protocols(replace(base, strategies=base.strategies | {LEAD: mine}), LEAD)
    assert laid.asked == OWN
    assert laid.parameters.strategies[OWN].label == "Surveillance EUS at 3 and 6 months, then every 9"
    assert OWN not in lay_protocols(base, LEAD).parameters.strategies


def test_a_case_that_names_its_lead_is_followed_up(base):
    """Lead and usual care set in a file are no protocols, and are no reason to refuse."""
    set_here = {"lead": "eus_glue", "usual_care": "glue"}
    inputs = {name: replace(base[name], value=value, changed_by="a file") for name, value in set_here.items()}
    named = replace(base, parameters=base.parameters | inputs)
    laid = lay_protocols(named)
    assert (laid.strategy, laid.asked) == ("eus_glue", "eus_yearly")


def test_worth_between_two_recurrences_is_said_so():
    """Where net benefit is above nil in the middle of the range only, the sentence names both ends; runs at them and between agree."""
    laid = lay_protocols(load_case(params_folder() / "hospitals" / "demo_uk.toml").parameters, LEAD)
    price = price_name(laid, laid.asked)
    highest = turning_price(ask(laid.parameters.with_value("r_recurrence", 0.19), laid.asked, "none", "nmb"), price)[0]
    laid = replace(laid, parameters=laid.parameters.with_value(price, highest - 2))
    question = ask(laid.parameters, laid.asked, "none", "nmb")
    low, high = threshold(question, "r_recurrence").crossings
    at = answer_to(question, [{"r_recurrence": x} for x in (0.9 * low, (low + high) / 2, 1.1 * high)])
    assert at[0] < 0 < at[1]
    assert at[2] < 0
    said = weigh_protocols(laid, compare_protocols(laid, "Here"), map_points=2).sentences[1]
    assert f"is between {low:.4g} and {high:.4g} a year" in said


def test_a_threshold_run_again_is_equality(plans, worth):
    """At the price and at the recurrence where it turns, net benefit is that of the other; beside them it is not."""
    question = ask(plans.parameters, plans.asked, worth.rival, "nmb")
    price, rate = price_name(plans, plans.asked), plans.parameters.strategies[plans.asked].r_recurrence
    value, below = turning_price(question, price)
    assert answer_to(question, [{price: value}])[0] == pytest.approx(0, abs=1e-6)
    cheaper, dearer = answer_to(question, [{price: value - 100}, {price: value + 100}])
    assert below
    assert cheaper > 1 > -1 > dearer
    for crossing in threshold(question, rate).crossings:
        assert answer_to(question, [{rate: crossing}])[0] == pytest.approx(0, abs=0.01)
        assert abs(answer_to(question, [{rate: crossing * 1.1}])[0]) > 1


def test_the_price_beyond_its_range_is_found_too(plans):
    """Against no surveillance the price at which it turns lies above the declared range; a run there gives nil."""
    question = ask(plans.parameters, plans.asked, "none", "nmb")
    price = price_name(plans, plans.asked)
    value, _ = turning_price(question, price)
    assert value > plans.parameters[price].range.high
    assert answer_to(question, [{price: value}])[0] == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize(("view", "price"), [("payer", "payment_"), ("hospital_margin", "payment_"), ("societal", "c_")])
def test_the_price_is_that_of_the_view(vary, view, price):
    """A payer is told the payment at which it turns; more pay makes an examination worth more to a margin."""
    laid = lay_protocols(vary(perspective=view), LEAD)
    assert price_name(laid, laid.asked) == price + EUS
    _, below = turning_price(ask(laid.parameters, laid.asked, "none", "nmb"), price + EUS)
    assert below == (view != "hospital_margin")


def test_sentences_and_maps(found, worth, plans):
    """What is best, where it turns against none and the rival, and what is not known; maps hold the rows they are of."""
    assert len(worth.sentences) == 6
    assert worth.sentences[0].startswith("At $100,000 per QALY, ")
    assert all(row.outcome_at_low != row.outcome_at_high for row in worth.unknown)
    assert {row.name for row in worth.unknown} == {"hr_patent", "r_recurrence", "r_lost"}
    recurrence, interval = worth.by_recurrence, worth.by_interval
    assert (np.diff(recurrence.values, axis=1) > 0).all()
    assert (np.diff(interval.values, axis=1) < 0).all()
    own = np.interp(interval.base[0], interval.x_values, interval.values[list(interval.y_values).index(interval.base[1])])
    assert own == pytest.approx(found.row(plans.asked).whole.net_monetary_benefit, rel=1e-9)
    document = found.to_json() | worth.to_json()
    assert document["protocols"][0]["key"] == "none"
    assert len(document["recurrence_by_price"]) == 9


def test_what_no_study_gives_is_computed_and_said(base, plans, found, worth):
    """The span of bleeds averted over an open varix's bleeding rate is that of two runs with it typed."""
    row = next(row for row in worth.unknown if row.name == "hr_patent")
    for value, shown in ((row.low_value, row.outcome_at_low), (row.high_value, row.outcome_at_high)):
        again = compare_protocols(replace(plans, parameters=plans.parameters.with_value("hr_patent", value)), "Here")
        assert again.row(plans.asked).now.bleeds_averted_per_100 == pytest.approx(shown, rel=1e-9)
    said = next(s for s in worth.sentences if "no study gives it" in s)
    assert f"from {row.outcome_at_low:.1f} to {row.outcome_at_high:.1f}" in said


def test_against_another_protocol(base):
    """Any protocol can be the comparator; fewer visits then avert less, cost less, and have no cost per bleed averted."""
    laid = lay_protocols(base, LEAD, ["endoscopy_yearly"], against="eus_yearly")
    assert tuple(laid.parameters.strategies) == ("endoscopy_yearly", "eus_yearly")
    row = compare_protocols(laid, "Here").row("endoscopy_yearly")
    assert row.nnt.kind == "NNTH"
    assert row.now.incremental_cost < 0
    assert row.cost_per_bleed_averted is None


def test_tables_hold_harms_beside_benefits(found):
    """Every protocol stands in both tables; procedure deaths and emboli beside QALYs; draws bring the chance of being best."""
    soon, late = protocol_tables(found)
    assert [row[0] for row in soon.rows] == [row[0] for row in late.rows] == list(found.labels.values())
    headings = " ".join(column.heading for column in late.columns)
    assert all(word in headings for word in ("Deaths from the procedure", "Embolisms", "Best value"))
    assert "Best value" not in " ".join(c.heading for c in protocol_tables(replace(found, draws=0))[1].columns)


def test_a_picture_tells_all_by_itself(found, worth):
    """Each picture's own title names strategy, comparator and hospital; axes carry units and money its year; rows stand beside it."""
    for name, spec in surveillance_figures(found, worth).items():
        figure = Figure(figsize=(spec.width, spec.height))
        spec.draw(figure)
        ax = figure.axes[0]
        title = " ".join(ax.get_title(loc="left").split())
        against = "endoscopy at 3 months" if name == "surveillance_recurrence" else "no surveillance"
        assert all(part in title for part in ("EUS-guided coil and glue", against, "Here"))
        axes = ax.get_xlabel() + ax.get_ylabel()
        assert "USD, 2024 prices" in axes
        assert any(unit in axes for unit in ("per 100 patients", "a year", "Months"))
        assert spec.rows


def test_points_of_the_picture_are_the_rows(found):
    """Each protocol stands at its bleeds averted and extra cost."""
    marks = plot_protocols(found, ax=Figure().subplots())
    for row in found.rows:
        (x, y) = (float(v[0]) for v in marks[row.key].get_data())
        assert (x, y) == pytest.approx((row.now.bleeds_averted_per_100, row.now.incremental_cost))


def test_the_section_shows_pictures_sentences_and_tables(found, worth):
    """Three pictures that are drawn, the sentences, and both tables."""
    section = surveillance_section(found, worth)
    assert set(chart_names(section.blocks)) == set(surveillance_figures(found, worth))
    bullets = next(block for block in section.blocks if isinstance(block, Bullets))
    assert tuple(text for _, text in bullets.items) == worth.sentences
    assert sum(isinstance(block, Table) for block in section.blocks) == 2


def test_a_case_about_a_drug_says_why_nothing_is_compared():
    """A drug has no varix to find open: the report says so and goes on."""
    told = follow_up(load_case(None, (), ["lead=beta_blocker"]), draws=0)
    assert isinstance(told, str)
    assert "must be one that treats a varix" in told


def test_what_is_refused(base):
    """An unknown protocol, a strategy without a varix to find, nothing to compare, and an impossible value: one message each."""
    with pytest.raises(AnalysisError, match=r"protocol 'eus_yearli'.*must be one of"):
        lay_protocols(base, LEAD, ["eus_yearli"])
    with pytest.raises(AnalysisError, match=r"protocol 'eus_weekly'.*must be one of"):
        lay_protocols(base, LEAD, against="eus_weekly")
    with pytest.raises(AnalysisError, match="strategy 'beta_blocker': must be one that treats a varix"):
        lay_protocols(base, "beta_blocker")
    with pytest.raises(AnalysisError, match="strategy 'nobody': must be one that treats a varix"):
        lay_protocols(base, "nobody")
    with pytest.raises(AnalysisError, match="protocol 'none' is compared with itself"):
        lay_protocols(base, LEAD, ["none"])
    with pytest.raises(AnalysisError, match="no protocol is without visits"):
        lay_protocols(replace(base, protocols={"eus_yearly": base.protocols["eus_yearly"]}), LEAD)
    with pytest.raises(ParameterError, match="p_detect_eus"):
        load_case(None, (), ["p_detect_eus=-0.1"])
