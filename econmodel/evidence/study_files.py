"""What a published study saw: read from its file and laid out as independent pieces of evidence.

Takes
-----
A study file (TOML, ``params/studies``): whom it followed and from where, its arms, and for each endpoint what was observed
at which months. A curve may be a CSV of a digitised survival curve (months, survival, at_risk).

Gives
-----
:class:`Study`. An endpoint's pieces are intervals: ``events`` of ``at_risk``, the effective number, so that
``events = at_risk x (1 - S_j / S_(j-1))``. Events of an interval are its rise of the cumulative hazard times the mean number
under observation, with the loss to follow-up that the file states, or the one at which the printed total of events is met.

Defines
-------
``crude``: events of n, at the follow-up given; ``competing``: a cumulative incidence, death competing; ``kaplan_meier``: whoever
dies is censored. ``used_in`` names the inputs that rest on an endpoint, which then carries no verdict. ``again = true`` marks
patients already counted in another endpoint of the same event: a row of its own, no piece of the joint one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from econmodel.errors import AnalysisError, EconModelError, ParameterError, join_faults
from econmodel.evidence.pieces import Numbers, effective_numbers, exact_intervals, interval_risks, number_behind, under_observation
from econmodel.evidence.reconstruction import reconstruct
from econmodel.evidence.untreated import Mix, load_cohorts
from econmodel.numbers import read_number, style_of
from econmodel.package import params_folder
from econmodel.parameters.documents import Document, display_path, read_document, read_rows
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.parsing import collect
from econmodel.parameters.quantities import read_under
from econmodel.records import record
from econmodel.wording import nearest

STARTS = ("never_bled", "bleeding", "post_bleed")
SCALES = ("crude", "kaplan_meier", "competing")
EVENTS = {
    "first_gastric_bleed": "first gastric bleed",
    "first_bleed": "first bleed, any source",
    "rebleed": "first rebleed, any source",
    "gastric_rebleed": "first rebleed, gastric",
    "other_rebleed": "first rebleed, another source",
    "death": "death",
    "not_closed": "varix not closed",
    "retreated": "treated again",
}
NAMED_MIXES = ("reference", "bleeders")
FIELDS = {
    "study": {"title", "source", "locator", "population", "start", "mix", "age", "share_female", "date", "note", "arm", "endpoint"},
    "mix": {"child", "size", "red", "weights", "basis"},
    "arm": {"label", "strategy", "set"},
    "endpoint": set("arm event scale months risk survival n events at_risk loss interval curve used_in again note".split()),
}
NUMBERS = frozenset("months risk survival n events at_risk loss interval age share_female child size red weights".split())
LARGE = 100_000  # patients, where a study prints neither their number nor an interval: what it saw is taken as exact
MOST_LOST = 5.0  # a year
HALF = 0.5  # least effective number that rounds to a patient
COLUMNS = ("months", "survival", "at_risk")


@record
class Arm:
    """One arm: its strategy, and what it changes in the model's inputs."""

    key: str
    label: str
    strategy: str
    changes: dict[str, Any]


@record
class Endpoint:
    """One event in one arm.

    Attributes
    ----------
    months, risk
        When, and the cumulative risk observed by then.
    events, at_risk
        Of the interval that ends there: events and effective number.
    intervals
        95% intervals of ``risk``: printed, or exact at the effective number.
    """

    key: str
    arm: str
    event: str
    scale: str
    months: tuple[float, ...]
    risk: tuple[float, ...]
    events: tuple[float, ...]
    at_risk: tuple[int, ...]
    intervals: tuple[tuple[float, float], ...]
    used_in: tuple[str, ...] = ()
    again: bool = False
    note: str = ""


@record
class Study:
    """One study; ``mix`` is None where ``mix_name`` is one of the model's own (``reference``, or those of it who ``bleeders`` are)."""

    key: str
    title: str
    source: str
    locator: str
    population: str
    start: str
    mix_name: str
    mix: Mix | None
    weights: tuple[float | None, ...]
    mix_basis: str
    age: float | None
    share_female: float | None
    note: str
    arms: dict[str, Arm]
    endpoints: tuple[Endpoint, ...]


def shipped_studies() -> list[Path]:
    """Study files of the model."""
    return sorted((params_folder() / "studies").glob("*.toml"))


def shipped_study(name: str) -> Path:
    """File of one of the model's own studies.

    Raises
    ------
    AnalysisError
        There is no such study; the nearest name is suggested.
    """
    known = {path.stem: path for path in shipped_studies()}
    if name not in known:
        what = f"there is no study {name!r}"
        raise AnalysisError(what, fix=nearest(name, known, "give a file, or a name of params/studies"))
    return known[name]


def read_study(path: Path, parameters: ParameterSet) -> Study:
    """Read a study file and check it against the inputs it is to be predicted with.

    Raises
    ------
    EconModelError
        Every fault: an unknown field, arm, event, strategy, input or source; points that fall or rise the wrong way; numbers
        at risk that increase; each with file and line.
    """
    document = read_document(path)
    document = replace(document, data=read_under(document.data, NUMBERS))
    faults: list[EconModelError] = []
    raw = document.data
    collect(faults, _known, document, "", "", raw, FIELDS["study"])
    arms = {key: collect(faults, _arm, document, key, arm, parameters) for key, arm in document.tables("arm").items()}
    ends = [collect(faults, _endpoint, document, key, end, arms) for key, end in document.tables("endpoint").items()]
    own = collect(faults, _head, document, parameters)
    if faults:
        raise join_faults(faults)
    return Study(key=path.stem, arms=arms, endpoints=tuple(ends), **own)


def _fault(document: Document, table: str, key: str, what: str, fix: str) -> ParameterError:
    return ParameterError(f"{f'[{table}]: ' if table else ''}{what}", where=str(document.where(table, key)), fix=fix)


def _known(document: Document, table: str, kind: str, raw: Mapping[str, Any], fields: set[str]) -> None:
    for key in raw:
        if key not in fields:
            raise _fault(document, table, key, f"unknown field {key!r} of a study{kind}", nearest(key, sorted(fields)))


def _one_of(document: Document, table: str, raw: Mapping[str, Any], key: str, allowed: Sequence[str]) -> str:
    value = str(raw.get(key, ""))
    if value not in allowed:
        given = f"{key} = {value!r}" if key in raw else f"no {key}"
        raise _fault(
            document, table, key, f"{given}: must be one of {', '.join(allowed)}", nearest(value, allowed, "choose one of them")
        )
    return value


def _head(document: Document, parameters: ParameterSet) -> dict[str, Any]:
    raw = document.data
    for key in ("title", "population", "locator"):
        if not str(raw.get(key, "")).strip():
            raise _fault(document, "", key, f"a study needs a {key}", f'add {key} = "..." at the top')
    for heading in ("arm", "endpoint"):
        if not raw.get(heading):
            raise _fault(document, "", "", f"a study needs an {heading}", f"write [{heading}.NAME]")
    mix_name, mix, weights, basis = _mix(document, raw.get("mix", "reference"), parameters)
    return {
        "title": str(raw["title"]),
        "source": _one_of(document, "", raw, "source", list(parameters.sources)),
        "locator": str(raw["locator"]),
        "population": str(raw["population"]),
        "start": _one_of(document, "", raw, "start", STARTS),
        "mix_name": mix_name,
        "mix": mix,
        "weights": weights,
        "mix_basis": basis,
        **{key: _list(document, "", raw, key)[0] if key in raw else None for key in ("age", "share_female")},
        "note": str(raw.get("note", "")),
    }


def _mix(document: Document, raw: Any, parameters: ParameterSet) -> tuple[str, Mix | None, tuple[float | None, ...], str]:
    """Mix by name, that of a cohort behind the untreated risk, or shares of its own; how surely it is known; on what it rests."""
    unknown = (None, None, None)
    if raw in NAMED_MIXES:
        return str(raw), None, unknown, "the model's own"
    if isinstance(raw, str):
        cohorts = {c.key: c for c in load_cohorts(parameters.tables.folder / "tables" / "untreated_cohorts.csv")}
        _one_of(document, "", {"mix": raw}, "mix", (*NAMED_MIXES, *cohorts))
        return "own", cohorts[raw].mix, cohorts[raw].weights, cohorts[raw].mix_basis
    _known(document, "mix", "'s mix", raw, FIELDS["mix"])
    child, size, (red, *_) = (_list(document, "mix", raw, key) for key in ("child", "size", "red"))
    if len(child) != len(size) or len(child) != 3 or abs(sum(child) - 1) > 1e-6 or abs(sum(size) - 1) > 1e-6 or not 0 <= red <= 1:
        what = "the mix must give shares of Child A, B, C and of three sizes, each summing to 1, and red from 0 to 1"
        raise _fault(document, "mix", "child", what, "for example child = [0.6, 0.3, 0.1], size = [0, 0, 1], red = 0.2")
    given = raw.get("weights", {})
    return "own", Mix(tuple(child), tuple(size), red), tuple(given.get(k) for k in ("child", "size", "red")), str(raw.get("basis", ""))


def _arm(document: Document, key: str, raw: Mapping[str, Any], parameters: ParameterSet) -> Arm:
    table = f"arm.{key}"
    _known(document, table, "'s arm", raw, FIELDS["arm"])
    strategy = _one_of(document, table, raw, "strategy", list(parameters.strategies))
    changes = dict(raw.get("set", {}))
    for name in changes:
        if name not in parameters.parameters:
            raise _fault(document, table, "set", f"there is no input named {name!r}", nearest(name, parameters.parameters))
    return Arm(key, str(raw.get("label", parameters.strategies[strategy].label)), strategy, changes)


def _endpoint(document: Document, key: str, raw: Mapping[str, Any], arms: Mapping[str, Arm]) -> Endpoint:
    table = f"endpoint.{key}"
    _known(document, table, "'s endpoint", raw, FIELDS["endpoint"])
    allowed: dict[str, Sequence[str]] = {"arm": list(arms), "event": list(EVENTS), "scale": SCALES}
    names = {name: _one_of(document, table, raw, name, choices) for name, choices in allowed.items()}
    given = [k for k in ("curve", "survival", "risk") if k in raw]
    if len(given) > 1 or (given == ["curve"] and names["scale"] == "crude"):
        what = f"{' and '.join(given)} of a {names['scale']} endpoint: give one of curve, survival and risk; a curve is not crude"
        raise _fault(document, table, given[0], what, "take one out, or change the scale")
    months, risk, numbers = _digitised(document, table, raw) if "curve" in raw else _points(document, table, raw, names["scale"])
    whole = tuple(max(1, math.floor(n + HALF)) for n in numbers)
    steps = interval_risks(risk)
    intervals = tuple((float(low), float(high)) for low, high in raw.get("interval", exact_intervals(risk, steps, whole)))
    if len(intervals) != len(risk):
        raise _fault(document, table, "interval", f"{len(intervals)} intervals for {len(risk)} points", "give one [low, high] a point")
    events = tuple(n * q for n, q in zip(whole, steps, strict=True))
    return Endpoint(
        key=key,
        arm=names["arm"],
        event=names["event"],
        scale=names["scale"],
        months=months,
        risk=risk,
        events=events,
        at_risk=whole,
        intervals=intervals,
        used_in=tuple(raw.get("used_in", ())),
        again=bool(raw.get("again", False)),
        note=str(raw.get("note", "")),
    )


def _points(document: Document, table: str, raw: Mapping[str, Any], scale: str) -> tuple[Numbers, Numbers, Numbers]:
    """Months, cumulative risks and effective numbers of points given in the file itself."""
    key = next((k for k in ("survival", "risk") if k in raw), "events")
    months, given = _list(document, table, raw, "months"), _list(document, table, raw, key)
    n = _list(document, table, raw, "n")[0] if "n" in raw else None
    if key == "events":
        if scale != "crude" or n is None or not 0 <= given[0] <= n:
            what = f"events = {given[0]:g} of n = {n}: counts alone are crude, and events lie from 0 to n"
            raise _fault(document, table, key, what, 'give risk = [...] or survival = [...], or scale = "crude" with events and n')
        given = (given[0] / n,)
    _check_order(document, table, "months", months, rising=True, low=0.0, high=math.inf)
    _check_order(document, table, key, given, rising=key != "survival", low=0.0, high=1.0)
    if len(months) != len(given) or (scale == "crude" and len(months) > 1):
        what = f"{len(months)} months and {len(given)} values of {key}" + (", but crude is one" if scale == "crude" else "")
        raise _fault(document, table, key, what, "give one value a month; a curve is kaplan_meier or competing")
    risk = tuple(1.0 - s for s in given) if key == "survival" else given
    if n is None:
        pair = raw["interval"][0] if len(risk) == 1 and "interval" in raw else None
        return months, risk, (number_behind(risk[0], *pair),) if pair else (LARGE,) * len(risk)
    if scale == "crude":
        return months, risk, (n,)
    return months, risk, _effective(document, table, raw, months, risk)


def _list(document: Document, table: str, raw: Mapping[str, Any], key: str) -> Numbers:
    value = raw.get(key)
    values: list[Any] = value if isinstance(value, list) else [value]
    if not values or any(isinstance(v, bool) or not isinstance(v, int | float) for v in values):
        given = f"{key} = {value!r}" if key in raw else f"no {key}"
        raise _fault(document, table, key, f"{given}: must be numbers", f"write {key} = ... as plain numbers, a list for several")
    return tuple(float(v) for v in values)


def _check_order(document: Document, table: str, key: str, values: Numbers, *, rising: bool, low: float, high: float) -> None:
    for before, value in zip((values[0], *values), values, strict=False):
        if not low <= value <= high:
            raise _fault(document, table, key, f"{key} = {value:g}: must lie from {low:g} to {high:g}", "write 45% as 0.45")
        if (value < before) if rising else (value > before):
            what = f"{key} {'falls' if rising else 'rises'} from {before:g} to {value:g}: it can only {'rise' if rising else 'fall'}"
            raise _fault(document, table, key, what, "look at the order, and at risk against survival")


def _effective(document: Document, table: str, raw: Mapping[str, Any], months: Numbers, risk: Numbers) -> Numbers:
    """Effective number of each interval, from numbers at risk, the total of events, or the loss a year."""
    n, *_ = _list(document, table, raw, "n")
    if "at_risk" in raw:
        left = _list(document, table, raw, "at_risk")
        _check_order(document, table, "at_risk", (n, *left), rising=False, low=0.0, high=math.inf)
        return effective_numbers(risk, [(a + b) / 2 for a, b in zip((n, *left), left, strict=False)])
    if "events" in raw:
        lost = _loss(document, table, months, risk, n, _list(document, table, raw, "events")[0])
        return effective_numbers(risk, under_observation(months, risk, n, lost))
    if "loss" in raw:
        return effective_numbers(risk, under_observation(months, risk, n, _list(document, table, raw, "loss")[0]))
    what = "a curve needs how many were still followed: at_risk at its months, its total of events, or loss a year"
    raise _fault(document, table, "n", what, "loss = 0 says that nobody was lost")


def _loss(document: Document, table: str, months: Numbers, risk: Numbers, n: float, events: float) -> float:
    """Loss a year at which the intervals' events sum to the total printed, by bisection."""

    def total(loss: float) -> float:
        return sum(
            q * m for q, m in zip(interval_risks(risk), effective_numbers(risk, under_observation(months, risk, n, loss)), strict=True)
        )

    low, high = 0.0, MOST_LOST
    if not total(high) <= events <= total(low):
        what = f"events = {events:g}: at these risks {n:g} patients can have {total(high):.1f} to {total(low):.1f}"
        raise _fault(document, table, "events", what, "check n, the risks and the total of events")
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if total(middle) > events else (low, middle)
    return (low + high) / 2


def _digitised(document: Document, table: str, raw: Mapping[str, Any]) -> tuple[Numbers, Numbers, Numbers]:
    """Points of a digitised curve at the months whose numbers at risk are printed, and at its end."""
    path = document.path.parent / str(raw["curve"])
    months, survival, at_risk = read_curve(path)
    found = reconstruct(months, survival, at_risk, raw.get("events"))
    alive = found.survival()
    ends = sorted({*(i for i in at_risk if i), len(months) - 1})
    risk = tuple(1.0 - float(alive[i]) for i in ends)
    starts = [0, *ends[:-1]]
    deaths = [float(found.events[a + 1 : b + 1].sum()) for a, b in zip(starts, ends, strict=True)]
    mean = [float(found.at_risk[a + 1 : b + 1].mean()) for a, b in zip(starts, ends, strict=True)]
    numbers = tuple(d / q if q > 0 else m for d, q, m in zip(deaths, interval_risks(risk), mean, strict=True))
    return tuple(months[i] for i in ends), risk, numbers


def read_curve(path: Path) -> tuple[list[float], list[float], dict[int, float]]:
    """Read a digitised survival curve: months, survival, and numbers at risk by row where they are printed.

    Raises
    ------
    ParameterError
        A column is missing, a cell is no number, time runs back, survival rises, numbers at risk increase, or the first row is
        not survival 1 at month 0 with its number at risk; with file and line.
    """
    shown = display_path(path)
    table = read_rows(path, COLUMNS)
    rows, style = [row for _, row in table], style_of(row[name] for _, row in table for name in COLUMNS)

    def fault(line: int, what: str, fix: str) -> ParameterError:
        return ParameterError(what, where=f"{shown}, line {line}", fix=fix)

    months, survival = ([read_number(row[name], style, f"{shown}, line {n}") for n, row in table] for name in COLUMNS[:2])
    at_risk = {i: read_number(row["at_risk"], style, f"{shown}, line {n}") for i, (n, row) in enumerate(table) if row["at_risk"]}
    if months[0] != 0 or survival[0] != 1 or 0 not in at_risk:
        raise fault(2, "the first row must be month 0 with survival 1 and the number at risk", "add it")
    known = list(at_risk)
    for what, values, places, back in (
        ("months run", months, range(len(rows)), True),
        ("survival rises", survival, range(len(rows)), False),
        ("the number at risk increases", list(at_risk.values()), known, False),
    ):
        for a, b, place in zip(values, values[1:], list(places)[1:], strict=False):
            if (b < a) if back else (b > a):
                raise fault(place + 2, f"{what} from {a:g} {'back ' if back else ''}to {b:g}", "mend that row")
    if not 0 <= survival[-1] <= 1:
        raise fault(len(rows) + 1, f"survival = {survival[-1]:g}: must lie from 0 to 1", "write 45% as 0.45")
    return months, survival, at_risk
