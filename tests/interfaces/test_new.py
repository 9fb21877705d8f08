"""``econmodel new``: from nothing to a first answer, without a terminal."""

from __future__ import annotations

from html import escape
from pathlib import Path

import pytest
import tomli
from click.testing import CliRunner, Result
from streamlit.testing.v1 import AppTest

from econmodel.errors import EconModelError
from econmodel.interfaces import start
from econmodel.interfaces.cli import app
from econmodel.parameters.loading import load_case

ANSWERS = """country = "IN"
payment_basis = "block"
price_year = "2025"
[values]
c_coil = 9000
n_endoscoped = 850
[mix.current]
watch = 0.7
beta_blocker = 0.3
"""


def run(*words: str) -> Result:
    """Run the verb; a refusal is raised."""
    return CliRunner().invoke(app, ["new", *words], catch_exceptions=False)


@pytest.fixture(autouse=True)
def empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work where nothing stands."""
    monkeypatch.chdir(tmp_path)


def test_from_answers_to_a_first_answer() -> None:
    """Only what was answered is written; the answer and ten numbers to fetch stand in the local currency."""
    Path("said.toml").write_text(ANSWERS, encoding="utf-8")
    said = run("ward", "--answers", "said.toml").output.replace("\n", " ")
    written = tomli.loads(Path("ward.toml").read_text(encoding="utf-8"))
    assert set(written["override"]) == {"c_coil", "n_endoscoped", "current_mix"}
    assert written["country"] == {"code": "IN", "payment_basis": "block"}
    assert all(word in said for word in ("INR", "Converted prices", "Not yet local", "10 ", "ward.toml written. Next: econmodel case"))
    assert "n_endoscoped)" not in said, "what was answered is not to be fetched"
    found = load_case(Path("ward.toml")).parameters
    assert (found["c_coil"].value, found["c_coil"].price_year, found["c_coil"].status) == (9000.0, "2025", "local")
    assert found.rows("payers")[0]["paid_at_margin"] == 0.0


def test_nothing_answered_and_nothing_asked() -> None:
    """Do not know is always allowed: the list of the country stands alone; a second start replaces nothing."""
    run("plain", "--country", "uk")
    assert load_case(Path("plain.toml")).parameters.text("currency") == "GBP"
    with pytest.raises(EconModelError, match="there already"):
        run("plain")


def test_the_dashboard_begins_with_the_same_code() -> None:
    """A country and one number typed in its style give the lines of the command line; a number that is none is refused."""
    page = AppTest.from_string("from econmodel.interfaces.dashboard.begin import show_begin\nshow_begin()\n", default_timeout=60).run()
    page.selectbox(key="begin_country").set_value("DE").run()
    page.text_input(key="begin_DE_c_coordinator").set_value("21.500,50")
    page.button[0].click().run()
    assert not page.exception
    said = " ".join(str(block.proto.body) for block in page.get("html"))
    case, _ = start.case_of({"country": "DE", "payment_basis": "per_case", "values": {"c_coordinator": 21500.5}}, "x", Path())
    assert all(escape(line) in said for line in (*start.first_answer(case), *start.fetch_lines(case, "DE")))
    page.text_input(key="begin_DE_c_coordinator").set_value("dear")
    page.button[0].click().run()
    assert "must be a number" in " ".join(str(block.proto.body) for block in page.get("html"))


@pytest.mark.parametrize(
    ("answers", "message"),
    [
        ("contry = 'IN'", "did you mean 'country'"),
        ("[values]\nc_coils = 3\n", "c_coils"),
        ("[values]\nc_coil = 'x'\n", "c_coil"),
        ("[mix.future]\nwatch = 1\n", "unknown mix"),
        ("country = 'India'", "two letters"),
    ],
)
def test_bad_answers_write_nothing(answers: str, message: str) -> None:
    """One message each, and no file."""
    Path("said.toml").write_text(answers, encoding="utf-8")
    with pytest.raises(EconModelError, match=message):
        run("ward", "--answers", "said.toml")
    assert not Path("ward.toml").exists()
