"""Published and constructed efficiency frontiers."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from econmodel.economics.comparison import rank_strategies

DATA = Path(__file__).parent / "data"
TABLE = pd.read_csv(DATA / "frontier_examples.csv")


def ranked(name, **changes):
    """Rank the options of one set, some costs changed."""
    rows = TABLE[TABLE.set == name]
    costs = [changes.get(option, cost) for option, cost in zip(rows.option, rows.cost, strict=True)]
    return rows, rank_strategies(list(rows.option), costs, list(rows.effect))


def test_published_colorectal_screening_frontier():
    """Ratios 39,459; 43,687; 80,616; 185,054; 235,859 Australian dollars per life-year.

    Source: Australia and New Zealand Health Policy 2005;2:10, table 7 (doi:10.1186/1743-8462-2-10); tolerance 1, as
    costs are printed to the dollar and life-years to the unit.
    """
    rows, found = ranked("ANZ_CRC")
    published = [float(text) for text in rows.expected_published_or_status.dropna()]
    assert [row.icer for row in found[1:]] == pytest.approx(published, abs=1)
    assert [row.status for row in found] == ["reference"] + ["on_frontier"] * 5
    average = [row.cost / row.effect for row in found[1:]]
    assert average == pytest.approx([39459, 41194, 45283, 52315, 57923], abs=1)
    # Negative control: average ratios are not the incremental ones.
    assert average[1:] != pytest.approx(published[1:], rel=0.01)


def test_extended_dominance():
    """B is ruled out by a mix of A and C, D by C; the frontier is A, C, E with 7,500 and 30,000 (own construction)."""
    _, found = ranked("TOY")
    by_key = {row.key: row for row in found}
    assert [by_key[k].status for k in "ABCDE"] == ["reference", "extendedly_dominated", "on_frontier", "dominated", "on_frontier"]
    assert [by_key["C"].icer, by_key["E"].icer] == pytest.approx([7500, 30000])
    assert by_key["B"].icer is None
    assert by_key["D"].icer is None
    # Negative control: a cheaper B is on the frontier.
    assert {row.key: row.status for row in ranked("TOY", B=500)[1]}["B"] == "on_frontier"


@pytest.mark.parametrize("name", ["ANZ_CRC", "TOY"])
def test_best_net_benefit_changes_at_the_frontier_ratios(name):
    """The option of highest net benefit is on the frontier and changes exactly at its ratios.

    Statement: Suen SC, Goldhaber-Fiebert JD, Med Decis Making 2016 (PMC4626430).
    """
    rows, found = ranked(name)
    frontier = [row for row in found if row.status in ("reference", "on_frontier")]
    cost, effect = rows.cost.to_numpy(), rows.effect.to_numpy()
    for before, after in pairwise(frontier):
        for threshold, best in ((after.icer * 0.9999, before.key), (after.icer * 1.0001, after.key)):
            assert rows.option.iloc[int(np.argmax(threshold * effect - cost))] == best


def test_order_of_options_does_not_matter():
    """A shuffled list gives the same ranking."""
    rows, found = ranked("TOY")
    shuffled = rows.iloc[[3, 1, 4, 0, 2]]
    again = rank_strategies(list(shuffled.option), list(shuffled.cost), list(shuffled.effect))
    assert again == found
