"""Write files whole or not at all: to a temporary name beside the target, then renamed."""

from __future__ import annotations

import csv
import io
import json
import os
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def write_bytes(path: Path, content: bytes) -> Path:
    """Write a file whole or not at all; missing folders are made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        temporary.chmod(0o644)
        temporary.replace(path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    return path


def write_text(path: Path, text: str) -> Path:
    """Write a UTF-8 text file whole or not at all."""
    return write_bytes(path, text.encode("utf-8"))


def json_text(document: Mapping[str, Any] | Sequence[Any]) -> str:
    """JSON with one line per item, or per entry of a block: quick to write, and a change shows where it is.

    A number that is not finite is refused.
    """
    if not isinstance(document, Mapping):
        return "[\n" + ",\n".join(map(_compact, document)) + "\n]\n"
    blocks = []
    for key, block in document.items():
        text = _compact(block)
        if isinstance(block, Mapping) and block:
            text = "{\n" + ",\n".join(f" {_compact(name)}: {_compact(value)}" for name, value in block.items()) + "\n}"
        elif isinstance(block, list) and block and isinstance(block[0], Mapping):
            text = "[\n" + ",\n".join(f" {_compact(item)}" for item in block) + "\n]"
        blocks.append(f"{_compact(key)}: {text}")
    return "{\n" + ",\n".join(blocks) + "\n}\n"


def _compact(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def write_csv(path: Path, rows: Iterable[Mapping[str, Any]], columns: Sequence[str] | None = None) -> Path:
    """Write rows as CSV; text that a spreadsheet would run as a formula is quoted with an apostrophe.

    Parameters
    ----------
    rows
        One mapping per line; numbers keep their full precision.
    columns
        Order of the columns; None takes the keys of the first row.
    """
    listed = list(rows)
    names = list(columns or (listed[0] if listed else ()))
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(names)
    writer.writerows([_cell(row.get(name)) for name in names] for row in listed)
    return write_text(path, stream.getvalue())


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, str) and value.startswith(FORMULA_STARTS):
        return "'" + value
    return repr(float(value)) if isinstance(value, float) else value
