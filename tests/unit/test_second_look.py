"""What deserves a second look: values far from ours, money of nothing, prices of another year."""

from __future__ import annotations

from pathlib import Path

import pytest

from econmodel.package import params_folder
from econmodel.parameters.loading import load_base_case, load_case
from econmodel.parameters.second_look import far_off, second_look


@pytest.mark.parametrize("hospital", sorted((params_folder() / "hospitals").glob("*.toml")), ids=lambda p: p.stem)
def test_shipped_hospitals_need_none(hospital: Path) -> None:
    """The demo hospitals are consistent, and so is the base case."""
    assert second_look(load_case(hospital).parameters) == []
    assert second_look(load_base_case()) == []


def test_wrong_unit_is_told_with_its_place() -> None:
    """A price in cents, and its tenth; twice ours is an ordinary difference."""
    told = second_look(load_case(sets=["c_ward_day=290000"]).parameters)
    assert any("c_ward_day = 290,000" in t and "100 times ours" in t and "--set" in t for t in told)
    assert far_off(2.0, 1.0) == far_off(0.5, 1.0) == far_off(5.0, 0.0) == far_off("a", 1.0) == ""
    assert far_off(0.1, 1.0)


def test_what_follows_a_change_needs_none() -> None:
    """Only the price typed a hundred times too high is named, not what was derived from it."""
    told = second_look(load_case(sets=["c_coil=20000"]).parameters)
    assert [t.split(" =")[0] for t in told] == ["c_coil"]


def test_settings_of_the_run_are_no_values_of_the_site() -> None:
    """Fewer draws and another seed are choices: nothing to look at, and no value becomes the site's own."""
    changed = load_case(sets=["draws=10", "seed=7"]).parameters
    assert second_look(changed) == []
    assert [changed[name].status for name in ("draws", "seed")] == [load_base_case()[name].status for name in ("draws", "seed")]
    assert load_case(sets=["hr_glue=0.4"]).parameters["hr_glue"].status == "local"


def test_zero_cost_and_other_price_years_are_told(tmp_path: Path) -> None:
    """Nothing where ours costs something, and prices of another year among the case's."""
    assert any("c_coil = 0 USD/coil, where ours is 150" in t for t in second_look(load_case(sets=["c_coil=0"]).parameters))
    site = tmp_path / "site.toml"
    site.write_text(
        'title = "T"\nrationale = "r"\n[override.c_coil]\nvalue = 210\nprice_year = 2019\nreason = "r"\n', encoding="utf-8"
    )
    assert any("prices of 2019 among prices of 2024" in t for t in second_look(load_case(site).parameters))
