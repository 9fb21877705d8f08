"""Derived inputs follow what moves, keep their typed bits while nothing does, and are checked when typed."""

from __future__ import annotations

import pickle
import shutil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from econmodel.errors import EconModelError
from econmodel.package import params_folder
from econmodel.parameters.documents import read_document
from econmodel.parameters.following import computed, expressions_of, follow_draws
from econmodel.parameters.loading import load_base_case, load_case
from econmodel.parameters.lookups import RECORD, chosen, record_of, shown, table_of
from econmodel.parameters.overrides import apply_override, set_value
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.sampling import sample
from tests.golden.as_shipped import shipped_calls

BASE = load_base_case("US")
SALAMA = 'salama2020_glue_none,glue_vs_none,Salama 2020,randomised trial,"Cirrhosis, GOV2 or large IGV1, never bled, Egypt",2,30,'
HEAD = 'title = "Site"\nrationale = "r"\n'


@pytest.fixture
def site(tmp_path: Path):
    """Lay the text of a hospital file over the base case."""

    def apply(text: str, onto: ParameterSet = BASE) -> ParameterSet:
        path = tmp_path / "site.toml"
        path.write_text(HEAD + text, encoding="utf-8")
        return apply_override(onto, read_document(path))

    return apply


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the inputs, to be changed."""
    return shutil.copytree(params_folder(), tmp_path / "params")


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")


def new_input(derive: str, value: float = 1.0, more: str = "") -> str:
    return (
        f'[input.c_new]\nlabel = "New"\nunit = "USD/event"\nvalue = {value}\nprice_year = 2024\nderive = "{derive}"\n{more}\n'
        'distribution = { family = "fixed", reason = "a test" }\nstatus = "demo"\nreason = "a test"\n'
    )


@pytest.mark.parametrize("country", ["US", "GB"])
def test_typed_values_run_to_the_bit(country: str) -> None:
    """While nothing moved, no input is changed: typed values, distributions and ranges stand."""
    base = load_base_case(country)
    assert {p.name for p in base.parameters.values() if p.as_typed or p.changed_by} == set()
    parent, child = {"US": ("ratio_hospital_payment", "payment_readmission"), "GB": ("c_icu_day", "c_embolism")}[country]
    again = set_value(set_value(base, f"{parent}=12345"), f"{parent}={base[parent].value!r}")
    assert again[child] == base[child]
    assert sum(p.derive is not None for p in base.parameters.values()) >= 20


def test_every_derived_input_says_how() -> None:
    """Status derived comes with an expression, or with the reason why there is none."""
    for country in ("US", "GB"):
        for p in load_base_case(country).parameters.values():
            assert p.status != "derived" or p.derive or p.judgement or p.derive_not, p.name


def test_a_child_keeps_its_ratio_to_what_was_computed(site) -> None:
    """1.25 to 2.5: the payment for a readmission moves in proportion, with its spread and range; the rounding of its own stays."""
    was, now = BASE["payment_readmission"], set_value(BASE, "ratio_hospital_payment=2.5")["payment_readmission"]
    assert now.value == pytest.approx(2 * 9200, rel=1e-12)
    assert now.distribution.sd / now.distribution.mean == pytest.approx(was.distribution.sd / was.distribution.mean, rel=1e-12)
    assert (now.range.low, now.range.high) == pytest.approx((was.range.low * 2, was.range.high * 2), rel=1e-12)
    assert (now.base_value, now.status, now.where) == (was.value, was.status, was.where)
    assert "ratio_hospital_payment" in now.changed_by
    rounded = site(new_input("c_coil / 2", 80.0, "rounded_to = 10"))
    assert set_value(rounded, "c_coil=300")["c_new"].value == pytest.approx(160.0, rel=1e-12)


def test_a_child_that_was_set_stays(site) -> None:
    """Before or after its parent, by file or by hand: a value of the site's own does not follow."""
    parent, child = "ratio_hospital_payment=2.5", "payment_readmission"
    for sets in ([f"{child}=10000", parent], [parent, f"{child}=10000"]):
        assert load_case(sets=sets).parameters[child].value == 10000.0
    own = site(f'[override.{child}]\nvalue = 10000\nreason = "own"\n')
    assert set_value(own, parent)[child].value == 10000.0
    wider = site(f'[override.{child}]\nrange = {{ low = 4000, high = 60000, basis = "own" }}\nreason = "own"\n')
    assert set_value(wider, parent)[child].value == pytest.approx(18400, rel=1e-12)


def test_grandchildren_follow(site) -> None:
    """A chain moves as a whole, in whatever order its links were typed."""
    text = new_input("2 * payment_readmission", 2 * 9200.0)
    assert set_value(site(text), "ratio_hospital_payment=2.5")["c_new"].value == pytest.approx(4 * 9200, rel=1e-12)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["c_base_rate", "c_coil", "c_ward_day"]), st.integers(100, 90000)), max_size=4))
def test_the_last_values_alone_decide(changes: list[tuple[str, int]]) -> None:
    """However often parents move, children stand where the last values put them."""
    stepwise = BASE
    for name, value in changes:
        stepwise = set_value(stepwise, f"{name}={value}")
    direct = BASE
    for name, value in dict(changes).items():
        direct = set_value(direct, f"{name}={value}")
    assert {n: p.value for n, p in stepwise.parameters.items()} == {n: p.value for n, p in direct.parameters.items()}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (new_input("1.4 * c_coil", 300.0), ("c_new = 300", "gives 210", "not rounded", "judgement")),
        (new_input("1.4 * c_coil", 300.0, "rounded_to = 20"), ("gives 210", "rounded to 20")),
        (new_input("c_coils", 200.0), ("names 'c_coils'", "did you mean 'c_coil'?")),
        (new_input("c_new + 1"), ("circle", "c_new from c_new")),
        (new_input("perspective"), ("perspective", "must be a number")),
        (new_input("payers[Medicar].share"), ("payers[Medicar].share", "did you mean 'Medicare'?")),
        (new_input("pooled(glue_vs_non, all)"), ("pooled(glue_vs_non, all)", "glue_vs_none")),
        (new_input("cpi(us_medical, 2018, 2034)"), ("us_medical has no number 'value at 2034'", "price_index.csv")),
        (new_input("c_coil - 150", 5.0, 'judgement = "x"'), ("gives 0", "derive_not")),
        (new_input("c_coil / 2", 75.0, 'derive_not = "x"'), ("derive and derive_not", "one or the other")),
        (new_input("c_coil / 2", 75.0, "rounded_to = 0"), ("rounded_to = 0", "> 0")),
        (new_input("c_coil / 2", 75.0, 'follows_draws = "yes"'), ("follows_draws = 'yes'", "true or false")),
        ('[override.c_coil]\nrounded_to = 10\nreason = "r"\n', ("rounded_to without derive", "add derive")),
        ('[override.perspective]\nvalue = "payer"\nderive = "1"\nreason = "r"\n', ("computes one number", "take it out")),
    ],
)
def test_refusals(site, text: str, words: tuple[str, ...]) -> None:
    """One message each, with name, rule, file, line and fix."""
    with pytest.raises(EconModelError) as fault:
        site(text)
    for word in (*words, "site.toml, line", "fix:"):
        assert word in str(fault.value)


def test_status_derived_without_how_is_refused(site) -> None:
    """In a hospital's file as in ours."""
    told = 'status = "derived"\nsource = "kim1997"\nlocator = "l"\nas_published = "a"\nderivation = "d"\nreason = "r"\n'
    with pytest.raises(EconModelError, match="needs derive, judgement or derive_not") as fault:
        site(f"[override.hr_glue]\nvalue = 0.4\n{told}")
    assert "site.toml, line 3" in str(fault.value)


def test_a_value_driven_out_of_bounds_is_refused() -> None:
    """A utility loss below 0 names the child, its rule and what it is derived from."""
    with pytest.raises(EconModelError, match=r"du_bleed_episode.*derivation from u_never_bled, u_bleeding"):
        load_case(sets=["u_bleeding=0.80"])


def test_a_shipped_value_changed_without_its_derivation_is_refused(folder: Path) -> None:
    """A price retyped in the list, its children not: file and line."""
    edit(folder / "prices" / "US.csv", "payment_readmission,9200,", "payment_readmission,9700,")
    with pytest.raises(EconModelError, match=r"payment_readmission = 9700.*gives 9243") as fault:
        load_base_case("US", folder)
    assert "prices/US.csv, line" in str(fault.value)


def test_circles_are_named(site) -> None:
    """Two inputs derived from each other are refused with the way round."""
    text = '[override.{}]\nvalue = 1.0\nderive = "{}"\nreason = "r"\n'
    with pytest.raises(EconModelError, match=r"c_coil from c_glue_ml from c_coil|c_glue_ml from c_coil from c_glue_ml"):
        site(text.format("c_coil", "c_glue_ml") + text.format("c_glue_ml", "c_coil"))


def test_numbers_of_a_distribution_are_computed(site) -> None:
    """A spread may be derived: it is fitted from its expression, and again when a parent moves."""
    changed = site(
        '[override.hr_glue]\ndistribution = { family = "lognormal", se_log = "pooled_se(glue_vs_none, all) * c_coil / 150" }\n'
        'reason = "r"\n'
    )
    sigma = changed["hr_glue"].distribution.fields["sigma"]
    assert sigma == pytest.approx(0.348881, abs=5e-7)
    assert set_value(changed, "c_coil=300")["hr_glue"].distribution.fields["sigma"] == pytest.approx(2 * sigma, rel=1e-12)
    assert set_value(changed, "hr_glue=0.5")["hr_glue"].spread is None


def test_draws_follow_only_where_asked(site) -> None:
    """A child keeps its own distribution in draws; ``follows_draws`` ties it to its parent's."""
    tied, loose = (site(new_input("2 * c_coil", 300.0, more)) for more in ("follows_draws = true", ""))
    drawn = sample(tied, 50, seed=1)
    np.testing.assert_allclose(drawn["c_new"], 2 * drawn["c_coil"], rtol=1e-12)
    assert set(sample(loose, 50, seed=1)["c_new"]) == {300.0}
    moved = {"c_coil": np.array([100.0, 300.0]), "c_new": np.array([300.0, 300.0])}
    changed = follow_draws(tied, sample(tied, 3, seed=1) | {n: np.append(v, v[:1]) for n, v in moved.items()})
    assert changed["c_new"].tolist() == pytest.approx([200.0, 600.0, 200.0])


def test_derivations_can_be_sent_to_workers() -> None:
    """A set with derivations is pickled for the processes that share the work."""
    assert pickle.loads(pickle.dumps(BASE))["payment_readmission"].derive == BASE["payment_readmission"].derive


def test_a_changed_study_row_moves_what_is_pooled_from_it(folder: Path) -> None:
    """Fewer bleeds after glue in one trial: the typed 0.35 moves by the ratio of the two pools, and the scenarios with it."""
    edit(folder / "tables" / "effect_studies.csv", SALAMA, SALAMA.replace(",2,30,", ",1,30,"))
    changed = load_base_case("US", folder)
    pools = [computed(p["hr_glue"], p) for p in (BASE, changed)]
    assert changed["hr_glue"].value == pytest.approx(0.35 * pools[1] / pools[0], rel=1e-12)
    assert 0.2 < changed["hr_glue"].value < 0.34
    assert changed["hr_glue"].range.low < changed["hr_glue"].value < changed["hr_glue"].range.high
    assert "effect_studies.csv" in changed["hr_glue"].changed_by
    assert changed["hr_transvenous"].value == BASE["hr_transvenous"].value
    trials = apply_override(changed, read_document(params_folder() / "scenarios" / "glue_trials_only.toml"))
    assert trials["hr_glue"].value < 0.2


def test_a_changed_price_index_and_cohort_move_theirs(folder: Path) -> None:
    """A later index raises the prices brought forward with it and what is derived from those; a cohort the untreated risk."""
    edit(folder / "tables" / "price_index.csv", ",2024,562.2,", ",2024,618.42,")
    path = folder / "tables" / "untreated_cohorts.csv"
    path.write_text(path.read_text(encoding="utf-8").replace(",34,319,,", ",68,319,,"), encoding="utf-8")
    changed = load_base_case("US", folder)
    for name in ("c_bleed_mean", "c_readmission", "ratio_bleed_rescue"):
        assert changed[name].value == pytest.approx(1.1 * BASE[name].value, rel=1e-12)
    assert changed["log_rate_mean"].value > BASE["log_rate_mean"].value + 0.02
    assert changed["p_first_bleed_year_1"].value > BASE["p_first_bleed_year_1"].value + 0.002
    assert changed["c_coil"].value == BASE["c_coil"].value


def test_the_record_is_of_the_tables_shipped() -> None:
    """``as_shipped.toml`` holds the hashes and look-ups of the tables beside it."""
    kept = (params_folder() / "tables" / RECORD).read_text(encoding="utf-8")
    assert kept == record_of(params_folder(), shipped_calls())


def test_loading_pools_nothing() -> None:
    """Every look-up of the shipped inputs is answered from the record, whatever the country."""
    for country in ("US", "GB"):
        base = load_base_case(country)
        settings = {name: p.choices for name, p in base.parameters.items() if p.choices}
        made = [{name: choices[k % len(choices)] for name, choices in settings.items()} for k in range(6)]
        calls = {
            chosen(call, lambda word, choices=choices: choices.get(word, word))  # type: ignore[misc]
            for choices in made
            for p in base.parameters.values()
            for e in expressions_of(p)
            for call in e.calls
        }
        assert {shown(call) for call in calls} <= base.tables.values.keys()
        assert {table_of(call) for call in calls} <= base.tables.as_shipped


def test_line_ends_of_a_table_are_no_change(folder: Path) -> None:
    """A table saved with other line ends is as shipped; a record cut short is refused by name."""
    path = folder / "tables" / "effect_studies.csv"
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    assert load_base_case("US", folder).tables.as_shipped == BASE.tables.as_shipped
    (folder / "tables" / RECORD).write_text("[tables\n", encoding="utf-8")
    with pytest.raises(EconModelError, match="cannot be read") as fault:
        load_base_case("US", folder)
    assert RECORD in fault.value.where


def test_without_a_record_look_ups_are_worked_out(folder: Path) -> None:
    """The same values then, only slower."""
    (folder / "tables" / RECORD).unlink()
    bare = load_base_case("US", folder)
    assert bare.tables.as_shipped == frozenset()
    assert {n: p.value for n, p in bare.parameters.items()} == {n: p.value for n, p in BASE.parameters.items()}


def test_what_ties_draws_is_in_the_hash(site) -> None:
    """Draws that follow give other results, so the inputs have another hash."""
    assert site(new_input("2 * c_coil", 300.0, "follows_draws = true")).sha256 != site(new_input("2 * c_coil", 300.0)).sha256


def test_one_way_moves_what_follows_draws(site) -> None:
    """A price tied to its parent moves with it in one-way analysis; one that is not, and one that is varied itself, do not."""
    from econmodel.uncertainty.deterministic import ask, varied

    for more, expected in (("follows_draws = true", [200.0, 500.0]), ("", [300.0, 500.0])):
        question = ask(site(new_input("2 * c_coil", 300.0, more)), "glue", "watch")
        rows = varied(question.parameters, [{"c_coil": 100.0}, {"c_coil": 100.0, "c_new": 500.0}])
        assert rows["c_new"].tolist() == pytest.approx(expected)
        assert rows["c_coil"].tolist() == [100.0, 100.0]


def untold(parameters: ParameterSet, log: str) -> list[str]:
    """Inputs whose draws follow their parents' without a line in the log of changes."""
    return [p.name for p in parameters.parameters.values() if p.follows_draws and f"`{p.name}`" not in log]


def test_draws_that_follow_are_in_the_log(site) -> None:
    """Who ties the draws of a shipped input to another's says so in CHANGES.md; negative control: one that does not."""
    log = (params_folder() / "CHANGES.md").read_text(encoding="utf-8")
    assert untold(BASE, log) == untold(load_base_case("GB"), log) == []
    assert untold(site(new_input("2 * c_coil", 300.0, "follows_draws = true")), log) == ["c_new"]
