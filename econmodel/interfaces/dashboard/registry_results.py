"""What a registry says, on the screen: counts at every step, problems with their rows, risks and NNT."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any

import streamlit as st

from econmodel.evidence.nnt import NumberNeededToTreat
from econmodel.evidence.registry import RegistryResult
from econmodel.evidence.registry.outputs import curve_rows, estimate_rows, held_rows, neutral_frame, repaired_rows
from econmodel.interfaces.dashboard import blocks
from econmodel.interfaces.dashboard.starts import load_start
from econmodel.parameters.catalogue import KEPT_COMPLICATIONS, LABELS
from econmodel.reporting import formatting as f
from econmodel.reporting.papers.content import table

if TYPE_CHECKING:
    import pandas as pd

YEARS = ("1", "2", "3", "5")
MOST = 200


def show(result: RegistryResult, summary: dict[str, Any]) -> None:
    """Show the result of an import."""
    if summary["invented"]:
        blocks.banner("Invented registry: no real patient stands behind it.")
    st.header("What was read", anchor=False)
    counts = [(str(s["step"]), f.number(s.get("rows")), f.number(s.get("patients"))) for s in summary["counts"]]
    blocks.table(table("Counts at every step", (("Step", 4.0), ("Rows", 1.0, True), ("Patients", 1.0, True)), counts))
    blocks.points(summary["notes"], "note")
    _problems(result)
    st.header("First bleeds since the decision", anchor=False)
    _estimates(summary)
    _comparison(summary)
    _harms(summary)
    blocks.text(summary["caution"], "caution")
    _files(result)


def _problems(result: RegistryResult) -> None:
    problems = neutral_frame(result.clean.problems)
    with st.expander(f"Problems found: {len(problems)}", expanded=len(problems) > 0):
        if len(problems):
            columns = [(str(name).replace("_", " ").capitalize(), 1.0) for name in problems.columns]
            more = f"The first {MOST}; the file of problems has all." if len(problems) > MOST else ""
            blocks.table(
                table(
                    "Problems, with the row of the file",
                    columns,
                    problems.head(MOST).astype(str).to_numpy().tolist(),
                    note=more,
                    small=True,
                )
            )


def _span(found: dict[str, Any]) -> str:
    if found["value"] is None:
        return "not followed so long"
    if found["low"] is None:
        return f.percent(found["value"], 1)
    return f"{f.percent(found['value'], 1)} ({f.percent(found['low'], 1)} to {f.percent(found['high'], 1)})"


def _estimates(summary: dict[str, Any]) -> None:
    rows = [
        (
            _label(r["strategy"]),
            r["n_over_N"],
            f.number(r["patient_years"], 1),
            *(_span(r["cumulative_incidence"][y]) for y in YEARS),
            str(r["deaths"]),
            str(r["lost"]),
        )
        for r in summary["estimates"]
        if r["group"] == "all"
    ]
    years = (f"By {y} years" if y != "1" else "By 1 year" for y in YEARS)
    columns = (("Option", 1.6), ("Bled", 0.8), ("Patient-years", 0.8), *((year, 1.4) for year in years), ("Died", 0.6), ("Lost", 0.6))
    blocks.table(table("Share who bled, with 95% interval, death competing (cumulative incidence)", columns, rows))


def _comparison(summary: dict[str, Any]) -> None:
    compared = summary["comparison"]
    rows = [(_label(key), *(_nnt(years.get(y)) for y in YEARS)) for key, years in compared["strategies"].items()]
    if rows:
        columns = (("Option", 1.6), *((f"At {y} years" if y != "1" else "At 1 year", 1.4) for y in YEARS))
        caption = f"Patients treated to avert one first bleed (NNT), compared with: {compared['comparator']}"
        blocks.table(table(caption, columns, rows, note=compared["caution"]))
    else:
        blocks.text(compared["caution"])


def _harms(summary: dict[str, Any]) -> None:
    rows = [
        (
            _label(key),
            str(harm["courses"]),
            str(harm["courses_with_complications_recorded"]),
            *(str(harm[kind]) for kind in KEPT_COMPLICATIONS),
            str(harm["deaths_from_a_procedure"]),
        )
        for key, harm in summary["harms"].items()
    ]
    if rows:
        kinds = (LABELS[kind] for kind in KEPT_COMPLICATIONS)
        columns = blocks.across("Option", ("Courses", "with complications recorded", *kinds, "Deaths from a procedure"))
        blocks.table(table("Harms", columns, rows))


def _label(key: str) -> str:
    """Label of a strategy, as the case or its start names it."""
    known = load_start(st.session_state.start).parameters.strategies
    return known[key].label if key in known else key


def _nnt(found: dict[str, Any] | None) -> str:
    return f.NOTHING if found is None else f"{f.nnt(NumberNeededToTreat(found['arr']))} ({found['interval_text']})"


def _files(result: RegistryResult) -> None:
    files = {
        "Repaired registry": ("repaired.csv", lambda: repaired_rows(result.clean)),
        "Held and excluded": ("held.csv", lambda: held_rows(result.clean)),
        "Problems": ("problems.csv", lambda: result.clean.problems),
        "Changes": ("changes.csv", lambda: result.clean.changes),
        "Curves": ("curves.csv", lambda: curve_rows(result)),
        "Estimates": ("estimates.csv", lambda: estimate_rows(result)),
    }
    with st.container(key="registry_files", horizontal=True):
        for label, (name, frame) in files.items():
            st.download_button(f"{label} (CSV)", partial(_csv, frame), name, "text/csv", on_click="ignore")


def _csv(frame: Callable[[], pd.DataFrame]) -> str:
    return str(neutral_frame(frame()).to_csv(index=False))
