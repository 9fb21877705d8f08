"""What the programme needs from the economic model: activity per start by month, and a price list."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


class ProfilesLike(Protocol):
    """Undiscounted expected activity per patient started, by month after the start (month 0 is the first)."""

    @property
    def activities(self) -> tuple[str, ...]:
        """Names along the last axis of ``counts``."""

    @property
    def strategies(self) -> tuple[str, ...]:
        """Names along the second axis of ``counts``."""

    @property
    def counts(self) -> FloatArray:
        """Activity, shape (draw, strategy, month, activity)."""


class PricesLike(Protocol):
    """Full cost, variable share of it, and payment received, for each priced activity; arrays are (draw, activity)."""

    @property
    def activities(self) -> tuple[str, ...]:
        """Names along the last axis of the arrays."""

    @property
    def full_cost(self) -> FloatArray:
        """Full cost of one unit of activity."""

    @property
    def variable_share(self) -> FloatArray:
        """Share of the full cost that moves with activity."""

    @property
    def payment(self) -> FloatArray:
        """Payment received for one unit of activity."""
