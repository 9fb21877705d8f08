"""What a report may be given beyond the deterministic results; whatever is None is left out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Generic, TypeVar

from econmodel.records import record
from econmodel.reporting.papers.content import Section

if TYPE_CHECKING:
    from econmodel.economics.validation import CheckRow
    from econmodel.evidence.untreated import RiskRow
    from econmodel.programme.report import ProgrammeResult
    from econmodel.uncertainty.deterministic import Question, TornadoRow
    from econmodel.uncertainty.risk import Risk
    from econmodel.uncertainty.scenarios import ScenarioRow

Row = TypeVar("Row")


@record
class Analysis(Generic[Row]):
    """Rows of a deterministic analysis, with what they are about: light enough to go from one process to another."""

    strategy: str
    versus: str
    outcome: str
    label: str
    currency: str
    rows: tuple[Row, ...]


def analysis_of(question: Question, rows: Sequence[Row]) -> Analysis[Row]:
    """Put the rows of an analysis with what they are about."""
    q = question
    return Analysis(q.strategy, q.versus, q.outcome, q.label, q.parameters.text("currency"), tuple(rows))


@record
class Findings:
    """Results of the other analyses.

    Attributes
    ----------
    psa
        All inputs varied together.
    programme
        The programme's budget, with all that a decision needs.
    one_way, scenarios
        Inputs varied one at a time, and scenarios.
    thresholds
        Sentences on inputs that are held certain and yet decide: where the net benefit turns.
    untreated
        Cohorts behind the untreated risk, and the synthesis without each: lines of a forest.
    checks
        Model against published results.
    more
        Sections of any further analysis (value of information, for one), set after the uncertainty.
    """

    psa: Risk | None = None
    programme: ProgrammeResult | None = None
    one_way: Analysis[TornadoRow] | None = None
    scenarios: Analysis[ScenarioRow] | None = None
    thresholds: tuple[str, ...] = ()
    untreated: tuple[Sequence[RiskRow], Sequence[RiskRow]] | None = None
    checks: Sequence[CheckRow] | None = None
    more: tuple[Section, ...] = ()
