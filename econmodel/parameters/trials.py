"""Studies proposed, one TOML file each: who is compared, how many, for how long, what is counted, and what it costs.

``arms`` are keys of strategies, or ``{ strategy, protocol }`` for one strategy followed up in different ways; one arm alone is
a registry. ``sizes`` are patients an arm. ``place`` is ``elsewhere`` (another setting, with a level of untreated risk of its
own) or ``here`` (the site's own patients). Costs are named inputs of the price list. ``past`` is a small trial that has been
held: what it could have shown is told beside.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from econmodel.errors import EconModelError, ParameterError, join_faults
from econmodel.package import own_file, params_folder
from econmodel.parameters.documents import Document, read_document
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.quantities import read_under
from econmodel.parameters.schema import STATUSES, WATCH, Where
from econmodel.records import record
from econmodel.wording import nearest

OUTCOMES = ("first_bleeds", "deaths", "retreatments")
PLACES = ("elsewhere", "here")
LARGEST = 2000
LONGEST = 10


@record
class Arm:
    """What one arm of a study receives: a strategy, followed up by a protocol where that is what is compared."""

    strategy: str
    protocol: str = ""


@record
class PastTrial:
    """A trial that has been held: events and patients of its two arms."""

    label: str
    events: tuple[int, int]
    patients: tuple[int, int]
    source: str


@record
class Trial:
    """A study proposed; ``dropout`` is the share of patients not seen at the end, ``report_years`` from last visit to report."""

    key: str
    title: str
    rationale: str
    status: str
    arms: tuple[Arm, ...]
    sizes: tuple[int, ...]
    follow_up_years: int
    outcomes: tuple[str, ...]
    dropout: float
    recruits_per_year: float
    report_years: float
    place: str
    cost_fixed: str
    cost_per_patient: str
    where: Where
    past: PastTrial | None = None

    @property
    def by_protocol(self) -> bool:
        """Whether the arms differ in follow-up and not in treatment."""
        return bool(self.arms[0].protocol)

    @property
    def strategies(self) -> tuple[str, ...]:
        """Strategy of each arm."""
        return tuple(arm.strategy for arm in self.arms)

    def years_to_report(self, size: int) -> float:
        """Years from the decision to run it until it reports, at a number of patients an arm."""
        return size * len(self.arms) / self.recruits_per_year + self.follow_up_years + self.report_years

    def seen(self, size: int) -> int:
        """Patients of an arm whose end is seen."""
        return math.floor(size * (1 - self.dropout) + 1e-9)


def shipped_trials() -> tuple[Path, ...]:
    """Files of the studies proposed with the model, by name."""
    return tuple(sorted((params_folder() / "trials").glob("*.toml")))


def find_trial(name: str) -> Path:
    """File of a study: one that ships, by its name, or a path.

    Raises
    ------
    ParameterError
        There is no such study.
    """
    known = {path.stem: path for path in shipped_trials()}
    if name.endswith(".toml"):
        return own_file(Path(name))
    if name not in known:
        what = f"study {name!r}: must be one of {', '.join(known)}, or a file"
        raise ParameterError(what, where="--trial", fix=nearest(name, known))
    return known[name]


def check_sizes(sizes: Sequence[int]) -> tuple[int, ...]:
    """Put sizes asked for in rising order.

    Raises
    ------
    ParameterError
        A size is not from 1 to the largest that is tried.
    """
    for size in sizes:
        if not 1 <= size <= LARGEST:
            what = f"size {size}: must be a number of patients an arm from 1 to {LARGEST:,}"
            raise ParameterError(what, where="--size", fix="--size 100")
    return tuple(sorted(set(sizes)))


def read_trial(path: Path, parameters: ParameterSet) -> Trial:
    """Read a study and check it against a case.

    Raises
    ------
    EconModelError
        Every fault of the file: a field unknown, missing or against its rule, or an arm, protocol or price the case lacks.
    """
    document = read_document(path)
    raw, faults = read_under(document.data, NUMBERS), list[EconModelError]()

    def fault(key: str, rule: str, fix: str = "") -> None:
        what = f"{key} = {raw[key]!r}: {rule}" if key in raw else f"the field {key!r} is missing"
        faults.append(ParameterError(what, where=str(document.where("", key)), fix=fix or f"{key} = {EXAMPLES[key]}"))

    for key in raw.keys() - RULES.keys() - {"past", "date"}:
        fault(key, "no field of a trial", nearest(key, RULES))
    for key, (holds, rule) in RULES.items():
        if key not in raw or not holds(raw[key]):
            fault(key, rule)
    if not faults:
        _check_case(raw, parameters, fault)
    past = _past(document, raw["past"], faults) if "past" in raw else None
    if faults:
        raise join_faults(faults)
    arms = tuple(Arm(arm) if isinstance(arm, str) else Arm(**arm) for arm in raw["arms"])
    read: dict[str, Any] = {key: tuple(raw[key]) if isinstance(raw[key], list) else raw[key] for key in RULES if key != "arms"}
    return Trial(key=path.stem, arms=arms, where=document.where(""), past=past, **read)


def _check_case(raw: Mapping[str, Any], parameters: ParameterSet, fault: Callable[[str, str, str], None]) -> None:
    """Check arms, protocols and prices against the case; a registry is of untreated patients, of bleeds."""
    for arm in raw["arms"]:
        key, protocol = (arm, "") if isinstance(arm, str) else (arm["strategy"], arm["protocol"])
        if key not in parameters.strategies:
            fault("arms", f"the case has no strategy {key!r}", nearest(key, parameters.strategies))
        elif protocol and protocol not in parameters.protocols:
            fault("arms", f"the case has no protocol {protocol!r}", nearest(protocol, parameters.protocols))
        elif protocol and parameters.strategies[key].starts_in != "in_course":
            fault("arms", f"{key!r} treats no varix that visits could find open", "compare protocols of a procedure")
    for name in ("cost_fixed", "cost_per_patient"):
        if raw[name] not in parameters.parameters:
            fault(name, "the case has no such price", nearest(raw[name], parameters.parameters))
    if len(raw["arms"]) == 1 and (raw["arms"][0] != WATCH or list(raw["outcomes"]) != ["first_bleeds"]):
        fault("arms", "a study of one arm is a registry of untreated patients", f'arms = ["{WATCH}"], outcomes = ["first_bleeds"]')


def _past(document: Document, raw: Any, faults: list[EconModelError]) -> PastTrial | None:
    pairs = [raw.get(key) for key in ("events", "patients")] if isinstance(raw, dict) else []
    whole = [isinstance(pair, list) and len(pair) == 2 and all(map(_whole, pair)) for pair in pairs]
    good = isinstance(raw, dict) and set(raw) == {"label", "source", "events", "patients"} and all(whole)
    if not good or any(not 0 <= events <= n or n < 1 for events, n in zip(*pairs, strict=True)):
        what = f"past = {raw!r}: must have label, source, and events and patients of two arms, no more events than patients"
        fix = '[past] label = "...", events = [4, 8], patients = [16, 16], source = "..."'
        faults.append(ParameterError(what, where=str(document.where("past")), fix=fix))
        return None
    return PastTrial(str(raw["label"]), tuple(raw["events"]), tuple(raw["patients"]), str(raw["source"]))


def _whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _text(value: Any) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _arms(value: Any) -> bool:
    """Whether these are one strategy, two different ones, or one with two protocols."""
    if not isinstance(value, list) or not 1 <= len(value) <= 2 or (len(value) == 2 and value[0] == value[1]):
        return False
    if all(map(_text, value)):
        return True
    named = all(isinstance(arm, dict) and arm.keys() == {"strategy", "protocol"} and all(map(_text, arm.values())) for arm in value)
    return named and len(value) == 2 and value[0]["strategy"] == value[1]["strategy"]


def _sizes(value: Any) -> bool:
    return (
        isinstance(value, list)
        and bool(value)
        and all(map(_whole, value))
        and value == sorted(set(value))
        and 1 <= value[0]
        and value[-1] <= LARGEST
    )


NUMBERS = ("sizes", "follow_up_years", "dropout", "recruits_per_year", "report_years", "events", "patients")
RULES: dict[str, tuple[Callable[[Any], bool], str]] = {
    "title": (_text, "must be text in quotes"),
    "rationale": (_text, "must be text in quotes"),
    "status": (lambda v: v in STATUSES, f"must be one of {', '.join(STATUSES)}"),
    "arms": (_arms, "must be two strategies, one strategy with two protocols, or watch alone for a registry"),
    "sizes": (_sizes, f"must be whole numbers of patients an arm, from 1 to {LARGEST:,}, rising"),
    "follow_up_years": (lambda v: _whole(v) and 1 <= v <= LONGEST, f"must be a whole number of years from 1 to {LONGEST}"),
    "outcomes": (
        lambda v: isinstance(v, list) and bool(v) and len(set(map(str, v))) == len(v) and set(map(str, v)) <= set(OUTCOMES),
        f"must be out of {', '.join(OUTCOMES)}, each once",
    ),
    "dropout": (lambda v: _number(v) and 0 <= v < 1, "must be a share from 0 to below 1"),
    "recruits_per_year": (lambda v: _number(v) and v > 0, "must be a number of patients > 0"),
    "report_years": (lambda v: _number(v) and v >= 0, "must be a number of years >= 0"),
    "place": (lambda v: v in PLACES, f"must be {' or '.join(PLACES)}"),
    "cost_fixed": (_text, "must be the name of a price"),
    "cost_per_patient": (_text, "must be the name of a price"),
}
EXAMPLES = {
    "title": '"One strategy against another"',
    "rationale": '"why it is proposed, and what its numbers rest on"',
    "status": '"assumption"',
    "arms": '["coil_and_glue", "beta_blocker"]',
    "sizes": "[25, 50, 100, 200]",
    "follow_up_years": "3",
    "outcomes": '["first_bleeds", "deaths"]',
    "dropout": "0.15",
    "recruits_per_year": "60",
    "report_years": "0.5",
    "place": '"elsewhere"',
    "cost_fixed": '"c_trial_fixed"',
    "cost_per_patient": '"c_trial_patient"',
}
