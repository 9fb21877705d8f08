"""The disease structure as declared: states, moves and its optional parts."""

import pytest

from econmodel.model.structure import MOVE_LABELS, NEVER_BLED, STATE_LABELS, build_structure

PLAIN = build_structure()


def test_the_eight_states():
    """Eight states in the order of the design, death last, each with a label."""
    assert [s.key for s in PLAIN.states] == list(STATE_LABELS)
    assert [s.label for s in PLAIN.states] == list(STATE_LABELS.values())
    assert PLAIN.index["dead"] == 7


@pytest.mark.parametrize("options", [{}, {"vintages": 3}, {"spans": (12,)}, {"vintages": 2, "spans": (2, 3)}])
def test_every_structure_is_sound(options):
    """States are unique, moves join known states, nothing leaves death, no move is declared twice, all are named."""
    found = build_structure(**options)
    keys = [s.key for s in found.states]
    assert len(keys) == len(set(keys))
    assert keys[-1] == "dead"
    assert all(m.source in keys and m.target in keys and m.source != "dead" for m in found.moves)
    assert len(set(found.moves)) == len(found.moves)
    assert {m.kind for m in found.moves} <= set(MOVE_LABELS)
    assert {s.family for s in found.states} == set(STATE_LABELS)
    moves = found.engine_moves()
    assert (moves.n_states, moves.sink) == (len(keys), len(keys) - 1)


def test_every_living_state_can_die_and_only_bleeding_kills_by_bleeding():
    """Each living state has a way to death; death from a bleed comes from bleeding states alone."""
    deadly = {m.source for m in PLAIN.moves if m.target == "dead"}
    assert deadly == set(STATE_LABELS) - {"dead"}
    assert {m.source for m in PLAIN.moves if m.kind == "bleed_death"} == {"bleeding", "rebleeding"}
    assert {m.source for m in PLAIN.moves if m.kind == "procedure_death"} == {"in_course"}


def test_first_bleeds_come_from_never_bled_states():
    """A first bleed ends in the first bleeding state, whatever its source; a later one in the other."""
    first = [m for m in PLAIN.moves if m.kind in ("gastric_bleed", "other_bleed")]
    assert {m.source for m in first} == set(NEVER_BLED)
    assert {m.target for m in first} == {"bleeding"}
    assert {m.target for m in PLAIN.moves if m.kind in ("early_rebleed", "late_rebleed")} == {"rebleeding"}


def test_a_bleed_lasts_one_cycle():
    """Nothing keeps a patient bleeding: death, rebleeding or recovery."""
    for state in ("bleeding", "rebleeding"):
        assert {m.kind for m in PLAIN.moves if m.source == state} == {"bleed_death", "early_rebleed", "recover"}


def test_split_states_report_under_their_family():
    """Parts of a split state share its label and family."""
    found = build_structure(vintages=3, spans=(12, 48))
    assert [found.states[i].part for i in found.family("protected")] == [0, 1, 2]
    assert [found.states[i].part for i in found.family("post_bleed")] == [1, 2, 0]
    assert {found.states[i].label for i in found.family("post_bleed")} == {"Post-bleed"}
    assert all(found.moves[i].kind == "finish" for i in found.kinds("finish"))


def test_months_after_a_bleed_pass_in_order():
    """Each recent month leads to the next and the last to the lasting state, which recovery never enters directly."""
    whole = build_structure(spans=(1, 1))
    assert [(w.source, w.target, w.months) for w in whole.waits] == [
        ("post_bleed_span_1", "post_bleed_span_2", 1),
        ("post_bleed_span_2", "post_bleed", 1),
    ]
    assert {m.target for m in whole.moves if m.kind == "recover"} == {"post_bleed_span_1"}
    found = build_structure(spans=(2,)).by_month()
    assert found.waits == ()
    ages = [(m.source, m.target) for m in found.moves if m.kind == "ages"]
    assert ages == [("post_bleed_span_1_month_1", "post_bleed_span_1_month_2"), ("post_bleed_span_1_month_2", "post_bleed")]
    assert {m.target for m in found.moves if m.kind == "recover"} == {"post_bleed_span_1_month_1"}
