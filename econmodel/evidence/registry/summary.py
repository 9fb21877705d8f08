"""The result of an import as plain dicts and lists, for JSON and for the screen."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import pandas as pd

from econmodel.evidence.registry.analysis import CAUTION, RegistryResult
from econmodel.evidence.registry.cells import neutral_tree
from econmodel.evidence.registry.harms import count_harms


def summarise(result: RegistryResult) -> dict[str, Any]:
    """Give the result as a tree that JSON can hold.

    Returns
    -------
    dict
        ``schema``, ``file``, ``invented``, ``caution``, ``as_of``, ``counts`` (steps), ``held`` and ``excluded``
        (patients with row and reason), ``problems``, ``changes`` (numbers by action), ``notes``, ``estimates``
        (strategy, group, counts, rate, cumulative incidence, bounds), ``comparison``,
        ``harms`` (by strategy), ``local_values``.
    """
    clean = result.clean
    tree = {
        "schema": 1,
        "file": clean.file,
        "invented": clean.invented,
        "caution": CAUTION,
        "as_of": result.options.as_of.isoformat(),
        "counts": list(clean.counts),
        "held": _listed(clean.patients, "held"),
        "excluded": _listed(clean.patients, "excluded"),
        "problems": {"total": len(clean.problems), **_number(clean.problems["action"])},
        "changes": {"total": len(clean.changes), **_number(clean.changes["why"])},
        "notes": list(result.notes),
        "estimates": result.rows,
        "comparison": result.comparison,
        "harms": count_harms(clean),
        "local_values": {v.name: {k: x for k, x in asdict(v).items() if k != "name" and x not in (None, ())} for v in result.values},
    }
    return neutral_tree(tree)  # type: ignore[no-any-return]


def _listed(patients: pd.DataFrame, fate: str) -> list[dict[str, Any]]:
    chosen = patients[patients["fate"].eq(fate)]
    return [
        {"row": int(row), "patient": str(label), "reason": str(reason)}
        for row, label, reason in zip(chosen["row"], chosen["label"], chosen["reason"], strict=True)
    ]


def _number(values: pd.Series) -> dict[str, int]:
    return {str(k): int(v) for k, v in values.value_counts().items()}
