"""Activity as formulas: the same arithmetic as ``economics.activity``, on cells instead of arrays.

``item`` gives the cell of a cohort sum: ``sessions``, ``visits``, ``years.STATE`` or ``move.KIND``.
"""

from __future__ import annotations

from collections.abc import Callable

from econmodel.model.structure import MOVE_LABELS, NEVER_BLED, STATE_LABELS
from econmodel.parameters.catalogue import COMPLICATIONS, SESSION_KINDS, STAYS, VISIT_KINDS
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.layout import StrategyPlan
from econmodel.reporting.workbook.writer import quoted

Item = Callable[[str], str]
FAMILIES = tuple(state for state in STATE_LABELS if state != "dead")
EVENTS = tuple(kind for kind in MOVE_LABELS if kind not in ("finish", "failed", "protection_lost", "ages"))
ITEMS = ("sessions", "visits", *(f"years.{s}" for s in FAMILIES), *(f"move.{k}" for k in EVENTS))
ITEM_LABELS = {
    "sessions": "Treatment sessions",
    "visits": "Surveillance visits",
    **{f"years.{s}": f"Patient-years: {STATE_LABELS[s].lower()}" for s in FAMILIES},
    **{f"move.{k}": MOVE_LABELS[k].capitalize() for k in EVENTS},
}


def activity_formulas(book: Book, plan: StrategyPlan, item: Item) -> dict[str, str]:
    """Formulas of every count and priced activity of a strategy, by name."""
    found = _events(plan, item)
    found |= _prophylaxis(book, plan, item)
    return found | _bleed_care(book, item)


def _events(plan: StrategyPlan, item: Item) -> dict[str, str]:
    started = f"+{item('started')}" if plan.row.starts_in == "in_course" else ""
    return {
        "first_bleeds": f"{item('move.gastric_bleed')}+{item('move.other_bleed')}",
        "gastric_first_bleeds": item("move.gastric_bleed"),
        "rebleeds": f"{item('move.early_rebleed')}+{item('move.late_rebleed')}",
        "deaths_bleed": item("move.bleed_death"),
        "deaths_procedure": item("move.procedure_death"),
        "deaths_other": item("move.other_death"),
        "sessions": item("sessions"),
        "courses": item("move.retreat") + started,
        "transplants": item("move.transplant"),
    }


def _prophylaxis(book: Book, plan: StrategyPlan, item: Item) -> dict[str, str]:
    row, sessions = plan.row, item("sessions")

    def own(name: str) -> str:
        return book.at("strategy", plan.key, name)

    never = "+".join(item(f"years.{s}") for s in NEVER_BLED)
    found = {kind: sessions if row.session == kind else "0" for kind in SESSION_KINDS}
    found |= {
        "coil": f"{sessions}*{own('coils')}",
        "glue_ml": f"{sessions}*{own('glue_ml')}",
        "oil_session": sessions if row.glue_ml else "0",
        "drug_year": item("years.protected") if row.drug else "0",
    }
    found |= {kind: item("visits") if row.surveillance.visit == kind else "0" for kind in VISIT_KINDS}
    found["clinic_visit"] += f"+{book.input('r_clinic_never_bled')}*({never})"
    course = f"{sessions}/{own('sessions_mean')}"
    found |= {kind: f"{course}*{own(kind)}" for kind in COMPLICATIONS}
    admitted = "+".join(own(kind) for kind in STAYS)
    return found | {
        "procedure_days": f"{sessions}*{book.input('n_stay_days_session')}",
        "complication_days": f"{course}*({admitted})*{book.input('n_stay_days_complication')}",
    }


def _bleed_care(book: Book, item: Item) -> dict[str, str]:
    early, fatal = item("move.early_rebleed"), item("move.bleed_death")
    bleeds = f"({item('move.gastric_bleed')}+{item('move.other_bleed')}+{early}+{item('move.late_rebleed')})"
    readmission = f'{book.input("rebleed_costing")}="readmission"'
    stays = f"({bleeds}-{early}*{book.input('share_rebleed_same_stay')})"
    admitted = f"IF({readmission},{bleeds}-{early},{stays})"
    survived = f"({item('move.recover')}+{early})"
    rescue = book.input("p_rescue")
    icu = f"{book.input('p_icu_bleed')}*{book.input('n_icu_days')}"
    ward = f"({book.input('n_stay_days')}-{icu})"
    ordinary = f"{admitted}*(1-{rescue})"
    post = item("years.post_bleed")
    return {
        "icu_days": f"{stays}*{icu}",
        "ward_days": f"{stays}*{ward}",
        "bleed_survived": f"({admitted}-{fatal})*(1-{rescue})",
        "bleed_fatal": f"{fatal}*(1-{rescue})",
        "rescue_admission": f"{admitted}*{rescue}",
        "readmission": f"IF({readmission},{survived}*{book.input('p_readmission')},0)",
        "icu_day": f"{ordinary}*{icu}",
        "ward_day": f"{ordinary}*{ward}",
        "red_cell_unit": f"{ordinary}*{book.input('n_red_cells')}",
        "clinic_post_bleed": f"{post}*{book.input('r_clinic_post_bleed')}",
        "transplant": item("move.transplant"),
        "year_never_bled": "+".join(item(f"years.{s}") for s in NEVER_BLED),
        "year_post_bleed": post,
        "year_transplanted": item("years.transplanted"),
        **_aftercare(book, item),
    }


def _aftercare(book: Book, item: Item) -> dict[str, str]:
    chosen, found = book.input("secondary_prophylaxis"), dict[str, str]()
    for key, row in book.case.parameters.secondary.items():
        sessions = book.input(row.sessions) if row.sessions else "0"
        amount = item("years.post_bleed") if row.drug else f"{item('move.recover')}*{sessions}"
        term = f"IF({chosen}={quoted(key)},{amount},0)"
        found[row.activity] = f"{found[row.activity]}+{term}" if row.activity in found else term
    return found
