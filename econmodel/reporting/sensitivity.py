"""Write the results of a sensitivity analysis: pictures with their CSV, one JSON, and sentences."""

from __future__ import annotations

from functools import partial
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.files import json_text, write_text
from econmodel.reporting.charts.analyses import plot_scenarios, plot_sobol, plot_two_way
from econmodel.reporting.charts.figures import Spec, drawer, save_all
from econmodel.reporting.charts.uncertainty import plot_tornado
from econmodel.reporting.formatting import money_change
from econmodel.reporting.papers.findings import analysis_of
from econmodel.uncertainty.deterministic import plain_rows, two_way_sentence

if TYPE_CHECKING:
    from econmodel.uncertainty.deterministic import Question

WIDE = (0.45, 0.11, 0.52, 0.86)


def sensitivity_document(question: Question, found: dict[str, Any]) -> dict[str, Any]:
    """Gather the analyses as plain data with the sentences a reader needs."""
    document: dict[str, Any] = {
        "strategy": question.strategy,
        "versus": question.versus,
        "outcome": question.outcome,
        "label": question.label,
        "currency": question.parameters.text("currency"),
        "sentences": sentences(question, found),
    }
    for name in ("one_way", "thresholds", "scenarios"):
        if name in found:
            document[name] = plain_rows(found[name])
    if "two_way" in found:
        grid = found["two_way"]
        document["two_way"] = {"x": grid.x, "y": grid.y, "rows": grid.rows(), "break_even": grid.break_even(), "base": list(grid.base)}
    if "sobol" in found:
        document["sobol"] = {outcome: plain_rows(rows) for outcome, rows in found["sobol"].items()}
    return document


def sentences(question: Question, found: dict[str, Any]) -> list[str]:
    """Say what moves the answer most, where it turns, and how scenarios spread."""
    said = []
    rows = found.get("one_way", [])
    if rows:
        widest = ", ".join(r.label[0].lower() + r.label[1:] for r in rows[:3])
        said.append(
            f"{question.label} of {question.parameters.strategies[question.strategy].label} against "
            f"{question.parameters.strategies[question.versus].label.lower()} moves most with: {widest}."
        )
    said += [t.sentence for t in found.get("thresholds", [])]
    if "two_way" in found:
        said.append(two_way_sentence(question, found["two_way"]))
    if scenarios := found.get("scenarios"):
        currency = question.parameters.text("currency")
        answered = [row for row in scenarios if isfinite(row.cost)]
        low, high = min(answered, key=lambda r: r.cost), max(answered, key=lambda r: r.cost)
        said.append(
            f"Over {len(answered) - 1} scenarios net cost runs from {money_change(low.cost, currency)} "
            f"({low.title}) to {money_change(high.cost, currency)} ({high.title})."
        )
    return said


def save_sensitivity(question: Question, found: dict[str, Any], document: dict[str, Any], folder: Path) -> list[Path]:
    """Write pictures, CSV and JSON; give the files."""
    return [
        *save_all(sensitivity_figures(question, found, document), folder),
        write_text(folder / "sensitivity.json", json_text(document)),
    ]


def sensitivity_figures(question: Question, found: dict[str, Any], document: dict[str, Any]) -> dict[str, Spec]:
    """List the pictures of the analyses run."""
    figures = {}
    if "one_way" in found:
        tornado = analysis_of(question, found["one_way"])
        figures[f"tornado_{question.outcome}"] = Spec(document["one_way"], 4.0, drawer(partial(plot_tornado, tornado), *WIDE), 7.2)
    if "two_way" in found:
        figures[f"two_way_{question.outcome}"] = Spec(
            document["two_way"]["rows"], 4.2, drawer(partial(plot_two_way, found["two_way"], question), 0.12, 0.14, 0.84, 0.82), 6.4
        )
    if "scenarios" in found:
        figures["scenarios"] = Spec(
            document["scenarios"], 5.0, drawer(partial(plot_scenarios, found["scenarios"], question), *WIDE), 7.2
        )
    for outcome, rows in found.get("sobol", {}).items():
        figures[f"sobol_{outcome}"] = Spec(document["sobol"][outcome], 4.2, drawer(partial(plot_sobol, rows, outcome), *WIDE), 7.2)
    return figures
