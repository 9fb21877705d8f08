"""What a report may be given beyond the deterministic results; whatever is None is left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from econmodel.reporting.content import Section

if TYPE_CHECKING:
    from econmodel.economics.validation import CheckRow
    from econmodel.programme.report import ProgrammeResult
    from econmodel.uncertainty.deterministic import TornadoRow
    from econmodel.uncertainty.questions import Question
    from econmodel.uncertainty.scenarios import ScenarioRow


@dataclass(frozen=True)
class Findings:
    """Results of the other analyses.

    Attributes
    ----------
    psa
        ``Psa.to_dict()``: all inputs varied together.
    programme
        The programme's budget, with all that a decision needs.
    one_way, scenarios
        :func:`analysis_block` of a one-way or scenario analysis.
    checks
        Model against published results.
    more
        Sections of any further analysis (value of information, for one), set after the uncertainty.
    """

    psa: dict[str, Any] | None = None
    programme: ProgrammeResult | None = None
    one_way: dict[str, Any] | None = None
    scenarios: dict[str, Any] | None = None
    checks: Sequence[CheckRow] | None = None
    more: tuple[Section, ...] = ()


def analysis_block(question: Question, rows: Sequence[TornadoRow] | Sequence[ScenarioRow]) -> dict[str, Any]:
    """Put the rows of an analysis with what they are about."""
    from econmodel.uncertainty.deterministic import plain_rows

    return {
        "strategy": question.strategy,
        "versus": question.versus,
        "outcome": question.outcome,
        "label": question.label,
        "rows": plain_rows(rows),
    }
