"""Sparse, titled, reasoned changes to a named baseline: hospital files, scenarios and ``--set``."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from functools import partial
from typing import Any

from econmodel.errors import EconModelError, ParameterError, join_faults
from econmodel.package import params_folder
from econmodel.parameters.board import read_board, read_own_option
from econmodel.parameters.catalogue import INSTEAD_OF, PRICES
from econmodel.parameters.distributions import Distribution, rescale
from econmodel.parameters.documents import Document
from econmodel.parameters.following import settle
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.parsing import (
    PARAMETER_FIELDS,
    check_status,
    check_unit,
    collect,
    parse_derivation,
    parse_details,
    parse_distribution,
    parse_parameter,
    parse_range,
    parse_row,
    parse_table,
    parse_value,
    widened,
)
from econmodel.parameters.price_list import country_code
from econmodel.parameters.quantities import typed_as
from econmodel.parameters.schema import RUN_SETTINGS, Parameter, StrategyRow, Where
from econmodel.wording import nearest

BASELINE = "base_case"
HEADER_FIELDS = {"title", "rationale", "baseline", "date", "note", "conventions", "country"}
PROVENANCE = ("source", "locator", "as_published", "derivation", "rationale", "note", "judgement", "derive_not", "replaced_by")
UNDERIVED: dict[str, Any] = {"derive": None, "rounded_to": None, "follows_draws": False, "computed": None, "as_typed": None}
TABLES = {"override", "input", "strategy", "board", "option"}


def apply_override(parameters: ParameterSet, document: Document) -> ParameterSet:
    """Apply a hospital or scenario file; what is derived from a changed input follows.

    Raises
    ------
    EconModelError
        All faults of the file: a missing title or rationale, an unknown table or input, a changed input without
        reason, a value against its rules, a derivation that does not give its value.
    """
    return settle(lay_override(parameters, document))


def lay_override(parameters: ParameterSet, document: Document) -> ParameterSet:
    """Lay the changes of a file over a set, as :func:`apply_override`; nothing follows yet."""
    faults: list[EconModelError] = []
    collect(faults, _check_header, document)
    collect(faults, document.check_fits, parameters)
    title = str(document.data.get("title", document.path.stem))
    inputs, strategies = dict(parameters.parameters), dict(parameters.strategies)
    board = collect(faults, read_board, document.data.get("board", {}), partial(document.where, "board")) or {}
    headings = ("input", "override", "strategy", "option")
    new, changes, rows, own = (collect(faults, document.tables, heading) or {} for heading in headings)
    for name, raw in new.items():
        where = document.where(f"input.{name}")
        added = collect(faults, _new_input, name, raw, where, inputs)
        if added:
            inputs[name] = replace(added, changed_by=title)
    for name, raw in changes.items():
        changed = collect(faults, change_input, name, raw, document, inputs, title)
        if changed:
            inputs = {key: p for key, p in inputs.items() if key in changes or key not in INSTEAD_OF.get(name, ())} | {name: changed}
    for key, raw in rows.items():
        row = collect(faults, _change_strategy, key, raw, document.where(f"strategy.{key}"), strategies)
        if raw.get("drop") is True:
            strategies.pop(key, None)
        elif row:
            strategies[key] = row
    found = {key: collect(faults, read_own_option, key, raw, document.where(f"option.{key}")) for key, raw in own.items()}
    options = parameters.options | {key: option for key, option in found.items() if option}
    if faults:
        raise join_faults(faults)
    titles, texts = (*parameters.titles, title), parameters.board | board
    return replace(parameters, parameters=inputs, strategies=strategies, titles=titles, board=texts, options=options)


def _check_header(document: Document) -> None:
    where = str(document.where("")).split(",")[0]
    for key in ("title", "rationale"):
        if not str(document.data.get(key, "")).strip() or not isinstance(document.data[key], str):
            what = f"an override file needs a {key}, a text"
            raise ParameterError(what, where=where, fix=f'add {key} = "..." at the top')
    baseline, baselines = document.data.get("baseline", BASELINE), [BASELINE, *hospital_names()]
    if baseline not in baselines:
        what = f"baseline = {baseline!r}: must be one of {', '.join(baselines)}"
        raise ParameterError(
            what, where=str(document.where("", "baseline")), fix=nearest(str(baseline), baselines, "choose one of them")
        )
    if not isinstance(document.data.get("date", date.min), date):
        what = f"date = {document.data['date']!r}: must be a date"
        raise ParameterError(what, where=str(document.where("", "date")), fix="write it as 2026-11-24, without quotes")
    for key in document.data:
        if key not in HEADER_FIELDS | TABLES:
            what = f"unknown table or field {key!r} in an override file"
            fix = nearest(key, HEADER_FIELDS | TABLES, f"write [override.{key}] to change an input")
            raise ParameterError(what, where=str(document.where(key)), fix=fix)


def hospital_names() -> list[str]:
    """Names of the hospital files that an override may start from."""
    return sorted(path.stem for path in (params_folder() / "hospitals").glob("*.toml"))


def _new_input(name: str, raw: dict[str, Any], where: Where, known: dict[str, Parameter]) -> Parameter:
    if name in known:
        what = f"[input.{name}] is already an input"
        raise ParameterError(what, where=str(where), fix=f"write [override.{name}] to change it")
    return parse_parameter(name, raw, where)


def change_input(name: str, raw: dict[str, Any], document: Document, known: dict[str, Parameter], title: str) -> Parameter:
    """Change some fields of an input; the rest stays, and a distribution not given keeps its relative spread.

    A new value or status starts with a clean slate of provenance, as the old source does not vouch for it: status
    ``local`` unless another is given, and the date of the file unless it has its own.
    """
    where = document.where(f"override.{name}")
    old = _known(name, known, where)
    for key in raw:
        if key not in PARAMETER_FIELDS - {"choices"}:
            what = f"{name}: unknown field {key!r}"
            place = str(document.where(f"override.{name}", key))
            raise ParameterError(what, where=place, fix=nearest(key, PARAMETER_FIELDS - {"choices"}))
    if not str(raw.get("reason", "")).strip():
        what = f"{name}: an override needs a reason"
        raise ParameterError(what, where=str(where), fix='add reason = "..."')
    if not raw.keys() - {"reason", "note"}:
        what = f"{name}: the override changes nothing"
        raise ParameterError(what, where=str(where), fix="add value = ..., or take the block out")
    dated = {"date": document.data["date"]} if "date" in document.data else {}
    return _changed(old, dated | raw, where, title)


def _known(name: str, known: dict[str, Parameter], where: Where) -> Parameter:
    """Give the input to be changed; for a price that takes another's place, the other under its name."""
    if name in known:
        return known[name]
    stem = name.split("_")[0]
    others = (*INSTEAD_OF[name], f"{stem}_bleed_survived", f"{stem}_bleed_mean") if name in INSTEAD_OF else ()
    replaced = next((known[other] for other in others if other in known), None)
    if replaced is None:
        what = f"there is no input named {name!r}"
        raise ParameterError(what, where=str(where), fix=nearest(name, known))
    return replace(replaced, name=name, label=PRICES[name].label, spread=None, **UNDERIVED)


def _changed(old: Parameter, raw: dict[str, Any], where: Where, title: str) -> Parameter:
    old = old if "value" in raw else old.as_typed or old
    name, unit = old.name, str(raw.get("unit", old.unit))
    if ("table" in raw and old.table is None) or ("value" in raw and old.table is not None):
        what = f"{name}: " + ("is one value, not a table" if old.table is None else "is a table, not one value")
        raise ParameterError(what, where=str(where), fix="copy the form of the base case")
    check_unit(name, unit, where)
    value = parse_value(name, raw["value"], unit, where) if "value" in raw else old.value
    value = country_code(str(value)) if name == "price_list" else value
    table = parse_table(name, raw["table"], where) if "table" in raw else old.table
    number = value if isinstance(value, float) else None
    if "distribution" in raw:
        distribution, derived = parse_distribution(name, raw["distribution"], number, where)
    else:
        distribution = _moved(old, value) if "value" in raw else old.distribution
        derived = old.spread if value == old.value else None
    spread = parse_range(name, raw.get("range"), number, unit, where) or widened(old.range, number)
    given = parse_details(name, raw, where)
    if raw.keys() & {"status", "value", "table"}:
        given = UNDERIVED | dict.fromkeys(PROVENANCE, "") | {"status": "local", "date": None} | given
        given["note"] = "; ".join(filter(None, (typed_as(raw.get("value"), value), given["note"])))
        check_status(name, given["status"], raw, where)
    if raw.keys() & {"derive", "rounded_to", "follows_draws"}:
        given |= {"computed": None} | parse_derivation(name, raw, number, where)
    return replace(
        old,
        value=value,
        table=table,
        distribution=distribution,
        spread=derived,
        range=spread,
        where=where,
        changed_by=title,
        base_value=old.value,
        evidence=old.evidence or (old if old.is_numeric else None),
        **given,
    )


def _moved(old: Parameter, value: float | str | None) -> Distribution:
    if isinstance(value, float) and isinstance(old.value, float) and value != old.value:
        return rescale(old.distribution, value)
    return Distribution("fixed", {}, "one choice was made") if old.weights else old.distribution


def _change_strategy(key: str, raw: dict[str, Any], where: Where, known: dict[str, StrategyRow]) -> StrategyRow | None:
    if not isinstance(raw.get("drop", False), bool):
        what = f"strategy.{key}: drop = {raw['drop']!r}: must be true or false"
        raise ParameterError(what, where=str(where), fix="write drop = true, without quotes")
    if raw.get("drop"):
        if key not in known:
            what = f"there is no strategy {key!r} to drop"
            raise ParameterError(what, where=str(where), fix=nearest(key, known))
        return None
    fields = {k: v for k, v in raw.items() if k != "drop"}
    if key not in known:
        return parse_row(StrategyRow, key, fields, where)  # type: ignore[no-any-return]
    kept = {"label": known[key].label, "starts_in": known[key].starts_in, "hr_gastric": [], "complications": {}}
    changes = parse_row(StrategyRow, key, kept | fields, where)
    return replace(known[key], where=where, **{k: getattr(changes, k) for k in fields})


def set_value(parameters: ParameterSet, text: str) -> ParameterSet:
    """Apply one ``--set NAME=VALUE``; as :func:`set_values`."""
    return set_values(parameters, [text])


def set_values(parameters: ParameterSet, texts: Iterable[str]) -> ParameterSet:
    """Apply some ``NAME=VALUE`` at once, after which the rest follows.

    Raises
    ------
    ParameterError
        A text lacks ``=``, the name is unknown, or the value breaks the input's rules.
    """
    inputs = dict(parameters.parameters)
    for text in texts:
        changed = _set(inputs, text)
        inputs = {key: p for key, p in inputs.items() if key not in INSTEAD_OF.get(changed.name, ())} | {changed.name: changed}
    return settle(replace(parameters, parameters=inputs))


def _set(known: dict[str, Parameter], text: str) -> Parameter:
    name, equals, typed = (part.strip() for part in text.partition("="))
    where = Where(f"--set {text}")
    if not equals or not name or not typed:
        what = f"--set {text!r}: must be NAME=VALUE"
        raise ParameterError(what, where=str(where), fix="for example --set hr_glue=0.5")
    old = _known(name, known, where)
    if old.table is not None:
        what = f"{name} is a table and cannot be set on the command line"
        raise ParameterError(what, where=str(where), fix="write it in a file and give --override FILE")
    raw = {"value": typed, "reason": "set on the command line", "status": "local"}
    if name in RUN_SETTINGS:
        raw |= {"status": old.status, "rationale": old.rationale}
    return _changed(old, raw, where, "command line")
