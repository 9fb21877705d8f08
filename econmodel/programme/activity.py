"""Activity of the programme by month: starts convolved with activity per start.

``Activity[t, a] = sum over start months k of starts[k] x profile[a, t - k]``, once for the proposed mix and once for
the current mix of the same patients; their difference is what the programme changes. Those who wait are the same
with and without the programme and so are in neither.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import AnalysisError
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.intake import mix_profile
from econmodel.programme.protocols import ProfilesLike

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class ProgrammeActivity:
    """Activity of those who started, under both mixes; arrays (draw, month, activity)."""

    activities: tuple[str, ...]
    proposed: FloatArray
    current: FloatArray
    run_off: FloatArray
    run_off_months: int

    @property
    def change(self) -> FloatArray:
        """Proposed less current."""
        return self.proposed - self.current

    def total(self, array: FloatArray, *names: str) -> FloatArray:
        """Sum of the named activities, shape (draw, month); a name the model does not count adds nothing."""
        where = [i for i, name in enumerate(self.activities) if name in names]
        return np.asarray(array[..., where].sum(axis=-1))

    def scaled(self, factor: FloatArray) -> ProgrammeActivity:
        """Activity of ``factor`` times as many patients; a factor of shape (n,) makes n draws of one."""
        by, off = factor[:, None, None], factor[:, None]
        return ProgrammeActivity(self.activities, self.proposed * by, self.current * by, self.run_off * off, self.run_off_months)


def convolve(starts: FloatArray, profile: FloatArray) -> FloatArray:
    """Activity by calendar month of patients who start over time.

    Parameters
    ----------
    starts
        Patients who start in each month, shape (draw, month).
    profile
        Activity per patient by month after the start, shape (draw, month, activity), at least as long as ``starts``.

    Returns
    -------
    ndarray of shape (draw, month, activity)

    Examples
    --------
    >>> convolve(np.array([[2.0, 1.0]]), np.array([[[1.0], [10.0]]]))[0, :, 0]
    array([ 2., 21.])
    """
    n = starts.shape[1]
    lag = np.arange(n)[:, None] - np.arange(n)[None, :]
    toeplitz = np.where(lag >= 0, starts[:, lag.clip(0)], 0.0)
    return np.asarray(toeplitz @ profile[:, :n, :])


def run_off(starts: FloatArray, profile: FloatArray) -> FloatArray:
    """Activity after the last budget month of those who started before it, shape (draw, activity).

    Counts the months that the profile still covers for every starter: from the end of the budget to the end of the
    profile.
    """
    n, length = starts.shape[1], profile.shape[1]
    summed = np.concatenate([np.zeros_like(profile[:, :1]), profile.cumsum(axis=1)], axis=1)
    start_month = np.arange(n)
    later = summed[:, length - start_month] - summed[:, n - start_month]
    return np.asarray((starts[:, :, None] * later).sum(axis=1))


def programme_activity(inputs: ProgrammeInputs, profiles: ProfilesLike, starts: FloatArray) -> ProgrammeActivity:
    """Activity of the starters under the proposed and the current mix.

    Raises
    ------
    AnalysisError
        The profiles are shorter than the budget.
    """
    length = profiles.counts.shape[2]
    if length < inputs.n_months:
        what = f"activity per start covers {length} months, the budget needs {inputs.n_months}"
        raise AnalysisError(what, fix="compute the profiles over at least the budget's months")
    proposed, current = (mix_profile(profiles, mix) for mix in (inputs.proposed_mix, inputs.current_mix))
    return ProgrammeActivity(
        profiles.activities,
        convolve(starts, proposed),
        convolve(starts, current),
        run_off(starts, proposed - current),
        length - inputs.n_months,
    )
