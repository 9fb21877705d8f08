"""A hand-computed bleeding model through the public engine.

At risk, bleeding (one cycle), post-bleed, dead; bleeding 0.20 or 0.10 a cycle, other death 0.05, case fatality 0.15,
rebleeding 0.30, death after a bleed 0.10. Own construction with exact fractions; no published source.
"""

from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from integration import accumulate

from econmodel.economics.validation import discount_factors
from econmodel.evidence.nnt import patients_per_event
from econmodel.model.cohort import Moves, Schedule, run_cohort

DATA = Path(__file__).parent / "data"
#        bleed  death  fatal  survives  rebleed  later death
MOVES = Moves(4, (0, 0, 1, 1, 2, 2), (1, 3, 3, 2, 1, 3))
BLEED, REBLEED = 0, 4


def run(cycles=600, rates=(0.0,), bleed=(0.20, 0.10), fatality=0.15):
    """Both arms as two lanes."""
    p = np.array([[b, 0.05, fatality, 1 - fatality, 0.30, 0.10] for b in bleed]).T
    schedule = Schedule(1, (0,) * cycles, cycles_per_year=1, discount_rates=rates)
    return run_cohort(MOVES, lambda stage: p, np.array([[1.0, 1.0], [0, 0], [0, 0], [0, 0]]), schedule, keep_trace=True)


def test_life_expectancy_and_bleeds():
    """316/29 and 1080/87 cycles; 64/29 and 160/87 bleeds a patient (exact, 1e-9)."""
    found = run()
    alive = found.starts[0, 0, :3].sum(axis=0)
    bleeds = found.moves[0, 0, [BLEED, REBLEED]].sum(axis=0)
    assert alive == pytest.approx([float(Fraction(316, 29)), float(Fraction(1080, 87))], abs=1e-9)
    assert bleeds == pytest.approx([float(Fraction(64, 29)), float(Fraction(160, 87))], abs=1e-9)
    assert run(fatality=0.16).starts[0, 0, :3].sum(axis=0) != pytest.approx(alive, abs=1e-3)


def test_nnt_and_patients_per_bleed_averted_are_two_numbers():
    """Lifetime risk 0.8 against 2/3 gives NNT 7.5; 87/32 patients per bleed of any kind averted (exact)."""
    found = run()
    risk = found.moves[0, 0, BLEED]
    assert risk == pytest.approx([0.8, 2 / 3], abs=1e-12)
    assert patients_per_event(risk[0] - risk[1]) == pytest.approx(7.5, abs=1e-9)
    any_bleed = found.moves[0, 0, [BLEED, REBLEED]].sum(axis=0)
    assert patients_per_event(any_bleed[0] - any_bleed[1]) == pytest.approx(2.71875, abs=1e-9)
    assert patients_per_event(any_bleed[0] - any_bleed[1]) != pytest.approx(7.5, abs=1)


def test_ten_cycles():
    """Ten cycles: life-years at cycle ends and by trapezoid, and bleeds (computed, 1e-6)."""
    found = run(10)
    alive = 1 - found.trace[:, 3]
    assert accumulate(alive, timing="end") == pytest.approx([6.602865, 7.006307], abs=1e-6)
    assert accumulate(alive) == pytest.approx([6.900867, 7.270477], abs=1e-6)
    assert found.years[0, 0, :3].sum(axis=0) == pytest.approx([6.900867, 7.270477], abs=1e-6)
    assert found.moves[0, 0, [BLEED, REBLEED]].sum(axis=0) == pytest.approx([1.393057, 0.934053], abs=1e-6)
    assert accumulate(alive, timing="start") != pytest.approx([6.900867, 7.270477], abs=0.1)


def test_trace():
    """Every cycle of both traces (exact to the nine digits kept)."""
    table = pd.read_csv(DATA / "toy_bleed_trace.csv")
    for lane, arm in enumerate(table.arm.unique()):
        expected = table.loc[table.arm == arm, ["at_risk", "bleeding", "post_bleed", "dead"]].to_numpy()
        np.testing.assert_allclose(run(len(expected) - 1).trace[:, :, lane], expected, atol=1e-8)


def test_discounted_occupancy():
    """At 3.5% a cycle the discounted cycles alive are (I - Q/1.035)^-1 summed: 8.412298 and 9.277040 (1e-6)."""
    found = run(rates=(0.0, 0.035))
    assert found.starts[1, 0, :3].sum(axis=0) == pytest.approx([8.412298, 9.277040], abs=1e-6)
    assert found.starts[0, 0, :3].sum(axis=0) != pytest.approx([8.412298, 9.277040], abs=1)


def test_moves_are_discounted_at_mid_cycle():
    """A move in cycle k carries the factor of k + 1/2; patient-years carry the trapezoid's."""
    found = run(10, rates=(0.035,))
    at_risk = found.trace[:-1, 0]
    factors = discount_factors(0.035, np.arange(10) + 0.5)
    assert found.moves[0, 0, BLEED] == pytest.approx(np.array([0.2, 0.1]) * (factors @ at_risk), rel=1e-12)
    assert found.moves[0, 0, BLEED] != pytest.approx(
        np.array([0.2, 0.1]) * (discount_factors(0.035, np.arange(10.0)) @ at_risk), rel=1e-3
    )
    assert found.years[0, 0, 0] == pytest.approx(accumulate(found.trace[:, 0], rate=0.035), rel=1e-12)
