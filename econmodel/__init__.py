"""Health-economic decision model for the prophylaxis of gastric variceal bleeding.

A planning model for services; it is not advice for a patient.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from econmodel.interfaces.api import Case


def load(file: str | Path | None = None, overrides: Sequence[str | Path] = (), sets: Sequence[str] = ()) -> Case:
    """Load a case from a hospital file.

    Parameters
    ----------
    file
        Hospital file (TOML); None for the fictional demonstration hospital. ``params/...`` names the model's own files.
    overrides
        Further override files, or filled forms (XLSX), applied in order.
    sets
        ``NAME=VALUE`` texts, applied last.

    Raises
    ------
    EconModelError
        Every fault found, with file and line.

    Examples
    --------
    >>> import econmodel
    >>> case = econmodel.load("params/hospitals/demo.toml", sets=["c_coil=210"])
    >>> result = case.run(draws=20)
    >>> coil = result.strategy("coil_and_glue")
    >>> 0 < coil.cost_at(5) < coil.cost  # the first five years, and the lifetime; both discounted
    True
    >>> against = result.compare("coil_and_glue", "watch")
    >>> against.headline.nnt[5].kind, against.headline.bleeds_averted_per_100 > 0
    ('NNTB', True)
    >>> likely = result.risk.against("watch", "coil_and_glue")
    >>> likely.headline_cost.low < likely.headline_cost.mean < likely.headline_cost.high
    True
    """
    from econmodel.interfaces import api

    return api.load(file, overrides, sets)


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
