"""The whole import: read, clean, estimate, compare, and say which inputs the registry replaces."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from econmodel.errors import DataError
from econmodel.evidence.registry.alike import move_alike
from econmodel.evidence.registry.cleaning import CleanRegistry, clean_registry
from econmodel.evidence.registry.courses import TreatedCourses, course_notes, course_values, follow_courses
from econmodel.evidence.registry.curves import Curve, form_followup
from econmodel.evidence.registry.estimates import compare, estimate_all
from econmodel.evidence.registry.rows import MUST_READ
from econmodel.evidence.registry.settings import BaseCase, Options
from econmodel.evidence.registry.table import THE_FILE
from econmodel.evidence.registry.untreated_site import untreated_values
from econmodel.evidence.registry.values import LocalValue, local_values
from econmodel.records import record

CAUTION = (
    "Observational data of one service, for planning and not for a patient's care. Patients were not allocated "
    "at random, so no effect of treatment is taken from them. "
)


MOST_HELD = 0.10
QUIET = {"status": "alive", "bled": "no", "complication": "none", "death_cause": None}
"""Columns of harm and death, each with its word for nothing happened."""


@record
class RegistryResult:
    """Everything an import gives.

    Parameters
    ----------
    clean
        Patients, problems, changes and counts.
    followup
        Time and event of each patient analysed.
    rows
        Estimates by strategy and group.
    curves
        Cumulative incidence curves by (strategy, group).
    comparison
        NNT by strategy and horizon, with what it is compared to.
    courses
        Courses of those treated, and the examinations after them.
    values
        Inputs the registry replaces.
    options
        What the import was run with.
    notes
        What should be known about the file and its follow-up.
    """

    clean: CleanRegistry
    followup: pd.DataFrame
    rows: list[dict[str, Any]]
    curves: dict[tuple[str, str], Curve]
    comparison: dict[str, Any]
    courses: TreatedCourses
    values: list[LocalValue]
    options: Options
    notes: tuple[str, ...] = ()

    @property
    def refused(self) -> str:
        """Why no override may be made of it: too many patients held, or a column of harm that tells of none; "" if it may."""
        fates = self.clean.patients["fate"].value_counts()
        held, left = int(fates.get("held", 0)), int(fates.get("held", 0) + fates.get("analysed", 0))
        why = [f"{held} of {left} patients are held, more than {MOST_HELD:.0%}"] if held > MOST_HELD * left else []
        for name, quiet in QUIET.items():
            unknown = next((word for word in self.clean.unknown if word.column == name), None)
            if unknown and self.clean.rows[name].dropna().isin([quiet]).all():
                why.append(f"{name} (column {unknown.letter}) has words not known and no other that tells of an event")
        return f"no override is made of this registry: {'; '.join(why)}. {self._frees_most()}" if why else ""

    def _frees_most(self) -> str:
        """Name the word, else the reason, that holds most patients."""
        words = [word for word in self.clean.unknown if word.column in MUST_READ]
        if words:
            word = max(words, key=lambda w: w.patients)
            return f"Settle first column {word.letter} ({word.column}), word {word}"
        reasons = self.clean.patients.loc[self.clean.patients["fate"].eq("held"), "reason"].value_counts()
        return f"Settle first what holds {reasons.iloc[0]}: {reasons.index[0]}"


def analyse_registry(path: Path, options: Options | None = None, base: BaseCase | None = None) -> RegistryResult:
    """Turn a registry file into checked data, estimates and local values.

    Parameters
    ----------
    path
        CSV or XLSX file.
    options
        How it is read; default: nothing settled beforehand.
    base
        Base-case beliefs that rates and probabilities are combined with; default: Jeffreys' priors.

    Raises
    ------
    DataError
        The file is not a registry table, its dates are ambiguous, or every patient is held or excluded.
    """
    options = options or Options()
    return analyse_clean(clean_registry(path, options), options, base or BaseCase())


def analyse_clean(clean: CleanRegistry, options: Options, base: BaseCase) -> RegistryResult:
    """Estimate from a registry that has been read and cleaned.

    Raises
    ------
    DataError
        Every patient is held or excluded.
    """
    if clean.analysed.empty:
        reasons = "; ".join(f"{why} ({n})" for why, n in clean.patients["reason"].value_counts().items())
        notes = [note for note in clean.notes if note.startswith("not used") or "words not known" in note]
        what = f"no patient of the registry can be analysed: {'. '.join([reasons, *notes])}"
        raise DataError(what, where=THE_FILE, fix='say what a column or a word is: --map "COLUMN=NAME", --word "status:RIP=dead"')
    followup = form_followup(clean.analysed, options.groups)
    rows, curves = estimate_all(followup)
    courses = follow_courses(clean, followup)
    values = [
        *local_values(clean, followup, base, options),
        *untreated_values(clean, followup, base),
        *course_values(clean, courses, base, options),
    ]
    known = [v for v in values if base.known is None or v.name in base.known]
    moved, alike = move_alike(known, base, options)
    return RegistryResult(
        clean,
        followup,
        rows,
        curves,
        compare(rows, base.untreated_risk),
        courses,
        [*known, *moved],
        options,
        (*clean.notes, *_lost_undated(clean, rows), *course_notes(clean, courses, options), *alike),
    )


def _lost_undated(clean: CleanRegistry, rows: list[dict[str, Any]]) -> list[str]:
    """Say what the count would be if the patients held for being lost without a date had all bled."""
    p = clean.patients
    lost = p.loc[p["fate"].eq("held") & p["status"].eq("lost") & p["last_seen"].isna(), "strategy"].value_counts()
    whole = {r["strategy"]: r["bounds"]["all_lost_had_bled"]["n_over_N"].split("/") for r in rows if "bounds" in r}
    return [
        f"patients held, lost without a date: {number} under {strategy}; had they and all others lost bled, "
        f"that would be {int(whole[strategy][0]) + number}/{int(whole[strategy][1]) + number}"
        for strategy, number in lost.items()
        if strategy in whole
    ]
