"""Student's test by scipy; the moderated form by its own definition."""

import numpy as np
import pytest
from scipy import stats

from pipeline.signals.moderated import Prior, mean_step, variance_prior

BEFORE = np.array([10.1, 9.8, 10.4, 10.0, 9.9])
AFTER = np.array([10.9, 11.2, 10.7, 11.1])


@pytest.mark.parametrize("confidence", [0.9, 0.95])
def test_without_a_prior_it_is_students_test(confidence: float) -> None:
    own = mean_step(BEFORE, AFTER, Prior(1.0, 0.0), confidence)
    other = stats.ttest_ind(AFTER, BEFORE)
    interval = other.confidence_interval(confidence)
    assert own.p == pytest.approx(other.pvalue, rel=1e-9)
    assert (own.low, own.high) == pytest.approx((interval.low, interval.high))
    assert own.shift == pytest.approx(AFTER.mean() - BEFORE.mean())


def test_a_prior_of_endless_weight_is_a_known_variance() -> None:
    own = mean_step(BEFORE, AFTER, Prior(0.04, 1e9))
    error = 0.2 * np.sqrt(1 / 5 + 1 / 4)
    assert own.high - own.shift == pytest.approx(1.959964 * error, rel=1e-5)
    assert own.p == pytest.approx(2 * stats.norm.sf(own.shift / error), rel=1e-3)


def test_the_prior_is_found_again() -> None:
    """Variances drawn from the model itself: 8 prior degrees of freedom about a variance of 4."""
    draw = np.random.default_rng(5)
    true = 4.0 * 8.0 / draw.chisquare(8.0, 20_000)
    seen = true * draw.chisquare(6.0, true.size) / 6.0
    prior = variance_prior(seen, np.full(true.size, 6.0))
    assert prior.variance == pytest.approx(4.0, rel=0.03)
    assert prior.freedom == pytest.approx(8.0, rel=0.08)


def test_equal_values_give_no_step_and_no_doubt() -> None:
    same = mean_step(np.full(3, 2.0), np.full(3, 2.0), Prior(1.0, 0.0))
    assert (same.shift, same.p) == (0.0, 1.0)
