"""In stages: intake goes on after two years only while few enough of those treated have bled.

A value of going on is set against the first bleeds, or rebleeds, that so few patients will have, luck included: the number at which
to stop is the one that serves best over the draws, at what the board would pay for one bleed averted.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from econmodel.programme.budget import Budget
from econmodel.programme.money.rows import Row
from econmodel.records import record

FloatArray = NDArray[np.float64]
OUTLAY_MONTHS, DECIDED_AT = 12, 24


@record
class Staged:
    """A programme begun and looked at again after two years.

    Attributes
    ----------
    outlay
        Lowest cumulative cash of the first year, expected.
    stop_number
        Bleeds among those treated by month 24 from which intake stops; None where no number would stop it.
    npv_full, npv_staged
        Expected net present value in cash of going on whatever is seen, and of stopping by the rule; doing nothing is 0.
    probability_stopping
        Chance that the rule stops it.
    counted
        What is counted: first bleeds, or rebleeds in those who have bled.
    """

    outlay: float
    stop_number: int | None
    npv_full: float
    npv_staged: float
    probability_stopping: float
    counted: str = "first bleeds"


def stage(full: Budget, stopped: Budget, bleeds_seen: FloatArray, accepted: float, counted: str = "first bleeds") -> Staged:
    """Find the number at which to stop.

    Parameters
    ----------
    full, stopped
        Budgets of the same draws, going on and with intake stopped at month :data:`DECIDED_AT`.
    bleeds_seen
        Bleeds ``counted`` among those treated by that month, whole numbers: (draw,).
    accepted
        What the board would pay for one bleed averted.
    counted
        Which bleeds they are, in words.
    """
    averted = full.totals[Row.BLEEDS_AVERTED] - stopped.totals[Row.BLEEDS_AVERTED]
    going_on = full.npv_cash - stopped.npv_cash + accepted * averted
    numbers = np.arange(int(bleeds_seen.max()) + 2)
    served = [float(np.where(bleeds_seen < number, going_on, 0.0).mean()) for number in numbers]
    # Of numbers that serve alike, the one that stops least.
    number = int(numbers[::-1][np.argmax(served[::-1])])
    stops = bleeds_seen >= number
    return Staged(
        outlay=float(min(0.0, full.flows.mean(axis=0).cumsum()[: OUTLAY_MONTHS + 1].min())),
        stop_number=number if stops.any() else None,
        npv_full=float(full.npv_cash.mean()),
        npv_staged=float(np.where(stops, stopped.npv_cash, full.npv_cash).mean()),
        probability_stopping=float(stops.mean()),
        counted=counted,
    )
