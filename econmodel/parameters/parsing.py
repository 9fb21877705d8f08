"""Turn the tables of a document into inputs and rows, collecting every fault with its file and line."""

from __future__ import annotations

import dataclasses
import math
import re
from datetime import date
from typing import Any

import numpy as np

from econmodel.errors import EconModelError, ParameterError, SourceError
from econmodel.parameters.derive import parse_expression
from econmodel.parameters.distributions import Distribution, check_fields, fit, fixed
from econmodel.parameters.documents import Document
from econmodel.parameters.quantities import NAMES, read_cell, read_quantity
from econmodel.parameters.schema import (
    BOUNDS,
    CURRENCIES,
    MAY_BE_EMPTY,
    MONEY_PER,
    NEEDED_BY_STATUS,
    PLAIN_UNITS,
    POSITIVE_UNITS,
    PREFIX_UNITS,
    SOURCE_KINDS,
    STATUSES,
    WORDS_FOR_NUMBERS,
    JointGroup,
    Parameter,
    Protocol,
    Range,
    SecondaryRow,
    Source,
    StrategyRow,
    Surveillance,
    Where,
    money_parts,
    unit_kind,
)
from econmodel.wording import nearest

TEXTS = (
    "label",
    "unit",
    "status",
    "source",
    "locator",
    "as_published",
    "derivation",
    "rationale",
    "note",
    "reason",
    "price_year",
    "per",
    "judgement",
    "derive_not",
    "replaced_by",
)
DERIVED = ("derive", "rounded_to", "judgement", "derive_not", "follows_draws")
LISTS = ("choices",)
PARAMETER_FIELDS = {*TEXTS, *DERIVED, "value", "table", "distribution", "range", "date", "period_years", "acts_where", *LISTS}
TEXTS_OF_DISTRIBUTION = ("family", "reason", "basis", "weights")
LARGEST = 10**12
SINGULAR = 1e-9
PRICE_YEAR = re.compile(r"(19|20)\d\d(/\d\d)?")
GROUPS = ("strategy", "secondary", "ordered", "correlated", "protocol")


def parse_parameter(name: str, raw: dict[str, Any], where: Where) -> Parameter:
    """Build one input from its table.

    Raises
    ------
    ParameterError
        A field is unknown or missing, the unit or status is not on its list, the prefix does not fit the unit, the
        value is outside its unit's bounds, or the distribution cannot be fitted.
    """
    _check_fields(name, raw, where)
    unit = str(raw["unit"])
    check_unit(name, unit, where)
    value, table = parse_value(name, raw.get("value"), unit, where), parse_table(name, raw.get("table"), where)
    check_status(name, raw["status"], raw, where)
    number = value if isinstance(value, float) else None
    distribution, derived = parse_distribution(name, raw["distribution"], number, where)
    spread = parse_range(name, raw.get("range"), number, unit, where)
    if raw["distribution"]["family"] not in ("fixed", "dirichlet", "categorical") and spread is None:
        what = f"{name}: an uncertain input needs a range for one-way analysis"
        raise ParameterError(what, where=str(where), fix='add range = { low = ..., high = ..., basis = "..." }')
    if unit_kind(unit) == "money" and not raw.get("price_year"):
        what = f"{name}: money needs a price year"
        raise ParameterError(what, where=str(where), fix="add price_year = 2024")
    details = parse_details(name, raw, where) | parse_derivation(name, raw, number, where)
    return Parameter(
        name=name, distribution=distribution, spread=derived, where=where, value=value, table=table, range=spread, **details
    )


def parse_details(name: str, raw: dict[str, Any], where: Where) -> dict[str, Any]:
    """Read what describes a value, as far as it is given: texts, date, period and lists."""
    for key in set(TEXTS) & raw.keys():
        if not isinstance(raw[key], str) and not (key == "price_year" and isinstance(raw[key], int)):
            what = f"{name}: {key} = {raw[key]!r}: must be text in quotes"
            raise ParameterError(what, where=str(where), fix="put it in quotes")
    if "price_year" in raw and not PRICE_YEAR.fullmatch(str(raw["price_year"])):
        what = f"{name}: price_year = {raw['price_year']!r}: must be a year"
        raise ParameterError(what, where=str(where), fix='write 2024, or "2023/24"')
    found: dict[str, Any] = {key: str(raw[key]).strip() for key in TEXTS if key in raw}
    forms = {
        "date": (date, "a date, such as 2026-11-24, without quotes"),
        "period_years": (int | float, "a number of years"),
        "acts_where": (dict, 'a table of settings with the choice needed, { effect_basis = "process" }'),
        **dict.fromkeys(LISTS, (list, "a list of texts")),
    }
    for key, (kind, wanted) in forms.items():
        if key not in raw:
            continue
        if not isinstance(raw[key], kind):
            what = f"{name}: {key} = {raw[key]!r}: must be {wanted}"
            raise ParameterError(what, where=str(where), fix="correct it, or take it out")
        found[key] = tuple(map(str, raw[key])) if key in LISTS else raw[key]
    return found


def _check_fields(name: str, raw: Any, where: Where) -> None:
    if not isinstance(raw, dict):
        what = f"{name} = {raw!r} is a plain value: must be a table"
        raise ParameterError(what, where=str(where), fix=f"write [{name}] on a line of its own, then its fields")
    for key in raw:
        if key not in PARAMETER_FIELDS:
            what = f"{name}: unknown field {key!r}"
            raise ParameterError(what, where=str(where), fix=nearest(key, PARAMETER_FIELDS))
    for key in ("label", "unit", "status", "distribution"):
        if key not in raw:
            what = f"{name}: the field {key!r} is missing"
            raise ParameterError(what, where=str(where), fix=f"add {key} = ...")
    if ("value" in raw) == ("table" in raw):
        what = f"{name}: must have exactly one of value and table"
        raise ParameterError(what, where=str(where), fix="give value for one number or text, table for rows")


def check_status(name: str, status: str, raw: dict[str, Any], where: Where) -> None:
    """Check that a status is on the list and has the provenance it demands."""
    if status not in STATUSES:
        what = f"{name}: status {status!r} is unknown: must be one of {', '.join(STATUSES)}"
        raise ParameterError(what, where=str(where), fix=nearest(str(status), STATUSES, "choose one of them"))
    for key in NEEDED_BY_STATUS[status]:
        if not raw.get(key):
            what = f"{name}: status {status!r} needs the field {key!r}"
            raise ParameterError(what, where=str(where), fix=f'add {key} = "..."')
    if status == "derived" and not raw.keys() & {"derive", "judgement", "derive_not"}:
        what = f"{name}: status 'derived' needs derive, judgement or derive_not"
        raise ParameterError(what, where=str(where), fix='add derive = "1.4 * c_ward_day", or derive_not = "why nothing computes"')


def check_unit(name: str, unit: str, where: Where) -> None:
    """Check that a unit is on the list and fits the name's prefix."""
    if unit not in PLAIN_UNITS and money_parts(unit) is None:
        what = f"{name}: unit {unit!r} is not on the list"
        money = [f"{currency}/{per}" for currency in CURRENCIES for per in MONEY_PER]
        near = nearest(unit, [*PLAIN_UNITS, *money], f"money is written like USD/coil; else {', '.join(PLAIN_UNITS)}")
        raise ParameterError(what, where=str(where), fix=near)
    for prefix, units in PREFIX_UNITS.items():
        if name.startswith(prefix) and unit not in units and unit_kind(unit) not in units:
            what = f"{name}: unit {unit!r} does not fit the prefix {prefix!r}: must be {' or '.join(units)}"
            raise ParameterError(what, where=str(where), fix="change the unit, or the name")


def parse_value(name: str, value: Any, unit: str, where: Where) -> float | str | None:
    """Check a value against its unit's bounds; numbers become floats, text stays text."""
    if value is None or (isinstance(value, str) and (unit in ("choice", "text") or (name, value) in WORDS_FOR_NUMBERS)):
        return value
    if isinstance(value, str):
        value = read_quantity(name, value, unit, where)
    if isinstance(value, bool) or not isinstance(value, int | float) or value != value or value in (math.inf, -math.inf):
        what = f"{name} = {value!r}: must be a finite number ({unit})"
        raise ParameterError(what, where=str(where), fix="give a plain number")
    if unit in ("choice", "text"):
        what = f"{name} = {value!r}: must be text"
        raise ParameterError(what, where=str(where), fix="put it in quotes")
    if abs(value) > LARGEST:
        what = (
            f"{name} = {value:.3g} ({unit}): must be within {LARGEST:,.0f}"
            if isinstance(value, float)
            else (f"{name} has {len(str(value))} digits: must be within {LARGEST:,.0f}")
        )
        raise ParameterError(what, where=str(where), fix="check the number and its unit")
    number = float(value)
    low, high = BOUNDS.get(unit_kind(unit), (-math.inf, math.inf))
    if not low <= number <= high:
        rule = f"between {low:g} and {high:g}" if math.isfinite(high) else f">= {low:g}"
        what = f"{name} = {number:g} ({unit}): must be {rule}"
        fix = "a percentage is written as a fraction, 7.5% as 0.075" if 1 < number <= 100 else "check the sign and unit"
        raise ParameterError(what, where=str(where), fix=fix)
    if unit in POSITIVE_UNITS and number <= 0:
        what = f"{name} = {number:g} ({unit}): must be > 0"
        fix = f"looks like a log hazard ratio; store exp({number:g}) and give its standard error as se_log"
        fix = fix if number < 0 else "give a small positive ratio instead of 0"
        raise ParameterError(what, where=str(where), fix=fix)
    return number


def parse_table(name: str, rows: Any, where: Where) -> tuple[dict[str, Any], ...] | None:
    """Read the rows of a table input."""
    if rows is None:
        return None
    if not isinstance(rows, list) or not (rows or name in MAY_BE_EMPTY) or not all(isinstance(row, dict) for row in rows):
        what = f"{name}: table must be a list of one or more rows"
        raise ParameterError(what, where=str(where), fix="write table = [{ name = ..., share = ... }, ...]")
    return tuple({key: cell if key in NAMES else read_cell(cell) for key, cell in row.items()} for row in rows)


def parse_distribution(name: str, spec: Any, value: float | None, where: Where) -> tuple[Distribution, dict[str, Any] | None]:
    """Fit the distribution, naming the input in any fault; one with derived numbers is given as its fields, to be fitted later.

    Returns
    -------
    tuple
        The distribution, held at the value where it is to be fitted later; its fields in that case, else None.
    """
    if not isinstance(spec, dict):
        what = f'{name}: distribution must be a table such as {{ family = "gamma", se = 10.0 }}'
        raise ParameterError(what, where=str(where), fix='a certain input says family = "fixed" with a reason')
    try:
        spec = {key: entry if key in TEXTS_OF_DISTRIBUTION else read_cell(entry) for key, entry in spec.items()}
        typed = {key: entry for key, entry in spec.items() if isinstance(entry, str) and key not in TEXTS_OF_DISTRIBUTION}
        if typed:
            check_fields(spec)
            derived = spec | {key: parse_expression(entry, where, key) for key, entry in typed.items()}
            return fixed(math.nan if value is None else value, "to be fitted"), derived
        return fit(spec, value), None
    except ParameterError as fault:
        what = f"{name}: {fault.what}"
        raise ParameterError(what, where=str(where), fix=fault.fix) from None


def parse_derivation(name: str, raw: dict[str, Any], value: float | None, where: Where) -> dict[str, Any]:
    """Read how a value is derived: its expression, declared rounding, and whether it follows its parents' draws."""
    if "derive" not in raw:
        if spare := [key for key in ("rounded_to", "follows_draws") if key in raw]:
            what = f"{name}: {spare[0]} without derive"
            raise ParameterError(what, where=str(where), fix='add derive = "...", or take it out')
        return {}
    if value is None or raw.get("derive_not"):
        what = f"{name}: derive " + ("computes one number, which this is not" if value is None else "and derive_not: one or the other")
        raise ParameterError(what, where=str(where), fix="take one of them out" if value is not None else "take it out")
    step, follows = raw.get("rounded_to"), raw.get("follows_draws", False)
    if step is not None and (isinstance(step, bool) or not isinstance(step, int | float) or not 0 < step < math.inf):
        what = f"{name}: rounded_to = {step!r}: must be a number > 0"
        raise ParameterError(what, where=str(where), fix="rounded_to = 10 for a value rounded to tens")
    if not isinstance(follows, bool):
        what = f"{name}: follows_draws = {follows!r}: must be true or false"
        raise ParameterError(what, where=str(where), fix="write follows_draws = true, without quotes")
    found = {"derive": parse_expression(raw["derive"], where), "follows_draws": follows}
    return found | ({"rounded_to": float(step)} if step is not None else {})


def parse_range(name: str, raw: Any, value: float | None, unit: str, where: Where) -> Range | None:
    """Read low, high and basis; the value must lie between."""
    if raw is None:
        return None
    if not isinstance(raw, dict) or set(raw) != {"low", "high", "basis"}:
        what = f"{name}: range must have exactly low, high and basis"
        raise ParameterError(what, where=str(where), fix='range = { low = 1.0, high = 2.0, basis = "judgement" }')
    if any(isinstance(raw[end], bool) or not isinstance(raw[end], int | float | str) for end in ("low", "high")):
        what = f"{name}: range {raw['low']!r} to {raw['high']!r} must be two numbers"
        raise ParameterError(what, where=str(where), fix="give plain numbers")
    low, high = (float(parse_value(f"{name}, {end} end of the range", raw[end], unit, where) or 0.0) for end in ("low", "high"))
    if value is not None and not low <= value <= high:
        what = f"{name}: range {low:g} to {high:g} does not hold the value {value:g}"
        raise ParameterError(what, where=str(where), fix="widen the range or check the value")
    return Range(low, high, str(raw["basis"]))


def widened(spread: Range | None, value: float | None) -> Range | None:
    """Give the range, widened where it does not hold a value."""
    if spread is None or value is None or spread.low <= value <= spread.high:
        return spread
    return Range(min(spread.low, value), max(spread.high, value), spread.basis + ", widened to the value set")


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
    complete = set(raw) - {"until_year"} == {"months", "interval", "visit"} and isinstance(raw["months"], list)
    if not complete or any(not isinstance(m, int) or m < 0 for m in (*raw["months"], raw["interval"], raw.get("until_year", 0))):
        what = f"{where.table}: surveillance must have months (a list of months >= 0), interval (>= 0) and visit"
        fix = '{ months = [3, 6, 12], interval = 12, visit = "surveillance_eus" }'
        raise ParameterError(what, where=str(where), fix=fix)
    months, until = [int(m) for m in raw["months"]], int(raw.get("until_year", 0))
    if months != sorted(set(months)) or 0 in months:
        what = f"{where.table}: surveillance months {months}: must be whole months from 1 on, each once, in rising order"
        raise ParameterError(what, where=str(where), fix=f"months = {sorted({m for m in months if m})}")
    first = months[0] if months else int(raw["interval"])
    if until and 12 * until < first:
        what = f"{where.table}: surveillance until_year = {until} ends before the first visit, in month {first}"
        raise ParameterError(what, where=str(where), fix=f"until_year = {-(-first // 12)}, or take it out for no end")
    return Surveillance(tuple(months), int(raw["interval"]), str(raw["visit"]), until)


def parse_protocol(key: str, raw: dict[str, Any], where: Where) -> Protocol:
    """Build a follow-up protocol: a label and a schedule.

    Raises
    ------
    ParameterError
        A field is unknown or missing, or the schedule breaks its rules.
    """
    if not isinstance(raw, dict) or set(raw) != {"label", "surveillance"} or not isinstance(raw["surveillance"], dict):
        what = f"{where.table}: a protocol must have exactly label and surveillance"
        raise ParameterError(what, where=str(where), fix='surveillance = { months = [3], interval = 12, visit = "surveillance_eus" }')
    return Protocol(key, str(raw["label"]), _parse_surveillance(raw["surveillance"], where), where)


def parse_joint(name: str, raw: dict[str, Any], where: Where) -> JointGroup:
    """Build a group of inputs sampled together."""
    direction = str(raw.get("direction", ""))
    if set(raw) - {"members", "direction", "correlation", "note"} or not raw.get("members"):
        what = f"{where.table}: must have members, and direction or correlation"
        raise ParameterError(what, where=str(where), fix='members = ["a", "b"], correlation = [[1, 0.5], [0.5, 1]]')
    if where.table.startswith("ordered") and direction not in ("up", "down"):
        what = f"{where.table}: direction {direction!r} must be up or down"
        raise ParameterError(what, where=str(where), fix='direction = "up"')
    members = tuple(raw["members"])
    return JointGroup(name, members, where, direction, _parse_correlation(raw["correlation"], members, where) if not direction else ())


def _parse_correlation(raw: Any, members: tuple[str, ...], where: Where) -> tuple[tuple[float, ...], ...]:
    """Read a correlation matrix: a row and a column for each member, symmetric, 1 with itself, and possible as a whole."""
    n = len(members)
    rows = raw if isinstance(raw, list) and all(isinstance(row, list) and len(row) == n for row in raw) else []
    good = len(rows) == n and all(isinstance(r, int | float) and not isinstance(r, bool) for row in rows for r in row)
    matrix = np.array(rows, dtype=float) if good else np.zeros((1, 1))
    if not (good and (np.diag(matrix) == 1).all() and (matrix == matrix.T).all() and np.linalg.eigvalsh(matrix)[0] > SINGULAR):
        what = f"{where.table}: correlation {raw!r} must be a matrix of {n} x {n}, symmetric, 1 on its diagonal, positive definite"
        raise ParameterError(what, where=str(where), fix="correlation = [[1, 0.5], [0.5, 1]] for two members")
    return tuple(tuple(row) for row in matrix.tolist())


def parse_sources(document: Document) -> dict[str, Source]:
    """Read ``sources.toml``.

    Raises
    ------
    SourceError
        A source lacks citation or kind, or the kind is not on its list.
    """
    found = {}
    for key, raw in document.data.items():
        kind, citation = str(raw.get("kind", "")), str(raw.get("citation", ""))
        if kind not in SOURCE_KINDS or not citation:
            what = f"source {key!r}: needs a citation, and a kind out of {', '.join(SOURCE_KINDS)}"
            raise SourceError(what, where=str(document.where(key)), fix=nearest(kind, SOURCE_KINDS, "choose one of them"))
        found[key] = Source(key, citation, kind, **{name: str(raw.get(name, "")) for name in ("doi", "pmid", "address", "confirm")})
    return found


def collect(faults: list[EconModelError], call: Any, *args: Any) -> Any:
    """Call, keeping a fault for later instead of stopping at the first."""
    try:
        return call(*args)
    except EconModelError as fault:
        faults.append(fault)
        return None
