"""Places of work: the slots each has and takes, and the blocks of them that must be bought.

Treatment sessions are done in the slots of endoscopy or radiology, which limit who starts; surveillance endoscopies have slots of
their own, counted in those of a session. Slots beyond what is spare in a year are bought as whole blocks; only slots within what is
spare can displace other work.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from econmodel.parameters.catalogue import ENDOSCOPIES, ITEMS
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.money.finance import by_year
from econmodel.programme.money.levels import in_months, in_years
from econmodel.records import record

FloatArray = NDArray[np.float64]
Slots = dict[str, FloatArray]
SURVEILLANCE = "surveillance"


@record
class Place:
    """A place: what is done there, and the inputs that hold its slots a year, those to spare, a block's size and its cost.

    ``most`` is empty where slots limit nobody's start.
    """

    label: str
    activities: tuple[str, ...]
    most: str
    spare: str
    block: str
    cost: str


def _sessions_at(place: str) -> tuple[str, ...]:
    return tuple(item.key for item in ITEMS if item.place == place)


PLACES = {
    "endoscopy": Place(
        "Endoscopy", _sessions_at("endoscopy"), "n_session_slots", "n_spare_sessions", "n_sessions_per_block", "c_session_block"
    ),
    "radiology": Place(
        "Radiology", _sessions_at("radiology"), "n_radiology_slots", "n_spare_radiology", "n_radiology_per_block", "c_radiology_block"
    ),
    SURVEILLANCE: Place("Surveillance", ENDOSCOPIES, "", "n_spare_surveillance", "n_surveillance_per_block", "c_surveillance_block"),
}


def blocks_bought(inputs: ProgrammeInputs, slots: Mapping[str, FloatArray]) -> Slots:
    """Count blocks bought by year and place, ``ceil((slots - spare) / block size)``; slots (draw, month) -> (draw, year)."""

    def bought(place: Place, taken: FloatArray) -> FloatArray:
        beyond = np.maximum(0.0, by_year(taken) - in_years(inputs, place.spare))
        return np.asarray(np.ceil(beyond / getattr(inputs, place.block)[:, None] - 1e-9))

    return {key: bought(PLACES[key], taken) for key, taken in slots.items()}


def step_cost(inputs: ProgrammeInputs, slots: Mapping[str, FloatArray]) -> FloatArray:
    """Cost of all blocks a year, in prices of the price year, (draw, year)."""
    bought = blocks_bought(inputs, slots)
    return np.asarray(sum(count * in_years(inputs, PLACES[key].cost) for key, count in bought.items()))


def cover_cost(inputs: ProgrammeInputs, slots: Mapping[str, FloatArray]) -> FloatArray:
    """Cost of an operator bought in for every endoscopy slot of an absence, in prices of the price year, (draw, month)."""
    taken = np.asarray(sum(slots[key] for key in ("endoscopy", SURVEILLANCE)))
    away = np.zeros(inputs.n_months)
    away[inputs.absent] = inputs.covered
    return np.asarray(taken * away * in_months(inputs, "c_cover_slot"))


def outside_blocks(inputs: ProgrammeInputs, slots: Mapping[str, FloatArray]) -> FloatArray:
    """Slots of all places that are in no bought block, (draw, month): in a year no more than are spare."""

    def within(place: Place, taken: FloatArray) -> FloatArray:
        year, spare = by_year(taken), in_years(inputs, place.spare)
        share = np.where(year > spare, spare / np.where(year > spare, year, 1.0), 1.0)
        return np.asarray(taken * np.repeat(share, 12, axis=1))

    return np.asarray(sum(within(PLACES[key], taken) for key, taken in slots.items()))
