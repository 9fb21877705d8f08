"""``econmodel new``: from nothing to a first answer."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from econmodel.errors import AnalysisError, ParameterError
from econmodel.interfaces.common import READ, console, number
from econmodel.numbers import read_number
from econmodel.package import is_there

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case

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
    _show(case, target, str(found.get("country", "US")))
    write_text(target, text)


def _value(text: str) -> tuple[str, float]:
    name, _, value = text.partition("=")
    try:
        return name.strip(), read_number(value, "point")
    except ParameterError:
        what = f"--value {text!r}: must be NAME=VALUE, a plain number"
        raise AnalysisError(what, where="econmodel new", fix="for example --value c_coil=210") from None


def _ask(found: dict[str, Any]) -> None:
    """Ask at the terminal: Enter takes our value, as does "don't know"."""
    from econmodel.interfaces import start
    from econmodel.parameters.countries import conventions, table_rows
    from econmodel.parameters.loading import load_base_case
    from econmodel.parameters.price_list import country_code

    click.echo("Enter keeps what stands in brackets, and says: I do not know.")
    if "country" not in found:
        found["country"] = country_code(click.prompt("Country, two letters", default="US"))
    if found["country"] not in table_rows("ppp.csv"):
        for key, words in (("currency", "Currency, three letters"), ("ppp", "Purchasing power"), ("fx", "Exchange rate")):
            rate = "" if key == "currency" else ", currency units per dollar"
            if key not in found and (typed := click.prompt(f"{words}{rate}", default="", show_default=False)):
                found[key] = typed if key == "currency" else read_number(typed, "unknown")
    if "payment_basis" not in found:
        found["payment_basis"] = click.prompt("How an admission is paid", type=click.Choice(BASIS), default=BASIS[0])
    parameters = load_base_case(start.chosen_country(found))
    style = str(conventions(found["country"])["number_style"])
    for row in start.wanted(parameters, found["country"])[: start.FIRST]:
        if row.input.name not in found["values"]:
            typed = click.prompt(f"{row.words}\n  asked of {row.who}; ours, {row.input.status}", default=row.ours)
            if typed != row.ours:
                found["values"][row.input.name] = read_number(typed, style)
                click.echo(f"  read as {found['values'][row.input.name]:,.12g} {row.input.unit}")


def _show(case: Case, target: Path, code: str) -> None:
    """Print the first answer, the ten numbers to fetch, and what comes next."""
    from econmodel.interfaces import start

    screen = console()
    lines = [f"{count:>2} {line}" for count, line in enumerate(start.fetch_lines(case, code), start=1)]
    for line in (*start.first_answer(case), "Fetch first:", *lines):
        screen.print(line, markup=False, highlight=False)
    screen.print(f"{target} written. Next: econmodel case {target} --draws 0", markup=False, highlight=False)
