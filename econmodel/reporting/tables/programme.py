"""The programme's tables: budget by year, memo lines, intervals, payment views, capacity and downside."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from econmodel.economics.results import Results
from econmodel.programme.capacity import SlotsYear
from econmodel.programme.headline import Spread
from econmodel.programme.luck import DOUBTS, SEEN, Luck
from econmodel.programme.money.rows import Row
from econmodel.programme.money.summary import SummaryLine
from econmodel.programme.options import STANDING, OptionRow
from econmodel.programme.places import PLACES
from econmodel.programme.reconciliation import LATER
from econmodel.programme.report import ProgrammeResult
from econmodel.programme.site_budgets import PLACE_ROWS
from econmodel.programme.views import PaymentView
from econmodel.reporting import formatting as f
from econmodel.reporting.papers import phrases
from econmodel.reporting.papers.content import Table, table

LEFT_OUT = (Row.SESSIONS, Row.BED_DAYS)
UNDER = {"as_paid": "as it is paid now", "per_episode": "under per-episode payment", "block": "under a block budget"}
MOST_YEARS = 6


def row_name(row: Row) -> str:
    """Name of a row of the budget; what is taken away says so.

    Examples
    --------
    >>> row_name(Row.PROPHYLAXIS_COST), row_name(Row.PRESENT_VALUE)
    ('R5 less prophylaxis variable cost', 'R19 Present value')
    """
    return f"{row.split('_')[0]} " + (f"less {phrases.lower(row.label)}" if row.is_cost else row.label)


def _few(years: Sequence[int], most: int, names: Sequence[str]) -> tuple[Sequence[int], str]:
    """First years and the last one, where there are more than fit, and which are left out."""
    if len(years) <= most:
        return years, ""
    return (*years[: most - 1], years[-1]), f" {names[years[most - 1]]} to {names[years[-2]]} are in the technical report."


def finance_table(results: Results, programme: ProgrammeResult) -> Table:
    """Rows of the budget by year, with totals."""
    currency = results.settings.currency
    years, names, basis = programme.years, programme.basis.year_names, programme.basis

    def text(row: Row, value: float) -> str:
        return f.number(value, 1) if row.is_count else f.money(value, currency)

    rows = [
        (row_name(row), *(text(row, year.rows[row]) for year in years), text(row, programme.totals[row]))
        for row in Row
        if row not in LEFT_OUT and any(year.rows[row] for year in years)
    ]
    peak = programme.peak_cash_after_financing
    after = "" if peak is None else f" After financing (R18 less R17f) peak cash is {f.money(peak, currency)}."
    return table(
        f"Change against today's mix by year ({basis.cash} {currency})",
        (("Row", 2.6), *((names[year.year], 1.0, True) for year in years), ("Total", 1.0, True)),
        rows,
        note=f"Equipment: {basis.capital}. NPV discounts each month's net cash at {f.percent(basis.finance_rate, 1)}. "
        f"{basis.carried}{after} Rows that are zero throughout are left out.",
    )


def summary_table(programme: ProgrammeResult) -> Table:
    """The budget in a director's lines by year, with totals."""
    lines, basis = programme.summary, programme.basis
    years = [year for year in range(len(lines[0].years)) if year or any(line.years[0] for line in lines)]
    kept, left_out = _few(years, MOST_YEARS, basis.year_names)

    def text(line: SummaryLine, value: float) -> str:
        return f.number(value, 1) if line.is_count else f.money(value, basis.currency)

    return table(
        f"Change against today's mix by year ({basis.cash} {basis.currency})",
        (("", 2.6), *((basis.year_names[year], 1.0, True) for year in kept), ("Total", 1.0, True)),
        [
            (line.label, *(text(line, line.years[year]) for year in kept), text(line, line.total))
            for line in lines
            if line.is_count or any(line.years)
        ],
        note=f"Equipment: {basis.capital}. NPV discounts each month's net cash at {f.percent(basis.finance_rate, 1)}.{left_out} "
        f"{later_text(programme)}Rows by code: technical report.",
    )


def later_text(programme: ProgrammeResult) -> str:
    """Cash of the years after the budget in a sentence; empty where it is not told."""
    if programme.later_cash is None:
        return ""
    return f"Years {LATER[0]} to {LATER[1]}, if it goes on: net cash {f.money(programme.later_cash, programme.basis.currency)}. "


def memo_table(results: Results, programme: ProgrammeResult) -> Table:
    """What stands beside cash: depreciation, capital charge, reported surplus, absorbed full cost; IRR, textbook volume."""
    currency, years = results.settings.currency, [year for year in programme.years if year.year]
    lines = {
        "Depreciation, straight line": [year.memo.depreciation for year in years],
        "Lease and payment per use (cash)": [year.memo.hire for year in years],
        "Charge for use of existing equipment": [year.memo.use_charge for year in years],
        "Capital charge on book value": [year.memo.capital_charge for year in years],
        "Interest on loans": [year.memo.interest for year in years],
        "Reported surplus": [year.memo.reported_surplus for year in years],
        "Absorbed full cost of prophylaxis": [year.memo.absorbed_full_cost for year in years],
    }
    volume = programme.break_even
    textbook = "none, as a start adds no contribution" if volume.textbook is None else f"{volume.textbook:,.1f} starts a year"
    return table(
        f"Beside cash: memo lines, against today's mix ({programme.basis.cash} {currency})",
        (("Line", 2.6), *((programme.basis.year_names[year.year], 1.0, True) for year in years)),
        [(label, *(f.money(amount, currency) for amount in amounts)) for label, amounts in lines.items()],
        note=f"Internal rate of return: {programme.headline.irr_text}. Break-even volume by the textbook ratio "
        f"(yearly fixed cost and annualised capital, over contribution per start): {textbook}; searched, with steps: {volume.text}.",
    )


def interval_tables(results: Results, programme: ProgrammeResult) -> tuple[Table, ...]:
    """Interval of every headline over the draws; none where there are no draws."""
    found, currency = programme.uncertainty, results.settings.currency
    if found is None:
        return ()

    def row(label: str, base: float | None, spread: Spread, digits: int | None) -> tuple[str, ...]:
        def say(value: float | None) -> str:
            return f.money(value, currency) if digits is None else f.number(value, digits)

        return (label, say(base), say(spread.mean), say(spread.low), say(spread.high), f.percent(spread.share_without_answer))

    numbers, spread = programme.headline, found.spread
    rows = [
        row("Net present value in cash", numbers.npv_cash, spread.npv_cash, None),
        row("with staff time freed counted", numbers.npv_with_capacity, spread.npv_with_capacity, None),
        row("Peak cash", numbers.peak_cash, spread.peak_cash, None),
        row("Year-3 net contribution", numbers.year_3_net_contribution, spread.year_3_net_contribution, None),
        row("Net cash", numbers.net_cash, spread.net_cash, None),
        row("Payback, years", numbers.payback_years, spread.payback_years, 1),
        row("Patients a year", numbers.patients_per_year, spread.patients_per_year, 1),
        row("Bleeds averted", numbers.bleeds_averted, spread.bleeds_averted, 1),
        row("Bed-days released", numbers.bed_days_released, spread.bed_days_released, 0),
    ]
    chance = f.percent(found.probability_cash_loss)
    return (
        table(
            f"Programme against today's mix: intervals over {found.draws:,} draws ({programme.basis.cash} {currency})",
            (
                ("Headline", 2.2),
                ("Base case", 1.0, True),
                ("Mean", 1.0, True),
                ("2.5%", 1.0, True),
                ("97.5%", 1.0, True),
                ("Draws without one", 1.0, True),
            ),
            rows,
            note=f"Chance of a net present value in cash below zero: {chance}. Payback: among draws that pay back.",
        ),
        *((luck_table(programme.luck, currency, f"{programme.basis.cash} {currency}"),) if programme.luck else ()),
    )


def luck_table(found: Luck, currency: str, money: str) -> Table:
    """Doubt about the inputs, luck alone, and both; and the counts that the programme will see."""

    def spread(one: Spread, *, money: bool = False) -> str:
        mean, low, high = (f.money(x, currency) if money else f.number(x, 1) for x in (one.mean, one.low, one.high))
        return f"{mean} ({low} to {high})"

    words = {"parameters": "Inputs and structure", "luck": "Luck alone, inputs at their base values", "both": "Both"}
    rows = [
        (words[row.doubt], spread(row.bleeds_averted), spread(row.npv_cash, money=True), f.percent(row.probability_cash_loss))
        for row in found.rows
    ]
    seen = ", ".join(f"{SEEN[name].lower()} {spread(one)}" for name, one in found.seen.items())
    return table(
        f"What so few patients leave to chance, against today's mix: mean and 95% interval, {found.draws:,} draws ({money})",
        (("Doubt", 2.2), ("Bleeds averted", 1.6, True), ("Cash NPV", 2.2, True), ("Below zero", 0.8, True)),
        rows,
        note=f"Counts that the programme will see: {seen}. With and without the programme luck is independent, the cautious reading.",
    )


def views_table(results: Results, programme: ProgrammeResult) -> Table:
    """Put the two payment views side by side, with the refill contribution that makes averted bleeds neutral."""
    currency, views = results.settings.currency, programme.views

    def row(heading: str, *amounts: float) -> tuple[str, ...]:
        return (heading, *(f.money(amount, currency) for amount in amounts))

    lowers = [UNDER[name] for name, view in views.items() if view.averted_bleed_lowers_margin]
    note = f"An averted bleed lowers the hospital's cash {' and '.join(lowers)}. " if lowers else ""
    first = next(iter(views.values()))
    note += (
        f"The input is {f.money(first.refill_contribution, currency)} per refilled bed-day; under a block budget refill earns nothing."
    )
    return table(
        f"How the hospital is paid decides the result against today's mix ({programme.basis.cash} {currency})",
        (("", 2.0), *((v.label, 1.5, True) for v in views.values())),
        [
            row("Net present value in cash", *(view.headline.npv_cash for view in views.values())),
            row("with staff time freed counted", *(view.headline.npv_with_capacity for view in views.values())),
            ("Payback", *(view.headline.payback_text for view in views.values())),
            row("Peak cash", *(view.headline.peak_cash for view in views.values())),
            row("Cash margin per bleed averted", *(view.bleed_margin_per_bleed for view in views.values())),
            ("Neutral refill per bed-day", *(_neutral(view, currency) for view in views.values())),
        ],
        note=note,
    )


def _neutral(view: PaymentView, currency: str) -> str:
    if view.headline.bleeds_averted <= 0:
        return f.NOTHING
    if not view.averted_bleed_lowers_margin:
        return "none needed"
    needed = view.neutral_refill.per_refilled_day
    return "no bed is refilled" if needed is None else f.money(needed, currency)


def capacity_table(programme: ProgrammeResult, most: int = 99) -> Table:
    """Slots, beds and staffing by year; at most so many years."""
    names = programme.basis.year_names
    kept, _ = _few([year.year for year in programme.capacity], most, names)
    years = [year for year in programme.capacity if year.year in kept]
    used = [key for key in PLACES if any(year.slots[key].taken or year.slots[key].blocks for year in programme.capacity)]
    slots = [(f"{PLACES[key].label} slots, of all", *(_slots(year.slots[key]) for year in years)) for key in used]
    blocks = ("Staff blocks to add", [year.step_fixed_blocks for year in years], 0)
    lines = (
        *((("Surveillance examinations", [year.surveillance_examinations for year in years], 0), blocks) if most > MOST_YEARS else ()),
        ("Posts to add (whole-time)", [year.posts for year in years], 1),
        ("Bed-days released", [year.bed_days_released for year in years], 1),
        ("Beds released", [year.beds_released for year in years], 2),
        ("Waiting at year end", [year.waiting_at_year_end for year in years], 1),
    )
    return table(
        f"Slots, staff and beds, against today's mix ({programme.basis.cash} {programme.basis.currency})",
        (("", 2.2), *((names[y.year], 0.7, True) for y in years)),
        [*slots, *((label, *(f.number(count, digits) for count in counts)) for label, counts, digits in lines)],
        note=savings_text(programme) if most > MOST_YEARS else "",
    )


def _slots(slots: SlotsYear) -> str:
    return f"{f.number(slots.taken)}/{f.number(slots.available)}"


def places_table(programme: ProgrammeResult) -> tuple[Table, ...]:
    """Money of hub, partners and all together over the budget; none without partners."""
    if not programme.places:
        return ()
    currency = programme.basis.currency
    rows = {row: [float(place.years[row].sum(axis=1).mean()) for place in programme.places] for row in PLACE_ROWS if not row.is_count}
    shown = [(row_name(row), *(f.money(v, currency) for v in values)) for row, values in rows.items() if any(map(round, values))]
    worth = ("Net present value in cash", *(f.money(float(place.npv_cash.mean()), currency) for place in programme.places))
    return (
        table(
            f"Hub and partners over the budget, change against today's mix ({programme.basis.cash} {currency})",
            (("Row", 2.6), *((place.name, 1.0, True) for place in programme.places)),
            [*shown, worth],
            note="Transfers between places add up to nothing. Fixed cost, blocks of slots and equipment are the hub's alone, "
            "prices and payers too unless a site has its own.",
        ),
    )


def savings_text(programme: ProgrammeResult) -> str:
    """Say the three kinds of saving with their amounts, never added together."""
    found, currency = programme.savings, programme.basis.currency
    bought, freed = (f.money(abs(amount), currency) for amount in (found.supplies_and_agency_staff, found.freed_staff_time))
    if found.bleeds_averted < 0:
        return f"No savings: the bleeds added cost {bought} of supplies and agency staff and {freed} of staff time over the budget."
    return (
        f"Savings over the budget, never added together: cash-releasing {bought} (supplies, agency staff; "
        f"{f.number(found.closable_bed_blocks)} blocks of beds closed); capacity {f.number(found.bed_days, 1)} "
        f"bed-days and staff time of {freed}; quality {f.number(found.bleeds_averted, 1)} bleeds averted."
    )


def switching_table(results: Results, programme: ProgrammeResult) -> tuple[Table, ...]:
    """What, alone, turns the sign of the cash; none where nothing does."""
    if not programme.switching or not programme.switching.rows:
        return ()
    return (
        table(
            f"What alone turns the sign of net present value in cash, against today's mix ({f.price_note(results.settings)})",
            (("Input", 3.4), ("Turns at", 1.0, True), ("Now", 1.0, True), ("Low", 1.0, True), ("High", 1.0, True), ("Unit", 1.2)),
            [(r.label, *map(f.plain, (r.value, r.base, r.low, r.high)), r.unit) for r in programme.switching.rows],
            note="The nearest first, in half ranges. Effects stay calibrated on the evidence. By volume it "
            f"{programme.break_even.volumes}.",
        ),
    )


def options_table(programme: ProgrammeResult, *, short: bool = False) -> tuple[Table, ...]:
    """What each option does over the budget against today's mix; none of a budget without the case it belongs to."""
    found, decision = programme.options, programme.decision
    if found is None or decision is None:
        return ()
    say = partial(f.money, currency=found.currency)
    columns: dict[tuple[str, float, bool], Callable[[OptionRow], str]] = {
        ("Option", 3.4 if short else 2.0, False): lambda row: row.label,
        ("Cash NPV", 1.25, True): lambda row: say(row.npv_cash),
        ("Chance of a loss, inputs and luck", 0.9, True): lambda row: f.percent(row.probability_cash_loss),
        ("Bleeds averted", 0.8, True): lambda row: f.number(row.bleeds_averted, 1),
        ("Bleed deaths averted", 1.0, True): lambda row: f.number(row.bleed_deaths_averted, 1),
        ("Procedure deaths", 1.1, True): lambda row: f.number(row.procedure_deaths, 1),
        ("Emboli", 0.7, True): lambda row: f.number(row.embolisms, 1),
        ("Bleeds caused", 0.7, True): lambda row: f.number(row.harms["ulcer_bleed"], 1),
        ("Cash a bleed averted", 1.0, True): lambda row: say(row.cash_per_bleed),
    }
    title = f"Options, {f.span(found.years)} against today's mix ({programme.basis.cash} {found.currency})"
    kept = [row for row in found.rows if not short or row is found.proposal or row.mix != found.proposal.mix]
    rows = [tuple(cell(row) for cell in columns.values()) for row in kept]
    return (table(title, tuple(columns), rows, note=decision.order if short else f"{decision.sentence} {decision.order}"),)


def options_step_table(programme: ProgrammeResult) -> tuple[Table, ...]:
    """What each option needs of cash, and what a further bleed averted costs; none of a budget without its case."""
    found = programme.options
    if found is None:
        return ()
    say = partial(f.money, currency=found.currency)
    further = {
        row.key: STANDING[row.standing] if row.cash_per_further_bleed is None else say(row.cash_per_further_bleed)
        for row in found.rows
    }
    columns = (("Option", 2.4), ("With time freed", 1.0, True), ("Peak cash", 1.0, True), ("Each further bleed averted", 2.4, True))
    rows = [(row.label, say(row.npv_with_capacity), say(row.peak_cash), further[row.key]) for row in found.rows]
    return (table(f"Options, step by step, against today's mix ({programme.basis.cash} {found.currency})", columns, rows),)


def options_value_table(programme: ProgrammeResult) -> tuple[Table, ...]:
    """What each option is worth over a lifetime, under either payment, and in slots; none of a budget without its case."""
    found = programme.options
    if found is None:
        return ()
    say = partial(f.money, currency=found.currency)
    columns: dict[tuple[str, float, bool], Callable[[OptionRow], str]] = {
        ("Option", 2.6, False): lambda row: row.label,
        ("QALYs gained", 0.9, True): lambda row: f.number(row.qalys, 1),
        ("Extra full cost, lifetime", 1.1, True): lambda row: say(row.full_cost),
        ("Cost per QALY", 1.0, True): lambda row: "saves" if row.full_cost < 0 < row.qalys else say(row.cost_per_qaly),
        ("NPV if per episode", 1.1, True): lambda row: say(row.npv_by_view["per_episode"]),
        ("NPV if block", 1.1, True): lambda row: say(row.npv_by_view["block"]),
        ("Cash, last year", 1.0, True): lambda row: say(row.recurrent_cash),
        ("Slots, last year", 0.7, True): lambda row: f.number(sum(row.slots[-1].values())),
        ("Waiting at the end", 0.8, True): lambda row: f.number(row.waiting, 1),
        ("Chance of a loss, inputs / luck alone", 1.1, True): lambda row: " / ".join(
            f.percent(row.p_cash_loss.get(x)) for x in DOUBTS[:2]
        ),
    }
    rows = [tuple(cell(row) for cell in columns.values()) for row in found.rows]
    title = f"Options by value, payment and slots, against today's mix ({programme.basis.cash} {found.currency})"
    note = "QALYs and full cost: over a lifetime, of those who start within the budget, discounted; full cost is never cash."
    return (table(title, tuple(columns), rows, note=note),)


def reconciliation_table(programme: ProgrammeResult) -> tuple[Table, ...]:
    """Walk from full cost against usual care to cash; none of a budget without the case it belongs to."""
    currency = programme.basis.currency
    rows = [(step.label, f.money_change(step.change, currency), f.money(step.total, currency)) for step in programme.reconciliation]
    title = f"From full cost to cash, {f.duration(programme.basis.budget_years)} of starts ({programme.basis.cash} {currency})"
    columns = (("Step", 4.0), ("Change", 1.2, True), ("Comes to", 1.2, True))
    return (table(title, columns, rows, note=later_text(programme).strip()),) if rows else ()


def downside_table(results: Results, programme: ProgrammeResult) -> Table:
    """Tell what happens if things go worse, one at a time and together."""
    currency = results.settings.currency
    rows = [
        (
            row.said,
            f.money(row.npv_cash, currency),
            f.money_change(row.npv_cash_change, currency),
            row.payback_text,
            f.money(row.peak_cash, currency),
            f.number(row.bleeds_averted, 1),
        )
        for row in programme.downside
    ]
    return table(
        f"What could go wrong, against today's mix ({programme.basis.cash} {currency})",
        (
            ("Change", 3.4),
            ("Cash NPV", 1.0, True),
            ("Change", 1.0, True),
            ("Payback", 1.5, True),
            ("Peak cash", 1.0, True),
            ("Bleeds averted", 0.8, True),
        ),
        rows,
    )
