"""Capacity: beds, intensive care and endoscopy slots, and savings in three kinds that are never added together.

*Cash-releasing*: a budget falls, or bought-in supplies are not bought (consumables, agency staff, a whole block of
beds closed). *Capacity*: bed-days free for other patients, ``bed-days / (365 x occupancy)`` beds. *Quality only*:
what patients gain, with the harms of the programme beside it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.parameters.catalogue import EXAMINATIONS, HARMS, SECONDARY_SESSIONS
from econmodel.programme.budget import Budget
from econmodel.programme.intake import ramp_by_month
from econmodel.programme.money.finance import DAYS_PER_YEAR, by_year
from econmodel.programme.money.fixed import posts
from econmodel.programme.money.rows import Row
from econmodel.programme.places import PLACES, blocks_bought
from econmodel.records import record

FloatArray = NDArray[np.float64]
SAVINGS_NOTE = "Three kinds of benefit; they are never added together. Bed-days are capacity, not cash."


@record
class SlotsYear:
    """Slots of a place in one year: those taken, those it has, and blocks bought (means over draws)."""

    taken: float
    available: float
    blocks: float


@record
class CapacityYear:
    """Capacity of one year (means over draws); ``slots`` by place, ``posts`` whole-time.

    ``endoscopies_avoided`` are one emergency endoscopy for each bleed averted and the sessions of secondary
    prophylaxis that fall away; they are shown beside the slots used, not set off against them.
    """

    year: int
    bed_days_released: float
    beds_released: float
    intensive_care_days_released: float
    intensive_care_beds_released: float
    procedure_and_complication_days: float
    treatment_sessions: float
    surveillance_examinations: float
    session_slots: float
    step_fixed_blocks: float
    endoscopies_avoided: float
    waiting_at_year_end: float
    bleeds_while_waiting: float
    posts: float
    slots: dict[str, SlotsYear]


@record
class Savings:
    """Savings over the budget; ``freed_staff_time`` is saved cost that does not leave the budget as cash."""

    supplies_and_agency_staff: float
    closable_bed_blocks: float
    bed_days: float
    beds_in_last_year: float
    intensive_care_beds_in_last_year: float
    freed_staff_time: float
    bleeds_averted: float
    bleeding_deaths_averted: float
    harms_added: dict[str, float]

    def to_json(self) -> dict[str, Any]:
        """Give the three kinds apart, with a note, for JSON."""
        names = ("bed_days", "beds_in_last_year", "intensive_care_beds_in_last_year")
        return {
            "cash_releasing": {name: getattr(self, name) for name in ("supplies_and_agency_staff", "closable_bed_blocks")},
            "capacity": {name: getattr(self, name) for name in names} | {"staff_time_not_released_as_cash": self.freed_staff_time},
            "quality_only": {name: getattr(self, name) for name in ("bleeds_averted", "bleeding_deaths_averted", "harms_added")},
            "note": SAVINGS_NOTE,
        }


def beds(bed_days: FloatArray, occupancy: FloatArray) -> FloatArray:
    """Beds that yearly bed-days amount to: ``bed-days / (365 x occupancy)``.

    Examples
    --------
    >>> float(beds(np.array([73.0]), np.array([0.8]))[0])
    0.25
    """
    return np.asarray(bed_days / (DAYS_PER_YEAR * occupancy))


def change_by_year(budget: Budget, *names: str) -> FloatArray:
    """Proposed less current activity by year, shape (draw, year), years 1 to n."""
    monthly = budget.activity.total(budget.activity.change, *names)
    return by_year(monthly)


def capacity_by_year(budget: Budget) -> tuple[CapacityYear, ...]:
    """Bed-days, beds, intensive care and endoscopy slots for each year (means over draws)."""
    released = budget.years[Row.BED_DAYS][:, 1:]
    intensive = -change_by_year(budget, "icu_days")
    occupancy = budget.inputs.share_occupancy[:, None]
    places = slots_by_year(budget)
    columns = {
        "bed_days_released": released,
        "beds_released": beds(released, occupancy),
        "intensive_care_days_released": intensive,
        "intensive_care_beds_released": beds(intensive, occupancy),
        "procedure_and_complication_days": change_by_year(budget, "procedure_days", "complication_days"),
        "treatment_sessions": budget.years[Row.SESSIONS][:, 1:],
        "surveillance_examinations": change_by_year(budget, *EXAMINATIONS),
        "session_slots": budget.memo.session_slots[:, 1:],
        "step_fixed_blocks": np.asarray(sum(blocks_bought(budget.inputs, budget.volume.slots).values())),
        "posts": posts_by_year(budget),
        "endoscopies_avoided": budget.years[Row.BLEEDS_AVERTED][:, 1:] - change_by_year(budget, *SECONDARY_SESSIONS),
        "waiting_at_year_end": budget.intake.waiting[:, 11::12],
        "bleeds_while_waiting": by_year(budget.intake.bleeds_waiting),
    }
    return tuple(
        CapacityYear(year + 1, **{k: float(a[:, year].mean()) for k, a in columns.items()}, slots=places[year])
        for year in range(budget.inputs.n_budget_years)
    )


def posts_by_year(budget: Budget) -> FloatArray:
    """Whole-time posts that the programme adds, (draw, year): of blocks bought and of fixed costs."""
    blocks = np.asarray(sum(blocks_bought(budget.inputs, budget.volume.slots).values()))
    return by_year(posts(budget.inputs)) / 12.0 + blocks * budget.inputs.n_posts_block[:, None]


def slots_by_year(budget: Budget) -> tuple[dict[str, SlotsYear], ...]:
    """Slots taken and available by place for each year; a place limited by no number has what is spare and bought."""
    inputs, ramp = budget.inputs, by_year(ramp_by_month(budget.inputs)[None, :])[0] / 12.0
    bought = blocks_bought(inputs, budget.volume.slots)

    def of(key: str, year: int) -> SlotsYear:
        place, blocks = PLACES[key], bought[key][:, year]
        has = getattr(inputs, place.spare) + blocks * getattr(inputs, place.block)
        if place.most:
            has = getattr(inputs, place.most) * ramp[year]
        return SlotsYear(float(by_year(budget.volume.slots[key])[:, year].mean()), float(has.mean()), float(blocks.mean()))

    return tuple({key: of(key, year) for key in PLACES} for year in range(inputs.n_budget_years))


def closable_blocks(budget: Budget) -> FloatArray:
    """Whole blocks of beds that the bed-days of the last year would let close, shape (draw,)."""
    released = beds(budget.years[Row.BED_DAYS][:, -1], budget.inputs.share_occupancy)
    return np.maximum(0.0, np.floor(released / budget.inputs.n_beds_per_block))


def savings(budget: Budget) -> Savings:
    """Sort savings over the budget into three kinds (means over draws)."""
    totals = budget.totals
    last = capacity_by_year(budget)[-1]
    return Savings(
        supplies_and_agency_staff=float(totals[Row.BLEED_COST_AVOIDED].mean()),
        closable_bed_blocks=float(closable_blocks(budget).mean()),
        bed_days=float(totals[Row.BED_DAYS].mean()),
        beds_in_last_year=last.beds_released,
        intensive_care_beds_in_last_year=last.intensive_care_beds_released,
        freed_staff_time=float(totals[Row.TIME_FREED].mean()),
        bleeds_averted=float(totals[Row.BLEEDS_AVERTED].mean()),
        bleeding_deaths_averted=-float(change_by_year(budget, "deaths_bleed").sum(axis=1).mean()),
        harms_added={name: float(change_by_year(budget, name).sum(axis=1).mean()) for name in HARMS},
    )
