"""Means and slopes over a window of time, for unevenly spaced rows with holes. Pure functions."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


#: s that one row may stand for: a gap in the log is nobody's running. Choice.
LONGEST_ROW_S = 1.0


def window_rows(time: Floats, seconds: float) -> tuple[Ints, Ints]:
    """First row, and the one after the last, within ``seconds`` centred on each row, each (n,).

    time: (n,), rising. A row lies within another's half window just as that one lies within its
    own, so that the ends are the starts counted: the second search, dear on long logs, falls away.
    """
    first = np.searchsorted(time, time - 0.5 * seconds, side="left")
    return first, np.cumsum(np.bincount(first, minlength=time.size))


def moving_mean(time: Floats, values: Floats, *, seconds: float) -> Floats:
    """Mean of the finite values within ``seconds`` centred on each row; NaN where there is none.

    time, values: (n,), time rising.
    """
    return mean_of_rows(values, *window_rows(time, seconds))


def mean_of_rows(values: Floats, low: Ints, high: Ints) -> Floats:
    """Mean of the finite ``values[low:high]`` (n,) for each of many windows; NaN where none is."""
    good = np.isfinite(values)
    total, count = np.zeros(values.size + 1), np.zeros(values.size + 1, dtype=np.int64)
    np.cumsum(np.where(good, values, 0.0), out=total[1:])
    np.cumsum(good, out=count[1:])
    number = count[high] - count[low]
    mean = (total[high] - total[low]) / np.maximum(number, 1)
    return np.asarray(np.where(number > 0, mean, np.nan), dtype=np.float64)


def median_of_three(values: Floats, apart: int = 1) -> Floats:
    """Median of each value and those ``apart`` rows before and after; the ends as they are.

    Removes whatever lasts ``apart`` rows or less and leaves what climbs or falls as it is.
    """
    if values.size < 2 * apart + 1:
        return values.copy()
    a, b, c = values[: -2 * apart], values[apart:-apart], values[2 * apart :]
    inner = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    return np.concatenate([values[:apart], inner, values[-apart:]])


def moving_slope(time: Floats, values: Floats, *, seconds: float) -> Floats:
    """Slope of the least-squares line within ``seconds`` centred on each row, per second.

    time, values: (n,). NaN where fewer than three finite values or no span of time are there.
    """
    good = np.isfinite(values)
    middle = float(time[time.size // 2]) if time.size else 0.0
    base = float(np.median(values[good])) if good.any() else 0.0
    x = np.where(good, time - middle, 0.0)
    y = np.where(good, values - base, 0.0)
    sums = [np.r_[0.0, np.cumsum(v)] for v in (good.astype(np.float64), x, y, x * x, x * y)]
    low, high = window_rows(time, seconds)
    n, sx, sy, sxx, sxy = (s[high] - s[low] for s in sums)
    spread = n * sxx - sx * sx
    # Cancellation leaves a spread of rounding size where all rows share one time.
    usable = (n >= 3) & (spread > 1e-9 * np.maximum(n * sxx, 1e-12))
    slope = (n * sxy - sx * sy) / np.where(usable, spread, 1.0)
    return np.asarray(np.where(usable, slope, np.nan), dtype=np.float64)


def row_seconds(time: Floats) -> Floats:
    """Seconds each row stands for: half the way to its neighbours, at most ``LONGEST_ROW_S``."""
    if time.size < 2:
        return np.zeros(time.size)
    step = np.diff(time)
    both = np.r_[step[0], step] + np.r_[step, step[-1]]
    return np.asarray(np.minimum(0.5 * both, LONGEST_ROW_S), dtype=np.float64)


def mean_or_nan(values: Floats) -> float:
    """Mean of the finite values, NaN where there is none."""
    good = values[np.isfinite(values)]
    return float(good.mean()) if good.size else float("nan")


def median_or_nan(values: Floats) -> float:
    """Median of the finite values, NaN where there is none."""
    good = values[np.isfinite(values)]
    return float(np.median(good)) if good.size else float("nan")
