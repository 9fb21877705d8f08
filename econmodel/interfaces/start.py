"""From nothing to a first answer: what is asked at a start, and the hospital's file that the answers make.

The command line and the dashboard begin with this. Whatever is not known is left out of the file, and keeps our value.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import tomli

from econmodel.errors import ParameterError
from econmodel.files import toml_value
from econmodel.numbers import read_number
from econmodel.parameters.countries import (
    COUNTRIES,
    Country,
    base_of,
    borrowed,
    conventions,
    is_converted,
    payment_basis,
    read_country,
    shipped_list,
)
from econmodel.parameters.documents import Document, line_numbers, read_document
from econmodel.parameters.loading import Case, load_base_case, load_documents
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.parsing import parse_value
from econmodel.parameters.price_list import country_code
from econmodel.parameters.quantities import read_quantity
from econmodel.parameters.schema import DECIMALS, THRESHOLD, WORDS_FOR_NUMBERS, Parameter, Where, money_parts
from econmodel.records import record
from econmodel.reporting.form.questions import AFTER_A_YEAR, SHEETS, questions
from econmodel.wording import lower, nearest, number, plain_number

FIRST, NEXT, NAMED = 12, 10, 5
RATES_UNKNOWN = re.compile(r"No (?:purchasing power|exchange rate)[^.]*\.")
FIELDS = ("country", "from", "currency", "ppp", "fx", "price_year", "payment_basis", "prices", "life_table", "values", "mix")
MIXES = {"current": "current_mix", "proposed": "proposed_mix"}
REASON = "Answered at the start."


@record
class Wanted:
    """One number to ask or to fetch: its question, our value in full with its unit, how sure it is, and who would know."""

    input: Parameter
    words: str
    ours: str
    who: str


def read_answers(path: Path) -> dict[str, Any]:
    """Read a file of answers; what is missing is not known.

    Raises
    ------
    ParameterError
        It is not there, breaks TOML's rules, or has a name that is not asked for.
    """
    document = read_document(path)
    for key in document.data:
        if key not in FIELDS:
            what = f"unknown answer {key!r}"
            raise ParameterError(
                what, where=str(document.where(key)), fix=nearest(key, FIELDS, f"the answers are {', '.join(FIELDS)}")
            )
    for key in document.data.get("mix", {}):
        if key not in MIXES:
            what = f"unknown mix {key!r}"
            raise ParameterError(what, where=str(document.where(f"mix.{key}")), fix="write [mix.current] or [mix.proposed]")
    return document.data


def case_of(answers: dict[str, Any], name: str, folder: Path) -> tuple[Case, str]:
    """Case that answers make, checked as a whole, and the text of its file.

    Raises
    ------
    EconModelError
        An answer is against a rule; names the answer.
    """
    text = file_text(answers, name, folder)
    document = Document(folder / f"{name}.toml", tomli.loads(text), text, line_numbers(text))
    parameters = load_documents([document])
    return Case(name, parameters.titles[0], f"{name}.toml", parameters), text


def file_text(answers: dict[str, Any], name: str, folder: Path) -> str:
    """Text of a hospital's file with what was answered, and nothing else, each block with its question."""
    chosen, country = _country_table(answers), chosen_country(answers, folder)
    base = load_base_case(replace(country, life_table=None))
    words = {w.input.name: w.words for w in wanted(base, country.code, everything=True)}
    blocks = [
        f"# Begun by `econmodel new` on {date.today().isoformat()}. Only what was answered stands here: the rest keeps our value and",
        "# its source. Change a value, add a block, and run `econmodel case` again.",
        f"title = {toml_value(_title(name))}",
        f'rationale = "{REASON} What was not known keeps our value."',
        'baseline = "base_case"',
        f"date = {date.today().isoformat()}",
        "",
        *_said_of_country(country, base),
        "[country]",
        *(f"{key} = {toml_value(value)}" for key, value in chosen.items()),
    ]
    for key, fields in _changes(answers, base, country).items():
        asked = [f"# {words[key]}"] if key in words else []
        blocks += ["", *asked, f"[override.{key}]", *(f"{k} = {toml_value(v)}" for k, v in fields.items())]
    return "\n".join(blocks) + "\n"


def chosen_country(answers: dict[str, Any], folder: Path = Path()) -> Country:
    """Country of the answers; the United States where none is said."""
    return read_country(Document(folder / "answers", {"country": _country_table(answers)}, "")) or Country("US")


def _title(name: str) -> str:
    return re.sub(r"[_-]+", " ", name).strip().capitalize() or "My hospital"


def _country_table(answers: dict[str, Any]) -> dict[str, Any]:
    keys = ("from", "currency", "ppp", "fx", "prices", "life_table", "payment_basis")
    return {"code": answers.get("country", "US"), **{key: answers[key] for key in keys if answers.get(key) not in (None, "")}}


def _said_of_country(country: Country, base: ParameterSet) -> list[str]:
    if not is_converted(base):
        return []
    how = f"those of {base_of(country)}, staff and services at purchasing power, devices at the exchange rate"
    return [f"# Converted prices: {'the euro list, at the purchasing power of the country' if shipped_list(country) else how}."]


def _changes(answers: dict[str, Any], base: ParameterSet, country: Country) -> dict[str, dict[str, Any]]:
    """Blocks of the file: values, then mixes, then payers where admissions are not paid as the country's list says."""
    why: dict[str, Any] = {"status": "local", "reason": REASON}
    year = str(answers.get("price_year") or base.text("price_year"))
    found: dict[str, dict[str, Any]] = {}
    for key, value in answers.get("values", {}).items():
        priced = {"price_year": year} if money_parts(base[key].unit) and (key, value) not in WORDS_FOR_NUMBERS else {}
        found[key] = {"value": value, **priced, **why}
    for key, shares in answers.get("mix", {}).items():
        found[MIXES[key]] = {"table": [{"strategy": name, "share": share} for name, share in shares.items()], **why}
    if not is_converted(base) and country.payment_basis and payment_basis(country) == "block":
        for name in ("payers", "payer_terms"):
            rows = [row | {"paid_at_margin": 0.0} for row in base.rows(name)]
            found[name] = {"table": rows, **why}
    return found


def wanted(parameters: ParameterSet, code: str, *, everything: bool = False) -> list[Wanted]:
    """What decides most in a country's list, the widest first, less what the case already holds of the site."""
    who = {a.question.name: (a.words, sheet) for sheet, rows in questions(parameters).items() for a in rows if a.question.item is None}
    names = [name for name in conventions(code)["ask"] if name in parameters.parameters]
    ready = [parameters[name] for name in names if everything or parameters[name].status != "local"]
    return [Wanted(p, *_asked(p, *who.get(p.name, (p.label, "")), parameters)) for p in ready]


def threshold_of(parameters: ParameterSet) -> Wanted:
    """The threshold for a QALY, which a country may lack: its own question, apart from the numbers of a site."""
    p = parameters[THRESHOLD]
    return Wanted(p, f"{p.label}; none where there is none", _in_full(p, parameters), "")


def _asked(p: Parameter, words: str, sheet: str, parameters: ParameterSet) -> tuple[str, str, str]:
    return (p.label if p.name in AFTER_A_YEAR else words, _in_full(p, parameters), SHEETS[sheet][0].partition(":")[0] if sheet else "")


def _in_full(p: Parameter, parameters: ParameterSet) -> str:
    """Value with its unit; money with the decimals of its currency where it is small."""
    if not isinstance(p.value, float):
        return str(p.value)
    if money_parts(p.unit):
        digits = DECIMALS[parameters.text("currency")] if p.value != round(p.value) else 0
        return f"{number(p.value, digits)} {p.unit}"
    return f"{plain_number(100 * p.value)}%" if p.unit in ("share", "probability") else f"{plain_number(p.value)} {p.unit}"


def known_country(text: str) -> str:
    """Code of a country from what was typed.

    Raises
    ------
    ParameterError
        It is no code of ISO 3166.
    """
    code = country_code(text)
    if code not in COUNTRIES:
        what = f"{text!r} is no code of a country"
        raise ParameterError(what, fix="two letters of ISO 3166, such as DE, IN or BR")
    return code


def read_value(p: Parameter, text: str, style: str) -> float | str:
    """Read a typed number as a value of an input, in its unit and within its bounds; or the word that may stand for it."""
    if (p.name, text.lower()) in WORDS_FOR_NUMBERS:
        return text.lower()
    value = read_quantity(p.name, text, p.unit, Where("the answer"), style)
    parse_value(p.name, value, p.unit, Where("the answer"))
    return value


def read_mix(text: str, parameters: ParameterSet, style: str) -> dict[str, float]:
    """Read shares of strategies, as ``watch 60%, beta_blocker 40%``.

    Raises
    ------
    ParameterError
        A strategy is unknown, a share no number, or they do not sum to 100%.
    """
    found = dict(part.split(maxsplit=1) for part in re.split(r"[,;]\s+", text) if len(part.split()) > 1)
    shares = {key: read_number(share if "%" in share else f"{share}%", style) for key, share in found.items()}
    for key in shares:
        if key not in parameters.strategies:
            what = f"there is no strategy {key!r}"
            raise ParameterError(what, fix=nearest(key, parameters.strategies))
    if abs(sum(shares.values()) - 1) > 1e-6:
        what = f"the shares sum to {sum(shares.values()):.4g}: must sum to 100%"
        raise ParameterError(what, fix='write for example "watch 60%, beta_blocker 40%"')
    return shares


def told(case: Case) -> list[str]:
    """What to know of a first answer: that prices are converted, what is borrowed, what stays to be found."""
    p = case.parameters
    said = []
    if is_converted(p):
        base = next(x.as_published for x in p.parameters.values() if x.derivation.startswith("Converted prices")).rpartition(" ")[2]
        said.append(f"Converted prices: no list of this country is at hand; those of {base} stand in {p.text('currency')}.")
    if taken := borrowed(p):
        said += RATES_UNKNOWN.findall(taken[0].rationale)
        named, more = "; ".join(lower(x.label) for x in taken[:NAMED]), len(taken) - NAMED
        said.append(f"Not yet local, borrowed from another country ({len(taken)}): {named}{f'; and {more} more' if more > 0 else ''}.")
    return said


def first_answer(case: Case) -> list[str]:
    """Sentences of a first answer: effect and cost, the programme's money, then what to know of the prices."""
    from econmodel.reporting.papers import phrases
    from econmodel.reporting.tables.terminal import finance_line
    from econmodel.workflow import answer, run_programme

    results = answer(case).results
    without = filter(None, [phrases.unvalued(results.settings)])
    return [phrases.answer(results), finance_line(run_programme(case, draws=0, worse=False)), *told(case), *without]


def fetch_lines(case: Case, code: str) -> list[str]:
    """Ten numbers to fetch, each with its question, our value, how sure it is and who would know."""
    found = []
    for row in wanted(case.parameters, code)[:NEXT]:
        who = f"; ask {row.who}" if row.who else ""
        asked = row.words if row.words.endswith("?") else f"{row.words}."
        found.append(f"{asked} Ours: {row.ours}, {row.input.status}{who} ({row.input.name}).")
    return found
