"""``econmodel nnt``: sentences, JSON alone, and one error a fault."""

import io
import json

import pytest
from click.testing import CliRunner
from rich.console import Console

from econmodel.errors import ParameterError
from econmodel.evidence.claims import Claim, check_claim
from econmodel.interfaces.commands.nnt import nnt, show_claim
from econmodel.parameters.loading import demo_file

WORKED = ["--treated", "6/80", "--nnt", "3", "--years", "2", "--cost-ratio", "0.5"]


@pytest.fixture
def run():
    """Run the command by itself; faults come through as they are."""
    return lambda arguments: CliRunner().invoke(nnt, arguments)


def test_json_alone_on_standard_output(run):
    """``--json -`` prints JSON and nothing else, keys in the agreed order."""
    result = run([*WORKED, "--json", "-"])
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert (*found,)[0] == "implied"
    assert (*found,)[-1] == "verdict"
    assert found["implied"]["untreated_risk"] == pytest.approx(0.408333, abs=1e-6)


def test_sentences(run):
    """Without JSON the sentences are printed; quiet prints nothing."""
    assert "break-even NNT" in " ".join(run(WORKED).stdout.split())
    assert run([*WORKED, "--quiet"]).stdout == ""


@pytest.mark.parametrize(
    ("arguments", "where"),
    [
        (["--treated", "7/5"], "--treated"),
        (["--treated", "-1/10"], "--treated"),
        (["--untreated", "0/0"], "--untreated"),
        (["--treated-risk", "n/a", "--nnt", "3"], "--treated-risk"),
        ([], "nothing is stated"),
    ],
)
def test_bad_input_is_one_named_error(run, arguments, where):
    """A fault is one named error for the command line to print; nothing is printed before it."""
    result = run(arguments)
    assert isinstance(result.exception, ParameterError)
    assert where in str(result.exception)
    assert result.stdout == ""


def test_contradictions_stand_out():
    """A contradiction is printed in bold on the console passed in."""
    console = Console(file=io.StringIO(), force_terminal=True, width=400)
    show_claim(check_claim(Claim(treated_risk="0.075", untreated_risk="0.60", nnt=3)), console)
    found = next(line for line in console.file.getvalue().splitlines() if "Contradiction" in line)
    assert found.startswith("\x1b[1m")


def test_months_are_a_fraction_of_years(run):
    """26/12 is told as 26 months; 26 years draw a question."""
    rate = [f for f in json.loads(run([*WORKED, "--years", "26/12", "--json", "-"]).stdout)["sentences"] if "By 26 months" in f]
    assert len(rate) == 1
    long = " ".join(run([*WORKED, "--years", "26"]).stdout.split())
    assert "if 26 months are meant, write --years 26/12" in long
    assert run(["--nnt", "3", "--years", "2/0"]).exit_code == 2


def test_whether_it_saves_comes_first(run):
    """The verdict stands before the arithmetic; what nothing could meet is left out."""
    line = " ".join(run(WORKED).stdout.split("\n- ")[0].split())
    assert line.startswith(
        "At face value the course does not save by itself: NNT 3.00 (2.00 to 3.50) against a break-even NNT of 2.00"
    )
    assert "2.00 to 2.22 rounding does not decide" in line
    never = " ".join(run(["--treated-risk", "0", "--nnt", "1", "--cost-ratio", "3"]).stdout.split())
    assert "no untreated risk" not in never
    assert "reach 0.0%" not in " ".join(run(["--treated", "0/20", "--untreated", "0/20"]).stdout.split())


def test_a_hospital_beside_a_claim_and_its_page(run, tmp_path):
    """The site's own costs judge the claim, its NNT stands beside it, and a page is written in three formats."""
    result = run(
        [
            "--paste",
            "5/40 v 14/43, 24 months",
            "--hospital",
            str(demo_file()),
            "--json",
            str(tmp_path / "a.json"),
            "--out",
            str(tmp_path),
        ]
    )
    assert result.exit_code == 0, result.exception
    found = json.loads((tmp_path / "a.json").read_text(encoding="utf-8"))
    site = found["hospital"]
    assert site["years"] == 2
    assert found["break_even_nnt"] == pytest.approx(site["break_even_nnt"])
    assert site["course_share"] * site["break_even_nnt"] == pytest.approx(1)
    assert site["nnt"]["value"] > 1
    assert "5/40 v 14/43" in (tmp_path / "claim.html").read_text(encoding="utf-8")
    assert (tmp_path / "claim.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "claim.docx").stat().st_size > 1000
