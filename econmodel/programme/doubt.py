"""What draws tell of a programme: its inputs and activity by draw, its budget, luck, and the programme in stages."""

from __future__ import annotations

import numpy as np

from econmodel.model.inputs import base_values
from econmodel.parameters.board import ACCEPTED
from econmodel.parameters.catalogue import CATEGORY
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.programme.budget import Budget, run_budget
from econmodel.programme.inputs import ProgrammeInputs, is_change
from econmodel.programme.luck import Luck, bleeds_seen, lucky_budget, weigh_luck
from econmodel.programme.options import Planned
from econmodel.programme.planned import in_the_mix, programme_draws
from econmodel.programme.staged import DECIDED_AT, Staged, stage
from econmodel.records import record


@record
class Doubt:
    """All of it; empty without draws. ``staged`` is None where the board has not said what a bleed averted is worth to it."""

    each: tuple[ProgrammeInputs, Planned] | None = None
    batch: Budget | None = None
    luck: Luck | None = None
    staged: Staged | None = None

    @property
    def probability_cash_loss(self) -> float | None:
        """Chance of a loss in cash, of inputs and luck together; None without draws or where nothing is proposed."""
        return self.luck.probability_cash_loss if self.luck else None


def draw_programme(parameters: ParameterSet, inputs: ProgrammeInputs, planned: Planned, draws: int, seed: int) -> Doubt:
    """Run the programme over draws.

    Parameters
    ----------
    parameters
        The case.
    inputs, planned
        Its programme inputs, and activity per start with prices, at base values.
    draws, seed
        How many draws; none leave everything out.
    """
    if not draws:
        return Doubt()
    from econmodel.parameters.sampling import sample

    kept = in_the_mix(parameters)
    drawn = sample(parameters, draws, seed=seed)
    theirs, activity = programme_draws(parameters, drawn)
    batch = run_budget(theirs, *activity, CATEGORY)
    if not is_change(inputs):
        return Doubt((theirs, activity), batch)
    alone = {name: np.repeat(value, draws) for name, value in base_values(kept).items()}
    both = lucky_budget(kept, drawn, theirs, activity, seed=seed)
    luck = weigh_luck(batch, lucky_budget(kept, alone, inputs, planned, seed=seed), both)
    accepted, staged = parameters.board.get(ACCEPTED), None
    if accepted is not None and inputs.n_months > DECIDED_AT:
        stopped = run_budget(theirs.changed(n_stop_month=DECIDED_AT), *activity, CATEGORY)
        counted = "rebleeds" if inputs.bled else "first bleeds"
        staged = stage(batch, stopped, bleeds_seen(both, DECIDED_AT), accepted, counted)
    return Doubt((theirs, activity), batch, luck, staged)
