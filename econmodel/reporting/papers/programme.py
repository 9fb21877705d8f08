"""The programme's part of the brief, in the order a board reads it.

Decision, proposal, numbers, charts, options, evidence and harms, finance, capacity, owners.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from econmodel.economics.comparison import FrontierRow, as_effective
from econmodel.parameters.board import TEXTS, TITLE, blank
from econmodel.parameters.catalogue import HARMS
from econmodel.parameters.schema import WATCH
from econmodel.parameters.statements import said
from econmodel.programme.break_even import BreakEven
from econmodel.programme.report import ProgrammeResult
from econmodel.programme.sentences import lowered_margin
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.programme import CHARTS, programme_chart
from econmodel.reporting.papers import blocks, phrases
from econmodel.reporting.papers.content import Blanks, Charts, KeyNumber, KeyNumbers, Pair, Paragraph, Section, Table, table
from econmodel.reporting.tables.programme import MOST_YEARS, capacity_table, options_table, summary_table
from econmodel.reporting.tables.results import NNT_YEAR

if TYPE_CHECKING:
    from econmodel.economics.results import Results
    from econmodel.parameters.loading import Case
    from econmodel.uncertainty.risk import Risk

UNDER = {"per_episode": "if every payment were per episode", "block": "under a block budget"}
OFF_FRONTIER = {"dominated": "dearer and less effective than another", "extendedly_dominated": "poorer value than a mix of two others"}
OWNERS = (
    "clinical_owner",
    "finance_owner",
    "operational_owner",
    "stop_rule",
    "exit_plan",
    "funding_source",
    "review_date",
    "benefit_measure",
)
SIGNED = ("Signed, clinical", "Signed, finance", "Signed, operations", "Signed, executive")
MOST_RISKS = 3
LEAST = 0.05


def sections(case: Case, results: Results, programme: ProgrammeResult, risk: Risk | None) -> list[Section]:
    """Build the sections of the brief that need the programme."""
    overlooked = Paragraph(" ".join(programme.not_overlooked), lead="Not to be overlooked: ")
    return [
        _decision(case, results, programme, risk),
        _charts(results, programme),
        Section("Evidence and harms", (harms(programme), evidence(case, programme), _position())),
        Section(
            "Finance",
            (
                summary_table(programme),
                Pair((risks_table(programme), *counted(programme)), (capacity_table(programme, MOST_YEARS),)),
                overlooked,
            ),
        ),
        Section("Owners, stop rule and signatures", (Blanks((*filled(case, OWNERS), *SIGNED)),)),
    ]


def filled(case: Case, keys: Sequence[str]) -> tuple[str, ...]:
    """Texts of the hospital's file with their labels; a label alone is a blank line."""
    board = case.parameters.board
    return tuple(f"{TEXTS[key]}: {board[key]}" if key in board else TEXTS[key] for key in keys)


def title_line(case: Case) -> Paragraph:
    """Who brings it where, and how many texts are left to the site."""
    board = case.parameters.board
    told = " · ".join(f"{label}: {board.get(key, '________')}" for key, label in TITLE.items())
    left = len(blank(board, (*TITLE, *OWNERS)))
    count = f" · {left} texts of this paper are left blank for the site" if left else ""
    return Paragraph(f"{told}{count}.", tone="note")


def mix_text(mix: Mapping[str, float], names: Mapping[str, str]) -> str:
    """Say a mix of strategies in words.

    Examples
    --------
    >>> mix_text({"glue": 0.3, "watch": 0.7}, {"glue": "Direct endoscopic glue", "watch": "No prophylaxis"})
    '30% direct endoscopic glue, 70% no prophylaxis'
    """
    return ", ".join(f"{f.percent(share)} {phrases.lower(names.get(key, key))}" for key, share in mix.items() if share)


def _decision(case: Case, results: Results, programme: ProgrammeResult, risk: Risk | None) -> Section:
    basis, names = programme.basis, results.labels
    kept = [key for key in names if basis.proposed_mix.get(key)]
    sentence, asked = answer(programme)
    why = case.parameters.board.get("why_this_option")
    return Section(
        "The decision",
        (
            title_line(case),
            Paragraph(sentence, tone="answer"),
            Paragraph(f"{asked} Date: ________", lead="Decision asked: "),
            Paragraph(
                f"{mixes(results, programme)}. {natural_course(results, risk)} Value (lifetime, full cost): "
                f"{by_standing(results, risk, kept)}. {said('standing_short')}",
                lead="Proposed: ",
            ),
            *((Paragraph(why, lead="Why this option: "),) if why else ()),
            *options_table(programme, short=True),
            *_other_readings(results, programme),
            *_margin(results, programme),
            key_numbers(case, results, programme, risk),
        ),
    )


def mixes(results: Results, programme: ProgrammeResult) -> str:
    """Say what is proposed, in place of what, for whom."""
    basis = programme.basis
    proposed, current = (mix_text(mix, results.labels) for mix in (basis.proposed_mix, basis.current_mix))
    return f"{proposed}, in place of today's {current}, in adults with high-risk gastric varices that never bled"


def first_year(results: Results, risk: Risk | None, key: str) -> float:
    """Risk of a first bleed within a year, expected over the draws where there are any."""
    return float(risk.expected.strategies[key]["first_bleed_risk"]["1"] if risk else results.strategies[key].first_bleed_risk[1])


def natural_course(results: Results, risk: Risk | None) -> str:
    """Say how many bleed in the first year without prophylaxis, under the lead strategy and under its comparators."""
    keys = [key for key in dict.fromkeys((WATCH, *results.beside, results.lead)) if key in results.strategies]
    told = [f"{f.percent(first_year(results, risk, key), 1)} with {phrases.short(results, key)}" for key in keys]
    return f"A first bleed within a year: {', '.join(told)}."


def answer(programme: ProgrammeResult) -> tuple[str, str]:
    """Give the programme's answer in a sentence, and what is asked."""
    if programme.basis.is_change and programme.decision:
        return programme.decision.sentence, programme.decision.text
    return "Nothing is proposed: the proposed mix is today's mix.", "none: the proposed mix is today's."


def _other_readings(results: Results, programme: ProgrammeResult) -> tuple[Paragraph, ...]:
    """Give the same money counted or paid otherwise."""
    currency, numbers, basis = results.settings.currency, programme.headline, programme.basis
    counted = numbers.npv_with_capacity
    others = {"with freed staff time counted as money": counted} if round(counted - numbers.npv_cash) else {}
    others |= {
        UNDER[name]: view.headline.npv_cash for name, view in programme.views.items() if name not in ("as_paid", basis.payment_view)
    }
    if programme.places:
        _, *partners, together = ((place.name, float(place.npv_cash.mean())) for place in programme.places)
        theirs = ", ".join(f"{name} {f.money_change(cash, currency)}" for name, cash in partners)
        others[f"for all places together (partners: {theirs})"] = together[1]
    listed = ", ".join(f"{f.money(value, currency)} {words}" for words, value in others.items())
    return (Paragraph(f"{listed}.", lead="The same, read otherwise: "),) if listed else ()


def _margin(results: Results, programme: ProgrammeResult) -> tuple[Paragraph, ...]:
    """Say on the first page where an averted bleed lowers the hospital's own margin."""
    views, currency = programme.views, results.settings.currency
    view = views.get("as_paid") or views[programme.basis.payment_view]
    if not view.averted_bleed_lowers_margin:
        return ()
    said = lowered_margin(view, lambda value: f.money(value, currency))
    return (Paragraph(said[0].upper() + said[1:], lead="As this hospital is paid: "),)


def by_standing(results: Results, risk: Risk | None, keys: Sequence[str]) -> str:
    """Name options with how they stand, those that stand alike together."""
    names = results.labels
    groups: dict[str, list[str]] = {}
    for key in keys:
        groups.setdefault(standing(results, risk, key), []).append(phrases.lower(names[key]))
    return "; ".join(f"{', '.join(found)} ({'each ' if len(found) > 1 else ''}{words})" for words, found in groups.items())


def frontier(results: Results, risk: Risk | None) -> Sequence[FrontierRow]:
    """Efficiency frontier, of means over the draws where there are any."""
    return risk.expected.frontier if risk else results.frontier


def standing(results: Results, risk: Risk | None, key: str) -> str:
    """Say how an option stands on the efficiency frontier, against the case's threshold where it has one."""
    rows = frontier(results, risk)
    row = next(row for row in rows if row.key == key)
    best = max((one for one in rows if one.cost < row.cost), key=lambda one: one.effect, default=None)
    if best and as_effective(best.effect, row.effect):
        return f"dearer than {phrases.lower(results.labels[best.key])}, QALYs about equal"
    if row.status in OFF_FRONTIER:
        return OFF_FRONTIER[row.status]
    if row.icer is None:
        return "the cheapest"
    limit, currency = results.settings.willingness_to_pay, results.settings.currency
    told = f"{f.money(row.icer, currency)} a further QALY"
    return (
        told if limit is None else f"{told}, {'within' if row.icer <= limit else 'above'} the threshold of {f.money(limit, currency)}"
    )


def key_numbers(case: Case, results: Results, programme: ProgrammeResult, risk: Risk | None) -> KeyNumbers:
    """Eight numbers: four of benefit and money, four of cost and harm."""
    currency, numbers, basis, lead = results.settings.currency, programme.headline, programme.basis, results.lead
    time, drawn, saved = f.duration(basis.budget_years), programme.uncertainty, programme.savings
    nnt, spread = _nnt(results, risk)
    versus, named = phrases.short(results, results.beside[0]), phrases.lower(results.labels[lead])
    volumes, held_against = _volume(programme.break_even)
    caused = saved.harms_added
    chance = "chance of a loss: run with draws"
    if drawn:
        lost = programme.luck.probability_cash_loss if programme.luck else drawn.probability_cash_loss
        chance = f"chance of a loss {f.percent(lost)}, {drawn.draws} draws"
    return KeyNumbers(
        (
            KeyNumber(f.number(numbers.patients_per_year, 1), "Patients a year", f"mean of {time} with backlog and growth"),
            KeyNumber(nnt, f"NNT at {NNT_YEAR} years v. {versus}", f"{named}; {spread}"),
            KeyNumber(
                f"{f.number(abs(numbers.bleeds_averted), 1)} / {f.number(abs(saved.bleeding_deaths_averted), 1)}",
                f"{'Bleeds and deaths averted' if numbers.bleeds_averted >= 0 else 'More bleeds and deaths'} in {time}",
                f"v. today's mix; {_spread(programme)}bleeds of glue or ulcer caused beside: {f.number(caused['ulcer_bleed'], 1)}",
            ),
            KeyNumber(f.money(numbers.npv_cash, currency), f"Cash NPV at {f.percent(basis.finance_rate, 1)}", chance),
            KeyNumber(
                f"{f.number(caused['deaths_procedure'], 1)} / {f.number(caused['embolism'], 1)}",
                f"Procedure deaths and embolisms caused in {time}",
                "expected; silent emboli apart",
            ),
            KeyNumber(f.money(numbers.peak_cash, currency), "Peak cash", f"lowest cumulative; payback {numbers.payback_text}"),
            KeyNumber(volumes, "Break-even patients a year", held_against),
            KeyNumber(
                (case.parameters.strategies[lead].evidence_grade or "not graded").capitalize(),
                "Certainty of the evidence",
                f"for {named}",
            ),
        )
    )


def _spread(programme: ProgrammeResult) -> str:
    """Interval of the bleeds averted, of inputs and luck; empty without draws."""
    if not programme.luck:
        return ""
    both = programme.luck.rows[-1].bleeds_averted
    return f"95% {f.number(both.low, 1)} to {f.number(both.high, 1)}; "


def _nnt(results: Results, risk: Risk | None) -> tuple[str, str]:
    """NNT of the lead against the first comparator, and its interval with the NNT against the others."""
    key = results.lead
    nnt, spread = f.NOTHING, "is the comparator"
    for versus in results.beside:
        if results.against(versus, key) is None:
            continue
        shown = f.nnt(phrases.nnt_expected(results, risk, versus, NNT_YEAR))
        wide = phrases.nnt_interval(risk, versus, key, NNT_YEAR)
        if versus == results.beside[0]:
            nnt, spread = shown, f"95% interval {wide}" if wide else "interval: run with draws"
        else:
            spread += f"; v. {phrases.short(results, versus)} {shown}" + (f" ({wide})" if wide else "")
    return nnt, spread


def _volume(found: BreakEven) -> tuple[str, str]:
    """Volumes that pay in cash, the lowest range of them, and what they are held against."""
    if found.expected == 0:
        return f.NOTHING, "nobody is expected to start"
    said = f"a steady year brings {f.number(found.steady_state, 1)}"
    if not found.intervals_cash:
        return "None", f"{said}; no volume up to three times that pays"
    (low, high), *others = found.intervals_cash
    if others:
        said += "; and in ranges above, as cost rises in steps"
    if found.capacity is not None and low > found.capacity:
        said += f"; slots allow {f.number(found.capacity, 1)}"
    return f"{f.number(low, 1)} {'and more' if high is None else f'to {f.number(high, 1)}'}", said


def _charts(results: Results, programme: ProgrammeResult) -> Section:
    drawn = tuple(programme_chart(name, programme, results.settings.currency) for name in CHARTS)
    return Section("Cash, contribution, downside and bleeds", (Charts(drawn),))


def risks_table(programme: ProgrammeResult) -> Table:
    """What costs the most cash if it goes wrong, one at a time; who watches it is for the site to say."""
    worst = [row for row in programme.downside if row.npv_cash_change < 0 and not row.worst][:MOST_RISKS]
    money = f"{programme.basis.cash} {programme.basis.currency}"
    return table(
        f"Risks, against today's mix ({money})",
        (("If", 3.0), ("Cash NPV", 1.1, True), ("Owner", 1.3)),
        [(row.said, f.money(row.npv_cash, programme.basis.currency), "________") for row in worst],
    )


def counted(programme: ProgrammeResult) -> tuple[Paragraph, ...]:
    """What will show the benefit, its baseline, and last year's count where there is one."""
    last = programme.bleeds[-1]
    baseline = (
        f"bleeds among those started; today's mix predicts {f.number(last.cumulative_without, 1)} in "
        f"{f.duration(programme.basis.budget_years)}, the programme {f.number(last.cumulative_with, 1)}."
    )
    checked = programme.reality.text if programme.reality else "Last year's bleeds in such patients, to check against: ________."
    return (Paragraph(f"{baseline} {checked}", lead="Benefit to be counted: "),)


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


def evidence(case: Case, programme: ProgrammeResult) -> Table:
    """Certainty and harms of the strategies of either mix."""
    basis = programme.basis
    keys = [key for key in case.parameters.strategies if basis.proposed_mix.get(key) or basis.current_mix.get(key)]
    return blocks.harms_table([case.parameters.strategies[key] for key in keys])


def _position() -> Paragraph:
    return Paragraph(" ".join(map(said, ("standing", "without_a_drug", "off_label"))), tone="caution")


def harms(programme: ProgrammeResult) -> Paragraph:
    """Harms added or avoided over the budget, beside bleeds and deaths averted."""
    found = programme.savings
    kinds = {word: found.harms_added[name] for name, word in HARMS.items() if abs(found.harms_added[name]) >= LEAST}
    added = ", ".join(f"{f.number(n, 1)} {word}" for word, n in kinds.items() if n > 0)
    avoided = ", ".join(f"{f.number(-n, 1)} {word}" for word, n in kinds.items() if n < 0)
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
