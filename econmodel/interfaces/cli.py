"""The command line: ``econmodel VERB``.

Exit 0 done, 2 bad input (one message, nothing written), 1 internal fault. Heavy imports happen in the command.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from econmodel.errors import AnalysisError, EconModelError
from econmodel.interfaces.dashboard_command import dashboard
from econmodel.interfaces.nnt_command import nnt
from econmodel.interfaces.options import READ, common
from econmodel.interfaces.registry_command import registry
from econmodel.workflow import FORMATS, PAPERS

STOPPED = "Stopped; nothing was left half-written.\n"


class InOrder(click.Group):
    """Commands in the order a user meets them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names as added."""
        return list(self.commands)


@click.group(cls=InOrder)
def app() -> None:
    """Decision model for prophylaxis of gastric variceal bleeding: NNT, cost, QALYs and programme finance.

    Planning software for services; not advice for a patient.
    """


@app.command()
@common("file", "draws")
@click.option(
    "--paper",
    "papers",
    multiple=True,
    type=click.Choice(PAPERS),
    metavar="NAME",
    help="brief, report, workbook or form; repeatable. Default all, or none with 0 draws.",
)
@click.option(
    "--as",
    "formats",
    multiple=True,
    type=click.Choice(FORMATS),
    metavar="FORMAT",
    help="Of brief and report: html, pdf or docx; repeatable. Default all.",
)
@common("override", "set", "out", "json", "seed", "quiet")
def case(**choices: Any) -> None:
    """Run the main job: results, figures and papers.

    FILE is a hospital file; default the fictional demo. With 0 draws: numbers alone, in a second.
    """
    from econmodel.interfaces.case_command import run_case

    run_case(**choices)


@app.command()
@click.argument("name", required=False)
@click.option("--file", type=READ, metavar="FILE", help="Hospital file; default the demo.")
@common("override", "set", "json")
def where(name: str | None, file: Path | None, **choices: Any) -> None:
    """Show an input: place, value, source, status."""
    from econmodel.interfaces.where_command import run_where

    run_where(name, file, **choices)


app.add_command(nnt)
app.add_command(registry)
app.add_command(dashboard)


@app.command()
@common("file")
@click.option("--strategy", metavar="KEY", help="Strategy asked about; default EUS-guided coil and glue, else the last.")
@click.option("--against", metavar="KEY", help="Comparator; default the case's own.")
@click.option("--outcome", default="cost", show_default=True, metavar="NAME", help="cost, bleeds, nnt, qalys or nmb.")
@click.option("--one-way", is_flag=True, help="Tornado.")
@click.option("--two-way", "pair", nargs=2, metavar="A B", help="Map of two inputs.")
@click.option("--threshold", "thresholds", multiple=True, metavar="NAME", help="Break-even of an input; repeatable.")
@click.option("--scenarios", is_flag=True, help="Every file of params/scenarios.")
@click.option("--sobol", is_flag=True, help="Sobol indices of net cost and bleeds averted.")
@common("override", "set", "out", "json", "quiet")
def sensitivity(**choices: Any) -> None:
    """Vary inputs one or two at a time, or by scenario."""
    from econmodel.interfaces.sensitivity_command import run_sensitivity

    run_sensitivity(**choices)


@app.command()
@common("file")
@click.option("--strategy", metavar="KEY", help="Who is followed up; default the lead.")
@click.option("--protocol", "protocols", multiple=True, metavar="KEY", help="Protocol beside none; repeatable. Default all.")
@common("override", "set", "draws", "json", "seed", "quiet")
def surveillance(**choices: Any) -> None:
    """Compare follow-up protocols on cost and bleeds."""
    from econmodel.interfaces.surveillance_command import run_surveillance

    run_surveillance(**choices)


@app.command()
@common("file", "draws")
@click.option("--sobol", is_flag=True, help="Scrambled Sobol points; draws a power of two.")
@common("override", "set", "out", "json", "seed", "quiet")
def psa(**choices: Any) -> None:
    """Vary all inputs together: how sure is the answer."""
    from econmodel.interfaces.psa_command import run_psa_command

    run_psa_command(**choices)


@app.command()
@common("file", "draws", "override", "set", "out", "json", "seed", "quiet")
def budget(**choices: Any) -> None:
    """Run the programme: cash, break-even, beds, downside."""
    from econmodel.interfaces.budget_command import run_budget_command

    run_budget_command(**choices)


@app.command()
@common("file")
@click.option("--strategy", "strategies", multiple=True, metavar="KEY", help="Strategy beside lead, usual care, none; repeatable.")
@common("override", "set", "out", "quiet")
def workbook(**choices: Any) -> None:
    """Write the model as a spreadsheet with live formulas."""
    from econmodel.interfaces.workbook_command import run_workbook

    run_workbook(**choices)


@app.command()
@common("file")
@click.option("--show", type=READ, metavar="FILLED", help="Show what a filled form changes.")
@common("override", "set", "out", "json", "quiet")
def form(show: Path | None, json: str | None, **choices: Any) -> None:
    """Write the form for finance; filled, it is an override."""
    from econmodel.interfaces.form_command import run_form, show_filled

    if show:
        choices.pop("out")
        show_filled(show, json=json, **choices)
    elif json:
        what = "--json goes with --show: a blank form is a spreadsheet"
        raise AnalysisError(what, where="--json", fix="leave it out, or add --show FILLED")
    else:
        run_form(**choices)


@app.command()
@common("out", "json", "quiet")
def checks(**choices: Any) -> None:
    """Hold the model against published results."""
    from econmodel.interfaces.checks_command import run_checks_command

    run_checks_command(**choices)


def main() -> None:
    """Entry point: run a verb and translate faults into exit codes."""
    try:
        found = app(prog_name="econmodel", standalone_mode=False)
        sys.exit(found if isinstance(found, int) else 0)
    except EconModelError as fault:
        sys.stderr.write(f"{fault}\n")
        sys.exit(2)
    except click.exceptions.NoArgsIsHelpError as fault:
        fault.show()
        sys.exit(2)
    except click.UsageError as fault:
        verb = fault.ctx.command_path if fault.ctx else "econmodel"
        known = AnalysisError(fault.format_message(), where=verb, fix=f"run `{verb} --help`")
        sys.stderr.write(f"{known}\n")
        sys.exit(2)
    except click.Abort:
        sys.stderr.write(STOPPED)
        sys.exit(130)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except KeyboardInterrupt:
        sys.stderr.write(STOPPED)
        sys.exit(130)
    except Exception as fault:
        sys.stderr.write(
            f"Internal fault ({type(fault).__name__}): {fault}\n"
            "  fix:   this is an error of the program, not of your input; please report it\n"
        )
        sys.exit(1)


if __name__ == "__main__":
    main()
