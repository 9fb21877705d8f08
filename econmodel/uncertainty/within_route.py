"""What the lead adds to the next strategy of its route, and where that is no longer worth its price.

Worth its price means a net monetary benefit over the time horizon above 0. Two things are turned, one at a time: the price of
a coil, where the lead has coils and the other has none; and how many re-treatments the lead spares, by how often a course of
the other closes the varix (with intention to treat, by its re-treatment in year 1). There it is the effect on bleeding that
trials found which is held, and not a hazard ratio: both strategies keep their bleeds, and re-treatments alone move.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.arrays import bracketed_roots
from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.economics.results import Results
from econmodel.evidence.nnt import ABOUT_EQUAL
from econmodel.parameters.schema import PROCESS
from econmodel.records import record
from econmodel.uncertainty.deterministic import Question, answer_to, ask, outcome_of, varied
from econmodel.uncertainty.surveillance_worth import turning_price
from econmodel.wording import lower, money, number, span

COIL = "c_coil"
PAYER = "payer"
PROBABILITIES, NARROW = (0.02, 0.98), 1e-6
SAME_MONEY = 0.01
FloatArray = NDArray[np.float64]


@record
class WithinRoute:
    """What the lead adds to the next strategy of its route (``versus``, empty where there is none), per patient.

    Attributes
    ----------
    retreatments_per_100
        Of the lead and of the other, over the headline years.
    net_benefit
        Of the lead against the other, over the time horizon; None without a threshold, and then nothing is turned.
    turns_at
        Input by which re-treatments are turned, and its value where the net benefit is 0: none where it is at no value.
    turning_retreatments_per_100
        Re-treatments that the lead then spares.
    turning_price
        Price of a coil at which the net benefit is 0.
    sentence
        All of it in words.
    """

    versus: str
    sentence: str
    retreatments_per_100: tuple[float, float] | None = None
    net_benefit: float | None = None
    turns_at: tuple[str, float] | None = None
    turning_retreatments_per_100: float | None = None
    turning_price: float | None = None

    def to_json(self) -> dict[str, Any]:
        """Give the block of the result document."""
        return asdict(self)


def compare_within_route(e: Evaluation, results: Results) -> WithinRoute:
    """Compare the lead with the next strategy of its route, on the base run of a case and its results."""
    lead, versus = results.lead, results.next_of_route
    if not versus:
        none = f"{results.labels[lead]} is the only strategy of its route here, so there is no next one to compare it with."
        return WithinRoute("", none)
    years, (own, other) = results.settings.headline, (e.parameters.strategies[key] for key in (lead, versus))
    again = float(_retreatments(e, lead, years)[0]), float(_retreatments(e, versus, years)[0])
    benefit = results.comparisons[versus][lead].whole.net_monetary_benefit
    found = WithinRoute(versus, _added(results, again), again, benefit)
    if benefit is None or not own.coils or other.coils:
        return found
    question = ask(e.parameters, lead, versus, "nmb")
    turns_at, spared = _turning_retreatments(question, years)
    price = turning_price(question, COIL) if e.perspective != PAYER else None
    found = replace(found, turns_at=turns_at, turning_retreatments_per_100=spared, turning_price=price and price[0])
    alike = turns_at is None or e.parameters[turns_at[0]].evidence is None
    said = _worth(results, found, alike=alike, here=e.parameters.number(COIL))
    return replace(found, sentence=found.sentence + said)


def _turning_retreatments(question: Question, years: int) -> tuple[tuple[str, float] | None, float | None]:
    """Input and value at which the net benefit is 0, and the re-treatments per 100 that the lead then spares."""
    key, versus, rows = question.strategy, question.versus, question.parameters.strategies
    name = rows[versus].p_obliteration if question.parameters.text("effect_basis") == PROCESS else rows[versus].p_retreat_year_1
    if not name or name in rows[key].input_names() or question.parameters.has_bled:
        return None, None
    low, high = (np.array([end]) for end in PROBABILITIES)
    root = bracketed_roots(lambda x: answer_to(question, [{name: float(x[0])}]), low, high, tolerance=NARROW)
    e = evaluate(question.parameters, varied(question.parameters, [{name: float(root[0])}]), yearly=False, by_group=False)
    if not abs(outcome_of(e, question.outcome, key, versus)[0]) < SAME_MONEY:
        return None, None
    return (name, float(root[0])), float((_retreatments(e, versus, years) - _retreatments(e, key, years))[0])


def _retreatments(e: Evaluation, key: str, years: int) -> FloatArray:
    """Re-treatments per 100 patients: (draw,)."""
    return np.asarray(100 * e.count("retreatments", years)[:, e.index(key), 0])


def _added(results: Results, again: tuple[float, float]) -> str:
    """Say what the lead adds over the headline years: bleeds, re-treatments, money."""
    names, now, currency = results.labels, results.comparisons[results.next_of_route][results.lead].headline, results.settings.currency
    lead, versus, years = names[results.lead], lower(names[results.next_of_route]), span(results.settings.headline)
    averted, cost, spared = now.bleeds_averted_per_100, now.incremental_cost, again[1] - again[0]
    apart = number(abs(averted), 1)
    bleeds = f"averts about as many bleeds as {versus} (difference {apart} per 100 in {years})"
    if abs(averted) >= 100 * ABOUT_EQUAL:
        bleeds = f"averts {apart} {'more' if averted > 0 else 'fewer'} bleeds per 100 than {versus} in {years}"
    many = f"{number(abs(spared), 1)} {'fewer' if spared > 0 else 'more'} re-treatments per 100"
    needs = f", needs {many} ({number(again[0], 1)} v. {number(again[1], 1)})" if any(again) else ""
    size = money(abs(cost), currency)
    paid = f"costs {size} more" if cost > 0 else f"saves {size} of full cost"
    return f"{lead} {bleeds}{needs} and {paid} per patient over that time."


def _worth(results: Results, found: WithinRoute, *, alike: bool, here: float | None) -> str:
    """Say up to where the coil pays, and what may be the better value where it does not; ``here`` is the price of a coil."""
    currency, other = results.settings.currency, lower(results.labels[results.next_of_route])
    pays, ways, turning, price = (found.net_benefit or 0.0) > 0, [], found.turning_retreatments_per_100, found.turning_price
    spares, costs = ("spares", "costs") if pays else ("spared", "cost")
    if turning is not None and turning > 0:
        ways.append(f"it {spares} over {number(turning, 1)} of them (bleeds {'held' if alike else 'moving'})")
    if price is not None and price > 0:
        ways.append(f"{costs} under {money(price, currency)} (here {money(here, currency)})")
    if not ways:
        return "" if pays else f" {other[0].upper()}{other[1:]} may be the better value, whatever a coil costs."
    turn = f"A coil {'pays while' if pays else 'would pay if'} {' or '.join(ways)}"
    return f" {turn}; {'else' if pays else 'as it stands,'} {other} may be the better value."
