"""Overrides: what a site's file, a scenario or ``--set`` changes, and what it leaves."""

from datetime import date

import pytest

from econmodel.errors import EconModelError, ParameterError
from econmodel.parameters import load_case
from econmodel.parameters.documents import read_document
from econmodel.parameters.overrides import apply_override, set_value

HEADER = 'title = "Test site"\nrationale = "r"\nbaseline = "base_case"\n'


@pytest.fixture
def apply(base, tmp_path):
    def run(body):
        path = tmp_path / "site.toml"
        path.write_text(HEADER + body, encoding="utf-8")
        return apply_override(base, read_document(path))

    return run


def test_only_the_named_input_changes(apply, base):
    """An override changes its inputs and leaves every other one as it is."""
    changed = apply('[override.hr_glue]\nvalue = 0.5\nreason = "local data"\n')
    assert {n for n in base.parameters if changed[n] != base[n]} == {"hr_glue"}
    found = changed["hr_glue"]
    assert (found.value, found.base_value, found.changed_by, found.reason) == (0.5, 0.35, "Test site", "local data")
    assert found.where.line == 4
    assert changed.titles == ("Test site",)


def test_spread_follows_the_value(apply, base):
    """A distribution not given keeps its relative spread around the new value; the range widens to hold it."""
    changed = apply('[override.c_coil]\nvalue = 400\nreason = "x"\n[override.hr_glue]\nvalue = 0.8\nreason = "x"\n')
    old, new = base["c_coil"], changed["c_coil"]
    assert new.distribution.mean == pytest.approx(400)
    assert new.distribution.sd / 400 == pytest.approx(old.distribution.sd / old.distribution.mean)
    assert changed["hr_glue"].range.high == 0.8
    assert "widened" in changed["hr_glue"].range.basis


def test_given_fields_replace_the_old(apply):
    """A distribution, range or note that is given is taken."""
    changed = apply(
        '[override.hr_glue]\nvalue = 0.5\ndistribution = { family = "lognormal", se_log = 0.1 }\n'
        'range = { low = 0.4, high = 0.6, basis = "95% interval" }\nnote = "n"\nreason = "x"\n'
    )["hr_glue"]
    assert changed.distribution.fields["sigma"] == 0.1
    assert (changed.range.low, changed.range.basis, changed.note) == (0.4, "95% interval", "n")


def test_a_new_status_starts_with_a_clean_slate(apply):
    """The source of the old value does not vouch for the new one."""
    changed = apply('[override.hr_glue]\nvalue = 0.5\nstatus = "local"\nreason = "audit"\n')["hr_glue"]
    assert (changed.status, changed.source, changed.locator, changed.derivation) == ("local", "", "", "")


def test_a_new_input_and_a_new_strategy(apply):
    """A site may add an input and a strategy that names it."""
    changed = apply(
        '[input.hr_sponge]\nlabel = "Bleeding rate after sponge"\nvalue = 0.5\nunit = "hazard ratio"\n'
        'status = "assumption"\nrationale = "r"\ndistribution = { family = "fixed", reason = "r" }\n'
        '[strategy.sponge]\nlabel = "Gelatin sponge"\nstarts_in = "protected"\nhr_gastric = ["hr_sponge"]\n'
        'effect_full_years = "n_effect_full_years_drug"\neffect_none_years = "n_effect_none_years_drug"\n'
    )
    assert changed["hr_sponge"].changed_by == "Test site"
    assert changed.strategies["sponge"].hr_gastric == ("hr_sponge",)
    assert list(changed.strategies)[-1] == "sponge"


def test_a_strategy_changes_only_in_the_fields_given(apply, base):
    """A strategy row is overridden field by field."""
    changed = apply('[strategy.coil]\nlabel = "Coils"\nreason = "local word"\n').strategies["coil"]
    assert changed.label == "Coils"
    assert changed.hr_gastric == base.strategies["coil"].hr_gastric
    assert changed.surveillance == base.strategies["coil"].surveillance


def test_a_strategy_can_be_dropped(apply, base):
    """A dropped strategy is gone, the others keep their order."""
    changed = apply('[strategy.eus_glue]\ndrop = true\nreason = "not offered"\n')
    assert list(changed.strategies) == [k for k in base.strategies if k != "eus_glue"]


def test_overrides_stack(tmp_path):
    """Later files win, and every title is kept in order."""
    paths = []
    for n, value in enumerate((0.5, 0.6)):
        paths.append(tmp_path / f"{n}.toml")
        body = f"[override.hr_glue]\nvalue = {value}\nreason = 'x'\n"
        paths[-1].write_text(f"title = 'File {n}'\nrationale = 'r'\n{body}", encoding="utf-8")
    case = load_case(None, paths, ["hr_glue=0.7"])
    assert case.parameters.titles == ("File 0", "File 1")
    assert case.parameters["hr_glue"].value == 0.7
    assert case.parameters["hr_glue"].base_value == 0.6
    assert load_case(None, paths).parameters["hr_glue"].changed_by == "File 1"


def test_nothing_changes_when_a_file_is_refused(apply, base):
    """A file with a fault changes nothing."""
    before = base.sha256
    with pytest.raises(EconModelError):
        apply('[override.hr_glue]\nvalue = 0.5\nreason = "x"\n[override.hr_nothing]\nvalue = 1\nreason = "x"\n')
    assert base.sha256 == before


def test_set_on_the_command_line(base):
    """``--set`` changes a number or a text, says so, and names itself as the place."""
    changed = set_value(base, " hr_glue = 0.5 ")
    assert (changed["hr_glue"].value, changed["hr_glue"].changed_by) == (0.5, "command line")
    assert str(changed["hr_glue"].where).startswith("--set")
    assert set_value(base, "perspective=payer").text("perspective") == "payer"
    assert set_value(base, "horizon_years=lifetime").text("horizon_years") == "lifetime"
    assert set_value(base, "horizon_years=10").number("horizon_years") == 10.0


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("hr_glue", "NAME=VALUE"),
        ("=0.5", "NAME=VALUE"),
        ("hr_glue=", "NAME=VALUE"),
        ("hr_gleu=0.5", "hr_glue"),
        ("hr_glue=half", "must be a number"),
        ("hr_glue=nan", "must be a number"),
        ("c_bleed_mean=1.250 GBP", "must be in USD"),
        ("c_bleed_mean=9%", "must be in USD"),
        ("case_mix=1", "is a table"),
        ("p_embolism_glue=2", "between 0 and 1"),
    ],
)
def test_faulty_sets(base, text, says):
    """A faulty ``--set`` says what is wrong and shows the option."""
    with pytest.raises(ParameterError, match=says):
        set_value(base, text)


def test_a_changed_value_does_not_borrow_the_old_source(apply):
    """Without a status it is the site's own: the old source, note and date do not vouch for it; a spread alone keeps them."""
    changed = apply('date = 2026-01-31\n[override.hr_glue]\nvalue = 0.5\nreason = "audit"\n')["hr_glue"]
    assert (changed.status, changed.source, changed.locator, changed.note) == ("local", "", "", "")
    assert changed.date == date(2026, 1, 31)
    undated = apply('[override.hr_glue]\nvalue = 0.5\nreason = "audit"\n')["hr_glue"]
    assert undated.date is None
    spread = apply('[override.hr_glue]\nrange = { low = 0.1, high = 0.9, basis = "wider" }\nreason = "audit"\n')["hr_glue"]
    assert (spread.status, bool(spread.source), bool(spread.date)) == ("derived", True, True)


def test_a_date_in_quotes_is_refused(apply):
    """A date of one value is a date, not text."""
    with pytest.raises(ParameterError, match="must be a date"):
        apply('[override.hr_glue]\nvalue = 0.5\ndate = "2026"\nreason = "audit"\n')


GROUP = '{ name = NAME, share = SHARE, child = "A", size_step = 2, red_spot = 0 }'


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ('[override.c_coil]\nvalue = 240\nreason = "  "\n', "needs a reason"),
        ('[override.c_coil]\nreason = "x"\n', "changes nothing"),
        ('[override.c_coil]\nvalue = 240\nlabel = [3]\nreason = "x"\n', "label = .*must be text"),
        ('[override.c_coil]\nvalue = 240\nprice_year = "ages ago"\nreason = "x"\n', "must be a year"),
        ('[override.c_coil]\nvalue = 1e308\nreason = "x"\n', "must be within 1,000,000,000,000"),
        (f'[override.c_coil]\nvalue = {"9" * 400}\nreason = "x"\n', "has 400 digits"),
        ('[override.c_coil]\nvalue = "lifetime"\nreason = "x"\n', "must be a number"),
        ('[override.c_coil]\nvalue = 240\ndistribution = { family = ["gamma"], se = 3 }\nreason = "x"\n', "family .* is unknown"),
        ('[override.c_coil]\nrange = { low = 1, high = inf, basis = "x" }\nreason = "x"\n', "high end of the range = inf"),
        ('[override.p_sepsis_glue]\nrange = { low = 0, high = 4, basis = "x" }\nreason = "x"\n', "high end of the range = 4"),
        ('[override.hr_glue]\nrange = { low = 0, high = 1, basis = "x" }\nreason = "x"\n', "low end of the range = 0"),
    ],
)
def test_values_that_cannot_be_are_refused(apply, body, said):
    """Each is one named fault of the user, not of the program."""
    with pytest.raises(ParameterError, match=said):
        apply(body)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([("'A'", "0.5"), ("'A'", "0.5")], "a name of its own"),
        ([("[3]", "1.0")], "a name of its own"),
        ([("''", "1.0")], "a name of its own"),
        ([("'A'", "nan")], "must be numbers"),
    ],
)
def test_patient_groups_have_names_of_their_own(tmp_path, rows, said):
    """Two groups of one name would be one in the results."""
    table = ", ".join(GROUP.replace("NAME", name).replace("SHARE", share) for name, share in rows)
    path = tmp_path / "site.toml"
    path.write_text(f'{HEADER}[override.case_mix]\ntable = [{table}]\nreason = "x"\n', encoding="utf-8")
    with pytest.raises(ParameterError, match=said):
        load_case(path)


def test_notepad_files_are_read(tmp_path):
    """A byte order mark at the start is no fault; a spreadsheet in the place of the hospital's file is."""
    path = tmp_path / "site.toml"
    path.write_text(HEADER + '[override.c_coil]\nvalue = 240\nreason = "x"\n', encoding="utf-8-sig")
    assert load_case(path).parameters.number("c_coil") == 240
    with pytest.raises(ParameterError, match="is a spreadsheet"):
        load_case(tmp_path / "form.xlsx")
