"""Inputs of the programme's finance, read from values by name and checked with one clear message for each fault.

Numbers are arrays of shape (1,) or (draw,), so that a batch of draws runs at once; lengths in months, quarters and
years are whole numbers; field names are the input names, with units in ``params/base_case/programme.toml``.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import EconModelError, ParameterError, join_faults
from econmodel.parameters.schema import CURRENCIES, WHOLE
from econmodel.programme import input_tables
from econmodel.programme.cost_tables import (
    CapitalItem,
    FixedRow,
    Loan,
    check_bases,
    check_loans,
    check_needs,
    read_capital,
    read_fixed,
    read_loans,
)
from econmodel.programme.input_tables import Contract, Payer, PayerTerm, Site
from econmodel.programme.paths import PathPoint, check_paths, read_paths, with_bases
from econmodel.records import record

if TYPE_CHECKING:
    from econmodel.parameters.parameter_set import ParameterSet

FloatArray = NDArray[np.float64]
CHOICES: dict[str, tuple[str, ...]] = {
    "currency": CURRENCIES,
    "cash_basis": ("nominal", "real"),
    "finance_rate_basis": ("nominal", "real"),
    "escalator_basis": ("nominal", "real"),
    "capital_basis": ("existing", "purchase", "lease"),
    "at_end": ("going_concern", "closure"),
    "capital_charge": ("memo", "paid"),
}
TABLES: dict[str, Callable[[str, Any], Any]] = {
    "current_mix": input_tables.read_mix,
    "proposed_mix": input_tables.read_mix,
    "payers": input_tables.read_payers,
    "payer_terms": input_tables.read_payer_terms,
    "contracts": input_tables.read_contracts,
    "sites": input_tables.read_sites,
    "ramp": input_tables.read_ramp,
    "capital": read_capital,
    "fixed_costs": read_fixed,
    "loans": read_loans,
    "paths": read_paths,
}
TEXTS = ("price_list", "price_year")
SET_BY_ANALYSES = ("adds_sessions", "margin_everywhere", "covered", "bled")
PHYSICIAN_WORK = ("session", "surveillance", "bleed")
VOLUMES = ("n_endoscoped", "n_referred_in", "n_treated_elsewhere", "n_backlog", "n_session_slots", "n_radiology_slots")


@record
class ProgrammeInputs:
    """Every input of the programme; see ``params/base_case/programme.toml`` for meaning, unit and source.

    Money stands in the price list of the country, ``params/prices``, payers and equipment in ``params/countries``.
    ``n_stay_days`` (days of a bleed admission) is the clinical model's own, in ``params/base_case/resources.toml``.
    ``ratio_volume`` scales demand, ``ratio_payment`` and ``ratio_cost`` payments and costs of prophylaxis. The last fields are
    no inputs: analyses set ``margin_everywhere`` in the place of every ``paid_at_margin`` and contract (None: leave), and
    ``covered`` where an operator is bought in for an absence; ``bled`` says that patients have bled before they start.
    """

    currency: str
    price_list: str
    price_year: str
    cash_basis: str
    finance_rate_basis: str
    escalator_basis: str
    capital_basis: str
    at_end: str
    capital_charge: str
    n_budget_years: int
    first_year: int
    first_month: int
    n_duty_months: int
    n_backlog_quarters: int
    n_start_delay_months: int
    n_absence_start_month: int
    n_absence_months: int
    n_stop_month: int
    n_endoscoped: FloatArray
    share_fundal_varices: FloatArray
    share_high_risk: FloatArray
    share_suitable: FloatArray
    share_accepting: FloatArray
    n_referred_in: FloatArray
    n_treated_elsewhere: FloatArray
    r_growth: FloatArray
    n_backlog: FloatArray
    ratio_volume: FloatArray
    ratio_payment: FloatArray
    ratio_cost: FloatArray
    n_session_slots: FloatArray
    n_radiology_slots: FloatArray
    share_physician_employed: FloatArray
    payment_professional_session: FloatArray
    payment_professional_surveillance: FloatArray
    payment_professional_bleed: FloatArray
    c_physician_session: FloatArray
    c_physician_surveillance: FloatArray
    c_physician_bleed: FloatArray
    share_device_tax: FloatArray
    share_variable_pay: FloatArray
    share_contingency: FloatArray
    c_coordinator: FloatArray
    c_training: FloatArray
    c_service_contract: FloatArray
    c_exit: FloatArray
    n_spare_sessions: FloatArray
    n_sessions_per_block: FloatArray
    c_session_block: FloatArray
    n_spare_radiology: FloatArray
    n_radiology_per_block: FloatArray
    c_radiology_block: FloatArray
    n_spare_surveillance: FloatArray
    n_surveillance_per_block: FloatArray
    c_surveillance_block: FloatArray
    c_cover_slot: FloatArray
    n_posts_block: FloatArray
    n_posts_coordinator: FloatArray
    n_slots_surveillance: FloatArray
    share_sessions_displacing: FloatArray
    c_displaced_contribution: FloatArray
    share_bed_refill: FloatArray
    c_refill_contribution: FloatArray
    n_stay_days: FloatArray
    n_days_readmission: FloatArray
    share_occupancy: FloatArray
    n_beds_per_block: FloatArray
    share_cash_sessions: FloatArray
    share_cash_visits: FloatArray
    share_cash_harms: FloatArray
    share_cash_bleeds: FloatArray
    share_cash_aftercare: FloatArray
    share_harms_paid: FloatArray
    share_can_take_usual_care: FloatArray
    n_settlement_days: FloatArray
    share_tax: FloatArray
    r_capital_charge: FloatArray
    discount_finance: FloatArray
    r_inflation: FloatArray
    r_escalator_pay: FloatArray
    r_escalator_devices: FloatArray
    r_escalator_tariff: FloatArray
    current_mix: dict[str, float]
    proposed_mix: dict[str, float]
    payers: tuple[Payer, ...]
    payer_terms: tuple[PayerTerm, ...]
    contracts: tuple[Contract, ...]
    sites: tuple[Site, ...]
    ramp: tuple[float, ...]
    capital: tuple[CapitalItem, ...]
    fixed_costs: tuple[FixedRow, ...]
    loans: tuple[Loan, ...]
    paths: tuple[PathPoint, ...]
    adds_sessions: bool = True
    margin_everywhere: float | None = None
    covered: bool = False
    bled: bool = False

    @classmethod
    def from_values(cls, values: Mapping[str, Any]) -> ProgrammeInputs:
        """Read the inputs by name out of any larger mapping of values.

        Parameters
        ----------
        values
            Input name to number, array of shape (draw,), text (choices) or list of rows (tables). Names that are not
            programme inputs are left alone.

        Raises
        ------
        EconModelError
            Every fault found: a missing input, a negative volume, a share outside 0 to 1, a ramp over 100%, payer
            shares that do not sum to 1, an unknown payer, nominal mixed with real, a life shorter than the gap to
            replacement.
        """
        faults: list[EconModelError] = []
        read: dict[str, Any] = {}
        for name, kind in input_kinds().items():
            try:
                read[name] = _read(name, kind, values)
            except EconModelError as fault:
                faults.append(fault)
        if not faults:
            faults.extend(_joint_faults(read))
        if faults:
            raise join_faults(faults)
        return cls(**read)

    @property
    def n_months(self) -> int:
        """Months of the budget."""
        return 12 * self.n_budget_years

    @property
    def closes(self) -> bool:
        """Whether the programme closes in the last month: debts collected, equipment sold, follow-up owed, exit paid."""
        return self.at_end == "closure"

    @property
    def absent(self) -> slice:
        """Months, from 0, in which the operator is away; none of them without an absence."""
        first = self.n_absence_start_month - 1
        return slice(first, first + self.n_absence_months) if first >= 0 else slice(0, 0)

    @property
    def eligible_per_year(self) -> FloatArray:
        """Patients a year who are eligible and accept, in year 1; shape (draw,)."""
        return np.asarray(self.ratio_volume * eligible(vars(self)))

    def referred_by(self, site: Site) -> FloatArray:
        """Patients a year referred by a partner, shape (draw,): its part of all who are referred in."""
        return np.asarray(self.n_referred_in * (site.patients / sum(each.patients for each in self.sites)))

    def changed(self, **changes: Any) -> ProgrammeInputs:
        """Copy with some fields changed; numbers become arrays. The caller keeps them within the rules."""
        arrays: dict[str, Any] = {k: np.atleast_1d(np.asarray(v, dtype=float)) if k in NUMBERS else v for k, v in changes.items()}
        return dataclasses.replace(self, **arrays)


def input_kinds() -> dict[str, str]:
    """Name every input with its kind: ``choice``, ``table``, ``text``, ``whole`` or ``number``."""
    kinds = {}
    for f in dataclasses.fields(ProgrammeInputs):
        if f.name in SET_BY_ANALYSES:
            continue
        plain = "text" if f.name in TEXTS else "whole" if f.type == "int" else "number"
        kinds[f.name] = "choice" if f.name in CHOICES else "table" if f.name in TABLES else plain
    return kinds


def read_inputs(parameters: ParameterSet, values: Mapping[str, FloatArray]) -> ProgrammeInputs:
    """Read the programme's inputs of a case.

    Parameters
    ----------
    parameters
        The case; gives texts and tables.
    values
        Numeric inputs, base values or draws, each (draw,).
    """
    plain = {name: p.value if p.table is None else p.table for name, p in parameters.parameters.items()}
    try:
        inputs = ProgrammeInputs.from_values({**plain, **values})
        input_tables.check_sites(inputs.sites, parameters.number("n_referred_in"))
        bases = {name: float(p.value) for name, p in parameters.parameters.items() if isinstance(p.value, int | float)}
        adds = more_sessions(parameters, inputs.current_mix, inputs.proposed_mix)
        return dataclasses.replace(inputs, paths=with_bases(inputs.paths, bases), adds_sessions=adds, bled=parameters.has_bled)
    except EconModelError as fault:
        _locate(fault, parameters)
        raise


def more_sessions(parameters: ParameterSet, current: Mapping[str, float], proposed: Mapping[str, float]) -> bool:
    """Whether one mix treats more patients by sessions than another."""

    def by_session(mix: Mapping[str, float]) -> float:
        return sum(share for key, share in mix.items() if key in parameters.strategies and parameters.strategies[key].session)

    return by_session(proposed) > by_session(current)


def _locate(fault: EconModelError, parameters: ParameterSet) -> None:
    """Say where the input that a fault names was typed: of several one that the site changed, else the first."""
    for one in fault.faults or (fault,):
        named = [p for word in one.what.split() if (p := parameters.parameters.get(word.strip(":,")))]
        if not one.where and named:
            one.where = str(next((p for p in named if p.changed_by), named[0]).where)


NUMBERS = frozenset(name for name, kind in input_kinds().items() if kind == "number")


def is_change(inputs: ProgrammeInputs) -> bool:
    """Whether anything is proposed at all: equal mixes are no programme, so nobody starts and nothing is spent."""
    current, proposed = ({k: v for k, v in mix.items() if v} for mix in (inputs.current_mix, inputs.proposed_mix))
    return current != proposed


def eligible(read: Mapping[str, Any]) -> FloatArray:
    """Multiply the funnel out: endoscoped x four shares, plus referred in, less treated elsewhere."""
    accepting = (
        read["n_endoscoped"]
        * read["share_fundal_varices"]
        * read["share_high_risk"]
        * read["share_suitable"]
        * read["share_accepting"]
    )
    return np.asarray(accepting + read["n_referred_in"] - read["n_treated_elsewhere"])


def _read(name: str, kind: str, values: Mapping[str, Any]) -> Any:
    if name not in values:
        what = f"the programme input {name!r} is missing"
        raise ParameterError(what, fix=f"add [{name}] to a file of params/base_case")
    value = values[name]
    if kind == "choice":
        return _read_choice(name, value)
    if kind == "text":
        return str(value)
    if kind == "table":
        return TABLES[name](name, value)
    number = _read_number(name, value)
    if kind == "number":
        return number
    if number.size != 1 or number[0] != int(number[0]) or number[0] < WHOLE[name]:
        what = f"{name} = {value!r}: must be a whole number >= {WHOLE[name]}"
        raise ParameterError(what, fix="give one whole number; it is not varied between draws")
    return int(number[0])


def _read_choice(name: str, value: object) -> str:
    if value not in CHOICES[name]:
        what = f"{name} = {value!r}: must be {' or '.join(CHOICES[name])}"
        raise ParameterError(what, fix=f'{name} = "{CHOICES[name][0]}"')
    return str(value)


def _read_number(name: str, value: object) -> FloatArray:
    try:
        number = np.atleast_1d(np.asarray(value, dtype=float))
    except (TypeError, ValueError):
        number = np.array([np.nan])
    if number.ndim != 1 or not np.isfinite(number).all():
        what = f"{name} = {value!r}: must be a finite number"
        raise ParameterError(what, fix="give a plain number, without unit or quotes")
    worst_low, worst_high = float(number.min()), float(number.max())
    if name.startswith("share_") and not (worst_low >= 0 and worst_high <= 1):
        what = f"{name} = {worst_low if worst_low < 0 else worst_high:g}: must be between 0 and 1"
        raise ParameterError(what, fix="a percentage is written as a fraction, 25% as 0.25")
    if name.startswith(("r_", "discount_")) and worst_low <= -1:
        what = f"{name} = {worst_low:g}: must be above -1"
        raise ParameterError(what, fix="a rate is a fraction per year, 8% is 0.08")
    if name.startswith(("n_", "c_", "payment_")) and worst_low < 0:
        noun = "volume is negative" if name in VOLUMES else "value is negative"
        what = f"{name} = {worst_low:g}: the {noun}, must be >= 0"
        raise ParameterError(what, fix="check the sign")
    return number


def _physician_faults(read: dict[str, Any]) -> list[EconModelError]:
    """Refuse the fees of employed physicians without what these physicians cost."""
    employed, work = float(read["share_physician_employed"].max()), [f"c_physician_{key}" for key in PHYSICIAN_WORK]
    missing = [cost for cost, key in zip(work, PHYSICIAN_WORK, strict=True) if _unpaid(read, cost, f"payment_professional_{key}")]
    if not employed or not missing or any(row.physician for row in read["fixed_costs"]):
        return []
    what = f"share_physician_employed = {employed:g}: fees count, but not what the physicians cost"
    return [
        ParameterError(what, fix=f"give {', '.join(missing)}, the hospital's own cost of one, or mark a fixed cost physician = true")
    ]


def _unpaid(read: dict[str, Any], cost: str, fee: str) -> bool:
    return bool((read[fee] > 0).any() and not (read[cost] > 0).any())


def _joint_faults(read: dict[str, Any]) -> list[EconModelError]:
    faults: list[EconModelError] = []
    if read["finance_rate_basis"] != read["escalator_basis"]:
        rate, rises = (read[name] for name in ("finance_rate_basis", "escalator_basis"))
        what = f"finance_rate_basis = {rate!r} but escalator_basis = {rises!r}: nominal and real must not be mixed"
        faults.append(ParameterError(what, fix="state both alike, with their numbers; real = (1 + nominal) / (1 + inflation) - 1"))
    try:
        input_tables.check_payer_names(read["payers"], read["payer_terms"], read["contracts"])
        input_tables.check_contracts(read["contracts"], read["payer_terms"], read["n_budget_years"])
        check_bases(read["capital"], read["capital_basis"])
        check_needs(read["fixed_costs"], 12 * read["n_budget_years"])
        check_loans(read["loans"], 12 * read["n_budget_years"])
        first = read["first_year"] or int(read["price_year"][:4])
        check_paths(read["paths"], read["payers"], first, read["n_budget_years"])
    except EconModelError as fault:
        faults.append(fault)
    faults.extend(_physician_faults(read))
    if (eligible(read) < 0).any():
        fewest = float(eligible(read).min())
        what = f"eligible patients a year = {fewest:.3g}: more are treated elsewhere than are found"
        faults.append(ParameterError(what, fix="lower n_treated_elsewhere"))
    if 0 < read["first_year"] < int(read["price_year"][:4]):
        what = f"first_year = {read['first_year']}: lies before the year of the prices, {read['price_year']}"
        faults.append(ParameterError(what, fix="give the calendar year in which the first year begins, or 0 for none"))
    if read["first_month"] > 12:
        what = f"first_month = {read['first_month']}: must be a month, 1 to 12, or 0"
        faults.append(ParameterError(what, fix="7 is July; 0 takes the month that opens the country's financial year"))
    for name in ("n_sessions_per_block", "n_radiology_per_block", "n_surveillance_per_block", "share_occupancy", "n_beds_per_block"):
        if (read[name] <= 0).any():
            faults.append(ParameterError(f"{name} = 0: must be > 0", fix="give the size of one block, or the share"))
    return faults
