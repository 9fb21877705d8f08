"""The NNT of a registry: against its own untreated patients, or against a comparator that is borrowed and says so.

The interval of the difference is put together from the two curves' own intervals (variance estimates recovered from
confidence limits), which stays honest where one side has no bleeds.

References
----------
Zou GY, Donner A. Construction of confidence limits about effect measures: a general approach. Statistics in Medicine
2008;27:1693-1702.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from econmodel.evidence.nnt import NumberNeededToTreat
from econmodel.evidence.registry.settings import HORIZONS

OWN = "own untreated patients"
BORROWED = "borrowed comparator"
NOT_RANDOMISED = "Patients were not allocated at random: those treated may differ from those not."
NO_INTERVAL = "The borrowed risk is taken as known exactly, so the interval is too narrow."
NOTHING_TO_COMPARE = "No untreated rows: only the risk of the treated is known, and no NNT follows from it."


def compare(rows: list[dict[str, Any]], borrowed: Mapping[int, float]) -> dict[str, Any]:
    """Compare each treated strategy with the untreated at every horizon.

    Parameters
    ----------
    rows
        Estimates, as :func:`~econmodel.evidence.registry.estimates.estimate_all` gives them.
    borrowed
        Untreated cumulative risk by horizon, used only where the registry has no untreated patients.

    Returns
    -------
    dict
        ``comparator`` (own untreated patients, borrowed comparator or none), ``caution``, and by strategy and horizon
        the ``arr``, its interval, and the ``nnt``.
    """
    risks = {r["strategy"]: r["cumulative_incidence"] for r in rows if r["group"] == "all"}
    own = risks.pop("watch", None)
    if own is None and not borrowed:
        return {"comparator": None, "caution": NOTHING_TO_COMPARE, "strategies": {}}
    untreated = own or {str(t): dict.fromkeys(("value", "low", "high"), borrowed.get(t)) for t in HORIZONS}
    label = OWN if own else BORROWED
    found = {key: {t: _difference(risk[t], untreated[t], int(t), label) for t in risk} for key, risk in risks.items()}
    return {"comparator": label, "caution": NOT_RANDOMISED if own else NO_INTERVAL, "strategies": found}


def _difference(treated: Mapping[str, Any], untreated: Mapping[str, Any], years: int, label: str) -> dict[str, Any] | None:
    if treated["value"] is None or untreated["value"] is None:
        return None
    arr = untreated["value"] - treated["value"]
    low = arr - math.hypot(untreated["value"] - untreated["low"], treated["high"] - treated["value"])
    high = arr + math.hypot(untreated["high"] - untreated["value"], treated["value"] - treated["low"])
    nnt = NumberNeededToTreat(arr, low, high, float(years), "cumulative incidence, death competing")
    return {
        "arr": arr,
        "low": low,
        "high": high,
        "nnt": {"value": nnt.value, "kind": nnt.kind},
        "interval_text": nnt.interval_text,
        "comparator": label,
    }
