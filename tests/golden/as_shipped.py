"""Record the tables of evidence as shipped: ``python tests/golden/as_shipped.py`` after a table and its inputs were retyped.

Until it is run, inputs derived from a changed table follow it, as they would at a site.
"""

from __future__ import annotations

from itertools import product
from pathlib import Path

from econmodel.package import params_folder
from econmodel.parameters.documents import read_document
from econmodel.parameters.following import expressions_of
from econmodel.parameters.loading import load_base_case
from econmodel.parameters.lookups import RECORD, Call, chosen, record_of
from econmodel.parameters.overrides import apply_override
from econmodel.parameters.parameter_set import ParameterSet

COUNTRIES = sorted(path.stem for path in (params_folder() / "prices").glob("*.csv"))


def shipped_calls() -> set[Call]:
    """Look-ups that the inputs of any country make, under every choice of the settings they name, and those of the scenarios."""
    cases = [load_base_case(country) for country in COUNTRIES]
    files = [read_document(path) for path in sorted((params_folder() / "scenarios").glob("*.toml"))]
    scenarios = [apply_override(cases[-1], file) for file in files]
    return {
        chosen(call, lambda word, choices=choices: choices.get(word, word))
        for case in [*cases, *scenarios]
        for p in case.parameters.values()
        for e in expressions_of(p)
        for call in e.calls
        for choices in _choices(case, e.words)
    }


def _choices(case: ParameterSet, words: frozenset[str]) -> list[dict[str, str]]:
    settings = [word for word in words if word in case.parameters and case[word].choices]
    return [dict(zip(settings, made, strict=True)) for made in product(*(case[name].choices for name in settings))]


def record(folder: Path) -> Path:
    """Write the record of a folder of inputs."""
    path = folder / "tables" / RECORD
    path.write_text(record_of(folder, shipped_calls()), encoding="utf-8")
    return path


if __name__ == "__main__":
    record(params_folder())
