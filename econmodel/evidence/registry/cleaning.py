"""From a registry file to clean patients, with nothing lost on the way.

Gives a :class:`CleanRegistry`: the patients analysed, those held and excluded with reasons, their visits and courses,
the problem list, the change log, and the count at every step. ``patients = analysed + excluded + held`` always.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from econmodel.evidence.registry.columns import SYNONYMS, ColumnMap, map_columns, plain, recognise
from econmodel.evidence.registry.ledger import EXCLUDED, HELD, KEPT, Ledger
from econmodel.evidence.registry.patients import form_patients, place_bleeds
from econmodel.evidence.registry.rows import drop_duplicates, type_rows
from econmodel.evidence.registry.rules import apply_rules, decide_fates
from econmodel.evidence.registry.settings import Options
from econmodel.evidence.registry.table import read_table
from econmodel.evidence.registry.visits import form_courses, form_visits
from econmodel.records import record


@record
class CleanRegistry:
    """A registry put in order.

    Parameters
    ----------
    patients
        Every patient, indexed by number, with ``fate`` (analysed, excluded, held) and ``reason``.
    rows
        Typed rows with their ``patient``; holds no name and no record number.
    visits, courses
        Of the patients analysed.
    problems
        row, patient, column, problem, detail, action.
    changes
        row (0: the whole column), patient, column, from, to, why.
    counts
        Steps in order: step, rows, patients.
    notes
        What should be known about the file.
    file
        Name of the file.
    recorded
        Our names of the columns the file has.
    invented
        Whether the file says that its data are invented.
    """

    patients: pd.DataFrame
    rows: pd.DataFrame
    visits: pd.DataFrame
    courses: pd.DataFrame
    problems: pd.DataFrame
    changes: pd.DataFrame
    counts: tuple[dict[str, object], ...]
    notes: tuple[str, ...]
    file: str
    recorded: frozenset[str]
    invented: bool

    @property
    def analysed(self) -> pd.DataFrame:
        """Patients whose follow-up counts."""
        return self.patients[self.patients["fate"].eq("analysed")]


def clean_registry(path: Path, options: Options) -> CleanRegistry:
    """Read and clean a registry.

    Raises
    ------
    DataError
        The file is not a table, lacks a needed column, or has dates that can be read both ways.
    """
    mapped = {plain(column) for column in options.mapping}
    table = read_table(path, lambda heading: bool(recognise(heading)) or plain(heading) in mapped)
    columns = map_columns(list(table.cells.columns), options.mapping, table.file)
    ledger = Ledger(notes=list(table.notes))
    _note_columns(columns, ledger)
    typed = type_rows(table, columns, options, ledger)
    rows = drop_duplicates(typed, ledger)
    rows = rows.assign(patient=pd.factorize(rows["label"])[0])
    visits = form_visits(rows, ledger)
    patients = form_patients(rows, visits, options, ledger)
    place_bleeds(patients, visits, ledger)
    apply_rules(rows, patients, options, ledger)
    decide_fates(rows, patients, ledger)
    kept = patients["fate"].eq("analysed").reindex(visits["patient"]).to_numpy()
    courses = form_courses(visits[kept], options.course_gap_days)
    _note_patients(patients[patients["fate"].eq("analysed")], columns, ledger)
    _note_missing(patients, columns, ledger)
    counts = _count(len(typed), rows, patients, visits[kept], courses)
    label_of = typed.set_index("row")["label"]
    return CleanRegistry(
        patients,
        rows,
        visits[kept],
        courses,
        _settled(_with_patient(ledger.problems, label_of), rows, patients),
        _with_patient(ledger.changes, label_of),
        counts,
        tuple(ledger.notes),
        table.file,
        frozenset(columns.found),
        table.invented,
    )


def _with_patient(entries: pd.DataFrame, label_of: pd.Series) -> pd.DataFrame:
    entries = entries.copy()
    entries.insert(1, "patient", entries["row"].map(label_of).fillna(""))
    return entries.sort_values("row", kind="stable", ignore_index=True)


def _settled(problems: pd.DataFrame, rows: pd.DataFrame, patients: pd.DataFrame) -> pd.DataFrame:
    """Call no cell kept whose patient is held or excluded for another reason."""
    fate = problems["row"].map(rows.set_index("row")["patient"]).map(patients["fate"])
    lost = problems["action"].eq(KEPT) & fate.isin([HELD, EXCLUDED])
    return problems.assign(action=problems["action"].mask(lost, fate))


def _note_missing(patients: pd.DataFrame, columns: ColumnMap, ledger: Ledger) -> None:
    """Where patients are held for want of a column the file does not have, say how to point to it."""
    reasons = patients.loc[patients["fate"].eq(HELD), "reason"].str.split(": ").str[0]
    for name, count in reasons.value_counts().items():
        if name in SYNONYMS and name not in columns.found:
            unused = f" (not used so far: {', '.join(map(repr, columns.unused))})" if columns.unused else ""
            ledger.note(
                f"patients held for want of {name}, for which the file has no column: {count}; if it has, say "
                f'--map "YOUR COLUMN={name}"{unused}'
            )


def _note_columns(columns: ColumnMap, ledger: Ledger) -> None:
    if columns.identifiers:
        ledger.note("dropped on load, as identifiers: columns " + ", ".join(map(repr, columns.identifiers)))
    if columns.unused:
        ledger.note("not used: columns " + ", ".join(map(repr, columns.unused)))
    absent = {
        "varix_type": "GOV1 cannot be excluded",
        "previous_bleed": "patients who bled before cannot be excluded",
        "bleed_source": "bleeds count whatever their source",
    }
    for name, effect in absent.items():
        if name not in columns.found:
            ledger.note(f"no column for {name}: {effect}")


def _note_patients(analysed: pd.DataFrame, columns: ColumnMap, ledger: Ledger) -> None:
    waiting = int(analysed["start_basis"].eq("session").sum())
    if waiting:
        ledger.note(
            "patients without a decision date start at their first session, so bleeds while waiting are "
            f"missing, which flatters treatment: {waiting}"
        )
    for name, effect in (
        ("varix_type", "GOV1 could not be excluded"),
        ("previous_bleed", "that they had never bled is taken on trust"),
    ):
        blank = int(analysed[name].isna().sum())
        if blank and name in columns.found:
            ledger.note(f"patients analysed without {name}, so {effect}: {blank}")


def _count(
    read: int, rows: pd.DataFrame, patients: pd.DataFrame, visits: pd.DataFrame, courses: pd.DataFrame
) -> tuple[dict[str, object], ...]:
    fate_of = patients["fate"].reindex(rows["patient"])
    reason_of = patients["reason"].reindex(rows["patient"])
    steps: list[dict[str, object]] = [
        {"step": "rows read", "rows": read, "patients": None},
        {"step": "rows the same as another, dropped", "rows": read - len(rows), "patients": None},
        {"step": "patients", "rows": len(rows), "patients": len(patients)},
    ]
    for fate in ("excluded", "held"):
        chosen = patients[patients["fate"].eq(fate)]
        steps.append({"step": fate, "rows": int(fate_of.eq(fate).sum()), "patients": len(chosen)})
        for reason in chosen["reason"].unique():
            steps.append(
                {
                    "step": f"{fate}: {reason}",
                    "rows": int(reason_of.eq(reason).sum()),
                    "patients": int(chosen["reason"].eq(reason).sum()),
                }
            )
    analysed = patients["fate"].eq("analysed")
    steps.append({"step": "analysed", "rows": int(fate_of.eq("analysed").sum()), "patients": int(analysed.sum())})
    steps.append({"step": "sessions of those analysed", "rows": int(visits["is_session"].sum()), "patients": None})
    steps.append({"step": "courses of those analysed", "rows": len(courses), "patients": None})
    return tuple(steps)
