"""Trends and steps of a few numbers over time: robust slopes, tests, false discovery rate."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Slope:
    """Theil-Sen slope per unit of x with its interval, and Mann-Kendall's two-sided p."""

    slope: float
    low: float
    high: float
    intercept: float
    p: float


def mann_kendall(y: FloatArray) -> tuple[float, float, float]:
    """Mann-Kendall test for a monotonic trend: S, its variance (ties corrected), two-sided p.

    y: shape (n,), in order of time, n >= 2, finite. The normal approximation with continuity
    correction. Source: Mann 1945, Econometrica 13:245; Kendall 1975, Rank Correlation Methods.
    """
    y = np.asarray(y, dtype=np.float64)
    n = y.size
    s = float(np.sum(np.sign(y[None, :] - y[:, None])[np.triu_indices(n, 1)]))
    _, counts = np.unique(y, return_counts=True)
    ties = float(np.sum(counts * (counts - 1) * (2 * counts + 5)))
    variance = (n * (n - 1) * (2 * n + 5) - ties) / 18.0
    if variance <= 0:
        return s, 0.0, 1.0
    z = (abs(s) - 1.0) / math.sqrt(variance) if s != 0 else 0.0
    return s, variance, min(1.0, 2.0 * float(ndtr(-max(z, 0.0))))


def theil_sen(x: FloatArray, y: FloatArray, confidence: float = 0.95) -> Slope:
    """Theil-Sen slope, the median of all pairs' slopes, with Sen's interval.

    x, y: shape (n,), n >= 2; pairs of equal x are left out. Raises ValueError where no pair is
    left. Sources: Theil 1950; Sen 1968, J. Am. Stat. Assoc. 63:1379 (the interval from Kendall's
    variance).
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    first, second = np.triu_indices(x.size, 1)
    dx = x[second] - x[first]
    use = dx != 0
    if not use.any():
        raise ValueError("a slope needs two different times")
    slopes = np.sort((y[second] - y[first])[use] / dx[use])
    middle = float(np.median(slopes))
    _, variance, p = mann_kendall(y[np.argsort(x, kind="stable")])
    half = float(ndtri(0.5 + confidence / 2.0)) * math.sqrt(max(variance, 0.0))
    upper = min(round((slopes.size + half) / 2.0), slopes.size - 1)
    lower = max(round((slopes.size - half) / 2.0) - 1, 0)
    return Slope(
        slope=middle,
        low=float(slopes[lower]),
        high=float(slopes[upper]),
        intercept=float(np.median(y)) - middle * float(np.median(x)),
        p=p,
    )


@dataclass(frozen=True)
class Step:
    """Shift of the level from before to after, with its interval and two-sided p."""

    shift: float
    low: float
    high: float
    p: float


def step_change(before: FloatArray, after: FloatArray, confidence: float = 0.95) -> Step:
    """Hodges-Lehmann shift between two samples with the rank-sum test and its interval.

    before, after: shapes (n,) and (m,), both at least 2, finite. Exact for n + m <= 20 without
    ties, else the normal approximation with ties corrected. Sources: Mann & Whitney 1947, Ann.
    Math. Stat. 18:50; Hodges & Lehmann 1963, Ann. Math. Stat. 34:598.
    """
    before, after = np.asarray(before, dtype=np.float64), np.asarray(after, dtype=np.float64)
    n, m = before.size, after.size
    differences = np.sort((after[:, None] - before[None, :]).ravel())
    u = float(np.sum(differences > 0) + 0.5 * np.sum(differences == 0))
    smaller = min(u, n * m - u)
    pooled = np.concatenate([before, after])
    _, counts = np.unique(pooled, return_counts=True)
    if counts.max() == 1 and n + m <= 20:
        table = _rank_sum_counts(n, m)
        total = float(table.sum())
        p = min(1.0, 2.0 * float(table[: int(smaller) + 1].sum()) / total)
        cumulative = np.cumsum(table) / total
        below = int(np.searchsorted(cumulative, (1.0 - confidence) / 2.0, side="right")) - 1
    else:
        ties = float(np.sum(counts**3 - counts)) / ((n + m) * (n + m - 1.0))
        variance = n * m / 12.0 * ((n + m + 1.0) - ties)
        if variance <= 0:
            return Step(0.0, 0.0, 0.0, 1.0)
        z = max(abs(u - n * m / 2.0) - 0.5, 0.0) / math.sqrt(variance)
        p = min(1.0, 2.0 * float(ndtr(-z)))
        half = float(ndtri(0.5 + confidence / 2.0)) * math.sqrt(variance)
        below = math.floor(n * m / 2.0 - half) - 1
    below = min(max(below, 0), (n * m - 1) // 2)
    return Step(
        shift=float(np.median(differences)),
        low=float(differences[below]),
        high=float(differences[n * m - 1 - below]),
        p=p,
    )


def _rank_sum_counts(n: int, m: int) -> FloatArray:
    """Number of orderings with each value of the rank-sum statistic U, shape (n m + 1,).

    The generating function's product form (Gaussian binomial coefficient), from Mann & Whitney.
    """
    counts = np.zeros(n * m + 1)
    counts[0] = 1.0
    for k in range(1, n + 1):
        # Multiply by (1 - q^(m+k)) / (1 - q^k), truncated at degree n m.
        top = counts.copy()
        top[m + k :] -= counts[: counts.size - m - k]
        for start in range(k):
            top[start::k] = np.cumsum(top[start::k])
        counts = np.round(top)
    return counts


def benjamini_hochberg(p: FloatArray, rate: float = 0.05) -> NDArray[np.bool_]:
    """Which of many tests to call, so that the share of false calls is ``rate`` at most.

    p: shape (n,), two-sided p values; NaN is never called. Source: Benjamini & Hochberg 1995,
    J. R. Stat. Soc. B 57:289.
    """
    p = np.asarray(p, dtype=np.float64)
    called = np.zeros(p.shape, dtype=np.bool_)
    good = np.flatnonzero(np.isfinite(p))
    if good.size == 0:
        return called
    order = good[np.argsort(p[good], kind="stable")]
    within = np.flatnonzero(p[order] <= rate * np.arange(1, order.size + 1) / order.size)
    if within.size:
        called[order[: within[-1] + 1]] = True
    return called
