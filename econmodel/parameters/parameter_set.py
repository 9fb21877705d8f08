"""The set of inputs a model runs on: looked up by name, hashed for provenance."""

from __future__ import annotations

import hashlib
import json
from dataclasses import field, replace
from typing import Any

from econmodel.errors import AnalysisError, ParameterError
from econmodel.parameters.board import OwnOption
from econmodel.parameters.lookups import Tables
from econmodel.parameters.schema import (
    CALIBRATING,
    NEVER_BLED_YET,
    NO_THRESHOLD,
    PROCESS,
    THRESHOLD,
    TRIAL_DETECTION,
    JointGroup,
    Parameter,
    Protocol,
    SecondaryRow,
    Source,
    StrategyRow,
)
from econmodel.records import record
from econmodel.wording import choice_words, lower, nearest


@record
class ParameterSet:
    """Every input, row and group of one case, after overrides."""

    parameters: dict[str, Parameter]
    strategies: dict[str, StrategyRow]
    secondary: dict[str, SecondaryRow]
    ordered: tuple[JointGroup, ...] = ()
    correlated: tuple[JointGroup, ...] = ()
    sources: dict[str, Source] = field(default_factory=dict)
    titles: tuple[str, ...] = ()
    tables: Tables = field(default_factory=Tables)
    protocols: dict[str, Protocol] = field(default_factory=dict)
    board: dict[str, Any] = field(default_factory=dict)
    options: dict[str, OwnOption] = field(default_factory=dict)

    def __getitem__(self, name: str) -> Parameter:
        """Look an input up by name.

        Raises
        ------
        ParameterError
            There is no such input; the nearest name is suggested.
        """
        if name not in self.parameters:
            what = f"there is no input named {name!r}"
            raise ParameterError(what, fix=nearest(name, self.parameters))
        return self.parameters[name]

    def number(self, name: str) -> float:
        """Value of a numeric input."""
        value = self[name].value
        if not isinstance(value, float):
            what = f"{name} = {value!r}: must be a number"
            raise ParameterError(what, where=str(self[name].where), fix="give a plain number")
        return value

    @property
    def threshold(self) -> float | None:
        """Willingness to pay for a QALY; None where the case names none, and then there is no net benefit."""
        return None if self[THRESHOLD].value == NO_THRESHOLD else self.number(THRESHOLD)

    def need_threshold(self, what: str) -> float:
        """Willingness to pay for a QALY, for what cannot be told without.

        Raises
        ------
        AnalysisError
            The case names none.
        """
        if (found := self.threshold) is None:
            said = f"{THRESHOLD} = {NO_THRESHOLD!r}: {what} needs a threshold, what a QALY is worth"
            raise AnalysisError(said, where=str(self[THRESHOLD].where), fix=f"--set {THRESHOLD}=20000, a number per QALY")
        return found

    def text(self, name: str) -> str:
        """Value of a setting held as text."""
        return str(self[name].value)

    def rows(self, name: str) -> tuple[dict[str, Any], ...]:
        """Rows of a table input."""
        return self[name].table or ()

    @property
    def has_bled(self) -> bool:
        """Whether the cohort starts at a bleed, or after one."""
        return "cohort_start" in self.parameters and self.text("cohort_start") != NEVER_BLED_YET

    @property
    def after_gastric(self) -> tuple[str, ...]:
        """Rows of secondary prophylaxis to choose from after a gastric bleed."""
        return tuple(key for key, row in self.secondary.items() if row.source == "gastric")

    @property
    def after_other(self) -> SecondaryRow:
        """Secondary prophylaxis after a bleed from another source only."""
        return next(row for row in self.secondary.values() if row.source != "gastric")

    def need_never_bled(self, what: str) -> None:
        """Refuse what follows patients who have not bled, for a cohort that has.

        Raises
        ------
        AnalysisError
            The cohort starts at a bleed, or after one.
        """
        if self.has_bled:
            start = self["cohort_start"]
            said = f"cohort_start = {start.value!r}: {what} follows patients who have not bled"
            raise AnalysisError(
                said, where=str(start.where), fix=f"cohort_start = {NEVER_BLED_YET} for it; case and psa hold after a bleed"
            )

    def secondary_of(self, row: StrategyRow) -> SecondaryRow:
        """Secondary prophylaxis under a strategy: the setting's, or its own where the cohort has bled."""
        return self.secondary[row.secondary if self.has_bled else self.text("secondary_prophylaxis")]

    def numeric(self) -> dict[str, Parameter]:
        """Gather the inputs that are one number, by name."""
        return {n: p for n, p in self.parameters.items() if p.is_numeric}

    def idle(self, name: str) -> str:
        """Say why an input moves nothing under the settings chosen; empty where it acts."""
        needed = self[name].acts_where.items()
        return "; ".join(
            f"it acts where {s} is {choice}, and that is {self.text(s)}" for s, choice in needed if self.text(s) != choice
        )

    def left_out(self) -> str:
        """Say which inputs move nothing under the settings chosen, so that no analysis lists them; empty where all act."""
        idle = [p for p in self.parameters.values() if self.idle(p.name)]
        if not idle:
            return ""
        ways = dict.fromkeys((s, c) for p in idle for s, c in p.acts_where.items() if self.text(s) != c)
        why = " or ".join(f"“{lower(self.parameters[s].label)}” is “{choice_words(c)}”" for s, c in ways)
        return f"{len(idle)} inputs have no effect here and are left out, since they act only where {why}."

    def calibrating(self) -> tuple[str, ...]:
        """Names of the inputs that effects are calibrated with, where the effect is a process."""
        if "effect_basis" not in self.parameters or self.text("effect_basis") != PROCESS:
            return ()
        named = (getattr(row, slot) for row in self.strategies.values() for slot in CALIBRATING)
        return tuple(dict.fromkeys(filter(None, (*named, TRIAL_DETECTION))))

    def twins(self) -> dict[str, Parameter]:
        """What the evidence had for those of them that were changed, by name."""
        return {n: was for n in self.calibrating() if (p := self.parameters.get(n)) and (was := p.evidence)}

    def evidence_held(self) -> ParameterSet:
        """Copy in which effects stay calibrated on today's values, whatever is then changed.

        What a treatment does to a varix is the question of a threshold or a map, not what the trials say of it.
        """
        held = {n: replace(p, evidence=p.evidence or p) for n in self.calibrating() if (p := self.parameters.get(n))}
        return replace(self, parameters=self.parameters | held) if held else self

    def with_value(self, name: str, value: float) -> ParameterSet:
        """Copy with one base value changed (for deterministic analyses, which read values only)."""
        return replace(self, parameters=self.parameters | {name: replace(self[name], value=float(value))})

    @property
    def sha256(self) -> str:
        """Hash of everything that moves a result."""
        content = {
            "inputs": {
                n: [p.value, p.table, p.unit, p.distribution.family, p.distribution.fields] for n, p in sorted(self.parameters.items())
            },
            "strategies": [[k, repr(replace(r, where=None))] for k, r in self.strategies.items()],  # type: ignore[arg-type]
            "secondary": [[k, repr(replace(r, where=None))] for k, r in self.secondary.items()],  # type: ignore[arg-type]
            **(
                {"follows": tied}
                if (tied := {n: p.derive.text for n, p in self.parameters.items() if p.derive and p.follows_draws})
                else {}
            ),
            **(
                {"evidence": {n: [p.value, p.distribution.family, p.distribution.fields] for n, p in was.items()}}
                if (was := self.twins())
                else {}
            ),
            "joint": [[g.name, g.members, g.direction, g.correlation] for g in (*self.ordered, *self.correlated)],
        }
        return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()
