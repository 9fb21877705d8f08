"""Positions of professional bodies on primary prophylaxis of gastric varices, in our words, with what was read."""

from __future__ import annotations

from econmodel.records import record
from econmodel.reporting.papers.content import Table, table

COMPARED = "compared in Clin Mol Hepatol 2020;26:444"
STANDING = (
    "No guideline read makes an endoscopic option standard care for gastric varices that have not bled; "
    "most offer a non-selective beta-blocker for clinically significant portal hypertension."
)


@record
class Position:
    """One body's position; ``read`` says how it was seen, ``from memory`` where it still has to be confirmed."""

    body: str
    position: str
    source: str
    read: str


POSITIONS = (
    Position(
        "ESGE 2022",
        "Beta-blocker for clinically significant portal hypertension (strong recommendation, "
        "moderate evidence). Where a beta-blocker is impossible, individual judgement between nothing, glue, and "
        "EUS-guided coil and glue: no high-level evidence settles it.",
        "Endoscopy 2022, doi:10.1055/a-1939-4887",
        "abstract read; second part through study notes",
    ),
    Position("AASLD 2017, EASL 2018", "Beta-blocker.", COMPARED, "comparison table read"),
    Position(
        "APASL 2008, 2011",
        "Beta-blocker, or balloon-occluded retrograde transvenous obliteration in expert centres.",
        COMPARED,
        "comparison table read",
    ),
    Position(
        "KASL 2019",
        "Retrograde transvenous obliteration or endoscopic obturation may be used: more interventionist than Western bodies.",
        COMPARED,
        "comparison table read",
    ),
    Position(
        "AGA 2021",
        "Concerned with bleeding gastric varices; finds no definitive natural-history or prospective data to steer the choice.",
        "PMID 33493693",
        "read",
    ),
    Position(
        "Baveno VII",
        "Beta-blocker for clinically significant portal hypertension whatever the varix; no "
        "endoscopic recommendation for gastric varices, named as a research question.",
        "",
        "from memory",
    ),
    Position(
        "AASLD 2024",
        "Beta-blocker; glue, transvenous obliteration and shunts not routine for fundal varices that have not bled.",
        "",
        "from memory",
    ),
    Position("BSG 2015", "Beta-blocker may be considered in selected large gastric varices; glue only in trials.", "", "from memory"),
)


def guideline_table(caption: str = "Guideline positions on varices that have not bled") -> Table:
    """Positions as a table."""
    return table(
        caption,
        (("Body", 1.3), ("Position (our words)", 4.2), ("Source", 2.2), ("How seen", 1.5)),
        [(p.body, p.position, p.source or "to be confirmed", p.read) for p in POSITIONS],
    )
