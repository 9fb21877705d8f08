"""Where every input comes from: one row each, for the inputs table, the CSV and ``econmodel where``."""

from __future__ import annotations

from collections import Counter
from dataclasses import fields
from typing import Any

from econmodel.parameters.following import as_chosen, computed, expressions_of, parents_of
from econmodel.parameters.lookups import shown
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import Parameter, StrategyRow

UNCONFIRMED = ("assumption", "from memory", "demo")
STATUS_WORDS = {
    "published": "published",
    "derived": "derived from published figures",
    "expert": "expert judgement",
    "assumption": "assumed",
    "local": "the site's own",
    "demo": "invented for demonstration",
    "from memory": "from memory, not yet confirmed",
}


def provenance_rows(parameters: ParameterSet) -> list[dict[str, Any]]:
    """One row per input, in the order of the files.

    Returns
    -------
    list of dict
        name, label, value, unit, distribution, drawn_with, low, high, range_basis, status, source, locator, as_published,
        derivation, rationale, note, reason, price_year, date, idle, where, changed_by, base_value. ``value`` is the number
        or text itself; a table input has its rows as text.
    """
    return [_row(p, parameters) for p in parameters.parameters.values()]


def _row(p: Parameter, parameters: ParameterSet) -> dict[str, Any]:
    source = parameters.sources.get(p.source)
    return {
        "name": p.name,
        "label": p.label,
        "value": _table_text(p) if p.table is not None else p.value,
        "unit": p.unit,
        "distribution": p.distribution.describe(),
        "drawn_with": drawn_with(p.name, parameters),
        "low": p.range.low if p.range else None,
        "high": p.range.high if p.range else None,
        "range_basis": p.range.basis if p.range else "",
        "status": p.status,
        "source": source.reference if source else p.source,
        "locator": p.locator,
        "as_published": p.as_published,
        "derivation": p.derivation,
        "rationale": p.rationale,
        "note": p.note,
        "reason": p.reason,
        "price_year": p.price_year,
        "date": p.date.isoformat() if p.date else "",
        "idle": f"No effect here: {idle}." if (idle := parameters.idle(p.name)) else "",
        "where": str(p.where),
        "changed_by": p.changed_by,
        "base_value": p.base_value,
    }


def drawn_together(parameters: ParameterSet) -> list[dict[str, Any]]:
    """Groups of inputs that are not drawn apart: kept in order, or correlated."""
    return [
        {"name": g.name, "members": list(g.members), "kind": f"in order, {g.direction}" if g.direction else "correlated"}
        | ({} if g.direction else {"correlation": [list(row) for row in g.correlation]})
        for g in (*parameters.ordered, *parameters.correlated)
    ]


def drawn_with(name: str, parameters: ParameterSet) -> str:
    """Inputs an input is drawn with, and how; empty for one drawn apart."""
    found = []
    for group in drawn_together(parameters):
        if name in group["members"]:
            rest = [other for other in group["members"] if other != name]
            row = group.get("correlation", [])
            rho = dict(zip(group["members"], row[group["members"].index(name)], strict=True)) if row else {}
            found.append(f"{group['kind']}: " + ", ".join(f"{other} {rho[other]:g}" if rho else other for other in rest))
    return "; ".join(found)


def derivation_row(p: Parameter, parameters: ParameterSet) -> dict[str, Any]:
    """Tell how an input is derived: expression, parents with their values, look-ups with theirs, what it gives and what is used.

    Empty for an input that is not derived.
    """
    if not expressions_of(p):
        return {"derive_not": p.derive_not} if p.derive_not else {}
    inputs = [f"{name} = {_table_text(q) or q.value}" for name in parents_of(p) if (q := parameters[name])]
    calls = dict.fromkeys(as_chosen(call, parameters) for expression in expressions_of(p) for call in expression.calls)
    row: dict[str, Any] = {
        **{expression.field: expression.text for expression in expressions_of(p)},
        "parents": "; ".join([*inputs, *(f"{shown(call)} = {parameters.tables.now(call):.6g}" for call in calls)]),
    }
    if p.derive is None:
        return row
    typed = p.as_typed or p
    rounded = f" (rounded to {p.rounded_to:g})" if p.rounded_to else ""
    gave = {"computed": computed(p, parameters), "computed_when_typed": typed.computed, "typed": f"{typed.value}{rounded}"}
    return row | gave | ({"judgement": p.judgement, "used": p.value} if p.judgement else {})


def strategy_row(row: StrategyRow) -> dict[str, Any]:
    """Give a strategy as the names of the inputs that describe it, with where it was typed; what is empty is left out."""
    found = {"name": row.key} | {f.name: getattr(row, f.name) for f in fields(row) if f.name not in ("key", "where")}
    texts = {
        k: ", ".join(v) if isinstance(v, tuple) else ", ".join(f"{a}: {b}" for a, b in v.items()) if isinstance(v, dict) else v
        for k, v in found.items()
    }
    visits = row.surveillance
    texts["surveillance"] = (
        f"{visits.visit}, months {', '.join(map(str, visits.months))}, then every {visits.interval}"
        if (visits.months or visits.interval)
        else ""
    )
    return {k: v for k, v in texts.items() if v not in ("", False)} | {"where": str(row.where)}


def _table_text(p: Parameter) -> str:
    return "; ".join(", ".join(f"{k} {v}" for k, v in row.items()) for row in p.table or ())


def status_counts(parameters: ParameterSet) -> dict[str, int]:
    """Count the inputs by status, most frequent first."""
    return dict(Counter(p.status for p in parameters.parameters.values()).most_common())


def unconfirmed(parameters: ParameterSet) -> dict[str, list[Parameter]]:
    """List the inputs that are assumed, from memory or invented, by status."""
    found: dict[str, list[Parameter]] = {status: [] for status in UNCONFIRMED}
    for p in parameters.parameters.values():
        if p.status in found:
            found[p.status].append(p)
    return {status: inputs for status, inputs in found.items() if inputs}
