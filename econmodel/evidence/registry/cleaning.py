"""From a registry file to clean patients, with nothing lost on the way.

Gives a :class:`CleanRegistry`: the patients analysed, those held and excluded with reasons, their visits and courses,
the problem list, the change log, and the count at every step. ``patients = analysed + excluded + held`` always.

Each rule of exclusion or holding has the column to look at, what is said, and a test on the patients frame. A patient may
break several rules and all are listed; an excluded patient is counted as excluded, another as held under the first rule broken.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from econmodel.evidence.registry.columns import SYNONYMS, ColumnMap, map_columns, plain, recognise
from econmodel.evidence.registry.layouts import read_layouts, sheet_of, understood
from econmodel.evidence.registry.ledger import EXCLUDED, HELD, KEPT, Ledger
from econmodel.evidence.registry.patients import ELIGIBLE, form_courses, form_patients, form_visits, place_bleeds
from econmodel.evidence.registry.recipe import new_key
from econmodel.evidence.registry.rows import PER_SHEET, Unknown, drop_duplicates, type_rows
from econmodel.evidence.registry.settings import Options
from econmodel.evidence.registry.table import RawTable, read_table
from econmodel.records import record

Rule = tuple[str, str, Callable[[pd.DataFrame], Any]]


def _order_unknown(p: pd.DataFrame) -> pd.Series:
    return p["bleed_on_session"] & p["bleed_order"].isna()


def _bled_before(p: pd.DataFrame) -> pd.Series:
    same_day = p["bleed_date"].eq(p["start"]) & p["bleed_order"].eq("before") & ~p["bleed_estimated"]
    return p["previous_bleed"].eq("yes") | (p["bled"].eq("yes") & ((p["bleed_date"] < p["start"]) | same_day))


def _after_death(p: pd.DataFrame) -> pd.Series:
    contacts = p[["last_seen", "last_session", "last_check", "bleed_date", "rebleed_date", "transplant_date"]].max(axis=1)
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
    mark
        What stands for the file: the first digits of its SHA-256.
    unknown
        Words that are not known, for the person at the screen; they go to no file.
    key
        Our patient numbers and the ids of the file; goes to no file but one asked for.
    recorded
        Our names of the columns the file has.
    invented
        Whether the file says that its data are invented.
    read_as
        The options with the layout of the tables as read: what a recipe says.
    """

    patients: pd.DataFrame
    rows: pd.DataFrame
    visits: pd.DataFrame
    courses: pd.DataFrame
    problems: pd.DataFrame
    changes: pd.DataFrame
    counts: tuple[dict[str, object], ...]
    notes: tuple[str, ...]
    mark: str
    unknown: tuple[Unknown, ...]
    key: pd.DataFrame
    recorded: frozenset[str]
    invented: bool
    read_as: Options

    @property
    def analysed(self) -> pd.DataFrame:
        """Patients whose follow-up counts."""
        return self.patients[self.patients["fate"].eq("analysed")]

    @property
    def title(self) -> str:
        """What outputs call the registry: never by the name of its file."""
        return f"Registry {self.mark}"


def clean_registry(path: Path, options: Options) -> CleanRegistry:
    """Read and clean a registry.

    Raises
    ------
    DataError
        The file is not a table, lacks a needed column, or has dates that can be read both ways.
    """
    mapped = {plain(column) for column in options.mapping}
    options = options if options.layout_key else replace(options, layout_key=new_key())
    if options.sheets:
        table, sheets = read_layouts(path, options), options.sheets
    else:
        table = read_table(path, lambda heading: bool(recognise(heading)) or plain(heading) in mapped, largest=options.largest)
        sheets = (understood(table, options),)
    columns = map_columns(table.letters, options.mapping)
    ledger = Ledger(notes=list(table.notes))
    _note_columns(columns, table.letters, ledger)
    typed, unknown = type_rows(table, columns, options, ledger)
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
    _note_missing(patients, columns, table.letters, ledger)
    counts = _count(len(typed), rows, patients, visits[kept], courses)
    label_of = typed.set_index("row")["label"]
    return CleanRegistry(
        patients.assign(row=patients["row"] % PER_SHEET),
        rows.assign(row=rows["row"] % PER_SHEET),
        visits[kept],
        courses,
        _placed(_settled(_with_patient(ledger.problems, label_of), rows, patients)),
        _placed(_with_patient(ledger.changes, label_of)),
        counts,
        tuple(ledger.notes),
        table.mark,
        unknown,
        _key(table, columns, typed["label"]),
        frozenset(columns.found),
        table.invented,
        replace(options, sheets=tuple(sheets)),
    )


def _key(table: RawTable, columns: ColumnMap, labels: pd.Series) -> pd.DataFrame:
    heading = columns.found.get("id", columns.record_number)
    ids = table.cells[heading] if heading else labels.map(lambda _: "")
    return pd.DataFrame({"patient": labels, "row": labels.index % PER_SHEET, "id": ids}).drop_duplicates("patient", ignore_index=True)


def _with_patient(entries: pd.DataFrame, label_of: pd.Series) -> pd.DataFrame:
    entries = entries.copy()
    entries.insert(1, "patient", entries["row"].map(label_of).fillna(""))
    return entries.sort_values("row", kind="stable", ignore_index=True)


def _placed(entries: pd.DataFrame) -> pd.DataFrame:
    """Give rows as their sheet counts them, and the table where there are several."""
    tables = entries["row"].map(sheet_of)
    entries = entries.assign(row=entries["row"] % PER_SHEET)
    if (tables > 1).any():
        entries.insert(0, "table", tables)
    return entries.drop_duplicates(ignore_index=True)


def _settled(problems: pd.DataFrame, rows: pd.DataFrame, patients: pd.DataFrame) -> pd.DataFrame:
    """Call no cell kept whose patient is held or excluded for another reason."""
    fate = problems["row"].map(rows.set_index("row")["patient"]).map(patients["fate"])
    lost = problems["action"].eq(KEPT) & fate.isin([HELD, EXCLUDED])
    return problems.assign(action=problems["action"].mask(lost, fate))


def _note_missing(patients: pd.DataFrame, columns: ColumnMap, letters: Mapping[str, str], ledger: Ledger) -> None:
    """Where patients are held for want of a column the file does not have, say how to point to it."""
    reasons = patients.loc[patients["fate"].eq(HELD), "reason"].str.split(": ").str[0]
    for name, count in reasons.value_counts().items():
        if name in SYNONYMS and name not in columns.found:
            unused = f" (not used so far: {_lettered(columns.unused, letters)})" if columns.unused else ""
            ledger.note(
                f"patients held for want of {name}, for which the file has no column: {count}; if it has, say "
                f'--map "COLUMN={name}" with its letter or heading{unused}'
            )


def _lettered(headings: Sequence[str], letters: Mapping[str, str]) -> str:
    return "columns " + ", ".join(letters[h] for h in headings)


def _note_columns(columns: ColumnMap, letters: Mapping[str, str], ledger: Ledger) -> None:
    if columns.identifiers:
        ledger.note("dropped on load, as identifiers: " + _lettered(columns.identifiers, letters))
    if columns.unused:
        ledger.note("not used: " + _lettered(columns.unused, letters))
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
