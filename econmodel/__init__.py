"""Health-economic decision model for the prophylaxis of gastric variceal bleeding.

A planning model for services; it is not advice for a patient.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def __getattr__(name: str) -> str:
    """Tell the version when it is asked for: it takes a look at git in a checkout."""
    if name != "__version__":
        what = f"module 'econmodel' has no attribute {name!r}"
        raise AttributeError(what)
    from econmodel.package import version

    return version()


def look_up(folder: Path, call: tuple[str, ...]) -> float:
    """Answer what a derivation looks up in the tables of evidence: where inputs, which stand lowest, reach up to it."""
    from econmodel.evidence.tables import look_up as answer

    return answer(folder, call)
