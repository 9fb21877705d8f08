"""``econmodel new``: from nothing to a first answer, without a terminal."""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import Any

import pytest
import tomli
from click.testing import CliRunner, Result
from streamlit.testing.v1 import AppTest

from econmodel.errors import EconModelError
from econmodel.interfaces import start
from econmodel.interfaces.cli import app
from econmodel.interfaces.commands.new import _ask
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


def test_asked_at_a_terminal(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """What cannot be read is asked again and loses no answer; n/a is not known; what is read is echoed with its unit."""
    told = {
        "Country": ["XX", "br"],
        "How an admission": ["block"],
        "Year": ["2023"],
        "What does the coordinator": ["41 USD", "9%", "R$ 2.100,50"],
        "Today": ["watch 60, beta_blocker 30", "wach 100", "watch 60%, beta_blocker 40"],
    }

    def prompt(words: str, **_: Any) -> str:
        answers = next((left for key, left in told.items() if words.startswith(key)), None)
        return answers.pop(0) if answers else "n/a"

    monkeypatch.setattr("click.prompt", prompt)
    found: dict[str, Any] = {"values": {}}
    _ask(found)
    assert not any(told.values())
    asked = {"country": "BR", "payment_basis": "block", "price_year": "2023", "values": {"c_coordinator": 2100.5}}
    assert found == asked | {"mix": {"current": {"watch": 0.6, "beta_blocker": 0.4}}}
    said = capsys.readouterr().out
    again = ("'XX' is no code of a country", "must be in BRL/year", "sum to 0.9: must sum to 100%", "did you mean 'watch'?")
    assert all(words in said for words in (*again, "read as 2,100.5 BRL/year, "))


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
