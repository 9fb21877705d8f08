"""Rows of the programme's table inputs (mixes, payers, payer terms, contracts, ramp), each checked as it is read."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from typing import Any

from econmodel.errors import ParameterError
from econmodel.parameters.catalogue import CATEGORIES, CATEGORY
from econmodel.records import record
from econmodel.wording import duration, nearest

Rows = Sequence[Mapping[str, Any]]
TOLERANCE = 1e-9


@record
class Payer:
    """One payer: share of patients, denial share, and what it pays at the margin and relative to the price list."""

    name: str
    share: float
    denial: float = 0.0
    paid_at_margin: float = 1.0
    payment_ratio: float = 1.0


@record
class PayerTerm:
    """An exception to a payer's row for one activity or category; None leaves the payer's own value."""

    payer: str
    activity: str
    paid_at_margin: float | None = None
    payment_ratio: float | None = None
    denial: float | None = None


@record
class Contract:
    """What a payer's contract pays for a change of activity: a share of what goes beyond the plan, within a floor and a cap.

    ``scope`` are activities or categories. ``plan`` and ``baseline`` (default the plan) are the value a year of all the payer's
    activity in scope at full payment: one number, in prices of the price year and carried as payments are, or one for each year
    in its own money. ``floor`` and ``cap`` are total payment relative to the plan.
    """

    payer: str
    scope: tuple[str, ...]
    plan: tuple[float, ...]
    baseline: tuple[float, ...]
    variable: float
    floor: float = 0.0
    cap: float = math.inf


@record
class SitePrice:
    """What one activity brings and costs at a partner, in money of the price year; None leaves the hub's figure.

    ``payment`` is in full, fees in it; ``unit_cost`` the variable cost, tax and physicians in it.
    """

    activity: str
    payment: float | None = None
    unit_cost: float | None = None


@record
class Site:
    """A partner whose patients the hub treats: patients referred in a year, and the transfer it pays for each start.

    ``bleeds_at_home`` is the share of their bleeds admitted there, ``current_care_at_home`` that of their present prophylaxis.
    ``payers`` and ``prices`` are its own; without them they are the hub's. Its own payers have no terms for single activities.
    """

    name: str
    patients: float
    bleeds_at_home: float
    current_care_at_home: float
    transfer_payment: float
    payers: tuple[Payer, ...] = ()
    prices: tuple[SitePrice, ...] = ()


def check_fields(name: str, row: Mapping[str, Any], needed: Iterable[str], optional: Iterable[str] = ()) -> None:
    """Refuse a row with an unknown field, or without a needed one."""
    known = {*needed, *optional}
    for key in row:
        if key not in known:
            close = get_close_matches(key, known, n=1)
            what = f"{name}: unknown field {key!r} in a row"
            fix = f"did you mean {close[0]!r}?" if close else f"use {', '.join(sorted(known))}"
            raise ParameterError(what, fix=fix)
    for key in needed:
        if key not in row:
            what = f"{name}: a row lacks the field {key!r}: {dict(row)}"
            raise ParameterError(what, fix=f"add {key} = ...")


def checked_number(name: str, row: Mapping[str, Any], key: str, low: float = 0.0, high: float = math.inf) -> float:
    """Read a number of a row; outside its bounds it is refused."""
    value = row[key]
    good = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    if not good or not low <= value <= high:
        rule = f"between {low:g} and {high:g}" if math.isfinite(high) else f">= {low:g}"
        what = f"{name}: {key} = {value!r} must be a number {rule}"
        fix = "a percentage is written as a fraction, 25% as 0.25" if high == 1 else "correct it"
        raise ParameterError(what, fix=fix)
    return float(value)


def sum_to_one(name: str, shares: Iterable[float]) -> None:
    """Refuse shares that do not sum to 1."""
    total = math.fsum(shares)
    if abs(total - 1.0) > TOLERANCE:
        what = f"{name}: shares sum to {total:.6g}, must be 1"
        raise ParameterError(what, fix="correct the shares; they are not rescaled for you")


def check_repeats(name: str, keys: Sequence[object], noun: str) -> None:
    """Refuse a key that stands twice."""
    for position, key in enumerate(keys):
        if key in keys[:position]:
            what = f"{name}: {noun} {key!r} stands twice"
            raise ParameterError(what, fix="keep one row")


def read_mix(name: str, rows: Rows) -> dict[str, float]:
    """Read a mix of strategies: non-negative shares that sum to 1."""
    for row in rows:
        check_fields(name, row, ("strategy", "share"))
    check_repeats(name, [row["strategy"] for row in rows], "strategy")
    mix = {str(row["strategy"]): checked_number(name, row, "share", high=1.0) for row in rows}
    sum_to_one(name, mix.values())
    return mix


def read_payers(name: str, rows: Rows) -> tuple[Payer, ...]:
    """Read the payers: shares sum to 1; denial and paid_at_margin lie between 0 and 1."""
    payers = []
    for row in rows:
        check_fields(name, row, ("name", "share"), ("denial", "paid_at_margin", "payment_ratio"))
        numbers = {k: checked_number(name, row, k, high=math.inf if k == "payment_ratio" else 1.0) for k in row if k != "name"}
        payers.append(Payer(str(row["name"]), **numbers))
    check_repeats(name, [p.name for p in payers], "payer")
    sum_to_one(name, (p.share for p in payers))
    return tuple(payers)


def read_payer_terms(name: str, rows: Rows) -> tuple[PayerTerm, ...]:
    """Read exceptions by payer and activity (an activity key or a category)."""
    terms = []
    for row in rows:
        check_fields(name, row, ("payer", "activity"), ("denial", "paid_at_margin", "payment_ratio"))
        given = [k for k in row if k not in ("payer", "activity")]
        numbers = {k: checked_number(name, row, k, high=math.inf if k == "payment_ratio" else 1.0) for k in given}
        terms.append(PayerTerm(str(row["payer"]), str(row["activity"]), **numbers))
    check_repeats(name, [(t.payer, t.activity) for t in terms], "payer and activity")
    return tuple(terms)


def check_payer_names(payers: Sequence[Payer], terms: Sequence[PayerTerm], contracts: Sequence[Contract]) -> None:
    """Refuse a term or contract of a payer that is not in the payer mix."""
    known = [p.name for p in payers]
    for name, rows in (("payer_terms", terms), ("contracts", contracts)):
        for payer in [row.payer for row in rows]:
            if payer not in known:
                close = get_close_matches(payer, known, n=1)
                what = f"{name}: unknown payer {payer!r}"
                others = f"payers are {', '.join(known)}; override {name} as well, for these"
                raise ParameterError(what, fix=f"did you mean {close[0]!r}?" if close else others)


def read_contracts(name: str, rows: Rows) -> tuple[Contract, ...]:
    """Read blended contracts, at most one of a payer; a floor above the plan or a cap below it is refused."""
    contracts = []
    for row in rows:
        check_fields(name, row, ("payer", "scope", "plan", "variable"), ("baseline", "floor", "cap"))
        scope = (row["scope"],) if isinstance(row["scope"], str) else tuple(row["scope"])
        for covered in scope:
            if covered not in CATEGORY and covered not in CATEGORIES:
                what = f"{name}: {row['payer']!r} has {covered!r} in its scope, neither a category nor a priced activity"
                raise ParameterError(what, fix=f"use {', '.join(CATEGORIES)}, or an activity")
        plan, baseline = (_by_year(name, row, key) for key in ("plan", "baseline" if "baseline" in row else "plan"))
        highs = {"variable": 1.0, "floor": 1.0, "cap": math.inf}
        numbers = {k: checked_number(name, row, k, 1.0 if k == "cap" else 0.0, high) for k, high in highs.items() if k in row}
        contracts.append(Contract(str(row["payer"]), scope, plan, baseline, **numbers))
    check_repeats(name, [c.payer for c in contracts], "payer")
    return tuple(contracts)


def _by_year(name: str, row: Mapping[str, Any], key: str) -> tuple[float, ...]:
    """One number, or one for each year."""
    given = row[key] if isinstance(row[key], list) else [row[key]]
    return tuple(checked_number(name, {key: value}, key) for value in given)


def check_contracts(contracts: Sequence[Contract], terms: Sequence[PayerTerm], n_years: int) -> None:
    """Refuse a plan that does not give each year its value, and a term that says otherwise what is paid at the margin."""
    for contract in contracts:
        for key in ("plan", "baseline"):
            if len(getattr(contract, key)) not in (1, n_years):
                what = (
                    f"contracts: {key} of {contract.payer!r} has {len(getattr(contract, key))} values, the budget {duration(n_years)}"
                )
                raise ParameterError(what, fix="give one value for each year, or one for all")
        for term in terms:
            covered = term.activity in contract.scope or CATEGORY.get(term.activity) in contract.scope
            if term.payer == contract.payer and covered and term.paid_at_margin is not None:
                what = f"contracts: {term.payer!r} has {term.activity!r} in its scope and a paid_at_margin in payer_terms"
                raise ParameterError(what, fix="keep one: the contract says what is paid at the margin")


def read_sites(name: str, rows: Rows) -> tuple[Site, ...]:
    """Read the partner sites; a share of patients above 1 is refused, as are payers and prices of its own that break their rules."""
    sites = []
    for row in rows:
        fields = ("patients", "bleeds_at_home", "current_care_at_home", "transfer_payment")
        check_fields(name, row, ("name", *fields), ("payers", "prices"))
        of = f"{name}, {row['name']!r}"
        numbers = {k: checked_number(of, row, k, high=1.0 if k.endswith("_home") else math.inf) for k in fields}
        payers = read_payers(f"{of}, its payers", _own_rows(of, row, "payers")) if "payers" in row else ()
        sites.append(Site(str(row["name"]), **numbers, payers=payers, prices=_read_site_prices(of, _own_rows(of, row, "prices"))))
    check_repeats(name, [site.name for site in sites], "site")
    return tuple(sites)


def _own_rows(of: str, row: Mapping[str, Any], key: str) -> Rows:
    found = row.get(key, [])
    if not isinstance(found, list) or not all(isinstance(each, dict) for each in found):
        what = f"{of}: {key} = {found!r} must be a list of rows"
        raise ParameterError(what, fix=f"write {key} = [{{ ... }}, ...], or leave it out for the hub's")
    return found


def _read_site_prices(of: str, rows: Rows) -> tuple[SitePrice, ...]:
    """Read prices of a partner's own: of a priced activity, a payment, a unit cost, or both."""
    prices = []
    for row in rows:
        check_fields(f"{of}, its prices", row, ("activity",), ("payment", "unit_cost"))
        activity, given = str(row["activity"]), [k for k in row if k != "activity"]
        if activity not in CATEGORY:
            what = f"{of}: its prices name {activity!r}, no priced activity"
            raise ParameterError(what, fix=nearest(activity, CATEGORY, f"use one of {', '.join(CATEGORY)}"))
        if not given:
            what = f"{of}: its price of {activity!r} is neither a payment nor a unit cost"
            raise ParameterError(what, fix="add payment = ..., or unit_cost = ...")
        prices.append(SitePrice(activity, **{k: checked_number(f"{of}, its price of {activity!r}", row, k) for k in given}))
    check_repeats(f"{of}, its prices", [price.activity for price in prices], "activity")
    return tuple(prices)


def check_sites(sites: Sequence[Site], referred_in: float) -> None:
    """Refuse another number of patients referred in than the sites' own together."""
    together = math.fsum(site.patients for site in sites)
    if sites and abs(together - referred_in) > TOLERANCE:
        what = f"sites: they refer {together:g} patients a year together, but n_referred_in = {referred_in:g}"
        raise ParameterError(what, fix=f"set n_referred_in = {together:g}, or correct the patients of the sites")


def read_ramp(name: str, rows: Rows) -> tuple[float, ...]:
    """Read the ramp: quarters 1, 2, ... after the start of work, each a share of full capacity up to 100%.

    The last quarter's share stays in force.
    """
    for row in rows:
        check_fields(name, row, ("quarter", "share"))
    quarters = [row["quarter"] for row in rows]
    if not rows or quarters != list(range(1, len(rows) + 1)):
        what = f"{name}: quarters are {quarters}, must be 1, 2, 3, ... in order"
        raise ParameterError(what, fix="number the quarters from 1 without gaps")
    for row in rows:
        share = row["share"]
        if isinstance(share, int | float) and share > 1:
            what = f"{name}: quarter {row['quarter']} has {share:.0%} of capacity, must not exceed 100%"
            raise ParameterError(what, fix="raise n_session_slots instead, or write the share as a fraction")
    return tuple(checked_number(name, row, "share", high=1.0) for row in rows)
