"""Follow-up protocols: one strategy under several schedules, effects held."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.errors import AnalysisError, ParameterError
from econmodel.parameters import ParameterSet, load_case
from econmodel.uncertainty.surveillance import Protocols, compare_protocols, with_protocols

LEAD = "coil_and_glue"


@pytest.fixture(scope="module")
def found(base: ParameterSet) -> Protocols:
    return compare_protocols(base, LEAD, draws=40, map_points=2)


def test_more_visits_more_money_fewer_bleeds(found):
    """Bleeds fall and examinations rise from none to two-yearly, yearly and six-monthly; none finds and treats nothing."""
    rows = {row.key: row for row in found.rows}
    order = [rows[key] for key in ("none", "endoscopy_2_yearly", "endoscopy_yearly", "eus_yearly", "eus_6_monthly")]
    for seldom, often in pairwise(order):
        assert often.first_bleeds_per_100 < seldom.first_bleeds_per_100
        assert often.bleeds_per_100 < seldom.bleeds_per_100
        assert often.examinations > seldom.examinations
        assert often.retreatments > seldom.retreatments
        assert often.cost > seldom.cost
        assert often.qalys > seldom.qalys
    assert (order[0].examinations, order[0].retreatments, order[0].nnt, order[0].cost_per_bleed_averted) == (0, 0, None, None)


def test_figures_follow_from_one_another(found):
    """NNT and cost per bleed averted are those of the two rows; shares of draws sum to 1; the frontier starts somewhere."""
    none = found.rows[0]
    assert none.key == found.none == "none"
    for row in found.rows[1:]:
        assert row.nnt == pytest.approx(100 / (none.first_bleeds_per_100 - row.first_bleeds_per_100), rel=1e-9)
        averted = (none.bleeds_per_100 - row.bleeds_per_100) / 100
        assert row.cost_per_bleed_averted == pytest.approx((row.cost - none.cost) / averted, rel=1e-9)
    assert sum(row.best for row in found.rows) == pytest.approx(1)
    assert [row.status for row in found.rows].count("reference") == 1


def test_stopping_at_year_five_shows_after_it(found):
    """Within five years the schedule that stops then is the same; over a lifetime it costs less and loses QALYs."""
    rows = {row.key: row for row in found.rows}
    on, stopped = rows["eus_yearly"], rows["eus_yearly_5_years"]
    assert stopped.bleeds_per_100 == pytest.approx(on.bleeds_per_100, rel=1e-12)
    assert stopped.lifetime_cost < on.lifetime_cost
    assert stopped.qalys < on.qalys


def test_the_protocol_of_the_case_is_its_strategy(base):
    """The schedule that the strategy has gives the strategy's own results; all protocols have one effect."""
    followed, _ = with_protocols(base, LEAD)
    own = evaluate(load_case(None, (), ["effect_basis=process"]).parameters, by_group=False)
    e = evaluate(followed, by_group=False)
    assert e.cost()[0, e.index("eus_yearly"), 0] == pytest.approx(own.cost()[0, own.index(LEAD), 0], rel=1e-9)
    assert np.ptp(e.inputs.course.hr_obliterated) == 0


def test_sentences_and_map(found):
    """Recurrence, the price of an examination, an open varix and loss each have their sentence; the map has four corners."""
    assert len(found.sentences) == 4
    assert found.map.values.shape == (2, 2)
    assert (np.diff(found.map.values, axis=1) > 0).all()
    document = found.to_json()
    assert document["protocols"][0]["key"] == "none"
    assert len(document["map"]) == 4


def test_what_is_refused(base, tmp_path):
    """An unknown protocol, a strategy without a varix to find, and a protocol of another form, each in one message."""
    with pytest.raises(AnalysisError, match=r"protocol 'eus_yearli'.*must be one of"):
        compare_protocols(base, LEAD, ["eus_yearli"])
    with pytest.raises(AnalysisError, match="strategy 'beta_blocker': must be one that treats a varix"):
        compare_protocols(base, "beta_blocker")
    with pytest.raises(ParameterError, match="p_detect_eus"):
        load_case(None, (), ["p_detect_eus=-0.1"])
