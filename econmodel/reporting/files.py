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


def indented_json(document: Mapping[str, Any] | Sequence[Any]) -> str:
    """JSON with one value a line and a newline at the end; a number that is not finite is refused."""
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def json_text(document: Mapping[str, Any]) -> str:
    """JSON with one line per entry of each top-level block: quick to write, and a change shows where it is."""
    blocks = []
    for key, block in document.items():
        if isinstance(block, Mapping) and block:
            lines = [f" {json.dumps(name)}: {json.dumps(value, ensure_ascii=False, allow_nan=False)}"
                     for name, value in block.items()]
            blocks.append(f"{json.dumps(key)}: {{\n" + ",\n".join(lines) + "\n}")
        else:
            blocks.append(f"{json.dumps(key)}: {json.dumps(block, ensure_ascii=False, allow_nan=False)}")
    return "{\n" + ",\n".join(blocks) + "\n}\n"


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
