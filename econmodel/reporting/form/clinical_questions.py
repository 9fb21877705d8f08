"""Questions of the form for the clinical and operational sheets: input name to question in plain words."""

from __future__ import annotations

ENDOSCOPY = {
    "n_endoscoped": "How many different patients with cirrhosis have an upper endoscopy in your unit in a year?",
    "share_fundal_varices": "What share of them have gastric varices in the fundus (GOV2 or IGV1)?",
    "n_session_slots": "How many treatment sessions a year could the unit do for this programme at full capacity?",
    "n_slots_surveillance": "How many of those slots does one surveillance examination take (0.5 is half a slot)?",
    "n_start_delay_months": "How many months pass from approval to the first patient?",
    "n_stay_days_session": "How many days does a patient stay in a bed for a planned session (0 for a day case)?",
}
SERVICE_LEAD = {
    "start_age": "What is the mean age, in whole years, of patients offered treatment?",
    "share_female": "What share of them are women?",
    "share_high_risk": "Of patients with fundal varices, what share are at high risk and have never bled?",
    "share_suitable": "Of those, what share are suitable for treatment?",
    "share_accepting": "Of those offered treatment, what share accept?",
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
INFORMATION = {
    "n_stay_days": "How many days does a variceal bleed admission last on average, intensive care included?",
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
    "n_spare_sessions": "How many session slots a year are spare before staff must be added?",
    "n_sessions_per_block": "How many session slots does one added block of staff time give in a year?",
    "n_beds_per_block": "How many beds form the smallest block that can be closed as a whole?",
}
