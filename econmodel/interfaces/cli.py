"""The command line: ``econmodel VERB``.

Exit 0 done, 2 bad input (one message, nothing written), 1 internal fault. Heavy imports happen in the command.
"""

from __future__ import annotations

import sys

import click

from econmodel.errors import AnalysisError, EconModelError, legible
from econmodel.interfaces.commands.budget import budget
from econmodel.interfaces.commands.case import case
from econmodel.interfaces.commands.checks import checks
from econmodel.interfaces.commands.dashboard import dashboard
from econmodel.interfaces.commands.form import form
from econmodel.interfaces.commands.new import new
from econmodel.interfaces.commands.nnt import nnt
from econmodel.interfaces.commands.prices import prices
from econmodel.interfaces.commands.psa import psa
from econmodel.interfaces.commands.registry import registry
from econmodel.interfaces.commands.research import research
from econmodel.interfaces.commands.sensitivity import sensitivity
from econmodel.interfaces.commands.study import study
from econmodel.interfaces.commands.surveillance import surveillance
from econmodel.interfaces.commands.where import where
from econmodel.interfaces.commands.workbook import workbook

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


for verb in (
    new,
    case,
    where,
    nnt,
    registry,
    prices,
    dashboard,
    sensitivity,
    surveillance,
    psa,
    research,
    budget,
    workbook,
    form,
    study,
    checks,
):
    app.add_command(verb)


def main() -> None:
    """Entry point: run a verb and translate faults into exit codes."""
    try:
        _check_arguments()
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
            f"Internal fault ({type(fault).__name__}): {legible(str(fault))}\n"
            "  fix:   this is an error of the program, not of your input; please report it\n"
        )
        sys.exit(1)


def _check_arguments() -> None:
    """Refuse bytes that are no text: no file written later could hold them."""
    for text in sys.argv[1:]:
        if not text.isprintable() and any("\ud800" <= c <= "\udfff" for c in text):
            what = f"{text!r} holds bytes that are no text"
            raise AnalysisError(what, where="the command line", fix="type it in UTF-8, and give a file with such a name another one")


if __name__ == "__main__":
    main()
