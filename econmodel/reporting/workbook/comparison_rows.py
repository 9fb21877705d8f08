"""Rows of a comparison, declared as data: what is compared, and what follows from it.

Definitions are those of ``economics.comparison``. A *gap* row is a result of the strategy less that of the comparator
(times a factor); a *derived* row is a formula on other rows of the same block.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

from econmodel.economics.comparison import COSTS_LESS, DOMINATED, DOMINATES, EQUAL, TRADE_OFF
from econmodel.economics.evaluate import RISK_YEARS

HORIZON, HEADLINE = "horizon", "headline"
PREFIX = {HORIZON: "", HEADLINE: "at_five_years."}
TINY = "1E-12"
Total = Callable[..., str]
Cell = Callable[[str], str]


@dataclass(frozen=True)
class GapRow:
    """Strategy less comparator, times ``factor``; ``value`` builds the formula of one of them from its totals."""

    label: str
    key: str
    style: str
    value: Callable[[Total], str]
    factor: int = 1
    year: int = 0


@dataclass(frozen=True)
class DerivedRow:
    """A formula on the rows above; ``formula`` is given the cell of a row by its key."""

    label: str
    key: str
    style: str
    formula: Callable[[Cell], str]
    year: int = 0


def block_rows(up_to: str, threshold: str) -> Iterator[GapRow | DerivedRow]:
    """Rows of one block up to one time; ``threshold`` is the willingness-to-pay cell."""
    yield from _money_and_health(up_to, threshold)
    yield from _bleeds(up_to)
    yield from _risks(up_to)
    yield from _break_even(up_to)


def _money_and_health(up_to: str, threshold: str) -> Iterator[GapRow | DerivedRow]:
    p = PREFIX[up_to]
    cost, qalys = f"{p}incremental_cost", f"{p}incremental_qalys"
    yield GapRow("Incremental cost", cost, "money", lambda t: t("total", "costs", up_to))
    yield GapRow("Incremental life-years", f"{p}incremental_life_years", "count", lambda t: t("life_years", "outcomes", up_to))
    yield GapRow("Incremental QALYs", qalys, "count", lambda t: t("qalys", "outcomes", up_to))
    yield DerivedRow("Cost per QALY gained (ICER)", f"{p}icer", "money", lambda c: _icer(c(cost), c(qalys)))
    yield DerivedRow("What the pair is", f"{p}icer_status", "small", lambda c: _status(c(cost), c(qalys)))
    yield DerivedRow(
        "Incremental net monetary benefit", f"{p}net_monetary_benefit", "money", lambda c: f"{threshold}*{c(qalys)}-{c(cost)}"
    )


def _icer(cost: str, effect: str) -> str:
    return f'IF(OR(AND({cost}<=0,{effect}>=0),AND({cost}>=0,{effect}<=0)),"",{cost}/{effect})'


def _status(cost: str, effect: str) -> str:
    trade = f'IF({cost}>0,"{TRADE_OFF}","{COSTS_LESS}")'
    dominated = f'IF(AND({cost}>=0,{effect}<=0),"{DOMINATED}",{trade})'
    return f'IF(AND({cost}=0,{effect}=0),"{EQUAL}",IF(AND({cost}<=0,{effect}>=0),"{DOMINATES}",{dominated}))'


def _bleeds(up_to: str) -> Iterator[GapRow | DerivedRow]:
    p, all_bleeds = PREFIX[up_to], f"{PREFIX[up_to]}bleeds_averted_per_100"
    yield GapRow(
        "Bleeds averted per 100 patients, first and again",
        all_bleeds,
        "count",
        lambda t: f"({t('first_bleeds', 'undiscounted', up_to)}+{t('rebleeds', 'undiscounted', up_to)})",
        -100,
    )
    yield GapRow(
        "Gastric first bleeds averted per 100 patients",
        f"{p}gastric_first_bleeds_averted_per_100",
        "count",
        lambda t: t("gastric_first_bleeds", "undiscounted", up_to),
        -100,
    )
    yield from _nnt_rows("Patients per bleed averted", f"{p}patients_per_bleed_averted", lambda c: f"({c(all_bleeds)}/100)", 0)


def _nnt_rows(label: str, key: str, arr: Callable[[Cell], str], year: int) -> Iterator[DerivedRow]:
    yield DerivedRow(label, f"{key}.value", "one", lambda c: f'IF(ABS({arr(c)})<={TINY},"",1/ABS({arr(c)}))', year)
    yield DerivedRow(
        "    benefit (NNTB) or harm (NNTH)",
        f"{key}.kind",
        "small",
        lambda c: f'IF(ABS({arr(c)})<={TINY},"none",IF({arr(c)}>0,"NNTB","NNTH"))',
        year,
    )


def _risks(up_to: str) -> Iterator[GapRow | DerivedRow]:
    """Risk reduction and NNT: by each risk year and over the horizon, or at the end of the headline years."""
    ends = [(str(y), y, f"by year {y}") for y in RISK_YEARS] + [(HORIZON, 0, "over the time horizon")]
    if up_to == HEADLINE:
        ends = [(HEADLINE, 0, "by the headline years")]
    for name, year, words in ends:
        key = f"{PREFIX[up_to]}arr.{name}"
        risk = partial(_first_bleeds, name)
        yield GapRow(f"Absolute risk reduction {words} (ARR)", key, "share", risk, -1, year)
        label, nnt = f"Patients needed to treat {words} (NNT)", f"{PREFIX[up_to]}nnt.{name}"
        yield from _nnt_rows(label, nnt, partial(_cell, key), year)


def _first_bleeds(up_to: str, of: Total) -> str:
    return of("first_bleeds", "undiscounted", up_to)


def _cell(key: str, cell: Cell) -> str:
    return cell(key)


def _break_even(up_to: str) -> Iterator[GapRow | DerivedRow]:
    p = PREFIX[up_to]
    cost, arr, prophylaxis = f"{p}incremental_cost", f"{p}arr.{up_to}", f"{p}incremental_prophylaxis_cost"
    averted = f"{p}bleeds_averted_per_100"
    yield GapRow("Incremental cost of prophylaxis (Cp)", prophylaxis, "money", lambda t: t("prophylaxis", "costs", up_to))
    yield DerivedRow(
        "Break-even NNT = Ce / Cp, Ce = -(dC - Cp) / ARR",
        f"{p}break_even_nnt",
        "count",
        lambda c: f'IF(OR({c(arr)}<={TINY},{c(prophylaxis)}<=0),"",({c(prophylaxis)}-{c(cost)})/{c(arr)}/{c(prophylaxis)})',
    )
    yield DerivedRow(
        "Net cost per first bleed averted", f"{p}net_cost_per_first_bleed_averted", "money", lambda c: _ratio(c(cost), c(arr))
    )
    yield DerivedRow(
        "Net cost per any bleed averted",
        f"{p}net_cost_per_any_bleed_averted",
        "money",
        lambda c: _ratio(c(cost), f"({c(averted)}/100)"),
    )
    yield DerivedRow("Saves money", f"{p}saves", "small", lambda c: f'IF({c(cost)}<0,"yes","no")')


def _ratio(numerator: str, denominator: str) -> str:
    return f'IF(ABS({denominator})<={TINY},"",{numerator}/{denominator})'
