"""Small registries for the tests: one dict per row, everything else an untreated patient who did not bleed."""

import csv
from datetime import date

from econmodel.evidence.registry import BaseCase, Options, analyse_registry, clean_registry

AS_OF = date(2026, 1, 1)
PLAIN = {
    "decision_date": "2020-01-15",
    "strategy": "watch",
    "bled": "no",
    "last_seen": "2022-01-15",
    "status": "alive",
    "varix_type": "GOV2",
    "previous_bleed": "no",
}


def write(folder, *rows, name="registry.csv"):
    """Write rows as CSV; a row without id gets the next number."""
    filled = [{"id": f"P{n}"} | PLAIN | row for n, row in enumerate(rows, start=1)]
    columns = list(dict.fromkeys(key for row in filled for key in row))
    path = folder / name
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, columns, restval="")
        writer.writeheader()
        writer.writerows(filled)
    return path


def options(**changes):
    """Options with a fixed date of reading."""
    return Options(**({"as_of": AS_OF} | changes))


def clean(folder, *rows, **changes):
    """Clean rows."""
    return clean_registry(write(folder, *rows), options(**changes))


def analyse(folder, *rows, base=None, **changes):
    """Analyse rows."""
    return analyse_registry(write(folder, *rows), options(**changes), base or BaseCase())


def reasons(registry, fate="held"):
    """Reason by patient label."""
    chosen = registry.patients[registry.patients["fate"].eq(fate)]
    return dict(zip(chosen["label"].map(short), chosen["reason"], strict=True))


def short(label):
    """Our number of a patient as the default ids of these tables: patient-2 is P2."""
    return label.replace("patient-", "P")


def patient(registry, label="P1"):
    """One patient's row."""
    return registry.patients[registry.patients["label"].map(short).eq(label)].iloc[0]
