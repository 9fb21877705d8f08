"""Scenario table: every scenario file on top of the case, one comparison each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from econmodel.economics.evaluate import evaluate
from econmodel.errors import EconModelError
from econmodel.package import params_folder
from econmodel.parameters.documents import Document, read_document
from econmodel.parameters.overrides import apply_override
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.rules import check
from econmodel.records import record
from econmodel.uncertainty.deterministic import OUTCOMES, Question, outcome_of

BASE = "base"


@record
class ScenarioRow:
    """Outcomes of one scenario, against the case itself; NaN where the case's own values leave it without an answer."""

    key: str
    title: str
    rationale: str
    cost: float
    bleeds: float
    nnt: float | None
    qalys: float
    nmb: float


def scenario_table(question: Question, paths: Sequence[Path] | None = None) -> list[ScenarioRow]:
    """Evaluate every scenario file on top of the case; the case itself comes first.

    Raises
    ------
    EconModelError
        A file cannot be read. A scenario that the case's own values leave without an answer stays in the table and says why.
    """
    rows = [_scenario_row(BASE, "This case", "", question, lambda: question.parameters)]
    for path in scenario_files() if paths is None else paths:
        document = read_document(path)
        under = partial(under_scenario, question.parameters, document)
        rows.append(_scenario_row(path.stem, document.data["title"], document.data["rationale"], question, under))
    return rows


def scenario_files() -> list[Path]:
    """Scenario files shipped, by name."""
    return sorted((params_folder() / "scenarios").glob("*.toml"))


def under_scenario(parameters: ParameterSet, document: Document) -> ParameterSet:
    """Lay a scenario file on a case; rows of strategies that the case does not have are left out.

    Raises
    ------
    EconModelError
        It cannot be applied.
    """
    kept = {k: v for k, v in document.data.items() if k != "strategy"}
    wanted = {k: v for k, v in document.data.get("strategy", {}).items() if k in parameters.strategies}
    changed = apply_override(parameters, replace(document, data=kept | {"strategy": wanted}))
    check(changed, subset=True)
    return changed


def _scenario_row(key: str, title: str, rationale: str, question: Question, under: Callable[[], ParameterSet]) -> ScenarioRow:
    try:
        e = evaluate(under(), yearly=False, by_group=False)
    except EconModelError as fault:
        if key == BASE:
            raise
        why = "; ".join(each.what for each in fault.faults or (fault,))
        return ScenarioRow(key, title, f"No answer with this case's values: {why}.", np.nan, np.nan, None, np.nan, np.nan)
    found = {o: float(outcome_of(e, o, question.strategy, question.versus)[0]) for o in OUTCOMES}
    return ScenarioRow(
        key,
        title,
        rationale,
        found["cost"],
        found["bleeds"],
        None if np.isnan(found["nnt"]) else found["nnt"],
        found["qalys"],
        found["nmb"],
    )
