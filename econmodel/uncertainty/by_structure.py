"""Results by structure: the same draws with one setting forced to each of its choices in turn.

Draws are paired: an input keeps its place under each choice, and the other settings stay as drawn. Those that had the choice
already are not run again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.evaluate import evaluate
from econmodel.economics.lead import find_subjects
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.sampling import Sampler
from econmodel.parameters.structures import Choices, Structures, gather, structures_of, weighted
from econmodel.records import record
from econmodel.uncertainty.probabilistic import Piece, block_size, in_order, pieces
from econmodel.uncertainty.risk import Interval, Z, as_good_as, summarise
from econmodel.wording import choice_words, lower

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
PAIRED = 1000
SAME, REVERSES, CANNOT_TELL = "same", "reverses", "cannot tell"


@record
class UnderChoice:
    """Net benefit of the lead by comparator under one choice (``setting`` empty: all by weight), and the best option.

    ``as_good`` are the options that the draws do not tell from the best.
    """

    setting: str
    label: str
    choice: str
    weight: float
    benefit: Mapping[str, Interval]
    verdict: Mapping[str, str]
    best: str
    as_good: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Give the row for JSON."""
        return vars(self) | {
            "benefit": {versus: found.to_json() for versus, found in self.benefit.items()},
            "verdict": dict(self.verdict),
        }


@record
class ByStructure:
    """All structures by weight first, then each choice of each weighted setting."""

    lead: str
    draws: int
    names: Mapping[str, str]
    rows: tuple[UnderChoice, ...]

    @property
    def spread(self) -> dict[str, float]:
        """Standard deviation of the lead's net benefit over the draws of all structures, by comparator."""
        return {versus: found.se * float(np.sqrt(self.draws)) for versus, found in self.rows[0].benefit.items()}

    @property
    def sentences(self) -> tuple[str, ...]:
        """Say which choices reverse the answer, and where that cannot be told."""
        found = []
        for verdict, words in ((REVERSES, "reverses the answer"), (CANNOT_TELL, "leaves it open")):
            said = [
                f"{lower(row.label)}: {choice_words(row.choice)}, against {self.names[versus]}"
                for row in self.rows[1:]
                for versus, one in row.verdict.items()
                if one == verdict
            ]
            found += (
                [
                    f"What {words}, beyond 1.96 standard errors: {'; '.join(said)}."
                    if verdict == REVERSES
                    else f"Where {self.draws:,} draws cannot tell the sign: {'; '.join(said)}."
                ]
                if said
                else []
            )
        return tuple(found) or ("No choice of structure by itself reverses the answer.",)

    def to_json(self) -> dict[str, Any]:
        """Give the table for JSON."""
        return {
            "lead": self.lead,
            "draws": self.draws,
            "rows": [row.to_json() for row in self.rows],
            "sentences": list(self.sentences),
        }


def by_structure(parameters: ParameterSet, *, seed: int, draws: int = PAIRED) -> ByStructure:
    """Value the lead strategy under each choice of each weighted setting.

    Parameters
    ----------
    parameters
        The case.
    seed
        Seed of the draws, those of a probabilistic analysis.
    draws
        Draws paired, at least 3.

    Raises
    ------
    AnalysisError
        The case names no threshold.
    """
    subjects, structures = find_subjects(parameters), structures_of(parameters)
    against = tuple(key for key in subjects.comparators if key in parameters.strategies)
    free = _drawn(parameters, seed, draws, {})
    asked: list[tuple[tuple[str, str, str, float], BoolArray]] = [(("", "All structures, by weight", "", 1.0), np.ones(draws, bool))]
    drawn = [free]
    for setting, weights in weighted(parameters).items():
        for place, (choice, weight) in enumerate(weights.items()):
            other = free[setting] != place
            asked.append(((setting, parameters[setting].label, choice, weight), other))
            forced = _drawn(parameters, seed, draws, {setting: choice})
            drawn.append({name: array[other] for name, array in forced.items()})
    # One run of all: draws of different settings forced fall into the same few structures.
    together = _net_benefit(structures, {name: np.concatenate([values[name] for values in drawn]) for name in free})
    first, *others = np.split(together, np.cumsum([other.sum() for _, other in asked])[:-1])
    rows = [_row(parameters, subjects.lead, against, first, asked[0][0], {})]
    overall = {versus: rows[0].benefit[versus].mean for versus in against}
    for (about, other), found in zip(asked[1:], others, strict=True):
        benefit = first.copy()
        benefit[other] = found
        rows.append(_row(parameters, subjects.lead, against, benefit, about, overall))
    names = {key: lower(row.label) for key, row in parameters.strategies.items()}
    return ByStructure(subjects.lead, draws, names, tuple(rows))


def _drawn(parameters: ParameterSet, seed: int, draws: int, forced: Choices) -> dict[str, FloatArray]:
    return next(Sampler(parameters, seed, forced=forced).blocks(draws, draws))


def _net_benefit(structures: Structures, values: dict[str, FloatArray]) -> FloatArray:
    """Net benefit of draws: (draw, strategy)."""
    draws = len(next(iter(values.values())))
    _, threads = block_size(structures.parameters, draws)
    return gather(_in_pieces(structures, values, draws, threads))


def _in_pieces(
    structures: Structures, values: dict[str, FloatArray], draws: int, threads: int
) -> Iterator[tuple[NDArray[np.int64], FloatArray]]:
    threshold = structures.parameters.need_threshold("results by structure")

    def worth(piece: Piece) -> tuple[NDArray[np.int64], FloatArray]:
        e = evaluate(piece.part.parameters, piece.values, yearly=False, by_group=False)
        return piece.rows, e.net_benefit(threshold)[:, :, 0]

    return in_order(worth, pieces(structures, values, draws), threads)


def _row(
    parameters: ParameterSet,
    lead: str,
    against: tuple[str, ...],
    benefit: FloatArray,
    about: tuple[str, str, str, float],
    overall: Mapping[str, float],
) -> UnderChoice:
    keys = list(parameters.strategies)
    found = {versus: summarise(benefit[:, keys.index(lead)] - benefit[:, keys.index(versus)]) for versus in against}
    verdicts = {versus: _verdict(one, overall[versus]) for versus, one in found.items() if versus in overall}
    best = int(benefit.mean(axis=0).argmax())
    equal = tuple(key for i, key in enumerate(keys) if i != best and as_good_as(benefit[:, best] - benefit[:, i]))
    return UnderChoice(*about, found, verdicts, keys[best], equal)


def _verdict(found: Interval, overall: float) -> str:
    """Whether a choice turns the sign of the average over all, beyond its own error."""
    if abs(found.mean) <= Z * found.se:
        return CANNOT_TELL
    return SAME if (found.mean > 0) == (overall > 0) else REVERSES
