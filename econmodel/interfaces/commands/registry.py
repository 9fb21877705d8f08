"""``econmodel registry``: from a patient-level file to checked data, rates, risks and an override file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from econmodel.errors import AnalysisError, DataError
from econmodel.interfaces.common import PATH, READ, check_output, common, console, staged, write_json

if TYPE_CHECKING:
    from rich.console import Console

    from econmodel.evidence.registry import BaseCase, CleanRegistry, Options
    from econmodel.evidence.registry.rows import Unknown
    from econmodel.evidence.registry.settings import DateOrder, SheetLayout
    from econmodel.parameters.parameter_set import ParameterSet


@click.command()
@click.argument("file", type=READ, required=False)
@click.option(
    "--hospital",
    type=READ,
    metavar="FILE",
    help="Hospital file: its strategies (own ones too), its groups of patients and its inputs.",
)
@click.option(
    "--recipe", type=READ, metavar="FILE", help="How the file is read: recipe.toml or recipe.xlsx of an earlier run, filled in."
)
@click.option("--ask", "asks", is_flag=True, help="Ask about headings and words that are not known; answers go to the recipe.")
@click.option("--words", "lists", is_flag=True, help="List every heading and word that is known.")
@click.option("--day-first", is_flag=True, help="Read 04/03/2021 as 4 March.")
@click.option("--month-first", is_flag=True, help="Read 04/03/2021 as 3 April.")
@click.option("--map", "mapping", multiple=True, metavar="COLUMN=NAME", help="Say what a column is; repeatable.")
@click.option("--word", "words", multiple=True, metavar="COLUMN:WORD=KNOWN", help="Say what a word in a column means; repeatable.")
@click.option("--half-local", is_flag=True, help="Leave comparators as in our evidence; else the shared part moves with yours.")
@click.option(
    "--prior-weight",
    type=click.FloatRange(0, 1, min_open=True),
    default=1.0,
    metavar="W",
    help="What our evidence on untreated risk weighs beside yours: above 0, at most 1.",
)
@click.option("--partial", is_flag=True, help="Write an override although too much is held, with that warning inside.")
@click.option("--show-words", is_flag=True, help="Show, on this screen only, the words that are not known.")
@click.option("--key", type=PATH, metavar="FILE", help="Write which id is which patient number of ours (CSV); else in no file.")
@common("out", "json", "quiet")
def registry(
    file: Path | None,
    hospital: Path | None,
    recipe: Path | None,
    asks: bool,
    lists: bool,
    day_first: bool,
    month_first: bool,
    mapping: Sequence[str],
    words: Sequence[str],
    half_local: bool,
    prior_weight: float,
    partial: bool,
    show_words: bool,
    key: Path | None,
    out: Path | None,
    json: str | None,
    quiet: bool,
) -> None:
    """Turn a registry into rates, risks and own inputs."""
    from econmodel.evidence.registry import analyse_clean, summarise, write_registry
    from econmodel.evidence.registry.outputs import FILES, neutral_frame
    from econmodel.evidence.registry.recipe import read_recipe
    from econmodel.evidence.registry.table import THE_FILE
    from econmodel.files import check_file, write_text
    from econmodel.parameters.loading import load_case

    if lists or file is None:
        return show_known(lists)
    folder = check_output(out, Path("reports") / "registry", json, reads=(file, recipe), writes=FILES)
    options = read_options(day_first=day_first, month_first=month_first, mapping=mapping, words=words)
    options = replace(options, shared=not half_local)
    if hospital:
        site = load_case(hospital).parameters
        options = replace(options, strategies={**options.strategies, **site.strategies}, groups=site.rows("case_mix"))
    with console(quiet=quiet or asks, error=True).status("Reading the registry"):
        options, clean = settle(file, read_recipe(recipe, options) if recipe else options, folder, asks=asks)
        result = analyse_clean(clean, options, replace(base_case(hospital), prior_weight=prior_weight))
    document = summarise(result)
    if key:
        write_text(check_file(key, "--key"), str(neutral_frame(result.clean.key).to_csv(index=False, lineterminator="\n")))
    if show_words:
        show_unknown(result.clean.unknown)
    if json:
        write_json(document, json)
    if folder is None:
        return
    console(quiet=quiet or json == "-", error=True).print(
        f"How the file was read, and what is open: {folder / 'recipe.toml'}, or recipe.xlsx to pick from lists"
    )
    with staged(folder, quiet=quiet) as stage:
        names = [path.name for path in write_registry(result, stage, partial=partial).values()]
    if json != "-":
        show_registry(document, [str(folder / name) for name in names], console(quiet=quiet))
    if result.refused and not partial:
        raise AnalysisError(
            result.refused, where=THE_FILE, fix="say what the word means (--word), or take what there is with --partial"
        )


def read_options(*, day_first: bool, month_first: bool, mapping: Sequence[str], words: Sequence[str] = ()) -> Options:
    """Turn the command's options into settings of the import.

    Raises
    ------
    AnalysisError
        Both date orders are given, a mapping is not ``COLUMN=NAME`` or a word not ``COLUMN:WORD=KNOWN``.
    """
    from econmodel.evidence.registry import Options

    if day_first and month_first:
        what = "--day-first and --month-first contradict each other"
        raise AnalysisError(what, where="--day-first, --month-first", fix="give one of the two")
    pairs = {}
    for text in mapping:
        column, equals, name = (part.strip() for part in text.rpartition("="))
        if not (column and equals and name):
            what = f"--map {text!r}: must be COLUMN=NAME"
            raise AnalysisError(what, where="--map", fix='for example --map "Last clinic=last_seen"')
        pairs[column] = name
    told = {}
    for text in words:
        left, _, known = (part.strip() for part in text.rpartition("="))
        column, colon, word = (part.strip() for part in left.partition(":"))
        if not (column and colon and word and known):
            what = f"--word {text!r}: must be COLUMN:WORD=KNOWN"
            raise AnalysisError(what, where="--word", fix='for example --word "status:RIP=dead"')
        told[column, word] = known
    order: DateOrder | None = "day_first" if day_first else "month_first" if month_first else None
    return Options(date_order=order, mapping=pairs, words=told)


def show_unknown(found: Sequence[Unknown]) -> None:
    """Print words that are not known, where they stand and how often, on the screen of the person who asked."""
    for word in found:
        console(error=True).print(f"column {word.letter} ({word.column}), {word}: {word.text!r}", markup=False, highlight=False)


def show_known(asked: bool) -> None:
    """Print every heading and word that is known, by our name.

    Raises
    ------
    AnalysisError
        It was not asked for, so that the registry's file is missing.
    """
    from econmodel.evidence.registry.columns import SYNONYMS
    from econmodel.evidence.registry.vocabulary import shipped_words

    if not asked:
        what = "the registry's file is missing"
        raise AnalysisError(what, where="FILE", fix="econmodel registry FILE, a CSV or XLSX file")
    screen = console()
    for name, headings in SYNONYMS.items():
        screen.print(f"column {name}: {', '.join(headings) or 'no other heading'}", markup=False, highlight=False)
    for column, words in shipped_words().items():
        keys = dict.fromkeys(key for meanings in words.values() for key in meanings)
        for key in keys:
            said = ", ".join(word for word, meanings in words.items() if key in meanings)
            screen.print(f"words of {column}, {key}: {said}", markup=False, highlight=False)


def settle(file: Path, options: Options, folder: Path | None, *, asks: bool) -> tuple[Options, CleanRegistry]:
    """Read the file, asking where asked to; write what was understood as a recipe and its workbook, be it enough or not.

    A recipe that stands in the folder is kept, unless questions were answered.
    """
    from econmodel.evidence.registry import clean_registry
    from econmodel.evidence.registry.layouts import draft
    from econmodel.evidence.registry.recipe import new_key

    if asks:
        from econmodel.interfaces.registry_questions import ask

        options = ask(file, options)
    options = options if options.layout_key else replace(options, layout_key=new_key())
    try:
        clean = clean_registry(file, options)
    except DataError as fault:
        if folder and (sheets := _drafted(file, options, draft)) and _write_recipe(folder, sheets, (), options, asks=asks):
            fault.fix += f"; or fill in {folder / 'recipe.toml'}, or recipe.xlsx beside it, and give it with --recipe"
        raise
    if folder:
        _write_recipe(folder, clean.read_as.sheets, clean.unknown, options, asks=asks)
    return options, clean


def _write_recipe(folder: Path, sheets: Sequence[SheetLayout], unknown: Sequence[Unknown], options: Options, *, asks: bool) -> bool:
    """Write what is not there yet, or all that was asked; whether anything was."""
    from econmodel.evidence.registry.recipe import recipe_book, recipe_text
    from econmodel.files import write_bytes

    forms = {"recipe.toml": lambda *told: recipe_text(*told).encode(), "recipe.xlsx": recipe_book}
    wanted = [name for name in forms if asks or not (folder / name).exists()]
    for name in wanted:
        write_bytes(folder / name, forms[name](sheets, unknown, options))
    return bool(wanted)


def _drafted(file: Path, options: Options, draft: Callable[[Path, Options], Sequence[SheetLayout]]) -> Sequence[SheetLayout]:
    try:
        return draft(file, options)
    except DataError:
        return ()


def base_case(hospital: Path | None = None) -> BaseCase:
    """Beliefs of the shipped base case, and on what only a hospital's file has, its own."""
    from econmodel.parameters.loading import load_base_case, load_case

    return beliefs(load_base_case(), load_case(hospital).parameters if hospital else None)


def beliefs(parameters: ParameterSet, site: ParameterSet | None) -> BaseCase:
    """What a registry is combined with; the borrowed comparator is the risk that untreated patients of the site's groups run."""
    from econmodel.economics.evaluate import RISK_YEARS, evaluate
    from econmodel.evidence.registry import base_case_from
    from econmodel.parameters.schema import WATCH

    mix = {"case_mix": site["case_mix"]} if site else {}
    run = evaluate(replace(parameters, parameters=parameters.parameters | mix))
    watch = run.keys.index(WATCH)
    risks = {year: float(run.count("first_bleeds", year)[0, watch, 0]) for year in RISK_YEARS}
    return base_case_from(parameters, risks, site)


def show_registry(document: dict[str, Any], written: list[str], out: Console) -> None:
    """Print what was read, what was found and where the files are."""
    from econmodel.parameters.catalogue import KEPT_COMPLICATIONS, LABELS

    if document["invented"]:
        out.print("Invented demonstration data: no real patient.", style="bold")
    for step in document["counts"]:
        number = step["patients"] if step["patients"] is not None else step["rows"]
        out.print(f"{number:>7}  {step['step']}", markup=False, highlight=False)
    for note in document["notes"]:
        out.print(f"- {note}", markup=False, highlight=False)
    out.print(_table([row for row in document["estimates"] if row["group"] == "all"]))
    comparison = document["comparison"]
    out.print(f"NNT compared with: {comparison['comparator'] or 'nothing'}. {comparison['caution']}", highlight=False)
    for key, years in comparison["strategies"].items():
        out.print(f"  {key}: {_nnt_sentence(years)}", markup=False, highlight=False)
    for key, harm in document["harms"].items():
        counted = ", ".join(f"{LABELS[kind].lower()} {harm[kind]}" for kind in KEPT_COMPLICATIONS)
        out.print(
            f"Harms, {key}: {counted} in "
            f"{harm['courses_with_complications_recorded']} courses with complications recorded (of "
            f"{harm['courses']}); deaths from a procedure {harm['deaths_from_a_procedure']}.",
            highlight=False,
        )
    found = document["local_values"]
    out.print(f"{len(found)} inputs set: {', '.join(found)}" if found else "No input set: too few patients.", highlight=False)
    out.print(document["caution"], style="italic")
    out.print("Files: " + ", ".join(written), markup=False, highlight=False)


def _nnt_sentence(years: dict[str, Any]) -> str:
    known = [(year, found) for year, found in years.items() if found and found["nnt"]["value"] is not None]
    return (
        "; ".join(
            f"at {year} y {found['nnt']['kind']} {found['nnt']['value']:.1f} ({found['interval_text']})" for year, found in known
        )
        or "not followed long enough"
    )


def _table(rows: list[dict[str, Any]]) -> Any:
    from rich.table import Table

    table = Table(box=None, pad_edge=False, title="First bleeds since the decision, death competing")
    table.add_column("Strategy", no_wrap=True)
    for heading in ("Bled", "Patient years", "Bleeds a patient year (exact 95%)", "Bled by 1 year (95%)", "Died", "Lost"):
        table.add_column(heading, overflow="fold")
    for row in rows:
        table.add_row(
            row["strategy"],
            row["n_over_N"],
            f"{row['patient_years']:.1f}",
            _interval(row["rate"]),
            _interval(row["cumulative_incidence"]["1"]),
            str(row["deaths"]),
            str(row["lost"]),
        )
    return table


def _interval(found: dict[str, Any]) -> str:
    if found["value"] is None:
        return "not followed that long"
    span = "" if found["low"] is None else f" ({found['low']:.3f} to {found['high']:.3f})"
    return f"{found['value']:.3f}{span}"
