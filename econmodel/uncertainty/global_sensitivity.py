"""Global sensitivity: first-order and total Sobol indices of net cost and bleeds averted.

The inputs with the widest one-way swings are varied together, each through its own quantile function and as if it were
independent of the others, as shares of variance presuppose; the rest stay at base. Indices are those of Saltelli 2010
(Comput Phys Commun 181:259, doi:10.1016/j.cpc.2009.09.018) by a general sensitivity library.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from econmodel.model.inputs import base_values
from econmodel.parameters.following import follow_draws
from econmodel.records import record
from econmodel.uncertainty.deterministic import Question, answer, one_way

FloatArray = NDArray[np.float64]
MOST_INPUTS = 12
EDGE = 1e-6


@record
class SobolRow:
    """Share of an outcome's variance owed to one input: alone, and with all its interactions."""

    name: str
    label: str
    first_order: float
    first_order_error: float
    total: float
    total_error: float


def sobol_indices(question: Question, *, seed: int, points: int = 256, names: Sequence[str] | None = None) -> list[SobolRow]:
    """Compute Sobol indices of one question; largest total first.

    Parameters
    ----------
    question
        Outcome, strategy and comparator.
    seed
        Seed of the sample and of the bootstrap errors.
    points
        Base sample, a power of two; the model runs ``points x (inputs + 2)`` times.
    names
        Inputs; None takes the :data:`MOST_INPUTS` uncertain ones with the widest one-way swings.
    """
    from SALib.analyze import sobol as analyze
    from SALib.sample import sobol as sample

    uncertain = {n: p for n, p in question.parameters.numeric().items() if p.is_uncertain}
    chosen = list(names) if names else [r.name for r in one_way(question) if r.name in uncertain][:MOST_INPUTS]
    problem = {"num_vars": len(chosen), "names": chosen, "bounds": [[EDGE, 1 - EDGE]] * len(chosen)}
    u = sample.sample(problem, points, calc_second_order=False, seed=seed)
    values = {n: np.repeat(v, len(u)) for n, v in base_values(question.parameters).items()}
    values |= {n: uncertain[n].distribution.ppf(np.ascontiguousarray(u[:, i])) for i, n in enumerate(chosen)}
    found = analyze.analyze(problem, answer(question, follow_draws(question.parameters, values)), calc_second_order=False, seed=seed)
    rows = [
        SobolRow(
            n, uncertain[n].label, float(found["S1"][i]), float(found["S1_conf"][i]), float(found["ST"][i]), float(found["ST_conf"][i])
        )
        for i, n in enumerate(chosen)
    ]
    return sorted(rows, key=lambda r: -r.total)


def both_outcomes(question: Question, *, seed: int, points: int = 256) -> dict[str, list[SobolRow]]:
    """Sobol indices of net cost and of bleeds averted."""
    return {outcome: sobol_indices(replace(question, outcome=outcome), seed=seed, points=points) for outcome in ("cost", "bleeds")}
