"""The state diagram, drawn from the declared structure.

Split states are drawn as their family, and a state that differs from its twin in follow-up or in the source of a bleed
alone within that twin. A move that every never-bled state shares is drawn once, from the frame around them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from econmodel.model.structure import ALL_LABELS, COURSE_NEVER_BLED, TWIN, Structure
from econmodel.records import record
from econmodel.reporting.charts.style import ACCENT, INK, MUTED, WARM

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

NEVER = "never_bled"
FRAME = (0.15, 0.35, 3.0, 6.2)
BOX = (2.3, 0.86)
PLACES = {
    "at_risk": (1.65, 5.0),
    "in_course": (1.65, 3.3),
    "protected": (1.65, 1.3),
    "bleeding": (5.2, 3.0),
    "rebleeding": (8.75, 1.4),
    "post_bleed": (8.75, 3.6),
    "transplanted": (8.75, 5.6),
    "dead": (5.2, 0.9),
}
TO_DEATH = {
    "bleeding": ((5.2, 2.57), (5.2, 1.33)),
    "rebleeding": ((7.6, 1.1), (6.35, 0.8)),
    "post_bleed": ((7.6, 3.35), (6.35, 1.1)),
    "transplanted": ((7.6, 5.35), (5.9, 1.33)),
}
FILLS = {"bleeding": "#fbe9e4", "rebleeding": "#fbe9e4", "dead": "#e4e7ea"}
MOVE_WORDS = {
    ("never_bled", "bleeding"): "bleed",
    ("bleeding", "rebleeding"): "early rebleed",
    ("bleeding", "post_bleed"): "survived six weeks",
    ("rebleeding", "post_bleed"): "survived",
    ("post_bleed", "rebleeding"): "late rebleed",
    ("in_course", "protected"): "course done",
    ("protected", "in_course"): "re-treatment",
    ("protected", "at_risk"): "protection lost",
    ("in_course", "at_risk"): "not obliterated",
}
BENDS = {
    ("in_course", "protected"): 0.25,
    ("protected", "in_course"): 0.25,
    ("rebleeding", "post_bleed"): 0.25,
    ("post_bleed", "rebleeding"): 0.25,
    ("protected", "at_risk"): -0.45,
}
WORD_PLACES = {
    ("never_bled", "bleeding"): (3.6, 3.2),
    ("bleeding", "rebleeding"): (7.1, 1.85),
    ("bleeding", "post_bleed"): (6.85, 3.72),
    ("rebleeding", "post_bleed"): (9.42, 2.5),
    ("post_bleed", "rebleeding"): (8.08, 2.5),
    ("in_course", "protected"): (0.95, 2.3),
    ("protected", "in_course"): (2.35, 2.3),
    ("protected", "at_risk"): (0.55, 4.15),
    ("in_course", "at_risk"): (2.2, 4.15),
}


@record
class Drawing:
    """Where boxes stand, which arrows have words and where, and which bend."""

    places: Mapping[str, tuple[float, float]]
    words: Mapping[tuple[str, str], str]
    word_places: Mapping[tuple[str, str], tuple[float, float]]
    bends: Mapping[tuple[str, str], float]


PLAIN = Drawing(PLACES, MOVE_WORDS, WORD_PLACES, BENDS)
# With an open varix as a state of its own the never-bled have four boxes.
OF_COURSE = Drawing(
    PLACES | {"at_risk": (1.65, 5.3), "protected": (1.65, 4.0), "in_course": (1.65, 2.6), "patent": (1.65, 1.2)},
    MOVE_WORDS
    | {
        ("in_course", "patent"): "not closed",
        ("patent", "in_course"): "found, treated",
        ("protected", "patent"): "varix back",
        ("protected", "at_risk"): "drug stopped",
    },
    WORD_PLACES
    | {
        ("in_course", "protected"): (2.2, 3.3),
        ("in_course", "patent"): (0.85, 1.9),
        ("patent", "in_course"): (2.5, 1.9),
        ("protected", "patent"): (0.42, 3.25),
        ("protected", "at_risk"): (2.2, 4.65),
    },
    {pair: bend for pair, bend in BENDS.items() if "protected" not in pair}
    | {("in_course", "patent"): 0.25, ("patent", "in_course"): 0.25, ("protected", "patent"): 0.3},
)


def family_moves(structure: Structure) -> list[tuple[str, str]]:
    """Pairs of families joined by a move, shared moves of the never-bled states told once.

    Returns
    -------
    list of tuple
        ``(source, target)``; source ``never_bled`` stands for all never-bled states.
    """
    family = {state.key: TWIN.get(state.family, state.family) for state in structure.states}
    never = {drawn for drawn in family.values() if drawn in COURSE_NEVER_BLED}
    pairs = list(dict.fromkeys((family[m.source], family[m.target]) for m in (*structure.moves, *structure.impulses)))
    pairs = [(a, b) for a, b in pairs if a != b]
    shared = {b for _, b in pairs if all((a, b) in pairs for a in never)}
    kept = [(a, b) for a, b in pairs if not (a in never and b in shared)]
    return [(NEVER, target) for target in ("bleeding", "transplanted", "dead") if target in shared] + kept


def plot_state_diagram(structure: Structure, *, ax: Axes) -> dict[tuple[str, str], Artist]:
    """Draw states and moves.

    Returns
    -------
    dict
        Arrow of each pair given by :func:`family_moves`.
    """
    ax.set(xlim=(0, 10.2), ylim=(0.2, 6.4))
    ax.axis("off")
    _draw_frame(ax)
    drawing = OF_COURSE if "patent" in structure.families else PLAIN
    for family in structure.families:
        if family not in TWIN:
            _draw_box(ax, family, drawing)
    return {pair: _draw_arrow(ax, *pair, drawing) for pair in family_moves(structure)}


def _draw_frame(ax: Axes) -> None:
    from matplotlib.patches import FancyBboxPatch

    x, y, width, height = FRAME
    ax.add_artist(
        FancyBboxPatch(
            (x, y),
            width,
            height - y,
            boxstyle="round,pad=0,rounding_size=0.15",
            fill=False,
            edgecolor=MUTED,
            linewidth=0.8,
            linestyle=(0, (3, 2)),
        )
    )
    ax.text(x + width / 2, height - 0.12, "Never bled", ha="center", va="top", color=MUTED)


def _draw_box(ax: Axes, family: str, drawing: Drawing) -> None:
    from matplotlib.patches import FancyBboxPatch

    x, y = drawing.places[family]
    width, height = BOX
    ax.add_artist(
        FancyBboxPatch(
            (x - width / 2, y - height / 2),
            width,
            height,
            edgecolor=ACCENT,
            linewidth=1.0,
            facecolor=FILLS.get(family, "#eaf2f5"),
            boxstyle="round,pad=0,rounding_size=0.12",
        )
    )
    ax.text(x, y, _two_lines(ALL_LABELS[family]), ha="center", va="center", linespacing=1.15, color=INK)


def _two_lines(label: str) -> str:
    words = label.split(" ")
    if len(label) <= 12:
        return label
    middle = min(range(1, len(words)), key=lambda i: abs(len(" ".join(words[:i])) - len(" ".join(words[i:]))))
    return " ".join(words[:middle]) + "\n" + " ".join(words[middle:])


def _draw_arrow(ax: Axes, source: str, target: str, drawing: Drawing) -> Artist:
    from matplotlib.patches import FancyArrowPatch

    start, end = _ends(source, target, drawing)
    fatal = target == "dead"
    bend = drawing.bends.get((source, target), 0.0)
    arrow = FancyArrowPatch(
        start,
        end,
        arrowstyle="-|>",
        mutation_scale=8,
        connectionstyle=f"arc3,rad={bend}",
        color=MUTED if fatal else (WARM if "bleed" in target else ACCENT),
        linewidth=1.0,
        linestyle=(0, (3, 2)) if fatal else "-",
        shrinkA=0,
        shrinkB=1,
    )
    ax.add_artist(arrow)
    if (source, target) in drawing.words:
        x, y = drawing.word_places[source, target]
        ax.text(
            x,
            y,
            drawing.words[source, target].replace(" ", "\n", 1),
            ha="center",
            va="center",
            fontsize=6.8,
            linespacing=1.0,
            color=MUTED,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5},
        )
    return arrow


def _ends(source: str, target: str, drawing: Drawing) -> tuple[tuple[float, float], tuple[float, float]]:
    """Where an arrow leaves and lands: on the side of a box that faces the other."""
    x, y = drawing.places[target]
    if target == "dead" and source in TO_DEATH:
        return TO_DEATH[source]
    if source == NEVER:
        right = FRAME[0] + FRAME[2]
        return (right, y), (x - BOX[0] / 2, y)
    ax_, ay = drawing.places[source]
    if (source, target) == ("protected", "patent"):
        return (ax_ - BOX[0] / 2, ay), (x - BOX[0] / 2, y)
    shift = 0.3 if (source, target) in drawing.bends and (target, source) in drawing.words else 0.0
    side = shift if ay > y else -shift
    if abs(ax_ - x) < 0.1:
        sign = 1 if y > ay else -1
        return (ax_ - side, ay + sign * BOX[1] / 2), (x - side, y - sign * BOX[1] / 2)
    sign = 1 if x > ax_ else -1
    return (ax_ + sign * BOX[0] / 2, ay), (x - sign * BOX[0] / 2, y)
