"""What is held certain and yet decides: inputs without a distribution, and choices without weights.

An input is to be drawn where, between the ends of its declared range, it moves the net benefit of the lead strategy against
usual care or no prophylaxis by more than 2% of the standard deviation that this has over the draws. What a reader chooses, whom
the case is about and what a site typed are exempt. An input that acts under a choice other than the base one is asked under that
choice, and what it moves counts by the choice's weight. A choice without weights that acts is told whatever it moves.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import prod

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.lead import find_subjects
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.sampling import sample
from econmodel.parameters.schema import Parameter
from econmodel.parameters.structures import Choices, structures_of
from econmodel.records import record
from econmodel.uncertainty.deterministic import DEFINES, Change, answer_to, ask
from econmodel.uncertainty.probabilistic import Psa
from econmodel.wording import choice_words, lower, money, plain_number

FloatArray = NDArray[np.float64]
DECISIVE, LOOKED_AT = 0.02, 64
NOT_FACTS = frozenset({"price_list", "cash_basis", "finance_rate_basis", "escalator_basis", "effect_clock", "cohort_start"})
CHOSEN = frozenset({"discount_costs", "discount_outcomes", "willingness_to_pay", "perspective", "secondary_prophylaxis"})
ABOUT_WHOM = frozenset({"start_age", "share_female", "life_table"})
EXEMPT = NOT_FACTS | CHOSEN | ABOUT_WHOM | set(DEFINES)


@record
class Held:
    """One input or choice held certain: net benefit of the lead by comparator, at each value.

    ``share`` is the most that it moves against any comparator, as a share of the standard deviation over the draws.
    """

    name: str
    label: str
    unit: str
    status: str
    value: float | str | None
    benefit: Mapping[str, Mapping[str, float]]
    share: float
    sentence: str

    @property
    def choice(self) -> bool:
        """Whether it is a choice and no number."""
        return isinstance(self.value, str)


def spread_of(psa: Psa) -> dict[str, float]:
    """Standard deviation over the draws of the lead's net benefit, against usual care and against no prophylaxis."""
    subjects = find_subjects(psa.parameters)
    benefits = {v: psa.compare(subjects.lead, v).net_monetary_benefit for v in subjects.comparators if v in psa.keys}
    return {v: float(benefit.std(ddof=1)) for v, benefit in benefits.items() if benefit is not None}


def held_certain(parameters: ParameterSet, spread: Mapping[str, float]) -> tuple[Held, ...]:
    """List what is held certain and yet decides, what moves most first.

    Parameters
    ----------
    parameters
        The case.
    spread
        Standard deviation of the lead's net benefit over the draws, by comparator.
    """
    lead, structures = find_subjects(parameters).lead, structures_of(parameters)

    def benefit(choices: Choices, versus: str, changes: Sequence[Change]) -> FloatArray:
        made = structures.choose(choices) if choices else parameters
        return answer_to(ask(made, lead, versus, "nmb"), changes)

    def held(p: Parameter, names: Sequence[str], at: Mapping[str, FloatArray], weight: float) -> Held:
        share = max(weight * float(np.ptp(found)) / spread[v] for v, found in at.items())
        benefits = {v: dict(zip(names, found.tolist(), strict=True)) for v, found in at.items()}
        return Held(p.name, p.label, p.unit, p.status, p.value, benefits, share, _sentence(parameters, lead, p, benefits, share))

    found = []
    for choices, inputs in _by_structure(parameters, _still(parameters)):
        weight = prod(parameters[s].weights.get(choice, 0.0) for s, choice in choices.items())
        changes = [{p.name: x} for p in inputs if p.range for x in (p.range.low, p.range.high)]
        ends = {v: benefit(choices, v, changes) for v in spread if weight}
        found += [
            held(
                p,
                [plain_number(x) for c in changes[i : i + 2] for x in c.values()],
                {v: x[i : i + 2] for v, x in ends.items()},
                weight,
            )
            for i, p in zip(range(0, len(changes), 2), inputs, strict=True)
            if weight
        ]
    for p in parameters.parameters.values():
        if p.choices and not p.weights and _asked(p) and not parameters.idle(p.name):
            at = {v: np.concatenate([benefit({p.name: choice}, v, [{}]) for choice in p.choices]) for v in spread}
            found.append(held(p, [choice_words(choice) for choice in p.choices], at, 1.0))
    return tuple(sorted((row for row in found if row.share > (0.0 if row.choice else DECISIVE)), key=lambda row: -row.share))


def _still(parameters: ParameterSet) -> list[Parameter]:
    """Inputs that have a range and that no draw moves."""
    drawn = sample(parameters, LOOKED_AT, seed=int(parameters.number("seed")))
    ranged = (p for p in parameters.numeric().values() if _asked(p) and p.range and p.range.high > p.range.low)
    return [p for p in ranged if not np.ptp(drawn[p.name])]


def _asked(p: Parameter) -> bool:
    return p.name not in EXEMPT and not p.changed_by and p.status != "local"


def _by_structure(parameters: ParameterSet, inputs: Sequence[Parameter]) -> Iterator[tuple[dict[str, str], list[Parameter]]]:
    """Inputs by the choices, other than the base ones, under which they act."""
    found: dict[tuple[tuple[str, str], ...], list[Parameter]] = {}
    for p in inputs:
        elsewhere = tuple((s, choice) for s, choice in p.acts_where.items() if parameters.text(s) != choice)
        found.setdefault(elsewhere, []).append(p)
    yield from ((dict(choices), group) for choices, group in found.items())


def _sentence(parameters: ParameterSet, lead: str, p: Parameter, benefits: Mapping[str, Mapping[str, float]], share: float) -> str:
    currency = parameters.text("currency")
    value = plain_number(p.value) if isinstance(p.value, float) else choice_words(str(p.value))
    told = "; ".join(
        f"against {lower(parameters.strategies[v].label)} {', '.join(f'{money(x, currency)} at {name}' for name, x in at.items())}"
        for v, at in benefits.items()
    )
    return (
        f"{p.label}, held at {value}{'' if p.choices else f' {p.unit}'}. Net benefit of {lower(parameters.strategies[lead].label)} "
        f"{told}: it moves by up to {share:.0%} of its standard deviation over the draws."
    )
