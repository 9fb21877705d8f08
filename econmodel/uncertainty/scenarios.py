"""Scenario table: every scenario file on top of the case, one comparison each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from econmodel.arrays import known
from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.errors import EconModelError
from econmodel.package import params_folder
from econmodel.parameters.documents import Document, read_document
from econmodel.parameters.overrides import apply_override
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.rules import check
from econmodel.records import record
from econmodel.uncertainty.deterministic import Question, outcome_of

BASE = "base"
SHOWN = ("cost", "bleeds", "nnt", "qalys", "nmb")


@record
class ScenarioRow:
    """Outcomes of one scenario, against the case itself; NaN where the case's own values leave it without an answer.

    There is no net benefit without a threshold.
    """

    key: str
    title: str
    rationale: str
    cost: float
    bleeds: float
    nnt: float | None
    qalys: float
    nmb: float | None


def scenario_table(question: Question, paths: Sequence[Path] | None = None) -> list[ScenarioRow]:
    """Evaluate every scenario file on top of the case; the case itself comes first; as :func:`scenario_tables`."""
    return scenario_tables([question], paths)[0]


def scenario_tables(questions: Sequence[Question], paths: Sequence[Path] | None = None) -> list[list[ScenarioRow]]:
    """Evaluate every scenario file on top of a case, once for all comparisons asked about; the case itself comes first.

    Raises
    ------
    EconModelError
        A file cannot be read. A scenario that the case's own values leave without an answer stays in the table and says why.
    """
    rows = {key: row for asked in questions for key, row in asked.parameters.strategies.items()}
    case = replace(questions[0].parameters, strategies=rows)
    found = [_scenario_rows(BASE, "This case", "", questions, lambda: case)]
    for path in scenario_files() if paths is None else paths:
        document = read_document(path)
        under = partial(under_scenario, case, document)
        found.append(_scenario_rows(path.stem, document.data["title"], document.data["rationale"], questions, under))
    return [list(rows) for rows in zip(*found, strict=True)]


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


def _scenario_rows(
    key: str, title: str, rationale: str, questions: Sequence[Question], under: Callable[[], ParameterSet]
) -> list[ScenarioRow]:
    """Outcomes of one scenario, a row for each comparison."""
    try:
        e = evaluate(under(), yearly=False, by_group=False)
    except EconModelError as fault:
        if key == BASE:
            raise
        why = "; ".join(each.what for each in fault.faults or (fault,))
        none = ScenarioRow(key, title, f"No answer with this case's values: {why}.", np.nan, np.nan, None, np.nan, np.nan)
        return [none] * len(questions)
    return [_row(key, title, rationale, e, asked) for asked in questions]


def _row(key: str, title: str, rationale: str, e: Evaluation, asked: Question) -> ScenarioRow:
    found = {o: float(outcome_of(e, o, asked.strategy, asked.versus)[0]) for o in SHOWN}
    nnt, nmb = (known(found.pop(name)) for name in ("nnt", "nmb"))
    return ScenarioRow(key, title, rationale, nnt=nnt, nmb=nmb, **found)
