"""What an NNT costs: break-even NNT, net cost per patient and per event averted.

``Cp`` is the prophylaxis cost of one patient, ``Ce`` the cost of one event, ``ARR`` the absolute risk reduction; all
three must share one horizon, one discounting and one definition of the event. Prophylaxis saves if and only if the
NNT is below ``Ce / Cp``, which is the same as a net cost per patient below 0.
"""

from __future__ import annotations

from econmodel.errors import AnalysisError


def break_even_nnt(prophylaxis_cost: float, event_cost: float) -> float | None:
    """Give ``Ce / Cp``: the NNT below which prophylaxis saves; None when prophylaxis costs nothing."""
    return None if prophylaxis_cost == 0 else event_cost / prophylaxis_cost


def net_cost_per_patient(prophylaxis_cost: float, event_cost: float, arr: float) -> float:
    """Give ``Cp - ARR * Ce``; below 0 is a saving.

    Examples
    --------
    >>> round(net_cost_per_patient(0.5, 1.0, 1 / 3), 6)
    0.166667
    """
    return prophylaxis_cost - arr * event_cost


def net_cost_per_event_averted(prophylaxis_cost: float, event_cost: float, nnt: float) -> float:
    """Give ``NNT * Cp - Ce``; below 0 is a saving.

    Raises
    ------
    AnalysisError
        An NNT below 1: no patient can avert more than one first event.

    Examples
    --------
    >>> net_cost_per_event_averted(0.5, 1.0, 3)
    0.5
    """
    if nnt < 1:
        what = f"NNT = {nnt:g}: an NNT to benefit is 1 or more"
        raise AnalysisError(what, fix="harm has no cost per event averted: use the net cost per patient")
    return nnt * prophylaxis_cost - event_cost
