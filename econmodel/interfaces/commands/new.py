"""``econmodel new``: from nothing to a first answer."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from econmodel.errors import AnalysisError, EconModelError, ParameterError
from econmodel.interfaces.common import READ, console, number
from econmodel.numbers import read_number
from econmodel.package import is_there
from econmodel.parameters.schema import WORDS_FOR_NUMBERS

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case

Answered = TypeVar("Answered")
NOT_KNOWN = ("", "?", "-", "n/a", "na", "don't know", "do not know")
BASES, BASIS = ("GB", "US"), ("per_case", "per_day", "block", "patient")


@click.command()
@click.argument("name", required=False, default="my_hospital")
@click.option("--answers", type=READ, metavar="FILE", help="Answers as TOML; what is missing is not known.")
@click.option("--country", metavar="CODE", help="Two letters (ISO 3166); default US.")
@click.option("--from", "base", type=click.Choice(BASES), help="List to convert where the country has none.")
@click.option("--currency", metavar="CODE", help="Three letters (ISO 4217); default that of the country.")
@click.option("--price-year", metavar="YEAR", help="Year of your own amounts.")
@click.option("--ppp", type=number, metavar="N", help="Purchasing power, currency units per dollar.")
@click.option("--fx", type=number, metavar="N", help="Exchange rate, currency units per dollar.")
@click.option("--paid", "payment_basis", type=click.Choice(BASIS), help="How an admission is paid.")
@click.option("--prices", type=READ, metavar="FILE", help="Own price list (CSV).")
@click.option("--life-table", type=READ, metavar="FILE", help="Own life table (CSV: age, male, female).")
@click.option("--value", "values", multiple=True, metavar="NAME=VALUE", help="One of your numbers; repeatable.")
@click.option("--force", is_flag=True, help="Replace a file of that name.")
def new(name: str, answers: Path | None, base: str | None, values: tuple[str, ...], *, force: bool, **given: Any) -> None:
    """Start a hospital's file: first answer, and what to fetch.

    Writes NAME.toml. Every answer may be left out; nothing is asked without a terminal.
    """
    from econmodel.files import check_file, write_text
    from econmodel.interfaces import start

    target = Path(f"{name.removesuffix('.toml')}.toml")
    if is_there(target) and not force:
        what = f"{target} is there already"
        raise AnalysisError(what, where=str(target), fix="give another NAME, or --force to replace it")
    check_file(target, "NAME")
    found = start.read_answers(answers) if answers else {}
    found |= {key: str(value) if isinstance(value, Path) else value for key, value in given.items() if value is not None}
    found |= {"from": base} if base else {}
    found["values"] = {**found.get("values", {}), **dict(map(_value, values))}
    for key in ("prices", "life_table"):
        if key in found:
            found[key] = str((answers.parent if answers and key not in given else Path()).joinpath(found[key]).resolve())
    if sys.stdin.isatty() and not answers:
        _ask(found)
    case, text = start.case_of(found, target.stem, target.parent)
    lines = _told(case, str(found.get("country", "US")))
    write_text(target, text)
    screen = console()
    for line in (*lines, f"{target} written. Next: econmodel case {target} --draws 0"):
        screen.print(line, markup=False, highlight=False)


def _value(text: str) -> tuple[str, float | str]:
    name, value = (part.strip() for part in text.partition("=")[::2])
    try:
        return name, value if (name, value) in WORDS_FOR_NUMBERS else read_number(value, "point")
    except ParameterError:
        what = f"--value {text!r}: must be NAME=VALUE, a plain number"
        raise AnalysisError(what, where="econmodel new", fix="for example --value c_coil=210") from None


def _ask(found: dict[str, Any]) -> None:
    """Ask at the terminal: Enter takes our value, as does "don't know"; what cannot be read is asked again."""
    from econmodel.interfaces import start
    from econmodel.parameters.countries import conventions, is_converted, table_rows
    from econmodel.parameters.loading import load_base_case
    from econmodel.parameters.second_look import far_off

    click.echo("Enter keeps what stands in brackets, as does n/a: I do not know. Screens and papers are in English.")
    if "country" not in found:
        found["country"] = _answered("Country, two letters", "US", start.known_country) or "US"
    if found["country"] not in table_rows("ppp.csv"):
        for key, words in (("currency", "Currency, three letters"), ("ppp", "Purchasing power"), ("fx", "Exchange rate")):
            rate = "" if key == "currency" else ", currency units per dollar"
            read = str.upper if key == "currency" else lambda typed: read_number(typed, "unknown")
            if key not in found and (value := _answered(f"{words}{rate}", "not known", read)) is not None:
                found[key] = value
    if "payment_basis" not in found:
        found["payment_basis"] = click.prompt("How an admission is paid", type=click.Choice(BASIS), default=BASIS[0])
    parameters = load_base_case(start.chosen_country(found))
    if "price_year" not in found:
        found["price_year"] = str(click.prompt("Year of your own amounts", default=parameters.text("price_year")))
    style = str(conventions(found["country"])["number_style"])
    unlike = [start.threshold_of(parameters)] if is_converted(parameters) else []
    for row in (*start.wanted(parameters, found["country"])[: start.FIRST], *unlike):
        if row.input.name not in found["values"]:
            words = f"{row.words}\n  {f'asked of {row.who}; ' if row.who else ''}ours, {row.input.status}"
            value = _answered(words, row.ours, partial(start.read_value, row.input, style=style))
            if value is not None:
                found["values"][row.input.name] = value
                far = far_off(value, row.input.value)
                said = value if isinstance(value, str) else f"{value:,.12g} {row.input.unit}"
                click.echo(f"  read as {said}{f', {far}' if far else ''}")
    for key, words in (("current", "Today's"), ("proposed", "The programme's")):
        ours = ", ".join(f"{row['strategy']} {row['share']:.0%}" for row in parameters.rows(start.MIXES[key]))
        if key not in found.get("mix", {}):
            known = f" ({', '.join(parameters.strategies)})" if key == "current" else ""
            typed = f"{words} mix of strategies{known}, patients in percent"
            shares = _answered(typed, ours, lambda text: start.read_mix(text, parameters, style))
            if shares is not None:
                found.setdefault("mix", {})[key] = shares


def _answered(words: str, ours: str, read: Callable[[str], Answered]) -> Answered | None:
    """Ask until the answer can be read; None where it is not known."""
    while True:
        typed = str(click.prompt(words, default=ours)).strip()
        if typed == ours or typed.lower() in NOT_KNOWN:
            return None
        try:
            return read(typed)
        except EconModelError as fault:
            click.echo(f"  {fault.what}: {fault.fix}")


def _told(case: Case, code: str) -> list[str]:
    """Say the first answer, and the ten numbers to fetch."""
    from econmodel.interfaces import start

    lines = [f"{count:>2} {line}" for count, line in enumerate(start.fetch_lines(case, code), start=1)]
    return [*start.first_answer(case), "Fetch first:", *lines]
