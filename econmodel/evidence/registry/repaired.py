"""The repaired registry: what was analysed, under our names and one way of writing, and what was held.

One row per session (one per patient where there was none), with the patient's facts on each. Read back, it gives no
problems and the same results.
"""

from __future__ import annotations

import pandas as pd

from econmodel.evidence.registry.cleaning import CleanRegistry
from econmodel.evidence.registry.columns import SYNONYMS
from econmodel.evidence.registry.visits import RECORDED

_PER_VISIT = ("session_date", "coils", "glue_ml", "obliterated", "sessions")


def repaired_rows(clean: CleanRegistry) -> pd.DataFrame:
    """Rows of the patients analysed, in the order of the file."""
    visits = clean.visits
    chosen = visits["is_session"] | ~visits["patient"].isin(visits.loc[visits["is_session"], "patient"])
    sessions = visits[chosen].drop_duplicates(["patient", "session_date"])
    p = clean.analysed.reindex(sessions["patient"])
    p.index = sessions.index
    names = {n: p[n] for n in SYNONYMS if n in p.columns and n not in _PER_VISIT}
    table = pd.DataFrame(names | {n: sessions[n] for n in _PER_VISIT})
    table["id"] = p["label"]
    table["decision_date"] = p["start"]
    estimated = p["bleed_estimated"].astype(bool) & p["bled"].eq("yes")
    for name in ("bleed_earliest", "bleed_latest"):
        table[name] = p[name].where(estimated)
    table["bleed_date"] = p["bleed_date"].where(p["bled"].eq("yes"))
    table["complication"] = _complications(sessions)
    table["repairs"] = _repairs(p, estimated)
    whole = ["birth_year", "age", "coils", "sessions"]
    table[whole] = table[whole].astype("Int64")
    written = [n for n in SYNONYMS if n in clean.recorded or table[n].notna().any()]
    return table[written].reset_index(drop=True)


def _repairs(p: pd.DataFrame, estimated: pd.Series) -> pd.Series:
    start = p["start_basis"].eq("session").map({True: "starts at first session", False: ""})
    bleed = estimated.map({True: "bleed date estimated", False: ""})
    return (start + "; " + bleed).str.strip("; ")


def _complications(sessions: pd.DataFrame) -> pd.Series:
    said = pd.Series("", index=sessions.index, dtype=object)
    for name in RECORDED:
        said = said.where(~sessions[name].astype(bool), said + "; " + name)
    said = said.str.removeprefix("; ")
    said = said.mask(said.eq("") & sessions["complication_known"].astype(bool), "none")
    return said.where(said.ne(""), None)


def held_rows(clean: CleanRegistry) -> pd.DataFrame:
    """Rows of the patients held or excluded, as far as they could be read, with the reason."""
    fate = clean.patients[["fate", "reason"]].reindex(clean.rows["patient"])
    fate.index = clean.rows.index
    table = clean.rows.rename(columns={"label": "id"})
    table = table.assign(fate=fate["fate"], reason=fate["reason"])
    facts = [n for n in SYNONYMS if n in table.columns and n not in ("id", "repairs")]
    return table.loc[table["fate"].ne("analysed"), ["row", "fate", "reason", "id", *facts]].reset_index(drop=True)
