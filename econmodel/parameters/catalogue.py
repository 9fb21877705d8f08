"""The catalogue: every activity, complication and count of the model, one row each, and every price.

What lists them reads it: price lists, activity, results, draws, tables, form, workbook, registry and programme. It
stands in the lowest room that reads it, as price lists and strategy rows are checked against it. A new complication is
one row here, beside its inputs (a price row for each country, ``p_KEY_STRATEGY`` where it happens, ``du_KEY``).

Terms
-----
activity
    What is counted and priced; ``kind`` says what brings it about.
complication
    An activity of a course of treatment; ``stay`` where it takes bed-days.
count
    What is counted and has no price.
kept
    Kept for each draw; a complication so marked also stands in results by its short name and is taken from a site's
    registry.
headline
    Stands in the shortest tables too.
"""

from __future__ import annotations

from econmodel.records import record

CATEGORIES = {"prophylaxis": "Prophylaxis", "bleeds": "Bleeds", "aftercare": "Care after a bleed", "background": "Background care"}
BOTTOM_UP_ONLY = " (only where bleed_costing is bottom_up)"
SOCIETAL_ONLY = " (societal view only)"


@record
class Item:
    """One activity: its names in a table, a price and a question of the form, and what its price is per.

    ``costing`` is the way of costing a bleed under which alone it is priced, ``priced_as`` the activity whose price it
    shares. A complication has its short name and its plural; a session is done in the slots of a ``place``.
    """

    key: str
    kind: str
    category: str
    per: str
    label: str
    price: str
    asked: str = ""
    costing: str = ""
    priced_as: str = ""
    patient_cost: bool = False
    stay: bool = False
    kept: bool = False
    short: str = ""
    headline: bool = False
    plural: str = ""
    place: str = ""


@record
class Count:
    """One count: its name in a table, the moves between states it sums, its plural in a list of harms where it is one."""

    key: str
    label: str
    moves: tuple[str, ...] = ()
    kept: bool = False
    plural: str = ""


@record
class Price:
    """One input of a price list: its label and what it is per; ``per`` is empty for a share or ratio."""

    name: str
    label: str
    per: str

    def unit(self, currency: str) -> str:
        """Unit in a currency."""
        return f"{currency}/{self.per}" if self.per else "ratio" if self.name.startswith("ratio_") else "share"


EPISODE, DAYS = "per_episode", "bottom_up"
# fmt: off
ITEMS = (
    Item("session_direct", "session", "prophylaxis", "session", "Direct endoscopic session",
         "direct endoscopic glue session, glue apart", "a direct endoscopic glue session, glue apart", patient_cost=True,
         place="endoscopy"),
    Item("session_eus", "session", "prophylaxis", "session", "EUS-guided session",
         "EUS-guided session, coils and glue apart", "an EUS-guided session, coils and glue apart", patient_cost=True,
         place="endoscopy"),
    Item("session_transvenous", "session", "prophylaxis", "session", "Transvenous session",
         "retrograde transvenous obliteration", "a retrograde transvenous obliteration, with its stay", patient_cost=True,
         place="radiology"),
    Item("coil", "device", "prophylaxis", "coil", "Coil", "one coil", "one coil"),
    Item("glue_ml", "device", "prophylaxis", "mL", "Glue, mL", "1 mL of glue mixture", "1 mL of glue mixture, glue and oil"),
    Item("oil_session", "device", "prophylaxis", "session", "Iodised oil, session",
         "iodised oil of a session with glue", "the iodised oil mixed with the glue of a session (0 if the glue's price holds it)"),
    Item("drug_year", "drug", "prophylaxis", "year", "Drug, year", "a year of beta-blocker", "a year of beta-blocker"),
    Item("surveillance_egd", "examination", "prophylaxis", "visit", "Surveillance endoscopy",
         "surveillance gastroscopy", "a surveillance gastroscopy", patient_cost=True),
    Item("surveillance_eus", "examination", "prophylaxis", "visit", "Surveillance EUS",
         "surveillance endoscopic ultrasound", "a surveillance endoscopic ultrasound", patient_cost=True),
    Item("surveillance_ct", "scan", "prophylaxis", "visit", "Surveillance CT",
         "surveillance computed tomography", "a surveillance computed tomography", patient_cost=True),
    Item("clinic_visit", "clinic", "prophylaxis", "visit", "Clinic visit", "clinic visit", "a clinic visit", patient_cost=True),
    Item("embolism", "complication", "prophylaxis", "event", "Embolism",
         "clinically evident embolism", "a clinically evident embolism",
         stay=True, kept=True, headline=True, short="Emboli", plural="embolisms"),
    Item("sepsis", "complication", "prophylaxis", "event", "Sepsis", "sepsis after a session", "sepsis after a session",
         stay=True, kept=True, short="Sepsis", plural="cases of sepsis"),
    Item("fever", "complication", "prophylaxis", "event", "Fever", "fever after a session", "fever after a session",
         plural="fevers"),
    Item("ulcer_bleed", "complication", "prophylaxis", "event", "Bleed from ulcer or extruded glue",
         "bleed from extruded glue or ulcer", "a bleed from an ulcer or extruded glue",
         stay=True, plural="bleeds from glue or ulcer"),
    Item("bleed_survived", "admission", "bleeds", "event", "Bleed admission, survived",
         "variceal bleed admission, survived", "a variceal bleed admission that is survived", EPISODE, patient_cost=True),
    Item("bleed_fatal", "admission", "bleeds", "event", "Bleed admission, fatal",
         "variceal bleed admission, fatal", "a variceal bleed admission that ends in death", EPISODE, patient_cost=True),
    Item("rescue_admission", "admission", "bleeds", "event", "Admission with rescue procedure",
         "bleed admission with rescue shunt (replaces the bleed admission)",
         "a bleed admission with a rescue shunt (instead of the ordinary admission)"),
    Item("readmission", "readmission", "bleeds", "event", "Readmission",
         "readmission within 30 days of a bleed", "a readmission within 30 days of a bleed"),
    Item("icu_day", "day", "bleeds", "day", "ICU day of a bleed", "intensive care day", "a day in intensive care", DAYS),
    Item("ward_day", "day", "bleeds", "day", "Ward day of a bleed", "ward day", "a day on the ward", DAYS),
    Item("red_cell_unit", "blood", "bleeds", "unit", "Red-cell unit", "red-cell unit, given", "a unit of red cells, given", DAYS),
    Item("secondary_glue", "secondary_session", "aftercare", "session", "After a bleed: glue session",
         "session of secondary prophylaxis, direct glue", "a glue session after a bleed, glue included"),
    Item("secondary_coil_and_glue", "secondary_session", "aftercare", "session", "After a bleed: coil and glue session",
         "session of secondary prophylaxis, EUS-guided coil and glue", "a coil-and-glue session after a bleed, devices included"),
    Item("secondary_transvenous", "secondary_session", "aftercare", "session", "After a bleed: transvenous",
         "secondary prophylaxis, retrograde transvenous obliteration", "a transvenous obliteration after a bleed"),
    Item("secondary_ligation", "secondary_session", "aftercare", "session", "After an oesophageal bleed: ligation",
         "session of secondary prophylaxis, band ligation", "a session of band ligation after an oesophageal bleed"),
    Item("secondary_drug_year", "secondary_drug", "aftercare", "year", "After a bleed: drug, year",
         "a year of beta-blocker as secondary prophylaxis", "a year of beta-blocker after a bleed"),
    Item("clinic_post_bleed", "follow_up", "aftercare", "visit", "Clinic visit after a bleed", "", priced_as="clinic_visit"),
    Item("transplant", "background", "background", "event", "Transplant", "liver transplant"),
    Item("year_never_bled", "background", "background", "year", "Care in a year, never bled",
         "a year of background care, never bled"),
    Item("year_post_bleed", "background", "background", "year", "Care in a year, after a bleed",
         "a year of background care after a bleed"),
    Item("year_transplanted", "background", "background", "year", "Care in a year, transplanted",
         "a year of background care after transplant"),
)
COUNTS = (
    Count("first_bleeds", "First bleeds", ("gastric_bleed", "other_bleed")),
    Count("gastric_first_bleeds", "Gastric first bleeds", ("gastric_bleed",)),
    Count("rebleeds", "Rebleeds", ("early_rebleed", "late_rebleed")),
    Count("deaths_bleed", "Deaths from bleeding", ("bleed_death",), kept=True),
    Count("deaths_procedure", "Deaths from the procedure", ("procedure_death",), kept=True, plural="deaths from the procedure"),
    Count("deaths_other", "Other deaths", ("other_death",)),
    Count("sessions", "Sessions", kept=True),
    Count("courses", "Courses"),
    Count("transplants", "Transplants", ("transplant",)),
    Count("icu_days", "ICU days"),
    Count("ward_days", "Ward days"),
    Count("procedure_days", "Bed-days of sessions"),
    Count("complication_days", "Bed-days of complications"),
)
RATIOS_OF_BLEEDS = (
    Price("ratio_bleed_fatal", "Cost of a fatal bleed admission, relative to a survived one", ""),
    Price("ratio_bleed_rescue", "Cost of an admission with rescue shunt, relative to a survived bleed", ""),
    Price("ratio_payment_fatal", "Payment for a fatal bleed admission, relative to a survived one", ""),
    Price("ratio_payment_rescue", "Payment for an admission with rescue shunt, relative to a survived bleed", ""),
)
MEANS_OF_BLEEDS = (
    Price("c_bleed_mean", "Mean cost of all bleed admissions, fatal ones and those with a rescue shunt included", "event"),
    Price("c_bleed_mean_no_rescue", "Mean cost of bleed admissions without rescue shunt, fatal ones included", "event"),
    Price("payment_bleed_mean", "Mean payment for all bleed admissions, fatal ones and those with a rescue shunt included", "event"),
)
INPATIENT_PRICES = (
    Price("c_base_rate", "National base rate of an inpatient payment, operating and capital", "event"),
    Price("ratio_hospital_payment", "Inpatient payment of the hospital, relative to the national amount", ""),
    Price("share_varix_first", "Share of bleed admissions coded with the varix first, not the cirrhosis", ""),
    Price("share_major_survived", "Share with a major complication: bleed admission, survived", ""),
    Price("share_major_fatal", "Share with a major complication: bleed admission, fatal", ""),
    Price("share_major_rescue", "Share with a major complication: admission with rescue shunt", ""),
)
COURSE_COUNTS = (
    Count("visits", "Surveillance visits"),
    Count("retreatments", "Re-treatments", ("retreat",)),
    Count("rebleeds_gastric", "Late rebleeds, gastric varix", ("gastric_rebleed",)),
    Count("rebleeds_other", "Late rebleeds, another source", ("other_rebleed",)),
    Count("rebleeds_early", "Early rebleeds", ("early_rebleed",)),
)
OTHER_PRICES = (
    Price("willingness_to_pay", "Willingness-to-pay threshold for one QALY", "QALY"),
    Price("payment_professional_session", "Professional fee for a treatment session", "session"),
    Price("payment_professional_surveillance", "Professional fee for a surveillance examination", "visit"),
    Price("payment_professional_bleed", "Professional fees for a bleed admission", "event"),
    Price("c_physician_session", "Cost of an employed physician: treatment session", "session"),
    Price("c_physician_surveillance", "Cost of an employed physician: surveillance examination", "visit"),
    Price("c_physician_bleed", "Cost of an employed physician: bleed admission", "event"),
    Price("c_coordinator", "Coordinator's time", "year"),
    Price("c_training", "Training and set-up", "once"),
    Price("c_service_contract", "Service contract charged to the programme", "year"),
    Price("c_session_block", "Cost of one added block of endoscopy", "block"),
    Price("c_radiology_block", "Cost of one added block of radiology", "block"),
    Price("c_surveillance_block", "Cost of one added block of surveillance", "block"),
    Price("c_cover_slot", "Extra cost of a bought-in operator for one slot, while the own one is away", "session"),
    Price("c_displaced_contribution", "Contribution of a displaced case", "case"),
    Price("c_refill_contribution", "Contribution of a refilled bed-day", "day"),
    Price("c_exit", "Cost of stopping the programme", "once"),
    Price("c_trial_fixed", "Fixed cost of a randomised trial", "once"),
    Price("c_trial_patient", "Research cost of a patient in a randomised trial", "patient"),
    Price("c_registry_fixed", "Fixed cost of a registry", "once"),
    Price("c_registry_patient", "Research cost of a patient in a registry", "patient"),
)
COUNTRY_INPUTS: dict[str, dict[str, str]] = {
    "currency": {"label": "Currency of this price list", "unit": "choice"},
    "price_year": {"label": "Price year of this price list", "unit": "text"},
    "payers": {"label": "Payer mix, denials, payment at the margin and payment relative to the price list", "unit": "table"},
    "payer_terms": {"label": "Exceptions of a payer for an activity or category", "unit": "table"},
    "capital": {"label": "Equipment: cost, month bought if bought, share of use charged, life, salvage", "unit": "{currency}/item"},
}
OPTIONAL_COUNTRY_INPUTS = {
    "inpatient_groups": {"label": "Weights of inpatient payment groups, relative to the base rate", "unit": "table"},
}
# fmt: on
CATEGORY = {item.key: item.category for item in ITEMS}
LABELS = {row.key: row.label for row in (*COUNTS, *ITEMS)}
COUNT_KEYS = tuple(count.key for count in COUNTS)
KEPT = tuple(row.key for row in (*COUNTS, *ITEMS) if row.kept)
HARMS = {row.key: row.plural for row in (*COUNTS, *ITEMS) if row.plural}
STAYS = tuple(item.key for item in ITEMS if item.stay)
KEPT_COMPLICATIONS = {item.key: item.short for item in ITEMS if item.short}
HEADLINE_COMPLICATIONS = {item.key: item.short for item in ITEMS if item.headline}
PRICED_AS = {item.key: item.priced_as for item in ITEMS if item.priced_as}
PER_EPISODE, BOTTOM_UP = (tuple(item.key for item in ITEMS if item.costing == way) for way in (EPISODE, DAYS))


def of_kind(*kinds: str) -> tuple[str, ...]:
    """Keys of the activities of some kinds, in order.

    Examples
    --------
    >>> of_kind("device", "drug")
    ('coil', 'glue_ml', 'oil_session', 'drug_year')
    """
    return tuple(item.key for item in ITEMS if item.kind in kinds)


SESSION_KINDS, SECONDARY_SESSIONS = of_kind("session"), of_kind("secondary_session")
SECONDARY_KINDS = of_kind("secondary_session", "secondary_drug")
ENDOSCOPIES, EXAMINATIONS = of_kind("examination"), of_kind("examination", "scan")
VISIT_KINDS = (*EXAMINATIONS, *of_kind("clinic"))
COMPLICATIONS, DEVICES, BLEED_ADMISSIONS = of_kind("complication"), of_kind("device"), of_kind("admission")


def _prices_of(item: Item) -> tuple[Price, ...]:
    """Full cost, variable share, payment, and the cost to the patient where there is one."""
    if not item.price:
        return ()
    only = BOTTOM_UP_ONLY if item.costing == DAYS else ""
    patient = Price(f"c_patient_{item.key}", f"Patient and carer cost: {item.price}{SOCIETAL_ONLY}", item.per)
    return (
        Price(f"c_{item.key}", f"Full cost: {item.price}{only}", item.per),
        Price(f"share_variable_{item.key}", f"Variable share of the cost: {item.price}", ""),
        Price(f"payment_{item.key}", f"Payment received: {item.price}{only}", item.per),
        *((patient,) if item.patient_cost else ()),
    )


_GROUPS = (*(_prices_of(item) for item in ITEMS), RATIOS_OF_BLEEDS, MEANS_OF_BLEEDS, INPATIENT_PRICES, OTHER_PRICES)
PRICES = {price.name: price for group in _GROUPS for price in group}
# A price on the left takes the place of those on the right: a mean of bleed admissions, or prices by their outcome.
_BY_OUTCOME = ("bleed_survived", "bleed_fatal", "rescue_admission")
INSTEAD_OF = {
    "c_bleed_mean": ("c_bleed_mean_no_rescue", *(f"c_{key}" for key in _BY_OUTCOME)),
    "c_bleed_mean_no_rescue": ("c_bleed_mean", "c_bleed_survived", "c_bleed_fatal"),
    "c_bleed_survived": ("c_bleed_mean", "c_bleed_mean_no_rescue"),
    "c_bleed_fatal": ("c_bleed_mean", "c_bleed_mean_no_rescue"),
    "c_rescue_admission": ("c_bleed_mean",),
    "payment_bleed_mean": tuple(f"payment_{key}" for key in _BY_OUTCOME),
    **{f"payment_{key}": ("payment_bleed_mean",) for key in _BY_OUTCOME},
}
NOT_IN_EVERY_LIST = frozenset([*INSTEAD_OF, *(price.name for price in INPATIENT_PRICES)])
