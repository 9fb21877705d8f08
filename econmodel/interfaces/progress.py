"""Run a probabilistic analysis with a progress bar on stderr."""

from __future__ import annotations

from typing import TYPE_CHECKING

from econmodel.interfaces.common import console
from econmodel.workflow import run_together

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case
    from econmodel.uncertainty.probabilistic import Psa


def run_with_progress(case: Case, *, sobol: bool = False, quiet: bool = False) -> Psa:
    """Run the case's own number of draws, showing progress to people only."""
    screen = console(quiet=quiet, error=True)
    if quiet or not screen.is_terminal:
        return run_together(case, sobol=sobol)
    from rich.progress import Progress

    with Progress(console=screen, transient=True) as bar:
        task = bar.add_task("All inputs varied together", total=int(case.parameters.number("draws")))
        return run_together(case, sobol=sobol, progress=lambda done, _: bar.update(task, completed=done))
