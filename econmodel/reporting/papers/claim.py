"""One page on a claim: the verdict, what matters, the figures as read, the hospital's own beside them, and the arithmetic."""

from __future__ import annotations

from typing import TYPE_CHECKING

from econmodel.reporting.papers.content import Bullets, Paper, Paragraph, Section, table

if TYPE_CHECKING:
    from econmodel.economics.site_claim import SiteClaim
    from econmodel.evidence.claims import ClaimCheck


def claim_paper(check: ClaimCheck, pasted: str, site: SiteClaim | None, banner: str = "") -> Paper:
    """Lay a checked claim out on a page.

    Parameters
    ----------
    check
        The claim, checked.
    pasted
        Its text as pasted; empty where it came as figures.
    site
        The hospital's own figures; None without a hospital.
    banner
        Warns where the hospital is invented.
    """
    verdict = check.verdict
    unread = (Paragraph(f"Not read: {'; '.join(check.unread)}.", tone="caution"),) if check.unread else ()
    matters = tuple(("", s) for s in (*verdict.sentences, *(() if site is None else site.sentences())))
    rows = [(f.text, f"{f.low:.4g} to {f.high:.4g}", "set aside" if f in check.solution.aside else "") for f in check.stated.figures]
    read = table("Figures as read, and what rounding allows", (("Figure", 2.0), ("Range", 1.5), ("", 1.0)), rows)
    blocks = (Paragraph(verdict.text, tone="answer"), *((Bullets(matters),) if matters else ()), *unread)
    return Paper(
        "Check of a claim",
        pasted[:300] or "From its figures",
        (
            Section("Verdict", (*blocks, *((read,) if rows else ()))),
            Section("The arithmetic", (Bullets(tuple(("", s) for s in check.sentences)),)),
        ),
        check.sentences[-1],
        banner,
    )
