"""Rules of a case as a whole: what no input can be told alone."""

from __future__ import annotations

import math
from collections.abc import Iterable
from itertools import pairwise

from econmodel.errors import EconModelError, ParameterError, SourceError, join_faults
from econmodel.parameters.catalogue import COMPLICATIONS, SECONDARY_KINDS, SESSION_KINDS, VISIT_KINDS
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import POSITIVE_UNITS, SLOT_UNITS, WHOLE, Parameter, SecondaryRow, StrategyRow, bounds_of, money_parts
from econmodel.wording import nearest

OUTSIDE = 1e-4
STARTS = ("at_risk", "in_course", "protected")
MIXES = ("current_mix", "proposed_mix")
SUBJECTS = ("usual_care", "lead")
PROCESS_FIELDS = {
    "in_course": ("p_obliteration", "r_recurrence", "r_lost", "p_retreat_accepted"),
    "protected": ("r_stop", "r_stop_later", "r_stop_trial"),
    "at_risk": (),
}
COURSE_FIELDS = ("sessions_mean", "p_retreat_year_1", "retreat_later", "p_death_course", "session")


def check(parameters: ParameterSet, *, subset: bool = False) -> None:
    """Check the set as a whole.

    Parameters
    ----------
    parameters
        The set.
    subset
        Only some strategies of the case are in it, so that its mixes may name others.

    Raises
    ------
    EconModelError
        All faults found: unknown source keys, rows naming unknown inputs, shares that do not sum to 1, mixed
        currencies, values outside their choices, a mix of a strategy the case lacks, guards on sessions and effect years.
    """
    faults = [
        *_source_faults(parameters),
        *_choice_faults(parameters),
        *_setting_faults(parameters),
        *_distribution_faults(parameters),
        *_row_faults(parameters),
        *_start_faults(parameters),
        *_joint_faults(parameters),
        *_currency_faults(parameters),
        *_mix_faults(parameters),
        *([] if subset or parameters.has_bled else strategy_mix_faults(parameters)),
        *([] if subset else _needs_faults(parameters)),
        *_guard_faults(parameters),
        *_bleed_price_faults(parameters),
    ]
    if faults:
        raise join_faults(faults)


def _source_faults(parameters: ParameterSet) -> Iterable[EconModelError]:
    for p in parameters.parameters.values():
        if p.source and p.source not in parameters.sources:
            what = f"{p.name}: source {p.source!r} is not in params/sources.toml"
            yield SourceError(what, where=str(p.where), fix=nearest(p.source, parameters.sources))


def _choice_faults(parameters: ParameterSet) -> Iterable[EconModelError]:
    for p in parameters.parameters.values():
        choices = p.choices
        if p.name == "comparator" or (p.name in SUBJECTS and p.changed_by):
            choices = (*parameters.strategies, *(("by_rule",) if p.name == "lead" else ()))
        if p.name == "secondary_prophylaxis":
            choices = parameters.after_gastric
        if choices and p.value not in choices:
            what = f"{p.name} = {p.value!r}: must be one of {', '.join(choices)}"
            fix = nearest(str(p.value), choices, f"set {p.name} to one of them")
            yield ParameterError(what, where=str(p.where), fix=fix)
        unknown = [choice for choice in p.weights if choice not in choices]
        if p.distribution.family == "categorical" and (unknown or p.value not in p.weights):
            rule = f"must be among {', '.join(choices)}" if unknown else f"must have one for its value {p.value!r}, 0 if none"
            what = f"{p.name}: weights of {', '.join(unknown or p.weights)}: {rule}"
            yield ParameterError(what, where=str(p.where), fix=nearest((unknown or [""])[0], choices, "weigh the choices it has"))


def _setting_faults(parameters: ParameterSet) -> Iterable[EconModelError]:
    """Inputs said to act only under a choice that no setting has."""
    for p in parameters.parameters.values():
        for setting, choice in p.acts_where.items():
            of = parameters.parameters.get(setting)
            if of is None or choice not in of.choices:
                what = f"{p.name}: acts_where {setting} = {choice!r}: must name a setting and one of its choices"
                yield ParameterError(what, where=str(p.where), fix=nearest(choice, of.choices if of else parameters.parameters))


def within(unit: str) -> str:
    """The bounds of a unit in words."""
    low, high = bounds_of(unit)
    if unit in POSITIVE_UNITS:
        return "> 0"
    return f"between {low:g} and {high:g}" if math.isfinite(high) else f">= {low:g}"


def fitting(unit: str) -> str:
    """Family whose support is that of a unit."""
    low, high = bounds_of(unit)
    return "lognormal" if unit in POSITIVE_UNITS else "beta" if (low, high) == (0.0, 1.0) else "gamma" if low == 0 else "normal"


def _distribution_faults(parameters: ParameterSet) -> Iterable[EconModelError]:
    """Distributions of which a part lies where their unit has no values."""
    for p in parameters.parameters.values():
        if p.is_uncertain and p.is_numeric and (share := p.distribution.outside(*bounds_of(p.unit))) >= OUTSIDE:
            what = f"{p.name}: {share:.2g} of {p.distribution.describe()} lies outside its unit ({p.unit}): must be {within(p.unit)}"
            family = fitting(p.unit)
            fix = f"use the family {family}" if p.distribution.family != family else "give a smaller standard error"
            yield ParameterError(what, where=str(p.where), fix=fix)


def _row_faults(parameters: ParameterSet) -> Iterable[EconModelError]:
    rows: list[StrategyRow | SecondaryRow] = [*parameters.strategies.values(), *parameters.secondary.values()]
    for row in rows:
        for name in row.input_names():
            if name not in parameters.parameters:
                what = f"{row.where.table} refers to {name!r}, which is not an input"
                yield ParameterError(what, where=str(row.where), fix=nearest(name, parameters.parameters))
        yield from _slot_faults(parameters, row)
    for row, field_name, kind, kinds in _kinds(parameters):
        if kind and kind not in kinds:
            what = f"{row.where.table}: {field_name} {kind!r} must be one of {', '.join(kinds)}"
            fix = nearest(kind, kinds, "choose one of them; only these have a price")
            yield ParameterError(what, where=str(row.where), fix=fix)
    for strategy in parameters.strategies.values():
        if strategy.starts_in not in STARTS:
            what = f"strategy {strategy.key}: starts_in {strategy.starts_in!r} must be one of {', '.join(STARTS)}"
            yield ParameterError(what, where=str(strategy.where), fix=nearest(strategy.starts_in, STARTS, "choose one of them"))
        missing = [f for f in COURSE_FIELDS if not getattr(strategy, f)]
        if strategy.starts_in == "in_course" and missing:
            what = f"strategy {strategy.key}: starts a course but lacks {', '.join(missing)}"
            yield ParameterError(what, where=str(strategy.where), fix="name the inputs, as the strategy 'glue' does")
        if strategy.hr_excess_death and not strategy.drug:
            what = f"strategy {strategy.key}: hr_excess_death acts under a drug only, and the row has none"
            yield ParameterError(what, where=str(strategy.where), fix="add drug = true, or take hr_excess_death out")
        wanted = PROCESS_FIELDS.get(strategy.starts_in, ()) if parameters.calibrating() else ()
        if lacking := [f for f in wanted if not getattr(strategy, f)]:
            what = f"strategy {strategy.key}: effect_basis = 'process' needs {', '.join(lacking)}"
            like = "beta_blocker" if strategy.starts_in == "protected" else "glue"
            yield ParameterError(what, where=str(strategy.where), fix=f"name the inputs, as the strategy '{like}' does")
        if strategy.starts_in == "protected" and strategy.r_recurrence:
            what = f"strategy {strategy.key}: r_recurrence {strategy.r_recurrence!r} on a drug, which closes no varix"
            yield ParameterError(what, where=str(strategy.where), fix="take r_recurrence out; a drug that is stopped has r_stop")
        if strategy.starts_in != "at_risk" and not (strategy.effect_full_years and strategy.effect_none_years):
            what = f"strategy {strategy.key}: needs effect_full_years and effect_none_years"
            yield ParameterError(what, where=str(strategy.where), fix="name the inputs, as the strategy 'glue' does")


def _start_faults(parameters: ParameterSet) -> Iterable[EconModelError]:
    """Strategies that a cohort after a bleed cannot take: those that are no secondary prophylaxis."""
    rows, known = parameters.strategies.values(), parameters.after_gastric
    for row in rows:
        if row.secondary and row.secondary not in known:
            what = f"strategy {row.key}: secondary {row.secondary!r} must be one of {', '.join(known)}"
            yield ParameterError(what, where=str(row.where), fix=nearest(row.secondary, known, "choose one of them"))
    if parameters.has_bled and (without := [row.key for row in rows if not row.secondary]):
        start = parameters["cohort_start"]
        what = f"cohort_start = {start.value!r}: every strategy must be a secondary prophylaxis; not so {', '.join(without)}"
        fix = f'[strategy.{without[0]}] drop = true, and so each; or secondary = "glue" says which one it is'
        yield ParameterError(what, where=str(start.where), fix=fix)


def _slot_faults(parameters: ParameterSet, row: StrategyRow | SecondaryRow) -> Iterable[EconModelError]:
    """Inputs named where another unit is needed, or twice in one product."""
    for slot, units in SLOT_UNITS.items():
        named = getattr(row, slot, ())
        names = list(named.values()) if isinstance(named, dict) else [named] if isinstance(named, str) else list(named)
        for name in filter(None, names):
            p = parameters.parameters.get(name)
            if p is not None and not (p.is_numeric and p.unit in units):
                what = f"{row.where.table}: {slot} names {name}, which is {p.unit}: must be a number in {' or '.join(units)}"
                yield ParameterError(what, where=str(row.where), fix="name an input of that unit, or add one under [input.*]")
        if slot.startswith("hr_") and len(set(names)) < len(names):
            what = f"{row.where.table}: {slot} names an input twice, so its effect would count twice"
            yield ParameterError(what, where=str(row.where), fix="name each once")


def _kinds(parameters: ParameterSet) -> Iterable[tuple[StrategyRow | SecondaryRow, str, str, tuple[str, ...]]]:
    """Names in rows that must be on a closed list, as only those are counted and priced."""
    for row in parameters.strategies.values():
        yield row, "session", row.session, SESSION_KINDS
        yield row, "surveillance visit", row.surveillance.visit, VISIT_KINDS
        yield from ((row, "complication", kind, COMPLICATIONS) for kind in row.complications)
    for secondary in parameters.secondary.values():
        yield secondary, "activity", secondary.activity, SECONDARY_KINDS


def _joint_faults(parameters: ParameterSet) -> Iterable[EconModelError]:
    for group in (*parameters.ordered, *parameters.correlated):
        for name in group.members:
            if name not in parameters.parameters:
                what = f"{group.where.table} refers to {name!r}, which is not an input"
                yield ParameterError(what, where=str(group.where), fix=nearest(name, parameters.parameters))
    for group in parameters.ordered:
        members = [p for n in group.members if (p := parameters.parameters.get(n)) and p.is_numeric]
        sign = 1 if group.direction == "up" else -1
        for a, b in pairwise(members):
            if sign * (float(b.value or 0.0) - float(a.value or 0.0)) < 0:
                rule = "not be below" if sign > 0 else "not be above"
                what = f"{b.name} = {b.value:g} must {rule} {a.name} = {a.value:g} ({group.where.table})"
                changed = a if a.changed_by and not b.changed_by else b
                yield ParameterError(what, where=str(changed.where), fix="set both, so that they keep their order")


def _currency_faults(parameters: ParameterSet) -> Iterable[EconModelError]:
    if "currency" not in parameters.parameters:
        return
    currency = parameters.text("currency")
    for p in parameters.parameters.values():
        parts = money_parts(p.unit)
        if parts and parts[0] != currency:
            what = f"{p.name} is in {parts[0]} but the price list is in {currency}: one currency only"
            yield ParameterError(what, where=str(p.where), fix=f"override {p.name} with a value in {currency}")


def _mix_faults(parameters: ParameterSet) -> Iterable[EconModelError]:
    for name in ("case_mix", "reference_mix"):
        p = parameters.parameters.get(name)
        if p is None:
            continue
        rows = p.table or ()
        fields = {"name", "share", "child", "size_step", "red_spot"}
        if any(set(r) != fields for r in rows):
            what = f"{name}: every row must have exactly {', '.join(sorted(fields))}"
            yield ParameterError(what, where=str(p.where), fix="copy a row of the base case")
            continue
        if any(
            isinstance(r[k], bool) or not isinstance(r[k], int | float) or not math.isfinite(r[k])
            for r in rows
            for k in ("share", "size_step", "red_spot")
        ):
            what = f"{name}: share, size_step and red_spot must be numbers"
            yield ParameterError(what, where=str(p.where), fix="copy a row of the base case")
            continue
        labels = [r["name"] for r in rows]
        if any(not isinstance(n, str) or not n.strip() for n in labels) or len(set(labels)) < len(labels):
            what = f"{name}: every row needs a name of its own, in quotes"
            yield ParameterError(what, where=str(p.where), fix="name each patient group once")
            continue
        if abs(sum(r["share"] for r in rows) - 1) > 1e-9:
            what = f"{name}: shares sum to {sum(r['share'] for r in rows):.6g}, must be 1"
            yield ParameterError(what, where=str(p.where), fix="correct the shares; they are not rescaled for you")
        for r in rows:
            if r["child"] not in ("A", "B", "C") or r["size_step"] not in (0, 1, 2) or r["red_spot"] not in (0, 1) or (r["share"] < 0):
                what = f"{name}, {r['name']!r}: child must be A, B or C; size_step 0, 1 or 2; red_spot 0 or 1; share >= 0"
                yield ParameterError(what, where=str(p.where), fix="correct that row")


def strategy_mix_faults(parameters: ParameterSet) -> Iterable[EconModelError]:
    """Strategies that a mix names and the case lacks."""
    for name in MIXES:
        p = parameters.parameters.get(name)
        for key in [str(row["strategy"]) for row in (p and p.table) or () if "strategy" in row]:
            if p and key not in parameters.strategies:
                what = f"{name} names {key!r}, which is not a strategy of this case"
                fix = f"{nearest(key, parameters.strategies)}; or take its row out of {name}, whose shares must sum to 1"
                yield ParameterError(what, where=str(p.where), fix=fix)
    for name, option in parameters.options.items():
        for key in option.mix.keys() - parameters.strategies.keys():
            what = f"[option.{name}] names {key!r}, which is not a strategy of this case"
            yield ParameterError(what, where=str(option.where), fix=nearest(key, parameters.strategies))


def _needs_faults(parameters: ParameterSet) -> Iterable[EconModelError]:
    """Fixed costs carried by what no option is."""
    p = parameters.parameters.get("fixed_costs")
    known = ("sessions", "always", *parameters.strategies)
    for row in (p and p.table) or ():
        if p and row.get("needs", "sessions") not in known:
            what = f"fixed_costs, {row.get('name')!r}: needs {row['needs']!r}, which is no strategy of this case"
            yield ParameterError(what, where=str(p.where), fix=nearest(str(row["needs"]), known))


def check_whole(p: Parameter) -> None:
    """Check that an input of :data:`WHOLE` is a whole number, and not too low.

    Raises
    ------
    ParameterError
        It is not.
    """
    least = WHOLE[p.name]
    if not isinstance(p.value, float) or p.value != int(p.value) or p.value < least:
        what = f"{p.name} = {p.value:g}: must be a whole number >= {least}"
        raise ParameterError(what, where=str(p.where), fix=f"{p.name} = {max(least, round(float(p.value or 0)))}")


def _guard_faults(parameters: ParameterSet) -> Iterable[EconModelError]:
    known = parameters.parameters

    def value(name: str) -> float | None:
        found = known[name].value if name in known else None
        return found if isinstance(found, float) else None

    for name in {"p_first_bleed_year_1", *(row.p_retreat_year_1 for row in parameters.strategies.values())}:
        if value(name) == 1:
            what = f"{name} = 1: must be below 1, as a yearly rate is made of it"
            yield ParameterError(what, where=str(known[name].where), fix=f"{name} = 0.99")
    for name in WHOLE.keys() & known.keys():
        try:
            check_whole(known[name])
        except ParameterError as fault:
            yield fault
    for row in parameters.strategies.values():
        sessions = value(row.sessions_mean)
        if sessions is not None and sessions < 1:
            what = f"{row.sessions_mean} = {sessions:g}: a course has at least 1 session"
            yield ParameterError(what, where=str(known[row.sessions_mean].where), fix="give the mean sessions of a course")
        full, none = value(row.effect_full_years), value(row.effect_none_years)
        if full is not None and none is not None and none < full:
            what = f"{row.effect_none_years} = {none:g}: must be >= {row.effect_full_years} = {full:g}"
            yield ParameterError(
                what, where=str(known[row.effect_none_years].where), fix="set both; equal values make the effect stop at once"
            )


def _bleed_price_faults(parameters: ParameterSet) -> Iterable[EconModelError]:
    """A bleed admission is priced by one mean, or by outcome: never both, and never neither."""
    known = parameters.parameters
    for stem, word, ratios in (("c_", "cost", "ratio_bleed_*"), ("payment_", "payment", "ratio_payment_*")):
        survived, fatal, rescue = (stem + outcome for outcome in ("bleed_survived", "bleed_fatal", "rescue_admission"))
        whole, no_rescue = f"{stem}bleed_mean", f"{stem}bleed_mean_no_rescue"
        means = [name for name in (whole, no_rescue) if name in known]
        for name in (no_rescue, survived, fatal, rescue) if whole in known else (survived, fatal) if means else ():
            if name in known:
                what = f"{name} and {means[0]} are both given: the {word} of a bleed admission is one mean, or one by outcome"
                fix = f"take one of them out; beside a mean the split is told by {ratios}"
                yield ParameterError(what, where=str(known[name].where), fix=fix)
        needed, reason = (rescue, f"as {no_rescue} leaves it out") if means == [no_rescue] else (survived, "or a mean")
        if needed not in known and whole not in known:
            what = f"{needed} is missing: a bleed admission has no {word} without it"
            yield ParameterError(what, where=str(known[means[0]].where) if means else "", fix=f"give {needed}, {reason}")
