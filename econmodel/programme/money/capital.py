"""Equipment over the budget: purchases and replacements, salvage, straight-line depreciation, book value; leases, payments per use.

Under the *existing* basis nothing is bought at the start: only replacements that fall within the budget are cash, at
the share of use charged, and the use of what stands there already is a memo charge. A *lease* is paid by the month over its term
and taken again, *per use* by session and endoscopy; neither rises within its contract unless escalated. Under *purchase* each item is
bought in its month at ``share_if_new``. Month m means m months after the start and falls in year ``ceil(m / 12)``;
month 0 is the start itself. What was bought within the budget stands at its book value at the end, or is sold at its
salvage value if the programme closes then.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from econmodel.programme.cost_tables import EXISTING, LEASE, PER_USE, PURCHASE, CapitalItem
from econmodel.records import record

FloatArray = NDArray[np.float64]


@record
class CapitalSchedule:
    """Capital by month, nominal, arrays (draw, month), except ``by_month`` (draw, month 0 .. n).

    ``by_month`` is outlay less salvage; ``depreciation`` is of what the programme bought; ``use_charge`` is
    depreciation of existing equipment at its share of use (not cash); ``book_value`` is the mean over the month of both;
    ``closing_book`` (draw,) is what the bought and unsold is worth at the end. ``lease`` is paid by the month, ``per_use`` for each
    use.
    """

    by_month: FloatArray
    depreciation: FloatArray
    use_charge: FloatArray
    book_value: FloatArray
    lease: FloatArray
    per_use: FloatArray
    closing_book: FloatArray

    def hire(self, uses: FloatArray) -> FloatArray:
        """Lease and payment per use, cash by month; ``uses`` (draw, month)."""
        return np.asarray(self.lease + self.per_use * uses)


@record
class Holding:
    """One machine in hand from ``start`` to ``end`` (months, may start before 0); ``cost`` with tax and ``salvage`` at its share."""

    cost: FloatArray
    salvage: float
    life: float
    start: float
    end: float
    bought: bool

    @property
    def per_month(self) -> FloatArray:
        """Depreciation of a month, at today's price, shape (draw, 1)."""
        return np.asarray((self.cost - self.salvage) / self.life)[:, None]

    def worth(self, month: FloatArray) -> FloatArray:
        """Book value at months in hand, at today's price, shape (draw, month)."""
        return self.cost[:, None] - self.per_month * (month - self.start)


def holdings(item: CapitalItem, basis: str, n_months: int, tax: FloatArray) -> Iterator[Holding]:
    """Machines of an item in hand within the budget, one after the other."""
    gap = 12.0 * item.service_years
    share = item.share if basis == EXISTING else item.share_if_new
    start = -12.0 * item.age_years if basis == EXISTING else float(item.month)
    bought = basis == PURCHASE
    while start < n_months:
        yield Holding(share * item.cost * (1.0 + tax), share * item.salvage, 12.0 * item.life_years, start, start + gap, bought)
        start, bought = start + gap, True


def schedule_capital(
    items: Sequence[CapitalItem], basis: str, price_index: FloatArray, *, closes: bool, tax: FloatArray | None = None, stop: int = 0
) -> CapitalSchedule:
    """Lay the equipment out over the budget.

    Parameters
    ----------
    items
        Equipment, in money of the price year.
    basis
        That of items without one of their own: ``existing``, ``purchase``, ``lease`` or ``per_use``.
    price_index
        Equipment price relative to the price year by year, shape (draw, year), year 0 first.
    closes
        Whether what was bought is sold at the end.
    tax
        Tax that cannot be recovered on what is bought or hired, shape (draw,).
    stop
        Month after which no lease is taken again; 0: none.
    """
    n_draws, n_months = len(price_index), 12 * (price_index.shape[1] - 1)
    tax = np.zeros(1) if tax is None else tax
    cash, closing = np.zeros((n_draws, n_months + 1)), np.zeros(n_draws)
    bought, existing, book, lease, per_use = (np.zeros((n_draws, n_months)) for _ in range(5))
    middle = np.arange(n_months) + 0.5
    for item in items:
        had = item.basis or basis
        if had in (LEASE, PER_USE):
            amount = item.monthly * item.share_if_new if had == LEASE else item.amount
            (lease if had == LEASE else per_use)[:] += _hired(item, had, price_index, stop) * (amount * (1.0 + tax))[:, None]
            continue
        for held in holdings(item, had, n_months, tax):
            stays = held.bought and held.end > n_months and not closes
            _add_cash(cash, held, price_index, n_months, sold=not stays)
            price = price_index[:, [price_year_of(held.start)]] if held.bought else np.ones((n_draws, 1))
            in_hand = (middle > held.start) & (middle < held.end)
            (bought if held.bought else existing)[:] += price * held.per_month * in_hand
            book += price * held.worth(middle) * in_hand
            closing += stays * (price * held.worth(np.array([float(n_months)])))[:, 0]
    return CapitalSchedule(cash, bought, existing, book, lease, per_use, closing)


def price_year_of(month: float) -> int:
    """Year of a month, the start being year 0."""
    return max(0, int(np.ceil(month / 12.0)))


def _hired(item: CapitalItem, basis: str, price_index: FloatArray, stop: int) -> FloatArray:
    """Price level of each month's hire, shape (draw, month): that of the month it was taken in, or its own; 0 outside."""
    first, n_months = max(1, item.month), 12 * (price_index.shape[1] - 1)
    term = item.term_months if basis == LEASE else n_months
    level = np.zeros((len(price_index), n_months))
    for month in range(first, n_months + 1):
        taken = first + (month - first) // term * term
        if not stop or taken <= stop:
            level[:, month - 1] = price_index[:, price_year_of(month if item.escalated else taken)]
    return level


def _add_cash(cash: FloatArray, held: Holding, price_index: FloatArray, n_months: int, *, sold: bool) -> None:
    end = min(round(held.end), n_months)
    if held.bought:
        month = round(held.start)
        cash[:, month] += held.cost * price_index[:, price_year_of(month)]
    if sold and (held.bought or held.end < n_months):
        cash[:, end] -= held.salvage * price_index[:, price_year_of(end)]
