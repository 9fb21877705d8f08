"""Page 8, My registry: a spreadsheet of patients becomes checked data, rates, risks and the site's own values.

The file stays in the memory of this session: it is not written to disk, and identifiers are dropped as it is read.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.evidence.nnt import NumberNeededToTreat
from econmodel.evidence.registry import RegistryResult
from econmodel.evidence.registry.outputs import curve_rows, estimate_rows, held_rows, neutral_frame, repaired_rows
from econmodel.evidence.registry.recipe import recipe_text
from econmodel.interfaces.dashboard import blocks
from econmodel.interfaces.dashboard.state import session
from econmodel.interfaces.dashboard.state.answers import Answer
from econmodel.interfaces.dashboard.state.case_file import MemoryFile, load_start, read_start, to_document, uploaded
from econmodel.package import params_folder
from econmodel.parameters.catalogue import KEPT_COMPLICATIONS, LABELS
from econmodel.reporting import formatting as f
from econmodel.reporting.papers.content import table
from econmodel.workbooks import SMALLER

if TYPE_CHECKING:
    import pandas as pd

    from econmodel.evidence.registry import Options
    from econmodel.parameters.parameter_set import ParameterSet

INVENTED = "demo_registry.csv"
ORDERS = {"Ask me when unclear": None, "Day first (04/03 is 4 March)": "day_first", "Month first (04/03 is 3 April)": "month_first"}
YEARS = ("1", "2", "3", "5")
MOST = 200


def show(found: Answer) -> None:
    """Show the page."""
    from econmodel.evidence.registry import Options, summarise

    blocks.text(
        "Load a registry, CSV or XLSX, one row per patient or several. It is read in memory only and nothing "
        "leaves this computer; names and record numbers are dropped as it is read."
    )
    left, right = st.columns(2, gap="large")
    with left:
        st.file_uploader(
            "Registry file (up to 5 MB)", type=["csv", "xlsx", "tsv", "txt"], key="registry_file", on_change=_take, args=("file",)
        )
        st.button("Try with an invented registry", on_click=_try_invented)
    with right:
        order = st.selectbox("How dates like 04/03/2021 are read", list(ORDERS), key="registry_order")
        mapping, words = _mapping(), _words()
        label = "Recipe of an earlier run (recipe.toml or recipe.xlsx), if there is one"
        st.file_uploader(label, type=["toml", "xlsx"], key="registry_recipe", on_change=_take, args=("recipe",))
    chosen, recipe = _taken("file"), _taken("recipe")
    if chosen is None:
        return
    if st.session_state.get("registry_file") is None:
        st.button("Forget the registry that is loaded", on_click=_forget)
    told = {"date_order": ORDERS[order], "mapping": mapping, "words": words}
    site = found.case.parameters  # a strategy that it drops may still stand in a registry
    known = {"strategies": _country().strategies | site.strategies, "groups": site.rows("case_mix")}
    result = _analyse(chosen, Options(**told, **known, largest=SMALLER), site, recipe)  # type: ignore[arg-type]
    if result is not None:
        show_results(result, summarise(result))
        _use(result)


def _take(which: str) -> None:
    """Keep what was sent, which its box forgets when another page is opened; taken out of the box, it is gone."""
    file = st.session_state[f"registry_{which}"]
    try:
        st.session_state[f"registry_taken_{which}"] = file and uploaded(file.name, file.getvalue())
    except EconModelError as fault:
        session.refuse(fault)


def _taken(which: str) -> MemoryFile | None:
    kept: MemoryFile | None = st.session_state.get(f"registry_taken_{which}")
    return kept


def _forget() -> None:
    st.session_state.registry_taken_file = None


def _try_invented() -> None:
    path = params_folder() / "hospitals" / INVENTED
    st.session_state.registry_taken_file = MemoryFile(path.name, path.read_bytes())


def _mapping() -> dict[str, str]:
    from econmodel.evidence.registry.columns import SYNONYMS

    with st.expander("A column is not recognised"):
        blocks.note("Name the column as it stands in the file, and say what it holds; ignore leaves it out.")
        column = st.text_input("Column in the file", key="registry_column").strip()
        meaning = st.selectbox("What it holds", [*SYNONYMS, "ignore"], key="registry_meaning")
        st.button("Add", on_click=_add, args=(column, meaning), disabled=not column)
        mapping: dict[str, str] = st.session_state.setdefault("registry_mapping", {})
        for heading, name in mapping.items():
            blocks.note(f"{heading}: {name}")
    return dict(mapping)


def _words() -> dict[tuple[str, str], str]:
    with st.expander("A word is not known"):
        blocks.note("Words are told by the letter of their column and a row, as the notes list them, and are shown nowhere.")
        column = st.text_input("Letter of the column", key="registry_word_column").strip().upper()
        row = st.text_input("A row in which it stands", key="registry_word_row").strip()
        meaning = st.text_input("What it means, in a word known there", key="registry_word_meaning").strip()
        st.button("Explain it", on_click=_explain, args=(column, row, meaning), disabled=not (column and row.isdecimal() and meaning))
        words: dict[tuple[str, str], str] = st.session_state.setdefault("registry_words", {})
        for (letter, place), known in words.items():
            blocks.note(f"column {letter}, {place}: {known}")
    return dict(words)


def _explain(column: str, row: str, meaning: str) -> None:
    st.session_state.registry_words = {**st.session_state.get("registry_words", {}), (column, f"row {row}"): meaning}


def _add(column: str, meaning: str) -> None:
    st.session_state.registry_mapping = {**st.session_state.get("registry_mapping", {}), column: meaning}


def _analyse(file: MemoryFile, options: Options, site: ParameterSet, recipe: MemoryFile | None) -> RegistryResult | None:
    """Analyse the file once; the result stays in this session only."""
    from econmodel.evidence.registry import analyse_registry
    from econmodel.evidence.registry.recipe import read_recipe
    from econmodel.interfaces.commands.registry import beliefs

    key = (file.name, hash(file.content), options, recipe and recipe.content, st.session_state.start)
    if st.session_state.get("registry_key") != key:
        try:
            with st.spinner("Reading the registry"):
                options = read_recipe(recipe.as_path, options) if recipe else options
                result = analyse_registry(file.as_path, options, beliefs(_country(), site))
        except EconModelError as fault:
            _say(fault)
            return None
        st.session_state.update(registry_key=key, registry_result=result)
    kept: RegistryResult = st.session_state.registry_result
    return kept


def _country() -> ParameterSet:
    """Give the country's inputs, with no value of a site."""
    return load_start(read_start(st.session_state.start).code).parameters


def _say(fault: EconModelError) -> None:
    session.refuse(fault)
    blocks.alert(session.take_refusal())


def _use(result: RegistryResult) -> None:
    """Offer the values the registry can replace."""
    from econmodel.evidence.registry.outputs import override_text

    text = override_text(result)
    st.header("Use these values", anchor=False)
    blocks.text(
        f"{len(result.values)} inputs can be replaced by this registry. Effects of treatment are never taken "
        "from it: its patients were not allocated at random."
    )
    if result.refused:
        blocks.alert(result.refused[0].upper() + result.refused[1:])
        return
    with st.container(key="registry_use", horizontal=True):
        st.button("Use them in this case", type="primary", on_click=_apply, args=(text,), disabled=not result.values)
        st.download_button("Override file", text, "registry_override.toml", "application/toml", on_click="ignore")


def _apply(text: str) -> None:
    if session.merge({"override": to_document(text, "registry").data.get("override", {})}):
        st.session_state.notice = "The registry's values are in this case; the page Inputs and sources lists them."


def show_results(result: RegistryResult, summary: dict[str, Any]) -> None:
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
        clean = result.clean
        text = recipe_text(clean.read_as.sheets, clean.unknown, clean.read_as)
        st.download_button("Recipe (how the file was read)", text, "recipe.toml", "application/toml", on_click="ignore")


def _csv(frame: Callable[[], pd.DataFrame]) -> str:
    return str(neutral_frame(frame()).to_csv(index=False))
