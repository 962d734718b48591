"""Decimation for drawing: minimum and maximum per bucket, so that a one-sample spike survives."""

import numpy as np
from numpy.typing import NDArray

#: Points a drawn line keeps at most: 250 buckets, two points each, are one per pixel of a
#: phone's width and half of one on a desk; measured page sizes stay small.
DEFAULT_POINTS = 500


def minimum_maximum(
    x: NDArray[np.float64], y: NDArray[np.float64], points: int = DEFAULT_POINTS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Thin a line to at most ``points`` samples, keeping each bucket's minimum and maximum.

    x, y: shape (n,), same length, x rising; NaN in y are left out. Returns x and y, shape (m,),
    m <= max(points, 4). Input no longer than ``points`` comes back without its NaN only.
    Buckets are of equal x width: a gap in x stays a gap.
    """
    good = np.isfinite(y) & np.isfinite(x)
    x, y = x[good], y[good]
    if x.size <= points:
        return x, y
    buckets = max(points // 2, 2)
    span = x[-1] - x[0]
    if span <= 0:
        return x[:1], y[:1]
    bucket = np.minimum(((x - x[0]) * (buckets / span)).astype(np.int64), buckets - 1)
    starts = np.flatnonzero(np.r_[True, bucket[1:] != bucket[:-1]])
    sizes = np.diff(np.r_[starts, x.size])
    # Of equal values the first is the lowest and the last is the highest: the line keeps its width.
    least = np.flatnonzero(y == np.repeat(np.minimum.reduceat(y, starts), sizes))
    low = least[np.searchsorted(least, starts)]
    most = np.flatnonzero(y == np.repeat(np.maximum.reduceat(y, starts), sizes))
    high = most[np.searchsorted(most, starts + sizes) - 1]
    keep = np.unique(np.concatenate([low, high, [0, x.size - 1]]))
    return x[keep], y[keep]
