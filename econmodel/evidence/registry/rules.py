"""Which patients are excluded and which are held, one line a rule.

Each rule has the column to look at, what is said, and a test on the patients frame. A patient may break several rules
and all are listed; an excluded patient is counted as excluded, another as held under the first rule broken.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd

from econmodel.evidence.registry.ledger import EXCLUDED, HELD, Ledger
from econmodel.evidence.registry.settings import Options
from econmodel.evidence.registry.visits import ELIGIBLE

Rule = tuple[str, str, Callable[[pd.DataFrame], Any]]


def _order_unknown(p: pd.DataFrame) -> pd.Series:
    return p["bleed_on_session"] & p["bleed_order"].isna()


def _bled_before(p: pd.DataFrame) -> pd.Series:
    same_day = p["bleed_date"].eq(p["start"]) & p["bleed_order"].eq("before") & ~p["bleed_estimated"]
    return p["previous_bleed"].eq("yes") | (p["bled"].eq("yes") & ((p["bleed_date"] < p["start"]) | same_day))


def _after_death(p: pd.DataFrame) -> pd.Series:
    contacts = p[["last_seen", "last_session", "bleed_date", "rebleed_date", "transplant_date"]].max(axis=1)
    return contacts > p["death_date"]


def _no_follow_up(p: pd.DataFrame) -> pd.Series:
    ends = p[["last_seen", "death_date", "transplant_date"]].notna().any(axis=1)
    return ~ends & p["bled"].eq("no") & ~p["status"].isin(["lost", "dead"])


def _bounds_wrong(p: pd.DataFrame) -> pd.Series:
    return (p["bleed_earliest"] > p["bleed_date"]) | (p["bleed_latest"] < p["bleed_date"])


EXCLUSIONS: tuple[Rule, ...] = (
    ("bleed_date", "bled before the decision: not primary prophylaxis", _bled_before),
    ("varix_type", "GOV1 follows the rules of oesophageal varices: outside this question", lambda p: p["varix_type"].eq("GOV1")),
    (
        "varix_type",
        "not GOV2 or IGV1: outside this question",
        lambda p: p["varix_type"].notna() & ~p["varix_type"].isin([*ELIGIBLE, "GOV1"]),
    ),
)
HOLDS: tuple[Rule, ...] = (
    ("decision_date", "no decision date and no session date: nothing to start from", lambda p: p["start"].isna()),
    ("strategy", "no strategy, and no coil or glue to tell it from", lambda p: p["strategy"].isna()),
    ("session_date", "a session is recorded under a strategy without sessions", lambda p: p["without_sessions"] & p["has_session"]),
    ("session_date", "first session before the decision", lambda p: p["first_session"] < p["decision_date"]),
    ("bled", "blank: unknown is not no", lambda p: p["bled"].isna()),
    ("bled", "says no, but the bleed is dated", lambda p: p["dated_but_no"]),
    ("bled", "says no, but a later bleed is dated", lambda p: p["bled"].eq("no") & p["rebleed_date"].notna()),
    ("bled", "says no, but the death is put down to bleeding", lambda p: p["bled"].eq("no") & p["death_cause"].eq("bleed")),
    (
        "bleed_date",
        "no date, and no clean visit with a later contact to place the bleed between",
        lambda p: p["bled"].eq("yes") & p["bleed_date"].isna(),
    ),
    (
        "bleed_order",
        'bled on the day of a session or of the decision: write before or after in a column "bleed order"',
        _order_unknown,
    ),
    ("bleed_earliest", "earliest and latest dates do not hold the bleed date between them", _bounds_wrong),
    (
        "bleed_source",
        "bleed not from portal hypertension: decide whether it counts, and write yes or no under bled",
        lambda p: p["bled"].eq("yes") & p["bleed_source"].eq("not_portal"),
    ),
    ("rebleed_date", "second bleed not after the first", lambda p: p["rebleed_date"] <= p["bleed_date"]),
    ("last_seen", "lost without a date of last contact", lambda p: p["status"].eq("lost") & p["last_seen"].isna()),
    ("last_seen", "no date last seen, so follow-up is unknown", _no_follow_up),
    ("last_seen", "last seen before the start", lambda p: p["last_seen"] < p["start"]),
    ("death_date", "dead without a date of death", lambda p: p["status"].eq("dead") & p["death_date"].isna()),
    (
        "death_date",
        "a date of death, but status alive or lost",
        lambda p: p["death_date"].notna() & p["status"].isin(["alive", "lost"]),
    ),
    (
        "death_cause",
        "a cause of death, but no date of death",
        lambda p: p["death_cause"].notna() & p["death_date"].isna() & p["status"].ne("dead"),
    ),
    ("death_date", "died before the start", lambda p: p["death_date"] < p["start"]),
    ("death_date", "seen, treated or bled after the date of death", _after_death),
    ("transplant_date", "transplanted before the start", lambda p: p["transplant_date"] < p["start"]),
)


def apply_rules(rows: pd.DataFrame, patients: pd.DataFrame, options: Options, ledger: Ledger) -> None:
    """List every patient that breaks a rule; a cell already found unreadable is not called missing as well."""
    told = patients.assign(without_sessions=patients["strategy"].isin(options.without_sessions))
    unreadable = ledger.problems
    unreadable = unreadable[unreadable["action"].eq(HELD)].merge(rows[["row", "patient"]], on="row")
    for rules, action in ((EXCLUSIONS, EXCLUDED), (HOLDS, HELD)):
        for column, text, test in rules:
            broken = test(told).fillna(False).astype(bool)
            known = patients.index.isin(unreadable.loc[unreadable["column"].eq(column), "patient"])
            ledger.problem(patients.loc[broken & ~known, "row"], column, text, action)


def decide_fates(rows: pd.DataFrame, patients: pd.DataFrame, ledger: Ledger) -> None:
    """Write each patient's ``fate`` (analysed, excluded, held) and ``reason`` from the problem list."""
    patient_of = rows.set_index("row")["patient"]
    problems = ledger.problems
    problems = problems[problems["action"].isin([EXCLUDED, HELD]) & problems["row"].isin(patient_of.index)]
    problems = problems.assign(patient=problems["row"].map(patient_of))
    patients["fate"], patients["reason"] = "analysed", ""
    for action in (HELD, EXCLUDED):
        first = problems[problems["action"].eq(action)].drop_duplicates("patient").set_index("patient")
        said = first["column"].where(first["column"].eq(""), first["column"] + ": ") + first["problem"]
        patients.loc[first.index, "fate"] = action
        patients.loc[first.index, "reason"] = said
