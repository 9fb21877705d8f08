"""What studies count: bleeds and deaths on each scale, rebleeds by source, an open varix, another course."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from econmodel.errors import AnalysisError
from econmodel.model.endpoints import risk_by
from econmodel.model.follow_up import follow, patients_who_bled, without_competing
from econmodel.model.inputs import ModelInputs, resolve
from econmodel.parameters.loading import load_case


@cache
def never_bled(basis: str = "process") -> ModelInputs:
    return resolve(load_case(None, (), [f"effect_basis={basis}"]).parameters)


@cache
def bled() -> ModelInputs:
    return patients_who_bled(load_case(None, (), ["effect_basis=process"]).parameters)


def test_first_bleeds_are_the_moves_counted() -> None:
    """Crude: as followed; Kaplan-Meier: with nothing else to leave by, and the closed form without prophylaxis."""
    inputs, months = never_bled(), [12, 26]
    _, moved = follow(inputs, 26)
    crude = moved[months][:, inputs.structure.kinds("gastric_bleed")].sum(axis=1)
    np.testing.assert_allclose(risk_by(inputs, "first_gastric_bleed", "crude", months), np.moveaxis(crude, 0, 2), rtol=1e-12)
    exposure = inputs.r_first_bleed[0] * np.array([1.0, 1 + 14 / 12 * inputs.first_bleed_time[0, 1]])
    exact = 1 - (inputs.shares[0, :, None] * np.exp(-inputs.relative[0, :, None] * exposure)).sum(axis=0)
    found = risk_by(inputs, "first_gastric_bleed", "kaplan_meier", months)
    np.testing.assert_allclose(found[0, inputs.strategies.keys.index("watch")], exact, rtol=1e-9)
    assert (found > risk_by(inputs, "first_gastric_bleed", "competing", months)).all()


def test_any_source_adds_to_gastric() -> None:
    """A first bleed from any source is likelier, on either scale."""
    for scale in ("crude", "kaplan_meier"):
        gastric, either = (risk_by(never_bled(), event, scale, [24]) for event in ("first_gastric_bleed", "first_bleed"))
        assert (either > gastric).all()


def test_death_is_occupancy() -> None:
    """Everyone dead by a month, and between months on the logarithm of survival; censoring transplants raises it."""
    inputs = never_bled()
    occupancy, _ = follow(inputs, 24)
    dead = occupancy[:, inputs.structure.index["dead"]]
    found = risk_by(inputs, "death", "crude", [23, 23.5, 24])
    np.testing.assert_allclose(found[..., 0], dead[23], rtol=1e-9)
    np.testing.assert_allclose(1 - found[..., 1], np.sqrt((1 - dead[23]) * (1 - dead[24])), rtol=1e-9)
    assert (risk_by(inputs, "death", "kaplan_meier", [24]) >= risk_by(inputs, "death", "crude", [24])).all()


def test_rebleeds_by_source_add_up() -> None:
    """Death competing, first rebleeds by source sum to all; each alone, with the other taken away, is likelier."""
    inputs = bled()
    every, gastric, other = (
        risk_by(inputs, event, "competing", [12, 60], "bleeding") for event in ("rebleed", "gastric_rebleed", "other_rebleed")
    )
    np.testing.assert_allclose(gastric + other, every, rtol=1e-12)
    assert (risk_by(inputs, "other_rebleed", "kaplan_meier", [12, 60], "bleeding") > other).all()
    assert (risk_by(inputs, "rebleed", "competing", [12], "post_bleed") < every[..., :1]).all()


@pytest.mark.parametrize("event", ["rebleed", "death"])
def test_states_split_by_class_count_as_one(event: str) -> None:
    """Where the class worsens, rebleeds stay first ones and deaths are all deaths: near those of a fixed class, and no fewer."""
    parameters = load_case(None, (), ["effect_basis=process", "child_course=worsening"]).parameters
    worse, fixed = (risk_by(inputs, event, "competing", [12], "bleeding") for inputs in (patients_who_bled(parameters), bled()))
    np.testing.assert_allclose(worse, fixed, rtol=0.15)
    assert not np.allclose(worse, fixed, rtol=1e-6)


def test_nobody_dies_on_the_kaplan_meier_scale() -> None:
    """After a bleed: early rebleeds, then both late rates, nothing else."""
    inputs = bled()
    course = without_competing(inputs).course
    assert course is not None
    late = (course.r_gastric_rebleed + course.r_other_rebleed)[0, 0]
    exact = 1 - (1 - inputs.p_early_rebleed[0]) * np.exp(-late * 23 / 12)
    assert risk_by(inputs, "rebleed", "kaplan_meier", [24], "bleeding")[0, 0, 0] == pytest.approx(exact, rel=1e-9)


def test_an_open_varix_and_another_course() -> None:
    """Better closure leaves fewer open, none all; nothing is done again before the first visit, and at it much is."""
    inputs = never_bled()
    keys = inputs.strategies.keys
    opened = risk_by(inputs, "not_closed", "crude", [3])[0, :, 0]
    assert opened[keys.index("coil_and_glue")] < opened[keys.index("eus_glue")] < opened[keys.index("watch")] == 1
    again = risk_by(inputs, "retreated", "crude", [2, 3])[0, keys.index("eus_glue")]
    assert again[0] == 0
    assert again[1] > 0.1


@pytest.mark.parametrize(("event", "start"), [("not_closed", None), ("gastric_rebleed", "bleeding")])
def test_what_the_process_alone_knows_is_refused_elsewhere(event: str, start: str | None) -> None:
    """Under intention to treat there is no varix to look at, and no source of a rebleed."""
    with pytest.raises(AnalysisError, match=event):
        risk_by(never_bled("intention_to_treat"), event, "crude", [12], start)


@pytest.mark.parametrize(("event", "start"), [("rebleed", None), ("first_bleed", "bleeding")])
def test_event_and_start_must_fit(event: str, start: str | None) -> None:
    """A rebleed follows a bleed; a first bleed does not."""
    with pytest.raises(AnalysisError, match="a rebleed follows a bleed"):
        risk_by(never_bled(), event, "crude", [12], start)
