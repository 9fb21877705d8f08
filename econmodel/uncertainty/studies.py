"""The model held against a study: what it predicts such a study to see, beside what it saw, and a verdict.

The model's interval is that of replicated observations: every input drawn, with a new deviation of the site for each study,
then the study's own sampling with its numbers. An observation *fails* where its mid-p on both sides is below 0.05; where the
interval from the inputs alone is wider than twice the observed one the model *cannot tell*; else it *agrees*. What rests on
the study already carries no verdict. The pieces of a study are judged together by their deviance at the posterior mean,
against its own replicates.
"""

from __future__ import annotations

import csv
import io
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

import econmodel
from econmodel.errors import EconModelError
from econmodel.evidence.study_files import EVENTS, Arm, Endpoint, Study, read_study, shipped_studies
from econmodel.evidence.untreated import Mix
from econmodel.model.endpoints import risk_by
from econmodel.model.follow_up import patients_who_bled
from econmodel.model.inputs import CHILD, Values, resolve
from econmodel.parameters.following import settle
from econmodel.parameters.loading import load_case
from econmodel.parameters.lookups import LOOKUPS
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.sampling import sample, stream
from econmodel.parameters.schema import twin
from econmodel.parameters.structures import BASE, fix_structure, gather, structures_of
from econmodel.records import record

FloatArray = NDArray[np.float64]
AGREES, FAILS, CANNOT_TELL, USED = "agrees", "fails", "cannot tell", "used, no verdict"
TOLD_BY = "effect_basis=process"  # what some studies count, no other basis tells: an open varix, the source of a rebleed
DRAWS = 200  # of each study, beside the tests of the model and in the report
REPLICATES = 4  # of each draw
LEVEL, WIDER = 0.05, 2.0
BLOCK = 3_000  # lanes followed at once
SAME = 1e-9
TOLD_APART = ("effect_studies.csv", "untreated_cohorts.csv")


@record
class StudyRow:
    """One point of one endpoint: observed with its interval, predicted with both of its own, and the verdict.

    ``inputs_low`` and ``inputs_high`` hold the inputs' doubt alone; outside ``low`` to ``high``, which holds the study's own
    sampling too, an observation would fail.
    """

    endpoint: str
    arm: str
    event: str
    months: float
    observed: float
    observed_low: float
    observed_high: float
    predicted: float
    inputs_low: float
    inputs_high: float
    low: float
    high: float
    p: float
    verdict: str
    used_in: tuple[str, ...]
    note: str


@record
class StudyResult:
    """A study judged; ``deviance``, its 95% point under the model and ``p`` are None where nothing of it is judged."""

    key: str
    title: str
    population: str
    source: str
    note: str
    rows: tuple[StudyRow, ...]
    deviance: float | None
    deviance_fails_above: float | None
    p: float | None
    verdict: str
    draws: int

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return asdict(self)


def run_studies(parameters: ParameterSet, paths: Sequence[Path] = (), *, draws: int, leave_out: bool = False) -> list[StudyResult]:
    """Judge studies; without paths, those of the model. Inputs are drawn, the structure is the base one: it is what is judged.

    Parameters
    ----------
    parameters
        The case they are predicted with.
    draws
        Draws of all inputs for each study.
    leave_out
        Take each study out of the tables of evidence first, so that what rested on it alone there can be judged.
    """
    parameters = fix_structure(parameters, [BASE])
    studies = read_studies(paths or shipped_studies(), parameters)
    return [judge(study, parameters, draws=draws, leave_out=leave_out) for study in studies]


def read_studies(paths: Sequence[Path], parameters: ParameterSet) -> list[Study]:
    """Read study files, and registries (CSV, XLSX): of each a study a strategy."""
    found: list[Study] = []
    for path in paths:
        if path.suffix.lower() == ".toml":
            found.append(read_study(path, parameters))
            continue
        from econmodel.evidence.registry.study import registry_studies

        found += registry_studies(path, parameters)
    return found


def shipped_results() -> list[StudyResult]:
    """Judge the model's own studies on the base case."""
    return run_studies(load_case(None, (), [TOLD_BY]).parameters, draws=DRAWS)


def judge(study: Study, parameters: ParameterSet, *, draws: int, leave_out: bool = False) -> StudyResult:
    """Predict a study and judge it."""
    seed, freed = int(parameters.number("seed")), frozenset[str]()
    if leave_out and study.source:
        parameters, freed = without_study(parameters, study.source)
    values = sample(parameters, draws, seed=(seed + crc32(study.key.encode())) % 2**32)
    rng = stream(seed, f"{study.key}.observed")
    risks = predict(study, parameters, values, mixes=draw_mixes(study, draws, stream(seed, f"{study.key}.mix")))
    seen = {end.key: _replicate(end, risks[end.key], rng) for end in study.endpoints}
    judged = [end for end in study.endpoints if not set(end.used_in) - freed]
    rows = tuple(row for end in study.endpoints for row in _rows(study, end, risks[end.key], seen[end.key], judged=end in judged))
    joint = _joint([end for end in judged if not end.again], risks, seen)
    source = parameters.sources[study.source].reference if study.source else study.title
    return StudyResult(
        key=study.key,
        title=study.title,
        population=study.population,
        source=source,
        note=study.note,
        rows=rows,
        deviance=joint[0],
        deviance_fails_above=joint[1],
        p=joint[2],
        verdict=_verdict(joint[2], rows),
        draws=draws,
    )


def predict(study: Study, parameters: ParameterSet, values: Values, *, mixes: FloatArray | None = None) -> dict[str, FloatArray]:
    """Cumulative risk of every endpoint at its months: each (draw, point).

    Parameters
    ----------
    values
        Draws of the numeric inputs, each (draw,).
    mixes : ndarray of shape (draw, cell), optional
        Shares of the study's cells by draw; None keeps those of its file.
    """
    ours, found = _population(parameters, study), dict[str, FloatArray]()
    given = dict(values) | ({} if study.share_female is None else {"share_female": np.full(_draws(values), study.share_female)})
    given.pop("case_mix", None)
    if mixes is not None:
        given["case_mix"] = mixes
    for ends in _together(study):
        arms = [study.arms[key] for key in dict.fromkeys(end.arm for end in ends)]
        changed, changed_values = _changed(ours, given, arms)
        keys = list(changed.strategies)
        months = sorted({m for e in ends for m in e.months})
        by_arm = _follow(study, changed, changed_values, ends[0].event, ends[0].scale, months)
        for end in ends:
            column = keys.index(study.arms[end.arm].strategy)
            found[end.key] = by_arm[:, column, [months.index(m) for m in end.months]]
    return found


def _together(study: Study) -> list[list[Endpoint]]:
    """Endpoints that one run of the model gives: the same event on the same scale, in arms that change the same inputs."""
    groups: dict[tuple[object, ...], list[Endpoint]] = {}
    for end in study.endpoints:
        competing = "kaplan_meier" if end.scale == "kaplan_meier" else "competing"
        groups.setdefault((end.event, competing, repr(study.arms[end.arm].changes)), []).append(end)
    return list(groups.values())


def _follow(study: Study, parameters: ParameterSet, values: Values, event: str, scale: str, months: list[float]) -> FloatArray:
    """Risk by draw, strategy and month, a block of draws at a time."""
    lanes = len(parameters.strategies) * len(parameters.rows("case_mix"))
    size, start = max(1, BLOCK // lanes), None if study.start == "never_bled" else study.start
    of = patients_who_bled if study.mix_name == "bleeders" else resolve
    return gather(
        (part.rows, risk_by(of(part.parameters, part.values), event, scale, months, start))
        for part in structures_of(parameters).parts(values, size)
    )


def _draws(values: Values) -> int:
    return len(next(iter(values.values())))


def _population(parameters: ParameterSet, study: Study) -> ParameterSet:
    """Copy of the case with the study's patients in place of its own."""
    inputs = dict(parameters.parameters)
    rows = _cells(study.mix) if study.mix else parameters.rows("reference_mix")
    inputs["case_mix"] = replace(inputs["case_mix"], table=rows, distribution=inputs["reference_mix"].distribution)
    if study.age is not None:
        inputs["start_age"] = replace(inputs["start_age"], value=study.age)
    return replace(parameters, parameters=inputs)


def _cells(mix: Mix) -> tuple[dict[str, Any], ...]:
    """Rows of the 18 cells of a mix, classes, sizes and red spots independent."""
    return tuple(
        {"name": f"Child {child}, size {s}, red {r}", "share": a * b * c, "child": child, "size_step": s, "red_spot": r}
        for child, a in zip(CHILD, mix.child, strict=True)
        for s, b in enumerate(mix.size)
        for r, c in enumerate((1 - mix.red, mix.red))
    )


def draw_mixes(study: Study, draws: int, rng: np.random.Generator) -> FloatArray | None:
    """Mixes that the study's shares, known as surely as their weights say, leave possible: (draw, cell); None where none is given."""
    mix, (child, size, red) = study.mix, study.weights
    if mix is None or child is None or size is None:
        return None
    classes, sizes = (rng.dirichlet(np.maximum(w * np.array(s), SAME), draws) for w, s in ((child, mix.child), (size, mix.size)))
    spots = np.full(draws, mix.red) if red is None else rng.beta(red * mix.red, red * (1 - mix.red), draws)
    return np.asarray(np.einsum("dc,ds,dr->dcsr", classes, sizes, np.stack([1 - spots, spots], axis=1)).reshape(draws, -1))


def _changed(parameters: ParameterSet, values: Values, arms: Sequence[Arm]) -> tuple[ParameterSet, dict[str, FloatArray]]:
    """Case and draws with what the arms change, and their strategies alone; effects stay calibrated on the evidence."""
    inputs, drawn = dict(parameters.parameters), dict(values)
    for name, value in arms[0].changes.items():
        if isinstance(value, str):
            inputs[name] = replace(inputs[name], value=value)
        else:
            drawn |= {twin(name): drawn[name], name: np.full(_draws(values), float(value))}
    rows = {arm.strategy: parameters.strategies[arm.strategy] for arm in arms}
    return replace(parameters, parameters=inputs, strategies=rows), drawn


def steps_of(risk: FloatArray) -> FloatArray:
    """Risk of each interval among those still without the event, from cumulative risks along the last axis."""
    free = np.concatenate([np.ones_like(risk[..., :1]), 1.0 - risk], axis=-1)
    stays = np.divide(free[..., 1:], free[..., :-1], out=np.zeros_like(risk), where=free[..., :-1] > 0)
    return np.asarray(np.clip(1.0 - stays, 0.0, 1.0))


def _replicate(end: Endpoint, risk: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Events that such a study would see in each interval: (replicate x draw, point)."""
    events = rng.binomial(end.at_risk, steps_of(risk), size=(REPLICATES, *risk.shape))
    return events.reshape(-1, risk.shape[1]).astype(float)


def _rows(study: Study, end: Endpoint, risk: FloatArray, events: FloatArray, *, judged: bool) -> list[StudyRow]:
    seen = 1.0 - np.cumprod(1.0 - events / np.array(end.at_risk), axis=1)
    found = []
    for j, (months, observed, (low, high)) in enumerate(zip(end.months, end.risk, end.intervals, strict=True)):
        inputs_low, inputs_high = (float(x) for x in np.quantile(risk[:, j], (LEVEL / 2, 1 - LEVEL / 2)))
        model_low, model_high = (float(x) for x in np.quantile(seen[:, j], (LEVEL / 2, 1 - LEVEL / 2)))
        p = mid_p(seen[:, j], observed)
        vague = inputs_high - inputs_low > WIDER * (high - low)
        verdict = USED if not judged else FAILS if p < LEVEL else CANNOT_TELL if vague else AGREES
        found.append(
            StudyRow(
                endpoint=end.key,
                arm=study.arms[end.arm].label,
                event=EVENTS[end.event],
                months=months,
                observed=observed,
                observed_low=low,
                observed_high=high,
                predicted=float(risk[:, j].mean()),
                inputs_low=inputs_low,
                inputs_high=inputs_high,
                low=model_low,
                high=model_high,
                p=p,
                verdict=verdict,
                used_in=end.used_in,
                note=end.note,
            )
        )
    return found


def mid_p(replicates: FloatArray, observed: float) -> float:
    """Two-sided mid-p of an observation among its replicates.

    Examples
    --------
    >>> mid_p(np.array([0.0, 1.0, 2.0, 3.0]), 3.0)
    0.25
    """
    equal = float((np.abs(replicates - observed) <= SAME).mean())
    below = float((replicates < observed - SAME).mean()) + equal / 2
    return min(1.0, 2 * min(below, 1 - below))


def deviance(events: FloatArray, at_risk: FloatArray, step: FloatArray) -> FloatArray:
    """Twice the log likelihood lost against the events themselves, summed over the pieces of the last axis."""
    from scipy.special import xlogy

    rest = at_risk - events
    each = xlogy(events, events / (at_risk * step)) + xlogy(rest, rest / (at_risk * (1 - step)))
    return np.asarray(2 * each.sum(axis=-1))


def _joint(
    ends: Sequence[Endpoint], risks: dict[str, FloatArray], seen: dict[str, FloatArray]
) -> tuple[float | None, float | None, float | None]:
    """Deviance of all pieces at the posterior mean, the value above which it fails, and its mid-p."""
    if not ends:
        return None, None, None
    step = np.clip(np.concatenate([steps_of(risks[end.key]).mean(axis=0) for end in ends]), 1e-12, 1 - 1e-12)
    at_risk = np.concatenate([np.array(end.at_risk, dtype=float) for end in ends])
    observed = float(deviance(np.concatenate([end.events for end in ends]), at_risk, step))
    replicated = deviance(np.concatenate([seen[end.key] for end in ends], axis=1), at_risk, step)
    p = float((replicated > observed + SAME).mean() + (np.abs(replicated - observed) <= SAME).mean() / 2)
    return observed, float(np.quantile(replicated, 1 - LEVEL)), p


def _verdict(p: float | None, rows: Sequence[StudyRow]) -> str:
    """Joint verdict: by the deviance, or none; vague where the inputs' intervals together are too wide."""
    judged = [row for row in rows if row.verdict != USED]
    if p is None or not judged:
        return USED
    inputs, observed = (sum(getattr(r, b) - getattr(r, a) for r in judged) for a, b in PAIRS)
    return FAILS if p < LEVEL else CANNOT_TELL if inputs > WIDER * observed else AGREES


PAIRS = (("inputs_low", "inputs_high"), ("observed_low", "observed_high"))


def without_study(parameters: ParameterSet, source: str) -> tuple[ParameterSet, frozenset[str]]:
    """Case whose tables of evidence lack a source, and the inputs that moved by it; what only cites it stays."""
    tables = parameters.tables
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for part in ("tables", "base_case"):
            shutil.copytree(tables.folder / part, folder / part)
        for table in TOLD_APART:
            path = folder / "tables" / table
            path.write_text(_without(path.read_text(encoding="utf-8"), source), encoding="utf-8", newline="")
        values = {call: _look_up(folder, call, value) for call, value in tables.values.items()}
    moved = settle(replace(parameters, tables=replace(tables, values=values)))
    differ = {n for n, p in moved.parameters.items() if (p.value, p.distribution) != (parameters[n].value, parameters[n].distribution)}
    return moved, frozenset(differ)


def _without(text: str, source: str) -> str:
    rows = list(csv.DictReader(text.splitlines()))
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(row for row in rows if row["source"] != source)
    return out.getvalue()


def _look_up(folder: Path, call: str, value: float) -> float:
    """Value of a recorded look-up in a folder's tables; the one recorded where its own row is gone or its table is another."""
    name, _, rest = call.partition("(")
    if name not in LOOKUPS or LOOKUPS[name].table not in TOLD_APART:
        return value
    try:
        return econmodel.look_up(folder, (name, *rest.rstrip(")").split(", ")))
    except EconModelError:
        return value
