"""Inputs fitted to simulated studies: how often the 95% interval holds the truth.

    python tests/benchmarks/coverage_of_fits.py [DATA SETS]

Truth is drawn from the prior, a study of two arms is simulated at it, and the effect of glue is fitted, the site's own
deviation unknown. Of 200 data sets 180 to 198 intervals must hold the truth; exit 1 otherwise.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from econmodel.evidence.study_files import Arm, Endpoint, Study
from econmodel.parameters.following import follow_draws
from econmodel.parameters.loading import load_case
from econmodel.parameters.sampling import sample
from econmodel.uncertainty.studies import predict
from econmodel.uncertainty.study_fit import fit_inputs

FITTED, N, MONTHS = "hr_glue", 150, (12.0, 24.0)
FEWEST, MOST, SETS = 180, 198, 200
BASE = load_case(None, (), ["effect_basis=process"]).parameters


def two_arms() -> Study:
    """A trial of glue against nothing, never bled, two years."""
    empty = {"months": MONTHS, "risk": (0.1, 0.2), "events": (0.0, 0.0), "at_risk": (N, N), "intervals": ((0.0, 1.0),) * 2}
    ends = (
        Endpoint(key=key, arm=key, event="first_gastric_bleed", scale="kaplan_meier", **empty)  # type: ignore[arg-type]
        for key in ("watch", "glue")
    )
    arms = {key: Arm(key, key, key, {}) for key in ("watch", "glue")}
    return Study(
        key="simulated",
        title="Simulated",
        source="mishra2011",
        locator="none",
        population="simulated",
        start="never_bled",
        mix_name="reference",
        mix=None,
        weights=(None, None, None),
        mix_basis="",
        age=None,
        share_female=None,
        note="",
        arms=arms,
        endpoints=tuple(ends),
    )


def simulate(sets: int, seed: int) -> list[tuple[float, Study]]:
    """Truth of the effect, and a study simulated at it, for each data set; all other inputs at their base values."""
    rng, study = np.random.default_rng(seed), two_arms()
    drawn = sample(BASE, sets, seed=seed)
    free = ("log_rate_site", FITTED)
    truth = {name: np.full(sets, float(p.value)) for name, p in BASE.parameters.items() if isinstance(p.value, float)}
    truth |= {name: drawn[name] for name in free}
    risks = predict(study, BASE, follow_draws(BASE, truth))
    found = []
    for i in range(sets):
        ends = []
        for end in study.endpoints:
            free_of = np.concatenate([[1.0], 1 - risks[end.key][i]])
            left, events = N, []
            for step in 1 - free_of[1:] / free_of[:-1]:
                events.append(float(rng.binomial(left, step)))
                left -= int(events[-1])
            at_risk = (N, max(1, N - int(events[0])))
            ends.append(replace(end, events=tuple(events), at_risk=at_risk))
        found.append((float(truth[FITTED][i]), replace(study, endpoints=tuple(ends))))
    return found


def covered(sets: int, *, draws: int = 4_000, seed: int = 11) -> int:
    """Data sets whose 95% interval holds the truth."""
    held = 0
    for truth, study in simulate(sets, seed):
        (x,) = fit_inputs([study], BASE, [FITTED], draws=draws).inputs
        held += x.low <= truth <= x.high
    return held


def main() -> None:
    """Print how many intervals hold the truth."""
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else SETS
    held = covered(sets)
    print(f"{held} of {sets} 95% intervals hold the truth")
    if sets == SETS and not FEWEST <= held <= MOST:
        sys.exit(1)


if __name__ == "__main__":
    main()
