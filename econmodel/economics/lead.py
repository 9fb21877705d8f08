"""Whom a case is about: the lead strategy, usual care beside it, and the next strategy of the lead's route.

They are found once, on the deterministic base run, so that draws, structures, sliders and swept values never change the
subject of a paper. Every table, picture, sentence and page takes them from here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import WATCH, StrategyRow
from econmodel.records import record

SAME_SHARE = 1e-9
BY_RULE = "by_rule"
DRUG = "drug"


@record
class Subjects:
    """The strategy that papers follow, what patients get otherwise, and a sentence where that is not the setting's choice."""

    lead: str
    usual_care: str
    note: str = ""

    @property
    def comparators(self) -> tuple[str, ...]:
        """Usual care, then no prophylaxis."""
        return tuple(dict.fromkeys((self.usual_care, WATCH)))


def find_subjects(parameters: ParameterSet, evaluation: Evaluation | None = None) -> Subjects:
    """Find the lead strategy and usual care.

    The lead is the one the setting ``lead`` names; else the one that gains most share from the current to the proposed mix;
    else, where no mix changes, the best value (highest net monetary benefit over the horizon; without a threshold, fewest
    bleeds) of those that start with a course of treatment. Usual care is the setting's; else the strategy most patients get
    today. Ties go to the first in the file.

    Parameters
    ----------
    parameters
        The case.
    evaluation
        Its base run, of one draw; evaluated here when it is needed and not given.
    """
    lead = _lead(parameters, evaluation)
    wanted = parameters.text("usual_care")
    if wanted in parameters.strategies and wanted != lead:
        return Subjects(lead, wanted)
    today = _shares(parameters, "current_mix")
    others = [key for key in parameters.strategies if key not in (lead, WATCH) and today.get(key, 0.0) > 0]
    usual = _most({key: today[key] for key in others}) if others else WATCH
    why = "is the lead strategy here" if wanted == lead else f"is not a strategy of this case ({wanted})"
    what = "what most patients get today" if others else "no prophylaxis"
    return Subjects(lead, usual, f"The usual care that the setting names {why}; {what} stands in its place.")


def route(row: StrategyRow) -> str:
    """How a strategy reaches the varix: its kind of session, or as a drug; empty where it does not."""
    return row.session or (DRUG if row.drug else "")


def next_of_route(parameters: ParameterSet, lead: str, evaluation: Evaluation | None = None) -> str:
    """Find the best value (as for the lead) of the other strategies of the lead's route; empty where there is none."""
    rows = parameters.strategies
    others = [key for key, row in rows.items() if key != lead and route(row) and route(row) == route(rows[lead])]
    return _best_value(others, parameters, evaluation) if others else ""


def _lead(parameters: ParameterSet, evaluation: Evaluation | None) -> str:
    named = parameters.text("lead")
    if named in parameters.strategies:
        return named
    today, proposed = (_shares(parameters, name) for name in ("current_mix", "proposed_mix"))
    active = [key for key in parameters.strategies if key != WATCH]
    gains = {key: proposed.get(key, 0.0) - today.get(key, 0.0) for key in active}
    if gains and max(gains.values()) > SAME_SHARE:
        return _most(gains)
    courses = [key for key in active if parameters.strategies[key].starts_in == "in_course"]
    choice = courses or [key for key in active if key != parameters.text("usual_care")] or active or list(parameters.strategies)
    return _best_value(choice, parameters, evaluation)


def _best_value(keys: Sequence[str], parameters: ParameterSet, evaluation: Evaluation | None) -> str:
    if len(keys) == 1:
        return keys[0]
    e = evaluation or evaluate(parameters, yearly=False, by_group=False)
    threshold = parameters.threshold
    benefit = -e.bleeds() if threshold is None else e.net_benefit(threshold)
    return max(keys, key=lambda key: float(benefit[0, e.index(key), 0]))


def _most(shares: Mapping[str, float]) -> str:
    """Key of the largest share, the first of equals."""
    largest = max(shares.values())
    return next(key for key, share in shares.items() if share >= largest - SAME_SHARE)


def _shares(parameters: ParameterSet, mix: str) -> dict[str, float]:
    if mix not in parameters.parameters:
        return {}
    return {str(row["strategy"]): float(row["share"]) for row in parameters.rows(mix)}
