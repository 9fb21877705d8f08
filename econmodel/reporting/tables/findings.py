"""What a run found beyond the deterministic results, and the documents that hold it: JSON, a table of results, a table of inputs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from econmodel.files import json_text, write_csv, write_text
from econmodel.records import record
from econmodel.reporting.tables.provenance import provenance_rows
from econmodel.reporting.tables.results import result_rows
from econmodel.uncertainty.deterministic import Question

if TYPE_CHECKING:
    from econmodel.economics.results import Results
    from econmodel.economics.validation import CheckRow
    from econmodel.evidence.untreated import RiskRow
    from econmodel.parameters.loading import Case
    from econmodel.programme.by_risk import TreatByRisk
    from econmodel.programme.fetch import ToFetch
    from econmodel.programme.flips import FlipList
    from econmodel.programme.money_question import MoneyScenario
    from econmodel.programme.report import ProgrammeResult
    from econmodel.uncertainty.by_structure import ByStructure
    from econmodel.uncertainty.deterministic import Asked, TornadoRow
    from econmodel.uncertainty.held_certain import Held
    from econmodel.uncertainty.research import Research
    from econmodel.uncertainty.risk import Risk
    from econmodel.uncertainty.scenarios import ScenarioRow
    from econmodel.uncertainty.studies import StudyResult
    from econmodel.uncertainty.surveillance import Protocols
    from econmodel.uncertainty.surveillance_worth import Worth
    from econmodel.uncertainty.two_way import Grid
    from econmodel.uncertainty.within_route import WithinRoute

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


def analysis_of(question: Asked, rows: Sequence[Row]) -> Analysis[Row]:
    """Put the rows of an analysis with what they are about; of the programme's money no strategy is compared."""
    pair = (question.strategy, question.versus) if isinstance(question, Question) else ("", "")
    return Analysis(*pair, question.outcome, question.label, question.parameters.text("currency"), tuple(rows))


@record
class Findings:
    """Results of the other analyses.

    Attributes
    ----------
    psa
        All inputs varied together.
    programme
        The programme's budget, with all that a decision needs.
    within_route
        What the lead adds to the next strategy of its route.
    one_way, scenarios
        Inputs varied one at a time, and scenarios: against each comparator, usual care first.
    money_one_way, money_scenarios, money_maps
        The same of the programme's money, and its cash over two inputs together; empty where the cohort has bled.
    held
        What is held certain and yet decides.
    flips
        What turns each decision.
    structures
        The lead strategy under each choice of each weighted setting.
    by_risk
        Untreated risks from which each strategy is better than usual care.
    fetch
        What to find out first.
    surveillance
        Follow-up protocols of the lead strategy, and what they are worth if a threshold tells; a text says why they cannot be
        compared.
    untreated
        Cohorts behind the untreated risk, and the synthesis without each: lines of a forest.
    checks, studies
        Tests of the model, and studies beside it.
    research
        What more evidence would be worth; a text says why it is not worked out.
    """

    psa: Risk | None = None
    programme: ProgrammeResult | None = None
    within_route: WithinRoute | None = None
    one_way: tuple[Analysis[TornadoRow], ...] = ()
    money_one_way: Analysis[TornadoRow] | None = None
    money_scenarios: tuple[MoneyScenario, ...] = ()
    money_maps: tuple[Grid, ...] = ()
    scenarios: tuple[Analysis[ScenarioRow], ...] = ()
    held: tuple[Held, ...] = ()
    flips: FlipList | None = None
    structures: ByStructure | None = None
    by_risk: TreatByRisk | None = None
    fetch: ToFetch | None = None
    surveillance: tuple[Protocols, Worth | None] | str = ""
    untreated: tuple[Sequence[RiskRow], Sequence[RiskRow]] | None = None
    checks: Sequence[CheckRow] | None = None
    studies: Sequence[StudyResult] = ()
    research: Research | str = ""

    @property
    def tornadoes(self) -> tuple[Analysis[TornadoRow], ...]:
        """Inputs one at a time: of each comparison, then of the programme's cash."""
        return (*self.one_way, *([self.money_one_way] if self.money_one_way else []))


def result_document(results: Results, found: Findings) -> dict[str, Any]:
    """Give everything that was found as one document, the contract of ``--json`` and ``results.json``."""
    document = results.to_json()
    if found.programme:
        document["programme"] = found.programme.to_json()
    if found.within_route:
        document["within_route"] = found.within_route.to_json()
    if found.psa:
        document["uncertainty"] = found.psa.to_json()
        document["expected"] = found.psa.expected.to_json()
        document["probability_saving"] = found.psa.probability_saving()
    if found.structures:
        document["structures"] = found.structures.to_json()
    return document


def write_results(case: Case, results: Results, found: Findings, folder: Path) -> list[Path]:
    """Write ``results.json``, ``results.csv`` and ``provenance.csv``; give their paths."""
    document = result_document(results, found)
    return [
        write_text(folder / "results.json", json_text(document)),
        write_csv(folder / "results.csv", result_rows(document)),
        write_csv(folder / "provenance.csv", provenance_rows(case.parameters)),
    ]
