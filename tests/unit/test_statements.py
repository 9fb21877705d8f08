"""Sentences about evidence stand in params, each with a source, and none of them recommends an endoscopic option."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from econmodel.errors import SourceError
from econmodel.package import params_folder
from econmodel.parameters.loading import load_base_case, load_case
from econmodel.parameters.statements import FILE, positions, read_statements, statements
from econmodel.reporting.papers.phrases import cautions, guideline_table
from econmodel.workflow import answer

CODE = Path(__file__).resolve().parents[2] / "econmodel"
EVIDENCE = re.compile(
    r"guideline read|comparative study|treated patients are|ESGE|AASLD|Baveno|off label|NCT0|[Nn]ot studied in|[Tt]rials are few|"
    r"(?:Choe|Mishra|Salama|Bazarbashi|Lobo|Jhajharia) \d{4} (?:saw|found|shows|had)"
)


def test_no_sentence_about_evidence_is_typed_in_code() -> None:
    """Guideline positions and what studies found are not in code; the pattern does find them in params."""
    found = [f"{path}: {hit[0]}" for path in CODE.rglob("*.py") for hit in EVIDENCE.finditer(path.read_text(encoding="utf-8"))]
    assert found == []
    assert len(EVIDENCE.findall((params_folder() / FILE).read_text(encoding="utf-8"))) > 8


def test_every_statement_has_a_source() -> None:
    """A statement cites known sources; a position has one, or says that it is from memory."""
    assert all(s.sources for s in statements().values())
    assert all(p.source or p.read == "from memory" for p in positions())
    assert "NICE IPG751" in {p.body for p in positions()}
    rows = guideline_table(load_base_case()).rows
    assert len(rows) == len(positions())


def test_no_sentence_recommends_an_endoscopic_option() -> None:
    """Cautions of every paper say that none is standard; no text of a strategy calls one recommended."""
    text = " ".join(lead + words for lead, words in cautions(answer(load_case(None, (), ["horizon_years=5"])).results))
    assert "no endoscopic option is standard" in text
    rows = load_base_case().strategies.values()
    assert not [row.key for row in rows if re.search(r"\brecommended\b", row.evidence_note + row.harms_note)]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('sources = ["esge2022"]', "", "must have sources, text"),
        ('["esge2022"]', '["esge2202"]', "'esge2202' is not in"),
        ('read = "read"', "", "must have body"),
    ],
)
def test_a_statement_without_source_is_refused(tmp_path: Path, old: str, new: str, says: str) -> None:
    """One that lacks its text, its source or how it was read is refused, with its place."""
    shutil.copytree(params_folder() / "evidence", tmp_path / "evidence")
    shutil.copy(params_folder() / "sources.toml", tmp_path / "sources.toml")
    path = tmp_path / FILE
    path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    with pytest.raises(SourceError, match=re.escape(says)) as caught:
        read_statements(tmp_path)
    assert "statements.toml, line" in str(caught.value)
