"""Trend statistics against general-purpose libraries and a published example."""

import numpy as np
import pymannkendall
import pytest
import scipy.stats

from pipeline.signals.trend import benjamini_hochberg, mann_kendall, theil_sen

#: Ten numbers in no particular order; S and its variance also counted by hand: 37 and 125.
Y = np.array([1, 3, 2, 5, 4, 6, 8, 7, 10, 9], dtype=float)
X = np.arange(10.0)


def test_mann_kendall_agrees_with_pymannkendall() -> None:
    """Source: pymannkendall 1.4.3, original_test; z 3.219938, p 0.00128218 on this series."""
    reference = pymannkendall.original_test(Y)
    s, variance, p = mann_kendall(Y)
    assert (s, variance) == (37, 125)
    assert s == reference.s
    assert p == pytest.approx(reference.p, rel=1e-9)
    assert p == pytest.approx(0.00128218, rel=1e-5)


@pytest.mark.parametrize("seed", range(8))
def test_mann_kendall_agrees_with_ties(seed: int) -> None:
    """Source: pymannkendall 1.4.3, original_test."""
    y = np.random.default_rng(seed).integers(0, 6, 25).astype(float)
    reference = pymannkendall.original_test(y)
    s, variance, p = mann_kendall(y)
    assert s == reference.s
    assert variance == pytest.approx(reference.var_s)
    assert p == pytest.approx(reference.p, abs=1e-12)


def test_theil_sen_agrees_with_scipy() -> None:
    """Source: scipy.stats.theilslopes; slope 1, intercept 1, 95 % interval 0.6667 to 1.3333."""
    found = theil_sen(X, Y)
    assert found.slope == 1.0
    assert found.intercept == 1.0
    assert (found.low, found.high) == pytest.approx((0.6667, 1.3333), abs=1e-4)


@pytest.mark.parametrize("seed", range(6))
def test_theil_sen_agrees_with_scipy_on_noise(seed: int) -> None:
    """Source: scipy.stats.theilslopes."""
    random = np.random.default_rng(seed)
    x = np.sort(random.uniform(0, 10, 15))
    y = 0.3 * x + random.normal(0, 1, 15)
    reference = scipy.stats.theilslopes(y, x)
    found = theil_sen(x, y)
    assert (found.slope, found.low, found.high) == pytest.approx(
        (reference.slope, reference.low_slope, reference.high_slope)
    )


def test_an_outlier_moves_theil_sen_little() -> None:
    """Own arithmetic: nine points on slope 1 and one far off keep the median slope at 1."""
    y = np.r_[np.arange(9.0), 100.0]
    assert theil_sen(X, y).slope == 1.0


def test_false_discovery_rate_on_the_published_example() -> None:
    """Source (from memory): Benjamini & Hochberg 1995, the 15 p values of their example; at 5 %
    the procedure calls the first four, Bonferroni's the first three.
    """
    p = np.array([0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240,
                  0.4262, 0.5719, 0.6528, 0.7590, 1.0])  # fmt: skip
    assert benjamini_hochberg(p[::-1])[::-1].sum() == 4
    assert benjamini_hochberg(p)[:4].all()
    assert np.array_equal(benjamini_hochberg(p), scipy.stats.false_discovery_control(p) <= 0.05)
