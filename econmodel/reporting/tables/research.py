"""What more evidence would be worth, in sentences for someone who never heard of it, and in tables."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from econmodel.reporting import formatting as f
from econmodel.reporting.papers.content import Bullets, Paragraph, Section, Table, table
from econmodel.reporting.papers.phrases import caution, lower
from econmodel.uncertainty.information import NOT_USABLE
from econmodel.uncertainty.trial_value import LOCAL, NATIONAL, past_power

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case
    from econmodel.uncertainty.information import ValueOfKnowing
    from econmodel.uncertainty.research import Known, Research
    from econmodel.uncertainty.trial_value import SizeValue, TrialValue

RESEARCH = "What more evidence would be worth"
SHOWN = 12
INTRODUCTION = (
    "The choice rests on inputs that nobody knows for certain, so it may be the wrong one. What that costs on average is the most "
    "that any study could be worth (value of information). Which inputs hold it, and which study would pay for itself?"
)
ROUGH = ": more draws are needed before it is quoted"
SHARED = " (the doubt that settings share, averaged over how they differ)"
WITHIN = (
    "All of this holds within the model and its weights: what no input says, no figure here can miss. A study shows events "
    "of the kind listed and no more; everyone is taken to follow its report."
)
NO_NATIONAL = (
    "No national number of patients is stated (n_eligible_national), so what a study is worth to a country is left out; "
    "a trial is seldom worth its cost to one hospital alone."
)


def research_sentences(found: Research) -> list[str]:
    """Say what doubt costs, where it sits, which study would buy most of it back, and what a small trial could not show."""
    said = [_doubt(found), _where(found), study_sentence(found)]
    first = found.first_trial
    own = [trial for trial in found.trials if trial.trial.place == "here" and not (first and first[1] is trial)]
    said += [_registry(found, trial) for trial in own]
    said += [_past(trial) for trial in found.trials if trial.trial.past]
    if NATIONAL not in found.reach.patients and any(trial.trial.place == "elsewhere" for trial in found.trials):
        said.append(NO_NATIONAL)
    return [sentence for sentence in (*said, *_precision(found), *found.left_out) if sentence]


def _doubt(found: Research) -> str:
    worth, currency = found.everything, found.currency
    yearly = " and ".join(
        f"{f.money_short(found.a_year[scope], currency)} a year for the {f.number(n, 0 if n >= 100 else 1)} patients a year of "
        f"{lower(scope)}{SHARED if scope == NATIONAL else ''}"
        for scope, n in found.reach.patients.items()
    )
    return (
        f"On present evidence the choice is {lower(found.options[found.best])}: its net benefit is highest on average, a QALY "
        f"counted at {f.money(found.threshold, currency)}. In {f.percent(worth.changes)} of the draws another option would have "
        f"done better. Being wrong costs {f.money(worth.value, currency)} per patient on average (standard error "
        f"{f.money(worth.se, currency)}), {yearly}. No study can be worth more than that."
    )


def _where(found: Research) -> str:
    rows = [row for row in (*found.groups, *found.settings) if row.worth and row.worth.counts][:3]
    if not rows:
        return "No group of inputs by itself holds much of it, or the draws are too few to say which."
    named = "; ".join(f"{lower(row.label)} ({f.money(row.worth.value, found.currency)})" for row in rows if row.worth)
    return f"Most would be saved by knowing for certain: {named}, per patient. Shares overlap and do not add up."


def study_sentence(found: Research) -> str:
    """Say which study proposed is worth most, of what size and to whom; empty where none is proposed."""
    first, trials = found.first_trial, [t for t in found.trials if t.trial.place == "elsewhere"]
    if first is None and not trials:
        return ""
    if first is None:
        best = max(trials, key=lambda t: t.sizes[-1].worth.value)
        last = best.sizes[-1]
        return (
            f"No study proposed is worth its cost to {_scopes(found)}. The one that tells most is {lower(best.trial.title)}: with "
            f"{last.size} patients an arm it would save {f.money(last.worth.value, found.currency)} per patient and cost "
            f"{f.money_short(last.cost[0], found.currency)}."
        )
    scope, best = first
    return f"Of the studies proposed, {lower(best.trial.title)} is worth most to {lower(scope)}: {_told(found, best, scope)}"


def _scopes(found: Research) -> str:
    return " or ".join(lower(scope) for scope in found.reach.patients)


def _told(found: Research, trial: TrialValue, scope: str) -> str:
    """Tell of a study at its best size: how large, what it saves and costs, when it reports, what it may change."""
    best, currency = trial.best[scope], found.currency
    at = trial.at(best.size)
    assert at is not None
    gain, (base, low, high) = at.gains[scope], at.cost
    arms = f"{at.patients} patients, {best.size} an arm" if len(trial.arms) > 1 else f"{at.patients} patients"
    power = (
        ""
        if at.power is None
        else f" Its power to show a difference in what it counts first would be {f.percent(at.power)} if the base case holds, "
        f"{f.percent(at.assurance)} over all that is not known: a study can be worth its cost and not reach significance."
    )
    return (
        f"with {arms} (95% of resampled runs: {best.low} to {best.high}) it would save {f.money(at.worth.value, currency)} (standard "
        f"error {f.money(at.worth.se, currency)}{ROUGH if at.worth.note == NOT_USABLE else ''}) of the "
        f"{f.money(at.worth.of_all, currency)} per patient, report after {f.number(at.years_to_report, 1)} years and cost "
        f"{f.money_short(base, currency)} ({f.money_short(low, currency)} to {f.money_short(high, currency)}). The chance that it "
        f"changes the choice is {f.percent(at.worth.changes)}. Over {f.duration(found.reach.years)} it is worth "
        f"{f.money_short(gain.value, currency)}, {f.money_short(gain.net, currency)} after its cost and what its own patients forgo "
        f"({f.money_short(gain.net_low, currency)} to {f.money_short(gain.net_high, currency)} over the range of its cost)."
        f"{power}"
    )


def _registry(found: Research, trial: TrialValue) -> str:
    if trial.best[LOCAL].size:
        return f"{trial.trial.title}, for {lower(LOCAL)}: {_told(found, trial, LOCAL)}"
    last = trial.sizes[-1]
    return (
        f"{trial.trial.title}: no size asked is worth its cost to {lower(LOCAL)} (at {last.patients} patients it saves "
        f"{f.money(last.worth.value, found.currency)} per patient treated after {f.number(last.years_to_report, 1)} years)."
    )


def _past(trial: TrialValue) -> str:
    past = trial.trial.past
    assert past is not None
    power, needed = past_power(past)
    (a, b), (n, m) = past.events, past.patients
    more = f"; {needed} an arm would have had 80%" if needed else ""
    return (
        f"A small trial that found no significant difference may only have been small. {past.label}: {a} of {n} against {b} of {m}. "
        f"Its power to show a difference as large as the one it saw was {f.number(power, 2)}{more}."
    )


def _precision(found: Research) -> list[str]:
    if found.everything.counts:
        return []
    return [f"{found.draws:,} draws are too few for these figures: the error of the first passes a tenth of it. Run more."]


def _worth_cells(worth: ValueOfKnowing | None, currency: str) -> tuple[str, str, str, str]:
    """Value, error, share of all, and whether it may be quoted."""
    if worth is None:
        return f.NOTHING, f.NOTHING, f.NOTHING, "not usable: a choice has under 300 draws"
    note = f"{worth.note}: run more draws" if worth.note == NOT_USABLE else worth.note
    return f.money(worth.value, currency), f.money(worth.se, currency), f.percent(worth.of_everything), note


def worth_heading(found: Research) -> str:
    """Say what a value of knowing is of: per patient, horizon, currency, price year, threshold, and between how many options."""
    return (
        f"per patient over the time horizon ({found.currency}, {found.price_year} prices; a QALY at "
        f"{f.money(found.threshold, found.currency)}; choice between {len(found.options)} options)"
    )


def known_table(found: Research, rows: tuple[Known, ...], what: str) -> Table:
    """What it would be worth to know inputs, settings or groups for certain."""
    return table(
        f"{what}: value of knowing for certain, {worth_heading(found)}",
        ((what, 3.2), ("Value", 1.0, True), ("Standard error", 0.9, True), ("Of all doubt", 0.8, True), ("Note", 1.6)),
        [(row.label, *_worth_cells(row.worth, found.currency)) for row in rows[:SHOWN]],
        note="Small: at most a twentieth of all doubt. Shares overlap and do not add up.",
    )


def trials_table(found: Research) -> Table:
    """List the studies proposed, each at its best size for each scope; scopes are never added."""
    rows = [(trial, scope) for trial in found.trials for scope in trial.best]
    return table(
        f"Studies proposed, each at its best size; saved {worth_heading(found)}",
        (
            ("Study", 2.6),
            ("For", 1.2),
            ("Patients an arm", 1.2, True),
            ("Saved per patient", 1.0, True),
            ("Changes the choice", 0.8, True),
            ("Reports after", 0.9, True),
            ("Cost", 0.9, True),
            ("Net value", 1.0, True),
            ("Power; assurance", 1.0, True),
        ),
        [_trial_row(found, trial, scope) for trial, scope in rows],
        note=f"Net value: over {f.duration(found.reach.years)}, discounted at {f.percent(found.reach.discount, 1)}, less cost and "
        "what patients in the study forgo. In brackets 95% of the best sizes in resampled draws, 0 being no study; where none pays, "
        "the size that loses least. Not usable: the error passes a tenth; run more draws. Assurance: power over all draws. "
        "A hospital and a country are two rows of one study, never added.",
    )


def _trial_row(found: Research, trial: TrialValue, scope: str) -> tuple[str, ...]:
    best = trial.best[scope]
    at = trial.at(best.size)
    size = f"{best.size} ({best.low} to {best.high})" if at else "none pays"
    return (trial.trial.title, scope, size, *_size_cells(found, at or trial.least_loss(scope), scope))


def _size_cells(found: Research, at: SizeValue, scope: str) -> tuple[str, ...]:
    power = f.NOTHING if at.power is None else f"{f.percent(at.power)}; {f.percent(at.assurance)}"
    rough = " (not usable)" if at.worth.note == NOT_USABLE else ""
    return (
        f.money(at.worth.value, found.currency) + rough,
        f.percent(at.worth.changes),
        f"{f.number(at.years_to_report, 1)} years",
        f.money_short(at.cost[0], found.currency),
        f.money_short(at.gains[scope].net, found.currency),
        power,
    )


def sizes_table(found: Research, trial: TrialValue) -> Table:
    """One study at each size asked."""
    currency, scopes = found.currency, list(trial.best)
    return table(
        f"{trial.trial.title}, by size; saved {worth_heading(found)}",
        (
            ("Patients an arm" if len(trial.arms) > 1 else "Patients", 0.8, True),
            ("Saved per patient", 1.0, True),
            ("Standard error", 0.9, True),
            ("Changes the choice", 0.8, True),
            ("Reports after", 0.9, True),
            ("Cost", 0.9, True),
            *((f"Net value, {lower(scope)}", 1.2, True) for scope in scopes),
            ("Power; assurance", 1.0, True),
        ),
        [_by_size(found, at, scopes) for at in trial.sizes],
        note=_needed(trial, currency),
    )


def _by_size(found: Research, at: SizeValue, scopes: list[str]) -> tuple[str, ...]:
    saved, changes, years, cost, _, power = _size_cells(found, at, scopes[0])
    nets = (f.money_short(at.gains[scope].net, found.currency) for scope in scopes)
    return (str(at.size), saved, f.money(at.worth.se, found.currency), changes, years, cost, *nets, power)


def _needed(trial: TrialValue, currency: str) -> str:
    if len(trial.chances) < 2:
        return ""
    seen = " against ".join(f.percent(chance, 1) for chance in trial.chances)
    needed = f"{trial.needed:,} patients an arm give a power of 80%" if trial.needed else "there is no difference to show"
    return f"{', '.join(trial.arms)}: {seen} with a first bleed in {f.duration(trial.trial.follow_up_years)} (base case); {needed}."


def research_section(found: Research) -> Section:
    """Section of the technical report."""
    rows = [known_table(found, found.groups, "Group of inputs"), known_table(found, found.inputs, "Input")]
    if found.settings:
        rows.insert(1, known_table(found, found.settings, "Setting"))
    first = found.first_trial
    studies = [trials_table(found), *([sizes_table(found, first[1])] if first else [])] if found.trials else []
    return Section(
        RESEARCH,
        (
            Paragraph(INTRODUCTION),
            Bullets(tuple(("", said) for said in research_sentences(found))),
            *rows,
            *studies,
            Paragraph(WITHIN, tone="note"),
        ),
    )


def research_lines(case: Case, found: Research, *, by_size: bool) -> Iterator[Any]:
    """What a terminal shows: sentences, tables, and each study by size where asked."""
    from rich.text import Text

    from econmodel.reporting.tables.terminal import as_lines

    section = research_section(found)
    yield Text(f"{case.title}: {lower(section.heading)}", style="bold")
    tables = [block for block in section.blocks if isinstance(block, Table)]
    if by_size:
        tables = [trials_table(found), *(sizes_table(found, trial) for trial in found.trials)]
    yield Text(INTRODUCTION, style="dim")
    for sentence in research_sentences(found):
        yield Text(f"- {sentence}")
    for block in tables:
        yield as_lines(block)
        yield Text(block.note, style="dim")
    yield Text(WITHIN, style="dim")
    if case.is_demo:
        yield Text("Invented data: a fictional hospital.", style="bold")
    yield Text(caution(), style="dim")
