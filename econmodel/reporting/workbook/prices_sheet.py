"""Prices and utilities: each activity's price under the chosen view, each state's utility, each one-off loss."""

from __future__ import annotations

from econmodel.economics.bleed_prices import FATAL, MEAN, MEAN_NO_RESCUE, RATIOS, RESCUE, SURVIVED, WATCH
from econmodel.economics.outcomes import UTILITY_OF
from econmodel.model.structure import STATE_LABELS
from econmodel.parameters.catalogue import (
    BLEED_ADMISSIONS,
    BOTTOM_UP,
    CATEGORIES,
    CATEGORY,
    COMPLICATIONS,
    LABELS,
    PER_EPISODE,
    PRICED_AS,
)
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.writer import Sheet, address, span

NAME = "Prices"
LOSSES = ("sessions", "drug_year", *COMPLICATIONS, "first_bleeds", "rebleeds")
STEMS = ("c_", "share_variable_", "payment_", "c_patient_")
HEADERS = (
    "Activity",
    "Category",
    "Counted",
    "Full cost",
    "Variable share",
    "Payment received",
    "Cost to patient and carer",
    "Price in the chosen view",
)
CATEGORY_COLUMN, COUNTED, FULL, VARIABLE, PAYMENT, PATIENT, VIEW = range(2, 9)
FIRST, DIED_ROW = 6, 4


def build_prices(book: Book) -> None:
    """Write prices, then utilities and losses."""
    sheet = book.add_sheet(NAME)
    sheet.heading(
        "Prices and utilities",
        f"{book.money_label}. The setting perspective chooses the view; a bleed is priced per "
        "episode or from days and events, never both.",
    )
    sheet.row(FIRST - 1, list(HEADERS), "headings")
    sheet.page.row_dimensions[FIRST - 1].height = 28
    for row, (activity, category) in enumerate(CATEGORY.items(), start=FIRST):
        _price_row(book, sheet, row, activity, category)
    last = FIRST + len(CATEGORY) - 1
    book.cells["prices", "view"] = span(FIRST, last, VIEW, NAME)
    book.cells["prices", "category"] = span(FIRST, last, CATEGORY_COLUMN, NAME)
    sheet.text(DIED_ROW, 1, "Bleed admissions without prophylaxis that end in death, lifetime")
    book.known("died", sheet=NAME, row=DIED_ROW, column=FULL)
    _utilities(book, sheet, last + 3)
    sheet.widths(40, 16, 10, 14, 14, 16, 18, 18)
    sheet.frame("B6", book.footer)


def _price_row(book: Book, sheet: Sheet, row: int, activity: str, category: str) -> None:
    sheet.text(row, 1, LABELS[activity])
    sheet.text(row, CATEGORY_COLUMN, CATEGORIES[category], "small")
    costing = f'{book.input("bleed_costing")}="per_episode"'
    counted = f"IF({costing},0,1)" if activity in BOTTOM_UP else f"IF({costing},1,0)" if activity in PER_EPISODE else "1"
    sheet.formula(row, COUNTED, counted, "whole")
    known = book.case.parameters.parameters
    for column, stem in zip((FULL, VARIABLE, PAYMENT, PATIENT), STEMS, strict=True):
        name = stem + PRICED_AS.get(activity, activity)
        value = book.input(name) if name in known and known[name].is_numeric else _solved(book, stem, activity)
        formula = f"{address(row, COUNTED)}*{value}" if value else "0"
        sheet.formula(row, column, formula, "plain|share" if column == VARIABLE else "money_exact")
    full, variable, payment, patient = (address(row, c) for c in (FULL, VARIABLE, PAYMENT, PATIENT))
    view = book.input("perspective")
    sheet.formula(
        row,
        VIEW,
        f'IF({view}="hospital",{full},IF({view}="hospital_margin",{full}*{variable}-{payment},'
        f'IF({view}="payer",{payment},IF({view}="societal",{full}+{patient},NA()))))',
        "strong|money_exact",
    )
    book.known("price", activity, sheet=NAME, row=row, column=VIEW)


def _solved(book: Book, stem: str, activity: str) -> str:
    """Price of a bleed admission by its outcome, from the mean of the case; empty for any other activity."""
    known, died = book.case.parameters.parameters, address(DIED_ROW, FULL, NAME)
    if stem not in RATIOS or activity not in BLEED_ADMISSIONS:
        return ""
    fatal, rescue = (book.input(name) for name in RATIOS[stem])
    ordinary, r = f"(1+({fatal}-1)*{died})", book.input("p_rescue")
    if stem + MEAN in known:
        survived = f"{book.input(stem + MEAN)}/((1-{r})*{ordinary}+{r}*{rescue})"
    elif stem + MEAN_NO_RESCUE in known:
        survived = f"{book.input(stem + MEAN_NO_RESCUE)}/{ordinary}"
    else:
        survived = book.input(stem + SURVIVED)
    return {SURVIVED: survived, FATAL: f"{fatal}*{survived}", RESCUE: f"{rescue}*{survived}"}[activity]


def finish_prices(book: Book) -> None:
    """Fill in the share of admissions that die, once the totals are known: live where the horizon is a lifetime."""
    from econmodel.reporting.workbook.totals_sheet import total

    value = repr(float(book.evaluation.died[0]))
    live = value
    if any(plan.key == WATCH for plan in book.layout.strategies):
        admitted = "+".join(total(book, WATCH, name) for name in BLEED_ADMISSIONS)
        live = f'IF({book.input("horizon_years")}="lifetime",{total(book, WATCH, "deaths_bleed")}/({admitted}),{value})'
    book.sheets[NAME].formula(DIED_ROW, FULL, live, "plain|share")


def _utilities(book: Book, sheet: Sheet, first: int) -> None:
    sheet.row(first, ["Utility by state", "", "", "Utility"], "headings")
    one_off = f'{book.input("bleed_utility")}="one_off"'
    instead = {"bleeding": "u_never_bled", "rebleeding": "u_post_bleed"}
    row = first
    for state, name in UTILITY_OF.items():
        row += 1
        sheet.text(row, 1, STATE_LABELS[state])
        formula = f"IF({one_off},{book.input(instead[state])},{book.input(name)})" if state in instead else book.input(name)
        sheet.formula(row, FULL, formula, "factor")
        book.known("utility", state, sheet=NAME, row=row, column=FULL)
    sheet.row(row + 2, ["One-off loss", "", "", "QALY"], "headings")
    episode = f"IF({one_off},{book.input('du_bleed_episode')},0)"
    losses = {
        "sessions": ("A treatment session", book.input("du_session")),
        "drug_year": ("A year on a drug", book.input("du_drug_year")),
        **{k: (LABELS[k], book.input(f"du_{k}")) for k in COMPLICATIONS},
        "first_bleeds": ("A first bleed", episode),
        "rebleeds": ("A rebleed", episode),
    }
    for at, (name, (label, formula)) in enumerate(losses.items(), start=row + 3):
        sheet.text(at, 1, label)
        sheet.formula(at, FULL, formula, "factor")
        book.known("loss", name, sheet=NAME, row=at, column=FULL)
