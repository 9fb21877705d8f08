"""What draws tell of a programme: its budget, luck, the programme in stages, and the chance of a loss of every option."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field

import numpy as np

from econmodel.model.inputs import Values, base_values
from econmodel.parameters.board import ACCEPTED
from econmodel.parameters.catalogue import CATEGORY
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.programme.budget import Budget, run_budget
from econmodel.programme.inputs import ProgrammeInputs, is_change
from econmodel.programme.luck import DOUBTS, Luck, bleeds_seen, lucky_budgets, weigh_luck
from econmodel.programme.options import Planned, option_inputs, plans
from econmodel.programme.planned import in_the_mix, programme_draws
from econmodel.programme.staged import DECIDED_AT, Staged, stage
from econmodel.records import record

Run = tuple[Values, ProgrammeInputs, Planned]


@record
class Doubt:
    """All of it; empty without draws.

    ``staged`` is None where the board has not said what a bleed averted is worth to it; ``chances`` are of a loss in cash, by option
    and kind of doubt.
    """

    batch: Budget | None = None
    chances: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
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
    from econmodel.parameters.sampling import sample, stream

    drawn = sample(parameters, draws, seed=seed)
    alone = {name: np.repeat(value, draws) for name, value in base_values(parameters).items()}
    theirs, activity = programme_draws(parameters, drawn)
    batch, runs = run_budget(theirs, *activity, CATEGORY), ((alone, inputs, planned), (drawn, theirs, activity))
    luck = staged = None
    if is_change(inputs):
        kept = in_the_mix(parameters)
        one, both = (next(lucky_budgets(kept, values, [own], plan, stream(seed, "luck"))) for values, own, plan in runs)
        luck, staged = weigh_luck(batch, one, both), _staged(parameters, batch, activity, both)
    return Doubt(batch, _chances(parameters, runs, luck, seed), luck, staged)


def _staged(parameters: ParameterSet, batch: Budget, activity: Planned, both: Budget) -> Staged | None:
    accepted, inputs = parameters.board.get(ACCEPTED), batch.inputs
    if accepted is None or inputs.n_months <= DECIDED_AT:
        return None
    stopped = run_budget(inputs.changed(n_stop_month=DECIDED_AT), *activity, CATEGORY)
    return stage(batch, stopped, bleeds_seen(both, DECIDED_AT), accepted, "rebleeds" if inputs.bled else "first bleeds")


def _chances(parameters: ParameterSet, runs: tuple[Run, Run], luck: Luck | None, seed: int) -> dict[str, Mapping[str, float]]:
    """Chance of a loss of every option: today's mix has none, what does the same as the proposal has its own."""
    from econmodel.parameters.sampling import stream

    inputs, (_, theirs, activity) = runs[0][1], runs[1]
    mixes = {plan.key: plan.mix for plan in plans(parameters, inputs)}
    found: dict[frozenset[tuple[str, float]], Mapping[str, float]] = {_named(inputs.current_mix): dict.fromkeys(DOUBTS, 0.0)}
    if luck:
        found[_named(inputs.proposed_mix)] = {row.doubt: row.probability_cash_loss for row in luck.rows}
    others = {_named(mix): mix for mix in mixes.values() if _named(mix) not in found}

    def options(one: ProgrammeInputs) -> list[ProgrammeInputs]:
        return [option_inputs(parameters, one, mix) for mix in others.values()]

    budgets = [
        (run_budget(one, *activity, CATEGORY) for one in options(theirs)),
        *(lucky_budgets(parameters, values, options(own), plan, stream(seed, "luck of options")) for values, own, plan in runs),
    ]
    lost = [[float((budget.npv_cash < 0).mean()) for budget in of_doubt] for of_doubt in budgets]
    found |= {name: dict(zip(DOUBTS, chances, strict=True)) for name, *chances in zip(others, *lost, strict=True)}
    return {key: found[_named(mix)] for key, mix in mixes.items()}


def _named(mix: Mapping[str, float]) -> frozenset[tuple[str, float]]:
    return frozenset((key, share) for key, share in mix.items() if share)
