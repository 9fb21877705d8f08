"""``econmodel nnt``: NNT arithmetic and the claim check, from counts, risks and costs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from econmodel.interfaces.common import common, console, write_json, years

if TYPE_CHECKING:
    from rich.console import Console

    from econmodel.evidence.claims import ClaimCheck


@click.command()
@click.option("--treated", metavar="n/N", help="Treated who bled, of all treated: 6/80.")
@click.option("--untreated", metavar="n/N", help="Untreated who bled, of all untreated: 16/40.")
@click.option("--treated-risk", metavar="RISK", help="Risk with treatment: 0.075 or 7.5%.")
@click.option("--untreated-risk", metavar="RISK", help="Risk without treatment: 0.41 or 41%.")
@click.option("--nnt", metavar="NNT", help="Number needed to treat, as printed; below 0 for harm.")
@click.option("--years", type=years, metavar="YEARS", help="Time by which bleeds are counted; months as 26/12.")
@click.option("--cost-ratio", metavar="RATIO", help="Cost of a course, in bleed admissions: 0.5.")
@click.option("--course-cost", metavar="COST", help="Cost of a course of prophylaxis.")
@click.option("--bleed-cost", metavar="COST", help="Cost of a bleed admission, same currency.")
@click.option("--admissions-saved", metavar="N", help="Bleed admissions saved per bleed averted; default 1.")
@click.option("--sessions", type=float, metavar="N", help="Sessions in a course.")
@common("json", "quiet")
def nnt(json: str | None, quiet: bool, **claim: Any) -> None:
    """Check a claim about an NNT: what it implies."""
    from econmodel.evidence.claims import Claim, check_claim
    from econmodel.model.follow_up import untreated_curve
    from econmodel.parameters.loading import load_case

    check = check_claim(Claim(**claim), untreated_curve(load_case().parameters))
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
