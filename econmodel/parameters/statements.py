"""What the papers say about evidence and guidelines: kept in ``params/evidence/statements.toml``, beside the evidence.

A sentence about evidence goes out of date with it, so that none is typed in code. Read once, when a sentence is first needed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

from econmodel.errors import SourceError
from econmodel.package import params_folder
from econmodel.parameters.documents import Document, read_document
from econmodel.parameters.parsing import parse_sources
from econmodel.wording import nearest

FILE = Path("evidence") / "statements.toml"


@dataclass(frozen=True)
class Statement:
    """A sentence or two, with the sources it rests on; ``lead`` opens it where it is a caution."""

    text: str
    sources: tuple[str, ...]
    lead: str = ""


@dataclass(frozen=True)
class Position:
    """One body's position; ``read`` says how it was seen, ``from memory`` where it still has to be confirmed."""

    body: str
    position: str
    read: str
    source: str = ""


def said(key: str) -> str:
    """Text of a statement."""
    return statements()[key].text


@cache
def statements() -> dict[str, Statement]:
    """Every statement by key."""
    return read_statements(params_folder())[0]


@cache
def positions() -> tuple[Position, ...]:
    """Positions of professional bodies, in the order of the file."""
    return read_statements(params_folder())[1]


def read_statements(folder: Path) -> tuple[dict[str, Statement], tuple[Position, ...]]:
    """Read the statements and positions of a folder of inputs.

    Raises
    ------
    SourceError
        A statement has no text or no source, a position no body, position or way it was read, or a source is unknown.
    """
    document = read_document(folder / FILE)
    known = parse_sources(read_document(folder / "sources.toml"))
    found = {}
    for key, raw in document.data["statement"].items():
        sources = tuple(raw.get("sources", ()))
        _check(document, f"statement.{key}", raw, {"text", "sources"}, {"lead"}, sources, known)
        found[key] = Statement(raw["text"], sources, raw.get("lead", ""))
    bodies = []
    for key, raw in document.data["guideline"].items():
        sources = (raw["source"],) if "source" in raw else ()
        _check(document, f"guideline.{key}", raw, {"body", "position", "read"}, {"source"}, sources, known)
        bodies.append(Position(**raw))
    return found, tuple(bodies)


def _check(
    document: Document, table: str, raw: dict[str, object], needed: set[str], more: set[str], sources: tuple[str, ...], known: object
) -> None:
    where = str(document.where(table))
    if not needed <= {key for key, value in raw.items() if value} or raw.keys() - needed - more:
        what = f"{table} has {', '.join(raw) or 'nothing'}: must have {', '.join(sorted(needed))}"
        raise SourceError(what, where=where, fix=f"optional: {', '.join(sorted(more))}")
    for source in sources:
        if source not in known:  # type: ignore[operator]
            what = f"{table}: source {source!r} is not in params/sources.toml"
            raise SourceError(what, where=where, fix=nearest(source, known))  # type: ignore[arg-type]
