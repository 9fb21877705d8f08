"""Pooled effects: the clinical evidence regenerated from its study rows, and a published meta-analysis."""

import math
from pathlib import Path

import numpy as np
import pytest

from econmodel.evidence.pooling import pool, pool_contrast
from econmodel.evidence.studies import StudyEffect, load_studies, log_hazard_ratio, log_risk_ratio

STUDIES = load_studies(Path(__file__).parents[2] / "params" / "tables" / "effect_studies.csv")
# Colditz GA et al., JAMA 1994;271:698-702: BCG vaccine trials, cases and others, vaccinated then control (from memory).
BCG = [
    (4, 119, 11, 128),
    (6, 300, 29, 274),
    (3, 228, 11, 209),
    (62, 13536, 248, 12619),
    (33, 5036, 47, 5761),
    (180, 1361, 372, 1079),
    (8, 2537, 10, 619),
    (505, 87886, 499, 87892),
    (29, 7470, 45, 7232),
    (17, 1699, 65, 1600),
    (186, 50448, 141, 27197),
    (5, 2493, 3, 2338),
    (27, 16886, 29, 17825),
]


def bcg_effects(rows):
    """Log risk ratios of the BCG trials."""
    pairs = [log_risk_ratio((a, a + b), (c, c + d)) for a, b, c, d in rows]
    return [StudyEffect(str(k), f"Trial {k}", y, math.sqrt(v)) for k, (y, v) in enumerate(pairs)]


@pytest.mark.parametrize(
    ("contrast", "design", "ratio", "low", "high"),
    [
        ("glue_vs_none", None, 0.33, 0.17, 0.66),
        ("glue_vs_none", "randomised trial", 0.20, 0.08, 0.50),
        ("beta_blocker_vs_none", None, 0.52, 0.27, 1.00),
        ("glue_vs_beta_blocker", None, 0.39, 0.15, 1.02),
    ],
)
def test_pooled_hazard_ratios(contrast, design, ratio, low, high):
    """Pooled hazard ratios of the base case, to half a unit of the last printed digit.

    Rows: Mishra SR, J Hepatol 2011;54:1161 (equivalent counts); Salama, Adv Res Gastroenterol Hepatol 2020; Choe JW,
    Hepatol Int 2021;15:934. DerSimonian-Laird on log cumulative-hazard ratios.
    """
    found = pool_contrast(STUDIES, contrast, design=design)
    assert (found.ratio, found.low, found.high) == pytest.approx((ratio, low, high), abs=0.005)


def test_heterogeneity_of_glue():
    """I2 of glue against none is 30%, to half a percent; without the cohort it is 0."""
    assert pool_contrast(STUDIES, "glue_vs_none").i2 == pytest.approx(0.30, abs=0.005)
    assert pool_contrast(STUDIES, "glue_vs_none", design="randomised trial").i2 == 0


@pytest.mark.parametrize(
    ("contrast", "design", "ratio", "low", "high"),
    [
        ("glue_vs_none", None, 0.32, 0.14, 0.73),
        ("glue_vs_none", "randomised trial", 0.19, 0.08, 0.45),
        ("beta_blocker_vs_none", None, 0.66, 0.41, 1.06),
        ("glue_vs_beta_blocker", None, 0.29, 0.11, 0.73),
    ],
)
def test_pooled_risk_ratios(contrast, design, ratio, low, high):
    """Pooled risk ratios from crude counts (those of Mishra 2011 from memory), half a unit of the last printed digit.

    1.06 was printed with z = 1.96 (1.05501); the exact quantile gives 1.05499, hence 1e-5 more.
    """
    found = pool_contrast(STUDIES, contrast, "risk ratio", design=design)
    assert (found.ratio, found.low, found.high) == pytest.approx((ratio, low, high), abs=0.00501)
    # Negative control: a risk ratio is not the hazard ratio.
    assert found.ratio != pytest.approx(pool_contrast(STUDIES, contrast, design=design).ratio, abs=0.003)


@pytest.mark.parametrize(
    ("contrast", "ratio", "low", "high"), [("beta_blocker_vs_none", 0.57, 0.31, 1.05), ("glue_vs_beta_blocker", 0.25, 0.09, 0.68)]
)
def test_hazard_ratios_with_crude_counts(contrast, ratio, low, high):
    """Sensitivity analysis: hazard ratios with the crude counts of Mishra 2011 (from memory)."""
    found = pool_contrast(STUDIES, contrast, "hazard ratio", analysis="risk ratio")
    assert (found.ratio, found.low, found.high) == pytest.approx((ratio, low, high), abs=0.005)


@pytest.mark.parametrize(
    ("treated", "control", "ratio"),
    [
        ((3.9, 30), (13.5, 30), 0.23),
        ((0.28 * 29, 29), (13.5, 30), 0.55),
        ((3.9, 30), (0.28 * 29, 29), 0.42),
        ((2, 30), (11, 30), 0.15),
        ((6, 30), (11, 30), 0.49),
        ((2, 30), (6, 30), 0.31),
        ((14, 72), (34, 97), 0.50),
    ],
)
def test_study_hazard_ratios(treated, control, ratio):
    """Hazard ratios of the single studies from their printed probabilities, half a unit of the last digit."""
    assert math.exp(log_hazard_ratio(treated, control)[0]) == pytest.approx(ratio, abs=0.005)


def test_published_meta_analysis():
    """BCG vaccine: DerSimonian-Laird -0.7141 (se 0.1787), tau2 0.3088, Q 152.23, I2 92.12%; Paule-Mandel tau2 0.3181.

    Source: Colditz 1994, as reanalysed in common practice (figures from memory; they reproduce from the counts).
    """
    found = pool(bcg_effects(BCG))
    assert (found.log_ratio, found.se_log, found.tau2) == pytest.approx((-0.7141, 0.1787, 0.3088), abs=5e-5)
    assert (found.q, 100 * found.i2) == pytest.approx((152.23, 92.12), abs=5e-3)
    assert pool(bcg_effects(BCG), "paule-mandel").tau2 == pytest.approx(0.3181, abs=5e-5)
    assert pool(bcg_effects(BCG[1:])).log_ratio != pytest.approx(-0.7141, abs=5e-3)


def test_paule_mandel_defining_equation():
    """At the Paule-Mandel variance the generalised Q equals k - 1, so the Hartung-Knapp scale is 1 (closed form)."""
    found = pool(bcg_effects(BCG), "paule-mandel")
    y = np.array([e.log_ratio for e in found.effects])
    w = 1 / (np.array([e.se_log for e in found.effects]) ** 2 + found.tau2)
    assert (w * (y - np.average(y, weights=w)) ** 2).sum() == pytest.approx(len(y) - 1, abs=1e-6)
    assert found.se_log == pytest.approx(w.sum() ** -0.5, abs=1e-8)
