"""Nothing stands in the package that nothing calls; what only tests or other programs call is listed, with the reason."""

from __future__ import annotations

from pathlib import Path

from vulture import Vulture

ROOT = Path(__file__).resolve().parents[1]
KINDS = {"function", "method", "class", "property", "import", "unreachable_code"}
CALLED_ELSEWHERE = {
    "__getattr__": "Python itself calls it",
    "list_commands": "the command-line library calls it",
    "distribution_version": "the build calls it",
    "record_of": "golden tests write with it what inputs stood on when they were shipped",
    "in_memory": "tests hold the draws' store to its two places",
}


def unused(*paths: Path) -> dict[str, str]:
    """Functions, methods, classes and imports that no code of these paths names: name to place."""
    found = Vulture()
    found.scavenge([str(path) for path in paths])
    return {item.name: f"{item.filename}:{item.first_lineno}" for item in found.get_unused_code() if item.typ in KINDS}


def test_everything_is_called_or_listed() -> None:
    """Take out what nothing calls; and from the list, what is called by now or gone."""
    found = unused(ROOT / "econmodel", ROOT / "app.py")
    assert {name: place for name, place in found.items() if name not in CALLED_ELSEWHERE} == {}
    assert set(CALLED_ELSEWHERE) - set(found) == set()


def test_a_planted_function_is_seen(tmp_path: Path) -> None:
    """Negative control: one that nothing calls is found, one that is called is not."""
    (tmp_path / "planted.py").write_text("def used():\n    return 1\n\n\ndef idle():\n    return used()\n", encoding="utf-8")
    assert set(unused(tmp_path)) == {"idle"}
