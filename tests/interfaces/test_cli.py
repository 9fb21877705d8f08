"""The command line: exit codes, one message per fault, nothing half-written, JSON alone on stdout."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from math import log
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def run(*arguments: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "econmodel.interfaces.cli", *arguments],
        capture_output=True,
        text=True,
        cwd=cwd or ROOT,
        check=False,
        timeout=120,
    )


@pytest.fixture(scope="module")
def document() -> dict:
    done = run("case", "--json", "-", "--draws", "0")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_case_json_alone_holds_the_contract(document: dict) -> None:
    """`case --json -` prints only JSON, with the contract's blocks."""
    assert {"schema", "case", "settings", "inputs", "strategies", "comparisons", "groups", "frontier"} <= set(document)
    assert document["schema"] == 2
    assert {"watch", "beta_blocker"} <= set(document["comparisons"])
    one = document["comparisons"]["watch"]["coil_and_glue"]
    assert {
        "nnt",
        "arr",
        "break_even_nnt",
        "icer_status",
        "at_five_years",
        "net_cost_per_first_bleed_averted",
        "net_cost_per_any_bleed_averted",
        "bleeds_averted_per_100",
    } <= set(one)
    assert one["nnt"]["3"]["kind"] == "NNTB"


def test_case_json_writes_no_reports(tmp_path: Path) -> None:
    """JSON on stdout writes nothing to disk."""
    assert run("case", "--json", "-", "--draws", "0", cwd=tmp_path).returncode == 0
    assert list(tmp_path.iterdir()) == []


def test_set_moves_results_and_shows_in_provenance(document: dict) -> None:
    """`--set` changes the result and is recorded where the input is shown."""
    moved = json.loads(run("case", "--json", "-", "--draws", "0", "--set", "hr_glue=0.9").stdout)
    key = ("comparisons", "watch", "glue", "incremental_cost")
    before, after = document, moved
    for k in key:
        before, after = before[k], after[k]
    assert before != after
    shown = json.loads(run("where", "hr_glue", "--set", "hr_glue=0.9", "--json", "-").stdout)
    assert shown["value"] == 0.9
    assert "--set" in shown["where"]
    assert shown["changed_by"] == "command line"


def test_where_lists_every_input_on_a_line_of_its_own() -> None:
    """Without a name: one line per input, with value, unit, status, file and line; a changed one shows who changed it."""
    lines = run("where", "--set", "hr_glue=0.4").stdout.splitlines()
    named = {line.split()[0]: line for line in lines}
    assert len(named) == len(lines) > 250
    assert named["hr_glue"].split() == ["hr_glue", "0.4", "hazard", "ratio", "local", "--set", "hr_glue=0.4"]
    assert "6 rows" in named["case_mix"]
    assert "params/hospitals/demo.toml:" in named["case_mix"]


def test_where_shows_a_strategy() -> None:
    """A strategy is shown as the inputs it names, with file and line."""
    shown = json.loads(run("where", "coil_and_glue", "--json", "-").stdout)
    assert shown["hr_gastric"] == "hr_glue, hr_coil_and_glue_vs_glue"
    assert "strategies.toml, line" in shown["where"]
    assert shown["surveillance"] == "surveillance_eus, months 3, 6, 12, then every 12"


def test_without_draws_numbers_alone(tmp_path: Path) -> None:
    """`--draws 0` answers at once: results and no papers, unless a paper is asked for."""
    results = {"results.json", "results.csv", "provenance.csv", "run.json"}
    assert run("case", "--draws", "0", "--out", str(tmp_path / "a")).returncode == 0
    assert {p.name for p in (tmp_path / "a").iterdir()} == results
    assert run("case", "--draws", "0", "--paper", "form", "--out", str(tmp_path / "b")).returncode == 0
    assert {p.name for p in (tmp_path / "b").iterdir()} == results | {"demo_form.xlsx"}


def test_structural_scenario_has_its_workbook(tmp_path: Path) -> None:
    """A structural scenario's live workbook is written like any other; an unknown strategy for it is told."""
    scenario = ("--override", "params/scenarios/frailty.toml", "--set", "horizon_years=5", "--out", str(tmp_path / "out"))
    done = run("case", *scenario, "--draws", "0", "--paper", "workbook")
    assert done.returncode == 0, done.stderr
    assert "demo_workbook.xlsx" in {p.name for p in (tmp_path / "out").iterdir()}
    done = run("workbook", *scenario, "--strategy", "glou")
    assert done.returncode == 2
    assert "--strategy" in done.stderr
    assert "glue" in done.stderr


def test_workbook_is_left_out_of_what_it_cannot_hold(tmp_path: Path) -> None:
    """More patient groups than a formula holds: told when all papers are written, refused when it is asked for."""
    rows = ", ".join(f'{{ name = "g{i}", share = 0.02, child = "A", size_step = 2, red_spot = 0 }}' for i in range(50))
    crowd = tmp_path / "crowd.toml"
    crowd.write_text(f'title = "Crowd"\nrationale = "Many groups."\n[override.case_mix]\ntable = [{rows}]\nreason = "many"\n')
    done = run("case", "--override", str(crowd), "--out", str(tmp_path / "out"), "--draws", "0", "--paper", "workbook")
    assert done.returncode == 2
    assert "50 patient groups" in done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(("option", "value"), [("--paper", "poster"), ("--as", "odt")])
def test_unknown_paper_or_format_is_refused(tmp_path: Path, option: str, value: str) -> None:
    """Papers and formats are closed lists."""
    done = run("case", option, value, cwd=tmp_path)
    assert done.returncode == 2
    assert value in done.stderr
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("verb", ["sensitivity", "psa", "budget"])
def test_analyses_write_pictures_with_their_data(tmp_path: Path, verb: str) -> None:
    """Each analysis runs on the demo hospital and leaves pictures, CSV and JSON."""
    extra = {
        "sensitivity": ("--one-way", "--two-way", "r_late_rebleed", "p_first_bleed_year_1"),
        "psa": ("--draws", "30"),
        "budget": ("--draws", "20"),
    }[verb]
    done = run(verb, *extra, "--out", str(tmp_path / verb))
    assert done.returncode == 0, done.stderr
    kinds = {p.suffix for p in (tmp_path / verb).iterdir()}
    assert {".svg", ".png", ".csv", ".json"} <= kinds


@pytest.mark.parametrize(
    ("arguments", "parts"),
    [
        (("case", "--set", "hr_glu=0.5"), ("'hr_glu'", "hr_glue")),
        (("case", "--set", "hr_glue=-0.3"), ("hr_glue = -0.3", "> 0")),
        (("case", "--set", "p_rescue=1.5"), ("p_rescue = 1.5", "between 0 and 1")),
        (("case", "--set", "c_coil=-5"), ("c_coil = -5", ">= 0")),
        (("case", "--set", "n_sessions_glue=0.5"), ("n_sessions_glue = 0.5", "at least 1")),
        (("case", "--set", "perspective=mine"), ("'mine'", "hospital")),
        (("case", "--set", "horizon_years=60"), ("horizon_years", "100")),
        (("case", "--set", "nonsense"), ("NAME=VALUE",)),
        (("case", "nowhere.toml"), ("nowhere.toml", "not there")),
        (("case", "--override", "params"), ("params", "folder")),
        (("where", "hr_glu"), ("hr_glu", "hr_glue")),
        (("nnt", "--years", "soon"), ("'soon' must be a number of years", "econmodel nnt")),
        (("caze",), ("'caze'", "econmodel --help")),
        (("study", "mishra2012"), ("no study 'mishra2012'", "mishra2011")),
        (("study", "nowhere.toml"), ("nowhere.toml", "not there")),
        (("study", "--fit", "hr_glue"), ("no study to fit to", "--fit")),
        (("research", "--trial", "registry"), ("study 'registry'", "registry_untreated", "--trial")),
        (("research", "--trial", "own.toml"), ("own.toml", "not there")),
        (("research", "--size", "0"), ("size 0", "from 1 to", "--size 100")),
        (("research", "--strategy", "coil"), ("give both --strategy and --against",)),
        (("research", "--draws", "20"), ("draws = 20", "at least 100", "--draws 4000")),
        (("research", "--json", "params"), ("params: cannot be written",)),
        (("form", "--json", "-"), ("--json goes with --show",)),
        (("sensitivity", "--strategy", "coil_glue"), ("'coil_glue'", "coil_and_glue", "--strategy")),
        (("case", "--draws", "2"), ("draws = 2", "--draws 3")),
        (("case", "--draws", "many"), ("'many'", "econmodel case --help")),
        *(
            ((verb, "--out", "taken/sub"), ("taken/sub: cannot be written", "is a file"))
            for verb in ("case", "sensitivity", "psa", "budget", "checks", "form", "workbook")
        ),
        *(
            ((verb, "--json", "params"), ("params: cannot be written",))
            for verb in ("case", "sensitivity", "psa", "budget", "checks", "where")
        ),
    ],
)
def test_bad_input_is_one_message_and_exit_2(tmp_path: Path, arguments: tuple[str, ...], parts: tuple[str, ...]) -> None:
    """Bad input: exit 2, what and fix on stderr, no traceback, nothing written."""
    (tmp_path / "params").mkdir()
    (tmp_path / "taken").touch()
    done = run(*arguments, cwd=tmp_path)
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    for part in parts:
        assert part in done.stderr
    assert "fix:" in done.stderr
    assert sorted(p.name for p in tmp_path.iterdir()) == ["params", "taken"]


def test_a_fit_becomes_an_override(tmp_path: Path) -> None:
    """`study --fit` writes studies, chart and an override that moves the input fitted; `--json -` prints JSON alone."""
    arguments = ("study", "tips_gastric", "transhepatic_embolisation", "--fit", "hr_death_after_bleed", "--draws", "20")
    done = run(*arguments, "--out", "fits", "--json", "-", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    (fitted,) = json.loads(done.stdout)["fit"]["inputs"]
    assert fitted["informed"]
    assert {"studies.svg", "studies.csv", "studies.json", "fitted.toml"} <= {path.name for path in (tmp_path / "fits").iterdir()}
    shown = run("where", "hr_death_after_bleed", "--override", "fits/fitted.toml", "--json", "-", cwd=tmp_path)
    assert json.loads(shown.stdout)["value"] == fitted["value"]


def test_help_names_every_verb() -> None:
    """`--help` lists the verbs that exist."""
    text = run("--help").stdout
    for verb in (
        "new",
        "case",
        "nnt",
        "sensitivity",
        "psa",
        "surveillance",
        "research",
        "budget",
        "registry",
        "prices",
        "form",
        "workbook",
        "where",
        "study",
        "checks",
        "dashboard",
    ):
        assert verb in text


def test_surveillance_prints_what_its_document_holds() -> None:
    """JSON alone with ``-``; the terminal says the same sentences; nonsense is one message and exit code 2."""
    asked = ("surveillance", "--protocol", "eus_yearly", "--against", "endoscopy_yearly")
    document = json.loads(run(*asked, "--json", "-").stdout)
    assert [row["key"] for row in document["protocols"]] == ["endoscopy_yearly", "eus_yearly"]
    shown = " ".join(run(*asked).stdout.split())
    assert all(sentence in shown for sentence in document["sentences"])
    for wrong in (("--strategy", "beta_blocker"), ("--protocol", "eus_weekly"), ("--against", "eus_yearly")):
        done = run(*asked[:3], *wrong)
        assert done.returncode == 2
        assert done.stdout == ""
        assert done.stderr.count("Error: ") == 1


def test_one_study_row_moves_the_nnt(document: dict, tmp_path: Path) -> None:
    """A bleed fewer after glue in one row of the studies: the pool, the effect, and the NNT of what glue is part of."""
    for part in ("econmodel", "params"):
        shutil.copytree(ROOT / part, tmp_path / part, ignore=shutil.ignore_patterns("__pycache__"))
    table = tmp_path / "params" / "tables" / "effect_studies.csv"
    text = table.read_text(encoding="utf-8")
    row = next(line for line in text.splitlines() if line.startswith("salama2020_glue_none,"))
    table.write_text(text.replace(row, row.replace(",2,30,", ",1,30,")), encoding="utf-8")
    done = run("case", "--json", "-", "--draws", "0", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    moved = json.loads(done.stdout)["comparisons"]["watch"]
    kept = document["comparisons"]["watch"]
    for strategy in ("glue", "coil_and_glue"):
        assert moved[strategy]["nnt"]["5"]["value"] < 0.99 * kept[strategy]["nnt"]["5"]["value"]
    assert moved["beta_blocker"]["nnt"] == kept["beta_blocker"]["nnt"]
    shown = json.loads(run("where", "hr_glue", "--json", "-", cwd=tmp_path).stdout)
    assert shown["value"] == pytest.approx(0.35 * shown["computed"] / shown["computed_when_typed"], rel=1e-12)
    assert "effect_studies.csv" in shown["changed_by"]


def test_where_tells_how_an_input_is_derived() -> None:
    """Expression, parents with their values, what it gives; under a judgement also what is used instead."""
    loss = json.loads(run("where", "du_bleed_episode", "--json", "-", "--set", "u_bleeding=0.5").stdout)
    assert loss["derive"] == "(u_never_bled - u_bleeding) * 6 / 52"
    assert loss["parents"] == "u_never_bled = 0.75; u_bleeding = 0.5"
    assert loss["computed"] == pytest.approx(0.25 * 6 / 52)
    assert loss["value"] == pytest.approx(0.022 * 0.25 / (0.75 - 0.563))
    judged = json.loads(run("where", "r_excess_death_child_c", "--json", "-").stdout)
    assert judged["computed"] == pytest.approx((log(2) / (25.3 / 12) - 0.01) * 5 / 6)
    assert judged["used"] == judged["value"] > judged["computed"]
    assert "raised" in judged["judgement"]
    assert "used" not in json.loads(run("where", "hr_beta_blocker", "--json", "-").stdout)
    assert "derive" not in json.loads(run("where", "c_coil", "--json", "-").stdout)
