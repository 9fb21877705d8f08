"""Reality check: bleeds that today's mix predicts in the patients followed last year, beside those that were counted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from econmodel.economics.evaluate import Evaluation
from econmodel.parameters.board import BLEEDS, PATIENTS
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.records import record
from econmodel.wording import number

LEVEL = 0.95


@record
class RealityCheck:
    """First bleeds, or rebleeds, of one year in patients followed: counted; predicted, with the range of chance alone (Poisson)."""

    patients: float
    counted: float
    predicted: float
    low: float
    high: float
    bleeds: str

    @property
    def text(self) -> str:
        """Both in a sentence, and whether chance alone explains the difference."""
        within = "within" if self.low <= self.counted <= self.high else "outside"
        return (
            f"In {number(self.patients)} such patients today's mix predicts {number(self.predicted, 1)} {self.bleeds} in a year "
            f"({number(self.low)} to {number(self.high)} by chance alone); {number(self.counted)} were counted, {within} that range."
        )

    def to_json(self) -> dict[str, Any]:
        """Give the check for JSON."""
        return vars(self) | {"text": self.text}


def reality_check(year: Evaluation, inputs: ProgrammeInputs, board: Mapping[str, Any]) -> RealityCheck | None:
    """Set last year's count against the model; None where the hospital's file gives none.

    Parameters
    ----------
    year
        The case evaluated, with its risks of the first year.
    inputs
        Today's mix, and whether its patients have bled.
    board
        What the hospital's file says for its board.
    """
    if PATIENTS not in board or BLEEDS not in board:
        return None
    from scipy import stats

    counted, name = year.count("rebleeds" if inputs.bled else "first_bleeds", 1), "rebleeds" if inputs.bled else "first bleeds"
    risk = sum(share * float(counted[0, year.index(key), 0]) for key, share in inputs.current_mix.items() if share)
    predicted = board[PATIENTS] * risk
    low, high = stats.poisson.interval(LEVEL, predicted)
    return RealityCheck(float(board[PATIENTS]), float(board[BLEEDS]), predicted, float(low), float(high), name)
