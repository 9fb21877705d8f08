"""Like with like: what a registry moves for one strategy moves, by the same measure, for those it is compared with.

A site that closes more varices, or needs more sessions, would be compared with strategies that still stand as in our evidence, and
its habits would pass for an effect. So the shared part, the ratio of the site's value to ours (of odds for a probability), is taken to
the strategies with the same kind of session; over several strategies of the site, the mean of its log weighted by their events. What
is so moved is ``derived`` and keeps our relative spread. Not shared, the comparisons are half local and said to be.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from operator import attrgetter

from econmodel.evidence.registry.settings import BaseCase, Options
from econmodel.evidence.registry.values import LocalValue
from econmodel.parameters.catalogue import COMPLICATIONS
from econmodel.parameters.schema import StrategyRow

SLOTS = {
    "sessions_mean": "sessions of a course",
    "coils": "coils a session",
    "glue_ml": "millilitres a session",
    "p_obliteration": "closure",
    "r_recurrence": "recurrence",
    "r_lost": "loss to follow-up",
    "p_retreat_accepted": "re-treatment accepted",
    "p_retreat_year_1": "re-treatment in year 1",
}
LEAST_EVENTS = 0.5
"""What a value without events weighs: that of the prior's half event."""


def move_alike(values: Sequence[LocalValue], base: BaseCase, options: Options) -> tuple[list[LocalValue], list[str]]:
    """Values of comparators moved with the site's own, and sentences on what moved or stands half local.

    Parameters
    ----------
    values
        What the registry replaces.
    base, options
        Our values; the strategies, and whether the shared part moves.
    """
    local = {value.name: value for value in values}
    moved: dict[str, LocalValue] = {}
    notes = []
    for said, own, others in _compared(local, base, options):
        shift = _shift([local[name] for name in own], base.values)
        names = [name for name in others if name not in moved]
        if not names:
            continue
        listed = f"{said}: {', '.join(own)} from the registry, {', '.join(names)}"
        if options.shared:
            moved |= {name: _moved(name, base.values[name], shift, own) for name in names}
            measure = "odds ratio" if names[0].startswith("p_") else "ratio"
            notes.append(f"like with like, {listed} moved with yours ({measure} {math.exp(shift):.3g})")
        else:
            notes.append(f"half local, {listed} as in our evidence: comparisons of their strategies mix the two")
    return list(moved.values()), notes


def _compared(local: Mapping[str, LocalValue], base: BaseCase, options: Options) -> Iterator[tuple[str, list[str], list[str]]]:
    """What is compared: in words, inputs of the site, and those of other strategies with the same kind of session."""
    slots: dict[str, Callable[[StrategyRow], str]] = {said: attrgetter(slot) for slot, said in SLOTS.items()}
    slots |= {f"{kind} after a session": partial(_complication, kind) for kind in COMPLICATIONS}
    for said, named in slots.items():
        for session in dict.fromkeys(row.session for row in options.strategies.values() if row.session):
            rows = (row for row in options.strategies.values() if row.session == session)
            names = [name for name in dict.fromkeys(map(named, rows)) if name in base.values]
            own, others = ([n for n in names if (n in local) is here] for here in (True, False))
            if own and others:
                yield said, own, others


def _complication(kind: str, row: StrategyRow) -> str:
    return row.complications.get(kind, "")


def _log(name: str, value: float) -> float:
    return math.log(value / (1 - value)) if name.startswith("p_") else math.log(value)


def _shift(own: Sequence[LocalValue], ours: Mapping[str, float]) -> float:
    weights = [max(value.events, LEAST_EVENTS) for value in own]
    shifts = [_log(value.name, value.value or 0.0) - _log(value.name, ours[value.name]) for value in own]
    return math.fsum(w * s for w, s in zip(weights, shifts, strict=True)) / math.fsum(weights)


def _moved(name: str, ours: float, shift: float, own: Sequence[str]) -> LocalValue:
    at = _log(name, ours) + shift
    value = 1 / (1 + math.exp(-at)) if name.startswith("p_") else math.exp(at)
    note = f"Moved with yours: ours {ours:.4g}, by the {'odds ratio' if name.startswith('p_') else 'ratio'} {math.exp(shift):.4g} of "
    note += f"{', '.join(own)}."
    if name.startswith("n_sessions") and value < 1:
        note += f" That would be {value:.3g} sessions; a course has one at least."
        value = 1.0
    return LocalValue(name, {}, "the part that a site shares among strategies with the same kind of session", note, value, moved=True)
