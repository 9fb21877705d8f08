"""The programme's four charts: cumulative cash, contribution bridge, downside, bleeds with and without."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from econmodel.reporting import formatting as f
from econmodel.reporting.charts.figures import Spec, drawer, headed
from econmodel.reporting.charts.style import ACCENT, INK, MUTED, WARM
from econmodel.reporting.papers.content import Chart

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.lines import Line2D
    from matplotlib.patches import Rectangle

    from econmodel.programme.downside import DownsideRow
    from econmodel.programme.report import ProgrammeResult

MOST_BARS = 18
CHARTS = ("programme_cash", "programme_bridge", "programme_downside", "programme_bleeds")
FAN = ((0.025, 0.975, 0.14), (0.25, 0.75, 0.24))
LINES = {
    "base": (ACCENT, "-", "Base case"),
    "best": ("#0b8659", (0, (5, 2)), "Favourable"),
    "worst": (WARM, (0, (2, 1.5)), "Worst three"),
}
SHORT_LABELS = {
    "volume_half": "Half the volume",
    "delay_12_months": "Twelve months' delay",
    "operator_absent": "Operator away six months",
    "operator_covered": "Operator away, covered",
    "overtime": "Staff time as overtime",
    "payment_less_20": "Payment 20% lower",
    "view_block": "Block budget throughout",
    "view_per_episode": "Per-episode throughout",
    "bleeds_little_cash": "Bleeds' cash share 20%",
    "sessions_own_staff": "Own staff do sessions",
    "no_usual_follow_up": "Untreated not examined",
    "refill_zero": "No bed refilled",
    "surveillance_unpaid": "Examinations not paid",
    "cost_more_20": "Own work costs 20% more",
    "low_attendance": "Most patients lost",
    "harms_doubled": "Complications doubled",
    "dense_usual_follow_up": "Untreated seen as often",
    "do_minimum": "Usual care is today's",
    "new_capital": "Equipment bought new",
    "lease": "Equipment leased",
    "payment_national": "Inpatient pay, national",
    "payment_teaching": "Inpatient pay, teaching",
    "six_coils": "Six coils a session",
    "coil_ratio_one": "EUS no better than glue",
    "glue_hr_half": "Glue only halves bleeds",
    "low_untreated_risk": "Low untreated risk",
    "beta_blocker_background": "Beta-blocker beneath all",
    "effect_two_years": "Effect lasts two years",
    "stopped_month_12": "Stopped at month 12",
    "three_worst": "Worst three together",
}
SHORT_STEPS = {
    "full_cost": "Full cost, lifetime, v. usual care",
    "as_paid": "As paid, within the budget",
    "todays_mix": "Against today's mix instead",
    "fixed": "Fixed cost, equipment, tax, debtors",
    "discounting": "Discounting",
}
GAIN, LOSS = "#3f7f9b", "#c8573d"


def plot_cash(programme: ProgrammeResult, *, ax: Axes, currency: str) -> dict[str, Line2D]:
    """Cumulative net cash by quarter: base and favourable with the fan over draws on their own scale, the worst case below it."""
    cash = programme.cumulative_cash
    for low, high, alpha in FAN if cash.fan else ():
        ax.fill_between(cash.year, cash.fan[low], cash.fan[high], color=ACCENT, alpha=alpha, linewidth=0)
    lines = {"base": cash.base, "best": cash.best, "worst": cash.worst}
    shown = [*cash.base, *cash.best, 0.0, *(value for line in cash.fan.values() for value in line)]
    room = 0.08 * ((max(shown) - min(shown)) or 1.0)
    floor = min(shown) - room
    told = {name: line for name, line in LINES.items() if lines[name]}
    drawn = {name: ax.plot(cash.year, lines[name], color=colour, linestyle=dash)[0] for name, (colour, dash, _) in told.items()}
    ax.axhline(0, color=MUTED, linewidth=0.7)
    ax.set(xlim=(0, cash.year[-1]), ylim=(floor, max(shown) + room), xlabel="Years since start")
    ax.yaxis.set_major_formatter(lambda value, _: f.money_short(value, currency))
    for i, (colour, dash, label) in enumerate(told.values()):
        x = (0.0, 0.245, 0.505)[i]
        ax.plot([x, x + 0.06], [1.08, 1.08], color=colour, linestyle=dash, transform=ax.transAxes, clip_on=False)
        where = ": below, " if max(cash.worst, default=0.0) < floor else ", ends "
        ends = f"{where}{f.money_short(cash.worst[-1], currency)}" if label == LINES["worst"][2] else ""
        ax.text(x + 0.075, 1.08, label + ends, transform=ax.transAxes, va="center", fontsize=6.6)
    return drawn


def plot_bridge(programme: ProgrammeResult, *, ax: Axes, currency: str) -> dict[str, Rectangle]:
    """Bridge from full cost over a lifetime to the net present value in cash; what it starts and ends with in another colour."""
    steps = programme.reconciliation
    bars = [(step.key, SHORT_STEPS[step.key], step.total - step.change, step.change) for step in steps]
    bars += [("npv_cash", "Net present value in cash", 0.0, step.total) for step in steps[-1:]]
    drawn = {}
    for i, (key, _, start, value) in enumerate(bars):
        colour = ACCENT if i in (0, len(steps)) else GAIN if value >= 0 else LOSS
        drawn[key] = ax.barh(-i, value, left=start, height=0.66, color=colour)[0]
        ax.text(max(start, start + value), -i, " " + f.money_short(value, currency), va="center", fontsize=6.8, color=INK)
    ax.set_yticks([-i for i in range(len(bars))], [bar[1] for bar in bars], fontsize=6.8)
    _money_axis(ax, currency, [side for _, _, start, value in bars for side in (start, start + value)])
    return drawn


def plot_downside(programme: ProgrammeResult, *, ax: Axes, currency: str) -> dict[str, Rectangle]:
    """Net present value if one thing goes worse, the worst and the three together, with the base case as a line."""
    base, worse = programme.headline.npv_cash, (*programme.downside[: MOST_BARS - 1], programme.downside[-1])
    bars = {
        row.key: ax.barh(-i, row.npv_cash, height=0.66, color=ACCENT if row.npv_cash >= 0 else LOSS)[0] for i, row in enumerate(worse)
    }
    ax.axvline(base, color=INK, linewidth=1.0, linestyle=(0, (4, 2)))
    ax.text(base, 0.75, f"base {f.money_short(base, currency)}", ha="center", va="bottom", fontsize=6.8)
    for i, row in enumerate(worse):
        ax.text(max(row.npv_cash, base, 0.0), -i, "  " + f.money_short(row.npv_cash, currency), va="center", fontsize=6.2)
    ax.set_yticks([-i for i in range(len(worse))], [_short(row) for row in worse], fontsize=6.8)
    ax.set_ylim(0.4 - len(worse), 0.6)
    _money_axis(ax, currency, [base, *(row.npv_cash for row in worse)])
    return bars


def _short(row: DownsideRow) -> str:
    return SHORT_LABELS.get(row.key, row.label.split(":", maxsplit=1)[0][:40])


def plot_bleeds(programme: ProgrammeResult, *, ax: Axes) -> dict[str, Line2D]:
    """Cumulative bleeds among those who start, without and with the programme."""
    years = [year.year for year in programme.bleeds]
    without = [year.cumulative_without for year in programme.bleeds]
    with_ = [year.cumulative_with for year in programme.bleeds]
    ax.fill_between(years, with_, without, color=ACCENT, alpha=0.12, linewidth=0)
    drawn = {
        "without": ax.plot(years, without, color=WARM, marker="o")[0],
        "with": ax.plot(years, with_, color=ACCENT, marker="s", linestyle=(0, (5, 2)))[0],
    }
    lines = [(without[-1], "Current mix", WARM), (with_[-1], "Programme", ACCENT)]
    (low, below, low_colour), (high, above, high_colour) = sorted(lines, key=lambda line: line[0])
    if f.number(low, 1) == f.number(high, 1):
        above = "Current mix and programme"
    else:
        ax.text(years[-1], 0.35 * low, f"{below}: {f.number(low, 1)}", ha="right", va="center", color=low_colour)
    ax.text(years[-1], 1.02 * high, f"{above}: {f.number(high, 1)}", ha="right", va="bottom", color=high_colour)
    ax.set(xticks=years, ylim=(0, 1.18 * max(*without, *with_) or 1), xlabel="Budget year", ylabel="Cumulative bleeds")
    return drawn


def _money_axis(ax: Axes, currency: str, values: list[float]) -> None:
    low, high = min(0.0, *values), max(0.0, *values)
    width = (high - low) or 1.0
    ax.set_xlim(low - 0.04 * width, high + 0.3 * width)
    ax.axvline(0, color=MUTED, linewidth=0.7)
    ax.grid(visible=True, axis="x")
    ax.grid(visible=False, axis="y")
    ax.tick_params(axis="y", length=0)
    ax.xaxis.set_major_formatter(lambda value, _: f.money_short(value, currency))
    ax.locator_params(axis="x", nbins=5)


def programme_figures(programme: ProgrammeResult, currency: str, place: str) -> dict[str, Spec]:
    """List the programme's figures; ``place`` names the hospital."""
    frames = programme.frames
    figures = {
        "programme_cash": Spec(
            frames["cumulative_cash"], 1.35, drawer(partial(plot_cash, programme, currency=currency), 0.16, 0.26, 0.82, 0.62)
        ),
        "programme_bridge": Spec(
            frames["bridge"], 1.35, drawer(partial(plot_bridge, programme, currency=currency), 0.47, 0.14, 0.50, 0.84)
        ),
        "programme_downside": Spec(
            frames["downside"], 1.95, drawer(partial(plot_downside, programme, currency=currency), 0.40, 0.09, 0.56, 0.84)
        ),
        "programme_bleeds": Spec(frames["bleeds"], 1.95, drawer(partial(plot_bleeds, programme), 0.13, 0.2, 0.85, 0.78)),
    }
    return headed(
        figures,
        lambda name: programme_chart(name, programme, currency).caption,
        f"Against today's mix, {f.duration(programme.basis.budget_years)}. {place}",
    )


def programme_chart(name: str, programme: ProgrammeResult, currency: str) -> Chart:
    """Caption and alternative text of a programme figure."""
    years = programme.basis.budget_years
    money = f"{programme.basis.cash} {currency}"
    fan = "; bands 50%, 95%" if programme.cumulative_cash.fan else ""
    known = {
        "programme_cash": (f"Cumulative cash ({money}){fan}", _cash_told(programme, currency)),
        "programme_bridge": (
            f"From full cost to cash, {f.duration(years)} of starts ({money})",
            "Bars from full cost over a lifetime against usual care, step by step, to the net present value in cash.",
        ),
        "programme_downside": (
            f"What could go wrong: net present value ({money})",
            "Bars of net present value for each downside row, with the base case as a dashed line.",
        ),
        "programme_bleeds": (
            "Bleeds among patients started, with and without",
            "Lines of cumulative bleeds under the current mix and under the programme.",
        ),
    }
    return Chart(name, *known[name])


def _cash_told(programme: ProgrammeResult, currency: str) -> str:
    """Say what the lines of cash show, with where they end."""
    cash = programme.cumulative_cash
    ends = {"base case": cash.base, "favourable case": cash.best, "the three worst downside rows together": cash.worst}
    lines = ", ".join(f"{words} ends at {f.money(line[-1], currency)}" for words, line in ends.items() if line)
    return f"Lines of cumulative net cash by quarter: {lines}."
