"""Money per unit of activity: what the payers pay at the margin, and what it costs at the margin.

A payment counts as income only as far as it moves with activity: price-list payment x the payer's ratio x
(1 - denial) x ``paid_at_margin``, weighted by payer share; what a contract covers is kept apart, at full payment, as its payer
settles by the year. Professional fees are added only for the share of work done by physicians the hospital employs, and with
them what these physicians cost.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.prices import Prices
from econmodel.errors import AnalysisError
from econmodel.parameters.catalogue import BLEED_ADMISSIONS, CATEGORY, COMPLICATIONS, DEVICES, ENDOSCOPIES, SESSION_KINDS, VISIT_KINDS
from econmodel.programme.input_tables import Contract, Payer, PayerTerm, Site
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.money.levels import year_by_year
from econmodel.records import record

FloatArray = NDArray[np.float64]
PROPHYLAXIS, AFTER = "prophylaxis", ("aftercare", "background")
BY_UNIT = ("payment", "paid", "income", "variable_cost", "full_cost", "cash_share")


@record
class UnitMoney:
    """Money per unit of each activity in base-year prices, arrays (draw, activity), or (draw, year, activity) where a path moves one.

    Zero where there is no price.

    ``payment`` is what the list and fees give in full, ``income`` what payers pay of it at the margin, contracts apart, ``paid`` the
    part of it that they pay, contracts at their variable share.
    ``cash_share`` is the part of the variable cost that is money at the margin, whether the activity rises or falls; the rest
    is the time of staff who are there anyway. The marks are of activities, shape (activity,). ``contracted`` is income at full
    payment, one array for each contract, beside ``income``.
    """

    payment: FloatArray
    paid: FloatArray
    income: FloatArray
    variable_cost: FloatArray
    full_cost: FloatArray
    cash_share: FloatArray
    is_prophylaxis: NDArray[np.bool_]
    is_device: NDArray[np.bool_]
    is_harm: NDArray[np.bool_]
    contracted: tuple[tuple[Contract, FloatArray], ...]

    def each(self, of: Callable[[FloatArray], FloatArray]) -> UnitMoney:
        """The same with every array of money put through ``of``."""
        found: dict[str, Any] = {name: of(getattr(self, name)) for name in BY_UNIT}
        return replace(self, **found, contracted=tuple((contract, of(unit)) for contract, unit in self.contracted))

    def last_year(self) -> UnitMoney:
        """That of the last year, arrays (draw, activity)."""
        return self.each(lambda a: a[:, -1] if a.ndim > 2 else a)


def unit_money(inputs: ProgrammeInputs, prices: Prices, categories: Mapping[str, str], activities: tuple[str, ...]) -> UnitMoney:
    """Line the price list up with the model's activities and apply payers and device tax.

    Parameters
    ----------
    inputs, prices
        Programme inputs and the price list.
    categories
        Activity to category (``prophylaxis``, ``bleeds``, ``aftercare``, ``background``).
    activities
        The model's activities, the order of the result.

    Raises
    ------
    AnalysisError
        A priced activity has no category, or a payer term names an activity that is neither priced nor a category.
    """
    _check(inputs, prices, categories)
    each = [_in_one_year(*of_year, categories, activities) for of_year in year_by_year(inputs, prices)]
    if not each:
        return _in_one_year(inputs, prices, categories, activities)
    found: dict[str, Any] = {name: np.stack([getattr(one, name) for one in each], axis=1) for name in BY_UNIT}
    contracts = [np.stack([one.contracted[i][1] for one in each], axis=1) for i in range(len(each[0].contracted))]
    return replace(each[0], **found, contracted=tuple(zip((c for c, _ in each[0].contracted), contracts, strict=True)))


def _in_one_year(inputs: ProgrammeInputs, prices: Prices, categories: Mapping[str, str], activities: tuple[str, ...]) -> UnitMoney:
    full, share, payment = (_aligned(prices, array, activities) for array in (prices.full_cost, prices.variable_share, prices.payment))
    device = np.array([name in DEVICES for name in activities])
    prophylaxis = np.array([name in prices.activities and categories[name] == PROPHYLAXIS for name in activities])
    harm = np.array([name in COMPLICATIONS for name in activities])
    full = full * np.where(prophylaxis & ~harm, inputs.ratio_cost[:, None], 1.0)
    variable = full * share * (1.0 + inputs.share_device_tax[:, None] * device)
    fees, cost = (_physicians(inputs, prefix, activities) for prefix in ("payment_professional", "c_physician"))
    listed = (payment + fees) * np.where(prophylaxis, inputs.ratio_payment[:, None], 1.0)
    factor, contracts = _payer_factors(inputs, categories, activities)
    contracted = tuple((contract, listed * paid) for contract, paid in contracts)
    cash = _cash_share(inputs, categories, activities)
    beyond = np.atleast_2d(factor + sum(contract.variable * paid for contract, paid in contracts))
    return UnitMoney(listed, beyond, listed * factor, variable + cost, full, cash, prophylaxis, device, harm, contracted)


def _cash_share(inputs: ProgrammeInputs, categories: Mapping[str, str], activities: tuple[str, ...]) -> FloatArray:
    """Part of each variable cost that is cash, (draw, activity); what is bought, devices and drugs, is cash throughout."""
    kinds = (
        (SESSION_KINDS, inputs.share_cash_sessions),
        (VISIT_KINDS, inputs.share_cash_visits),
        (COMPLICATIONS, inputs.share_cash_harms),
        ([name for name, category in categories.items() if category == "bleeds"], inputs.share_cash_bleeds),
        ([name for name, category in categories.items() if category in AFTER], inputs.share_cash_aftercare),
    )
    n_draws = np.broadcast_shapes(*(share.shape for _, share in kinds))
    found = np.ones((*n_draws, len(activities)))
    for names, share in kinds:
        found[:, [name in names for name in activities]] = share[:, None]
    return found


def _check(inputs: ProgrammeInputs, prices: Prices, categories: Mapping[str, str]) -> None:
    for name in prices.activities:
        if name not in categories:
            what = f"the priced activity {name!r} has no category"
            raise AnalysisError(what, fix="place it in prophylaxis, bleeds, aftercare or background")
    for term in inputs.payer_terms:
        if term.activity not in prices.activities and term.activity not in categories.values():
            what = f"payer_terms: {term.payer!r} has a term for {term.activity!r}, neither a priced activity nor a category"
            raise AnalysisError(what, fix=f"use one of {', '.join(sorted(set(categories.values())))}, or an activity")


def _aligned(prices: Prices, array: FloatArray, activities: tuple[str, ...]) -> FloatArray:
    lined = np.zeros((array.shape[0], len(activities)))
    for position, name in enumerate(activities):
        if name in prices.activities:
            lined[:, position] = array[:, prices.activities.index(name)]
    return lined


def _physicians(inputs: ProgrammeInputs, prefix: str, activities: tuple[str, ...]) -> FloatArray:
    """Fees or cost of employed physicians by activity, (draw, activity)."""
    work = {"session": SESSION_KINDS, "surveillance": ENDOSCOPIES, "bleed": BLEED_ADMISSIONS}
    each = sum(getattr(inputs, f"{prefix}_{key}")[:, None] * np.isin(activities, kinds) for key, kinds in work.items())
    return np.asarray(inputs.share_physician_employed[:, None] * each)


def _payer_factors(
    inputs: ProgrammeInputs, categories: Mapping[str, str], activities: tuple[str, ...]
) -> tuple[FloatArray, list[tuple[Contract, FloatArray]]]:
    """Share-weighted payment per unit of price-list payment, (activity,), and the same at full payment for each contract's scope."""
    factor, contracts = np.zeros(len(activities)), []
    for payer in inputs.payers:
        terms = [t for t in inputs.payer_terms if t.payer == payer.name]
        margin = inputs.margin_everywhere
        paid = np.array([payer.share * _paid(payer, terms, name, categories.get(name, ""), margin) for name in activities])
        for contract in inputs.contracts:
            if contract.payer == payer.name and margin is None:
                covered = np.array([name in contract.scope or categories.get(name) in contract.scope for name in activities])
                full = np.array([payer.share * _paid(payer, terms, name, categories.get(name, ""), 1.0) for name in activities])
                contracts.append((contract, full * covered))
                paid = paid * ~covered
        factor += paid
    return factor, contracts


def _paid(payer: Payer, terms: list[PayerTerm], activity: str, category: str, margin_everywhere: float | None) -> float:
    """Pay of one payer for one activity: a term for the activity goes before one for its category."""
    relevant = [t for name in (category, activity) for t in terms if t.activity == name]
    ratio, denial, margin = payer.payment_ratio, payer.denial, payer.paid_at_margin
    for term in relevant:
        ratio = ratio if term.payment_ratio is None else term.payment_ratio
        denial = denial if term.denial is None else term.denial
        margin = margin if term.paid_at_margin is None else term.paid_at_margin
    return ratio * (1.0 - denial) * (margin if margin_everywhere is None else margin_everywhere)


def beyond_plans(money: UnitMoney) -> UnitMoney:
    """The same with every contract paid at its variable share, as of a change beyond its plan."""
    return replace(money, income=sum((contract.variable * unit for contract, unit in money.contracted), money.income), contracted=())


def site_money(inputs: ProgrammeInputs, money: UnitMoney, site: Site, activities: tuple[str, ...]) -> UnitMoney:
    """Money per unit at a partner: the hub's beyond its plans, but for payers and prices of the site's own."""
    found = beyond_plans(money)
    if not site.payers and not site.prices:
        return found
    payment, cost, paid = money.payment.copy(), money.variable_cost.copy(), money.paid
    if site.payers:
        paid = _payer_factors(replace(inputs, payers=site.payers, payer_terms=(), contracts=()), CATEGORY, activities)[0]
    for price in site.prices:
        at = activities.index(price.activity)
        payment[..., at] = payment[..., at] if price.payment is None else price.payment
        cost[..., at] = cost[..., at] if price.unit_cost is None else price.unit_cost
    return replace(found, payment=payment, income=payment * paid, variable_cost=cost)


def pure_margin(inputs: ProgrammeInputs) -> float | None:
    """``paid_at_margin`` where every payer and every term of one has the same, else None: a mixture, as every contract is."""
    if inputs.contracts:
        return None
    found = {p.paid_at_margin for p in inputs.payers if p.share or p.name in {point.payer for point in inputs.paths}} | {
        t.paid_at_margin for t in inputs.payer_terms if t.paid_at_margin is not None
    }
    return found.pop() if len(found) == 1 else None
