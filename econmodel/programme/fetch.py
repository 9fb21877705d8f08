"""What to find out first: the inputs that hold the doubt in the decision, and whether someone in the house knows them.

An input's score is the larger of two shares of variance over the draws: of the net benefit of the lead strategy against usual
care, and of the programme's net present value in cash; without a threshold for a QALY cash alone counts. Each is what the
input explains in draws its regression has not seen. An input derived from another stands with it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from econmodel.parameters.following import parents_of
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.sampling import sample
from econmodel.programme.planned import budget_of, in_the_mix
from econmodel.records import record
from econmodel.uncertainty.information import share_explained
from econmodel.uncertainty.probabilistic import Psa
from econmodel.uncertainty.research import as_column

FloatArray = NDArray[np.float64]
ASK, RESEARCH, CASH_DRAWS = 12, 5, 500
KNOWN = frozenset({"local", "published"})
NOTHING = 0.005


@record
class Wanted:
    """One input to find out: its shares of the variance of net benefit and of cash, those derived from it, and who is asked.

    The share of net benefit is None without a threshold.
    """

    name: str
    label: str
    status: str
    value: float | str
    unit: str
    of_benefit: float | None
    of_cash: float
    with_it: tuple[str, ...]
    who: str

    @property
    def score(self) -> float:
        """Larger of the two shares."""
        return max(self.of_benefit or 0.0, self.of_cash)


@record
class ToFetch:
    """What someone in the house can tell, by score, and what only research can."""

    ask_here: tuple[Wanted, ...]
    only_research: tuple[Wanted, ...]


def first_to_fetch(psa: Psa, lead: str, usual_care: str, asked: Mapping[str, str], cash: FloatArray | None = None) -> ToFetch:
    """Rank what is not yet local or published by what it holds of the doubt.

    Parameters
    ----------
    psa
        Draws of the case, inputs and outcomes.
    lead, usual_care
        The two compared.
    asked
        Inputs that the form has a question for, with those who are asked.
    cash
        Net present value of the programme in cash in the first draws, (draw,); None works out at most :data:`CASH_DRAWS`.
    """
    parameters = psa.parameters
    benefit, before = psa.compare(lead, usual_care).net_monetary_benefit, {name: psa.inputs[name][:, 0] for name in psa.inputs}
    values = sample(parameters, min(CASH_DRAWS, psa.draws) if cash is None else len(cash), seed=psa.seed)
    cash = budget_of(in_the_mix(parameters), values).npv_cash if cash is None else cash
    rows = []
    for name, members in _families(parameters, list(before)).items():
        p = parameters.parameters.get(name)
        if p is None or p.status in KNOWN:
            continue
        of_benefit, of_cash = (
            None if outcome is None else share_explained([as_column(parameters[m], drawn[m]) for m in members if m in drawn], outcome)
            for drawn, outcome in ((before, benefit), (values, cash))
        )
        assert of_cash is not None
        value = p.value if p.value is not None else ""
        rows.append(Wanted(name, p.label, p.status, value, p.unit, of_benefit, of_cash, tuple(members[1:]), asked.get(name, "")))
    ranked = sorted((row for row in rows if row.score > NOTHING), key=lambda row: -row.score)
    here, elsewhere = ([row for row in ranked if bool(row.who) is at_hand] for at_hand in (True, False))
    return ToFetch(tuple(here[:ASK]), tuple(elsewhere[:RESEARCH]))


def _families(parameters: ParameterSet, drawn: Sequence[str]) -> dict[str, list[str]]:
    """Inputs as drawn, each with those derived from it behind it."""
    heads = {}
    for name in drawn:
        p, head = parameters.parameters.get(name), name
        while p is not None and (above := next((parent for parent in parents_of(p) if parent in drawn), None)):
            head, p = above, parameters.parameters[above]
        heads[name] = head
    return {head: [head, *(name for name in drawn if heads[name] == head != name)] for head in dict.fromkeys(heads.values())}
