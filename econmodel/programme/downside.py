"""The compulsory downside table: what happens to the net present value in cash if things go worse, one at a time and together.

Changes to the programme's own inputs are made here. Changes to inputs of the model need new activity per start and new
prices, from a ``rerun`` callable of the caller. Its argument maps input names to values, and the key ``"scenarios"`` to a tuple
of scenario names (files of ``params/scenarios/`` without ending), which are applied before the values.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, replace
from functools import partial
from typing import Any

import numpy as np

from econmodel.economics.activity import MonthlyProfiles
from econmodel.economics.prices import Prices
from econmodel.parameters.catalogue import EXAMINATIONS
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.programme.budget import Budget, nominal_finance_rate, run_budget
from econmodel.programme.cost_tables import LEASE, PURCHASE, CapitalItem
from econmodel.programme.headline import Headline, headlines
from econmodel.programme.input_tables import PayerTerm
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.money.finance import annualised
from econmodel.programme.money.rows import Row
from econmodel.programme.options import DO_MINIMUM, plans
from econmodel.programme.places import PLACES
from econmodel.programme.views import other_views, view_inputs
from econmodel.records import record
from econmodel.wording import lower

Change = Callable[[ProgrammeInputs], ProgrammeInputs]
Rerun = Callable[[dict[str, object]], tuple[MonthlyProfiles, Prices]]
ABSENCE_MONTHS = 6
ABSENCE_START = 13
STOP_MONTH = 12
COILS = 6
NEW_EQUIPMENT = "new_capital"
WORST_THREE = "three_worst"
LITTLE_CASH, OWN_STAFF, OVERTIME = 0.2, 0.6, 1.5
VIEW_LABELS = {"per_episode": "Every payment per episode", "block": "A block budget for everything"}
PAYMENT_LEVELS = (
    ("national", "Inpatient payments at the national amount", 1.0),
    ("teaching", "Inpatient payments of a large teaching hospital, 1.5 times the national amount", 1.5),
)
WORST = 3
LEAST_EFFECT = 0.5


@record
class Downside:
    """One thing that goes worse: a change of programme inputs, clinical overrides, or both."""

    key: str
    label: str
    change: Change
    clinical: Mapping[str, object]
    combines: bool = True
    parts: tuple[str, ...] = ()


@record
class DownsideRow:
    """Result of one row; ``npv_cash_change`` is against the base."""

    key: str
    label: str
    npv_cash: float
    npv_cash_change: float
    payback_years: float | None
    payback_text: str
    peak_cash: float
    year_3_net_contribution: float
    patients_per_year: float
    bleeds_averted: float
    worst: tuple[str, ...] = ()

    @property
    def said(self) -> str:
        """Label, which tells of a row that helps."""
        return self.label if self.npv_cash_change < LEAST_EFFECT else f"{self.label} (helps cash)"

    def to_json(self) -> dict[str, Any]:
        """Give the row for JSON."""
        return asdict(self) | {"worst": list(self.worst)}


def _same(inputs: ProgrammeInputs) -> ProgrammeInputs:
    return inputs


def _half_volume(inputs: ProgrammeInputs) -> ProgrammeInputs:
    return inputs.changed(ratio_volume=0.5 * inputs.ratio_volume)


def _delay(inputs: ProgrammeInputs) -> ProgrammeInputs:
    return inputs.changed(n_start_delay_months=inputs.n_start_delay_months + 12)


def _absence(inputs: ProgrammeInputs) -> ProgrammeInputs:
    return inputs.changed(n_absence_start_month=ABSENCE_START, n_absence_months=ABSENCE_MONTHS)


def _covered(inputs: ProgrammeInputs) -> ProgrammeInputs:
    return _absence(inputs).changed(covered=True)


def _overtime(inputs: ProgrammeInputs) -> ProgrammeInputs:
    """No slot to spare and no staff there anyway: each slot is paid by itself, at the overtime rate of a block's cost."""
    found: dict[str, Any] = dict.fromkeys(("share_cash_sessions", "share_cash_visits", "share_cash_harms"), 1.0)
    for place in PLACES.values():
        a_slot = getattr(inputs, place.cost) / getattr(inputs, place.block)
        found |= {place.spare: 0.0, place.block: 1.0, place.cost: OVERTIME * a_slot}
    return inputs.changed(**found)


def _payment(inputs: ProgrammeInputs) -> ProgrammeInputs:
    return inputs.changed(ratio_payment=0.8 * inputs.ratio_payment)


def _little_cash(inputs: ProgrammeInputs) -> ProgrammeInputs:
    return inputs.changed(share_cash_bleeds=LITTLE_CASH, share_cash_aftercare=LITTLE_CASH)


def _own_staff(inputs: ProgrammeInputs) -> ProgrammeInputs:
    return inputs.changed(share_cash_sessions=OWN_STAFF, share_cash_visits=OWN_STAFF)


def _examinations_unpaid(inputs: ProgrammeInputs) -> ProgrammeInputs:
    kept = tuple(term for term in inputs.payer_terms if term.activity not in EXAMINATIONS)
    unpaid = tuple(PayerTerm(payer.name, name, payment_ratio=0.0) for payer in inputs.payers for name in EXAMINATIONS)
    return inputs.changed(payer_terms=kept + unpaid)


def _dear(inputs: ProgrammeInputs) -> ProgrammeInputs:
    return inputs.changed(ratio_cost=1.2 * inputs.ratio_cost)


def _no_refill(inputs: ProgrammeInputs) -> ProgrammeInputs:
    return inputs.changed(share_bed_refill=0.0)


def _new_equipment(inputs: ProgrammeInputs) -> ProgrammeInputs:
    return _every_item(inputs, PURCHASE)


def _leased(inputs: ProgrammeInputs) -> ProgrammeInputs:
    """Each item without a quote is leased over its life at the finance rate, its salvage left to the lessor."""
    rate = float(nominal_finance_rate(inputs).mean())

    def quoted(item: CapitalItem) -> CapitalItem:
        if item.monthly or not item.life_years:
            return item
        term = max(1, round(12.0 * item.life_years))
        worth = item.cost - item.salvage * (1.0 + rate) ** -item.life_years
        return replace(item, term_months=term, monthly=annualised(worth, (1.0 + rate) ** (1.0 / 12.0) - 1.0, term))

    return _every_item(inputs.changed(capital=tuple(map(quoted, inputs.capital))), LEASE)


def _every_item(inputs: ProgrammeInputs, basis: str) -> ProgrammeInputs:
    """All equipment on one basis; what has no price to buy it at stays as it is hired."""
    items = (replace(item, basis=basis) if item.life_years else item for item in inputs.capital)
    return inputs.changed(capital=tuple(items))


def _stop(inputs: ProgrammeInputs) -> ProgrammeInputs:
    return inputs.changed(n_stop_month=STOP_MONTH)


def downsides(inputs: ProgrammeInputs) -> tuple[Downside, ...]:
    """List the rows in order, but for the three worst together."""
    views = [Downside(f"view_{view}", VIEW_LABELS[view], partial(view_inputs, view=view), {}) for view in other_views(inputs)]
    return (
        Downside("volume_half", "Half the volume", _half_volume, {}),
        Downside("delay_12_months", "Start twelve months later, fixed cost running", _delay, {}),
        Downside("operator_absent", f"Sole operator absent six months, from month {ABSENCE_START}", _absence, {}),
        Downside("operator_covered", "The same absence with an operator bought in for every slot", _covered, {}, combines=False),
        Downside("overtime", f"All added staff time is overtime, at {OVERTIME:g} times a slot's cost in a block", _overtime, {}),
        Downside("payment_less_20", "Payment for the programme's own work 20% lower", _payment, {}),
        Downside("surveillance_unpaid", "Examinations are not paid", _examinations_unpaid, {}),
        Downside("cost_more_20", "The programme's own work costs 20% more", _dear, {}),
        *views,
        Downside("bleeds_little_cash", f"Only {LITTLE_CASH:.0%} of a bleed's variable cost is cash", _little_cash, {}),
        Downside("sessions_own_staff", f"Staff who are there do the sessions: {OWN_STAFF:.0%} of their cost is cash", _own_staff, {}),
        Downside("refill_zero", "No released bed is refilled", _no_refill, {}),
        Downside(NEW_EQUIPMENT, "Equipment bought for the programme", _new_equipment, {}),
        Downside("lease", "Equipment leased for the programme", _leased, {}),
        Downside("six_coils", f"{COILS} coils a session", _same, {"n_coils_coil": COILS, "n_coils_coil_and_glue": COILS}),
        Downside("coil_ratio_one", "EUS options no better than direct glue", _same, {"scenarios": ("coil_ratios_one",)}),
        Downside("glue_hr_half", "Glue halves bleeding, no more (hazard ratio 0.50)", _same, {"hr_glue": 0.50}),
        Downside("low_untreated_risk", "Low untreated risk", _same, {"scenarios": ("low_untreated_risk",)}),
        Downside(
            "beta_blocker_background",
            "Beta-blocker in the background of every option",
            _same,
            {"scenarios": ("beta_blocker_background",)},
        ),
        Downside(
            "no_usual_follow_up", "Nobody untreated or on a drug is examined today", _same, {"scenarios": ("no_usual_endoscopy",)}
        ),
        Downside(
            "dense_usual_follow_up",
            "Everybody untreated or on a drug is examined today as often as the treated",
            _same,
            {"scenarios": ("dense_usual_endoscopy",)},
        ),
        Downside("effect_two_years", "Effect of a procedure ends after two years", _same, {"scenarios": ("effect_two_years",)}),
        Downside("stopped_month_12", f"Stopped at month {STOP_MONTH}, exit cost paid", _stop, {}, combines=False),
    )


def own_rows(parameters: ParameterSet, inputs: ProgrammeInputs) -> tuple[Downside, ...]:
    """Rows that a case has of its own: usual care for all who can take it, attendance, complications, levels of payment.

    A scenario of attendance acts on the course of a varix, which every strategy by sessions must then have.
    """
    lost = Downside("low_attendance", "Most patients are lost to follow-up", _same, {"scenarios": ("low_attendance",)})
    has_course = all(row.p_obliteration for row in parameters.strategies.values() if row.session)
    attendance = (lost,) if has_course else ()
    own = (*_best_usual_care(parameters, inputs), *attendance, *_harms_doubled(parameters), *_payment_levels(parameters))
    return (*own, *_rebleeds_alike(parameters)) if inputs.bled else own


def _rebleeds_alike(parameters: ParameterSet) -> Iterator[Downside]:
    names = {name for row in parameters.strategies.values() if row.session for name in parameters.secondary_of(row).hr_late_rebleed}
    if names:
        yield Downside(
            "rebleeds_alike", "No session averts more late rebleeds than direct glue", _same, dict.fromkeys(sorted(names), 1.0)
        )


def _best_usual_care(parameters: ParameterSet, inputs: ProgrammeInputs) -> Iterator[Downside]:
    for plan in plans(parameters, inputs):
        if plan.key == DO_MINIMUM and plan.mix != inputs.current_mix:
            yield Downside(DO_MINIMUM, f"Today's care is {lower(plan.label)}", partial(_current_care, mix=dict(plan.mix)), {})


def _current_care(inputs: ProgrammeInputs, mix: dict[str, float]) -> ProgrammeInputs:
    return inputs.changed(current_mix=mix)


def _harms_doubled(parameters: ParameterSet) -> tuple[Downside, ...]:
    """Complications twice as likely; none where no strategy has any, or where doubled they would be certain."""
    names = sorted({name for row in parameters.strategies.values() for name in row.complications.values()})
    doubled = {name: 2.0 * parameters.number(name) for name in names}
    if not doubled or max(doubled.values()) >= 1.0:
        return ()
    return (Downside("harms_doubled", "Complications of the procedures twice as likely", _same, doubled),)


def _payment_levels(parameters: ParameterSet) -> tuple[Downside, ...]:
    """National and teaching level of inpatient payments, where the payment for a bleed follows from the hospital's level.

    The higher one is the worse for the hospital: an averted bleed loses its payment.
    """
    name, payment = "ratio_hospital_payment", parameters.parameters.get("payment_bleed_survived")
    if payment is None or payment.derive is None or name not in payment.derive.parents:
        return ()
    return tuple(Downside(f"payment_{key}", label, _same, {name: level}) for key, label, level in PAYMENT_LEVELS)


def merge_clinical(parts: Iterable[Mapping[str, object]]) -> dict[str, object]:
    """Merge clinical overrides; the tuples of scenarios are joined in order."""
    merged: dict[str, object] = {}
    scenarios: list[object] = []
    for part in parts:
        found = part.get("scenarios", ())
        scenarios.extend(found if isinstance(found, tuple | list) else (found,))
        merged |= {k: v for k, v in part.items() if k != "scenarios"}
    return merged | ({"scenarios": tuple(scenarios)} if scenarios else {})


def downside_budgets(
    start: Budget,
    profiles: MonthlyProfiles,
    prices: Prices,
    categories: Mapping[str, str],
    rerun: Rerun,
    more: tuple[Downside, ...] = (),
) -> dict[str, tuple[Downside, Budget]]:
    """Run every row, and ``more`` of the case's own, against the budget they start from, the three worst together last.

    The worst come first; one that adds nothing to those before it (a cut of payments that a block budget does not make)
    gives way to the next. Stopping the programme, or cover for an absence, is a decision, not bad luck, and is left out of them;
    what moves nothing in patients who have bled, of the table.
    """

    def run(row: Downside) -> Budget:
        found = rerun(merge_clinical([row.clinical])) if row.clinical else (profiles, prices)
        return run_budget(row.change(start.inputs), *found, categories)

    results = {row.key: (row, run(row)) for row in (*downsides(start.inputs), *more)}
    if start.inputs.bled:
        results = {key: found for key, found in results.items() if not _same_rows(found[1], start)}
    alone = sorted((float(b.npv_cash.mean()), key) for key, (row, b) in results.items() if row.combines)
    together, worst = combine([]), start
    for value, key in alone:
        if len(together.parts) == WORST or value >= start.npv_cash.mean():
            break
        tried = combine([*(results[part][0] for part in together.parts), results[key][0]])
        found = run(tried)
        if found.npv_cash.mean() < worst.npv_cash.mean() - LEAST_EFFECT:
            together, worst = tried, found
    return results | {together.key: (together, worst)}


def _same_rows(one: Budget, other: Budget) -> bool:
    """Whether two budgets have the same cash and the same bleeds."""
    return all(np.allclose(one.months[row], other.months[row], rtol=1e-9) for row in (Row.NET_CASH, Row.BLEEDS_AVERTED))


def _in_turn(changes: Iterable[Change], inputs: ProgrammeInputs) -> ProgrammeInputs:
    for change in changes:
        inputs = change(inputs)
    return inputs


def combine(rows: list[Downside]) -> Downside:
    """Put several rows into one."""
    change = partial(_in_turn, tuple(row.change for row in rows))
    named = "; ".join(row.label[0].lower() + row.label[1:] for row in rows)
    label = f"The three worst together: {named}" if named else "The three worst together: none is worse than the base"
    return Downside(WORST_THREE, label, change, merge_clinical([row.clinical for row in rows]), parts=tuple(row.key for row in rows))


def downside_table(base: Budget, runs: Mapping[str, tuple[Downside, Budget]]) -> tuple[DownsideRow, ...]:
    """Turn the runs into rows, each against the base budget, the worst first and the three together last."""
    start = float(base.npv_cash.mean())
    found = headlines([budget for _, budget in runs.values()])
    rows = [_row(row, numbers, start) for (row, _), numbers in zip(runs.values(), found, strict=True)]
    return tuple(sorted(rows, key=lambda row: (row.key == WORST_THREE, row.npv_cash)))


def _row(row: Downside, numbers: Headline, start: float) -> DownsideRow:
    return DownsideRow(
        key=row.key,
        label=row.label,
        npv_cash=numbers.npv_cash,
        npv_cash_change=numbers.npv_cash - start,
        payback_years=numbers.payback_years,
        payback_text=numbers.payback_text,
        peak_cash=numbers.peak_cash,
        year_3_net_contribution=numbers.year_3_net_contribution,
        patients_per_year=numbers.patients_per_year,
        bleeds_averted=numbers.bleeds_averted,
        worst=row.parts,
    )


def favourable_budget(start: Budget, profiles: MonthlyProfiles, prices: Prices, categories: Mapping[str, str]) -> Budget:
    """Mirror of the first rows, for the best line of the cash chart: no delay, payments +20%, volume +50% with slots for it.

    Where each patient loses money, more of them are not favourable and the volume stays; it is never below the base.
    """
    paid = start.inputs.changed(n_start_delay_months=0, ratio_payment=1.2 * start.inputs.ratio_payment)
    slots = {place.most: 1.5 * getattr(paid, place.most) for place in PLACES.values() if place.most}
    more = paid.changed(ratio_volume=1.5 * paid.ratio_volume, **slots)
    runs = [start, *(run_budget(inputs, profiles, prices, categories) for inputs in (paid, more))]
    return max(runs, key=lambda run: float(run.npv_cash.mean()))
