"""Child-Pugh class that worsens after the start: states split by class, and the untreated rate solved again.

Every living state but transplanted is split by class. A patient without an event in a month, and not in a bleed, goes on to
the next class with ``1 - exp(-rate / 12)``, whatever else the month brings. The reference mix worsens too, so that its rate
and both steps of its course are found anew: else it would bleed more than was observed.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from econmodel.model.course import MONTHS, secants
from econmodel.model.natural_history import TARGET_YEARS, FirstBleed, reference_hazard
from econmodel.model.structure import Move, State, Structure, Wait
from econmodel.records import record

FloatArray = NDArray[np.float64]
CLASSES = 3
WHOLE = ("transplanted", "dead")
EVENTS = (
    *("gastric_bleed", "other_bleed", "transplant", "other_death", "procedure_death"),
    *("bleed_death", "early_rebleed", "recover", "recover_other", "late_rebleed", "gastric_rebleed", "other_rebleed"),
)


@record
class Part:
    """What a move of a split structure is part of: the plain move in one class, -1 for staying in ``source``.

    ``worse`` is whether the class worsens on the way, None where it cannot.
    """

    move: Move
    of: int
    source: int
    child: int
    worse: bool | None


@lru_cache(maxsize=8)
def parts(plain: Structure) -> tuple[Part, ...]:
    """Moves of a structure split by class; an event leaves the class as it is, anything else may be joined by worsening."""
    at, passing = plain.index, {move.source for move in plain.moves if move.kind in ("recover", "recover_other")}
    found = [Part(move, m, at[move.source], 0, None) for m, move in enumerate(plain.moves) if move.source in WHOLE]
    for child in range(CLASSES):
        for m, move in enumerate(plain.moves):
            may = move.kind not in EVENTS and child + 1 < CLASSES
            for worse in () if move.source in WHOLE else (False, True) if may else (None,):
                split = Move(_in_class(move.source, child), _in_class(move.target, child + bool(worse)), move.kind)
                found.append(Part(split, m, at[move.source], child, worse))
        for state in plain.states if child + 1 < CLASSES else ():
            if state.key not in (*WHOLE, *passing):
                split = Move(_in_class(state.key, child), _in_class(state.key, child + 1), "worsens")
                found.append(Part(split, -1, at[state.key], child, True))
    return tuple(found)


@lru_cache(maxsize=8)
def split_by_class(plain: Structure) -> Structure:
    """Split every living state but transplanted by Child class."""
    living = [state for state in plain.states if state.key not in WHOLE]
    states = [State(_in_class(s.key, child), s.family, s.part, child) for child in range(CLASSES) for s in living]
    whole = [state for state in plain.states if state.key in WHOLE]
    impulses = [
        Move(_in_class(i.source, child), _in_class(i.target, child), i.kind) for child in range(CLASSES) for i in plain.impulses
    ]
    waits = [Wait(_in_class(w.source, child), _in_class(w.target, child), w.months) for child in range(CLASSES) for w in plain.waits]
    return Structure((*states, *whole), tuple(part.move for part in parts(plain)), tuple(impulses), plain, tuple(waits))


def _in_class(key: str, child: int) -> str:
    return key if key in WHOLE else f"{key}_child_{'abc'[child]}"


def worsens_in_a_month(rate: FloatArray) -> FloatArray:
    """Share of each class but the last that goes on to the next in a month: as ``rate``, per year."""
    return np.asarray(-np.expm1(rate / -MONTHS))


def solve_again(
    first: FirstBleed, relative: FloatArray, shares: FloatArray, child: NDArray[np.int64], b_child: FloatArray, rates: FloatArray
) -> FirstBleed:
    """Find the rate and the two steps at which a mix that worsens has bled as much at 1, 3 and 5 years as one that does not.

    Parameters
    ----------
    first
        Untreated bleeding with fixed classes; its classes of susceptibility stay.
    relative : ndarray of shape (draw, group)
        Rates of the reference mix relative to the reference cell.
    shares, child : ndarray of shape (group,)
        The reference mix, and its Child class, 0 to 2.
    b_child : ndarray of shape (draw,)
    rates : ndarray of shape (draw, 2)
        Rate per year of going from class A to B, and from B to C.
    """
    cells = relative[:, :, None] * first.frailty[:, None, :]
    steps = b_child[:, None, None, None] * (np.arange(CLASSES) - child[:, None, None])
    hazard = (cells[..., None] * np.exp(steps)).reshape(len(cells), -1, CLASSES)
    start = (shares[:, None] * (np.arange(CLASSES) == child[:, None]))[:, None, :] / cells.shape[2]
    alive = np.broadcast_to(start, (len(cells), *start.shape[:1], cells.shape[2], CLASSES)).reshape(hazard.shape)
    goes_on = worsens_in_a_month(rates)[:, None, :]

    def live(rate: FloatArray, months: int) -> FloatArray:
        spared, now = np.exp(hazard * rate[:, None, None] / -MONTHS), alive.copy()
        for _ in range(months):
            now *= spared
            gone = now[..., :-1] * goes_on
            now[..., :-1] -= gone
            now[..., 1:] += gone
        return now

    found, at = [], reference_hazard(first, relative, shares)
    for aim, years, typed in zip(at.T, np.diff(TARGET_YEARS, prepend=0.0), first.time_multipliers.T, strict=True):
        months = round(years * MONTHS)

        def gap(rate: FloatArray, aim: FloatArray = aim, months: int = months) -> FloatArray:
            return np.asarray(-np.log(live(rate, months).sum(axis=(1, 2))) - aim)

        none = np.zeros_like(first.rate)
        rate = secants(gap, none, gap(none), first.rate * typed)
        found.append(rate)
        alive = live(rate, months)
    solved = np.stack(found, axis=1)
    return FirstBleed(solved[:, 0], solved / solved[:, :1], first.frailty)
