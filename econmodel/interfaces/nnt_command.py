"""``econmodel nnt``: NNT arithmetic and the claim check, from counts, risks and costs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from econmodel.interfaces.common import console, write_json

if TYPE_CHECKING:
    from rich.console import Console

    from econmodel.evidence.claims import ClaimCheck

Text = str | None


def nnt(
    treated: Annotated[Text, typer.Option(metavar="n/N", help="Treated who bled, of all treated: 6/80.")] = None,
    untreated: Annotated[Text, typer.Option(metavar="n/N", help="Untreated who bled, of all untreated: 16/40.")] = None,
    treated_risk: Annotated[Text, typer.Option(help="Risk with treatment: 0.075 or 7.5%.")] = None,
    untreated_risk: Annotated[Text, typer.Option(help="Risk without treatment: 0.41 or 41%.")] = None,
    nnt: Annotated[Text, typer.Option(help="Number needed to treat, as printed; below 0 for harm.")] = None,
    years: Annotated[float | None, typer.Option(help="Time by which bleeds are counted.")] = None,
    cost_ratio: Annotated[Text, typer.Option(help="Cost of a course, in bleed admissions: 0.5.")] = None,
    course_cost: Annotated[Text, typer.Option(help="Cost of a course of prophylaxis.")] = None,
    bleed_cost: Annotated[Text, typer.Option(help="Cost of a bleed admission, same currency.")] = None,
    admissions_saved: Annotated[Text, typer.Option(help="Bleed admissions saved per bleed averted; default 1.")] = None,
    sessions: Annotated[float | None, typer.Option(help="Sessions in a course.")] = None,
    json: Annotated[Text, typer.Option("--json", metavar="FILE|-", help="Results as JSON; - prints them.")] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing.")] = False,
) -> None:
    """Check a claim about an NNT: what it implies, what contradicts what, and whether it saves."""
    from econmodel.evidence.claims import Claim, check_claim
    from econmodel.model.calibration import untreated_curve
    from econmodel.parameters.loading import load_case

    claim = Claim(treated, untreated, treated_risk, untreated_risk, nnt, years, cost_ratio, course_cost, bleed_cost,
                  admissions_saved, sessions)
    check = check_claim(claim, untreated_curve(load_case().parameters))
    show_claim(check, console(quiet=quiet), json)


def show_claim(check: ClaimCheck, out: Console, json: str | None = None) -> None:
    """Print a claim check as sentences on a console; with ``json`` write it there instead.

    Parameters
    ----------
    check
        The claim, checked.
    out
        Where the sentences go, contradictions in bold.
    json
        ``-`` for JSON on standard output, a path for a file, None for sentences.
    """
    if json is not None:
        write_json(check.to_dict(), json)
        return
    for sentence in check.sentences:
        bold = "bold" if sentence in check.solution.contradictions else ""
        out.print(f"- {sentence}", style=bold, markup=False, highlight=False)
