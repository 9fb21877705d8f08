"""Run a probabilistic analysis with a progress bar on stderr."""

from __future__ import annotations

from typing import TYPE_CHECKING

from econmodel.interfaces.common import console

if TYPE_CHECKING:
    from econmodel.parameters.parameter_set import ParameterSet
    from econmodel.uncertainty.probabilistic import Psa


def run_with_progress(parameters: ParameterSet, *, sobol: bool = False, quiet: bool = False) -> Psa:
    """Run the case's own number of draws, showing progress to people only."""
    from rich.progress import Progress

    from econmodel.uncertainty.probabilistic import run_psa

    draws, seed = int(parameters.number("draws")), int(parameters.number("seed"))
    screen = console(quiet=quiet, error=True)
    with Progress(console=screen, transient=True, disable=quiet or not screen.is_terminal) as bar:
        task = bar.add_task("All inputs varied together", total=draws)
        return run_psa(parameters, draws, seed=seed, sobol=sobol, progress=lambda done, _: bar.update(task, completed=done))
