"""Every rule on input files has one malformed file in ``tests/params/broken``: what its message says."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.errors import EconModelError
from econmodel.parameters import load_case

FOLDER = Path(__file__).resolve().parents[2] / "tests" / "params" / "broken"
# File: what the message names (input, value, rule), the line it points to (0: the file alone), and its fix.
EXPECTED: dict[str, tuple[tuple[str, ...], int, str]] = {
    "after_bleed_without_secondary": (
        ("cohort_start = 'post_bleed'", "every strategy must be a secondary prophylaxis", "not so watch, eus_glue, coil"),
        6,
        "drop = true",
    ),
    "detection_above_one": (("p_detect_eus = 95 (probability)", "between 0 and 1"), 6, "fraction"),
    "recurrence_on_a_drug": (("strategy beta_blocker", "r_recurrence 'r_recurrence' on a drug"), 6, "take r_recurrence out"),
    "surveillance_month_zero": (("strategy.coil", "[0, 6, 12]", "from 1 on"), 6, "months = [6, 12]"),
    "surveillance_over_before_it_starts": (("strategy.coil", "until_year = 1", "first visit, in month 18"), 6, "until_year = 2"),
    "surveillance_unordered": (("strategy.coil", "[6, 3, 12]", "rising order"), 6, "months = [3, 6, 12]"),
    "beta_off_mean": (("p_early_rebleed", "0.428571", "0.11"), 6, "give se instead"),
    "benefit_without_drug": (("strategy glue", "hr_excess_death acts under a drug only"), 6, "drug = true"),
    "classes_out_of_order": (("r_excess_death_child_b = 0.1", "r_excess_death_child_a = 0.2"), 6, "set both"),
    "complication_unknown": (("strategy.coil", "'bleeding'", "ulcer_bleed"), 6, "did you mean"),
    "currency_mix": (("c_coil", "GBP", "USD"), 6, "value in USD"),
    "distribution_field": (("hr_glue", "lognormal", "['se']"), 6, "give se_log"),
    "drop_comparator": (("comparator = 'watch'", "beta_blocker"), -1, "set comparator to one of them"),
    "drop_unknown_strategy": (("'coils'",), 6, "did you mean 'coil'?"),
    "duplicate_key": (("duplicate key",), 8, "keep one of the two"),
    "duplicate_table": (("duplicate key", "hr_glue"), 10, "keep one of the two"),
    "early_rebleed_for_certain": (("early rebleeding 1 below 1",), -1, "p_early_rebleed"),
    "effect_ends_before_it_wanes": (("n_effect_none_years_endoscopic = 3", "n_effect_full_years_endoscopic = 5"), 6, "set both"),
    "empty_mix": (("case_mix", "one or more rows"), 6, "table = ["),
    "fatality_of_one": (("p_death_six_weeks = 1", "strictly between 0 and 1"), 6, "the pooled figure too"),
    "field_at_the_top": (("'hr_glue'",), 6, "[override.hr_glue]"),
    "gamma_probability": (("p_icu_bleed", "outside its unit (probability)", "between 0 and 1"), 6, "the family beta"),
    "half_year_age": (("start_age = 58.5", "whole number"), 6, "start_age = 58"),
    "hazard_ratio_negative": (("hr_glue = -1.05 (hazard ratio)", "> 0"), 6, "exp(-1.05)"),
    "hazard_ratio_zero": (("hr_glue = 0 (hazard ratio)", "> 0"), 6, "small positive ratio"),
    "horizon_past_hundred": (("horizon_years = 60", "start_age = 60", "age 100"), 6, "horizon_years = 40"),
    "infeasible_beta": (("p_early_rebleed", "0.11", "0.4", "0.0979"), 6, "smaller se"),
    "infinite": (("hr_glue = inf", "finite"), 6, "plain number"),
    "input_already_there": (("hr_glue", "already"), 6, "[override.hr_glue]"),
    "life_table_unknown": (("life_table = 'us_2031'", "us_2013"), 6, "did you mean"),
    "lognormal_above_cut": (("hr_glue", "1.2", "upper = 1"), 6, "median"),
    "missing_rationale": (("needs a rationale",), 0, 'rationale = "..."'),
    "missing_reason": (("hr_glue", "needs a reason"), 6, 'reason = "..."'),
    "missing_title": (("needs a title",), 0, 'title = "..."'),
    "mix_missing_field": (("case_mix", "red_spot"), 6, "copy a row"),
    "negative_cost": (("c_coil = -200 (USD/coil)", ">= 0"), 6, "sign"),
    "negative_rate": (("r_other_bleed = -0.03 (per year)", ">= 0"), 6, "sign"),
    "negative_standard_error": (("c_coil", "se = -20", "> 0"), 6, "standard error"),
    "no_fatality_to_scale": (("p_death_six_weeks_child_a = 0", "strictly between 0 and 1"), 6, "give each class a value"),
    "no_label": (("hr_gelatin", "'label' is missing"), 6, "add label"),
    "no_price_year": (("c_gelatin", "price year"), 6, "price_year = "),
    "no_range": (("hr_gelatin", "needs a range"), 6, "range = {"),
    "normal_hazard_ratio": (("hr_glue", "outside its unit (hazard ratio)", "> 0"), 6, "the family lognormal"),
    "normal_price": (("c_coil", "outside its unit (USD/coil)", ">= 0"), 6, "the family gamma"),
    "not_a_file_of_inputs": (("not valid TOML",), 1, "mend that line"),
    "not_a_number": (("hr_glue = '0.5 (0.3 to 0.8)'", "must be a number"), 6, "plain number"),
    "not_text": (("cannot be read",), 0, "UTF-8"),
    "not_toml": (("not valid TOML",), 7, "mend that line"),
    "number_for_text": (("perspective = 1", "text"), 6, "quotes"),
    "probability_above_one": (("p_early_rebleed = 11 (probability)", "between 0 and 1"), 6, "fraction"),
    "probability_below_zero": (("p_early_rebleed = -0.11 (probability)", "between 0 and 1"), 6, "sign"),
    "range_without_basis": (("hr_glue", "low, high and basis"), 6, "basis ="),
    "range_without_value": (("hr_glue", "0.6 to 0.9", "0.5"), 6, "widen the range"),
    "retreat_for_certain": (("p_retreat_year_1_glue = 1", "below 1"), 6, "0.99"),
    "rising_risk_as_susceptibility": (("susceptibility cannot explain",), -1, "hazard_decline"),
    "session_unknown": (("strategy.coil", "'session_uss'", "session_eus"), 6, "did you mean 'session_eus'?"),
    "sessions_below_one": (("n_sessions_glue = 0.5", "at least 1 session"), 6, "mean sessions"),
    "shift_not_finite": (("n_sessions_glue", "shift = nan", "finite"), 6, "leave it out"),
    "share_sum": (("case_mix", "1.1", "must be 1"), 6, "not rescaled"),
    "status_without_source": (("hr_glue", "'published'", "'source'"), 6, "add source"),
    "stay_shorter_than_intensive_care": (("n_stay_days", "p_icu_bleed x n_icu_days"), 6, "every day"),
    "strategy_drug_text": (("strategy.coil", "drug = 'yes'", "true or false"), 6, "copy the form"),
    "strategy_not_a_table": (("'coil'", "must be a table"), 7, "[strategy.coil]"),
    "strategy_number_for_name": (("strategy.coil", "sessions_mean = 1.5"), 6, "numbers stand in inputs"),
    "strategy_text_for_list": (("strategy.coil", "hr_gastric = 'hr_glue'", "list"), 6, "copy the form"),
    "strategy_unknown_field": (("strategy.coil", "'hr_gastrik'"), 6, "did you mean 'hr_gastric'?"),
    "strategy_unknown_input": (("strategy.coil", "'hr_coils_vs_glue'"), 6, "did you mean 'hr_coil_vs_glue'?"),
    "strategy_unknown_start": (("strategy watch", "'at risk'", "at_risk"), 6, "did you mean 'at_risk'?"),
    "strategy_without_course": (("strategy sponge", "lacks sessions_mean"), 6, "as the strategy 'glue' does"),
    "strategy_without_effect_years": (("strategy sponge", "effect_none_years"), 6, "as the strategy 'glue' does"),
    "surveillance_negative": (("strategy.coil", "months >= 0"), 6, "months = [3, 6, 12]"),
    "surveillance_not_a_table": (("strategy.coil", "surveillance = [3, 6, 12]"), 6, "copy the form"),
    "table_for_value": (("hr_glue", "one value, not a table"), 6, "base case"),
    "table_rows_not_tables": (("case_mix", "rows"), 6, "table = ["),
    "derive_not_reproduced": (("c_coil = 210", "'1.1 * c_glue_ml' gives 66", "not rounded"), 6, "judgement"),
    "derive_unknown_name": (("c_coil", "'c_glue'", "no input"), 6, "c_glue_ml"),
    "derive_outside_grammar": (("derive = '2 * c_glue_ml)'", "at ')'"), 6, "use numbers, input names"),
    "derived_without_how": (("hr_glue", "derive, judgement or derive_not"), 6, "derive"),
    "text_in_distribution": (("hr_glue", "se_log = 'wide'", "number"), 6, "plain number"),
    "text_in_range": (("hr_glue", "low end", "'a third'", "must be a number"), 6, "plain number"),
    "text_share": (("case_mix", "must be numbers"), 6, "copy a row"),
    "true_for_number": (("n_coils_coil = True", "number"), 6, "plain number"),
    "unit_against_prefix": (("c_new_device", "'probability'", "'c_'", "money"), 6, "change the unit"),
    "unit_not_on_list": (("hr_glue", "'hazard'", "not on the list"), 6, "did you mean 'log hazard'?"),
    "unknown_choice": (("perspective = 'hospitals'", "societal"), 6, "did you mean 'hospital'?"),
    "unknown_class": (("case_mix", "'Child D'", "A, B or C"), 6, "correct that row"),
    "unknown_family": (("p_early_rebleed", "'triangular'", "beta"), 6, "from the list"),
    "unknown_field": (("hr_glue", "'resaon'"), 8, "did you mean 'reason'?"),
    "unknown_name": (("'hr_glu'",), 6, "did you mean 'hr_glue'?"),
    "unknown_source": (("hr_glue", "'mishra2012'", "sources.toml"), 6, "did you mean 'mishra2011'?"),
    "unknown_status": (("hr_glue", "'publishd'", "from memory"), 6, "did you mean 'published'?"),
    "unknown_table": (("'overide'",), 6, "did you mean 'override'?"),
    "value_and_table": (("hr_gelatin", "exactly one of value and table"), 6, "table for rows"),
    "value_for_table": (("case_mix", "is a table, not one value"), 6, "base case"),
    "value_without_table": (("'hr_glue'", "must be a table"), 7, "[override.hr_glue]"),
    "visit_unknown": (("strategy.coil", "'surveillance_mri'", "surveillance_egd"), 6, "did you mean"),
    "wrong_unit": (("c_coil", "'probability'", "'c_'", "money"), 6, "change the unit"),
}


@cache
def message(path: Path) -> str:
    """Load and evaluate a file that must be refused; returns the message."""
    with pytest.raises(EconModelError) as caught:
        evaluate(load_case(path).parameters)
    return str(caught.value)


@pytest.mark.parametrize("name", EXPECTED)
def test_message_names_what_where_and_a_fix(name: str) -> None:
    """The message names the input, the value, the rule, the file and line, and one fix."""
    parts, line, fix = EXPECTED[name]
    text = message(FOLDER / f"{name}.toml")
    for part in parts:
        assert part in text
    fixes = [row for row in text.splitlines() if row.startswith("  fix:")]
    assert any(fix in row for row in fixes), text
    if line >= 0:
        place = rf"tests/params/broken/{name}\.toml" + (rf", line {line}\b" if line else "")
        assert re.search(place, text), text


@pytest.mark.parametrize("name", EXPECTED)
def test_one_mistake_is_one_fault(name: str) -> None:
    """One mistake gives one message, or two where it breaks two rules; never a page of them, never a traceback."""
    text = message(FOLDER / f"{name}.toml")
    faults = [row for row in text.splitlines() if re.match(r"\w+Error: ", row)]
    assert 1 <= len(faults) <= 2
    assert "Traceback" not in text


def test_every_malformed_file_is_expected() -> None:
    """No file of the folder goes untested."""
    assert {path.stem for path in FOLDER.glob("*.toml")} == set(EXPECTED)


@pytest.mark.parametrize(("path", "says"), [(FOLDER / "no_such_file.toml", "is not there"), (FOLDER, "is a folder")])
def test_a_missing_file_is_named(path: Path, says: str) -> None:
    """A path that leads nowhere is shown, with where hospital files stand."""
    text = message(path)
    assert says in text
    assert path.name in text
    assert "params/hospitals/" in text


def test_all_faults_of_a_file_are_listed_at_once(tmp_path: Path) -> None:
    """Three mistakes in one file are three faults with their own lines."""
    path = tmp_path / "three.toml"
    path.write_text(
        'title = "t"\nrationale = "r"\n[override.hr_glu]\nvalue = 0.5\nreason = "x"\n'
        '[override.hr_coil_vs_glue]\nvalue = -1\nreason = "x"\n[override.c_coil]\nvalue = 1\n',
        encoding="utf-8",
    )
    text = message(path)
    assert text.count("ParameterError") == 3
    assert all(f"three.toml, line {n}" in text for n in (3, 6, 9))


def test_the_same_file_without_its_mistake_loads(tmp_path: Path) -> None:
    """Negative control: a file mended as its fix says is accepted."""
    mended = (FOLDER / "probability_above_one.toml").read_text(encoding="utf-8").replace("= 11", "= 0.11")
    path = tmp_path / "mended.toml"
    path.write_text(mended, encoding="utf-8")
    case = load_case(path)
    assert case.parameters.number("p_early_rebleed") == 0.11
    assert case.parameters["p_early_rebleed"].changed_by == "A site with one mistake (fictional)"
