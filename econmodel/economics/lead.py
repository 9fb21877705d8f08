"""Whom a case is about: the lead strategy, and usual care beside it.

Both are found once, on the deterministic base run, so that draws, structures, sliders and swept values never change the
subject of a paper. Every table, picture, sentence and page takes them from here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import WATCH
from econmodel.records import record

SAME_SHARE = 1e-9
BY_RULE = "by_rule"


@record
class Subjects:
    """The strategy that papers follow, what patients get otherwise, and a sentence where that is not the setting's choice."""

    lead: str
    usual_care: str
    note: str = ""


def find_subjects(parameters: ParameterSet, evaluation: Evaluation | None = None) -> Subjects:
    """Find the lead strategy and usual care.

    The lead is the one the setting ``lead`` names; else the one that gains most share from the current to the proposed mix;
    else, where no mix changes, the best value (highest net monetary benefit over the horizon) of those that start with a
    course of treatment. Usual care is the setting's; else the strategy most patients get today. Ties go to the first in
    the file.

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
    return choice[0] if len(choice) == 1 else _best_value(choice, evaluation or evaluate(parameters, yearly=False, by_group=False))


def _best_value(keys: Iterable[str], evaluation: Evaluation) -> str:
    benefit = evaluation.net_benefit(evaluation.parameters.number("willingness_to_pay"))[0, :, 0]
    return max(keys, key=lambda key: float(benefit[evaluation.index(key)]))


def _most(shares: Mapping[str, float]) -> str:
    """Key of the largest share, the first of equals."""
    largest = max(shares.values())
    return next(key for key, share in shares.items() if share >= largest - SAME_SHARE)


def _shares(parameters: ParameterSet, mix: str) -> dict[str, float]:
    if mix not in parameters.parameters:
        return {}
    return {str(row["strategy"]): float(row["share"]) for row in parameters.rows(mix)}
