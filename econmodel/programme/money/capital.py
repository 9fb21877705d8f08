"""Equipment over the budget: purchases and replacements, salvage, straight-line depreciation, book value.

Under the *existing* basis nothing is bought at the start: only replacements that fall within the budget are cash, at
the share of use charged, and the use of what stands there already is a memo charge. Under *purchase* each item is
bought in its month at ``share_if_new``. Month m means m months after the start and falls in year ``ceil(m / 12)``;
month 0 is the start itself. What was bought within the budget stands at its book value at the end, or is sold at its
salvage value if the programme closes then.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from econmodel.programme.input_tables import CapitalItem
from econmodel.records import record

FloatArray = NDArray[np.float64]


@record
class CapitalSchedule:
    """Capital by month, nominal, arrays (draw, month), except ``by_month`` (draw, month 0 .. n).

    ``by_month`` is outlay less salvage; ``depreciation`` is of what the programme bought; ``use_charge`` is
    depreciation of existing equipment at its share of use (not cash); ``book_value`` is the mean over the month of both;
    ``closing_book`` (draw,) is what the bought and unsold is worth at the end.
    """

    by_month: FloatArray
    depreciation: FloatArray
    use_charge: FloatArray
    book_value: FloatArray
    closing_book: FloatArray


@record
class _Holding:
    """One machine in hand from ``start`` to ``end`` (months, may start before 0)."""

    item: CapitalItem
    share: float
    start: float
    end: float
    bought: bool

    @property
    def per_month(self) -> float:
        """Depreciation of a month, at today's price."""
        return self.share * (self.item.cost - self.item.salvage) / (12.0 * self.item.life_years)

    def worth(self, month: FloatArray) -> FloatArray:
        """Book value at months in hand, at today's price."""
        return self.share * self.item.cost - self.per_month * (month - self.start)


def _holdings(item: CapitalItem, basis: str, n_months: int) -> Iterator[_Holding]:
    gap = 12.0 * item.service_years
    share = item.share if basis == "existing" else item.share_if_new
    start = -12.0 * item.age_years if basis == "existing" else float(item.month)
    bought = basis == "purchase"
    while start < n_months:
        yield _Holding(item, share, start, start + gap, bought)
        start, bought = start + gap, True


def schedule_capital(items: Sequence[CapitalItem], basis: str, price_index: FloatArray, *, closes: bool) -> CapitalSchedule:
    """Lay the equipment out over the budget.

    Parameters
    ----------
    items
        Equipment, in today's money.
    basis
        ``existing`` or ``purchase``.
    price_index
        Equipment price relative to today by year, shape (draw, year), year 0 first.
    closes
        Whether what was bought is sold at the end.
    """
    n_draws, n_columns = price_index.shape
    n_months = 12 * (n_columns - 1)
    cash = np.zeros((n_draws, n_months + 1))
    bought, existing, book = (np.zeros((n_draws, n_months)) for _ in range(3))
    closing = np.zeros(n_draws)
    for item in items:
        for held in _holdings(item, basis, n_months):
            stays = held.bought and held.end > n_months and not closes
            _add_cash(cash, held, price_index, n_months, sold=not stays)
            price = price_index[:, _year(held.start)] if held.bought else np.ones(n_draws)
            monthly, value = _straight_line(held, n_months)
            (bought if held.bought else existing)[:] += price[:, None] * monthly
            book += price[:, None] * value
            closing += stays * price * held.worth(np.full(n_draws, float(n_months)))
    return CapitalSchedule(cash, bought, existing, book, closing)


def _year(month: float) -> int:
    return max(0, int(np.ceil(month / 12.0)))


def _add_cash(cash: FloatArray, held: _Holding, price_index: FloatArray, n_months: int, *, sold: bool) -> None:
    end = min(round(held.end), n_months)
    if held.bought:
        month = round(held.start)
        cash[:, month] += held.share * held.item.cost * price_index[:, _year(month)]
    if sold and (held.bought or held.end < n_months):
        cash[:, end] -= held.share * held.item.salvage * price_index[:, _year(end)]


def _straight_line(held: _Holding, n_months: int) -> tuple[FloatArray, FloatArray]:
    """Depreciation and mid-month book value by month, shape (month,), at today's price."""
    middle: FloatArray = np.asarray(np.arange(n_months) + 0.5, dtype=float)
    in_hand = (middle > held.start) & (middle < held.end)
    return np.asarray(held.per_month * in_hand), np.asarray(held.worth(middle) * in_hand)
