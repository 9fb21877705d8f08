"""Which questions the form asks, in what words, and by who knows the answer.

An input is asked where the case has it and it acts; a table input is asked field by field. Costs, variable shares and payments are
asked alike of every activity, in the words of the catalogue. The course of the varix is asked as what a service can count: people
closed after one course, people to whom something has happened after a year.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from econmodel.parameters.catalogue import ITEMS, Item
from econmodel.parameters.form_cells import FIRST_ROW, Question, share_of_rate
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import Parameter
from econmodel.programme.inputs import CHOICES
from econmodel.records import record

ENDOSCOPY = {
    "n_endoscoped": "How many different patients with cirrhosis have an upper endoscopy in your unit in a year?",
    "share_fundal_varices": "What share of cirrhotic patients with an endoscopy have gastric varices in the fundus (GOV2 or IGV1)?",
    "n_session_slots": "How many endoscopic treatment sessions a year could the unit do for this programme at full capacity?",
    "n_radiology_slots": "How many transvenous sessions a year could radiology do for this programme at full capacity?",
    "n_slots_surveillance": "How many slots of a treatment session does one surveillance examination take (0.5 is half a slot)?",
    "p_detect_endoscopy": "Of treated varices that endosonography shows to be open, what share does gastroscopy call open?",
    "n_start_delay_months": "How many months pass from approval to the first patient?",
    "n_stay_days_session": "How many days does a patient stay in a bed for a planned session (0 for a day case)?",
}
SERVICE_LEAD = {
    "start_age": "What is the mean age, in whole years, of patients offered treatment?",
    "share_female": "What share of patients offered treatment are women?",
    "share_high_risk": "Of patients with fundal varices, what share are at high risk and have never bled?",
    "share_suitable": "Of patients at high risk who have never bled, what share are suitable for treatment?",
    "share_accepting": "Of patients offered treatment, what share accept?",
    "n_referred_in": "How many suitable and accepting patients are referred in from elsewhere in a year?",
    "n_treated_elsewhere": "How many suitable and accepting patients of yours are treated elsewhere in a year?",
    "r_growth": "By what share do eligible patients grow each year?",
    "n_backlog": "How many known eligible patients are waiting at the start?",
    "n_backlog_quarters": "Over how many quarters would you call them?",
    "n_sessions_glue": "Direct glue: how many sessions does a course take on average?",
    "n_sessions_eus_glue": "EUS-guided glue: how many sessions does a course take on average?",
    "n_sessions_coil": "EUS-guided coil: how many sessions does a course take on average?",
    "n_sessions_coil_and_glue": "EUS-guided coil and glue: how many sessions does a course take on average?",
    "n_sessions_transvenous": "Retrograde transvenous obliteration: how many sessions does a course take on average?",
    "n_sessions_secondary": "After a bleed: how many endoscopic sessions does secondary prophylaxis take on average?",
    "n_coils_coil": "EUS-guided coil alone: how many coils are used in a session?",
    "n_coils_coil_and_glue": "EUS-guided coil and glue: how many coils are used in a session?",
    "n_glue_ml_glue": "Direct glue: how many mL of glue mixture are used in a session?",
    "n_glue_ml_eus_glue": "EUS-guided glue: how many mL of glue mixture are used in a session?",
    "n_glue_ml_coil_and_glue": "EUS-guided coil and glue: how many mL of glue mixture are used in a session?",
    "p_retreat_year_1_glue": "Direct glue: what share of patients are treated again within a year of a finished course?",
    "p_retreat_year_1_eus_glue": "EUS-guided glue: what share are treated again within a year of a finished course?",
    "p_retreat_year_1_coil": "EUS-guided coil: what share are treated again within a year of a finished course?",
    "p_retreat_year_1_coil_and_glue": "EUS-guided coil and glue: what share are treated again within a year?",
    "p_retreat_year_1_transvenous": "Transvenous obliteration: what share are treated again within a year?",
    "share_retreat_later": "In later years, how frequent is re-treatment, as a share of the first-year rate?",
    "r_clinic_post_bleed": "How many extra clinic visits a year does a patient have after a bleed?",
}
CLOSED = "how many of 100 varices are closed at the first check after one course, before any re-treatment (60 is 0.6)?"
COURSE = {
    "p_obliteration_glue": f"Direct glue: {CLOSED}",
    "p_obliteration_eus_glue": f"EUS-guided glue: {CLOSED}",
    "p_obliteration_coil": f"EUS-guided coil: {CLOSED}",
    "p_obliteration_coil_and_glue": f"EUS-guided coil and glue: {CLOSED}",
    "p_obliteration_transvenous": f"Retrograde transvenous obliteration: {CLOSED}",
    "p_retreat_accepted": "Of patients found open again after glue or coils, what share accept and get another course?",
    "p_retreat_accepted_transvenous": "Of patients found open again after transvenous obliteration, what share are treated again?",
}
AFTER_A_YEAR = {
    "r_recurrence": "Of 100 patients whose varix glue or coils had closed, how many are open again after a year (10 is 0.1)?",
    "r_recurrence_transvenous": "Of 100 closed by transvenous obliteration, how many are open again after a year (5 is 0.05)?",
    "r_lost": "Of 100 patients treated and still alive, how many no longer come to follow-up after a year (20 is 0.2)?",
    "r_stop": "Of 100 patients who start a beta-blocker, how many have stopped it after a year (8 is 0.08)?",
    "r_stop_later": "Of 100 still on a beta-blocker after two years, how many have stopped it a year later (4 is 0.04)?",
}
INFORMATION = {
    "n_stay_days": "How many days does a variceal bleed admission last on average, intensive care included?",
    "share_rebleed_same_stay": "Of rebleeds within six weeks, what share happen before the patient goes home?",
    "p_icu_bleed": "What share of bleed admissions go to intensive care?",
    "n_icu_days": "When they do, how many days do they spend there?",
    "n_red_cells": "How many units of red cells does a bleed admission take on average?",
    "p_rescue": "What share of bleed admissions need a rescue shunt or transvenous procedure?",
    "p_readmission": "What share of patients who survive a bleed are readmitted within 30 days?",
    "n_days_readmission": "How many days does such a readmission last?",
    "n_stay_days_complication": "How many bed-days does a complication that needs admission take?",
    "share_occupancy": "What share of staffed beds is occupied on average?",
}
OPERATIONS = {
    "share_bed_refill": "When a bed-day is released, what share is filled by another patient?",
    "c_refill_contribution": "What does such a bed-day bring, income less variable cost?",
    "share_sessions_displacing": "What share of treatment sessions would displace another case?",
    "c_displaced_contribution": "What does a displaced case bring, income less variable cost?",
    "n_spare_sessions": "How many endoscopy slots a year are spare for treatment sessions before staff must be added?",
    "n_sessions_per_block": "How many endoscopy slots does one added block of staff time give in a year?",
    "n_spare_radiology": "How many radiology slots a year are spare before staff must be added?",
    "n_radiology_per_block": "How many radiology slots does one added block of staff time give in a year?",
    "n_spare_surveillance": "How many slots of a session's length are spare for surveillance a year before staff must be added?",
    "n_surveillance_per_block": "How many such slots does one added block of surveillance give in a year?",
    "n_beds_per_block": "How many beds form the smallest block that can be closed as a whole?",
}
BOUGHT = {
    "device": "What do you pay for {asked}, after rebates and before tax?",
    "drug": "What does {asked} cost?",
    "secondary_drug": "What does {asked} cost?",
}


VARIABLE = "What share of the full cost comes with each one done (supplies, staff hours; not rooms, overhead)"
BASE_PAYMENT = "What payment do you receive for {asked}, before a payer's own discount or mark-up?"


def _costing(item: Item) -> dict[str, str]:
    return {f"c_{item.key}": f"What is the full cost of {item.asked}?", f"share_variable_{item.key}": f"{VARIABLE}: {item.asked}?"}


ASKED = tuple(item for item in ITEMS if item.asked)
PROCUREMENT = {f"c_{i.key}": BOUGHT[i.kind].format(asked=i.asked) for i in ASKED if i.kind in BOUGHT} | {
    "share_device_tax": "What tax on coils and glue can you not recover, as a share of the price?"
}
CONTRACTS = {f"payment_{i.key}": BASE_PAYMENT.format(asked=i.asked) for i in ASKED} | {
    "payment_bleed_mean": "What payment do you receive for a bleed admission on average, fatal ones and rescue shunts included?",
    "ratio_hospital_payment": "What is your inpatient payment relative to the national amount (1 is the same)?",
    "share_physician_employed": "What share of this work is done by physicians the hospital employs?",
    "payment_professional_session": "What professional fee is paid for a treatment session?",
    "payment_professional_surveillance": "What professional fee is paid for a surveillance examination?",
    "payment_professional_bleed": "What professional fees are paid for a bleed admission?",
    "c_physician_session": "What does the hospital pay its physician for a treatment session?",
    "c_physician_surveillance": "What does the hospital pay its physician for a surveillance examination?",
    "c_physician_bleed": "What does the hospital pay its physicians for a bleed admission?",
}
COSTING = {name: words for i in ASKED if i.kind not in BOUGHT for name, words in _costing(i).items()} | {
    "c_bleed_mean": "What is the mean full cost of a bleed admission, fatal ones and those with a rescue shunt included?",
    "c_bleed_mean_no_rescue": "What is the mean full cost of a bleed admission, fatal ones included, rescue shunts left out?",
    "ratio_bleed_fatal": "How many times the cost of a survived bleed admission is that of a fatal one?",
    "ratio_bleed_rescue": "How many times the cost of a survived bleed admission is one with a rescue shunt?",
    "share_variable_pay": "Of variable cost other than devices, what share is pay?",
    "share_cash_bleeds": "Of the variable cost of a bleed, what share is bought in and would not be bought?",
    "share_can_take_usual_care": "Of patients with high-risk varices, what share can take usual care, such as a beta-blocker?",
    "share_cash_visits": "Of the variable cost of an examination, what share is bought and not own staff's time?",
    "share_cash_harms": "Of the variable cost of a complication, what share is bought and not own staff's time?",
    "share_cash_aftercare": "Of the variable cost of care after a bleed, what share is bought in?",
    "share_cash_sessions": "Of the variable cost of a session without devices, what share is bought and not own staff's time?",
}
STAFF = {
    "c_coordinator": "What does the coordinator's time for the programme cost in a year?",
    "c_session_block": "What does one added block of endoscopy cost a year, staff and room?",
    "c_radiology_block": "What does one added block of radiology cost a year, staff and room?",
    "c_surveillance_block": "What does one added block of surveillance cost a year, staff and room?",
    "n_posts_coordinator": "How many whole-time posts is the coordinator's time (a fifth of a post is 0.2)?",
    "n_posts_block": "How many whole-time posts does one added block take?",
    "c_cover_slot": "While the operator is away, what more does a bought-in one cost for each session?",
    "c_training": "What does training and set-up cost, once?",
}
ENGINEERING = {
    "capital_basis": "Is existing equipment used at a share, or is new equipment bought?",
    "c_service_contract": "What part of the equipment's service contract is charged to the programme in a year?",
}
FINANCE = {
    "at_end": "Is the programme judged as going on after the last year, or as closing then?",
    "n_duty_months": "If it closed, for how many months would its patients still be followed up?",
    "first_year": "In which calendar year would year 1 of the budget begin (0 if not known)?",
    "first_month": "In which month does your financial year begin (1 to 12; 0: as usual in the country)?",
    "n_budget_years": "Over how many years is a case of this kind judged?",
    "discount_finance": "What finance rate a year do you use for net present value?",
    "finance_rate_basis": "Is that rate nominal or real?",
    "cash_basis": "Do you show cash in nominal or real money?",
    "escalator_basis": "Are the yearly rises below nominal or real?",
    "r_inflation": "What general inflation a year do you assume?",
    "r_escalator_pay": "How fast does pay rise in a year?",
    "r_escalator_devices": "How fast do device and supply prices rise in a year?",
    "r_escalator_tariff": "How fast do payments rise in a year?",
    "n_settlement_days": "How many days pass from service to payment?",
    "share_tax": "What tax rate on a surplus applies to you (0 if none)?",
    "r_capital_charge": "What capital charge a year is made on book value?",
    "capital_charge": "Is the capital charge paid, or shown beside cash only?",
    "share_contingency": "What contingency is added to one-off and fixed cost (0 if none)?",
    "c_exit": "What would it cost to stop the programme, once?",
}
SHEETS: dict[str, tuple[str, dict[str, str]]] = {
    "Endoscopy": ("the endoscopy unit: volumes and slots", ENDOSCOPY),
    "Service lead": ("the service lead: patients, uptake, sessions, devices, follow-up", SERVICE_LEAD | COURSE | AFTER_A_YEAR),
    "Procurement": ("procurement: device and drug prices", PROCUREMENT),
    "Contracts": ("contracts: payments, payer mix, denials", CONTRACTS),
    "Costing": ("costing: full cost and its variable share", COSTING),
    "Information": ("information: bleeds, stay, intensive care, occupancy", INFORMATION),
    "Operations": ("operations: beds and slots and what fills them", OPERATIONS),
    "Staff": ("staff: posts and pay", STAFF),
    "Engineering": ("engineering: equipment and its service", ENGINEERING),
    "Finance": ("finance: rates, escalators, tax, settlement", FINANCE),
}


@record
class TableQuestions:
    """How a table input is asked: by the words of each row and the fields, ``{row}`` standing for the row's words.

    Each field has its question and its unit; an empty unit is the table's own.
    """

    sheet: str
    row_label: str
    fields: dict[str, tuple[str, str]]
    sums_to_one: str = ""


TABLES: dict[str, TableQuestions] = {
    "ramp": TableQuestions(
        "Endoscopy",
        "quarter",
        {"share": ("In quarter {row} after the first patient, what share of full capacity is reached?", "share")},
    ),
    "case_mix": TableQuestions(
        "Service lead", "name", {"share": ("What share of patients offered treatment are: {row}?", "share")}, "share"
    ),
    "current_mix": TableQuestions(
        "Service lead", "strategy", {"share": ("Today, what share of these patients have: {row}?", "share")}, "share"
    ),
    "proposed_mix": TableQuestions(
        "Service lead", "strategy", {"share": ("In the programme, what share of those who start would have: {row}?", "share")}, "share"
    ),
    "payers": TableQuestions(
        "Contracts",
        "name",
        {
            "share": ("What share of these patients are paid for by: {row}?", "share"),
            "denial": ("What share of claims does {row} deny for good?", "share"),
            "paid_at_margin": ("For one more case, what share of its payment does {row} pay (1 per case, 0 block budget)?", "share"),
            "payment_ratio": ("How does {row} pay relative to the payments above (1 is the same)?", "ratio"),
        },
        "share",
    ),
    "sites": TableQuestions(
        "Contracts",
        "name",
        {
            "patients": ("How many suitable and accepting patients a year does {row} refer?", "patients/year"),
            "bleeds_at_home": ("What share of their bleeds is admitted at {row}?", "share"),
            "current_care_at_home": ("What share of their present prophylaxis is given at {row}?", "share"),
            "transfer_payment": ("What does {row} pay for each patient who starts here?", "money"),
        },
    ),
    "contracts": TableQuestions(
        "Contracts",
        "payer",
        {
            "plan": ("What is the plan of the contract with {row} for this kind of work, a year at full payment?", "money"),
            "variable": ("What share of the work beyond that plan does {row} pay?", "share"),
            "floor": ("What is the least {row} pays, relative to the plan?", "ratio"),
            "cap": ("What is the most {row} pays, relative to the plan?", "ratio"),
        },
    ),
    "capital": TableQuestions(
        "Engineering",
        "item",
        {
            "cost": ("{row}: what does it cost new?", ""),
            "share": ("{row}: what share of its use is this programme's?", "share"),
            "life_years": ("{row}: how many years does it last?", "years"),
            "age_years": ("{row}: how old is the present one, in years?", "years"),
            "salvage": ("{row}: what is it worth at the end of its life?", ""),
        },
    ),
}


@record
class Asked:
    """A question with the words and the status shown beside it."""

    question: Question
    words: str
    parameter: Parameter


def questions(parameters: ParameterSet) -> dict[str, list[Asked]]:
    """Questions of every sheet, in order, with their rows."""
    found: dict[str, list[Asked]] = {}
    for sheet, (_, asked) in SHEETS.items():
        rows = [*_plain(parameters, sheet, asked), *_tables(parameters, sheet)]
        found[sheet] = [_at(row, question, words, parameter) for row, (question, words, parameter) in enumerate(rows, start=FIRST_ROW)]
    return found


def _at(row: int, question: dict[str, Any], words: str, parameter: Parameter) -> Asked:
    return Asked(Question(row=row, **question), words, parameter)


def _plain(parameters: ParameterSet, sheet: str, asked: dict[str, str]) -> Iterator[tuple[dict[str, Any], str, Parameter]]:
    for name, words in asked.items():
        p = parameters.parameters.get(name)
        if p is not None and p.table is None and not parameters.idle(name):
            yearly = name in AFTER_A_YEAR
            yield (
                {
                    "sheet": sheet,
                    "name": name,
                    "shown": name,
                    "item": None,
                    "field": "",
                    "unit": "share" if yearly else p.unit,
                    "ours": share_of_rate(parameters.number(name)) if yearly else p.value,
                    "after_a_year": yearly,
                    "choices": p.choices or CHOICES.get(name, ()),
                },
                words,
                p,
            )


def _tables(parameters: ParameterSet, sheet: str) -> Iterator[tuple[dict[str, Any], str, Parameter]]:
    for name, table in TABLES.items():
        p = parameters.parameters.get(name)
        if table.sheet != sheet or p is None:
            continue
        for item, row in enumerate(p.table or ()):
            label = str(row.get(table.row_label, item + 1))
            for field, (words, unit) in table.fields.items():
                if isinstance(row.get(field), int | float):
                    shown = _label(parameters, name, label)
                    yield (
                        {
                            "sheet": sheet,
                            "name": name,
                            "shown": f"{name} / {label} / {field}",
                            "item": item,
                            "field": field,
                            "unit": unit or p.unit,
                            "ours": float(row[field]),
                            "sums_to_one": field == table.sums_to_one,
                        },
                        words.replace("{row}", shown),
                        p,
                    )


def _label(parameters: ParameterSet, name: str, label: str) -> str:
    """Row of a table in plain words: a strategy's own label where the row names one."""
    row = parameters.strategies.get(label) if name.endswith("_mix") else None
    return row.label if row else label
