"""Financial arithmetic against numpy-financial and closed forms."""

from __future__ import annotations

import numpy as np
import numpy_financial
import pytest

from econmodel.errors import AnalysisError
from econmodel.programme.money.finance import annualised, annuity_factor, irr, npv, payback_years

FLOWS = (
    [-100.0, 30.0, 40.0, 50.0, 10.0],
    [0.0, -56_000.0, 20_000.0, 25_000.0, 27_000.0, 31_000.0],
    [-295_000.0, 60_000.0, 60_000.0, 60_000.0, 60_000.0, 90_000.0],
    [500.0, -200.0, -200.0, -200.0],
)


@pytest.mark.parametrize("flows", FLOWS)
@pytest.mark.parametrize("rate", [0.0, 0.035, 0.08, 0.12])
def test_npv_equals_numpy_financial(flows: list[float], rate: float) -> None:
    """Net present value, first flow not discounted, equals numpy-financial 1.0."""
    assert float(npv(rate, flows)) == pytest.approx(numpy_financial.npv(rate, flows), rel=1e-12)
    assert float(npv(rate + 0.01, flows)) != pytest.approx(numpy_financial.npv(rate, flows), rel=1e-6)


@pytest.mark.parametrize("flows", FLOWS[:3])
def test_irr_equals_numpy_financial(flows: list[float]) -> None:
    """Where cumulative cash turns once, from below, the internal rate of return equals numpy-financial 1.0; else there is none."""
    assert np.isnan(irr(FLOWS[3]))
    assert irr(flows, 12) == pytest.approx((1 + numpy_financial.irr(flows)) ** 12 - 1, abs=1e-9)
    found = irr(flows)
    assert found == pytest.approx(numpy_financial.irr(flows), abs=1e-9)
    shifted = [flows[0], *[1.01 * f for f in flows[1:-1]], flows[-1]]
    assert irr(shifted) != pytest.approx(numpy_financial.irr(flows), abs=1e-6)


def test_npv_of_many_draws_is_row_by_row() -> None:
    """A batch with one rate a draw equals each draw alone."""
    rates, cash = np.array([0.05, 0.10]), np.array([[-10.0, 6.0, 6.0], [-10.0, 6.0, 6.0]])
    alone = [numpy_financial.npv(r, row) for r, row in zip(rates, cash, strict=True)]
    np.testing.assert_allclose(npv(rates, cash), alone, rtol=1e-12)


@pytest.mark.parametrize(("timing", "printed"), [("arrears", 14.212403), ("advance", 14.709837), ("continuous", 14.459694)])
def test_twenty_year_annuities(timing: str, printed: float) -> None:
    """20 years at 3.5%: closed forms (1 - v^n)/i, /d and /ln(1 + i); common practice, no source."""
    assert annuity_factor(0.035, 20, timing) == pytest.approx(printed, abs=5e-7)
    assert annuity_factor(0.036, 20, timing) != pytest.approx(printed, abs=1e-3)


@pytest.mark.parametrize(("timing", "printed"), [("arrears", 8.316605), ("advance", 8.607687), ("continuous", 8.461311)])
def test_ten_year_annuities(timing: str, printed: float) -> None:
    """10 years at 3.5%: the same closed forms; common practice, no source."""
    assert annuity_factor(0.035, 10, timing) == pytest.approx(printed, abs=5e-7)
    assert annuity_factor(0.035, 11, timing) != pytest.approx(printed, abs=1e-3)


def test_annualised_amount_is_a_loan_payment() -> None:
    """A present value spread at year ends is numpy-financial's level payment."""
    assert annualised(295_000.0, 0.08, 7) == pytest.approx(-numpy_financial.pmt(0.08, 7, 295_000.0), rel=1e-12)


def test_annuity_refuses_an_unknown_timing() -> None:
    """An unknown timing is named."""
    with pytest.raises(AnalysisError, match="'monthly'"):
        annuity_factor(0.03, 5, "monthly")


@pytest.mark.parametrize("flows", [[-100.0, 230.0, -132.0], [10.0, 20.0], [-1.0, -2.0], [0.0, 0.0]])
def test_no_single_irr(flows: list[float]) -> None:
    """Cash that does not change sign exactly once has no single internal rate of return."""
    assert np.isnan(irr(flows))


@pytest.mark.parametrize(
    ("cumulative", "years"),
    [
        ([-100.0, -40.0, 20.0, 60.0], 1 + 40 / 60),
        ([0.0, -10.0, 5.0, -5.0, 15.0], 3.25),
        ([0.0, 5.0, 9.0], 0.0),
        ([-10.0, 5.0, -1.0], None),
        ([-10.0, 0.0, 4.0], 1.0),
    ],
)
def test_payback_is_when_cash_turns_and_stays(cumulative: list[float], years: float | None) -> None:
    """Payback is interpolated at the last turn; it does not count where cash falls below zero again for good."""
    assert payback_years(cumulative) == pytest.approx(np.nan if years is None else years, abs=1e-12, nan_ok=True)
