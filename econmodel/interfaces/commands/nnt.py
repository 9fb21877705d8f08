"""``econmodel nnt``: the claim desk, from a pasted claim or its figures: verdict first, arithmetic when asked."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from econmodel.interfaces.common import PATH, READ, check_output, common, console, load, number, write_json, years

if TYPE_CHECKING:
    from rich.console import Console

    from econmodel.economics.site_claim import SiteClaim
    from econmodel.evidence.claims import ClaimCheck
    from econmodel.parameters.loading import Case


@click.command()
@click.option("--paste", metavar="TEXT", help='The claim as printed: "RR 0.50 (0.30-0.84), NNT 10 (6-34)".')
@click.option("--treated", metavar="n/N", help="Treated who bled, of all treated: 6/80.")
@click.option("--untreated", metavar="n/N", help="Untreated who bled, of all untreated: 16/40.")
@click.option("--treated-risk", metavar="RISK", help="Risk with treatment: 0.075 or 7.5%.")
@click.option("--untreated-risk", metavar="RISK", help="Risk without treatment: 0.41 or 41%.")
@click.option("--treated-n", type=int, metavar="N", help="Treated patients, beside a printed risk.")
@click.option("--untreated-n", type=int, metavar="N", help="Untreated patients, beside a printed risk.")
@click.option("--patients", type=int, metavar="N", help="Patients of both arms together.")
@click.option("--nnt", metavar="NNT", help="Number needed to treat, as printed; below 0 for harm; interval as 10 (6-34).")
@click.option("--arr", metavar="ARR", help="Difference in risk: 8.1% or 8.1% (0.4 to 15.8).")
@click.option("--rr", "relative_risk", metavar="RR", help="Relative risk: 0.48 or 0.48 (0.24-0.96).")
@click.option("--or", "odds_ratio", metavar="OR", help="Odds ratio.")
@click.option("--hr", "hazard_ratio", metavar="HR", help="Hazard ratio.")
@click.option("--rrr", "relative_reduction", metavar="RRR", help="Relative risk reduction: 52%.")
@click.option("--odds-reduction", metavar="SHARE", help="Odds reduction: 52%.")
@click.option("--p", metavar="P", help="The p value: 0.02 or <0.05.")
@click.option("--years", type=years, metavar="YEARS", help="Time by which bleeds are counted; months as 26/12.")
@click.option("--cost-ratio", metavar="RATIO", help="Cost of a course, in bleed admissions: 0.5.")
@click.option("--course-cost", metavar="COST", help="Cost of a course of prophylaxis.")
@click.option("--bleed-cost", metavar="COST", help="Cost of a bleed admission, same currency.")
@click.option("--admissions-saved", metavar="N", help="Bleed admissions saved per bleed averted; default 1.")
@click.option("--sessions", type=number, metavar="N", help="Sessions in a course.")
@click.option("--pooled", is_flag=True, help="The risks are pooled over studies.")
@click.option("--adjusted", is_flag=True, help="The ratio is adjusted.")
@click.option("--actuarial", is_flag=True, help="The risks are read off a life table or survival curve.")
@click.option("--rounding", type=click.Choice(["nearest", "up"]), help="How a whole NNT was rounded; default either way.")
@click.option("--exact", is_flag=True, help="Costs and their ratio are exact, not rounded figures.")
@click.option("--show", is_flag=True, help="Show the arithmetic and every caution.")
@click.option("--hospital", type=READ, metavar="FILE", help="Set this hospital's own costs and NNT beside the claim.")
@click.option("--out", type=PATH, metavar="FOLDER", help="Write a page: claim.html, claim.pdf, claim.docx.")
@common("json", "quiet")
def nnt(
    paste: str | None, json: str | None, hospital: Path | None, out: Path | None, *, show: bool, quiet: bool, **given: Any
) -> None:
    """Check a claim about an NNT: whether it can be, and saves."""
    from econmodel.evidence.claims import Claim, check_claim, read_pasted

    folder = check_output(out, None, json)
    stated = {name: value for name, value in given.items() if value not in (None, False)}
    pasted = None if paste is None else read_pasted(paste, stated)
    claim = Claim(**stated) if pasted is None else pasted.claim
    case = None if hospital is None else load(hospital, quiet=True)
    site = None if case is None else _of(case, claim.years)
    if site is not None and site.bleed_cost is not None and not (claim.cost_ratio or claim.course_cost or claim.bleed_cost):
        claim = replace(claim, course_cost=site.course_cost, bleed_cost=site.bleed_cost, exact=True)
    check = check_claim(claim, unread=() if pasted is None else pasted.unread)
    if folder is not None:
        from econmodel.reporting.papers.build import FORMATS, write_paper
        from econmodel.reporting.papers.claim import claim_paper
        from econmodel.reporting.papers.phrases import banner

        page = claim_paper(check, paste or "", site, "" if case is None else banner(case))
        for form in FORMATS:
            write_paper(page, folder / f"claim.{form}")
    show_claim(check, console(quiet=quiet), json, show=show, site=site)


def _of(case: Case, years: float | None) -> SiteClaim:
    from econmodel.economics.site_claim import site_claim

    return site_claim(case.parameters, case.title, years)


def show_claim(check: ClaimCheck, out: Console, json: str | None = None, *, show: bool = False, site: SiteClaim | None = None) -> None:
    """Print a claim check on a console; with ``json`` write it there instead.

    Parameters
    ----------
    check
        The claim, checked.
    out
        Where the sentences go, verdict and contradictions in bold.
    json
        ``-`` for JSON on standard output, a path for a file, None for sentences.
    show
        Add the arithmetic.
    site
        The hospital's own figures, said beside the claim.
    """
    if json is not None:
        write_json(check.to_dict() | ({} if site is None else {"hospital": site.to_dict()}), json)
        return
    out.print(check.verdict.text, style="bold", markup=False, highlight=False)
    more = check.verdict.sentences
    if show:
        more = tuple(dict.fromkeys((*(s for s in more if not s.endswith("more with --show.")), *check.cautions, *check.sentences)))
    for sentence in more:
        bold = "bold" if sentence in check.solution.contradictions else ""
        out.print(f"- {sentence}", style=bold, markup=False, highlight=False)
    for sentence in () if site is None else site.sentences():
        out.print(f"- {sentence}", markup=False, highlight=False)
    if check.unread:
        out.print(f"Not read: {'; '.join(check.unread)}.", markup=False, highlight=False)
    if not show:
        out.print(check.sentences[-1], style="dim", markup=False, highlight=False)
