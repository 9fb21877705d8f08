"""Files of an import, each written whole or not at all.

| file | holds |
|---|---|
| repaired.csv | the patients analysed, ready to be read again |
| held.csv | the patients held or excluded, with reasons |
| problems.csv | every problem with its row |
| changes.csv | every change with its row, from and to |
| curves.csv | cumulative incidence by strategy, group and day |
| estimates.csv | counts, rates and risks by strategy and group |
| summary.json | all of it |
| override.toml | the inputs the registry replaces, for ``econmodel case --override`` |
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

import pandas as pd

from econmodel.evidence.registry.analysis import CAUTION, RegistryResult
from econmodel.evidence.registry.cells import neutral, neutral_frame
from econmodel.evidence.registry.curves import Curve
from econmodel.evidence.registry.local_value import LocalValue
from econmodel.evidence.registry.repaired import held_rows, repaired_rows
from econmodel.evidence.registry.summary import summarise
from econmodel.files import json_text, write_text

FILES = ("repaired.csv", "held.csv", "problems.csv", "changes.csv", "curves.csv", "estimates.csv", "summary.json", "override.toml")
INVENTED_LINE = "Invented data for demonstration: no real patient or hospital"


def write_registry(result: RegistryResult, folder: Path) -> dict[str, Path]:
    """Write every file into ``folder`` (made when missing); returns the paths by file name."""
    clean = result.clean
    title = f"{INVENTED_LINE}\n" if clean.invented else ""
    tables = (clean.problems, clean.changes, curve_rows(result), estimate_rows(result))
    texts = (
        title + _csv(repaired_rows(clean)),
        _csv(held_rows(clean)),
        *map(_csv, tables),
        json_text(summarise(result)),
        override_text(result),
    )
    return {name: write_text(folder / name, text) for name, text in zip(FILES, texts, strict=True)}


def _csv(frame: pd.DataFrame) -> str:
    return str(neutral_frame(frame).to_csv(index=False, lineterminator="\n"))


def curve_rows(result: RegistryResult) -> pd.DataFrame:
    """Curves as one table: strategy, group, then the steps of each curve."""
    blocks = []
    for (strategy, group), curve in result.curves.items():
        steps = pd.DataFrame({f.name: getattr(curve, f.name) for f in fields(Curve)})
        steps.insert(0, "group", group)
        steps.insert(0, "strategy", strategy)
        blocks.append(steps)
    return pd.concat(blocks, ignore_index=True)


def estimate_rows(result: RegistryResult) -> pd.DataFrame:
    """Estimates as one flat table, nested names joined by dots."""
    return pd.DataFrame([_flat(row) for row in result.rows])


def _flat(tree: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for key, value in tree.items():
        flat |= _flat(value, f"{prefix}{key}.") if isinstance(value, Mapping) else {f"{prefix}{key}": value}
    return flat


def override_text(result: RegistryResult) -> str:
    """Text of the override file: header, then one table per input."""
    clean = result.clean
    n = len(clean.analysed)
    kind = "invented demonstration data" if clean.invented else "the site's own patients"
    header = {
        "title": f"Registry {clean.file}",
        "rationale": f"{n} of {len(clean.patients)} patients of {clean.file} ({kind}). {CAUTION}",
        "baseline": "base_case",
    }
    lines = [f"{key} = {_toml(value)}" for key, value in header.items()]
    lines.append(f"date = {result.options.as_of.isoformat()}")
    if not result.values:
        lines.append('note = "Replaces no input: too few patients, or nothing recorded that an input needs."')
    for value in result.values:
        lines += ["", *_input_lines(value, "demo" if clean.invented else "local")]
    return "\n".join(lines) + "\n"


def _input_lines(v: LocalValue, status: str) -> list[str]:
    content: dict[str, Any] = {"value": v.value} if v.value is not None else {}
    content["distribution"] = v.distribution
    if v.range:
        content["range"] = dict(zip(("low", "high", "basis"), v.range, strict=True))
    content |= {"period_years": v.period_years} if v.period_years else {}
    content |= {"status": status, "reason": v.reason, "note": v.note}
    lines = [f"[override.{v.name}]"]
    if v.table:
        lines += ["table = [", *(f"  {_toml(row)}," for row in v.table), "]"]
    return lines + [f"{key} = {_toml(value)}" for key, value in content.items()]


def _toml(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_toml(item)}" for key, item in value.items()) + " }"
    if isinstance(value, str):
        return json.dumps(neutral(value), ensure_ascii=False)
    return repr(value)
