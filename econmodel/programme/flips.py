"""What turns the decision: every input, choice and scenario that, by itself and within its range, changes an answer.

Five questions are asked at every point, on the base structure: net benefit of the lead strategy against usual care and
against no prophylaxis (above 0 or not), the best value of all strategies, whether the lead saves against each comparator
over the headline years and over the time horizon, and whether the programme's net present value in cash is above 0.
Without a threshold for a QALY the questions of net benefit are not asked. An input is looked at in nine points of its range;
every change between two of them is closed in on. Effects stay calibrated on the evidence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import MonthlyProfiles, run_by_month
from econmodel.economics.comparison import Comparison
from econmodel.economics.evaluate import Evaluation, evaluate, run_totals
from econmodel.economics.lead import Subjects, find_subjects
from econmodel.economics.patients import Followed, follow, follow_moving, moves_patients, strategies_at
from econmodel.errors import EconModelError
from econmodel.model.inputs import ModelInputs, Values, base_values, resolve
from econmodel.parameters.documents import Document, read_document
from econmodel.parameters.overrides import set_value
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.sampling import sample
from econmodel.parameters.schema import THRESHOLD, WATCH, Parameter
from econmodel.parameters.structures import INPUTS_ONLY
from econmodel.programme.after_bleed import profiles_of
from econmodel.programme.inputs import input_kinds
from econmodel.programme.planned import budget_of, in_the_mix, years_of
from econmodel.records import record
from econmodel.uncertainty.deterministic import SETTINGS, STEPPED, Change, by_setting, points_in_range, possible, varied, varying
from econmodel.uncertainty.held_certain import NOT_FACTS
from econmodel.uncertainty.probabilistic import Psa, block_size, in_order
from econmodel.uncertainty.risk import as_good_as
from econmodel.uncertainty.scenarios import BASE, scenario_files, under_scenario
from econmodel.wording import choice_words, duration, lower, plain_number

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
POINTS, CLOSE, CHANCES = 9, 1e-4, 4000
MOST_SAID, LEAST_SAID = 5, 0.005
NO_ANSWER = NOT_ASKED = -1
SOON = "_headline"
SAME_PLACE = 6  # decimals of a distance: two answers that turn together keep the order of the questions
PARTS = ("care", "money")
WORTH, COST, CASH = ("worth its price", "not worth its price"), ("saves", "costs more"), ("above 0", "below 0")
WHOLE = frozenset(name for name, kind in input_kinds().items() if kind == "whole")
APART = WHOLE | frozenset(SETTINGS)
COUNTED_BY = frozenset(SETTINGS) - {THRESHOLD}
MANY_MONTHS = 3  # times as few draws at once where patients are followed by month, to keep their sums in the cache
MONEY_ALONE = frozenset(input_kinds()) - {"n_stay_days"}
CARE_ALONE = frozenset({"discount_costs", "discount_outcomes", THRESHOLD})


@record
class Decision:
    """One question with its possible answers; the ``key`` is ``benefit``, ``best``, ``cost`` or ``cash``, and about what."""

    key: str
    label: str
    answers: tuple[str, ...]


@record
class Flip:
    """One change of one answer.

    ``value`` is where it turns: a number of an input, or the choice or scenario. ``chance`` is the probability that the
    input's own distribution puts beyond it, None where it is held certain; ``distance`` that from the present value, in half ranges.
    """

    decision: str
    decision_label: str
    name: str
    label: str
    unit: str
    status: str
    value: float | str
    base: float | str
    low: float | None
    high: float | None
    now: str
    then: str
    chance: float | None
    distance: float

    @property
    def turn(self) -> str:
        """Say what turns it, where, and how likely that is."""
        if isinstance(self.base, str):
            return f"{self.label.removesuffix('.')!r}"
        chance = self.likely if self.chance is None else f"chance {self.likely}"
        return f"{lower(self.label.split(' (')[0])} {self.where} {self.unit} (now {plain_number(self.base)}, {chance})"

    @property
    def where(self) -> str:
        """Side and value at which it turns; or the choice."""
        if isinstance(self.value, str) or isinstance(self.base, str):
            return choice_words(str(self.value))
        return f"{'above' if self.value > self.base else 'below'} {plain_number(self.value)}"

    @property
    def likely(self) -> str:
        """Chance in words."""
        return "held certain" if self.chance is None else "under 1%" if self.chance < LEAST_SAID else f"{self.chance:.0%}"


@record
class FlipList:
    """What turns each answer, the likeliest first, what the answers are now, and notes to read first."""

    lead: str
    decisions: tuple[Decision, ...]
    now: Mapping[str, str]
    flips: tuple[Flip, ...]
    looked_at: int
    notes: tuple[str, ...] = ()

    def sentence(self, key: str, most: int) -> str:
        """Say what one answer is, and the likeliest things that turn it."""
        flips = [flip for flip in self.flips if flip.decision == key]
        label = next(d.label for d in self.decisions if d.key == key)
        start = f"{label}: {self.now[key]}"
        if not flips:
            return f"{start}; nothing within its range turns it."
        turns = "; ".join(f"“{flip.then}” with {flip.turn}" for flip in flips[:most])
        more = f"; and {len(flips) - most} more" if len(flips) > most else ""
        return f"{start}. It becomes {turns}{more}."

    @property
    def sentences(self) -> list[str]:
        """One sentence for each decision."""
        return [*self.notes, *(self.sentence(d.key, MOST_SAID) for d in self.decisions)]

    @property
    def first_of_each(self) -> list[str]:
        """What turns value against each comparator first (cost where no threshold tells value), and cash: what something turns."""
        turned, valued = {flip.decision for flip in self.flips}, any(d.answers == WORTH for d in self.decisions)
        first = [d.key for d in self.decisions if d.answers in (WORTH, CASH) or (not valued and d.key.endswith(SOON))]
        return [self.sentence(key, 1) for key in first if key in turned]

    def to_json(self) -> dict[str, Any]:
        """Give the list for JSON."""
        return {
            "decisions": [asdict(d) | {"now": self.now[d.key]} for d in self.decisions],
            "inputs_looked_at": self.looked_at,
            "notes": list(self.notes),
            "flips": [asdict(flip) | {"distance": None if np.isinf(flip.distance) else flip.distance} for flip in self.flips],
        }


@record
class Asker:
    """Who answers: the case, and whom it is about."""

    parameters: ParameterSet
    subjects: Subjects
    decisions: tuple[Decision, ...]

    @cached_property
    def patients(self) -> Followed:
        """Patients of the base values."""
        return follow(resolve(self.parameters), run_totals(self.parameters, yearly=False))

    @cached_property
    def died(self) -> FloatArray:
        """Share of their bleed admissions without prophylaxis that end in death: (1,)."""
        return evaluate(self.parameters, yearly=False, by_group=False, followed=self.patients).died

    @cached_property
    def by_month(self) -> dict[int, Followed]:
        """Those of the programme by month, by the years that they are followed: as many as were asked."""
        return {}

    def profiles(self, mix: ParameterSet, values: Values, some: _Some) -> MonthlyProfiles:
        """Activity per start by month, as long as a budget needs."""
        years = years_of(mix)
        run = run_by_month(years)
        places = [place for place, key in enumerate(self.parameters.strategies) if key in mix.strategies]
        if years not in self.by_month:
            self.by_month[years] = follow(strategies_at(self.patients.inputs, slice(None), places), run)
        moving = [key for key in some.moving if key in mix.strategies]
        found = follow_moving(strategies_at(some.inputs, slice(None), places), run, self.by_month[years], moving) if moving else None
        return profiles_of(mix, years, values, found or self.by_month[years])

    def worth(self, parameters: ParameterSet, values: Values, parts: Sequence[str] = PARTS, some: _Some | None = None) -> FloatArray:
        """What each answer hangs on, above 0 or not, then the net benefit of each strategy: (row, decision + strategy).

        NaN where the model refuses the values, or was not asked. Of ``some`` only the patients that move are run.
        """
        rows, n = len(next(iter(values.values()))), len(self.decisions)
        found = np.full((rows, n + len(parameters.strategies)), np.nan)
        died = self.died if some and WATCH not in some.moving else None
        try:
            if "care" in parts:
                run = run_totals(parameters, yearly=False)
                followed = follow_moving(some.inputs, run, self.patients, some.moving) if some else None
                e = evaluate(parameters, values, yearly=False, by_group=False, followed=followed)
                found[:, : n - 1], died = self._of(e), e.died
                if (threshold := parameters.threshold) is not None:
                    found[:, n:] = e.net_benefit(threshold)[:, :, 0]
            if "money" in parts:
                mix = in_the_mix(parameters)
                found[:, n - 1] = budget_of(
                    mix, values, died=died, profiles=self.profiles(mix, values, some) if some else None
                ).npv_cash
        except EconModelError:
            if rows > 1:
                halves = np.array_split(np.arange(rows), 2)
                return np.concatenate([self.worth(parameters, _rows(values, h), parts, some and some.rows(h)) for h in halves])
            found[:] = np.nan
        return found

    def _of(self, e: Evaluation) -> FloatArray:
        lead = self.subjects.lead
        worths = care_worths(self.subjects.comparators, lambda v, h: e.compare(lead, v, e.headline if h else None))
        if self.best != NOT_ASKED:
            worths.insert(self.best, np.zeros(len(worths[0])))  # told by the strategies' own columns
        return np.stack(worths, axis=1)

    @property
    def best(self) -> int:
        """Place of the question which strategy is best; :data:`NOT_ASKED` without a threshold."""
        return next((i for i, d in enumerate(self.decisions) if d.key == "best"), NOT_ASKED)

    def answers(self, worth: FloatArray) -> IntArray:
        """Answer to each question: (row, decision); :data:`NO_ANSWER` where there is none."""
        n = len(self.decisions)
        found = np.where(worth[:, :n] > 0, 0, 1)
        if self.best != NOT_ASKED:
            found[:, self.best] = worth[:, n:].argmax(axis=1)
        found[np.isnan(worth[:, :n])] = NO_ANSWER
        return found

    def margin(self, worth: FloatArray, decision: IntArray, answer: IntArray) -> FloatArray:
        """By how much an answer to a question is the one asked about: (row,); below 0 where the model refuses."""
        own, benefit = worth[np.arange(len(worth)), decision], worth[:, len(self.decisions) :].copy()
        place = np.where(decision == self.best, answer, 0)[:, None]
        chosen = np.take_along_axis(benefit, place, axis=1)[:, 0]
        np.put_along_axis(benefit, place, -np.inf, axis=1)
        found = np.where(decision == self.best, chosen - benefit.max(axis=1), np.where(answer == 0, own, -own))
        return np.where(np.isnan(found), -1.0, found)

    def ask(self, changes: Sequence[Change], needed: Sequence[Sequence[str]] | None = None) -> FloatArray:
        """What each answer hangs on under sets of changes to the base values: (change, ...), as :meth:`worth`."""
        found = np.full((len(changes), len(self.decisions) + len(self.parameters.strategies)), np.nan)
        asked: dict[Sequence[str], list[int]] = {}
        for i, change in enumerate(changes):
            asked.setdefault(needed[i] if needed else _parts(change), []).append(i)
        values = varied(self.parameters, [{n: x for n, x in change.items() if n not in APART} for change in changes])
        base = base_values(self.parameters)
        still = np.all([values[name] == base[name] for name in base.keys() - MONEY_ALONE], axis=0)
        for parts, places in asked.items():
            for parameters, some, _ in by_setting(self.parameters, [changes[i] for i in places], APART):
                rows = np.array(places)[some]
                own = {name: np.full(len(rows), parameters.number(name)) for name in changes[rows[0]].keys() & APART}
                found[rows] = self._batch(parameters, _rows(values, rows) | own, parts, still[rows])
        return found

    def ask_cases(self, cases: Sequence[ParameterSet]) -> FloatArray:
        """What each answer hangs on in other cases of the same strategies, those alike but for numbers together: (case, ...)."""
        found = np.full((len(cases), len(self.decisions) + len(self.parameters.strategies)), np.nan)
        alike: list[tuple[tuple[Any, ...], list[int]]] = []
        values = [base_values(case) for case in cases]
        for i, case in enumerate(cases):
            key = (values[i].keys(), case.strategies, case.secondary, self._settings(case))
            places = next((places for other, places in alike if other == key), None)
            if places is None:
                alike.append((key, [i]))
            else:
                places.append(i)
        for _, places in alike:
            together = {name: np.concatenate([values[i][name] for i in places]) for name in values[places[0]]}
            found[places] = self._batch(cases[places[0]], together, PARTS, np.zeros(len(places), dtype=bool))
        return found

    def _settings(self, case: ParameterSet) -> dict[str, Any]:
        """What a case has changed that draws do not hold, and code asks for."""
        return {
            name: (p.value, p.table)
            for name, p in case.parameters.items()
            if p is not self.parameters.parameters.get(name)
            and (name in APART or not isinstance(p.value, float))
            and name not in INPUTS_ONLY
        }

    def _batch(self, parameters: ParameterSet, values: dict[str, FloatArray], parts: Sequence[str], still: BoolArray) -> FloatArray:
        """What each answer hangs on, row by row: those together whose patients move alike; no ``still`` row's do."""
        good = possible(parameters, values)
        found = np.full((len(good), len(self.decisions) + len(parameters.strategies)), np.nan)
        size, threads = block_size(parameters, len(good))
        work = partial(self._piece, parameters, values, parts)
        pieces = self._pieces(parameters, values, (np.flatnonzero(good & ~still), np.flatnonzero(good & still)), size)
        for rows, worth in in_order(work, pieces, threads):
            found[rows] = worth
        return found

    def _piece(
        self, parameters: ParameterSet, values: dict[str, FloatArray], parts: Sequence[str], piece: tuple[IntArray, _Some | None]
    ) -> tuple[IntArray, FloatArray]:
        rows, some = piece
        return rows, self.worth(parameters, _rows(values, rows), parts, some)

    def _pieces(
        self, parameters: ParameterSet, values: dict[str, FloatArray], places: tuple[IntArray, IntArray], size: int
    ) -> Iterator[tuple[IntArray, _Some | None]]:
        """Rows to ask together, and whose patients move there; None where base values tell nothing of them."""
        kept = all(parameters[name].value == self.parameters[name].value for name in COUNTED_BY)
        mixes = [in_the_mix(case).strategies.keys() for case in (parameters, self.parameters)]
        if not kept or mixes[0] != mixes[1]:
            yield from ((part, None) for rows in places for part in _parted(rows, size))
            return
        yield from ((part, _Some(self.patients.inputs, ())) for part in _parted(places[1], size))
        for part, inputs in self._resolved(parameters, values, places[0]):
            moved = moves_patients(inputs, self.patients.inputs)
            for pattern in np.unique(moved, axis=0):
                moving = tuple(key for key, moves in zip(parameters.strategies, pattern, strict=True) if moves)
                alike = _parted(np.flatnonzero((moved == pattern).all(axis=1)), size // MANY_MONTHS if moving else size)
                yield from ((part[some], _Some(inputs, moving).rows(some)) for some in alike)

    def _resolved(
        self, parameters: ParameterSet, values: dict[str, FloatArray], rows: IntArray
    ) -> Iterator[tuple[IntArray, ModelInputs]]:
        """Rows with the model's inputs, without those that it refuses."""
        if not rows.size:
            return
        try:
            yield rows, resolve(parameters, _rows(values, rows))
        except EconModelError:
            for half in np.array_split(rows, 2) if len(rows) > 1 else ():
                yield from self._resolved(parameters, values, half)


@record
class _Some:
    """Rows asked together: what patients are run on, and the strategies whose patients are not those of the base values."""

    inputs: ModelInputs
    moving: tuple[str, ...]

    def rows(self, places: IntArray) -> _Some:
        """Some of them; of patients that do not move nothing is asked."""
        return (
            self
            if not self.moving
            else replace(self, inputs=strategies_at(self.inputs, places, range(len(self.inputs.strategies.keys))))
        )


def _rows(values: Values, rows: IntArray) -> dict[str, FloatArray]:
    return {name: column[rows] for name, column in values.items()}


def _parted(rows: IntArray, size: int) -> list[IntArray]:
    return np.split(rows, range(size, len(rows), size)) if rows.size else []


def _parts(change: Change) -> Sequence[str]:
    """Whom a change can concern: the programme's money alone, the patient's side alone, or both."""
    if change and change.keys() <= MONEY_ALONE:
        return PARTS[1:]
    return PARTS[:1] if change and change.keys() <= CARE_ALONE else PARTS


def care_worths(comparators: Sequence[str], compare: Callable[[str, bool], Comparison[Any]]) -> list[FloatArray]:
    """What the answers on value (none without a threshold), then on cost, hang on, each (row,).

    ``compare`` gives the lead against a comparator, over the headline years or the horizon.
    """
    whole = {versus: compare(versus, False) for versus in comparators}
    costs = [-x.incremental_cost for versus, found in whole.items() for x in (compare(versus, True), found)]
    benefits = (found.net_monetary_benefit for found in whole.values())
    return [np.atleast_1d(x) for x in (*benefits, *costs) if x is not None]


def find_flips(parameters: ParameterSet) -> FlipList:
    """List what turns each decision of a case, the likeliest first; one of them is the programme's, of patients who have not bled."""
    parameters.need_never_bled("what turns each decision")
    held, subjects = parameters.evidence_held(), find_subjects(parameters)
    asker = Asker(held, subjects, tuple(_decisions(parameters, subjects)))
    now = asker.answers(asker.ask([{}]))[0]
    chosen = varying(parameters)
    drawn = sample(parameters, CHANCES, seed=int(parameters.number("seed")))
    flips = [*_by_number(asker, now, chosen, drawn), *_by_case(asker, now, [*_by_choice(asker), *_by_scenario(asker)])]
    said = {d.key: d.answers[answer] for d, answer in zip(asker.decisions, now, strict=True)}
    order = sorted(flips, key=lambda flip: (1.0 if flip.chance is None else -flip.chance, round(flip.distance, SAME_PLACE)))
    return FlipList(subjects.lead, asker.decisions, said, tuple(order), len(chosen))


def beside_draws(found: FlipList, psa: Psa) -> FlipList:
    """Say where the answer expected over the draws is another one, and drop changes between options as good as each other.

    Two options are as good as each other where the mean difference of their net benefits is below 1.96 standard errors, or
    below 2% of its standard deviation.
    """
    benefit = np.zeros((psa.draws, 1)) if psa.threshold is None else psa.net_benefit(psa.threshold)
    comparators = [d.key.removeprefix("cost_").removesuffix(SOON) for d in found.decisions if d.key.endswith(SOON)]
    worths = iter(care_worths(comparators, lambda v, h: psa.compare(found.lead, v, headline=h).mean()))
    best = int(benefit.mean(axis=0).argmax())
    said = {d.key: d.answers[best if d.key == "best" else int(next(worths)[0] <= 0)] for d in found.decisions if d.answers != CASH}
    notes = tuple(
        f"{d.label}: {found.now[d.key]} at the base values, {said[d.key]} on average over the draws."
        for d in found.decisions
        if said.get(d.key, found.now[d.key]) != found.now[d.key]
    )
    options = next((d.answers for d in found.decisions if d.key == "best"), ())
    place = {label: i for i, label in enumerate(options)}

    def alike(flip: Flip) -> bool:
        gap = benefit[:, place[flip.now]] - benefit[:, place[flip.then]]
        return as_good_as(gap)

    kept = [flip for flip in found.flips if flip.decision != "best" or not alike(flip)]
    now = found.now.get("best")
    equals = sorted({flip.then for flip in found.flips if flip.decision == "best" and flip.now == now and alike(flip)})
    if equals:
        notes += (f"As good as {now} over the draws, within their error: {', '.join(equals)}.",)
    return replace(found, flips=tuple(kept), notes=notes)


def _decisions(parameters: ParameterSet, subjects: Subjects) -> Iterator[Decision]:
    label = {key: lower(row.label) for key, row in parameters.strategies.items()}
    lead, comparators = parameters.strategies[subjects.lead].label, subjects.comparators
    span = duration(parameters.number("headline_years"))
    if parameters.threshold is not None:
        yield from (Decision(f"benefit_{v}", f"{lead} against {label[v]}, time horizon", WORTH) for v in comparators)
        yield Decision("best", "Best value of all strategies, time horizon", tuple(r.label for r in parameters.strategies.values()))
    for versus in comparators:
        for key, over in (("headline", span), ("lifetime", "time horizon")):
            yield Decision(f"cost_{versus}_{key}", f"{lead} against {label[versus]}, {over}", COST)
    years = duration(parameters.number("n_budget_years"))
    yield Decision("cash", f"Net present value of the programme in cash, {years}", CASH)


@record
class _Span:
    """Two neighbouring points of an input between which the answer to one question changes; ``at_low`` is its worth there."""

    input: Parameter
    decision: int
    low: float
    high: float
    below: int
    above: int
    at_low: FloatArray
    at_high: FloatArray

    @property
    def whole(self) -> bool:
        """Whether the input is a whole number."""
        return self.input.name in STEPPED | WHOLE


def _by_number(asker: Asker, now: IntArray, chosen: Sequence[Parameter], drawn: Values) -> Iterator[Flip]:
    grids = [points_in_range(p, POINTS) for p in chosen]
    worth = asker.ask([{p.name: float(x)} for p, grid in zip(chosen, grids, strict=True) for x in grid])
    spans = []
    for p, grid, there in zip(chosen, grids, np.split(worth, np.cumsum([len(g) for g in grids])[:-1]), strict=True):
        found = asker.answers(there)
        turned = (found[1:] != found[:-1]) & (found[1:] != NO_ANSWER) & (found[:-1] != NO_ANSWER)
        spans += [
            _Span(p, d, grid[i], grid[i + 1], found[i, d], found[i + 1, d], there[i], there[i + 1])
            for i, d in np.argwhere(turned).tolist()
        ]
    for s, value in zip(spans, _close_in(asker, spans), strict=True):
        p, asked = s.input, asker.decisions[s.decision]
        base = float(p.value or 0.0)
        near, far = (s.below, s.above) if value > base else (s.above, s.below)
        assert p.range is not None
        yield Flip(
            asked.key,
            asked.label,
            p.name,
            p.label,
            p.unit,
            p.status,
            value,
            base,
            p.range.low,
            p.range.high,
            asked.answers[near],
            asked.answers[far],
            _chance(p, drawn[p.name], value),
            2 * abs(value - base) / (p.range.high - p.range.low),
        )


def _close_in(asker: Asker, spans: Sequence[_Span]) -> list[float]:
    """Where each answer turns: bracketed as near as :data:`CLOSE` of the range, or to the first whole number beyond."""
    from scipy.optimize.elementwise import find_root

    low, high = (np.array([getattr(s, end) for s in spans]) for end in ("low", "high"))
    whole, which, below = (np.array([getattr(s, name) for s in spans], dtype=int) for name in ("whole", "decision", "below"))
    known = {(i, x): worth for i, s in enumerate(spans) for x, worth in ((s.low, s.at_low), (s.high, s.at_high))}

    def margin(share: FloatArray, places: FloatArray) -> FloatArray:
        """By how much the answer is the one below, at a share of the way from low to high."""
        of = places.astype(int)
        at = low[of] + share * (high - low)[of]
        asked = list(zip(of.tolist(), np.where(whole[of], np.floor(at), at).tolist(), strict=True))
        new = [key for key in dict.fromkeys(asked) if key not in known]
        parts = [PARTS[1:] if spans[i].decision == len(asker.decisions) - 1 else PARTS[:1] for i, _ in new]
        known.update(zip(new, asker.ask([{spans[i].input.name: x} for i, x in new], parts), strict=True))
        return asker.margin(np.stack([known[key] for key in asked]), which[of], below[of])

    if not spans:
        return []
    ends, every = (np.zeros(len(spans)), np.ones(len(spans))), np.arange(len(spans), dtype=float)
    found = find_root(margin, ends, args=(every,), tolerances={"xatol": CLOSE * (POINTS - 1) / 4})
    share = np.where(whole, found.bracket[1], found.x)
    return [float(value) for value in np.where(whole, np.floor(low + share * (high - low)), low + share * (high - low))]


def _chance(p: Parameter, drawn: FloatArray, value: float) -> float | None:
    """Share of the input's draws beyond a value, seen from its base."""
    if not np.ptp(drawn):
        return None
    return float(np.mean(drawn > value) if value > float(p.value or 0.0) else np.mean(drawn < value))


def _by_choice(asker: Asker) -> Iterator[_Case]:
    for p in asker.parameters.parameters.values():
        for choice in p.choices if p.name not in NOT_FACTS else ():
            if choice != p.value:
                other = set_value(asker.parameters, f"{p.name}={choice}")
                label = f"{p.label}: {choice_words(choice)}"
                yield _Case(other, p.name, label, p.status, choice, str(p.value), p.weights.get(choice))


def _by_scenario(asker: Asker) -> Iterator[_Case]:
    for path in scenario_files():
        document = read_document(path)
        if _is_choice(asker.parameters, document):
            continue  # it stands among the choices
        try:
            other = under_scenario(asker.parameters, document)
        except EconModelError:
            continue  # the table of scenarios says why
        yield _Case(other, path.stem, document.data["title"], "scenario", path.stem, BASE, None)


@record
class _Case:
    """Another case, as a choice or a scenario makes it, and how a flip tells of it."""

    parameters: ParameterSet
    name: str
    label: str
    status: str
    value: str
    base: str
    chance: float | None


def _is_choice(parameters: ParameterSet, document: Document) -> bool:
    """Whether a scenario does no more than make one choice of a setting."""
    changes = document.data.get("override", {})
    if len(changes) != 1 or "strategy" in document.data:
        return False
    ((name, change),) = changes.items()
    return name not in NOT_FACTS and change.get("value") in parameters[name].choices


def _by_case(asker: Asker, now: IntArray, cases: Sequence[_Case]) -> Iterator[Flip]:
    """Answers that another choice or scenario changes; none where the model refuses it."""
    answers = asker.answers(asker.ask_cases([case.parameters for case in cases]))
    for case, found in zip(cases, answers, strict=True):
        for d in np.flatnonzero((found != now) & (found != NO_ANSWER)):
            asked, about = asker.decisions[d], (case.name, case.label, "choice", case.status, case.value, case.base, None, None)
            said = asked.answers[now[d]], asked.answers[found[d]]
            yield Flip(asked.key, asked.label, *about, *said, case.chance, np.inf)
