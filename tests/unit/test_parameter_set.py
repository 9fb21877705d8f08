"""The set of inputs: look-up, checks as a whole, and the hash of what moves a result."""

from dataclasses import replace

import pytest

from econmodel.errors import EconModelError, ParameterError, SourceError
from econmodel.parameters.rules import check
from econmodel.parameters.schema import JointGroup, Where


def with_input(base, name, **fields):
    return replace(base, parameters=base.parameters | {name: replace(base[name], **fields)})


def test_the_base_case_passes_its_own_checks(base):
    """The shipped inputs break no rule."""
    check(base)


def test_look_up_suggests_the_nearest_name(base):
    """An unknown name is refused with a suggestion; a setting has no number."""
    with pytest.raises(ParameterError, match="hr_glue"):
        base["hr_gluee"]
    with pytest.raises(ParameterError, match="must be a number"):
        base.number("perspective")
    assert base.text("perspective") == "hospital"
    assert [row["child"] for row in base.rows("case_mix")] == ["A", "A", "B", "B", "C", "C"]
    assert base.rows("hr_glue") == ()


def test_numeric_inputs_leave_out_texts_and_tables(base):
    """Only single numbers count as numeric."""
    numeric = base.numeric()
    assert "hr_glue" in numeric
    assert not {"perspective", "case_mix", "horizon_years"} & set(numeric)


def test_a_changed_value_leaves_the_original_alone(base):
    """A copy with another value is a copy."""
    assert base.with_value("hr_glue", 0.9).number("hr_glue") == 0.9
    assert base.number("hr_glue") == 0.35


def test_hash_follows_what_moves_results(base):
    """The hash changes with a value, a spread, a row or a group, not with a label or the place of typing."""
    same = with_input(base, "hr_glue", label="other words", where=Where("elsewhere.toml", 9))
    assert same.sha256 == base.sha256
    spread = replace(base["hr_glue"].distribution, fields=base["hr_glue"].distribution.fields | {"sigma": 0.4})
    changed = [
        base.with_value("hr_glue", 0.36),
        with_input(base, "hr_glue", distribution=spread),
        replace(base, strategies=dict(list(base.strategies.items())[:-1])),
        replace(base, correlated=()),
    ]
    assert len({base.sha256, *(c.sha256 for c in changed)}) == 5


def test_unknown_source(base):
    """A source key that is not in sources.toml is a source error."""
    with pytest.raises(SourceError, match="'mishra'"):
        check(with_input(base, "hr_glue", source="mishra"))


@pytest.mark.parametrize(
    ("name", "value"), [("comparator", "wait"), ("secondary_prophylaxis", "none"), ("life_table", "us_1066"), ("effect_clock", "noon")]
)
def test_values_outside_their_choices(base, name, value):
    """A setting outside its choices is refused; comparator and secondary prophylaxis choose among the rows."""
    with pytest.raises(ParameterError, match=value):
        check(with_input(base, name, value=value))


def test_a_secondary_row_naming_an_unknown_input(base):
    """Rows of secondary prophylaxis are checked as strategy rows are."""
    row = replace(base.secondary["glue"], sessions="n_sessions_nothing")
    with pytest.raises(ParameterError, match="n_sessions_nothing"):
        check(replace(base, secondary=base.secondary | {"glue": row}))


def test_groups_naming_unknown_inputs(base):
    """A joint group may only name inputs."""
    with pytest.raises(ParameterError, match="hr_nothing"):
        check(replace(base, correlated=(JointGroup("g", ("hr_glue", "hr_nothing"), Where("f", 1, "correlated.g")),)))


@pytest.mark.parametrize(
    ("direction", "values", "passes"),
    [
        ("up", (0.1, 0.2), True),
        ("up", (0.2, 0.2), True),
        ("up", (0.3, 0.2), False),
        ("down", (0.3, 0.2), True),
        ("down", (0.2, 0.3), False),
    ],
)
def test_order_of_groups(base, direction, values, passes):
    """Values of an ordered group keep their order; equal ones pass."""
    changed = base.with_value("p_embolism_glue", values[0]).with_value("p_sepsis_glue", values[1])
    group = JointGroup("g", ("p_embolism_glue", "p_sepsis_glue"), Where("f", 1, "ordered.g"), direction)
    case = replace(changed, ordered=(group,))
    if passes:
        check(case)
    else:
        with pytest.raises(ParameterError, match="p_sepsis_glue"):
            check(case)


def test_all_faults_are_listed_once(base):
    """Every fault is told, each once, though several rows share it."""
    case = with_input(base, "n_effect_none_years_endoscopic", value=1.0)
    case = with_input(case, "hr_glue", source="mishra")
    with pytest.raises(EconModelError) as caught:
        check(case)
    assert str(caught.value).count("n_effect_none_years_endoscopic = 1") == 1
    assert "'mishra'" in str(caught.value)
    assert caught.value.what == "2 faults"


def test_equal_years_of_effect_are_a_step(base):
    """Full and no effect at the same year are allowed: the effect stops at once."""
    check(with_input(base, "n_effect_none_years_endoscopic", value=5.0))


@pytest.mark.parametrize("name", ["p_first_bleed_year_1", "p_retreat_year_1_coil"])
def test_a_certain_event_has_no_rate(base, name):
    """A yearly probability of 1 cannot be turned into a rate."""
    with pytest.raises(ParameterError, match=f"{name} = 1"):
        check(with_input(base, name, value=1.0))
