"""Write the results of a probabilistic analysis: pictures with their CSV, draws, JSON, and a terminal table."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.files import json_text, write_bytes, write_text
from econmodel.reporting.charts.analyses import plot_convergence, plot_draws
from econmodel.reporting.charts.figures import Spec, drawer, save_all
from econmodel.reporting.charts.uncertainty import plot_acceptability
from econmodel.reporting.formatting import money, money_change, percent
from econmodel.reporting.papers.phrases import caution
from econmodel.uncertainty.deterministic import lead_pair

if TYPE_CHECKING:
    from rich.console import Group

    from econmodel.parameters.loading import Case
    from econmodel.uncertainty.probabilistic import Psa
    from econmodel.uncertainty.risk import Risk


def psa_table(case: Case, psa: Psa, risk: Risk) -> Group:
    """Build the terminal table of one comparator with the sentence on convergence and the caution."""
    from rich import box
    from rich.console import Group
    from rich.markup import escape
    from rich.table import Table
    from rich.text import Text

    versus, currency = risk.comparator, psa.parameters.text("currency")
    table = Table(
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        title=escape(f"{case.title}: all inputs varied together, against {psa.parameters.strategies[versus].label.lower()}"),
        title_justify="left",
        title_style="bold",
    )
    for heading in ("Strategy", f"Net cost, {psa.headline_years} y (95%)", "NNT 3 y (95%)", "Saves", "Best value"):
        table.add_column(heading, justify="left" if heading == "Strategy" else "right")
    for key, found in risk.comparisons[versus].items():
        cost = found.headline_cost
        table.add_row(
            escape(psa.parameters.strategies[key].label),
            f"{money_change(cost.mean, currency)} ({money_change(cost.low, currency)} to {money_change(cost.high, currency)})",
            f"{found.shown_nnt.text} ({found.shown_nnt.interval_text})",
            percent(found.headline_probability_saving),
            percent(risk.probability_cost_effective[key]),
        )
    lead, beside = lead_pair(case.parameters)
    notes = [
        risk.convergence[beside][lead].sentence,
        f"Draws {psa.draws:,}, seed {psa.seed}. Best value: highest net benefit at {money(psa.threshold, currency)} per QALY.",
    ]
    notes.append(caution())
    return Group(table, *(Text(note, style="dim") for note in notes if note))


def save_psa(psa: Psa, risk: Risk, folder: Path) -> list[Path]:
    """Write plane, acceptability and convergence pictures of the lead, draws as CSV (and Parquet where it can be) and JSON."""
    lead, versus = lead_pair(psa.parameters)
    currency = psa.parameters.text("currency")
    note = f"{currency}, {psa.parameters.text('price_year')} prices"
    names = {key: psa.parameters.strategies[key].label for key in psa.keys}
    block = risk.convergence[versus][lead]
    written = save_all(
        {
            "plane_of_draws": Spec(
                _plane_rows(psa, lead, versus), 4.0, drawer(partial(plot_draws, psa, lead, versus), 0.15, 0.13, 0.82, 0.75), 5.6
            ),
            "acceptability": Spec(
                _curve_rows(risk),
                3.3,
                drawer(partial(plot_acceptability, risk.acceptability, names, psa.threshold, currency, note), 0.12, 0.15, 0.55, 0.8),
                6.0,
            ),
            "convergence": Spec(
                [{"draws": n, **{k: v[i] for k, v in block.running.items()}} for i, n in enumerate(block.at)],
                3.0,
                drawer(partial(plot_convergence, block, currency), 0.13, 0.16, 0.83, 0.72),
                6.0,
            ),
        },
        folder,
    )
    frame = psa.draws_frame()
    written.append(write_text(folder / "draws.csv", frame.to_csv(index=False, float_format="%.10g")))
    try:
        written.append(write_bytes(folder / "draws.parquet", frame.to_parquet(index=False)))
    except ImportError:
        pass
    return [*written, write_text(folder / "psa.json", json_text({"uncertainty": risk.to_json()}))]


def _plane_rows(psa: Psa, key: str, versus: str) -> list[dict[str, Any]]:
    found = psa.compare(key, versus)
    return [
        {"draw": i, "incremental_qalys": float(e), "incremental_cost": float(c)}
        for i, (e, c) in enumerate(zip(found.incremental_qalys, found.incremental_cost, strict=True))
    ]


def _curve_rows(risk: Risk) -> list[dict[str, Any]]:
    curves = risk.acceptability
    return [
        {"threshold": point.threshold, **{key: curve[i] for key, curve in curves.probability.items()}, "frontier": point.key}
        for i, point in enumerate(curves.frontier)
    ]
