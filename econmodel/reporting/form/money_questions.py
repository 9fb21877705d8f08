"""Questions of the form for the money sheets: input name to question in plain words.

Costs, variable shares and payments of one kind of activity are asked alike, so their questions are put together from
the activity's words.
"""

from __future__ import annotations

SESSIONS = {
    "session_direct": "a direct endoscopic glue session, glue apart",
    "session_eus": "an EUS-guided session, coils and glue apart",
    "session_transvenous": "a retrograde transvenous obliteration, with its stay",
    "secondary_glue": "a glue session after a bleed, glue included",
    "secondary_coil_and_glue": "a coil-and-glue session after a bleed, devices included",
    "secondary_transvenous": "a transvenous obliteration after a bleed",
    "surveillance_egd": "a surveillance gastroscopy",
    "surveillance_eus": "a surveillance endoscopic ultrasound",
    "clinic_visit": "a clinic visit",
}
ADMISSIONS = {
    "bleed_survived": "a variceal bleed admission that is survived",
    "bleed_fatal": "a variceal bleed admission that ends in death",
    "rescue_admission": "a bleed admission with a rescue shunt (instead of the ordinary admission)",
    "readmission": "a readmission within 30 days of a bleed",
    "icu_day": "a day in intensive care",
    "ward_day": "a day on the ward",
    "red_cell_unit": "a unit of red cells, given",
}
COMPLICATIONS = {
    "embolism": "a clinically evident embolism",
    "sepsis": "sepsis after a session",
    "fever": "fever after a session",
    "ulcer_bleed": "a bleed from an ulcer or extruded glue",
}
DEVICES = {
    "coil": "one coil",
    "glue_ml": "1 mL of glue mixture",
    "drug_year": "a year of beta-blocker",
    "secondary_drug_year": "a year of beta-blocker after a bleed",
}
COSTED = SESSIONS | ADMISSIONS | COMPLICATIONS

PROCUREMENT = {
    "c_coil": "What do you pay for one coil, after rebates and before tax?",
    "c_glue_ml": "What do you pay for 1 mL of glue mixture, glue and oil, after rebates and before tax?",
    "c_drug_year": "What does a year of beta-blocker cost?",
    "c_secondary_drug_year": "What does a year of beta-blocker after a bleed cost?",
    "share_device_tax": "What tax on coils and glue can you not recover, as a share of the price?",
}
CONTRACTS = {
    **{
        f"payment_{a}": f"What payment do you receive for {words}, before the payer ratios below?"
        for a, words in (COSTED | DEVICES).items()
    },
    "share_physician_employed": "What share of this work is done by physicians the hospital employs?",
    "payment_professional_session": "What professional fee is paid for a treatment session?",
    "payment_professional_bleed": "What professional fees are paid for a bleed admission?",
}


def _cost_and_share(activity: str, words: str) -> dict[str, str]:
    return {
        f"c_{activity}": f"What is the full cost of {words}?",
        f"share_variable_{activity}": f"What share of that cost varies with volume: {words}?",
    }


COSTING = {
    **{name: question for a, words in COSTED.items() for name, question in _cost_and_share(a, words).items()},
    "share_variable_pay": "Of variable cost other than devices, what share is pay?",
    "share_saving_cash_releasing": "Of the variable cost of a bleed, what share is bought in and would not be bought?",
}
STAFF = {
    "c_coordinator": "What does the coordinator's time for the programme cost in a year?",
    "c_session_block": "What does one added block of staff time cost in a year?",
    "c_training": "What does training and set-up cost, once?",
}
ENGINEERING = {
    "capital_basis": "Is existing equipment used at a share, or is new equipment bought?",
    "c_service_contract": "What part of the equipment's service contract is charged to the programme in a year?",
}
FINANCE = {
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
    "c_exit": "What would it cost to stop the programme, once?",
}
