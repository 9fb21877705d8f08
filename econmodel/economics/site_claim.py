"""What a hospital's own case sets beside a claim: its course and bleed cost, break-even NNT, and the model's NNT for its mix."""

from __future__ import annotations

from typing import Any

from econmodel.economics.evaluate import evaluate
from econmodel.economics.lead import find_subjects
from econmodel.errors import AnalysisError
from econmodel.evidence.nnt import NumberNeededToTreat
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import WATCH
from econmodel.records import record
from econmodel.wording import lower


@record
class SiteClaim:
    """The lead strategy of a case against no prophylaxis by a time, per patient.

    ``course_cost`` and ``bleed_cost`` are the net cost of prophylaxis and what a first bleed averted saves, in ``currency``.
    """

    title: str
    strategy: str
    years: int
    currency: str
    course_cost: float
    bleed_cost: float | None
    break_even_nnt: float | None
    nnt: NumberNeededToTreat

    @property
    def course_share(self) -> float | None:
        """The course in bleed costs."""
        return None if self.break_even_nnt is None else 1 / self.break_even_nnt

    def to_dict(self) -> dict[str, Any]:
        """Give the figures as JSON."""
        return {
            "title": self.title,
            "strategy": self.strategy,
            "years": self.years,
            "currency": self.currency,
            "course_cost": self.course_cost,
            "bleed_cost": self.bleed_cost,
            "course_share": self.course_share,
            "break_even_nnt": self.break_even_nnt,
            "nnt": self.nnt.to_json(),
        }

    def sentences(self) -> tuple[str, ...]:
        """Say them, for the lead strategy and this mix of patients."""
        even, share, saved = self.break_even_nnt, self.course_share, self.bleed_cost
        money = (
            f"a course costs {self.course_cost:,.0f} {self.currency} net, {share:.2f} of the {saved:,.0f} that a first bleed averted "
            f"saves: break-even NNT {even:.2f}"
            if even is not None and share is not None and saved is not None
            else "there is no break-even NNT, for want of benefit or of an added cost of prophylaxis"
        )
        said = "1 year" if self.years == 1 else f"{self.years} years"
        return (
            f"{self.title}, {lower(self.strategy)} against no prophylaxis by {said}: {money}.",
            f"The model's NNT for this mix at that time is {self.nnt.text}, any first bleed counted and death competing.",
        )


def site_claim(parameters: ParameterSet, title: str, years: float | None) -> SiteClaim:
    """Work out what a case sets beside a claim.

    Parameters
    ----------
    parameters
        The hospital's inputs.
    title
        Its name.
    years
        Time of the claim, taken to the next whole year; None for the case's headline time.

    Raises
    ------
    AnalysisError
        The time lies beyond the case's horizon.
    """
    found = evaluate(parameters, by_group=False)
    at = int(parameters.number("headline_years")) if years is None else max(int(-(-years // 1)), 1)
    if at > found.horizon:
        what = f"the claim runs to {at} years: the case ends after {found.horizon}"
        raise AnalysisError(what, where="--years", fix="set horizon_years = lifetime")
    lead = find_subjects(parameters, found).lead
    compared = found.compare_means(lead, WATCH, at)
    return SiteClaim(
        title,
        parameters.strategies[lead].label,
        at,
        parameters.text("currency"),
        compared.incremental_prophylaxis_cost,
        compared.first_bleed_cost,
        compared.break_even_nnt,
        compared.nnt[at],
    )
