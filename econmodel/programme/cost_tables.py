"""Rows of what is paid whatever the volume: equipment, however it is had, and fixed costs; each checked as it is read."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from econmodel.errors import ParameterError
from econmodel.programme.input_tables import Rows, check_fields, check_repeats, checked_number
from econmodel.records import record
from econmodel.wording import duration, nearest

EXISTING, PURCHASE, LEASE, PER_USE = BASES_OF_CAPITAL = ("existing", "purchase", "lease", "per_use")
EVERY = ("year", "once")
FOLLOWED = ("pay", "devices", "tariff", "mixed", "none")
SESSIONS, ALWAYS = "sessions", "always"
SHARES = {"share": 1.0, "share_if_new": 1.0}


@record
class CapitalItem:
    """One piece of equipment, in money of the price year, however it is had.

    ``basis`` is one of :data:`BASES_OF_CAPITAL`, empty for that of all the equipment. ``month`` is when it is bought (0: before the
    first month) or hired; ``share`` is the share of use charged while it is existing equipment, ``share_if_new`` the share charged if
    it is had for the programme; ``salvage`` is money received on disposal; ``age_years`` its age today; ``replace_after_years``
    (default the life) when it is replaced. A lease costs ``monthly`` over ``term_months`` and is then taken again; a use, which is a
    session or an endoscopy under surveillance, costs ``amount``; neither rises within its contract unless ``escalated``.
    """

    item: str
    cost: float = 0.0
    month: int = 0
    share: float = 1.0
    life_years: float = 0.0
    salvage: float = 0.0
    age_years: float = 0.0
    share_if_new: float = 1.0
    replace_after_years: float = 0.0
    basis: str = ""
    monthly: float = 0.0
    term_months: int = 0
    amount: float = 0.0
    escalated: bool = False

    @property
    def service_years(self) -> float:
        """Years until it is replaced."""
        return self.replace_after_years or self.life_years


@record
class FixedRow:
    """A fixed cost in money of the price year, a ``year`` in twelfths from ``month`` to ``until`` (0: the end), or ``once``.

    ``index`` are the prices it follows, ``none`` for a fixed sum; ``needs`` the options that carry it: those that add ``sessions``,
    those with more of one strategy than today, or any but doing nothing (``always``). ``wte`` are posts of a pay ``band``;
    ``physician`` marks what employed physicians cost, where that is no cost of each activity.
    """

    name: str
    amount: float
    every: str = "year"
    month: int = 1
    until: int = 0
    index: str = "pay"
    needs: str = SESSIONS
    wte: float = 0.0
    band: str = ""
    recurrent: bool = True
    physician: bool = False


@record
class Loan:
    """An ``amount`` borrowed at the end of ``month`` (0: the start), at a nominal yearly ``rate``, repaid over ``term_months``."""

    name: str
    amount: float
    month: int
    rate: float
    term_months: int


NEEDED = {
    EXISTING: ("item", "cost", "month", "share", "life_years", "salvage"),
    PURCHASE: ("item", "cost", "month", "share", "life_years", "salvage"),
    LEASE: ("item", "monthly", "term_months"),
    PER_USE: ("item", "amount"),
}


def read_capital(name: str, rows: Rows) -> tuple[CapitalItem, ...]:
    """Read the equipment; an item had in two ways, or a life shorter than the gap to replacement, is refused."""
    items, fields = list[CapitalItem](), set(CapitalItem.__dataclass_fields__)
    for row in rows:
        _choice(name, row, "basis", ("", *BASES_OF_CAPITAL))
        check_fields(name, row, NEEDED[row.get("basis") or EXISTING], fields)
        _plain(name, row, "escalated")
        whole = {key: whole_number(name, row, key) for key in ("month", "term_months") if key in row}
        texts = ("item", "basis", "escalated", *whole)
        numbers = {k: checked_number(name, row, k, high=SHARES.get(k, math.inf)) for k in row if k not in texts}
        given: dict[str, Any] = {"basis": row.get("basis", ""), "escalated": row.get("escalated", False), **whole, **numbers}
        items.append(CapitalItem(str(row["item"]), **given))
    for item in items:
        others = {other.basis or "the basis of all" for other in items if other.item == item.item}
        if len(others) > 1:
            what = f"{name}, {item.item!r}: is had in two ways ({', '.join(sorted(others))}), must be one"
            raise ParameterError(what, fix="lease, buy, pay per use or share it: keep one row")
        _check_item(name, item)
        if own := _of_two_bases(item):
            what = f"{name}, {item.item!r}: basis = {item.basis!r} with {own}: lease and purchase of the same item"
            raise ParameterError(
                what, fix=f"take {own} out, or leave basis out where capital_basis is to decide for all the equipment"
            )
    return tuple(items)


def _of_two_bases(item: CapitalItem) -> str:
    """Name an amount of an item that is no part of its own basis; empty where there is none, or where the basis of all decides."""
    bought, hired = ("cost", "salvage"), ("monthly", "amount")
    wrong = {LEASE: (*bought, "amount"), PER_USE: (*bought, "monthly"), EXISTING: hired, PURCHASE: hired}.get(item.basis, ())
    return next((key for key in wrong if getattr(item, key)), "")


def check_bases(items: tuple[CapitalItem, ...], basis: str) -> None:
    """Refuse an item that follows the basis of all the equipment and lacks what this needs."""
    for item in items:
        if basis == LEASE and not item.basis and not (item.monthly and item.term_months):
            what = f"capital, {item.item!r}: capital_basis = {LEASE!r}, but the row has no monthly and term_months"
            raise ParameterError(what, fix="add monthly = ..., term_months = ..., or give the item a basis of its own")


def read_fixed(name: str, rows: Rows) -> tuple[FixedRow, ...]:
    """Read fixed costs of the site's own; months out of order are refused."""
    found = list[FixedRow]()
    for row in rows:
        check_fields(name, row, ("name", "amount"), FixedRow.__dataclass_fields__)
        _choice(name, row, "every", EVERY)
        _choice(name, row, "index", FOLLOWED)
        for key in ("recurrent", "physician"):
            _plain(name, row, key)
        given = {k: row[k] for k in ("every", "index", "needs", "band", "recurrent", "physician") if k in row}
        whole = {k: whole_number(name, row, k) for k in ("month", "until") if k in row}
        numbers = {k: checked_number(name, row, k) for k in ("amount", "wte") if k in row}
        once = row.get("every") == "once"
        found.append(FixedRow(str(row["name"]), **{"recurrent": not once} | given | whole | numbers))
        last = found[-1]
        if last.month < 1 or 0 < last.until < last.month or (once and last.until):
            what = f"{name}, {last.name!r}: month {last.month} until {last.until}: months run from 1, and until is not before month"
            raise ParameterError(what, fix="leave until out for a cost that goes on, or is paid once")
    check_repeats(name, [row.name for row in found], "cost")
    return tuple(found)


def read_loans(name: str, rows: Rows) -> tuple[Loan, ...]:
    """Read the loans; one without a term is refused."""
    loans = []
    for row in rows:
        check_fields(name, row, Loan.__dataclass_fields__)
        month, term = (whole_number(name, row, key) for key in ("month", "term_months"))
        loans.append(Loan(str(row["name"]), checked_number(name, row, "amount"), month, checked_number(name, row, "rate"), term))
        if not term:
            what = f"{name}, {row['name']!r}: term_months = 0 must be > 0"
            raise ParameterError(what, fix="give the months over which it is repaid")
    check_repeats(name, [loan.name for loan in loans], "loan")
    return tuple(loans)


def check_loans(loans: tuple[Loan, ...], n_months: int) -> None:
    """Refuse a loan drawn outside the budget."""
    for loan in loans:
        if loan.month > n_months:
            what = f"loans, {loan.name!r}: month {loan.month} lies outside the budget of {n_months} months"
            raise ParameterError(what, fix="give a month of the budget, or take the loan out")


def check_needs(rows: tuple[FixedRow, ...], n_months: int) -> None:
    """Refuse a fixed cost of months outside the budget."""
    for row in rows:
        if max(row.month, row.until) > n_months:
            what = f"fixed_costs, {row.name!r}: month {max(row.month, row.until)} lies outside the budget of {n_months} months"
            raise ParameterError(what, fix="give a month of the budget, or take the row out")


def _choice(name: str, row: Mapping[str, Any], key: str, choices: tuple[str, ...]) -> None:
    if key in row and row[key] not in choices:
        what = f"{name}: {key} = {row[key]!r} must be one of {', '.join(filter(None, choices))}"
        raise ParameterError(what, fix=nearest(str(row[key]), choices, "choose one of them"))


def _plain(name: str, row: Mapping[str, Any], key: str) -> None:
    if not isinstance(row.get(key, True), bool):
        what = f"{name}: {key} = {row[key]!r} must be true or false"
        raise ParameterError(what, fix=f"{key} = true")


def whole_number(name: str, row: Mapping[str, Any], key: str) -> int:
    """Read a whole number of a row."""
    number = checked_number(name, row, key)
    if number != int(number):
        what = f"{name}, {row.get('item') or row.get('name')!r}: {key} {number:g} must be a whole number"
        raise ParameterError(what, fix="1 is the first month; of equipment 0 is before it")
    return int(number)


def _check_item(name: str, item: CapitalItem) -> None:
    if item.basis in (LEASE, PER_USE):
        if not (item.monthly * item.term_months if item.basis == LEASE else item.amount) > 0:
            what = f"{name}, {item.item!r}: a {item.basis.replace('_', ' ')} needs amounts and a term > 0"
            raise ParameterError(what, fix="monthly and term_months of a lease, amount of a use")
        return
    if item.life_years <= 0:
        what = f"{name}, {item.item!r}: life_years = {item.life_years:g} must be > 0"
        raise ParameterError(what, fix="give the years it can be used")
    if item.life_years < item.service_years:
        what = (
            f"{name}, {item.item!r}: life {duration(item.life_years)} is shorter than the gap to replacement, "
            f"{duration(item.service_years)}"
        )
        raise ParameterError(what, fix="replace it no later than the end of its life")
    if item.age_years >= item.service_years:
        what = f"{name}, {item.item!r}: age {duration(item.age_years)} has reached its replacement at {duration(item.service_years)}"
        raise ParameterError(what, fix="give the age today, or a later replacement within its life")
    if item.salvage > item.cost:
        what = f"{name}, {item.item!r}: salvage {item.salvage:g} exceeds cost {item.cost:g}"
        raise ParameterError(what, fix="salvage is the money received on disposal")
