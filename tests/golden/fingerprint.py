"""Every number the product prints, under its name, to hold two editions against each other.

    python tests/golden/fingerprint.py write FILE [--workbook]
    python tests/golden/fingerprint.py compare A B

``write`` runs from the root of a checkout, with that checkout's own ``econmodel`` beside the Python that runs it, and reads
only what the command line prints, so one script serves editions whose insides differ. Floats are written so that they read
back bit for bit. ``--workbook`` also works the spreadsheet out in LibreOffice and takes each cell by its labels.
``compare`` tells per block which numbers are the same, within 1e-10 relative or 1e-9 absolute, or moved; exit 1 when one moved.
"""

from __future__ import annotations

import argparse
import json
import math
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

RELATIVE, ABSOLUTE = 1e-10, 1e-9
SHOWN = 20
HOSPITALS = ("demo", "demo_uk")
DRAWS = ("--draws", "64")
VERBS = {
    "case": ("case", "--draws", "0"),
    "programme": ("budget", *DRAWS),
    "draws": ("psa", *DRAWS),
    "one_way": ("sensitivity", "--one-way"),
    "scenarios": ("sensitivity", "--scenarios"),
}
NAMES = ("key", "name", "strategy", "step", "year", "patient", "target", "title", "label")

Block = dict[str, Any]


def named(document: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Walk a JSON document to its leaves; a list's rows go by a field that tells them apart, else by place."""
    if isinstance(document, Mapping):
        for key, inner in document.items():
            yield from named(inner, f"{path}.{key}" if path else str(key))
    elif isinstance(document, list):
        for label, inner in zip(labels(document), document, strict=True):
            yield from named(inner, f"{path}[{label}]")
    else:
        yield path, document


def labels(rows: list[Any]) -> list[Any]:
    """Names of a list's rows."""
    for field in NAMES:
        found = [row.get(field) for row in rows if isinstance(row, Mapping)]
        if found and len(found) == len(rows) == len({str(name) for name in found}) and None not in found:
            return found
    return list(range(len(rows)))


def run(*words: str | Path) -> str:
    """Run a verb of this checkout's command line in an empty folder; give what it prints."""
    program = Path(sys.executable).with_name("econmodel")
    with tempfile.TemporaryDirectory() as empty:
        return subprocess.run([program, *words], cwd=empty, check=True, stdout=subprocess.PIPE, text=True).stdout


def printed(*words: str | Path) -> Block:
    """Names and values of the document a verb prints."""
    return dict(named(json.loads(run(*words, "--json", "-"))))


def write(target: Path, *, workbook: bool) -> None:
    """Write every block of this checkout to ``target``."""
    hospitals = Path("params/hospitals").resolve()
    blocks = {"checks": printed("checks"), "registry": printed("registry", hospitals / "demo_registry.csv")}
    for hospital in HOSPITALS:
        file = hospitals / f"{hospital}.toml"
        for block, (verb, *options) in VERBS.items():
            blocks[f"{hospital}.{block}"] = printed(verb, file, *options)
        if workbook:
            blocks[f"{hospital}.workbook"] = worked_out(file)
    target.write_text(json.dumps(blocks, indent=0), encoding="utf-8")


def worked_out(file: Path) -> Block:
    """Build a hospital's workbook, work it out in LibreOffice, and read its cells."""
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        run("workbook", file, "--out", folder)
        (built,) = folder.glob("*.xlsx")
        office = ("soffice", f"-env:UserInstallation={(folder / 'profile').as_uri()}", "--headless", "--convert-to", "xlsx")
        subprocess.run([*office, "--outdir", folder / "done", built], check=True, capture_output=True)
        return cells(folder / "done" / built.name)


def cells(path: Path) -> Block:
    """Numbers of a workbook, named by sheet, row label and headings above; a name that comes again is counted."""
    from openpyxl import load_workbook

    found: Block = {}
    for sheet in load_workbook(path, data_only=True, read_only=True):
        heads: list[list[Any]] = []
        after_numbers = True
        for row in sheet.iter_rows():
            values = [cell.value for cell in row]
            filled = [cell for cell in row if cell.value is not None]
            if filled and all(isinstance(cell.value, str) for cell in filled):
                if filled[0].font.bold:
                    heads = [spread(values)] if after_numbers else [*heads, spread(values)]
                    after_numbers = False
            elif filled:
                after_numbers = True
                for column, value in enumerate(values):
                    if isinstance(value, int | float) and column:
                        above = [str(head[column]) for head in heads if column < len(head) and head[column]]
                        keep(found, "/".join([sheet.title, row_label(values), *above]), value)
    return found


def spread(head: list[Any]) -> list[Any]:
    """Fill a heading over the empty cells to its right."""
    last = None
    return [last := value if value is not None else last for value in head]


def row_label(values: list[Any]) -> str:
    """Give a row's key where it has one among its first two cells, else its first value."""
    keys = [v for v in values[:2] if isinstance(v, str) and re.fullmatch(r"[a-z][a-z0-9_.]*", v)]
    return str(keys[0] if keys else next(v for v in values if v is not None))


def keep(found: Block, name: str, value: Any) -> None:
    """Store under the first free count of a name."""
    count = 1
    while (unique := name if count == 1 else f"{name} #{count}") in found:
        count += 1
    found[unique] = value


def verdict(old: Any, new: Any) -> str:
    """Sort a pair into ``same bits``, ``within``, ``moved`` or, where both are words, ``words``."""
    if old == new:
        return "same bits"
    if isinstance(old, str) and isinstance(new, str):
        return "words"
    numbers = all(isinstance(v, int | float) and not isinstance(v, bool) for v in (old, new))
    return "within" if numbers and math.isclose(old, new, rel_tol=RELATIVE, abs_tol=ABSOLUTE) else "moved"


def compare(old: Mapping[str, Block], new: Mapping[str, Block]) -> int:
    """Print what became of every number; give how many moved. A block with no name in common has moved."""
    moved = 0
    for block in {**old, **new}:
        if block not in old or block not in new:
            print(f"{block}: in the {'first' if block in old else 'second'} only")
            continue
        a, b = old[block], new[block]
        sorted_names: dict[str, list[str]] = {"same bits": [], "within": [], "words": [], "moved": []}
        for name in a.keys() & b.keys():
            sorted_names[verdict(a[name], b[name])].append(name)
        moved += len(sorted_names["moved"]) + (not a.keys() & b.keys())
        only = {"only in the first": list(a.keys() - b.keys()), "only in the second": list(b.keys() - a.keys())}
        print(f"{block}: " + ", ".join(f"{len(names)} {kind}" for kind, names in (sorted_names | only).items() if names))
        for kind in ("moved", "within", "words"):
            tell(f"  {kind}", [f"{name}: {a[name]!r} -> {b[name]!r}" for name in sorted(sorted_names[kind])])
        for kind, names in only.items():
            tell(f"  {kind}", sorted(names))
    print(f"{moved} moved" if moved else "No number moved")
    return moved


def tell(kind: str, lines: list[str]) -> None:
    """Print the first lines of a kind."""
    for line in lines[:SHOWN]:
        print(f"{kind}: {line}")
    if len(lines) > SHOWN:
        print(f"{kind}: and {len(lines) - SHOWN} more")


def main() -> None:
    """Parse and run."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    verbs = parser.add_subparsers(dest="verb", required=True)
    writing = verbs.add_parser("write")
    writing.add_argument("file", type=Path)
    writing.add_argument("--workbook", action="store_true", help="also the spreadsheet, by LibreOffice")
    comparing = verbs.add_parser("compare")
    comparing.add_argument("files", type=Path, nargs=2)
    chosen = parser.parse_args()
    if chosen.verb == "write":
        write(chosen.file.resolve(), workbook=chosen.workbook)
    else:
        sys.exit(1 if compare(*(json.loads(file.read_text(encoding="utf-8")) for file in chosen.files)) else 0)


if __name__ == "__main__":
    main()
