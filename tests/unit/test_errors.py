"""Named errors: what, where and fix on their own lines, and several faults as one."""

import pytest

from econmodel.errors import MOST_FAULTS, EconModelError, ModelError, ParameterError, SourceError, join_faults


def test_a_message_has_what_where_and_fix():
    """The text is what went wrong, then where, then one fix; parts not given leave no line."""
    fault = ParameterError("x = 2: must be below 1", where="site.toml, line 3", fix="x = 0.2")
    assert str(fault).splitlines() == ["ParameterError: x = 2: must be below 1", "  where: site.toml, line 3", "  fix:   x = 0.2"]
    assert str(ModelError("it broke")) == "ModelError: it broke"


def test_every_error_can_be_caught_as_one():
    """All are faults of the user's input, and value errors."""
    for kind in (ParameterError, SourceError, ModelError):
        assert issubclass(kind, EconModelError)
        assert issubclass(kind, ValueError)


def test_one_fault_stays_itself():
    """A single fault keeps its class."""
    fault = SourceError("a")
    assert join_faults([fault]) is fault
    assert join_faults([fault, SourceError("a")]) is fault


def test_several_faults_are_listed_once_each():
    """Two faults are one error that tells both; a repeated one is told once."""
    joined = join_faults([SourceError("a"), ModelError("b"), SourceError("a")])
    assert joined.what == "2 faults"
    assert str(joined) == "SourceError: a\nModelError: b"
    with pytest.raises(EconModelError):
        raise joined


def test_messages_are_cut_and_escaped_in_one_place():
    """Six thousand characters, terminal codes, half a character, hundreds of faults: short and legible, other spaces kept."""
    long = str(ParameterError("x" * 6000, where="y" * 6000, fix="z" * 6000))
    assert len(long) < 2100
    assert "5,400 characters" in long
    shown = str(ParameterError("a\x1b[31m\x07\udcff\u00a0é", where="b\0"))
    assert shown == "ParameterError: a\\x1b[31m\\x07\\udcff\u00a0é\n  where: b\\x00"
    many = str(join_faults([ModelError(f"fault {n}") for n in range(500)])).splitlines()
    assert (len(many), many[-1]) == (MOST_FAULTS + 1, "... and 460 more")
