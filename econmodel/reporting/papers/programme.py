"""The programme's part of the brief, in the order a board reads it.

Decision, proposal, numbers, charts, options, evidence and harms, finance, capacity, owners.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from econmodel.parameters.catalogue import HARMS
from econmodel.parameters.statements import said
from econmodel.programme.break_even import BreakEven
from econmodel.programme.report import ProgrammeResult
from econmodel.programme.sentences import lowered_margin
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.programme import CHARTS, programme_chart
from econmodel.reporting.papers import blocks, phrases
from econmodel.reporting.papers.content import Blanks, Charts, KeyNumber, KeyNumbers, Pair, Paragraph, Section, Table, table
from econmodel.reporting.tables.programme import MOST_YEARS, capacity_table, finance_table, options_table, views_table
from econmodel.reporting.tables.results import NNT_YEAR

if TYPE_CHECKING:
    from econmodel.economics.results import Results
    from econmodel.parameters.loading import Case
    from econmodel.uncertainty.risk import Risk
    from econmodel.uncertainty.within_route import WithinRoute

UNDER = {"per_episode": "if every payment were per episode", "block": "under a block budget"}
OFF_FRONTIER = {"dominated": "dearer and less effective than another", "extendedly_dominated": "poorer value than a mix of two others"}
OWNERS = (
    "Clinical owner",
    "Finance owner",
    "Operational owner",
    "Review date",
    "Stop rule: the programme stops if",
    "Approved by, date",
)
LEAST = 0.05


def sections(
    case: Case, results: Results, programme: ProgrammeResult, risk: Risk | None, within_route: WithinRoute | None
) -> list[Section]:
    """Build the sections of the brief that need the programme."""
    below = Pair((replace(views_table(results, programme), note=""),), (capacity_table(programme, MOST_YEARS),))
    overlooked = Paragraph(" ".join(programme.not_overlooked), lead="Not to be overlooked: ")
    return [
        _decision(case, results, programme, risk, within_route),
        _charts(results, programme),
        Section("Evidence and harms", (_harms(programme), _evidence(case, programme), _position())),
        Section("Finance", (finance_table(results, programme, MOST_YEARS), below, overlooked)),
        Section("Owners and review", (Blanks(OWNERS),)),
    ]


def mix_text(mix: Mapping[str, float], names: Mapping[str, str]) -> str:
    """Say a mix of strategies in words.

    Examples
    --------
    >>> mix_text({"glue": 0.3, "watch": 0.7}, {"glue": "Direct endoscopic glue", "watch": "No prophylaxis"})
    '30% direct endoscopic glue, 70% no prophylaxis'
    """
    return ", ".join(f"{f.percent(share)} {phrases.lower(names.get(key, key))}" for key, share in mix.items() if share)


def _decision(
    case: Case, results: Results, programme: ProgrammeResult, risk: Risk | None, within_route: WithinRoute | None
) -> Section:
    basis, names, lead = programme.basis, results.labels, results.lead
    proposed, current = (mix_text(mix, names) for mix in (basis.proposed_mix, basis.current_mix))
    grade = case.parameters.strategies[lead].evidence_grade or "not graded"
    kept = [key for key in names if basis.proposed_mix.get(key)]
    return Section(
        "The decision",
        (
            Paragraph(answer(results, programme), tone="answer"),
            Paragraph(f"{decision(results, programme)} Date: ________", lead="Decision asked: "),
            Paragraph(
                f"{proposed}, in place of today's {current}, for adults with high-risk gastric varices that have "
                f"never bled. Certainty of the evidence for {phrases.lower(names[lead])}: {grade}. Value: "
                f"{by_standing(results, kept)}.",
                lead="Proposed: ",
            ),
            *phrases.within_route(within_route),
            *(Paragraph(said, tone="note") for said in phrases.lifetime_sentences(results, lead)),
            *_margin(results, programme),
            key_numbers(results, programme, risk),
        ),
    )


def decision(results: Results, programme: ProgrammeResult) -> str:
    """What the board is asked for, with the cash it takes; nothing where the programme would bring bleeds."""
    numbers, basis = programme.headline, programme.basis
    if not basis.is_change:
        return "none: the proposed mix is today's."
    if round(numbers.bleeds_averted, 1) <= 0:
        does = "averts no bleeds" if round(numbers.bleeds_averted, 1) == 0 else "brings more bleeds than today's mix"
        return f"none: as entered, the programme {does}."
    need = f.money(abs(numbers.peak_cash), results.settings.currency)
    if programme.options and (against := programme.options.reasons_against):
        return f"none on these numbers: {'; '.join(against)}. It would take up to {need} of cash."
    if numbers.payback_years is None:
        return f"start the programme, with up to {need} of cash, not all of which comes back within {f.span(basis.budget_years)}."
    return f"start the programme, with up to {need} of cash before it pays back."


def _margin(results: Results, programme: ProgrammeResult) -> tuple[Paragraph, ...]:
    """Say on the first page where an averted bleed lowers the hospital's own margin."""
    views, currency = programme.views, results.settings.currency
    view = views.get("as_paid") or views[programme.basis.payment_view]
    if not view.averted_bleed_lowers_margin:
        return ()
    said = lowered_margin(view, lambda value: f.money(value, currency))
    return (Paragraph(said[0].upper() + said[1:], lead="As this hospital is paid: "),)


def answer(results: Results, programme: ProgrammeResult) -> str:
    """Answer of the programme in one sentence."""
    currency, numbers, basis = results.settings.currency, programme.headline, programme.basis
    if not basis.is_change:
        return "Nothing is proposed: the proposed mix is today's mix."
    averted = round(numbers.bleeds_averted, 1)
    bleeds = f"averts {f.number(averted, 1) if averted else 'no'} bleeds and {programme.verdict}"
    if averted < 0:
        bleeds = f"{programme.verdict}, which no surplus would justify"
    counted = numbers.npv_with_capacity
    others = {"with freed staff time counted as money": counted} if round(counted - numbers.npv_cash) else {}
    others |= {
        UNDER[name]: view.headline.npv_cash for name, view in programme.views.items() if name not in ("as_paid", basis.payment_view)
    }
    listed = ", ".join(f"{f.money(value, currency)} {words}" for words, value in others.items())
    listed = f" ({listed})" if listed else ""
    chance = programme.probability_cash_loss
    risk = "" if chance is None else f", with a {f.percent(chance)} chance of less than zero"
    return (
        f"Over {f.span(basis.budget_years)} the programme {bleeds}: net present value in cash "
        f"{f.money(numbers.npv_cash, currency)} as this hospital is paid{risk}{listed}."
    )


def by_standing(results: Results, keys: Sequence[str]) -> str:
    """Name options with how they stand, those that stand alike together."""
    names = results.labels
    groups: dict[str, list[str]] = {}
    for key in keys:
        groups.setdefault(standing(results, key), []).append(phrases.lower(names[key]))
    return "; ".join(f"{', '.join(found)} ({'each ' if len(found) > 1 else ''}{words})" for words, found in groups.items())


def standing(results: Results, key: str) -> str:
    """Say how an option stands on the efficiency frontier, against the case's threshold."""
    row = next(row for row in results.frontier if row.key == key)
    if row.status in OFF_FRONTIER:
        return OFF_FRONTIER[row.status]
    if row.icer is None:
        return "the cheapest"
    limit, currency = results.settings.willingness_to_pay, results.settings.currency
    side = "within" if row.icer <= limit else "above"
    return f"{f.money(row.icer, currency)} a further QALY, {side} the threshold of {f.money(limit, currency)}"


def key_numbers(results: Results, programme: ProgrammeResult, risk: Risk | None) -> KeyNumbers:
    """Eight numbers of the programme."""
    currency, numbers, basis = results.settings.currency, programme.headline, programme.basis
    time, drawn = f.duration(basis.budget_years), programme.uncertainty
    nnt, spread = _nnt(results, risk)
    versus = phrases.short(results, results.beside[0])
    return KeyNumbers(
        (
            KeyNumber(f.number(numbers.patients_per_year, 1), "Patients a year", f"mean of {time} with backlog and growth"),
            KeyNumber(nnt, f"NNT at {NNT_YEAR} years v. {versus}", f"{phrases.lower(results.labels[results.lead])}; {spread}"),
            KeyNumber(
                f.number(abs(numbers.bleeds_averted), 1),
                f"{'Bleeds averted' if numbers.bleeds_averted >= 0 else 'More bleeds'} in {time}",
                "first and again, v. today's mix",
            ),
            KeyNumber(f.money(numbers.peak_cash, currency), "Peak cash", "lowest cumulative, by month"),
            KeyNumber(f.money(numbers.year_3_net_contribution, currency), "Year-3 net contribution", "before fixed cost"),
            KeyNumber(
                f.money(numbers.npv_cash, currency),
                f"Cash NPV at {f.percent(basis.finance_rate, 1)}",
                "chance of a loss: run with draws"
                if drawn is None
                else f"chance of a loss {f.percent(drawn.probability_cash_loss)}, {drawn.draws} draws",
            ),
            KeyNumber(numbers.payback_text, "Payback", f"{basis.cash} cash"),
            KeyNumber(f.number(programme.break_even.searched, 1), "Break-even patients a year", _volume(programme.break_even)),
        )
    )


def _nnt(results: Results, risk: Risk | None) -> tuple[str, str]:
    """NNT of the lead against the first comparator, and its interval with the NNT against the others."""
    key = results.lead
    nnt, spread = f.NOTHING, "is the comparator"
    for versus in results.beside:
        if (compared := results.against(versus, key)) is None:
            continue
        expected = risk and risk.expected.comparisons[versus][key].whole.nnt.get(NNT_YEAR)
        shown = f.nnt(expected or compared.whole.nnt.get(NNT_YEAR))
        wide = phrases.nnt_interval(risk, versus, key, NNT_YEAR)
        if versus == results.beside[0]:
            nnt, spread = shown, f"95% interval {wide}" if wide else "interval: run with draws"
        else:
            spread += f"; v. {phrases.short(results, versus)} {shown}" + (f" ({wide})" if wide else "")
    return nnt, spread


def _volume(found: BreakEven) -> str:
    """What the break-even volume is held against."""
    said = f"expected {f.number(found.expected, 1)}"
    if found.expected == 0:
        return "nobody is expected to start"
    if found.searched is None:
        return f"{said}; no volume reaches it"
    if found.sustained is None or found.sustained > found.searched:
        later = "at none" if found.sustained is None else f"from {f.number(found.sustained, 1)}"
        said += f"; for good {later} (steps in cost)"
    if found.capacity is not None and found.searched > found.capacity:
        said += f"; slots allow {f.number(found.capacity, 1)}"
    return said


def _charts(results: Results, programme: ProgrammeResult) -> Section:
    drawn = tuple(programme_chart(name, programme, results.settings.currency) for name in CHARTS)
    return Section("Cash, contribution, downside, bleeds and options", (Charts(drawn), *options_table(programme, short=True)))


def funnel_table(programme: ProgrammeResult) -> Table:
    """Patients from endoscopy to treatment, a year."""
    steps = programme.funnel
    inputs = [f.percent(step.value) if step.is_share else f.plain(step.value) for step in steps]
    left = [f.plain(round(step.patients_per_year, 1)) for step in steps]
    return table(
        "From endoscopy to patients treated, a year",
        (("", 0.8), *((step.step.replace(" a year", ""), 1.0, True) for step in steps)),
        [("Input", *inputs), ("Patients left", *left)],
    )


def _evidence(case: Case, programme: ProgrammeResult) -> Table:
    basis = programme.basis
    keys = [key for key in case.parameters.strategies if basis.proposed_mix.get(key) or basis.current_mix.get(key)]
    return blocks.harms_table([case.parameters.strategies[key] for key in keys])


def _position() -> Paragraph:
    return Paragraph(" ".join(map(said, ("standing", "without_a_drug", "off_label"))), tone="caution")


def _harms(programme: ProgrammeResult) -> Paragraph:
    found = programme.savings
    harms = {word: found.harms_added[name] for name, word in HARMS.items() if abs(found.harms_added[name]) >= LEAST}
    added = ", ".join(f"{f.number(n, 1)} {word}" for word, n in harms.items() if n > 0)
    avoided = ", ".join(f"{f.number(-n, 1)} {word}" for word, n in harms.items() if n < 0)
    bleeds, deaths = found.bleeds_averted, found.bleeding_deaths_averted
    gain = (
        f"against {f.number(bleeds, 1)} bleeds and {f.number(deaths, 1)} deaths from bleeding averted"
        if bleeds >= LEAST
        else f"beside {f.number(-bleeds, 1)} more bleeds and {f.number(-deaths, 1)} more deaths from bleeding"
        if bleeds <= -LEAST
        else "with no bleed averted"
    )
    expected = " and ".join([*([f"add {added}"] if added else []), *([f"avoid {avoided}"] if avoided else [])])
    gain += " (bleeds from glue or ulcer apart)"
    text = f"{gain} over the budget, the programme is expected to {expected or 'add no harm'}."
    return Paragraph(text, lead="Harms beside benefits: ")
