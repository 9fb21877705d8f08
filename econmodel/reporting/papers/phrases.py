"""Words that several papers share: answers, names, notes on the inputs, and the positions of professional bodies, in our words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from pathlib import PurePath
from typing import TYPE_CHECKING

from econmodel.economics.lifetime import lifetime_swaps
from econmodel.parameters.countries import borrowed, conventions, is_converted
from econmodel.parameters.schema import RUN_SETTINGS, WATCH
from econmodel.parameters.second_look import second_look
from econmodel.parameters.statements import positions, said, statements
from econmodel.reporting import formatting as f
from econmodel.reporting.papers.content import Paragraph, Table, Tone, table
from econmodel.reporting.tables.provenance import STATUS_WORDS, status_counts, unconfirmed
from econmodel.wording import lower as lower

if TYPE_CHECKING:
    from econmodel.economics.results import Compared, Results, Settings
    from econmodel.evidence.nnt import NumberNeededToTreat
    from econmodel.parameters.loading import Case
    from econmodel.parameters.parameter_set import ParameterSet
    from econmodel.uncertainty.risk import Risk
    from econmodel.uncertainty.within_route import WithinRoute

FIRST_REPLACED = 10
NOT_ADVICE = (
    "Not advice for a patient. ",
    "This is a planning model for services. Follow local protocol, licensed clinicians and local finance rules.",
)
NO_VALUE = (
    "No threshold for a QALY is set: options are ranked by the programme's cash, then by bleeds averted; costs per QALY are compared "
    "with nothing, and no net benefit, best value or worth of research is told."
)
SHORT_NAMES = {WATCH: "no prophylaxis", "beta_blocker": "beta-blocker"}
CLASS = {
    "fixed": "Child-Pugh class stays as it is at the start. ",
    "worsening": "Child-Pugh class may worsen and never improves; no cohort follows it together with bleeding. ",
}


def caution() -> str:
    """Give the shortest caution, for a terminal and the first sheet."""
    return f"Planning software for services, not advice for a patient. {said('standing_short')}"


def unvalued(settings: Settings) -> str:
    """Say, once a paper or screen, what a case without a threshold for a QALY leaves out; empty for one that has it."""
    return "" if settings.willingness_to_pay is not None else NO_VALUE


def cautions(results: Results, *, brief: bool = False) -> tuple[tuple[str, str], ...]:
    """Give the cautions of every paper, lead and text; ``brief`` leaves out those that stand elsewhere in it."""
    unsaid = (("Without a threshold. ", unvalued(results.settings)),) if unvalued(results.settings) else ()
    keys = ("weak_evidence",) if brief else ("not_standard", "off_label", "weak_evidence")
    evidence = [(f"{statements()[key].lead} ", said(key)) for key in keys]
    limits = CLASS[results.inputs["child_course"]] + said("observed_so_far")
    return (NOT_ADVICE, *evidence, ("Declared limits. ", limits), *unsaid)


def compared(results: Results, risk: Risk | None, versus: str, key: str) -> Compared | None:
    """One comparison, expected over the draws where there are any; None for the comparator itself or one not shown."""
    block: Mapping[str, Mapping[str, Compared]] = risk.expected.comparisons if risk else results.comparisons
    return block.get(versus, {}).get(key)


def answer(results: Results, key: str | None = None, risk: Risk | None = None) -> str:
    """Answer of the case in one sentence: what the option costs and averts, against usual care and no prophylaxis."""
    key = key or results.lead
    years = f.span(results.settings.headline)
    told = {versus: part for versus in results.beside if (part := _one_comparison(results, compared(results, risk, versus, key)))}
    label = results.labels[key]
    if not told:
        return f"{label} is the only strategy of this case, so there is nothing to compare."
    parts = "; ".join(f"against {named(results, versus)} it {part}" for versus, part in told.items())
    return f"{label} over {years}: {parts}."


def _one_comparison(results: Results, found: Compared | None) -> str:
    if found is None:
        return ""
    now, shown = found.headline, found.headline.nnt[results.settings.headline]
    nnt = f.nnt(shown)
    size = f.money(abs(now.incremental_cost), results.settings.currency)
    money = f"saves {size} per patient" if now.saves else f"costs {size} more per patient"
    bleeds = {
        "NNTB": f"averts one first bleed for every {nnt} treated",
        "NNTH": f"brings one more first bleed for every {nnt.removeprefix('NNTH ')} treated",
        "none": "averts no first bleed",
    }[shown.kind]
    if shown.about_equal:
        bleeds = "averts about as many first bleeds"
    if results.settings.has_bled:
        per_100 = now.bleeds_averted_per_100
        bleeds = f"{'averts' if per_100 > 0 else 'brings'} {f.number(abs(per_100))} bleeds per 100 patients"
    told = f"{money} and {bleeds}"
    return told


def not_settled(results: Results, risk: Risk) -> tuple[str, ...]:
    """Say what of the decision lies within Monte Carlo error: the sign of a figure of the lead, and the best option."""
    blocks = (risk.convergence[versus].get(results.lead) for versus in risk.convergence)
    said = [block.sentence for block in blocks if block and not block.settled]
    return (*said, *(() if risk.stability is None or risk.stability.stable else (risk.stability.sentence,)))


def lifetime_sentences(results: Results, key: str = "") -> tuple[str, ...]:
    """Say where bleeds over the time horizon put two strategies, one of them ``key`` if given, the other way round."""
    now, whole = (f.duration(years) for years in (results.settings.headline, results.settings.horizon_years))
    said = []
    for found in lifetime_swaps(results):
        if key in ("", found.ahead, found.behind):
            ahead, behind = (lower(results.labels[name]) for name in (found.ahead, found.behind))
            (a, b), (c, d) = ((f.number(x, 1) for x in pair) for pair in (found.whole, found.headline))
            nnt = f" (NNT {f.nnt(found.nnt[0])} at {now}, {f.nnt(found.nnt[1])} over {whole})" if found.nnt else ""
            said.append(
                f"Over {whole} {ahead} has fewer {found.counted} than {behind}, {a} and {b} per 100 patients; "
                f"at {now} more, {c} and {d}{nnt}."
            )
    return tuple(said)


def within_route(found: WithinRoute | None, tone: Tone = "note") -> tuple[Paragraph, ...]:
    """Say what the lead adds to the next strategy of its route, where that was worked out."""
    return (Paragraph(found.sentence, lead="Within its route: ", tone=tone),) if found else ()


def named(results: Results, key: str) -> str:
    """Name of a comparator within a sentence."""
    return ("a " if key == "beta_blocker" else "") + lower(results.labels[key])


def short(results: Results, key: str) -> str:
    """Short name of a comparator, for headings."""
    return SHORT_NAMES.get(key, lower(results.labels[key]))


def view(settings: Settings) -> str:
    """Whose money is counted, as the first word of a sentence, such as ``Hospital margin``."""
    return settings.perspective.replace("_", " ").capitalize()


def banner(case: Case) -> str:
    """Warn of invented data, or of prices converted from another country; empty for a case without either."""
    if not case.is_demo:
        return _converted(case) if is_converted(case.parameters) else ""
    invented = status_counts(case.parameters).get("demo", 0)
    return (
        f"Invented data. {case.title} does not exist: {invented} of the inputs were made up for demonstration. No "
        "real hospital, patient or contract stands behind them."
    )


def _converted(case: Case) -> str:
    p = case.parameters
    asked = (p.parameters.get(name) for name in conventions(p.text("price_list"))["ask"])
    first = [lower(x.label) for x in asked if x and x.status != "local"][:FIRST_REPLACED]
    return (
        f"Converted prices: another country's, in {p.text('currency')}; and {len(borrowed(p))} of its conventions are not yet local. "
        f"To replace first: {'; '.join(first)}."
    )


def footer(case: Case, results: Results) -> str:
    """Version, case, seed, draws and hash of the inputs, for every page."""
    run = results.case
    overrides = "; ".join(run.overrides) or "none"
    return (
        f"econmodel {run.version} · case {run.name} ({run.file}) · overrides: {overrides} · seed "
        f"{run.seed} · draws {run.draws} · inputs {run.parameters_sha256[:16]}"
    )


def status_sentence(parameters: ParameterSet) -> str:
    """How many inputs have which status."""
    counts = status_counts(parameters)
    total = sum(counts.values())
    listed = "; ".join(f"{n} {STATUS_WORDS[status]}" for status, n in counts.items())
    return f"The case has {total} inputs: {listed}."


def second_look_text(parameters: ParameterSet, most: int = 3) -> str:
    """Values to look at again, the first few in full; empty where there are none."""
    found = second_look(parameters)
    more = f" And {len(found) - most} more, listed in results.json." if len(found) > most else ""
    return f"Look again before use: {'. '.join(found[:most])}.{more}" if found else ""


def unconfirmed_items(parameters: ParameterSet) -> tuple[tuple[str, str], ...]:
    """List what is invented or from memory by name, and count what is assumed by topic; each as (lead, text)."""
    found = unconfirmed(parameters)
    items = [
        (f"{STATUS_WORDS[status].capitalize()} ({len(found[status])}). ", grouped([p.label for p in found[status]]) + ".")
        for status in ("demo", "from memory")
        if status in found
    ]
    if "assumption" in found:
        topics = Counter(
            "settings" if p.name in RUN_SETTINGS else PurePath(p.where.file).stem.replace("_", " ") for p in found["assumption"]
        )
        listed = ", ".join(f"{topic} {n}" for topic, n in topics.most_common())
        items.append(
            (
                f"Assumed ({len(found['assumption'])}). ",
                f"{listed}. Each is listed with its reasoning in the technical report and in provenance.csv.",
            )
        )
    return tuple(items)


def grouped(names: list[str]) -> str:
    """Join labels; those that start alike (``Full cost: ...``) share the start.

    Examples
    --------
    >>> grouped(["Full cost: coil", "Start age", "Full cost: glue"])
    'start age; full cost: coil, glue'
    """
    parts: dict[str, list[str]] = {}
    for name in names:
        start, colon, rest = name.partition(": ")
        parts.setdefault(start if colon else "", []).append(rest if colon else lower(name))
    return "; ".join(
        (f"{lower(start)}: " if start else "") + (", " if start else "; ").join(rest)
        for start, rest in sorted(parts.items(), key=lambda item: bool(item[0]))
    )


def nnt_expected(results: Results, risk: Risk | None, versus: str, year: int) -> NumberNeededToTreat | None:
    """NNT of the lead, expected over the draws where there are any; None where there is no comparison."""
    found, base = compared(results, risk, versus, results.lead), results.against(versus, results.lead)
    nnts = [one.whole.nnt for one in (found, base) if one]
    return next((nnt[year] for nnt in nnts if year in nnt), None)


def nnt_interval(risk: Risk | None, versus: str, key: str, year: int) -> str:
    """Interval of an NNT from the analysis with all inputs varied together; empty where it has none."""
    found = risk.against(versus, key) if risk else None
    return (found.nnt[year].interval_text or "") if found and year in found.nnt else ""


def guideline_table(parameters: ParameterSet, caption: str = "Guideline positions on varices that have not bled") -> Table:
    """Positions as a table, each with its source; one that was not read says so."""
    known = parameters.sources
    return table(
        caption,
        (("Body", 1.3), ("Position (our words)", 4.2), ("Source", 2.2), ("How seen", 1.5)),
        [(p.body, p.position, known[p.source].reference if p.source in known else "to be confirmed", p.read) for p in positions()],
    )
