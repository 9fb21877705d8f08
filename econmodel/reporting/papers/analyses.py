"""What a single analysis leaves in its folder (sensitivity, draws, programme): pictures with their CSV, and one JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from econmodel.files import json_text, write_bytes, write_csv, write_text
from econmodel.model.inputs import horizon_years
from econmodel.programme.money.rows import Row
from econmodel.programme.money_question import ask_money
from econmodel.reporting.charts.figures import Spec, drawer, save_all, titled
from econmodel.reporting.charts.programme import programme_figures
from econmodel.reporting.charts.uncertainty import (
    axis_label,
    plot_acceptability,
    plot_convergence,
    plot_draws,
    plot_scenarios,
    plot_sobol,
    plot_tornado,
    plot_two_way,
)
from econmodel.reporting.formatting import duration, money_change
from econmodel.reporting.tables.by_risk import by_risk_sentences
from econmodel.reporting.tables.findings import analysis_of
from econmodel.reporting.tables.provenance import drawn_together
from econmodel.uncertainty.deterministic import Question, ask, plain_rows
from econmodel.uncertainty.two_way import two_way_sentence
from econmodel.wording import lower

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case
    from econmodel.programme.report import ProgrammeResult
    from econmodel.uncertainty.by_structure import ByStructure
    from econmodel.uncertainty.deterministic import Asked
    from econmodel.uncertainty.probabilistic import Psa
    from econmodel.uncertainty.risk import Acceptability, Risk
    from econmodel.uncertainty.two_way import Grid

WIDE = (0.45, 0.11, 0.52, 0.86)


def sensitivity_document(question: Asked, found: dict[str, Any]) -> dict[str, Any]:
    """Gather the analyses as plain data with the sentences a reader needs."""
    pair = {"strategy": question.strategy, "versus": question.versus} if isinstance(question, Question) else {}
    document: dict[str, Any] = pair | {
        "outcome": question.outcome,
        "label": question.label,
        "currency": question.parameters.text("currency"),
        "sentences": sentences(question, found),
    }
    for name in ("one_way", "thresholds", "scenarios"):
        if name in found:
            document[name] = plain_rows(found[name])
    if "two_way" in found:
        document["two_way"], *others = map(_map_rows, found["two_way"])
        document |= {"other_maps": others} if others else {}
    if "flips" in found:
        document["flips"] = found["flips"].to_json()
    if "by_risk" in found:
        document["by_risk"] = found["by_risk"].to_json()
    if "sobol" in found:
        document["sobol"] = {outcome: plain_rows(rows) for outcome, rows in found["sobol"].items()}
    return document


def _map_rows(grid: Grid) -> dict[str, Any]:
    return {"x": grid.x, "y": grid.y, "rows": grid.rows(), "break_even": grid.break_even(), "base": list(grid.base)}


def sentences(question: Asked, found: dict[str, Any]) -> list[str]:
    """Say what moves the answer most, where it turns, and how scenarios spread."""
    said = []
    rows = found.get("one_way", [])
    if rows:
        widest = ", ".join(r.label[0].lower() + r.label[1:] for r in rows[:3])
        said.append(f"{question.subject}: {lower(question.label)} moves most with: {widest}.")
        said += [left] if (left := question.parameters.left_out()) else []
    said += [t.sentence for t in found.get("thresholds", [])]
    said += [two_way_sentence(question, grid) for grid in found.get("two_way", [])]
    if scenarios := found.get("scenarios"):
        name, label = _shown_of_scenarios(question)
        answered = [row for row in scenarios if isfinite(getattr(row, name))]
        low, high = (pick(answered, key=lambda r: getattr(r, name)) for pick in (min, max))
        amounts = [money_change(getattr(row, name), question.parameters.text("currency")) for row in (low, high)]
        said.append(
            f"{question.subject}: over {len(answered) - 1} scenarios {lower(label)}, runs from {amounts[0]} ({low.title}) to "
            f"{amounts[1]} ({high.title})."
        )
    if "flips" in found:
        said += found["flips"].sentences
    if "by_risk" in found:
        said += by_risk_sentences(question.parameters, found["by_risk"])
    return said


def _shown_of_scenarios(question: Asked) -> tuple[str, str]:
    """Outcome that scenarios are shown by, and its label: net cost of a comparison, the present value in cash of the programme."""
    if isinstance(question, Question):
        return "cost", replace(question, outcome="cost").label
    return "npv_cash", ask_money(question.parameters).label


def save_sensitivity(place: str, found: Sequence[tuple[Asked, dict[str, Any]]], document: dict[str, Any], folder: Path) -> list[Path]:
    """Write pictures of each comparison, its CSV, and one JSON; give the files. ``place`` names the hospital on the pictures."""
    figures: dict[str, Spec] = {}
    for (question, results), told in zip(found, (document, *document["beside"]), strict=True):
        drawn = sensitivity_figures(place, question, results, told)
        figures |= {f"{name}_v_{told['versus']}" if document["beside"] else name: spec for name, spec in drawn.items()}
    return [*save_all(figures, folder), write_text(folder / "sensitivity.json", json_text(document))]


def sensitivity_figures(place: str, question: Asked, found: dict[str, Any], document: dict[str, Any]) -> dict[str, Spec]:
    """List the pictures of the analyses run, of one comparison or of the programme's money."""
    figures = {}
    if "one_way" in found:
        tornado = analysis_of(question, found["one_way"])
        if any(isfinite(row.swing) for row in tornado.rows):
            figures[f"tornado_{question.outcome}"] = Spec(document["one_way"], 4.0, drawer(partial(plot_tornado, tornado), *WIDE), 7.2)
    maps = [document.get("two_way"), *document.get("other_maps", [])]
    for grid, told in zip(found.get("two_way", []), maps, strict=False):
        name = f"two_way_{question.outcome}" + (f"_{grid.x}_{grid.y}" if len(maps) > 1 else "")
        if np.isinf(grid.values).any():
            continue  # a payback that is never reached has no colour
        figures[name] = Spec(told["rows"], 4.2, drawer(partial(plot_two_way, grid, question), 0.12, 0.14, 0.84, 0.82), 6.4)
    if "scenarios" in found:
        drawn = partial(plot_scenarios, found["scenarios"], question, *_shown_of_scenarios(question))
        figures["scenarios"] = Spec(document["scenarios"], 5.0, drawer(drawn, *WIDE), 7.2)
    for outcome, rows in found.get("sobol", {}).items():
        figures[f"sobol_{outcome}"] = Spec(document["sobol"][outcome], 4.2, drawer(partial(plot_sobol, rows, outcome), *WIDE), 7.2)
    title = f"{question.subject}: {lower(axis_label(question))}. {place}"
    return {name: titled(spec, title) for name, spec in figures.items()}


def psa_document(case: Case, risk: Risk, structures: ByStructure | None) -> dict[str, Any]:
    """What the draws say, the means over them, results by structure, and which inputs are drawn together."""
    return {
        "case": case.name,
        "uncertainty": risk.to_json(),
        "expected": risk.expected.to_json(),
        "structures": structures and structures.to_json(),
        "drawn_together": drawn_together(case.parameters),
    }


def psa_figures(place: str, psa: Psa, risk: Risk, pairs: Sequence[tuple[str, str]]) -> dict[str, Spec]:
    """List the pictures of the draws: acceptability, where there is a threshold; plane and convergence of each comparison."""
    p, currency = psa.parameters, psa.parameters.text("currency")
    note = f"{currency}, {p.text('price_year')} prices"
    names = {key: p.strategies[key].label for key in psa.keys}
    figures = {}
    if curves := risk.acceptability:
        drawn = drawer(partial(plot_acceptability, curves, names, currency, note), 0.12, 0.15, 0.55, 0.8)
        figures["acceptability"] = Spec(_curve_rows(curves), 3.3, drawn, 6.0)
    for key, versus in pairs:
        block = risk.convergence[versus][key]
        figures[f"plane_of_draws_v_{versus}"] = Spec(
            _plane_rows(psa, key, versus), 4.0, drawer(partial(plot_draws, psa, key, versus), 0.15, 0.13, 0.82, 0.75), 5.6
        )
        figures[f"convergence_v_{versus}"] = Spec(
            [{"draws": n, **{k: v[i] for k, v in block.running.items()}} for i, n in enumerate(block.at)],
            3.0,
            drawer(partial(plot_convergence, block, currency), 0.13, 0.16, 0.83, 0.72),
            6.0,
        )
    whole = f"over {duration(horizon_years(p))}, {note}. {place}"
    titles = {name: f"Each strategy against all others, {whole}" for name in figures if name == "acceptability"} | {
        f"{kind}_v_{versus}": f"{ask(p, key, versus).subject}, {whole}"
        for key, versus in pairs
        for kind in ("plane_of_draws", "convergence")
    }
    return {name: titled(spec, titles[name]) for name, spec in figures.items()}


def save_psa(place: str, psa: Psa, risk: Risk, pairs: Sequence[tuple[str, str]], document: dict[str, Any], folder: Path) -> list[Path]:
    """Write the pictures, draws as CSV (and Parquet where it can be) and JSON."""
    written = save_all(psa_figures(place, psa, risk, pairs), folder)
    frame = psa.draws_frame()
    written.append(write_text(folder / "draws.csv", frame.to_csv(index=False, float_format="%.10g")))
    try:
        written.append(write_bytes(folder / "draws.parquet", frame.to_parquet(index=False)))
    except ImportError:
        pass
    return [*written, write_text(folder / "psa.json", json_text(document))]


def _plane_rows(psa: Psa, key: str, versus: str) -> list[dict[str, Any]]:
    found = psa.compare(key, versus)
    return [
        {"draw": i, "incremental_qalys": float(e), "incremental_cost": float(c)}
        for i, (e, c) in enumerate(zip(found.incremental_qalys, found.incremental_cost, strict=True))
    ]


def _curve_rows(curves: Acceptability) -> list[dict[str, Any]]:
    return [
        {"threshold": point.threshold, **{key: curve[i] for key, curve in curves.probability.items()}, "frontier": point.key}
        for i, point in enumerate(curves.frontier)
    ]


def save_programme(place: str, programme: ProgrammeResult, currency: str, folder: Path) -> list[Path]:
    """Write the year table and downside as CSV, the four charts, and the whole as JSON."""
    rows = [
        {"row": row, "label": row.label, **{f"year_{y.year}": y.rows[row] for y in programme.years}, "total": programme.totals[row]}
        for row in Row
    ]
    return [
        write_csv(folder / "years.csv", rows),
        write_csv(folder / "downside.csv", _flat([row.to_json() for row in programme.downside])),
        *save_all(programme_figures(programme, currency, place), folder),
        write_text(folder / "budget.json", json_text(programme.contract())),
    ]


def _flat(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{k: "; ".join(v) if isinstance(v, list) else v for k, v in row.items()} for row in rows]
