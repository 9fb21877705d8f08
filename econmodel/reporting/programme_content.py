"""The programme's part of the brief, in the order a board reads it.

Decision, proposal, numbers, charts, funnel, evidence and harms, finance, capacity, owners.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from econmodel.reporting import blocks, phrases
from econmodel.reporting import formatting as f
from econmodel.reporting.content import Blanks, Charts, KeyNumber, KeyNumbers, Pair, Paragraph, Section, Table, table
from econmodel.reporting.guidelines import STANDING
from econmodel.reporting.programme_charts import programme_chart
from econmodel.reporting.programme_data import CHARTS, mix_text
from econmodel.reporting.series import Document, labels
from econmodel.reporting.tables import NNT_YEAR, against

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case

Programme = Mapping[str, Any]
FINANCE_ROWS = ("R1", "R3", "R4", "R5", "R6", "R7", "R8", "R9", "R10", "R11", "R12", "R13", "R14", "R15", "R16", "R17",
                "R18", "R19")
COUNT_ROWS = ("R1", "R2", "R3", "R20")
OWNERS = ("Clinical owner", "Finance owner", "Operational owner", "Review date",
          "Stop rule: the programme stops if", "Approved by, date")
HARM_WORDS = {"deaths_procedure": "deaths from the procedure", "embolism": "embolisms", "sepsis": "sepsis",
              "ulcer_bleed": "bleeds from glue or ulcer"}


def sections(case: Case, document: Document, programme: Programme, psa: Mapping[str, Any] | None) -> list[Section]:
    """Build the sections of the brief that need the programme."""
    below = Pair((views_table(document, programme),), (capacity_table(programme),))
    return [_decision(document, programme, psa), _charts(document, programme),
            Section("Evidence and harms", (_evidence(case, programme), *_position(programme))),
            Section("Finance", (finance_table(document, programme), below)),
            Section("Owners and review", (Blanks(OWNERS),))]


def lead_strategy(programme: Programme) -> str:
    """Strategy with the largest share of the proposed mix."""
    mix: dict[str, float] = programme["basis"]["proposed_mix"]
    return max(mix, key=lambda key: mix[key])


def _decision(document: Document, programme: Programme, psa: Mapping[str, Any] | None) -> Section:
    basis, names = programme["basis"], labels(document)
    proposed, current = (mix_text(basis[f"{which}_mix"], names) for which in ("proposed", "current"))
    need = f.money(abs(programme["headline"]["peak_cash"]), _currency(document))
    return Section("The decision", (
        Paragraph(answer(document, programme), tone="answer"),
        Paragraph(f"start the programme, with up to {need} of cash before it pays back. Date of the decision: ________",
                  lead="Decision asked: "),
        Paragraph(f"{proposed}, in place of today's {current}, for adults with high-risk gastric varices that have "
                  "never bled.", lead="Proposed: "),
        Paragraph(rejected(document, programme), lead="Not proposed: "),
        key_numbers(document, programme, psa)))


def _currency(document: Document) -> str:
    return str(document["settings"]["currency"])


def answer(document: Document, programme: Programme) -> str:
    """Answer of the programme in one sentence."""
    currency, numbers, views = _currency(document), programme["headline"], programme["views"]
    verdict = "pays for itself" if numbers["npv"] >= 0 else "does not pay for itself"
    years = f.span(programme["basis"]["budget_years"])
    episode, block = (f.money(views[name]["npv"], currency) for name in ("per_episode", "block"))
    return (f"Over {years} the programme averts {f.number(numbers['bleeds_averted'], 1)} bleeds and {verdict} as "
            f"this hospital is paid: net present value {f.money(numbers['npv'], currency)} ({episode} if every payment "
            f"were per episode, {block} under a block budget).")


def rejected(document: Document, programme: Programme) -> str:
    """Options left out of the proposed mix, and how each stands in the cost-effectiveness analysis."""
    basis, names, currency = programme["basis"], labels(document), _currency(document)
    used = {key for mix in ("proposed_mix", "current_mix") for key, share in basis[mix].items() if share}
    left = [row for row in document["frontier"] if row["key"] not in used]
    words = {"dominated": "dearer and less effective than another option",
             "extendedly_dominated": "poorer value than a mix of two others", "reference": "the cheapest option"}
    told = [f"{phrases.lower(names[row['key']])} ("
            + words.get(row["status"], f"{f.money(row['icer'], currency)} for each further QALY") + ")" for row in left]
    return ("; ".join(told) + ". " if told else "every option is in the mix. ") + "Staying as now is the comparator."


def key_numbers(document: Document, programme: Programme, psa: Mapping[str, Any] | None) -> KeyNumbers:
    """Eight numbers of the programme."""
    currency, numbers, basis = _currency(document), programme["headline"], programme["basis"]
    years, chance = basis["budget_years"], numbers.get("probability_npv_negative")
    key = lead_strategy(programme)
    nnt, spread = f.NOTHING, "interval: run with draws"
    if (compared := against(document, "watch", key)) is not None:
        nnt = f.nnt(compared["nnt"].get(NNT_YEAR))
    if psa and (interval := phrases.nnt_interval(psa, "watch", key, NNT_YEAR)):
        spread = interval
    searched = numbers["break_even_starts_per_year"]
    return KeyNumbers((
        KeyNumber(f.number(numbers["patients_per_year"], 1), "Patients a year", f"mean of {years} years"),
        KeyNumber(nnt, f"NNT at {NNT_YEAR} years v. no prophylaxis",
                  f"{phrases.lower(labels(document)[key])}; {spread}"),
        KeyNumber(f.number(numbers["bleeds_averted"], 1), f"Bleeds averted in {years} years",
                  "first and again, v. today's mix"),
        KeyNumber(f.money(numbers["peak_cash"], currency), "Peak cash", "lowest cumulative, by quarter"),
        KeyNumber(f.money(numbers["year_3_net_contribution"], currency), "Year-3 net contribution",
                  "before fixed cost"),
        KeyNumber(f.money(numbers["npv"], currency), f"NPV at {f.percent(basis['finance_rate'], 1)}",
                  "P(NPV < 0): run with draws" if chance is None else f"P(NPV < 0) {f.percent(chance)}"),
        KeyNumber(numbers["payback_text"], "Payback", f"{basis['cash']} cash"),
        KeyNumber(f.NOTHING if searched is None else f.number(searched, 1), "Break-even patients a year",
                  f"expected {f.number(numbers['expected_starts_per_year'], 1)}"
                  + ("; no volume reaches it" if searched is None else "")),
    ))


def _charts(document: Document, programme: Programme) -> Section:
    drawn = tuple(programme_chart(name, programme, _currency(document)) for name in CHARTS.values())
    return Section("Cash, contribution, downside, bleeds and patients", (Charts(drawn), _funnel(programme)))


def _funnel(programme: Programme) -> Table:
    steps = programme["funnel"]
    inputs = [f.percent(step["value"]) if step["value"] < 1 else f.number(step["value"]) for step in steps]
    left = [f.number(step["patients_per_year"], 1) for step in steps]
    return table("From endoscopy to patients treated, a year",
                 (("", 0.8), *((step["step"].replace(" a year", ""), 1.0, True) for step in steps)),
                 [("Input", *inputs), ("Patients left", *left)])


def _evidence(case: Case, programme: Programme) -> Table:
    basis = programme["basis"]
    keys = [key for key in case.parameters.strategies
            if basis["proposed_mix"].get(key) or basis["current_mix"].get(key)]
    return blocks.harms_table([case.parameters.strategies[key] for key in keys])


def _position(programme: Programme) -> tuple[Paragraph, ...]:
    found = programme["savings"]["quality_only"]
    harms = ", ".join(f"{f.number(found['harms_added'][name], 1)} {word}" for name, word in HARM_WORDS.items())
    return (Paragraph(f"{STANDING} ESGE 2022 leaves glue, or EUS-guided coil and glue, to individual judgement where "
                      "a beta-blocker is impossible. Cyanoacrylate is used off label in many countries, and coils "
                      "outside their label.", tone="caution"),
            Paragraph(f"against {f.number(found['bleeds_averted'], 1)} bleeds and "
                      f"{f.number(found['bleeding_deaths_averted'], 1)} deaths from bleeding averted over the budget, "
                      f"the programme is expected to add {harms}.", lead="Harms beside benefits: "))


def finance_table(document: Document, programme: Programme) -> Table:
    """Rows of the budget by year, with totals."""
    currency, years = _currency(document), programme["years"]

    def text(row: str, value: float) -> str:
        return f.number(value, 1) if row in COUNT_ROWS else f.money(value, currency)

    rows = [(f"{row} {programme['rows'][row]}", *(text(row, year[row]) for year in years),
             text(row, programme["totals"][row])) for row in FINANCE_ROWS if any(year[row] for year in years)]
    basis = programme["basis"]
    return table(f"Change against today's mix by year ({basis['cash']} {currency})",
                 (("Row", 2.6), *((f"Year {year['year']}", 1.0, True) for year in years), ("Total", 1.0, True)), rows,
                 note=f"Equipment: {basis['capital']}. NPV discounts year-end net cash at "
                      f"{f.percent(basis['finance_rate'], 1)}. Rows that are zero throughout are left out.")


def views_table(document: Document, programme: Programme) -> Table:
    """Put the two payment views side by side, with the refill contribution that makes averted bleeds neutral."""
    currency, views = _currency(document), programme["views"]

    def row(heading: str, name: str) -> tuple[str, ...]:
        return (heading, *(f.money(view[name], currency) for view in views.values()))

    lowers = [view["label"].lower() for view in views.values() if view["averted_bleed_lowers_margin"]]
    note = f"Under {lowers[0]} an averted bleed lowers the hospital's margin." if lowers else ""
    return table("How the hospital is paid decides", (("", 2.2), *((v["label"], 1.1, True) for v in views.values())), [
        row("Net present value", "npv"), ("Payback", *(view["payback_text"] for view in views.values())),
        row("Peak cash", "peak_cash"), row("Year-3 net contribution", "year_3_net_contribution"),
        row("Margin per bleed averted", "bleed_margin_per_bleed"),
        ("Refill contribution per bed-day that makes it neutral",
         *(_neutral(view, currency) for view in views.values())),
    ], note=note)


def _neutral(view: Mapping[str, Any], currency: str) -> str:
    needed = view["neutral_refill_at_full_refill"]
    return "none needed" if needed is not None and needed <= 0 else f.money(needed, currency)


def capacity_table(programme: Programme) -> Table:
    """Slots, beds and staffing by year."""
    years = programme["capacity"]
    lines = (("Endoscopy slots used", "session_slots", 0),
             ("Surveillance examinations", "surveillance_examinations", 0),
             ("Staff blocks to add", "step_fixed_blocks", 0), ("Bed-days released", "bed_days_released", 1),
             ("Beds released", "beds_released", 2), ("Waiting at year end", "waiting_at_year_end", 1))
    return table("Capacity and staffing", (("", 2.2), *((f"Year {y['year']}", 0.7, True) for y in years)),
                 [(label, *(f.number(year[name], digits) for year in years)) for label, name, digits in lines],
                 note=programme["savings"]["note"])


def downside_table(document: Document, programme: Programme) -> Table:
    """Tell what happens if things go worse, one at a time and together."""
    currency = _currency(document)
    rows = [(row["label"], f.money(row["npv"], currency), f.money_change(row["npv_change"], currency),
             row["payback_text"], f.money(row["peak_cash"], currency), f.number(row["bleeds_averted"], 1))
            for row in programme["downside"]]
    return table("What could go wrong",
                 (("Change", 3.4), ("NPV", 1.0, True), ("Change in NPV", 1.0, True), ("Payback", 1.1, True),
                  ("Peak cash", 1.0, True), ("Bleeds averted", 0.8, True)), rows)
