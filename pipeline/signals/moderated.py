"""Steps between few sessions: Student's test with variances that borrow from each other."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import digamma, polygamma, stdtr, stdtrit

FloatArray = NDArray[np.float64]

#: Most prior degrees of freedom a variance may borrow: metrics of one car differ in kind, so
#: their spreads are never taken as drawn from one narrow family, however alike they look.
MOST_PRIOR_FREEDOM = 24.0


@dataclass(frozen=True)
class Prior:
    """Scaled inverse chi-squared prior of a variance: its scale and its degrees of freedom."""

    variance: float
    freedom: float


def variance_prior(variances: FloatArray, freedoms: FloatArray) -> Prior:
    """Fit the prior of many sample variances by the moments of their logarithms.

    variances: (k,), > 0; freedoms: (k,), >= 1. With fewer than three variances the prior has no
    weight. Source: Smyth 2004, Stat. Appl. Genet. Mol. Biol. 3:3, section 6.2 (from memory).
    """
    good = (variances > 0) & (freedoms >= 1)
    s2, d = variances[good], freedoms[good]
    if s2.size < 3:
        return Prior(float(s2.mean()) if s2.size else 1.0, 0.0)
    e = np.log(s2) - digamma(d / 2.0) + np.log(d / 2.0)
    spread = float(e.var(ddof=1)) - float(np.mean(polygamma(1, d / 2.0)))
    freedom = MOST_PRIOR_FREEDOM
    if spread > 0:
        freedom = min(2.0 * _trigamma_inverse(spread), MOST_PRIOR_FREEDOM)
    half = freedom / 2.0
    variance = float(np.exp(e.mean() + digamma(half) - np.log(half)))
    return Prior(variance, freedom)


def _trigamma_inverse(y: float) -> float:
    """Solve trigamma(x) = y for x > 0 by Newton's method on 1/trigamma, as Smyth's appendix."""
    x = 0.5 + 1.0 / y
    for _ in range(50):
        trigamma = float(polygamma(1, x))
        step = trigamma * (1.0 - trigamma / y) / float(polygamma(2, x))
        x += step
        if abs(step) < 1e-9 * x:
            break
    return x


@dataclass(frozen=True)
class MeanStep:
    """Difference of means after minus before, its 95 % interval and two-sided p."""

    shift: float
    low: float
    high: float
    p: float


def mean_step(
    before: FloatArray, after: FloatArray, prior: Prior, confidence: float = 0.95
) -> MeanStep:
    """Compare two means with the pooled variance drawn towards the prior.

    before, after: (n,), (m,), n + m >= 3. With prior freedom 0 this is Student's test (source:
    any textbook; Smyth 2004 for the moderated form: freedoms add, variances are averaged by
    them).
    """
    n, m = before.size, after.size
    freedom = n + m - 2.0
    squares = float(np.sum((before - before.mean()) ** 2) + np.sum((after - after.mean()) ** 2))
    total = freedom + prior.freedom
    variance = (squares + prior.freedom * prior.variance) / total
    shift = float(after.mean() - before.mean())
    error = float(np.sqrt(variance * (1.0 / n + 1.0 / m)))
    if error == 0:
        return MeanStep(shift, shift, shift, 1.0 if shift == 0 else 0.0)
    half = float(stdtrit(total, 0.5 + confidence / 2.0)) * error
    p = 2.0 * float(stdtr(total, -abs(shift) / error))
    return MeanStep(shift, shift - half, shift + half, p)
