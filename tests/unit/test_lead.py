"""The lead strategy and usual care: one rule, found on the base run."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.economics.lead import find_subjects
from econmodel.errors import EconModelError
from econmodel.parameters.loading import demo_file, load_case
from econmodel.parameters.parameter_set import ParameterSet

MIX = """title = "A mix"
rationale = "Whom the case is about."

{dropped}

[override.current_mix]
reason = "A test."
table = [{today}]

[override.proposed_mix]
reason = "A test."
table = [{proposed}]
"""


def mixed(folder: Path, today: dict[str, float], proposed: dict[str, float], *sets: str, drop: str = "") -> ParameterSet:
    """The base case with its mixes replaced, and some strategies dropped."""
    rows = [", ".join(f'{{ strategy = "{k}", share = {v} }}' for k, v in mix.items()) for mix in (today, proposed)]
    dropped = "\n".join(f"[strategy.{key}]\ndrop = true\nreason = 'A test.'\n" for key in drop.split())
    path = folder / "mix.toml"
    path.write_text(MIX.format(today=rows[0], proposed=rows[1], dropped=dropped), encoding="utf-8")
    return load_case(overrides=[path], sets=["horizon_years=5", *sets]).parameters


def subjects(parameters: ParameterSet) -> tuple[str, str]:
    """Lead and usual care."""
    found = find_subjects(parameters)
    return found.lead, found.usual_care


def test_the_lead_gains_most_share(tmp_path):
    """Whatever grows most is the lead; usual care is the setting's."""
    assert subjects(mixed(tmp_path, {"watch": 1.0}, {"coil": 0.8, "glue": 0.2})) == ("coil", "beta_blocker")
    assert subjects(mixed(tmp_path, {"glue": 0.7, "watch": 0.3}, {"glue": 0.75, "coil": 0.25})) == ("coil", "beta_blocker")


def test_equal_gains_go_by_the_file(tmp_path):
    """Of two strategies that gain alike, the first in the file leads."""
    assert subjects(mixed(tmp_path, {"watch": 1.0}, {"coil": 0.5, "glue": 0.5}))[0] == "glue"


def test_the_file_names_the_lead(tmp_path):
    """A lead that is set stands against any mix; one the case lacks is refused."""
    assert subjects(mixed(tmp_path, {"watch": 1.0}, {"coil": 1.0}, "lead=transvenous"))[0] == "transvenous"
    with pytest.raises(EconModelError, match=re.escape("lead = 'coils': must be one of")):
        load_case(sets=["lead=coils"])
    with pytest.raises(EconModelError, match="usual_care = 'nothing'"):
        load_case(sets=["usual_care=nothing"])


def test_without_a_change_of_mix_the_best_value_leads(tmp_path):
    """Where nothing is proposed, the course with the highest net monetary benefit leads, whatever the drug's."""
    parameters = mixed(tmp_path, {"watch": 1.0}, {"watch": 1.0})
    e = evaluate(parameters)
    benefit = dict(zip(e.keys, e.net_benefit(parameters.number("willingness_to_pay"))[0, :, 0], strict=True))
    courses = [key for key, row in parameters.strategies.items() if row.starts_in == "in_course"]
    assert subjects(parameters)[0] == max(courses, key=benefit.__getitem__)
    assert find_subjects(parameters, e) == find_subjects(parameters)


def test_usual_care_gives_way(tmp_path):
    """Usual care that leads, or that the case lacks, is replaced by what most patients get today, and it is said."""
    led = find_subjects(mixed(tmp_path, {"glue": 0.6, "coil": 0.4}, {"beta_blocker": 1.0}))
    assert (led.lead, led.usual_care) == ("beta_blocker", "glue")
    assert "is the lead strategy here; what most patients get today stands in its place" in led.note
    gone = find_subjects(mixed(tmp_path, {"coil": 0.4, "watch": 0.6}, {"glue": 1.0}, drop="beta_blocker"))
    assert (gone.lead, gone.usual_care) == ("glue", "coil")
    assert "is not a strategy of this case (beta_blocker)" in gone.note
    none = find_subjects(mixed(tmp_path, {"watch": 1.0}, {"glue": 1.0}, drop="beta_blocker"))
    assert (none.lead, none.usual_care) == ("glue", "watch")


def test_the_demo_leads_with_what_it_proposes():
    """The shipped hospital proposes coil and glue, beside a beta-blocker, with nothing to explain."""
    found = find_subjects(load_case(demo_file()).parameters)
    assert (found.lead, found.usual_care, found.note) == ("coil_and_glue", "beta_blocker", "")
