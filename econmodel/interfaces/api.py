"""The model from Python: load a case, run it, read its results. What ``econmodel.load`` gives.

Results are the typed ones that papers, command line and dashboard read; nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.errors import AnalysisError
from econmodel.package import own_file
from econmodel.parameters import loading
from econmodel.parameters.overrides import set_value
from econmodel.records import record

if TYPE_CHECKING:
    from econmodel.economics.results import Compared, Results, StrategyResult
    from econmodel.programme.report import ProgrammeResult
    from econmodel.reporting.tables.findings import Findings
    from econmodel.uncertainty.risk import Risk


@record
class Result:
    """What a run found: deterministic results, the programme over its years, and what the draws say."""

    results: Results
    findings: Findings

    @property
    def programme(self) -> ProgrammeResult:
        """Budget, cash and break-even of the programme."""
        found = self.findings.programme
        assert found is not None  # every run evaluates it
        return found

    @property
    def risk(self) -> Risk:
        """Intervals, chances and curves over the draws.

        Raises
        ------
        AnalysisError
            The case was run without draws.
        """
        if self.findings.psa is None:
            what = "the case was run without draws: there are no intervals"
            raise AnalysisError(what, fix="run it with draws=2000")
        return self.findings.psa

    def strategy(self, key: str) -> StrategyResult:
        """Results of one strategy per patient, such as ``cost`` (lifetime, discounted) and ``cost_at(5)``.

        Raises
        ------
        AnalysisError
            The case has no such strategy.
        """
        return self.results.strategy(key)

    def compare(self, key: str, versus: str) -> Compared:
        """Compare one strategy with one comparator: over the lifetime as ``whole``, at five years as ``headline``.

        Raises
        ------
        AnalysisError
            The case has no such comparison.
        """
        found = self.results.against(versus, key)
        if found is None:
            shown = ", ".join(self.results.comparisons)
            what = f"no comparison of {key!r} with {versus!r}: comparators are {shown}"
            raise AnalysisError(what, fix="choose one of them, and another strategy of the case")
        return found

    def to_json(self) -> dict[str, Any]:
        """Give everything as one document, the same as ``econmodel case --json``."""
        from econmodel.reporting.tables.findings import result_document

        return result_document(self.results, self.findings)


@record
class Case:
    """A hospital's inputs, checked as a whole and ready to run."""

    inputs: loading.Case

    def run(self, *, draws: int | None = None, seed: int | None = None) -> Result:
        """Evaluate the case.

        Parameters
        ----------
        draws
            Draws of all inputs together; 0 for none, None for the case's own number.
        seed
            Seed of the draws; None for the case's own.

        Raises
        ------
        EconModelError
            An input breaks a rule, or the inputs cannot be resolved together.
        """
        from econmodel import workflow

        parameters = self.inputs.parameters
        for name, value in (("draws", draws), ("seed", seed)):
            parameters = parameters if value is None else set_value(parameters, f"{name}={value}")
        case = replace(self.inputs, parameters=parameters)
        found, findings = workflow.evaluate_case(case)
        if parameters.number("draws"):
            findings = workflow.vary_inputs(findings, workflow.run_together(case))
        return Result(found.results, findings)


def load(file: str | Path | None = None, overrides: Sequence[str | Path] = (), sets: Sequence[str] = ()) -> Case:
    """Load a case; see :func:`econmodel.load`."""
    hospital = loading.demo_file() if file is None else own_file(Path(file))
    return Case(loading.load_case(hospital, [own_file(Path(path)) for path in overrides], sets))
