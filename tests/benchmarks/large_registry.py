"""How long the registry takes for 200,000 rows, as CSV and as XLSX, and how much memory: under 20 and 40 s, under 1 GB.

Run ``python tests/benchmarks/large_registry.py [ROWS]`` where the package is installed: processor seconds of one process each,
from the file to the results, and its largest memory. It asserts nothing but that both files give the same estimates.
"""

from __future__ import annotations

import csv
import json
import random
import subprocess
import sys
import tempfile
from datetime import date, timedelta
from pathlib import Path

HEADINGS = (
    "id,age,sex,child,size_mm,red_spot,decision_date,strategy,session_date,coils,glue_ml,bled,bleed_date,status,last_seen".split(",")
)
READ = """
import json, resource, sys
from pathlib import Path
from econmodel.evidence.registry import Options, analyse_registry
from econmodel.interfaces.commands.registry import base_case
from econmodel.evidence.registry.outputs import summarise
found = summarise(analyse_registry(Path(sys.argv[1]), Options(), base_case()))
used = resource.getrusage(resource.RUSAGE_SELF)
print(json.dumps([used.ru_utime + used.ru_stime, used.ru_maxrss / 1e6, [row["n_over_N"] for row in found["estimates"]]]))
"""


def rows(count: int) -> list[list[str]]:
    """Invented patients, one row each; the same at every run."""
    draw = random.Random(1)
    found = []
    for n in range(count):
        start = date(2012, 1, 1) + timedelta(days=draw.randrange(3000))
        treated, bled = draw.random() < 0.5, draw.random() < 0.2
        seen = start + timedelta(days=draw.randrange(400, 1500))
        bleed = start + timedelta(days=draw.randrange(60, 400)) if bled else None
        found.append(
            [
                f"P{n}",
                str(draw.randrange(40, 80)),
                draw.choice("MF"),
                draw.choice("ABC"),
                str(draw.randrange(6, 25)),
                draw.choice(("yes", "no")),
                start.isoformat(),
                "coil_and_glue" if treated else "watch",
                (start + timedelta(days=7)).isoformat() if treated else "",
                str(draw.randrange(1, 5)) if treated else "",
                f"{draw.uniform(1, 4):.1f}" if treated else "",
                "yes" if bled else "no",
                bleed.isoformat() if bleed else "",
                draw.choice(("alive", "alive", "alive", "dead", "lost")),
                seen.isoformat(),
            ]
        )
    return found


def measured(path: Path) -> tuple[float, float, list[str]]:
    """Processor seconds, GB and counts of one reading in a process of its own."""
    out = subprocess.run([sys.executable, "-c", READ, str(path)], capture_output=True, text=True, check=True).stdout
    seconds, memory, counts = json.loads(out)
    return seconds, memory, counts


def main() -> None:
    """Make both files, read both, print."""
    import openpyxl

    made = rows(int(sys.argv[1]) if len(sys.argv) > 1 else 200_000)
    with tempfile.TemporaryDirectory() as name:
        text, book = Path(name) / "r.csv", Path(name) / "r.xlsx"
        with text.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows([HEADINGS, *made])
        workbook = openpyxl.Workbook(write_only=True)
        sheet = workbook.create_sheet()
        for row in (HEADINGS, *made):
            sheet.append([float(cell) if cell.replace(".", "", 1).isdigit() else cell or None for cell in row])
        workbook.save(book)
        found = {path.suffix: measured(path) for path in (text, book)}
        for suffix, (seconds, memory, _) in found.items():
            print(f"{suffix}: {len(made):,} rows, {seconds:.1f} s, {memory:.2f} GB")
    assert found[".csv"][2] == found[".xlsx"][2]


if __name__ == "__main__":
    main()
