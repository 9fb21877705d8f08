"""Page 6, My registry: a spreadsheet of patients becomes checked data, rates, risks and the site's own values.

The file stays in the memory of this session: it is not written to disk, and identifiers are dropped as it is read.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import streamlit as st

from econmodel.economics.lead import WATCH
from econmodel.errors import EconModelError
from econmodel.interfaces.dashboard import blocks, session
from econmodel.interfaces.dashboard.answers import Answer, answer
from econmodel.interfaces.dashboard.case_file import MemoryFile, to_document, uploaded
from econmodel.interfaces.dashboard.starts import load_start, national
from econmodel.package import params_folder

if TYPE_CHECKING:
    from econmodel.evidence.registry import BaseCase, Options, RegistryResult
    from econmodel.parameters.schema import StrategyRow

INVENTED = "demo_registry.csv"
ORDERS = {"Ask me when unclear": None, "Day first (04/03 is 4 March)": "day_first", "Month first (04/03 is 3 April)": "month_first"}
RISK_YEARS = (1, 2, 3, 5)


def show(found: Answer) -> None:
    """Show the page."""
    from econmodel.evidence.registry import Options, summarise
    from econmodel.interfaces.dashboard import registry_results

    blocks.text(
        "Load a registry, CSV or XLSX, one row per patient or several. It is read in memory only and nothing "
        "leaves this computer; names and record numbers are dropped as it is read."
    )
    left, right = st.columns(2, gap="large")
    with left:
        file = st.file_uploader("Registry file (up to 5 MB)", type=["csv", "xlsx", "tsv", "txt"], key="registry_file")
        st.button("Try with an invented registry", on_click=_try_invented)
    with right:
        order = st.selectbox("How dates like 04/03/2021 are read", list(ORDERS), key="registry_order")
        mapping = _mapping()
    chosen = _chosen(file)
    if chosen is None:
        return
    options = Options(date_order=ORDERS[order], mapping=mapping, strategies=_strategies(found))  # type: ignore[arg-type]
    result = _analyse(chosen, options)
    if result is not None:
        registry_results.show(result, summarise(result))
        _use(result)


def _try_invented() -> None:
    st.session_state.registry_invented = True


def _chosen(file: Any) -> MemoryFile | None:
    """Give the file that was sent, else the invented one if asked for."""
    if file is not None:
        st.session_state.registry_invented = False
        try:
            return uploaded(file.name, file.getvalue())
        except EconModelError as fault:
            _say(fault)
            return None
    if st.session_state.get("registry_invented"):
        path = params_folder() / "hospitals" / INVENTED
        return MemoryFile(path.name, path.read_bytes())
    return None


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


def _add(column: str, meaning: str) -> None:
    st.session_state.registry_mapping = {**st.session_state.get("registry_mapping", {}), column: meaning}


def _analyse(file: MemoryFile, options: Options) -> RegistryResult | None:
    """Analyse the file once; the result stays in this session only."""
    from econmodel.evidence.registry import analyse_registry

    told = (options.date_order, tuple(options.mapping.items()), tuple(options.strategies))
    key = (file.name, hash(file.content), *told, st.session_state.start)
    if st.session_state.get("registry_key") != key:
        try:
            with st.spinner("Reading the registry"):
                result = analyse_registry(file.as_path, options, _beliefs())
        except EconModelError as fault:
            _say(fault)
            return None
        st.session_state.update(registry_key=key, registry_result=result)
    kept: RegistryResult = st.session_state.registry_result
    return kept


def _beliefs() -> BaseCase:
    """Give the beliefs a registry is combined with: the country's, with no value of a site."""
    from econmodel.evidence.registry import base_case_from

    base = load_start(national(st.session_state.start))
    risks = answer(base).results.strategy(WATCH).first_bleed_risk
    return base_case_from(base.parameters, {year: risks[year] for year in RISK_YEARS if year in risks})


def _strategies(found: Answer) -> dict[str, StrategyRow]:
    """Give the country's strategies and the case's own: one that the case drops may still stand in a registry."""
    return load_start(national(st.session_state.start)).parameters.strategies | found.case.parameters.strategies


def _say(fault: EconModelError) -> None:
    session.refuse(fault)
    words = session.take_refusal().replace("--map COLUMN=NAME", "the box for a column that is not recognised")
    blocks.alert(words.replace("--day-first", "the box for dates").replace("--month-first", "the other order"))


def _use(result: RegistryResult) -> None:
    """Offer the values the registry can replace."""
    from econmodel.evidence.registry.outputs import override_text

    text = override_text(result)
    st.header("Use these values", anchor=False)
    blocks.text(
        f"{len(result.values)} inputs can be replaced by this registry. Effects of treatment are never taken "
        "from it: its patients were not allocated at random."
    )
    with st.container(key="registry_use", horizontal=True):
        st.button("Use them in this case", type="primary", on_click=_apply, args=(text,), disabled=not result.values)
        st.download_button("Override file", text, "registry_override.toml", "application/toml", on_click="ignore")


def _apply(text: str) -> None:
    if session.merge({"override": to_document(text, "registry").data.get("override", {})}):
        st.session_state.notice = "The registry's values are in this case; the page Inputs and sources lists them."
