"""Move probabilities where Child-Pugh class may worsen; and the hazards of whatever structure was chosen.

What a class brings is as in a case in which everybody is of that class and stays so: hazards are those of three such cases.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from econmodel.model.course_hazards import CourseHazards
from econmodel.model.hazards import FloatArray, Hazards
from econmodel.model.inputs import ModelInputs
from econmodel.model.stages import ROUNDING
from econmodel.model.worsening import CLASSES, Part, parts, worsens_in_a_month


def hazards_of(inputs: ModelInputs) -> Hazards:
    """Hazards of the structure chosen."""
    if inputs.r_worsens is not None:
        return ClassHazards(inputs, inputs.r_worsens)
    return Hazards(inputs) if inputs.course is None else CourseHazards(inputs, inputs.course)


def in_class(inputs: ModelInputs, child: int) -> ModelInputs:
    """Inputs of the same patients, all of them of one Child class that stays."""
    assert inputs.structure.plain is not None
    steps = np.exp(inputs.b_child[:, None] * (child - inputs.child_of_cell))
    groups = tuple(replace(group, child=child) for group in inputs.groups)
    return replace(inputs, structure=inputs.structure.plain, groups=groups, relative=inputs.relative * steps, r_worsens=None)


class ClassHazards(Hazards):
    """Move probabilities of every lane, by model year, for the states of :func:`~econmodel.model.worsening.split_by_class`.

    ``r_worsens`` is (draw, 2): the rate per year of going from class A to B, and from B to C.
    """

    def __init__(self, inputs: ModelInputs, r_worsens: FloatArray) -> None:
        super().__init__(inputs)
        self.of_class = [hazards_of(in_class(inputs, child)) for child in range(CLASSES)]
        n_strategies, n_cells, _ = self.shape
        self.goes_on = [np.tile(p, n_strategies * n_cells) for p in worsens_in_a_month(r_worsens).T]
        plain, kept = inputs.structure.plain, {(move.source, move.target, move.kind) for move in inputs.structure.moves}
        assert plain is not None
        self.parts = [part for part in parts(plain) if (part.move.source, part.move.target, part.move.kind) in kept]
        leaving = [plain.index[move.source] for move in plain.moves]
        self.leaving = [[m for m, source in enumerate(leaving) if source == state] for state in range(len(plain.states))]

    def years(self, first: int, end: int) -> FloatArray:
        """Probability of each move, several years at once: (year, move, lane), lanes in order (strategy, cell, draw)."""
        found = np.empty((end - first, len(self.parts), int(np.prod(self.shape))))
        for child, hazards in enumerate(self.of_class):
            p = hazards.years(first, end)
            for m, part in enumerate(self.parts):
                if part.child == child:
                    found[:, m] = self._share(part, p)
        return found

    def _share(self, part: Part, p: FloatArray) -> FloatArray:
        """Probability of one move, given those of its class: (year, lane)."""
        if part.of >= 0:
            chance = p[:, part.of]
        else:
            stays = 1.0 - sum(p[:, m] for m in self.leaving[part.source])
            chance = np.where(stays < ROUNDING, 0.0, stays)
        if part.worse is None:
            return chance
        goes_on = self.goes_on[part.child]
        return np.asarray(chance * (goes_on if part.worse else 1.0 - goes_on))
