"""What it is worth to find out more about a case: everything, each input, inputs by group, and studies proposed.

Rests on the draws of a probabilistic analysis: net benefit over the time horizon, in the view of the case. Value of
information holds within the model's own structure and weights: what no input says, it cannot miss.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, replace
from functools import partial
from os import cpu_count
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import build_activity
from econmodel.economics.patients import follow
from econmodel.errors import AnalysisError
from econmodel.model.disease import run_disease
from econmodel.model.inputs import base_values, resolve
from econmodel.parameters.following import follow_draws
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.sampling import sample, stream
from econmodel.parameters.schema import PROCESS, Parameter
from econmodel.parameters.structures import choose, gather_each, groups, structures_of
from econmodel.parameters.trials import Trial
from econmodel.records import record
from econmodel.uncertainty.information import CURVES_UP_TO, Column, ValueOfKnowing, appraise, choose_knowing
from econmodel.uncertainty.probabilistic import Psa, run_psa
from econmodel.uncertainty.trial_value import LOCAL, NATIONAL, Cost, Played, Reach, TrialValue, value_trial
from econmodel.wording import lower

FloatArray = NDArray[np.float64]
LEVEL = ("p_first_bleed_year_1", "log_rate_reference", "log_rate_site")
BLOCK, DIGITS, FEWEST = 1024, 12, 100
WORTH = "what more evidence would be worth"
DEATHS = ("deaths_bleed", "deaths_procedure", "deaths_other")
# The first group whose beginnings fit an input's name takes it; settings make a group of their own.
GROUPS: dict[str, tuple[str, ...]] = {
    "Untreated bleeding, level and course": ("log_rate_", "p_first_bleed", "hr_first_bleed", "b_", "r_other_bleed"),
    "Effect of a beta-blocker": ("hr_beta_blocker", "hr_other_bleed_beta", "hr_excess_death", "r_stop", "share_drug"),
    "Effect of glue": ("hr_glue", "hr_eus_glue", "p_obliteration_glue", "p_obliteration_eus_glue"),
    "Effect of the coil": ("hr_coil", "p_obliteration_coil"),
    "Effect of transvenous obliteration": ("hr_transvenous", "hr_other_bleed_transvenous", "p_obliteration_transvenous"),
    "How long effects last": ("r_recurrence", "r_lost", "hr_patent", "p_detect", "p_retreat", "share_retreat", "n_effect_"),
    "Death from a bleed": ("p_death_six", "or_death", "p_rescue"),
    "After a bleed": ("r_late_", "hr_late_", "p_early_", "hr_death_after", "r_excess", "r_transplant", "r_child", "share_rebleed"),
    "Harm of procedures": ("p_death_course", "p_embolism", "p_sepsis", "p_fever", "p_ulcer"),
    "Quality of life": ("u_", "du_"),
    "Use of care": ("n_", "p_icu", "p_readmission", "r_clinic", "share_major", "share_varix"),
    "Prices": ("c_", "payment_", "share_variable", "ratio_"),
    "Patients of the site": ("case_mix", "share_female", "start_age"),
}
OTHERS = "Everything else"
SETTINGS = "Structure: all settings"


@record
class Known:
    """What it is worth to know one input, setting or group for certain, per patient; its members, if a group.

    ``worth`` is None where a choice of a setting has too few draws to tell.
    """

    name: str
    label: str
    status: str
    worth: ValueOfKnowing | None
    members: tuple[str, ...] = ()


@record
class Research:
    """Value of information of a case, per patient unless said.

    ``everything`` holds the doubt of this setting, ``shared`` what a country can settle: the inputs that tell most, averaged over
    how a setting deviates.
    ``inputs``, ``settings`` and ``groups`` are by value, highest first; ``thresholds`` and ``everything_at`` are the value of
    knowing everything by willingness to pay. ``best`` is the choice on present evidence, ``left_out`` says which studies do not
    fit the case, and why.
    """

    currency: str
    price_year: str
    threshold: float
    draws: int
    seed: int
    options: Mapping[str, str]
    best: str
    everything: ValueOfKnowing
    shared: ValueOfKnowing
    thresholds: tuple[float, ...]
    everything_at: tuple[float, ...]
    inputs: tuple[Known, ...]
    settings: tuple[Known, ...]
    groups: tuple[Known, ...]
    trials: tuple[TrialValue, ...]
    reach: Reach
    left_out: tuple[str, ...] = ()

    @property
    def a_year(self) -> dict[str, float]:
        """What remaining doubt costs a year, by scope: a country's is what settings share."""
        worth = {LOCAL: self.everything.value, NATIONAL: self.shared.value}
        return {scope: worth[scope] * n * self.reach.uptake for scope, n in self.reach.patients.items()}

    @property
    def first_trial(self) -> tuple[str, TrialValue] | None:
        """Study with the highest net value at its best size, in the widest scope that has one; none if none pays."""
        for scope in reversed(list(self.reach.patients)):
            paying = [t for t in self.trials if scope in t.best and t.best[scope].net > 0]
            if paying:
                return scope, max(paying, key=lambda t: t.best[scope].net)
        return None

    def to_json(self) -> dict[str, Any]:
        """Give the document."""
        return asdict(self) | {"a_year": self.a_year}


def find_research(
    psa: Psa,
    trials: Sequence[Trial],
    patients: Mapping[str, float],
    *,
    pair: Sequence[str] = (),
    sizes: Sequence[int] = (),
    left_out: Sequence[str] = (),
) -> Research:
    """Value what could be found out.

    Parameters
    ----------
    psa
        All inputs varied together.
    trials
        Studies proposed, checked against the case.
    patients
        Patients a year whom the choice concerns, by scope.
    pair
        Two strategies, if the choice is between them alone.
    sizes
        Patients an arm; none given: each study's own.
    left_out
        Studies that do not fit, and why.

    Raises
    ------
    AnalysisError
        Fewer than 100 draws: a regression on them tells nothing; or the case names no threshold.
    """
    parameters = psa.parameters
    if psa.draws < FEWEST:
        what = f"draws = {psa.draws}: what more evidence is worth needs at least {FEWEST}, and some thousands to be quoted"
        raise AnalysisError(what, where="--draws", fix="--draws 4000")
    offered, threshold = tuple(pair) or psa.keys, parameters.need_threshold(WORTH)
    benefit = _benefit(psa, offered, threshold)
    values = sample(parameters, psa.draws, seed=psa.seed, sobol=psa.sobol)
    columns = informing(parameters, values)
    everything, rows, groups = _known(parameters, benefit, columns, psa.seed)
    shared = _shared(parameters, benefit, columns, rows, psa.seed)
    reach = Reach(patients, *(parameters.number(name) for name in ("share_research_uptake", "n_research_years", "discount_costs")))
    watched = Watched(psa, values, trials)
    found = [value_trial(play(t, watched, benefit, offered), reach, cost_of(parameters, t), psa.seed, sizes) for t in trials]
    at = [_benefit(psa, offered, float(t)) for t in psa.thresholds]

    def highest_first(kept: Iterable[Known]) -> tuple[Known, ...]:
        return tuple(sorted(kept, key=lambda row: -row.worth.value if row.worth else np.inf))

    return Research(
        currency=parameters.text("currency"),
        price_year=parameters.text("price_year"),
        threshold=threshold,
        draws=psa.draws,
        seed=psa.seed,
        options={key: parameters.strategies[key].label for key in offered},
        best=offered[int(benefit.mean(axis=0).argmax())],
        everything=everything,
        shared=shared,
        thresholds=tuple(psa.thresholds.tolist()),
        everything_at=tuple(float(b.max(axis=1).mean() - b.mean(axis=0).max()) for b in at),
        inputs=highest_first(row for row in rows if not is_setting(parameters, row.name)),
        settings=highest_first(row for row in rows if is_setting(parameters, row.name)),
        groups=highest_first(groups),
        trials=tuple(found),
        reach=reach,
        left_out=tuple(left_out),
    )


def check_pair(parameters: ParameterSet, pair: Sequence[str]) -> None:
    """Refuse a pair that is not two different strategies of the case.

    Raises
    ------
    AnalysisError
        It is not.
    """
    from econmodel.uncertainty.deterministic import ask

    if len(pair) == 1:
        what = "a choice is between two: give both --strategy and --against, or neither for all strategies"
        raise AnalysisError(what, where="--strategy, --against", fix="add the other")
    if pair:
        ask(parameters, *pair)


def _benefit(psa: Psa, keys: Sequence[str], threshold: float) -> FloatArray:
    """Net benefit of some strategies: (draw, option)."""
    at = [psa.keys.index(key) for key in keys]
    return np.stack([threshold * psa.column("qalys", s) - psa.column("cost", s) for s in at], axis=1)


def is_setting(parameters: ParameterSet, name: str) -> bool:
    """Whether an input is a setting drawn by weights."""
    return parameters[name].distribution.family == "categorical"


def as_column(p: Parameter, drawn: FloatArray) -> Column:
    """Draws of an input as numbers, or as places of a setting's choices."""
    return drawn.astype(np.int64) if p.weights else drawn


def informing(parameters: ParameterSet, values: Mapping[str, FloatArray]) -> dict[str, list[Column]]:
    """What could be known, by name: each uncertain input's draws, one column or one a share; those that follow are left out."""
    found: dict[str, list[Column]] = {}
    for name, p in parameters.parameters.items():
        if p.is_uncertain and name in values:
            drawn = values[name]
            found[name] = list(drawn.T) if drawn.ndim == 2 else [as_column(p, drawn)]
    return found


def group_of(name: str) -> str:
    """Group of an input.

    Examples
    --------
    >>> group_of("hr_coil_vs_glue"), group_of("b_child"), group_of("own_input")
    ('Effect of the coil', 'Untreated bleeding, level and course', 'Everything else')
    """
    return next((group for group, starts in GROUPS.items() if name.startswith(starts)), OTHERS)


def under(p: Parameter, drawn: Container[str]) -> tuple[str, ...]:
    """Settings, of those drawn, without one choice of which an input moves nothing: its worth is asked together with theirs."""
    return tuple(setting for setting in p.acts_where if setting in drawn)


def _known(
    parameters: ParameterSet, benefit: FloatArray, columns: Mapping[str, Sequence[Column]], seed: int
) -> tuple[ValueOfKnowing, list[Known], list[Known]]:
    """Value of knowing everything, each input, and each group."""
    grouped: dict[str, list[str]] = {}
    for name in columns:
        grouped.setdefault(SETTINGS if is_setting(parameters, name) else group_of(name), []).append(name)
    alone = [
        [*known, *(c for setting in under(parameters[name], columns) for c in columns[setting])] for name, known in columns.items()
    ]
    together = [[c for name in names for c in columns[name]] for names in grouped.values()]
    with ThreadPoolExecutor(cpu_count() or 1) as pool:
        chosen = list(pool.map(partial(choose_knowing, benefit), [*alone, *together]))
    everything, *found = appraise(benefit, [benefit.argmax(axis=1), *(c for c in chosen if c is not None)], seed)
    known = iter(found)
    worths = [None if c is None else next(known) for c in chosen]
    labels = {
        name: "; with ".join(
            [parameters[name].label, *(lower(parameters[setting].label) for setting in under(parameters[name], columns))]
        )
        for name in columns
    }
    singles = [Known(name, labels[name], parameters[name].status, worth) for name, worth in zip(columns, worths, strict=False)]
    rest = zip(grouped.items(), worths[len(columns) :], strict=True)
    return everything, singles, [Known(group, group, "", worth, tuple(names)) for (group, names), worth in rest]


def _shared(
    parameters: ParameterSet, benefit: FloatArray, columns: Mapping[str, Sequence[Column]], rows: Sequence[Known], seed: int
) -> ValueOfKnowing:
    """Value of knowing together the numbers that tell most alone and always act, all but the level of this setting."""
    alone = [row for row in rows if row.name not in LEVEL and not under(parameters[row.name], columns)]
    told = [row for row in alone if row.worth and columns[row.name][0].dtype.kind == "f"]
    first = sorted(told, key=lambda row: -row.worth.value if row.worth else 0.0)[:CURVES_UP_TO]
    chosen = choose_knowing(benefit, [c for row in first for c in columns[row.name][:1]])
    assert chosen is not None
    return appraise(benefit, [chosen], seed)[0]


def cost_of(parameters: ParameterSet, trial: Trial) -> Cost:
    """Cost of a study at its prices: base, low and high of their ranges."""

    def three(name: str) -> tuple[float, float, float]:
        value, spread = parameters.number(name), parameters[name].range
        return (value, spread.low, spread.high) if spread else (value, value, value)

    return Cost(three(trial.cost_fixed), three(trial.cost_per_patient))


class Watched:
    """What patients of a case have by the end of a study; studies of one place and length are watched together."""

    def __init__(self, psa: Psa, values: Mapping[str, FloatArray], trials: Iterable[Trial]) -> None:
        self.psa, self.values = psa, values
        self._together: dict[tuple[str, int], dict[str, None]] = {}
        self._seen: dict[tuple[str, int], tuple[dict[str, FloatArray], dict[str, FloatArray]]] = {}
        for trial in trials:
            if not trial.by_protocol:
                self._together.setdefault((trial.place, trial.follow_up_years), {}).update(dict.fromkeys(trial.strategies))

    def events(self, trial: Trial) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
        """Events per patient in each arm by outcome: in every draw (draw, arm), and at the base values (arm,)."""
        where = (trial.place, trial.follow_up_years)
        keys = list(self._together[where])
        if where not in self._seen:
            self._seen[where] = self.seen(with_strategies(self.psa.parameters, keys), self.values, trial)
        columns = [keys.index(key) for key in trial.strategies]
        every, base = self._seen[where]
        return {o: every[o][:, columns] for o in trial.outcomes}, {o: base[o][columns] for o in trial.outcomes}

    def seen(
        self, parameters: ParameterSet, values: Mapping[str, FloatArray], trial: Trial
    ) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
        """Every outcome where and as long as a study watches, of all strategies of a case."""
        there = elsewhere(parameters, values, stream(self.psa.seed, "place of a study")) if trial.place == "elsewhere" else values
        base = event_chances(parameters, base_values(parameters), trial.follow_up_years)
        return event_chances(parameters, there, trial.follow_up_years), {name: chance[0] for name, chance in base.items()}


def play(trial: Trial, watched: Watched, benefit: FloatArray, offered: Sequence[str]) -> Played:
    """Set a study on a case: what is chosen, and what each arm would see in every draw."""
    psa, options, arms = watched.psa, tuple(offered), trial_arms(watched.psa.parameters, trial)
    if trial.by_protocol:
        run = run_psa(arms, psa.draws, seed=psa.seed, sobol=psa.sobol)
        options = run.keys
        benefit = _benefit(run, options, run.parameters.need_threshold(WORTH))
        every, base = watched.seen(arms, sample(arms, psa.draws, seed=psa.seed, sobol=psa.sobol), trial)
    else:
        every, base = watched.events(trial)
    means = benefit.mean(axis=0)
    treated = {key: m for key, m in zip(options, means.tolist(), strict=True)}
    forgone = [means.max() - treated.get(key, means.max()) for key in arms.strategies] if len(arms.strategies) > 1 else [0.0]
    labels = tuple(row.label for row in arms.strategies.values())
    return Played(trial, options, labels, benefit, every, base, np.array(forgone))


def trial_arms(parameters: ParameterSet, trial: Trial) -> ParameterSet:
    """Case whose strategies are the arms of a study; where follow-up is compared, the effect is a process."""
    if not trial.by_protocol:
        return with_strategies(parameters, trial.strategies)
    rows = {}
    for arm in trial.arms:
        row, protocol = parameters.strategies[arm.strategy], parameters.protocols[arm.protocol]
        rows[arm.protocol] = replace(row, key=arm.protocol, label=protocol.label, surveillance=protocol.surveillance)
    return replace(choose(parameters, {"effect_basis": PROCESS}), strategies=rows)


def with_strategies(parameters: ParameterSet, keys: Iterable[str]) -> ParameterSet:
    """Case with some of its strategies."""
    return replace(parameters, strategies={key: parameters.strategies[key] for key in keys})


def elsewhere(parameters: ParameterSet, values: Mapping[str, FloatArray], rng: np.random.Generator) -> dict[str, FloatArray]:
    """Draws in another setting: its untreated risk deviates from the mean of settings on its own, all else is shared."""
    structures, draws = structures_of(parameters), len(next(iter(values.values())))
    drawn = [name for name in structures.deriving if name in values]
    return gather_each(
        (rows, _elsewhere(structures.choose(choices), {name: array[rows] for name, array in values.items()}, rng))
        for choices, rows in groups(parameters, drawn, values, draws)
    )


def _elsewhere(parameters: ParameterSet, values: dict[str, FloatArray], rng: np.random.Generator) -> dict[str, FloatArray]:
    """The same for draws of one structure, in which the deviation has one spread."""
    drawn = next((n for n in LEVEL if n in parameters.parameters and parameters[n].is_uncertain), None)
    if drawn is None:
        return values
    moved = values | {drawn: rng.permutation(values[drawn])}
    follow = [n for n in LEVEL[: LEVEL.index(drawn)] if parameters[n].follows_draws]
    reset = {n: np.full_like(values[n], parameters.number(n)) for n in follow}
    followed = follow_draws(parameters, moved | reset)
    return moved | {n: followed[n] for n in follow}


def event_chances(parameters: ParameterSet, values: Mapping[str, FloatArray], years: int) -> dict[str, FloatArray]:
    """Events per patient by the end of follow-up, death competing: by outcome, (draw, strategy)."""
    return gather_each(
        (part.rows, _chances(part.parameters, part.values, years)) for part in structures_of(parameters).parts(values, BLOCK)
    )


def _chances(parameters: ParameterSet, values: Mapping[str, FloatArray], years: int) -> dict[str, FloatArray]:
    found = follow(resolve(parameters, values), lambda inputs: run_disease(inputs, (0,) * years))
    counts = build_activity(parameters, values, found.inputs, found.sums, (years,), weightings=[0])
    started = np.array([row.starts_in == "in_course" for row in parameters.strategies.values()], dtype=float)
    total = {name: counts.total(name)[:, :, 0] for name in ("first_bleeds", *DEATHS, "courses")}
    chances = {
        "first_bleeds": total["first_bleeds"],
        "deaths": np.asarray(sum(total[name] for name in DEATHS)),
        "retreatments": total["courses"] - started,
    }
    # Rounded, or the last digit of a chance, which differs with the size of a block, could show in what is played.
    return {outcome: np.round(chance, DIGITS) for outcome, chance in chances.items()}
