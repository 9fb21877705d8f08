"""The comparison of two editions' numbers sees what moved, and only that."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from fingerprint import cells, named, verdict
from openpyxl import Workbook
from openpyxl.styles import Font

SCRIPT = Path(__file__).with_name("fingerprint.py")
FIRST = {"case": {"strategies.glue.cost": 40458.48796942341, "nnt": 3.6, "lead": "glue", "icer": None}, "draws": {"mean": 1.0}}


def compared(folder: Path, **changes: Any) -> tuple[int, str]:
    """Exit code and text of a comparison of FIRST with itself, changed in the block ``case``."""
    files = [folder / "a.json", folder / "b.json"]
    for file, document in zip(files, (FIRST, FIRST | {"case": FIRST["case"] | changes}), strict=True):
        file.write_text(json.dumps(document), encoding="utf-8")
    done = subprocess.run([sys.executable, SCRIPT, "compare", *files], capture_output=True, text=True, check=False)
    return done.returncode, done.stdout


def test_the_same_document_has_the_same_bits(tmp_path: Path) -> None:
    code, text = compared(tmp_path)
    assert (code, text) == (0, "case: 4 same bits\ndraws: 1 same bits\nNo number moved\n")


def test_a_moved_number_is_named_and_fails(tmp_path: Path) -> None:
    """Negative control: one part in a hundred million, and a number where there was none."""
    code, text = compared(tmp_path, nnt=3.6 * (1 + 1e-8), icer=5.0)
    assert code == 1
    assert "case: 2 same bits, 2 moved" in text
    assert "moved: nnt: 3.6" in text
    assert "moved: icer: None -> 5.0" in text


def test_last_bits_words_and_new_names_are_told_and_pass(tmp_path: Path) -> None:
    code, text = compared(tmp_path, nnt=3.6 * (1 + 1e-14), lead="coil", extra=2.0)
    assert code == 0
    assert "within: nnt" in text
    assert "words: lead: 'glue' -> 'coil'" in text
    assert "only in the second: extra" in text


def test_bounds_of_the_verdict() -> None:
    assert verdict(1e6, 1e6 * (1 + 0.9e-10)) == "within"
    assert verdict(1e6, 1e6 * (1 + 1.1e-10)) == "moved"
    assert verdict(0.0, 0.9e-9) == "within"
    assert verdict(0.0, 1.1e-9) == "moved"
    assert verdict("glue", 1.0) == "moved"


def test_rows_go_by_a_field_that_tells_them_apart() -> None:
    document = {"rows": [{"year": 1, "alive": 0.9}, {"year": 2, "alive": 0.8}], "pair": [3, 4]}
    names = dict(named(document))
    assert names["rows[2].alive"] == 0.8
    assert names["pair[0]"] == 3


def test_cells_go_by_key_and_heading_wherever_they_stand(tmp_path: Path) -> None:
    found = []
    for gap in (0, 2):
        book = Workbook()
        page = book.active
        page.title = "Outcomes"
        for _ in range(gap):
            page.append(["a remark"])
        page.append(["Outcome", "Key", "No prophylaxis", "Glue"])
        for cell in page[gap + 1]:
            cell.font = Font(bold=True)
        page.append(["Total", "cost.total", 36840.0, 40458.0])
        path = tmp_path / f"{gap}.xlsx"
        book.save(path)
        found.append(cells(path))
    assert found[0] == found[1] == {"Outcomes/cost.total/No prophylaxis": 36840.0, "Outcomes/cost.total/Glue": 40458.0}
