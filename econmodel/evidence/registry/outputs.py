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

The repaired registry holds what was analysed, under our names and one way of writing: one row per session (one per
patient where there was none), with the patient's facts on each. Read back, it gives no problems and the same results.
Every text is safe to open in a spreadsheet: no cell of an output can be taken for a formula.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from econmodel.evidence.registry.analysis import CAUTION, RegistryResult
from econmodel.evidence.registry.cleaning import CleanRegistry
from econmodel.evidence.registry.columns import SYNONYMS
from econmodel.evidence.registry.courses import summarise_courses
from econmodel.evidence.registry.curves import Curve
from econmodel.evidence.registry.estimates import count_harms
from econmodel.evidence.registry.patients import RECORDED
from econmodel.evidence.registry.values import LocalValue, age_at_start
from econmodel.files import json_text, write_text
from econmodel.parameters.statements import said

FILES = ("repaired.csv", "held.csv", "problems.csv", "changes.csv", "curves.csv", "estimates.csv", "summary.json", "override.toml")
INVENTED_LINE = "Invented data for demonstration: no real patient or hospital"


def write_registry(result: RegistryResult, folder: Path, *, partial: bool = False) -> dict[str, Path]:
    """Write every file into ``folder`` (made when missing); returns the paths by file name.

    An override that is refused is left out, unless ``partial`` asks for it with the warning inside.
    """
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
    left_out = "override.toml" if result.refused and not partial else ""
    return {name: write_text(folder / name, text) for name, text in zip(FILES, texts, strict=True) if name != left_out}


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
    warning = f"Partial, against its refusal: {result.refused}. " if result.refused else ""
    counted = f"{n} of {len(clean.patients)} patients of registry {clean.mark} ({kind}). "
    header = {"title": clean.title, "rationale": f"{warning}{counted}{CAUTION}{said('standing_short')}", "baseline": "base_case"}
    half = [note for note in result.notes if note.startswith("half local")]
    header["rationale"] += "".join(f" {note[0].upper()}{note[1:]}." for note in half)
    lines = [f"{key} = {_toml(value)}" for key, value in header.items()]
    lines.append(f"date = {result.options.as_of.isoformat()}")
    if not result.values:
        lines.append('note = "Replaces no input: too few patients, or nothing recorded that an input needs."')
    for value in result.values:
        lines += ["", *_input_lines(value, "demo" if clean.invented else "local")]
    return "\n".join(lines) + "\n"


def _input_lines(v: LocalValue, status: str) -> list[str]:
    content: dict[str, Any] = {"value": v.value} if v.value is not None else {}
    content |= {"distribution": v.distribution} if v.distribution else {}
    if v.range:
        content["range"] = dict(zip(("low", "high", "basis"), v.range, strict=True))
    content |= {"period_years": v.period_years} if v.period_years else {}
    content |= {"status": status, "reason": v.reason, "note": v.note}
    if v.moved:
        content |= {"status": "derived", "source": "own_registry", "locator": "like with like", "as_published": v.reason}
        content |= {"derivation": v.note, "derive_not": "worked out by the import of the registry"}
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


def summarise(result: RegistryResult) -> dict[str, Any]:
    """Give the result as a tree that JSON can hold.

    Returns
    -------
    dict
        ``schema``, ``registry``, ``invented``, ``caution``, ``as_of``, ``counts`` (steps), ``held`` and ``excluded``
        (patients with row and reason), ``problems``, ``changes`` (numbers by action), ``notes``, ``estimates``
        (strategy, group, counts, rate, cumulative incidence, bounds), ``comparison``,
        ``harms`` and ``courses`` (by strategy), ``refused`` (why no override is made of it, else ""), ``local_values``.
    """
    clean = result.clean
    tree = {
        "schema": 1,
        "registry": clean.mark,
        "invented": clean.invented,
        "caution": CAUTION + said("standing_short"),
        "as_of": result.options.as_of.isoformat(),
        "counts": list(clean.counts),
        "held": _listed(clean.patients, "held"),
        "excluded": _listed(clean.patients, "excluded"),
        "problems": {"total": len(clean.problems), **_number(clean.problems["action"])},
        "changes": {"total": len(clean.changes), **_number(clean.changes["why"])},
        "notes": list(result.notes),
        "estimates": result.rows,
        "comparison": result.comparison,
        "harms": count_harms(clean),
        "courses": summarise_courses(result.courses, result.options),
        "refused": result.refused,
        "local_values": {v.name: {k: x for k, x in asdict(v).items() if k != "name" and x not in (None, ())} for v in result.values},
    }
    return neutral_tree(tree)  # type: ignore[no-any-return]


def _listed(patients: pd.DataFrame, fate: str) -> list[dict[str, Any]]:
    chosen = patients[patients["fate"].eq(fate)]
    return [
        {"row": int(row), "patient": str(label), "reason": str(reason)}
        for row, label, reason in zip(chosen["row"], chosen["label"], chosen["reason"], strict=True)
    ]


def _number(values: pd.Series) -> dict[str, int]:
    return {str(k): int(v) for k, v in values.value_counts().items()}


_PER_CHECK = ("check_date", "check_found")
_PER_VISIT = ("session_date", "coils", "glue_ml", "obliterated", "sessions")


def repaired_rows(clean: CleanRegistry) -> pd.DataFrame:
    """Rows of the patients analysed, in the order of the file; then their examinations."""
    visits = clean.visits
    chosen = visits["is_session"] | ~visits["patient"].isin(visits.loc[visits["is_session"], "patient"])
    sessions = visits[chosen].drop_duplicates(["patient", "session_date"])
    p = clean.analysed.reindex(sessions["patient"])
    p.index = sessions.index
    names = {n: p[n] for n in SYNONYMS if n in p.columns and n not in (*_PER_VISIT, "birth_year")}
    table = pd.DataFrame(names | {n: sessions[n] for n in _PER_VISIT})
    table["id"] = p["label"]
    table["decision_date"] = p["start"]
    table["age"] = age_at_start(p)
    estimated = p["bleed_estimated"].astype(bool) & p["bled"].eq("yes")
    for name in ("bleed_earliest", "bleed_latest"):
        table[name] = p[name].where(estimated)
    table["bleed_date"] = p["bleed_date"].where(p["bled"].eq("yes"))
    table["complication"] = _complications(sessions)
    table["repairs"] = _repairs(p, estimated)
    whole = ["age", "coils", "sessions"]
    table[whole] = table[whole].astype("Int64")
    checks = clean.rows[clean.rows["patient"].isin(clean.analysed.index) & clean.rows[list(_PER_CHECK)].notna().any(axis=1)]
    checks = checks.rename(columns={"label": "id"})[["id", *_PER_CHECK]].drop_duplicates()
    table = (
        pd.concat([table.reset_index(drop=True), checks.reset_index(drop=True)])
        if len(checks)
        else table.assign(**dict.fromkeys(_PER_CHECK))
    )
    written = [n for n in SYNONYMS if n in table and (n in clean.recorded or table[n].notna().any())]
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
    facts = [n for n in SYNONYMS if n in table.columns and n not in ("id", "repairs", "birth_year")]
    return table.loc[table["fate"].ne("analysed"), ["row", "fate", "reason", "id", *facts]].reset_index(drop=True)


_NUMBER = re.compile(r"-?\d+(\.\d+)?([eE][-+]?\d+)?")
_STARTERS = "=+-@＝＋－＠\t\r\n '"


def neutral(value: Any) -> Any:
    """Strip what would make a spreadsheet compute a text; numbers, negative ones too, stay as they are.

    Examples
    --------
    >>> neutral("=SUM(A1)"), neutral(" +-@cmd"), neutral("-3.5"), neutral(-3.5), neutral("a=b")
    ('SUM(A1)', 'cmd', '-3.5', -3.5, 'a=b')
    """
    if not isinstance(value, str) or _NUMBER.fullmatch(value):
        return value
    return value.lstrip(_STARTERS)


def neutral_frame(frame: pd.DataFrame) -> pd.DataFrame:
    """Write every cell of a table as neutral text: dates ``YYYY-MM-DD``, numbers to ten digits, blanks empty."""
    safe = {neutral(str(name)): _texts(frame[name]) for name in frame.columns}
    return pd.DataFrame(safe, index=frame.index)


def _texts(column: pd.Series) -> pd.Series:
    codes, uniques = pd.factorize(column)
    if pd.api.types.is_datetime64_any_dtype(column):
        texts = list(pd.DatetimeIndex(uniques).strftime("%Y-%m-%d"))
    elif pd.api.types.is_float_dtype(column):
        texts = [f"{value:.10g}" for value in uniques]
    else:
        texts = [str(neutral(value)) for value in uniques]
    return pd.Series(np.array([*texts, ""], dtype=object)[codes], index=column.index)


def neutral_tree(value: Any) -> Any:
    """Make every text of nested dicts and lists neutral."""
    if isinstance(value, dict):
        return {neutral(str(k)): neutral_tree(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [neutral_tree(v) for v in value]
    return neutral(value)
