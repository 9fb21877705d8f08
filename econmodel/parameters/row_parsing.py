"""Turn the tables of strategies, secondary prophylaxis and joint sampling into rows, each field checked."""

from __future__ import annotations

import dataclasses
from typing import Any

from econmodel.errors import ParameterError
from econmodel.parameters.schema import JointGroup, SecondaryRow, StrategyRow, Surveillance, Where
from econmodel.wording import nearest


def parse_row(kind: type[StrategyRow] | type[SecondaryRow], key: str, raw: dict[str, Any], where: Where) -> Any:
    """Build a strategy or secondary row; unknown and missing fields are faults."""
    allowed = {f.name: str(f.type) for f in dataclasses.fields(kind) if f.name not in ("key", "where")}
    for name, value in raw.items():
        if name not in allowed:
            what = f"{where.table}: unknown field {name!r}"
            raise ParameterError(what, where=str(where), fix=nearest(name, allowed))
        _check_form(name, value, allowed[name], where)
    required = {"label": '"..."', "starts_in": '"in_course"'} if kind is StrategyRow else {"label": '"..."', "activity": '"..."'}
    if raw.get("starts_in") == "in_course":
        required |= {"hr_gastric": '["hr_glue"]', "complications": '{ embolism = "p_embolism_glue" }, or {} to say there is none'}
    for name, example in required.items():
        if name not in raw:
            what = f"{where.table}: the field {name!r} is missing"
            raise ParameterError(what, where=str(where), fix=f"add {name} = {example}")
    values: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in raw.items()}
    if "surveillance" in values:
        values["surveillance"] = _parse_surveillance(raw["surveillance"], where)
    return kind(key=key, where=where, **values)


def _check_form(name: str, value: Any, form: str, where: Where) -> None:
    """Check that a field of a row has the form its type asks for."""
    texts = list(value.values()) if isinstance(value, dict) else value
    all_text = isinstance(texts, list) and all(isinstance(t, str) for t in texts)
    forms = {
        "str": (isinstance(value, str), "text in quotes"),
        "bool": (isinstance(value, bool), "true or false"),
        "tuple[str, ...]": (isinstance(value, list) and all_text, 'a list of input names, ["a", "b"]'),
        "dict[str, str]": (isinstance(value, dict) and all_text, 'a table of input names, { fever = "p_fever" }'),
        "Surveillance": (isinstance(value, dict), 'a table, { months = [3], interval = 12, visit = "clinic_visit" }'),
    }
    fits, wanted = forms[form]
    if not fits:
        what = f"{where.table}: {name} = {value!r}: must be {wanted}"
        raise ParameterError(what, where=str(where), fix="copy the form of another row; numbers stand in inputs")


def _parse_surveillance(raw: dict[str, Any], where: Where) -> Surveillance:
    complete = set(raw) == {"months", "interval", "visit"} and isinstance(raw["months"], list)
    if not complete or any(not isinstance(m, int) or m < 0 for m in (*raw["months"], raw["interval"])):
        what = f"{where.table}: surveillance must have months (a list of months >= 0), interval (>= 0) and visit"
        fix = '{ months = [3, 6, 12], interval = 12, visit = "surveillance_eus" }'
        raise ParameterError(what, where=str(where), fix=fix)
    return Surveillance(tuple(int(m) for m in raw["months"]), int(raw["interval"]), str(raw["visit"]))


def parse_joint(name: str, raw: dict[str, Any], where: Where) -> JointGroup:
    """Build a group of inputs sampled together."""
    direction, correlation = str(raw.get("direction", "")), float(raw.get("correlation", 0.0))
    if set(raw) - {"members", "direction", "correlation", "note"} or not raw.get("members"):
        what = f"{where.table}: must have members, and direction or correlation"
        raise ParameterError(what, where=str(where), fix='members = ["a", "b"], correlation = 0.5')
    if where.table.startswith("ordered") and direction not in ("up", "down"):
        what = f"{where.table}: direction {direction!r} must be up or down"
        raise ParameterError(what, where=str(where), fix='direction = "up"')
    if not -1 < correlation < 1:
        what = f"{where.table}: correlation {correlation:g} must lie between -1 and 1"
        raise ParameterError(what, where=str(where), fix="correlation = 0.5")
    return JointGroup(name, tuple(raw["members"]), where, direction, correlation)
