"""What a paper for a board needs and no model knows, given by a hospital's file in ``[board]``, and its own options, ``[option.KEY]``.

A text that is not given is printed as a blank line, and counted.
The parts are those of the five-part business case that HM Treasury publishes as guidance (Guide to developing the project business
case, 2018): strategic, economic, commercial, financial and management.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from math import fsum, isfinite
from typing import Any

from econmodel.errors import EconModelError, ParameterError
from econmodel.parameters.quantities import read_cell
from econmodel.parameters.schema import Where
from econmodel.records import record
from econmodel.wording import nearest

LONGEST, TOLERANCE = 600, 1e-9
TITLE = {"sponsor": "Sponsor", "meeting": "Meeting", "version": "Version", "financial_year": "Financial year"}
STRATEGIC = {
    "strategic_fit": "How it fits the hospital's own plans",
    "need": "What patients lack today, and who says so",
    "constraints": "What it depends on and is bound by",
}
ECONOMIC = {
    "why_this_option": "Why this option, where the table ranks it behind",
    "other_options": "Options considered and not modelled",
}
COMMERCIAL = {
    "procurement": "How devices and equipment are bought",
    "payer_consent": "What payers have agreed to, in writing",
    "off_label_consent": "Who has agreed to use outside the label",
}
FINANCIAL = {
    "funding_source": "Funding source",
    "affordability": "How a shortfall of cash is met",
    "accounting": "How equipment is accounted for",
}
MANAGEMENT = {
    "clinical_owner": "Clinical owner",
    "finance_owner": "Finance owner",
    "operational_owner": "Operational owner",
    "risk_owner": "Owner of the risks",
    "benefit_measure": "How bleeds are counted, by whom, from which date",
    "milestones": "Milestones with dates",
    "training": "Training, and who may do the procedure alone",
    "stop_rule": "Stop rule: the programme stops if",
    "exit_plan": "What happens to patients if it stops",
    "review_date": "Review date",
}
PARTS = {"strategic": STRATEGIC, "economic": ECONOMIC, "commercial": COMMERCIAL, "financial": FINANCIAL, "management": MANAGEMENT}
TEXTS = TITLE | STRATEGIC | ECONOMIC | COMMERCIAL | FINANCIAL | MANAGEMENT
DECISION, AUTHOR = "decision_asked", "author"
ACCEPTED, PATIENTS, BLEEDS = "cash_per_bleed_acceptable", "patients_last_year", "bleeds_last_year"
NUMBERS = {
    ACCEPTED: "Cash the board would pay for one bleed averted",
    PATIENTS: "Such patients under follow-up last year",
    BLEEDS: "First bleeds counted in them last year",
}
FIELDS = {*TEXTS, *NUMBERS, DECISION}


@record
class OwnOption:
    """An option of the site's own: its shares of strategies."""

    label: str
    mix: Mapping[str, float]
    where: Where


def read_board(raw: object, where: Callable[[str], Where]) -> dict[str, Any]:
    """Read ``[board]``: texts and numbers by key; those not given are left out. ``where`` says where a key was typed.

    Raises
    ------
    ParameterError
        A key no paper has a place for, a text that is none, is blank or longer than :data:`LONGEST` characters, a number below 0, or
        a decision asked that is neither left to the model nor to the author.
    """
    if not isinstance(raw, Mapping):
        what = "board must be a table of texts"
        raise ParameterError(what, where=str(where("")), fix='write [board], and below it sponsor = "..."')
    read = {key: read_cell(value) if key in NUMBERS else value for key, value in raw.items()}
    for key, value in read.items():
        if (fault := _fault(key, value)) is not None:
            fault.where = str(where(key))
            raise fault
    return read


def _fault(key: str, value: object) -> EconModelError | None:
    if key not in FIELDS:
        return ParameterError(f"[board] has no place for {key!r}", fix=nearest(key, FIELDS, f"use {', '.join(sorted(FIELDS))}"))
    if key == DECISION:
        what = f"[board] {key} = {value!r}: must be computed or author"
        fix = "author leaves the line to the paper's author; without it the model's rule fills it"
        return None if value in (AUTHOR, "computed") else ParameterError(what, fix=fix)
    if key in NUMBERS:
        good = isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value) and value >= 0
        what = f"[board] {key} = {value!r}: must be a number >= 0"
        return None if good else ParameterError(what, fix="write it without unit or quotes, or leave it out")
    good = isinstance(value, str) and bool(value.strip()) and len(value) <= LONGEST
    what = f"[board] {key}: must be a text in quotes, of at most {LONGEST} characters"
    return None if good else ParameterError(what, fix="leave it out to print a blank line")


def read_own_option(key: str, raw: Mapping[str, Any], where: Where) -> OwnOption:
    """Read ``[option.KEY]``: a label, and a mix of strategies by share, which must sum to 1.

    Raises
    ------
    ParameterError
        The label is no text, the mix no table of shares from 0 to 1 that sum to 1, or there is more.
    """
    label, mix = raw.get("label"), raw.get("mix", {})
    mix = {key: read_cell(share) for key, share in mix.items()} if isinstance(mix, Mapping) else {}
    shares = list(mix.values())
    numbers = all(isinstance(share, int | float) and not isinstance(share, bool) and 0 <= share <= 1 for share in shares)
    if raw.keys() - {"label", "mix"} or not isinstance(label, str) or not label.strip() or not shares or not numbers:
        what = f"[option.{key}] needs a label, and a mix of shares from 0 to 1"
        raise ParameterError(what, where=str(where), fix='label = "...", then mix = { glue = 0.5, watch = 0.5 }')
    if abs(fsum(shares) - 1.0) > TOLERANCE:
        what = f"[option.{key}]: shares sum to {fsum(shares):.6g}, must be 1"
        raise ParameterError(what, where=str(where), fix="correct the shares; they are not rescaled for you")
    return OwnOption(label, {str(strategy): float(share) for strategy, share in mix.items()}, where)


def blank(board: Mapping[str, Any], keys: Iterable[str]) -> list[str]:
    """Give those of some keys that the hospital's file leaves out."""
    return [key for key in keys if key not in board]
