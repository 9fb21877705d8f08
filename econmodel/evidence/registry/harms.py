"""Harms of treatment as the registry has them, to stand beside its benefits."""

from __future__ import annotations

from typing import Any

from econmodel.evidence.registry.cleaning import CleanRegistry
from econmodel.evidence.registry.visits import RECORDED


def count_harms(clean: CleanRegistry) -> dict[str, dict[str, Any]]:
    """Count complications by strategy.

    Returns
    -------
    dict
        By strategy with sessions: ``courses``, ``courses_with_complications_recorded``, the courses with each kind of
        complication, and ``deaths_from_a_procedure`` (patients).
    """
    p = clean.analysed
    courses = clean.courses.assign(strategy=p["strategy"].reindex(clean.courses["patient"]).to_numpy())
    died = p.loc[p["death_cause"].eq("procedure"), "strategy"].value_counts()
    return {
        str(key): {
            "courses": len(part),
            "courses_with_complications_recorded": int(part["complication_known"].sum()),
            **{kind: int(part[kind].sum()) for kind in RECORDED},
            "deaths_from_a_procedure": int(died.get(key, 0)),
        }
        for key, part in courses.groupby("strategy")
    }
