"""Any country: which prices a case takes, and how they are had where no list was made for it.

A country without a list of its own takes that of another, each amount converted: what staff and services cost at purchasing
power, what is traded (devices, equipment) at the exchange rate, both of the year of the base list. Shares, counts and ratios stay.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Container, Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from econmodel.errors import ParameterError
from econmodel.package import is_there, params_folder
from econmodel.parameters.catalogue import DEVICES, INPATIENT_PRICES
from econmodel.parameters.derive import Scope, parse_expression
from econmodel.parameters.distributions import fit, fixed, rescale
from econmodel.parameters.documents import Document, read_document, read_text
from econmodel.parameters.lookups import Call
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.parsing import widened
from econmodel.parameters.price_list import country_code
from econmodel.parameters.quantities import read_cell
from econmodel.parameters.schema import CURRENCIES, Parameter, Range, money_parts
from econmodel.records import record
from econmodel.wording import nearest

BASES = ("GB", "US")
COUNTRIES = frozenset(
    (
        "AD AE AF AG AI AL AM AO AQ AR AS AT AU AW AX AZ BA BB BD BE BF BG BH BI BJ BL BM BN BO BQ BR BS BT BV BW BY BZ CA "
        "CC CD CF CG CH CI CK CL CM CN CO CR CU CV CW CX CY CZ DE DJ DK DM DO DZ EC EE EG EH ER ES ET FI FJ FK FM FO FR GA "
        "GB GD GE GF GG GH GI GL GM GN GP GQ GR GS GT GU GW GY HK HM HN HR HT HU ID IE IL IM IN IO IQ IR IS IT JE JM JO JP "
        "KE KG KH KI KM KN KP KR KW KY KZ LA LB LC LI LK LR LS LT LU LV LY MA MC MD ME MF MG MH MK ML MM MN MO MP MQ MR MS "
        "MT MU MV MW MX MY MZ NA NC NE NF NG NI NL NO NP NR NU NZ OM PA PE PF PG PH PK PL PM PN PR PS PT PW PY QA RE RO RS "
        "RU RW SA SB SC SD SE SG SH SI SJ SK SL SM SN SO SR SS ST SV SX SY SZ TC TD TF TG TH TJ TK TL TM TN TO TR TT TV TW "
        "TZ UA UG UM US UY UZ VA VC VE VG VI VN VU WF WS YE YT ZA ZM ZW "
    ).split()
)
AMERICAS = ("BR", "CA", "EC", "MX")
WIDE, DIGITS = 0.35, 3
EURO_LEVEL = "DE"  # the country at whose purchasing power the amounts of the euro list are typed
TRADED = tuple(f"c_{key}" for key in DEVICES)
US_GROUPS = frozenset(price.name for price in INPATIENT_PRICES)
FINANCE_TOGETHER = (
    "discount_finance",
    "finance_rate_basis",
    "escalator_basis",
    "cash_basis",
    "r_inflation",
    "r_escalator_pay",
    "r_escalator_devices",
    "r_escalator_tariff",
)
BORROWED = (
    "life_table", "willingness_to_pay", "discount_costs", "discount_outcomes", *FINANCE_TOGETHER, "share_occupancy",
    "r_capital_charge", "share_device_tax", "payers",
)  # fmt: skip
PAID_AT_MARGIN = {"per_case": 1.0, "per_day": 1.0, "block": 0.0, "patient": 1.0}
TEXTS_OF_COUNTRY = ("code", "from", "currency", "prices", "life_table", "payment_basis")


@record
class Country:
    """Which prices a case takes.

    ``base`` is the list that is converted where the country has none, ``ppp`` and ``fx`` currency units per dollar where they
    were typed, ``prices`` and ``life_table`` files of one's own.
    """

    code: str
    base: str = ""
    currency: str = ""
    payment_basis: str = ""
    ppp: float | None = None
    fx: float | None = None
    prices: Path | None = None
    life_table: Path | None = None


@record
class Factors:
    """Currency units for one of the base list: of staff and services, and of what is traded; as text that computes, and as numbers."""

    staff: str
    traded: str
    staff_number: float
    traded_number: float
    said: tuple[str, ...]


def read_country(document: Document) -> Country | None:
    """Read ``[country]`` of a hospital's file; None where there is none.

    Raises
    ------
    ParameterError
        A field is unknown, no text or no number > 0; names the line.
    """
    raw = document.data.get("country")
    if raw is None:
        return None
    fields = {*TEXTS_OF_COUNTRY, "ppp", "fx"}
    if not isinstance(raw, dict) or "code" not in raw:
        what = "[country] needs a code, the two letters of ISO 3166"
        raise ParameterError(what, where=str(document.where("country")), fix='write [country] and below it code = "IN"')
    raw = {key: value if key in TEXTS_OF_COUNTRY else read_cell(value) for key, value in raw.items()}
    for key, value in raw.items():
        where = str(document.where("country", key))
        if key not in fields:
            what = f"[country]: unknown field {key!r}"
            raise ParameterError(what, where=where, fix=nearest(key, fields))
        good = isinstance(value, str) if key in TEXTS_OF_COUNTRY else isinstance(value, int | float) and 0 < value < math.inf
        if not good or isinstance(value, bool):
            what = f"[country] {key} = {value!r}: must be {'text in quotes' if key in TEXTS_OF_COUNTRY else 'a number > 0'}"
            raise ParameterError(what, where=where, fix="correct it, or take it out for do not know")
    files: dict[str, Any] = {key: document.path.parent / raw[key] for key in ("prices", "life_table") if key in raw}
    texts: dict[str, Any] = {key: raw[key] for key in ("currency", "payment_basis") if key in raw}
    ppp, fx = (float(raw[key]) if key in raw else None for key in ("ppp", "fx"))
    return Country(country_code(raw["code"]), country_code(raw.get("from", "")), **texts, ppp=ppp, fx=fx, **files)


def table_rows(name: str) -> dict[str, dict[str, str]]:
    """Rows of a table of ``params/tables`` by code."""
    return {row["code"]: row for row in _read(name)}


@cache
def _read(name: str) -> tuple[dict[str, str], ...]:
    return tuple(csv.DictReader(read_text(params_folder() / "tables" / name).splitlines()))


def conventions(code: str) -> dict[str, Any]:
    """How a country writes numbers, money and dates, the first month of its financial year, how admissions are paid, what to ask.

    One without a file of its own takes its base's price index and questions; one in no table writes numbers in a style unknown.
    """
    if known := _written(code):
        return dict(known)
    found = table_rows("conventions.csv").get(code, {"number_style": "unknown", "currency_place": "before", "date_style": "day_first"})
    base = conventions(base_of(Country(code)))
    month = int(found.get("first_month", 1))
    same = {key: base[key] for key in ("price_index", "ask")}
    return {**found, "first_month": month, "payment_basis": "per_case", "payer": "Payer", **same}


@cache
def _written(code: str) -> dict[str, Any]:
    known = params_folder() / "countries" / f"{code}.toml"
    return dict(read_document(known).data["conventions"]) if is_there(known) else {}


def base_of(country: Country) -> str:
    """List that is converted: the one chosen, else of the United States in the Americas, of England elsewhere.

    Raises
    ------
    ParameterError
        Another list was chosen: none is converted twice.
    """
    base = country.base or ("US" if country.code in AMERICAS else "GB")
    if base not in BASES:
        what = f"from = {base!r}: must be one of {', '.join(BASES)}, lists made of what was read"
        raise ParameterError(what, where="[country]", fix=f'choose "{BASES[0]}" or "{BASES[1]}"')
    return base


def factors(country: Country, base: str, year: str) -> Factors:
    """Factors from the base list: from the table, else as typed, else parity, said.

    Examples
    --------
    >>> found = factors(Country("IN"), "GB", "2024")
    >>> found.staff, round(found.staff_number, 4), round(found.traded_number, 1)
    ('ppp(GB, IN, 2024)', 30.7489, 106.9)
    """
    table, said = table_rows("ppp.csv"), list[str]()
    code, of_base = country.code, table[base]

    def one(kind: str, typed: float | None) -> tuple[str, float] | None:
        column = f"{kind}_{year}"
        if typed:
            return f"({typed!r} / {float(of_base[column])!r})", typed / float(of_base[column])
        if cell := table.get(code, {}).get(column):
            return f"{kind}({base}, {code}, {year})", float(cell) / float(of_base[column])
        return None

    staff, traded = one("ppp", country.ppp), one("fx", country.fx)
    if not staff and not traded:
        said.append(f"No purchasing power or exchange rate is known for {code}: amounts stay in {of_base['currency']}.")
    elif not traded:
        said.append("No exchange rate is known: devices too are converted at purchasing power (parity).")
    elif not staff:
        said.append("No purchasing power is known: staff and services too are converted at the exchange rate.")
    staff, traded = staff or traded or ("1", 1.0), traded or staff or ("1", 1.0)
    return Factors(staff[0], traded[0], staff[1], traded[1], tuple(said))


def currency_of(country: Country, base: str) -> str:
    """Currency of a converted list: as typed, else that of the table; the base's where no rate is known.

    Raises
    ------
    ParameterError
        A rate was typed for a country in no table, and no currency; the rates at hand are in another; it is not of ISO 4217.
    """
    row = table_rows("ppp.csv").get(country.code)
    found = country.currency or (row["currency"] if row else "")
    if row and found != row["currency"] and not (country.ppp and country.fx):
        what = f"currency = {found!r} of {country.code}: the rates at hand are in {row['currency']}"
        raise ParameterError(what, where="[country]", fix=f"leave currency out, or give ppp and fx in {found} per dollar")
    if not row and not (country.ppp or country.fx):
        return table_rows("ppp.csv")[base]["currency"]
    if found not in CURRENCIES:
        what = f"currency = {found!r} of {country.code}: must be a code of ISO 4217, such as KES"
        raise ParameterError(what, where="[country]", fix=nearest(found, CURRENCIES, "give currency, or --currency"))
    return found


def rounded(value: float) -> tuple[float, float]:
    """Round to three significant digits; with the step.

    Examples
    --------
    >>> rounded(30441.4), rounded(0.0123456)
    ((30400.0, 100.0), (0.0123, 0.0001))
    """
    step = 10.0 ** (math.floor(math.log10(value)) - DIGITS + 1)
    return float(f"{value:.{DIGITS}g}"), step


def convert_prices(
    prices: Mapping[str, Parameter], inputs: Mapping[str, Parameter], by: Factors, base: str, currency: str
) -> dict[str, Parameter]:
    """Convert a price list: amounts by their factor, what follows others from those, the rest as it stands."""
    found: dict[str, Parameter] = {}
    later = [p for p in prices.values() if _follows(p)]
    for p in (*(p for p in prices.values() if not _follows(p)), *later):
        if p.name not in US_GROUPS:
            found[p.name] = _converted(p, by, base, currency, {**inputs, **found})
    return {name: found[name] for name in prices if name in found}


def shipped_list(country: Country) -> Path | None:
    """Converted list that ships in the currency of a country; None where there is none, or where it was said how to convert."""
    row = table_rows("ppp.csv").get(country.code)
    if row is None or country.base or country.ppp or country.fx or country.currency not in ("", row["currency"]):
        return None
    path = params_folder() / "prices" / "converted" / f"{row['currency']}.csv"
    return path if is_there(path) else None


def at_level(
    prices: Mapping[str, Parameter], inputs: Mapping[str, Parameter], code: str, look_up: Callable[[Call], float]
) -> dict[str, Parameter]:
    """The euro list at the purchasing power of a country: where it is not Germany, each amount is worked out anew to three digits.

    What was read, or is recalled, of the country itself goes before both (``params/prices/converted/own.csv``).
    """
    found: dict[str, Parameter] = {}
    scope = Scope(lambda name: float({**inputs, **found}[name].value or 0.0), _no_table, look_up, lambda *_: 0)
    for p in sorted(prices.values(), key=_follows):
        derive = p.derive if code != EURO_LEVEL and money_parts(p.unit) else None
        if derive and isinstance(p.value, float):
            derive = parse_expression(derive.text.replace(f", {EURO_LEVEL}, ", f", {code}, "), p.where)
            value, step = rounded(float(derive.compute(scope)))
            ratio = value / p.value
            spread = p.range and Range(p.range.low * ratio, p.range.high * ratio, p.range.basis)
            drawn = rescale(p.distribution, value) if p.is_uncertain else p.distribution
            p = replace(p, value=value, derive=derive, rounded_to=step, range=widened(spread, value), distribution=drawn)
        found[p.name] = p
    for row in csv.DictReader(read_text(params_folder() / "prices" / "converted" / "own.csv").splitlines()):
        if row["code"] == code:
            found[row["name"]] = _own(found[row["name"]], row)
    return {name: found[name] for name in prices}


def _own(p: Parameter, row: Mapping[str, str]) -> Parameter:
    value, low, high = (float(row[key]) for key in ("value", "low", "high"))
    told: dict[str, Any] = {"status": row["status"], "rationale": row["rationale"], "derive": None, "rounded_to": None}
    told |= dict.fromkeys(("source", "locator", "as_published", "derivation", "note"), "")
    drawn = rescale(p.distribution, value) if p.is_uncertain else p.distribution
    return replace(p, value=value, range=Range(low, high, "what was read"), distribution=drawn, **told)


def _follows(p: Parameter) -> bool:
    """Whether a price follows others of the list that are converted too."""
    return p.follows_draws and p.derive is not None and not US_GROUPS & set(p.derive.parents)


def _converted(p: Parameter, by: Factors, base: str, currency: str, known: Mapping[str, Parameter]) -> Parameter:
    parts = money_parts(p.unit)
    if not parts:
        return replace(p, judgement=p.judgement or f"as in the list of {base}") if p.derive else p
    unit = f"{currency}/{parts[1]}"
    text, factor = (by.traded, by.traded_number) if p.name in TRADED else (by.staff, by.staff_number)
    assert isinstance(p.value, float)
    spread = p.range and Range(p.range.low * factor, p.range.high * factor, f"{p.range.basis}, converted")
    if p.value == 0:
        return replace(p, unit=unit, range=spread, price_year=p.price_year[:4])
    follows = _follows(p)
    derive = p.derive if follows else parse_expression(f"{base}.{p.name} * {text}", p.where)
    scope = Scope(lambda name: float(known[name].value or 0.0), _no_table, lambda _: 0.0, lambda *_: 0)
    value, step = rounded(derive.compute(scope) if follows and derive else p.value * factor)
    own = WIDE if p.spread else p.distribution.sd / p.distribution.mean if p.is_uncertain else 0.0
    spec: dict[str, Any] = {"family": "gamma", "cv": max(own, WIDE)}
    return replace(
        p,
        unit=unit,
        value=value,
        price_year=p.price_year[:4],
        status="derived",
        derive=derive,
        follows_draws=follows,
        rounded_to=step,
        judgement="",
        derive_not="",
        spread=None,
        distribution=fit(spec, value) if own else fixed(value, p.distribution.reason),
        range=widened(spread, value),
        source="worldbank_ppp",
        locator="PA.NUS.PPP and exchange rate of the year of the list",
        as_published=f"{p.value:g} {p.unit} in the list of {base}",
        derivation=f"Converted prices: the list of {base} x {factor:.4g}, to three digits; the spread at least {WIDE:.0%}.",
        rationale="",
        replaced_by="the site's own price",
    )


def _no_table(table: str, row: str, column: str) -> float:
    what = f"{table}[{row}].{column} is of one country alone"
    raise ParameterError(what)


def convert_country(document: Document, country: Country, by: Factors, base: str, currency: str) -> Document:
    """Country file of the base with the currency, year, payer and equipment of another."""
    raw = {name: dict(fields) for name, fields in document.data["input"].items() if name != "inpatient_groups"}
    basis = payment_basis(country)
    payer, margin = "Patients" if basis == "patient" else "Payer", PAID_AT_MARGIN[basis]
    why = {"status": "assumption", "replaced_by": "the site's own payers", "rationale": f"One payer, {basis.replace('_', ' ')}."}
    same = {"distribution": raw["payers"]["distribution"], **why}
    equipment = [
        item | {key: rounded(item[key] * by.traded_number)[0] for key in ("cost", "salvage") if item[key]}
        for item in raw["capital"]["table"]
    ]
    raw["currency"]["value"] = currency
    raw["price_year"]["value"] = raw["price_year"]["value"][:4]
    raw["payers"] = {"table": [{"name": payer, "share": 1.0, "denial": 0.0, "paid_at_margin": margin, "payment_ratio": 1.0}], **same}
    raw["payer_terms"] = {"table": [{"payer": payer, "activity": "prophylaxis", "paid_at_margin": margin}], **same}
    said = f"Equipment of the list of {base} at the exchange rate, x {by.traded_number:.4g}."
    raw["capital"] |= {"price_year": raw["price_year"]["value"], "table": equipment, "status": "assumption", "rationale": said}
    return replace(document, data=document.data | {"input": raw})


def payment_basis(country: Country) -> str:
    """How an admission is paid.

    Raises
    ------
    ParameterError
        It is none of the ways there are.
    """
    basis = country.payment_basis or "per_case"
    if basis not in PAID_AT_MARGIN:
        what = f"payment_basis = {basis!r}: must be one of {', '.join(PAID_AT_MARGIN)}"
        raise ParameterError(what, where="[country]", fix=nearest(basis, PAID_AT_MARGIN, "choose one of them"))
    return basis


def mark_borrowed(parameters: ParameterSet, base: str, said: tuple[str, ...], own: Container[str] = ()) -> ParameterSet:
    """Mark what a country without a list took over from another, all but its ``own``: an assumption, not yet local."""
    taken = {
        name: replace(
            parameters[name],
            status="assumption",
            rationale=" ".join((f"Borrowed from {base}, not of the country.", *said, parameters[name].rationale)).strip(),
            replaced_by="the country's own figure",
        )
        for name in BORROWED
        if name in parameters.parameters and name not in own
    }
    return replace(parameters, parameters=parameters.parameters | taken)


def borrowed(parameters: ParameterSet) -> list[Parameter]:
    """Inputs of a converted list that are another country's, and still so."""
    return [p for name in BORROWED if (p := parameters.parameters.get(name)) and p.rationale.startswith("Borrowed from")]


def is_converted(parameters: ParameterSet) -> bool:
    """Whether the prices of a case are another country's, converted."""
    return any(p.derivation.startswith("Converted prices") for p in parameters.parameters.values())
