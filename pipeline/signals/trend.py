"""Trends of a few numbers over time: robust slopes, their test, false discovery rate."""

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


def theil_sen(x: FloatArray, y: FloatArray) -> Slope:
    """Theil-Sen slope, the median of all pairs' slopes, with Sen's 95 % interval.

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
    half = float(ndtri(0.975)) * math.sqrt(max(variance, 0.0))
    upper = min(round((slopes.size + half) / 2.0), slopes.size - 1)
    lower = max(round((slopes.size - half) / 2.0) - 1, 0)
    return Slope(
        slope=middle,
        low=float(slopes[lower]),
        high=float(slopes[upper]),
        intercept=float(np.median(y)) - middle * float(np.median(x)),
        p=p,
    )


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
