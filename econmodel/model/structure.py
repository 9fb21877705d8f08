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
MOVE_LABELS = {
    "gastric_bleed": "gastric variceal bleed",
    "other_bleed": "bleed from another source",
    "transplant": "transplant",
    "other_death": "death, not from bleeding",
    "procedure_death": "death from the procedure",
    "finish": "course done",
    "failed": "course done, varix not obliterated",
    "retreat": "re-treatment",
    "protection_lost": "protection lost",
    "bleed_death": "death from the bleed",
    "early_rebleed": "early rebleed",
    "late_rebleed": "late rebleed",
    "recover": "survived six weeks",
    "ages": "a month passes",
}


@record
class State:
    """A health state; ``family`` is the state of the design it reports under, ``index`` its part when split."""

    key: str
    family: str
    part: int = 0

    @property
    def label(self) -> str:
        """Plain words for the state."""
        return STATE_LABELS[self.family]


@record
class Move:
    """A move between states, and what it counts as."""

    source: str
    target: str
    kind: str

    @property
    def label(self) -> str:
        """Plain words for the move."""
        return MOVE_LABELS[self.kind]


@record
class Structure:
    """States in order (death last) and the moves between them."""

    states: tuple[State, ...]
    moves: tuple[Move, ...]

    @property
    def index(self) -> dict[str, int]:
        """Position of each state."""
        return {state.key: i for i, state in enumerate(self.states)}

    def engine_moves(self) -> Moves:
        """Return the moves as the engine takes them."""
        at = self.index
        return Moves(len(self.states), tuple(at[m.source] for m in self.moves), tuple(at[m.target] for m in self.moves))

    def family(self, name: str) -> list[int]:
        """Positions of the states that report under a family."""
        return [i for i, state in enumerate(self.states) if state.family == name]

    def kinds(self, *names: str) -> list[int]:
        """Positions of the moves of the given kinds."""
        return [i for i, move in enumerate(self.moves) if move.kind in names]


def build_structure(*, per_protocol: bool = False, vintages: int = 1, recent_months: int = 0) -> Structure:
    """Declare states and moves.

    Parameters
    ----------
    per_protocol
        Add the failed course and lost protection, both to ``at_risk``.
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
    if per_protocol:
        moves.append(Move("in_course", "at_risk", "failed"))
        moves += [Move(state.key, "at_risk", "protection_lost") for state in protected]
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


def _never_bled(source: str) -> list[Move]:
    return [
        Move(source, "bleeding", "gastric_bleed"),
        Move(source, "bleeding", "other_bleed"),
        Move(source, "transplanted", "transplant"),
        Move(source, "dead", "other_death"),
    ]
