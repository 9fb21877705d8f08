"""How long the registry takes for 200,000 rows, as CSV and as XLSX, and how much memory: under 20 and 40 s, under 1 GB.

Run ``python tests/benchmarks/large_registry.py [ROWS]`` where the package is installed: processor seconds of one process each,
from the file to everything written, and its largest memory. It asserts nothing but that both files give the same estimates.
"""

from __future__ import annotations

import csv
import random
import resource
import subprocess
import sys
import tempfile
from datetime import date, timedelta
from pathlib import Path

HEADINGS = [
    *("id", "age", "sex", "child", "size_mm", "red_spot", "decision_date", "strategy", "session_date", "coils", "glue_ml"),
    *("bled", "bleed_date", "status", "death_date", "last_seen"),
]


def rows(count: int) -> list[list[str]]:
    """Invented patients, one row each; the same at every run."""
    draw = random.Random(1)
    found = []
    for n in range(count):
        start = date(2012, 1, 1) + timedelta(days=draw.randrange(3000))
        treated, bled, died = (draw.random() < share for share in (0.5, 0.2, 0.2))
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
                "dead" if died else "alive",
                seen.isoformat() if died else "",
                seen.isoformat(),
            ]
        )
    return found


def measured(path: Path) -> tuple[float, float, bytes]:
    """Processor seconds and largest GB of the verb on a file, everything written, and the estimates."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    out = path.with_suffix(path.suffix + ".out")
    command = [sys.executable, "-m", "econmodel.interfaces.cli", "registry", str(path), "--out", str(out), "--quiet"]
    subprocess.run(command, check=True)
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    seconds = used.ru_utime + used.ru_stime - before.ru_utime - before.ru_stime
    return seconds, used.ru_maxrss / 1e6, (out / "estimates.csv").read_bytes()


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
