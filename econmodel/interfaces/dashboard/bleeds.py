"""Page 3, Bleeds prevented: how many bleed, how many must be treated to avert one, and a check of anyone's claim."""

from __future__ import annotations

import streamlit as st

from econmodel.economics.lead import WATCH
from econmodel.interfaces.dashboard import blocks, claim, pictures
from econmodel.interfaces.dashboard.answers import Answer
from econmodel.parameters.catalogue import HEADLINE_COMPLICATIONS
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.results import shows_nnt
from econmodel.reporting.papers.content import table
from econmodel.reporting.papers.phrases import lower


def show(found: Answer) -> None:
    """Show the page."""
    st.header("First bleeds", anchor=False)
    pictures.of_case(found, "first_bleeds")
    st.header("Patients treated to avert one first bleed", anchor=False)
    blocks.note(
        "Number needed to treat (NNT): lower is better. Death competes with bleeding. NNTH: patients treated for one bleed more."
    )
    pictures.of_case(found, "nnt_by_year")
    for versus in found.results.beside:
        _table(found, versus)
    _averted(found)
    claim.show(found)


def _table(found: Answer, versus: str) -> None:
    results, names = found.results, found.results.labels
    years = [year for year in results.strategy(versus).first_bleed_risk if shows_nnt(results, year)]
    rows = [(names[key], *(f.nnt(c.whole.nnt[y]) for y in years)) for key, c in results.comparisons[versus].items()]
    columns = blocks.across("Option", (f.duration(y) for y in years))
    blocks.table(table(f"NNT against {lower(names[versus])}", columns, rows))


def _averted(found: Answer) -> None:
    results = found.results
    years = results.settings.headline
    rows = []
    for key, compared in results.comparisons[WATCH].items():
        now, treated = compared.headline, results.strategy(key)
        rows.append(
            (
                treated.label,
                f.number(now.gastric_first_bleeds_averted_per_100, 1),
                f.number(now.bleeds_averted_per_100, 1),
                f.nnt(now.patients_per_bleed_averted),
                f.per(treated.deaths["procedure"], 1000),
                *(f.per(treated.complications[kind], 1000) for kind in HEADLINE_COMPLICATIONS),
            )
        )
    blocks.table(
        table(
            f"Bleeds averted over {f.duration(years)}, against no prophylaxis, beside the harms",
            (
                ("Option", 2.4),
                ("First gastric bleeds averted per 100", 1.0, True),
                ("All bleeds averted per 100", 1.0, True),
                ("Patients per bleed averted, any bleed", 1.0, True),
                ("Procedure deaths per 1,000", 1.0, True),
                *((f"{short} per 1,000", 1.0, True) for short in HEADLINE_COMPLICATIONS.values()),
            ),
            rows,
            note="Harms over the time horizon.",
        )
    )
