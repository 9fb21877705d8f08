"""What a follow-up protocol is worth: where it stops being worth its price, on what that rests, and two maps of it.

Worth its price means a net monetary benefit over the time horizon above that of the protocol it is held against. Money is
linear in the price of an examination, so that the price at which the answer turns is found beyond its declared range too.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from econmodel.economics.evaluate import evaluate
from econmodel.parameters.catalogue import ITEMS
from econmodel.records import record
from econmodel.uncertainty.deterministic import (
    Question,
    TornadoRow,
    answer_to,
    ask,
    needed_input,
    one_way,
    outcome_of,
    plain_rows,
    points_in_range,
    varied,
)
from econmodel.uncertainty.surveillance import Followed, Plans, Protocols
from econmodel.uncertainty.thresholds import threshold
from econmodel.uncertainty.two_way import Grid, two_way
from econmodel.wording import lower, money, number, plain_number, span

OPEN_VARIX = "hr_patent"
INTERVALS = (3, 6, 9, 12, 18, 24, 36, 48, 60)
INTERVAL = "interval"
MAP_POINTS = 9
PAID = ("payer", "hospital_margin")
FLAT = 1e-9


@record
class Worth:
    """What the protocol asked about is worth against its comparator.

    Attributes
    ----------
    rival
        The best value of the other protocols.
    sentences
        Which protocol is the best value, and up to which recurrence and price the one asked about is.
    unknown
        Bleeds averted per 100 at both ends of what no study or service has told: an open varix, recurrence, attendance.
    by_recurrence, by_interval
        Net benefit over recurrence and the price of an examination, against the rival; and over that price and the months
        between examinations, against the comparator.
    """

    rival: str
    sentences: tuple[str, ...]
    unknown: tuple[TornadoRow, ...]
    by_recurrence: Grid
    by_interval: Grid

    def to_json(self) -> dict[str, Any]:
        """Give the block of the document."""
        return {
            "rival": self.rival,
            "sentences": list(self.sentences),
            "unknown": plain_rows(self.unknown),
            "recurrence_by_price": self.by_recurrence.rows(),
            "interval_by_price": self.by_interval.rows(),
        }


def weigh_protocols(plans: Plans, found: Protocols, *, map_points: int = MAP_POINTS) -> Worth | None:
    """Weigh the protocol asked about, ``map_points`` a side of a map; None without a threshold, when nothing tells its worth."""
    if plans.parameters.threshold is None:
        return None
    row, price = plans.parameters.strategies[plans.asked], price_name(plans, plans.asked)
    question = ask(plans.parameters, plans.asked, plans.against, "nmb")
    names = (OPEN_VARIX, row.r_recurrence, row.r_lost)
    averted, benefit = (one_way(ask(plans.parameters, plans.asked, plans.against, outcome), names) for outcome in ("bleeds", "nmb"))
    first, second = sorted(found.rows, key=lambda r: -(r.net_benefit or 0.0))[:2]
    rival = second if first.key == plans.asked else first
    turns = [ask(plans.parameters, plans.asked, key, "nmb") for key in dict.fromkeys((plans.against, rival.key))]
    said = (_best_value(found, first, second), *(_worth(turn, price) for turn in turns), *_rests_on(found, averted, benefit))
    maps = two_way(turns[-1], row.r_recurrence, price, map_points), _by_interval(question, price, map_points)
    return Worth(rival.key, said, tuple(averted), *maps)


def price_name(plans: Plans, key: str) -> str:
    """Input that prices an examination of a protocol, in the view on money of the case."""
    stem = "payment_" if plans.parameters.text("perspective") in PAID else "c_"
    return stem + plans.parameters.strategies[key].surveillance.visit


def price_words(name: str) -> str:
    """What a price of an examination is called on an axis."""
    return ("Payment for " if name.startswith("payment_") else "Cost of ") + _examination(name)


def _examination(name: str) -> str:
    return next(item.asked for item in ITEMS if name.endswith(f"_{item.key}"))


def turning_price(question: Question, name: str) -> tuple[float, bool] | None:
    """Value of a price at which net benefit is 0, and whether the strategy is worth it below; None where it does not act."""
    p = needed_input(question.parameters, name)
    assert p.range is not None
    low, high = p.range.low, p.range.high
    at_low, at_high = answer_to(question, [{name: low}, {name: high}])
    if abs(at_high - at_low) <= FLAT * max(1.0, abs(at_low)):
        return None
    return float(low - at_low * (high - low) / (at_high - at_low)), bool(at_high < at_low)


def _best_value(found: Protocols, first: Followed, second: Followed) -> str:
    """Say which protocol has the highest net benefit, and by how much."""
    least, limit = money((first.net_benefit or 0.0) - (second.net_benefit or 0.0), found.currency), first.whole.threshold or 0.0
    often = f" It is the best value in {first.best:.0%} of {found.draws:,} draws." if first.best is not None else ""
    return (
        f"At {money(limit, found.currency)} per QALY, {found.named(first.key)} is the best value of these over the "
        f"time horizon, by {least} per patient before {found.named(second.key)}.{often}"
    )


def _worth(question: Question, price: str) -> str:
    """Say up to which recurrence and price the protocol asked about is worth it."""
    rows = question.parameters.strategies
    row, versus = rows[question.strategy], lower(rows[question.versus].label)
    recurrence, cost = _recurrence(question, row.r_recurrence), _price(question, price)
    return f"{row.label} is worth its price against {versus} {recurrence}; and {cost}."


def _recurrence(question: Question, name: str) -> str:
    p, found = question.parameters[name], threshold(question, name)
    assert p.range is not None
    rate, ends = _spoken(p.label), f"from {plain_number(p.range.low)} to {plain_number(p.range.high)}"
    here = f"here {plain_number(found.base)}"
    if len(found.crossings) == 2:
        low, high = found.crossings
        inside = (low < found.base < high) == (found.outcome_at_base > 0)
        return (
            f"while the {rate} is {'between' if inside else 'not between'} {plain_number(low)} and {plain_number(high)} a year, {here}"
        )
    if found.crossings[2:]:
        return f"in parts of the range of the {rate} turning at {', '.join(map(plain_number, found.crossings))} a year, {here}"
    if not found.crossings:
        return f"at {'every' if found.outcome_at_base > 0 else 'no'} {rate} {ends} a year, {here}"
    above = (found.base > found.crossings[0]) == (found.outcome_at_base > 0)
    return f"while the {rate} is {'above' if above else 'below'} {plain_number(found.crossings[0])} a year, {here}"


def _price(question: Question, name: str) -> str:
    p, turn = question.parameters[name], turning_price(question, name)
    said = _examination(name)
    what = f"the payment for {said} is" if name.startswith("payment_") else f"{said} costs"
    if turn is None:
        return f"what {said} costs does not move that"
    value, below = turn
    if value <= 0:
        return f"at {'no' if below else 'any'} price of {said}"
    currency = question.parameters.text("currency")
    return f"while {what} {'less' if below else 'more'} than {money(value, currency)}, here {money(float(p.value or 0), currency)}"


def _spoken(label: str) -> str:
    """Label inside a sentence that goes on, its afterthought closed by a comma."""
    return lower(label) + ("," if ", " in label else "")


def _rests_on(found: Protocols, averted: Sequence[TornadoRow], benefit: Sequence[TornadoRow]) -> Iterator[str]:
    """Say over what span bleeds averted and net benefit run as each thing that is not known does."""
    money_of = {row.name: (money(row.outcome_at_low, found.currency), money(row.outcome_at_high, found.currency)) for row in benefit}
    for row in averted:
        bleeds = f"from {number(row.outcome_at_low, 1)} to {number(row.outcome_at_high, 1)}"
        worth = f", its net benefit {' to '.join(money_of[row.name])}" if row.name in money_of else ""
        why = "no study gives it" if row.name == OPEN_VARIX else f"{row.status}; {row.basis}"
        ends = f"{plain_number(row.low_value)} to {plain_number(row.high_value)} ({why})"
        yield f"As the {_spoken(row.label)} runs from {ends}, bleeds averted per 100 over {span(found.years)} run {bleeds}{worth}."


def _by_interval(question: Question, price: str, points: int) -> Grid:
    """Net benefit over the price of an examination and the months between those after the first."""
    parameters, p = question.parameters, needed_input(question.parameters, price)
    row, base = parameters.strategies[question.strategy], parameters.strategies[question.versus]
    own = row.surveillance.interval
    intervals = sorted({*INTERVALS, *([own] if own else [])})
    keyed = {f"every_{n}": replace(row.surveillance, interval=n) for n in intervals}
    rows = {key: replace(row, key=key, surveillance=plan) for key, plan in keyed.items()}
    prices = points_in_range(p, points)
    laid = replace(parameters, strategies={question.versus: base} | rows)
    values = varied(laid, [{price: float(x)} for x in prices])
    e = evaluate(laid, values, yearly=False, by_group=False)
    worth = np.stack([outcome_of(e, question.outcome, key, question.versus) for key in rows])
    y_label = "Months between examinations after the first ones"
    return Grid(price, INTERVAL, p.label, y_label, prices, np.array(intervals, dtype=float), worth, (float(p.value or 0), float(own)))
