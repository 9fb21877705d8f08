"""The disease structure, declared once as data: states, moves and what each move counts as.

The diagram in reports and dashboard is drawn from it. Options add moves or split states for the structural
scenarios; a split state reports under its family.
"""

from __future__ import annotations

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
class Structure:
    """States in order (death last), the moves between them, and the impulses: moves at the start of certain months.

    ``plain`` is the structure before its states were split by Child class, where they were.
    """

    states: tuple[State, ...]
    moves: tuple[Move, ...]
    impulses: tuple[Move, ...] = ()
    plain: Structure | None = None

    @property
    def index(self) -> dict[str, int]:
        """Position of each state."""
        return {state.key: i for i, state in enumerate(self.states)}

    def engine_moves(self) -> Moves:
        """Return the moves as the engine takes them."""
        at = self.index
        sources, targets = (tuple(at[getattr(m, end)] for m in self.moves) for end in ("source", "target"))
        return Moves(len(self.states), sources, targets, tuple((at[m.source], at[m.target]) for m in self.impulses))

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


def build_structure(*, vintages: int = 1, recent_months: int = 0) -> Structure:
    """Declare states and moves.

    Parameters
    ----------
    vintages
        Number of parts of ``protected``, by the model year in which the last course ended (1: no split).
    recent_months
        Months after a survived bleed that are told apart from later ones (0: no split).
    """
    protected = [State("protected" if vintages == 1 else f"protected_{v}", "protected", v) for v in range(vintages)]
    recent = [State(f"post_bleed_month_{m + 1}", "post_bleed", m + 1) for m in range(recent_months)]
    post = [*recent, State("post_bleed", "post_bleed")]
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
    for month, state in enumerate(post):
        moves += [
            Move(state.key, "rebleeding", "late_rebleed"),
            Move(state.key, "transplanted", "transplant"),
            Move(state.key, "dead", "other_death"),
        ]
        if month < recent_months:
            moves.append(Move(state.key, post[month + 1].key, "ages"))
    moves.append(Move("transplanted", "dead", "other_death"))
    return Structure(tuple(states), tuple(moves))


def _never_bled(source: str, other: str = "bleeding") -> list[Move]:
    return [
        Move(source, "bleeding", "gastric_bleed"),
        Move(source, other, "other_bleed"),
        Move(source, "transplanted", "transplant"),
        Move(source, "dead", "other_death"),
    ]


def build_course_structure(*, recent_months: int = 0) -> Structure:
    """Declare states and moves where treatment works, and stops working, by what happens to the varix.

    A month is told as one move: a session and the end of its course come first, then competing events, then recurrence,
    loss to follow-up or the stop of a drug. Visits are impulses: they send a share of ``patent`` to another course.

    Parameters
    ----------
    recent_months
        Months after a survived bleed that are told apart from later ones (0: no split).
    """
    keys = (*COURSE_NEVER_BLED, "bleeding", "post_bleed", "rebleeding", *list(COURSE_LABELS)[3:], "transplanted", "dead")
    states = [part for key in keys for part in (_recent(key, recent_months) if key.startswith("post") else [State(key, key)])]
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
        moves += _after_bleed(first, again, _recent(post, recent_months), recover)
    moves.append(Move("transplanted", "dead", "other_death"))
    return Structure(tuple(states), tuple(moves), (Move("patent", "in_course", "retreat"),))


def _recent(key: str, months: int) -> list[State]:
    """Parts of a state, by the month since the bleed, and the lasting one."""
    return [*(State(f"{key}_month_{m + 1}", key, m + 1) for m in range(months)), State(key, key)]


def _after_bleed(first: str, again: str, parts: list[State], recover: str) -> list[Move]:
    """Moves of the acute states and of the months after them; a gastric bleed makes its path the gastric one."""
    moves = [
        move
        for source in (first, again)
        for move in (Move(source, "dead", "bleed_death"), Move(source, again, "early_rebleed"), Move(source, parts[0].key, recover))
    ]
    for month, state in enumerate(parts):
        moves += [
            Move(state.key, "rebleeding", "gastric_rebleed"),
            Move(state.key, again, "other_rebleed"),
            Move(state.key, "transplanted", "transplant"),
            Move(state.key, "dead", "other_death"),
        ]
        if state.part:
            moves.append(Move(state.key, parts[month + 1].key, "ages"))
    return moves
