"""What a start asks first, by list: written into ``ask`` of each country file by ``python tests/golden/asked.py``.

Each input with a question, neither local nor published, is taken from low to high, one at a time. Its rank is the larger of two
swings, of five-year cash and of net benefit against usual care, each divided by the largest of its kind.
"""

from __future__ import annotations

import re

import numpy as np

from econmodel.economics.lead import find_subjects
from econmodel.package import params_folder
from econmodel.parameters.countries import BASES
from econmodel.parameters.loading import load_base_case
from econmodel.programme.fetch import KNOWN
from econmodel.programme.flips import Asker, _decisions
from econmodel.reporting.form.questions import questions
from econmodel.uncertainty.deterministic import varying

FIRST, NEXT, DEFINES_CASH = 12, 10, "n_budget_years"


def ask_first(code: str) -> list[str]:
    """Names of the inputs that decide most, the widest first: the twelve to ask, and the ten after them."""
    parameters = load_base_case(code)
    asked = {a.question.name for rows in questions(parameters).values() for a in rows if a.question.item is None}
    chosen = [
        p for p in varying(parameters) if p.name in asked and p.status not in KNOWN and not p.follows_draws and p.name != DEFINES_CASH
    ]
    subjects = find_subjects(parameters)
    asker = Asker(parameters.evidence_held(), subjects, tuple(_decisions(parameters, subjects)))
    worth = asker.ask([{p.name: end} for p in chosen if p.range for end in (p.range.low, p.range.high)])
    swings = [np.nan_to_num(np.abs(worth[::2, column] - worth[1::2, column])) for column in (0, len(asker.decisions) - 1)]
    score = np.max([swing / swing.max() for swing in swings], axis=0)
    return [chosen[i].name for i in np.argsort(-score, kind="stable")[: FIRST + NEXT]]


def with_asked(text: str, names: list[str]) -> str:
    """Text of a country file with its line ``ask``."""
    return re.sub(r"(?m)^ask = .*$", f"ask = [{', '.join(f'{chr(34)}{name}{chr(34)}' for name in names)}]", text)


if __name__ == "__main__":
    for code in BASES:
        path = params_folder() / "countries" / f"{code}.toml"
        path.write_text(with_asked(path.read_text(encoding="utf-8"), ask_first(code)), encoding="utf-8")
