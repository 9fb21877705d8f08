"""The disease structure, declared once as data: states, moves and what each move counts as.

The diagram in reports and dashboard is drawn from it. Options add moves or split states for the structural
scenarios; a split state reports under its family.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from econmodel.model.cohort import Moves
from econmodel.records import record

STATE_LABELS = {
    "at_risk": "Untreated, at risk",
    "in_course": "Prophylaxis under way",
    "protected": "Prophylactically treated",
    "bleeding": "Bleeding (first)",
    "post_bleed": "Post-bleed",
    "rebleeding": "Bleeding (again)",
    "transplanted": "Liver transplant",
    "dead": "Dead",
}
NEVER_BLED = ("at_risk", "in_course", "protected")
# What effect_basis = "process" adds: labels of its states, which of them never bled, and the twin each is drawn within.
COURSE_LABELS = {
    "patent": "Varix patent",
    "protected_lost": "Prophylactically treated, lost to follow-up",
    "patent_lost": "Varix patent, lost to follow-up",
    "bleeding_other": "Bleeding (first), another source",
    "post_other": "After a bleed from another source only",
    "rebleeding_other": "Bleeding (again), another source only",
}
ALL_LABELS = STATE_LABELS | COURSE_LABELS
COURSE_NEVER_BLED = (*NEVER_BLED, "patent", "protected_lost", "patent_lost")
COURSE_MOVE_LABELS = {
    "failed": "course done, varix not obliterated",
    "gastric_rebleed": "late rebleed, gastric varix",
    "other_rebleed": "late rebleed, another source",
    "recurs": "varix back",
    "lost": "lost to follow-up",
    "recurs_lost": "varix open, and lost to follow-up",
    "stops": "drug stopped",
    "recover_other": "survived six weeks, another source",
}
TWIN = {
    "protected_lost": "protected",
    "patent_lost": "patent",
    "bleeding_other": "bleeding",
    "post_other": "post_bleed",
    "rebleeding_other": "rebleeding",
}
MOVE_LABELS = {
    "gastric_bleed": "gastric variceal bleed",
    "other_bleed": "bleed from another source",
    "transplant": "transplant",
    "other_death": "death, not from bleeding",
    "procedure_death": "death from the procedure",
    "finish": "course done",
    "retreat": "re-treatment",
    "bleed_death": "death from the bleed",
    "early_rebleed": "early rebleed",
    "late_rebleed": "late rebleed",
    "recover": "survived six weeks",
    "ages": "a month passes",
    "worsens": "Child-Pugh class worsens",
}

# Months of the parts of the time after a bleed, and in how many of them the death rate is raised (None: for good).
SPANS = (12, 48)
EXCESS_SPANS = {"lifelong": None, "five_years": 2, "one_year": 1}


@record
class State:
    """A health state; ``family`` is the state of the design it reports under, ``part`` and Child class what it is split by."""

    key: str
    family: str
    part: int = 0
    child: int | None = None

    @property
    def label(self) -> str:
        """Plain words for the state."""
        return ALL_LABELS[self.family]


@record
class Move:
    """A move between states, and what it counts as."""

    source: str
    target: str
    kind: str

    @property
    def label(self) -> str:
        """Plain words for the move."""
        return (MOVE_LABELS | COURSE_MOVE_LABELS)[self.kind]


@record
class Wait:
    """Who stays in a state for some months goes on to another."""

    source: str
    target: str
    months: int


@record
class Structure:
    """States in order (death last), the moves between them, and the impulses: moves at the start of certain months.

    ``waits`` are parts of a state left by time alone. ``plain`` is the structure before its states were split by Child class.
    """

    states: tuple[State, ...]
    moves: tuple[Move, ...]
    impulses: tuple[Move, ...] = ()
    plain: Structure | None = None
    waits: tuple[Wait, ...] = ()

    @property
    def index(self) -> dict[str, int]:
        """Position of each state."""
        return {state.key: i for i, state in enumerate(self.states)}

    def engine_moves(self) -> Moves:
        """Return the moves as the engine takes them."""
        at = self.index
        sources, targets = (tuple(at[getattr(m, end)] for m in self.moves) for end in ("source", "target"))
        impulses = tuple((at[m.source], at[m.target]) for m in self.impulses)
        return Moves(len(self.states), sources, targets, impulses, tuple((at[w.source], at[w.target], w.months) for w in self.waits))

    def waiting(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Months of each state's wait, 0 for none, and the position of the state that follows."""
        months, following, at = np.zeros(len(self.states), np.int64), np.arange(len(self.states)), self.index
        for wait in self.waits:
            months[at[wait.source]], following[at[wait.source]] = wait.months, at[wait.target]
        return months, following

    def by_month(self) -> Structure:
        """Each month of a wait as a state of its own, for whoever can only follow moves; not for states split by Child class."""
        months = {w.source: [f"{w.source}_month_{m + 1}" for m in range(w.months)] for w in self.waits}
        states = [State(key, s.family, s.part) for s in self.states for key in months.get(s.key, [s.key])]
        enters = {key: found[0] for key, found in months.items()}
        moves = [
            Move(source, enters.get(m.target, m.target), m.kind) for m in self.moves for source in months.get(m.source, [m.source])
        ]
        for w in self.waits:
            here = [*months[w.source], enters.get(w.target, w.target)]
            moves += [Move(month, following, "ages") for month, following in pairwise(here)]
        return Structure(tuple(states), tuple(moves), self.impulses)

    @property
    def families(self) -> tuple[str, ...]:
        """Families of the states, in order."""
        return tuple(dict.fromkeys(state.family for state in self.states))

    def family(self, name: str) -> list[int]:
        """Positions of the states that report under a family."""
        return [i for i, state in enumerate(self.states) if state.family == name]

    def first(self, family: str, child: int | None) -> int:
        """Position of the first state of a family, of a Child class where states are split by it."""
        return next(i for i in self.family(family) if self.states[i].child in (None, child))

    def kinds(self, *names: str) -> list[int]:
        """Positions of the moves of the given kinds, impulses after all moves."""
        return [i for i, move in enumerate((*self.moves, *self.impulses)) if move.kind in names]


def build_structure(*, vintages: int = 1, spans: tuple[int, ...] = ()) -> Structure:
    """Declare states and moves.

    Parameters
    ----------
    vintages
        Number of parts of ``protected``, by the model year in which the last course ended (1: no split).
    spans
        Months of each part of the time after a survived bleed that is told apart from what follows.
    """
    protected = [State("protected" if vintages == 1 else f"protected_{v}", "protected", v) for v in range(vintages)]
    post = _parts("post_bleed", spans)
    plain = {key: State(key, key) for key in STATE_LABELS}
    states = [
        plain["at_risk"],
        plain["in_course"],
        *protected,
        plain["bleeding"],
        *post,
        plain["rebleeding"],
        plain["transplanted"],
        plain["dead"],
    ]
    moves = [*_never_bled("at_risk"), *_never_bled("in_course"), Move("in_course", "dead", "procedure_death")]
    moves += [Move("in_course", state.key, "finish") for state in protected]
    for state in protected:
        moves += [*_never_bled(state.key), Move(state.key, "in_course", "retreat")]
    for source in ("bleeding", "rebleeding"):
        moves += [
            Move(source, "dead", "bleed_death"),
            Move(source, "rebleeding", "early_rebleed"),
            Move(source, post[0].key, "recover"),
        ]
    for state in post:
        moves += [
            Move(state.key, "rebleeding", "late_rebleed"),
            Move(state.key, "transplanted", "transplant"),
            Move(state.key, "dead", "other_death"),
        ]
    moves.append(Move("transplanted", "dead", "other_death"))
    return Structure(tuple(states), tuple(moves), waits=_waits(post, spans))


def _never_bled(source: str, other: str = "bleeding") -> list[Move]:
    return [
        Move(source, "bleeding", "gastric_bleed"),
        Move(source, other, "other_bleed"),
        Move(source, "transplanted", "transplant"),
        Move(source, "dead", "other_death"),
    ]


def build_course_structure(*, spans: tuple[int, ...] = ()) -> Structure:
    """Declare states and moves where treatment works, and stops working, by what happens to the varix.

    A month is told as one move: a session and the end of its course come first, then competing events, then recurrence,
    loss to follow-up or the stop of a drug. Visits are impulses: they send a share of ``patent`` to another course.

    Parameters
    ----------
    spans
        Months of each part of the time after a survived bleed that is told apart from what follows.
    """
    keys = (*COURSE_NEVER_BLED, "bleeding", "post_bleed", "rebleeding", *list(COURSE_LABELS)[3:], "transplanted", "dead")
    states = [part for key in keys for part in (_parts(key, spans) if key.startswith("post") else [State(key, key)])]
    moves = [move for key in COURSE_NEVER_BLED for move in _never_bled(key, other="bleeding_other")]
    moves += [
        Move("in_course", "dead", "procedure_death"),
        Move("in_course", "protected", "finish"),
        Move("in_course", "patent", "failed"),
        Move("in_course", "protected_lost", "lost"),
        Move("in_course", "patent_lost", "recurs_lost"),
        Move("protected", "at_risk", "stops"),
        Move("protected", "patent", "recurs"),
        Move("protected", "protected_lost", "lost"),
        Move("protected", "patent_lost", "recurs_lost"),
        Move("patent", "patent_lost", "lost"),
        Move("protected_lost", "patent_lost", "recurs"),
    ]
    for first, post, again in (("bleeding", "post_bleed", "rebleeding"), ("bleeding_other", "post_other", "rebleeding_other")):
        recover = "recover_other" if first == "bleeding_other" else "recover"
        moves += _after_bleed(first, again, _parts(post, spans), recover)
    moves.append(Move("transplanted", "dead", "other_death"))
    waits = tuple(wait for post in ("post_bleed", "post_other") for wait in _waits(_parts(post, spans), spans))
    return Structure(tuple(states), tuple(moves), (Move("patent", "in_course", "retreat"),), waits=waits)


def _parts(key: str, spans: tuple[int, ...]) -> list[State]:
    """Parts of a state, by the time since the bleed, and the lasting one."""
    return [*(State(f"{key}_span_{k + 1}", key, k + 1) for k in range(len(spans))), State(key, key)]


def _waits(parts: list[State], spans: tuple[int, ...]) -> tuple[Wait, ...]:
    return tuple(Wait(now.key, following.key, months) for (now, following), months in zip(pairwise(parts), spans, strict=True))


def _after_bleed(first: str, again: str, parts: list[State], recover: str) -> list[Move]:
    """Moves of the acute states and of the months after them; a gastric bleed makes its path the gastric one."""
    moves = [
        move
        for source in (first, again)
        for move in (Move(source, "dead", "bleed_death"), Move(source, again, "early_rebleed"), Move(source, parts[0].key, recover))
    ]
    for state in parts:
        moves += [
            Move(state.key, "rebleeding", "gastric_rebleed"),
            Move(state.key, again, "other_rebleed"),
            Move(state.key, "transplanted", "transplant"),
            Move(state.key, "dead", "other_death"),
        ]
    return moves
