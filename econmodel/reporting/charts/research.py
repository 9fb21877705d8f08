"""Pictures of research: what it is worth to know, and what a study would save per patient and be worth after its cost, by its size."""

from __future__ import annotations

from functools import partial
from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np

from econmodel.reporting import formatting as f
from econmodel.reporting.charts.figures import Spec, drawer, titled
from econmodel.reporting.charts.style import ACCENT, INK, MUTED, WARM
from econmodel.reporting.papers.content import Chart
from econmodel.reporting.papers.phrases import lower
from econmodel.reporting.tables.research import worth_heading

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from econmodel.uncertainty.research import Known, Research
    from econmodel.uncertainty.trial_value import TrialValue

SURE = 1.96
NAME = "study_by_size"
COLOURS = (ACCENT, WARM)
BARS, LABEL_WIDTH = 10, 36


def study_shown(found: Research) -> TrialValue | None:
    """The study worth most after its cost; where none pays, the one that tells most; None where no study was valued by size."""
    sized = [trial for trial in found.trials if len(trial.sizes) > 1]
    first = found.first_trial
    if first and first[1] in sized:
        return first[1]
    return max(sized, key=lambda trial: trial.sizes[-1].worth.value, default=None)


def research_chart(trial: TrialValue) -> Chart:
    """Caption and alternative text of the picture."""
    return Chart(
        NAME,
        f"What a study would be worth, by its size: {lower(trial.trial.title)}",
        "Two panels by patients: saved per patient with its 95% interval, and net value over the range of its cost.",
    )


def research_figures(found: Research, place: str) -> dict[str, Spec]:
    """The picture under its own title, with its rows; nothing where no study was valued by size."""
    trial = study_shown(found)
    return {NAME: study_picture(found, trial, place)} if trial else {}


def study_picture(found: Research, trial: TrialValue, place: str) -> Spec:
    """Picture of one study under its own title, with its rows."""
    title = (
        f"{research_chart(trial).caption}. The choice is between {len(found.options)} options, a QALY at "
        f"{f.money(found.threshold, found.currency)}; patients of {f.duration(found.reach.years)}, {found.currency}, "
        f"{found.price_year} prices. {place}"
    )
    return titled(Spec(study_rows(trial), 2.9, partial(plot_study, found, trial), width=6.2), title)


def study_rows(trial: TrialValue) -> list[dict[str, Any]]:
    """What the picture shows: a row a size."""
    return [
        {
            "size": at.size,
            "patients": at.patients,
            "saved_per_patient": at.worth.value,
            "saved_se": at.worth.se,
            "cost": at.cost[0],
            **{
                f"{name}_{lower(scope).replace(' ', '_')}": getattr(gain, name)
                for scope, gain in at.gains.items()
                for name in ("net", "net_low", "net_high")
            },
        }
        for at in trial.sizes
    ]


def plot_study(found: Research, trial: TrialValue, figure: Figure) -> None:
    """Draw both panels; the marks stand at the sizes that were valued."""
    sizes = np.array([at.size for at in trial.sizes])
    saved, nets = figure.add_axes((0.15, 0.2, 0.31, 0.72)), figure.add_axes((0.645, 0.2, 0.33, 0.72))
    saved.errorbar(
        sizes,
        [at.worth.value for at in trial.sizes],
        yerr=[SURE * at.worth.se for at in trial.sizes],
        color=ACCENT,
        marker="o",
        markersize=3.5,
        capsize=2,
    )
    saved.axhline(trial.sizes[-1].worth.of_all, color=MUTED, linestyle=(0, (4, 3)), linewidth=0.9)
    saved.set_ylabel(f"Saved per patient ({found.currency})\nbars 95%; dashes: knowing everything")
    for (scope, best), colour in zip(trial.best.items(), COLOURS, strict=False):
        gains = [at.gains[scope] for at in trial.sizes]
        nets.plot(sizes, [gain.net for gain in gains], color=colour, marker="o", markersize=3.5, label=scope)
        nets.fill_between(sizes, [gain.net_low for gain in gains], [gain.net_high for gain in gains], color=colour, alpha=0.2)
        if best.size:
            nets.axvspan(max(best.low, sizes[0]), best.high, color=colour, alpha=0.08, linewidth=0)
            nets.axvline(best.size, color=colour, linestyle=(0, (2, 2)), linewidth=0.9)
    nets.axhline(0.0, color=INK, linewidth=0.8)
    nets.set_ylabel(f"Net value ({found.currency})\nband: range of its cost")
    nets.legend(frameon=False, fontsize=7)
    for ax in (saved, nets):
        ax.set_xlabel("Patients an arm" if len(trial.arms) > 1 else "Patients")
        ax.yaxis.set_major_formatter(lambda value, _: f.money_short(value, found.currency))


def _told(found: Research) -> list[Known]:
    rows = [row for row in (*found.groups, *found.settings) if row.worth is not None]
    return sorted(rows, key=lambda row: -row.worth.value if row.worth else 0.0)[:BARS]


def known_chart(found: Research) -> Chart:
    """Caption of what it is worth to know, and an alternative text with the values."""
    worth = "; ".join(f"{lower(row.label)} {f.money(row.worth.value, found.currency)}" for row in _told(found) if row.worth)
    everything = f.money(found.everything.value, found.currency)
    return Chart(
        "worth_knowing", f"What it is worth to know, {worth_heading(found)}", f"Bars: {worth}; dashed line: everything {everything}."
    )


def known_picture(found: Research, place: str) -> Spec:
    """Picture of what it is worth to know, under its own title, with its rows."""
    rows = [{"name": row.name, "value": row.worth.value, "se": row.worth.se} for row in _told(found) if row.worth]
    spec = Spec(rows, 3.4, drawer(partial(plot_known, found), 0.38, 0.15, 0.59, 0.81), width=6.6)
    return titled(spec, f"{known_chart(found).caption}. {place}")


def plot_known(found: Research, *, ax: Axes) -> list[Any]:
    """Draw the value of knowing each group or setting with its 95% interval, beside that of knowing everything."""
    rows = _told(found)
    worth = [row.worth for row in rows if row.worth]
    errors = [SURE * one.se for one in worth]
    bars = list(ax.barh(range(len(rows)), [one.value for one in worth], xerr=errors, height=0.6, color=ACCENT, ecolor=INK))
    ax.axvline(found.everything.value, color=MUTED, linestyle=(0, (4, 3)), linewidth=0.9)
    ax.set_yticks(range(len(rows)), [fill(row.label, LABEL_WIDTH) for row in rows])
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.xaxis.set_major_formatter(lambda value, _: f.money_short(value, found.currency))
    ax.set_xlabel(f"Saved per patient ({found.currency} {found.price_year}); bars 95%; dashes: knowing everything")
    return bars
