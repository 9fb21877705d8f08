"""Blended contracts: what a payer adds to a year's payment when activity within its contract changes.

Of the change ``A`` in a year, valued at full payment, a contract pays ``clip(B + A) - clip(B)``: ``B`` is the payer's activity
without the programme, and ``clip(x)`` the payment beyond the plan, its variable share of ``x - plan`` held between floor and cap.
What it pays is no longer in proportion to the volume.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from econmodel.programme.input_tables import Contract
from econmodel.programme.money import finance
from econmodel.programme.money.rows import Rows
from econmodel.records import record

FloatArray = NDArray[np.float64]


@record
class ContractedIncome:
    """Income of one payer within its contract at full payment, nominal: one array (draw, month) for each of its rows."""

    contract: Contract
    lines: Rows
    added: FloatArray

    def scaled(self, by: FloatArray) -> ContractedIncome:
        """Of ``by`` times as much activity, (draw, 1)."""
        return ContractedIncome(self.contract, {row: a * by for row, a in self.lines.items()}, self.added * by)

    def paid(self, tariff: FloatArray) -> Rows:
        """Its rows as the contract pays them; ``tariff`` is the index of payments by month, (draw, month)."""
        share = np.repeat(share_paid(self.contract, finance.by_year(self.added), tariff[:, ::12]), 12, axis=1)
        return {row: share * a for row, a in self.lines.items()}


def share_paid(contract: Contract, added: FloatArray, tariff: FloatArray) -> FloatArray:
    """Share of a year's change in activity that a contract pays, arrays (draw, year).

    Parameters
    ----------
    contract
        The contract.
    added
        Change in the value of activity within it, nominal, at full payment.
    tariff
        Index of payments, by which a plan of one number is carried.

    Examples
    --------
    >>> contract = Contract("A", ("bleeds",), (100.0,), (100.0,), variable=0.5, floor=0.95, cap=1.2)
    >>> share_paid(contract, np.array([[20.0, -20.0, 100.0, 0.0]]), np.ones((1, 4)))
    array([[0.5 , 0.25, 0.2 , 0.5 ]])
    """
    plan, baseline = (in_each_year(values, tariff) for values in (contract.plan, contract.baseline))

    def beyond(value: FloatArray) -> FloatArray:
        most = np.inf if np.isinf(contract.cap) else (contract.cap - 1.0) * plan
        return np.minimum(np.maximum(contract.variable * (value - plan), (contract.floor - 1.0) * plan), most)

    moves = added != 0
    paid = beyond(baseline + added) - beyond(baseline)
    return np.asarray(np.where(moves, paid / np.where(moves, added, 1.0), contract.variable))


def in_each_year(values: Sequence[float], tariff: FloatArray) -> FloatArray:
    """Value of each year in its own money: as given by year, or one carried as payments are."""
    return np.asarray(values[0] * tariff if len(values) == 1 else np.broadcast_to(values, tariff.shape))
