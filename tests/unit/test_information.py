"""Value of information on plain arrays: orderings, options entered twice, settings, and what must tell nothing."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from econmodel.uncertainty.information import NOT_USABLE, SMALL, appraise, choose_knowing, nested_events, population_factor

DRAWS = 4000


@pytest.fixture(scope="module")
def problem():
    """Three options; a number acts more in one choice of a setting, and noise acts beside."""
    rng = np.random.default_rng(5)
    x, setting, noise = rng.standard_normal(DRAWS), rng.integers(0, 3, DRAWS), rng.standard_normal((DRAWS, 2))
    effect = np.array([0.0, 500.0, 1500.0])[setting]
    benefit = np.stack([np.zeros(DRAWS), 200 + effect * x + 300 * noise[:, 0], effect - 700 + 300 * noise[:, 1]], axis=1)
    return x, setting, benefit


def values(benefit, *known):
    return [worth.value for worth in appraise(benefit, [choose_knowing(benefit, columns) for columns in known], 1)]


def test_nothing_known_is_worth_nothing_and_more_is_worth_more(problem):
    """A column without variation is worth exactly 0; number and setting together more than each, and at most everything."""
    x, setting, benefit = problem
    nothing, number, choice, both = values(benefit, [np.ones(DRAWS)], [x], [setting], [x, setting])
    everything = float((benefit.max(axis=1) - benefit[:, benefit.mean(axis=0).argmax()]).mean())
    assert nothing == 0.0
    assert 0 < number < both
    assert 0 < choice < both
    assert both <= everything
    assert both == pytest.approx(values(benefit, [setting, x])[0], rel=0.05)


def test_knowing_everything_is_never_passed():
    """Whatever is fitted, noise included, the value is at most that of knowing everything: it is net benefit, not a prediction."""
    rng = np.random.default_rng(2)
    benefit = rng.standard_normal((200, 4))
    everything = float(benefit.max(axis=1).mean() - benefit.mean(axis=0).max())
    found = values(benefit, *([rng.standard_normal(200) for _ in range(k)] for k in (1, 3, 8, 20)))
    assert all(value <= everything + 1e-12 for value in found)
    assert max(found) < 0.4 * everything


def test_an_option_entered_twice_changes_nothing(problem):
    """A copy of an option, wherever it stands, leaves every value as it is; so does a constant added to all."""
    x, setting, benefit = problem
    before = values(benefit, [x], [setting], [x, setting])
    assert values(np.hstack([benefit, benefit[:, [1]]]), [x], [setting], [x, setting]) == pytest.approx(before, abs=1e-9)
    assert values(np.hstack([benefit[:, [2]], benefit]), [x], [setting], [x, setting]) == pytest.approx(before, abs=1e-9)
    assert values(benefit + 12345.0, [x], [setting], [x, setting]) == pytest.approx(before, abs=1e-6)
    shifted = benefit + np.array([0.0, 50.0, 0.0])  # negative control: a constant on one option alone is another problem
    assert values(shifted, [x]) != pytest.approx(before[:1], abs=1e-3)


def test_settings_against_exact_enumeration():
    """Two settings, all six cells equally often, net benefit fixed by cell: group means and all pairs give the exact values."""
    cells = np.array(list(product(range(2), range(3))) * 400)
    table = np.array([[[0.0, 5.0], [0.0, -4.0], [0.0, 1.0]], [[0.0, -6.0], [0.0, 8.0], [0.0, -1.0]]])
    benefit = table[cells[:, 0], cells[:, 1]]
    best = table.mean(axis=(0, 1)).max()
    exact = [
        table.mean(axis=1).max(axis=1).mean() - best,
        table.mean(axis=0).max(axis=1).mean() - best,
        table.max(axis=2).mean() - best,
    ]
    a, b = (cells[:, i].astype(np.int64) for i in range(2))
    assert values(benefit, [a], [b], [a, b]) == pytest.approx(exact, abs=1e-9)
    assert exact[2] > exact[1] > exact[0]


def test_a_number_has_a_curve_in_each_choice():
    """It acts one way in the first choice and the other way in the second: alone it tells nothing, with the setting everything."""
    rng = np.random.default_rng(8)
    x, setting = rng.standard_normal(DRAWS), rng.integers(0, 2, DRAWS)
    benefit = np.stack([np.zeros(DRAWS), np.where(setting == 0, x, -x)], axis=1)
    number, both = values(benefit, [x], [x, setting])
    assert number < 0.1 * both
    assert both == pytest.approx(1 / np.sqrt(2 * np.pi), abs=0.03)


def test_a_number_in_a_rare_choice_is_not_usable(problem):
    """A setting with a choice of fewer than 300 draws, met by a number, cannot be told; the setting alone can."""
    x, _, benefit = problem
    rare = (np.arange(DRAWS) < 299).astype(np.int64)
    enough = (np.arange(DRAWS) < 300).astype(np.int64)
    assert choose_knowing(benefit, [x, rare]) is None
    assert choose_knowing(benefit, [x, enough]) is not None
    assert choose_knowing(benefit, [rare]) is not None


def test_what_tells_nothing_is_small_and_few_draws_are_not_usable(problem):
    """An input that does not act is small; one that acts on few draws has an error above a tenth, and says so."""
    x, _, benefit = problem
    rng = np.random.default_rng(3)
    idle, acting = appraise(benefit, [choose_knowing(benefit, [rng.random(DRAWS)]), choose_knowing(benefit, [x])], 1)
    assert (idle.note, acting.note) == (SMALL, "")
    few = benefit[:200]
    assert appraise(few, [choose_knowing(few, [x[:200]])], 1)[0].note == NOT_USABLE


def test_the_same_seed_gives_the_same_error(problem):
    """Errors by bootstrap repeat with the seed and move with another; a study as it grows only gains events."""
    x, _, benefit = problem
    chosen = [choose_knowing(benefit, [x])]
    first, again, other = (appraise(benefit, chosen, seed)[0] for seed in (1, 1, 2))
    assert first == again
    assert first.value == other.value
    assert first.se != other.se
    small, large = nested_events(np.full(50, 0.3), (10, 40), np.random.default_rng(1))
    assert (large >= small).all()
    assert (large <= small + 30).all()


def test_population_factor_falls_with_the_report():
    """Years before the report are lost; after the last year nothing is left; no discounting counts years."""
    assert population_factor(10, 0.035) > population_factor(10, 0.035, 3) > population_factor(10, 0.05, 3) > 0
    assert population_factor(10, 0.035, 10) == 0.0
    assert population_factor(10, 0.0, 3) == 7.0
