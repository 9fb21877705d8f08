"""Documents: TOML with the line of every table and key."""

from pathlib import Path

import pytest

from econmodel.errors import ParameterError
from econmodel.package import own_file, params_folder
from econmodel.parameters.documents import display_path, line_numbers, parse_toml, read_document
from econmodel.parameters.loading import read_life_table

TEXT = 'title = "t"\n\n[override.a]\n# note\nvalue = 1\n  reason = "r"\n\n[[rows]]\nx = 1\n'


@pytest.fixture
def document(tmp_path: Path):
    path = tmp_path / "site.toml"
    path.write_text(TEXT, encoding="utf-8")
    return read_document(path)


def test_lines_of_tables_and_keys():
    """Every table header and key has its line; text before the first table belongs to no table."""
    assert line_numbers(TEXT) == {
        ("", "title"): 1,
        ("override.a", ""): 3,
        ("override.a", "value"): 5,
        ("override.a", "reason"): 6,
        ("rows", ""): 8,
        ("rows", "x"): 9,
    }


def test_where_points_to_the_key_or_else_its_table(document):
    """A key points to its own line, an absent key to its table, a heading to the first table below it."""
    assert document.where("override.a", "value").line == 5
    assert document.where("override.a", "range").line == 3
    assert document.where("override").line == 3
    assert document.where("title").line == 1
    assert document.where("nothing").line is None
    assert str(document.where("override.a", "value")).endswith("site.toml, line 5, [override.a]")


def test_tables_below_a_heading(document):
    """Tables below a heading come by name; an absent heading has none; a plain value is refused."""
    assert document.tables("override") == {"a": {"value": 1, "reason": "r"}}
    assert document.tables("strategy") == {}
    with pytest.raises(ParameterError, match="must be a table"):
        document.tables("title")


def test_own_inputs_are_shown_alike_from_any_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """The model's own inputs are shown, and found, as ``params/...`` from any folder; another path in full."""
    own = params_folder() / "sources.toml"
    assert display_path(own) == "params/sources.toml"
    monkeypatch.chdir(tmp_path)
    assert display_path(own) == "params/sources.toml"
    assert own_file(Path("params/sources.toml")) == own
    (tmp_path / "params").mkdir()
    (tmp_path / "params" / "sources.toml").touch()
    assert own_file(Path("params/sources.toml")) == Path("params/sources.toml")
    assert display_path(Path("/nowhere/else.toml")) == "/nowhere/else.toml"


def test_comments_do_not_count_as_keys():
    """A key in a comment is no key."""
    assert line_numbers("# value = 1\nvalue = 2\n") == {("", "value"): 2}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("a = " + "[" * 450 + "]" * 450, "nested more than"),
        (".".join(["a"] * 1200) + " = 1", "more than the allowed 1000 parts"),
        ("[" + ".".join(["a"] * 1200) + "]", "more than the allowed 1000 parts"),
        ("a = " + "9" * 5000, "4300 digits"),
        ('a = "b\\u0000c"', "control characters"),
        ('a = [{ "\\u001b[31m" = 1 }]', "control characters"),
        ('a = "b\0"', "not valid TOML"),
    ],
)
def test_toml_beyond_all_use_is_one_message(text: str, says: str) -> None:
    """Deep nesting, endless keys and numbers, control characters: what a library ends on is bad input, not a fault of ours."""
    with pytest.raises(ParameterError, match=says) as refused:
        parse_toml(text, "site.toml")
    assert len(str(refused.value)) < 300


def test_a_path_that_no_file_system_takes_is_not_there(tmp_path: Path) -> None:
    """A name over 255 characters, a NUL: refused by whoever reads it."""
    for name in ("x" * 300, "a\0b.toml"):
        with pytest.raises(ParameterError, match="cannot be read"):
            read_document(tmp_path / name)
        with pytest.raises(ParameterError, match="is not in params/tables"):
            read_life_table(name.removesuffix(".toml"))
