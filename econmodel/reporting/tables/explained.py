"""A headline number explained, as tables: its steps, counts times prices, and its inputs with grade, source and what they move."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from econmodel.parameters.parameter_set import ParameterSet
from econmodel.programme.explained import Explanation
from econmodel.reporting import formatting as f
from econmodel.reporting.papers.blocks import source_text
from econmodel.reporting.papers.content import Block, Paragraph, table
from econmodel.reporting.tables.provenance import STATUS_WORDS, provenance_rows
from econmodel.uncertainty.deterministic import TornadoRow
from econmodel.wording import lower

MOST_MOVERS = 6
COUNTED = (
    ("Activity", 2.4),
    ("More than today", 1.0, True),
    ("Paid for one", 1.0, True),
    ("Cash cost of one", 1.0, True),
    ("Money", 1.0, True),
)
PRICES = (
    "At the prices of the price year. The lines above hold the rises in price, contracts, refilled beds and displaced work besides."
)


def explanation_tables(parameters: ParameterSet, found: Explanation, moved: Sequence[TornadoRow] = ()) -> list[Block]:
    """Lay an explanation out; ``moved`` is the one-way analysis of its question, widest first."""
    told = told_in(parameters.text("currency"))
    say = told["money"]
    blocks: list[Block] = [Paragraph(words) for words in found.words]
    if found.steps:
        rows = [(step.label, told[step.told](step.value)) for step in found.steps]
        blocks.append(table("The arithmetic", (("Step", 4.0), ("Number", 1.0, True)), rows, small=True))
    if found.counted:
        lines = [(c.label, f.number(c.number, 1), say(c.payment), say(c.cost), say(c.money)) for c in found.counted]
        blocks.append(table("Counts times prices, over the budget", COUNTED, lines, note=PRICES, small=True))
    return [*blocks, *_inputs(parameters, found, moved)]


def told_in(currency: str, *, change: bool = False) -> dict[str, Callable[[float | None], str]]:
    """How each kind of number is told; of money also with its sign, as a change."""
    return {
        "money": partial(f.money_change if change else f.money, currency=currency),
        "count": partial(f.number, digits=1),
        "share": partial(f.percent, digits=1),
        "nnt": f.signed_nnt,
    }


def _inputs(parameters: ParameterSet, found: Explanation, moved: Sequence[TornadoRow]) -> list[Block]:
    known = {row["name"]: row for row in provenance_rows(parameters)}
    ends = {row.name: row for row in moved[:MOST_MOVERS] if row.name in known}
    if not (names := [name for name in (*ends, *found.inputs) if name in known]):
        return []
    asked = found.moved_by
    say = f.signed_nnt if asked and asked.outcome == "nnt" else asked.say if asked else str
    rows = [
        (
            known[name]["label"],
            f"{f.plain(known[name]['value'])} {known[name]['unit']}",
            *((say(ends[name].outcome_at_low), say(ends[name].outcome_at_high)) if asked else ()),
            STATUS_WORDS[known[name]["status"]],
            source_text(known[name]),
        )
        for name in names
    ]
    heads = (("At its low", 1.0, True), ("At its high", 1.0, True)) if asked else ()
    about = f"What moves it most, one input at a time. {asked.subject}: {lower(asked.label)}" if asked else "The inputs in it"
    return [table(about, (("Input", 2.0), ("Value", 1.1), *heads, ("Grade", 1.2), ("Source and reasoning", 4.0)), rows, small=True)]
