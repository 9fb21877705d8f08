"""The command line: ``econmodel VERB``.

Exit 0 done, 2 bad input (one message, nothing written), 1 internal fault. Heavy imports happen in the command.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from econmodel.errors import EconModelError
from econmodel.interfaces.dashboard_command import dashboard
from econmodel.interfaces.nnt_command import nnt
from econmodel.interfaces.registry_command import registry

app = typer.Typer(
    name="econmodel", no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False,
    help="Decision model for prophylaxis of gastric variceal bleeding: NNT, cost, QALYs and programme finance. "
         "Planning software for services; not advice for a patient.")

PAPERS = ("brief", "report")
FORMATS = ("html", "pdf", "docx")
CaseFile = Annotated[Path | None, typer.Argument(metavar="[FILE]", help="Hospital file; default the fictional demo.",
                                                    show_default=False)]
Override = Annotated[list[Path] | None, typer.Option("--override", help="Override file; repeatable.")]
Sets = Annotated[list[str] | None, typer.Option("--set", metavar="NAME=VALUE", help="Change one input; repeatable.")]
Out = Annotated[Path | None, typer.Option("--out", help="Folder for the reports; default reports/<name>.")]
Json = Annotated[str | None, typer.Option("--json", metavar="FILE|-", help="Results as JSON; - prints them, alone.")]
Seed = Annotated[int | None, typer.Option("--seed", help="Seed of the draws.")]
Draws = Annotated[int | None, typer.Option("--draws", help="Draws of all inputs together; 0 leaves them out.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="Print nothing.")]


@app.command()
def case(file: CaseFile = None, draws: Draws = None,
         paper: Annotated[list[str] | None, typer.Option("--paper", help="brief or report; repeatable; default both.")] = None,
         as_: Annotated[list[str] | None, typer.Option("--as", metavar="FORMAT", help="html, pdf, docx; default all.")] = None,
         override: Override = None, sets: Sets = None, out: Out = None, json: Json = None, seed: Seed = None,
         quiet: Quiet = False) -> None:
    """Run the main job for a hospital: results, figures and brief into reports/<name>/."""
    from econmodel.interfaces.case_command import run_case

    run_case(file, override or [], sets or [], draws=draws, papers=paper or PAPERS, formats=as_ or FORMATS,
             out=out, json=json, seed=seed, quiet=quiet)


@app.command()
def where(name: Annotated[str | None, typer.Argument(help="Input; none lists every name.")] = None,
          file: Annotated[Path | None, typer.Option("--file", help="Hospital file; default the demo.")] = None,
          override: Override = None, sets: Sets = None, json: Json = None) -> None:
    """Show one input: file and line, value, unit, distribution, source, status."""
    from econmodel.interfaces.where_command import run_where

    run_where(name, file, override or [], sets or [], json=json)


app.command("nnt")(nnt)
app.command("registry")(registry)
app.command("dashboard")(dashboard)


@app.command()
def sensitivity(
        file: CaseFile = None, strategy: Annotated[str, typer.Option(help="Strategy asked about.")] = "coil_and_glue",
        against: Annotated[str, typer.Option(help="Comparator.")] = "watch",
        outcome: Annotated[str, typer.Option(help="cost, bleeds, nnt, qalys or nmb.")] = "cost",
        one_way: Annotated[bool, typer.Option("--one-way", help="Tornado.")] = False,
        two_way: Annotated[tuple[str, str] | None, typer.Option("--two-way", metavar="A B", help="Map of two inputs.")] = None,
        threshold: Annotated[list[str] | None, typer.Option("--threshold", metavar="NAME", help="Repeatable.")] = None,
        scenarios: Annotated[bool, typer.Option("--scenarios", help="Every file of params/scenarios.")] = False,
        sobol: Annotated[bool, typer.Option("--sobol", help="Sobol indices of net cost and bleeds averted.")] = False,
        override: Override = None, sets: Sets = None, out: Out = None, json: Json = None, quiet: Quiet = False) -> None:
    """Vary inputs one at a time, two at a time, to the break-even, and by scenario."""
    from econmodel.interfaces.sensitivity_command import run_sensitivity

    wanted = [name for name, on in (("one_way", one_way), ("scenarios", scenarios), ("sobol", sobol)) if on]
    run_sensitivity(file, override or [], sets or [], strategy=strategy, against=against, outcome=outcome, wanted=wanted,
                    pair=two_way, thresholds=threshold or [], out=out, json=json, quiet=quiet)


@app.command()
def psa(file: CaseFile = None, draws: Draws = None,
        sobol: Annotated[bool, typer.Option("--sobol", help="Scrambled Sobol points; draws a power of two.")] = False,
        override: Override = None, sets: Sets = None, out: Out = None, json: Json = None, seed: Seed = None,
        quiet: Quiet = False) -> None:
    """Vary all inputs together: intervals, probability of saving, acceptability, convergence."""
    from econmodel.interfaces.psa_command import run_psa_command

    run_psa_command(file, override or [], sets or [], draws=draws, sobol=sobol, seed=seed, out=out, json=json, quiet=quiet)


@app.command()
def budget(file: CaseFile = None, draws: Draws = None, override: Override = None, sets: Sets = None, out: Out = None,
           json: Json = None, seed: Seed = None, quiet: Quiet = False) -> None:
    """Run the programme over its years: cash, break-even, beds, both payment views, downside."""
    from econmodel.interfaces.budget_command import run_budget_command

    run_budget_command(file, override or [], sets or [], draws=draws, seed=seed, out=out, json=json, quiet=quiet)


@app.command()
def workbook(file: CaseFile = None, override: Override = None, sets: Sets = None, out: Out = None, quiet: Quiet = False) -> None:
    """Write the deterministic model as a spreadsheet with live formulas."""
    from econmodel.interfaces.workbook_command import run_workbook

    run_workbook(file, override or [], sets or [], out=out, quiet=quiet)


@app.command()
def form(file: CaseFile = None,
         show: Annotated[Path | None, typer.Option("--show", metavar="FILLED", help="Show what a filled form changes.")] = None,
         override: Override = None, sets: Sets = None, out: Out = None, json: Json = None, quiet: Quiet = False) -> None:
    """Write the data-collection form for finance; filled, it loads with --override filled.xlsx."""
    from econmodel.interfaces.form_command import run_form, show_filled

    if show:
        show_filled(show, file, override or [], sets or [], json=json, quiet=quiet)
    else:
        run_form(file, override or [], sets or [], out=out, quiet=quiet)


@app.command()
def checks(out: Annotated[Path | None, typer.Option("--out", help="Folder for table and chart.")] = None,
           json: Json = None, quiet: Quiet = False) -> None:
    """Hold the model against published results: predicted beside observed."""
    from econmodel.interfaces.checks_command import run_checks_command

    run_checks_command(out=out, json=json, quiet=quiet)


def main() -> None:
    """Entry point: run a verb and translate faults into exit codes."""
    try:
        app(standalone_mode=True)
    except EconModelError as fault:
        sys.stderr.write(f"{fault}\n")
        sys.exit(2)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except KeyboardInterrupt:
        sys.stderr.write("Stopped; nothing was left half-written.\n")
        sys.exit(130)
    except Exception as fault:
        sys.stderr.write(f"Internal fault ({type(fault).__name__}): {fault}\n"
                         "  fix:   this is an error of the program, not of your input; please report it\n")
        sys.exit(1)


if __name__ == "__main__":
    main()
