"""What arithmetic needs to run on numbers, on arrays and on anything else that brings its own operators."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np


def choose(condition: Any, yes: Callable[[], Any], no: Callable[[], Any]) -> Any:
    """Give one of two, of which only the one needed is worked out where the condition is plainly true or false.

    Parameters
    ----------
    condition
        True or false; or an array, or a formula of the live workbook, which chooses element by element.
    yes, no
        What to give; None stands for a figure that does not exist.

    Examples
    --------
    >>> choose(2 > 0, lambda: 1 / 2, lambda: None)
    0.5
    """
    if isinstance(condition, bool | np.bool_):
        return yes() if condition else no()
    return np.where(condition, yes(), no())
